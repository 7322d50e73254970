//! More different sounds in a scene than the slots they may have.

use std::collections::BTreeSet;

use crate::check::walk::{resolvers, scene_words, scenes};
use crate::check::{Rule, Told};
use crate::plan::{Resolver, Sent};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Night, Scene, Show};

pub(super) const RULE: Rule = Rule {
    id: "too-many-sounds",
    level: Level::Error,
    says: "more sounds in a scene than its receiver has slots for",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let plain = Night::default();
    let resolvers = resolvers(show, &plain);
    for (song, scene) in scenes(show) {
        for (index, receiver) in show.rig.receivers.iter().enumerate() {
            for (group, slots) in receiver.groups.iter().enumerate() {
                let there_are = slots.channels.len();
                let sounds = |resolver| sounds(resolver, scene, (index, group));
                let needed = resolvers.iter().map(sounds).max().unwrap_or(0);
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
fn sounds(resolver: &Resolver<'_>, scene: &Scene, (receiver, group): (usize, usize)) -> usize {
    let zones = scene
        .zones
        .iter()
        .filter(|zone| zone.receiver == receiver && zone.group == group);
    let played: BTreeSet<Sent> = zones
        .filter_map(|zone| resolver.sound(scene, zone))
        .collect();
    let patches = scene
        .patches
        .iter()
        .filter(|patch| patch.receiver == receiver && patch.group == group)
        .map(|patch| resolver.patch(patch));
    let silent = patches.filter(|patch| !played.iter().any(|sound| sound.patch == *patch));
    played.len() + silent.count()
}
