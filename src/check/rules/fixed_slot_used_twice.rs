//! Two different sounds of one scene on a slot that has no like: it can only be one of them.

use crate::check::walk::{resolvers, scene_words, scenes};
use crate::check::{Rule, Told};
use crate::plan::{Resolver, Sent};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Night, Scene, Show, Site, Song};

pub(super) const RULE: Rule = Rule {
    id: "fixed-slot-used-twice",
    level: Level::Error,
    says: "two different sounds of one scene on one fixed slot",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let plain = Night::default();
    let resolvers = resolvers(show, &plain);
    for (song, scene) in scenes(show) {
        for (index, receiver) in show.rig.receivers.iter().enumerate() {
            for (group, slots) in receiver.groups.iter().enumerate() {
                if slots.channels.len() == 1
                    && let Some((site, what)) = resolvers
                        .iter()
                        .find_map(|resolver| clash(resolver, scene, (index, group)))
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
fn clash(
    resolver: &Resolver<'_>,
    scene: &Scene,
    (receiver, group): (usize, usize),
) -> Option<(Site, &'static str)> {
    let mut zones = scene
        .zones
        .iter()
        .filter(|zone| zone.receiver == receiver && zone.group == group)
        .filter_map(|zone| Some((zone.site, resolver.sound(scene, zone)?)));
    let (_, first) = zones.next()?;
    // A zone without a patch plays whatever the slot holds.
    let mut patch = first.patch;
    for (site, sound) in zones {
        let (has_own, has_one) = (sound.patch.program.is_some(), patch.program.is_some());
        if has_own && has_one && sound.patch != patch {
            return Some((site, "patches"));
        }
        if !has_one {
            patch = sound.patch;
        }
        if let Some(what) = difference(&first, &sound) {
            return Some((site, what));
        }
    }
    scene
        .patches
        .iter()
        .filter(|stated| stated.receiver == receiver && stated.group == group)
        .find(|stated| patch.program.is_some() && patch != resolver.patch(stated))
        .map(|stated| (stated.site, "patches"))
}

/// In what two sounds differ besides their patches.
fn difference(one: &Sent, other: &Sent) -> Option<&'static str> {
    [
        (one.volume != other.volume, "levels"),
        (
            (one.pan, one.bend_range) != (other.pan, other.bend_range),
            "pans or bend ranges",
        ),
        (one.settings != other.settings, "sets of parameters"),
    ]
    .into_iter()
    .find_map(|(differs, what)| differs.then_some(what))
}
