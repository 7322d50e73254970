//! Two different sounds of one scene on a slot that has no like: it can only be one of them.

use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Scene, Show, Site, Song};

pub(super) const RULE: Rule = Rule {
    id: "fixed-slot-used-twice",
    level: Level::Error,
    says: "two different sounds of one scene on one fixed slot",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene) in scenes(show) {
        for (index, receiver) in show.rig.receivers.iter().enumerate() {
            for (group, slots) in receiver.groups.iter().enumerate() {
                if slots.channels.len() == 1
                    && let Some((site, what)) = clash(scene, index, group)
                {
                    tell(show, (song, scene), index, (site, what), told);
                }
            }
        }
    }
}

fn tell(
    show: &Show,
    (song, scene): (&Song, &Scene),
    receiver: usize,
    (site, what): (Site, &str),
    told: &mut Told<'_, '_>,
) {
    let name = show
        .rig
        .receivers
        .get(receiver)
        .map_or("", |receiver| &receiver.name);
    let message = format!(
        "{} has one slot here, and {} gives it two {what}",
        quoted(name),
        scene_words(song, scene)
    );
    told.add(site, message, "make them equal, or leave one out");
}

/// Where and in what a second sound differs from the first on this slot.
fn clash(scene: &Scene, receiver: usize, group: usize) -> Option<(Site, &'static str)> {
    let mut zones = scene
        .zones
        .iter()
        .filter(|zone| zone.receiver == receiver && zone.group == group);
    let patches = scene
        .patches
        .iter()
        .filter(|patch| patch.receiver == receiver && patch.group == group);
    let first = zones.next()?;
    let mut patch = first.patch;
    for zone in zones {
        if zone.patch.is_some() && patch.is_some() && zone.patch != patch {
            return Some((zone.site, "patches"));
        }
        patch = patch.or(zone.patch);
        if zone.level_db != first.level_db {
            return Some((zone.site, "levels"));
        }
        if zone.pan != first.pan || zone.bend_range != first.bend_range {
            return Some((zone.site, "pans or bend ranges"));
        }
        let values = |zone: &crate::show::model::Zone| {
            let mut values: Vec<_> = zone
                .settings
                .iter()
                .map(|setting| (setting.parameter, setting.value))
                .collect();
            values.sort_unstable();
            values
        };
        if values(zone) != values(first) {
            return Some((zone.site, "sets of parameters"));
        }
    }
    patches
        .into_iter()
        .find(|other| patch.is_some_and(|patch| patch != other.patch))
        .map(|other| (other.site, "patches"))
}
