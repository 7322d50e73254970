//! More different sounds in a scene than the slots they may have.

use std::collections::BTreeSet;

use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Scene, Show, Zone};

pub(super) const RULE: Rule = Rule {
    id: "too-many-sounds",
    level: Level::Error,
    says: "more sounds in a scene than its receiver has slots for",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene) in scenes(show) {
        for (index, receiver) in show.rig.receivers.iter().enumerate() {
            for (group, slots) in receiver.groups.iter().enumerate() {
                let (there_are, needed) = (slots.channels.len(), sounds(scene, index, group));
                // Two sounds on one slot have a rule of their own, which says in what they differ.
                if there_are > 1 && needed > there_are {
                    let message = format!(
                        "{} needs {needed} sounds of {} at once, and its group {} has {there_are} slots",
                        scene_words(song, scene),
                        quoted(&receiver.name),
                        quoted(&slots.name)
                    );
                    told.add(scene.site, message, "make zones share a sound (equal patch, level, pan and parameters), or leave some out");
                }
            }
        }
    }
}

/// How many different sounds a scene asks of one group.
fn sounds(scene: &Scene, receiver: usize, group: usize) -> usize {
    let zones = scene
        .zones
        .iter()
        .filter(|zone| zone.receiver == receiver && zone.group == group);
    let played: BTreeSet<Sound> = zones.map(sound).collect();
    let patches = scene
        .patches
        .iter()
        .filter(|patch| patch.receiver == receiver && patch.group == group);
    let silent =
        patches.filter(|patch| !played.iter().any(|sound| sound.patch == Some(patch.patch)));
    played.len() + silent.count()
}

/// What makes two zones of one scene need two slots.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Sound {
    patch: Option<usize>,
    level_bits: u32,
    pan: Option<u8>,
    bend_range: Option<u8>,
    settings: Vec<(usize, Option<u16>)>,
}

fn sound(zone: &Zone) -> Sound {
    let mut settings: Vec<_> = zone
        .settings
        .iter()
        .map(|setting| (setting.parameter, setting.value))
        .collect();
    settings.sort_unstable();
    Sound {
        patch: zone.patch,
        // Plus zero and minus zero are one level.
        level_bits: (zone.level_db + 0.0).to_bits(),
        pan: zone.pan.map(crate::midi::Value7::get),
        bend_range: zone.bend_range,
        settings,
    }
}
