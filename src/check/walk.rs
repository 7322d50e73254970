//! Walks over a show that several rules take, and words that several rules use.

use crate::midi::{Channel, MpeZone};
use crate::plan::Resolver;
use crate::show::finding::quoted;
use crate::show::model::{Night, NightEntry, Receiver, Scene, Show, Song, Zone};

/// All scenes, with their songs.
pub(super) fn scenes(show: &Show) -> impl Iterator<Item = (&Song, &Scene)> {
    show.songs
        .iter()
        .flat_map(|song| song.scenes.iter().map(move |scene| (song, scene)))
}

/// What is sent for sounds, without trims and under those of each night that has some: what
/// is one volume without them may be two with them.
pub(super) fn resolvers<'a>(show: &'a Show, plain: &'a Night) -> Vec<Resolver<'a>> {
    let trimmed = show
        .nights
        .iter()
        .filter(|night| night.trims != plain.trims);
    std::iter::once(plain)
        .chain(trimmed)
        .map(|night| Resolver::new(show, night))
        .collect()
}

/// All zones, with their scenes and songs.
pub(super) fn zones(show: &Show) -> impl Iterator<Item = (&Song, &Scene, &Zone)> {
    scenes(show).flat_map(|(song, scene)| scene.zones.iter().map(move |zone| (song, scene, zone)))
}

/// A zone that an MPE surface plays: where it is, the surface's MPE zone, and that of the
/// slot if it is one.
pub(super) type FingerZone<'a> = (&'a Song, &'a Scene, &'a Zone, MpeZone, Option<MpeZone>);

/// All zones that MPE surfaces play.
pub(super) fn finger_zones(show: &Show) -> impl Iterator<Item = FingerZone<'_>> {
    zones(show).filter_map(|(song, scene, zone)| {
        let surface = show.rig.controllers.get(zone.controller)?.mpe?;
        let receiver = show.rig.receivers.get(zone.receiver)?;
        let zones = &receiver.groups.get(zone.group)?.mpe;
        let of_slot = zones.iter().min_by_key(|zone| zone.members).copied();
        Some((song, scene, zone, surface, of_slot))
    })
}

/// Pairs of neighbouring scenes in the order of a song.
pub(super) fn steps(song: &Song) -> impl Iterator<Item = (&Scene, &Scene)> {
    song.order.windows(2).filter_map(|pair| match pair {
        [from, to] => Some((song.scenes.get(from.scene)?, song.scenes.get(to.scene)?)),
        _ => None,
    })
}

/// For each song the nights that play it, each with its transposition of it.
pub(super) fn nights_by_song(show: &Show) -> Vec<Vec<(&Night, i8)>> {
    let mut nights = vec![Vec::new(); show.songs.len()];
    for night in &show.nights {
        for entry in &night.order {
            if let NightEntry::Song {
                song,
                transpose,
                is_skipped: false,
                ..
            } = entry
                && let Some(of_song) = nights.get_mut(*song)
            {
                of_song.push((night, *transpose));
            }
        }
    }
    nights
}

/// All channels that a receiver listens to.
pub(super) fn channels(receiver: &Receiver) -> impl Iterator<Item = Channel> {
    receiver
        .groups
        .iter()
        .flat_map(|group| group.all_channels())
        .chain(receiver.global)
}

/// `"verse" of "Salt Road"`
pub(super) fn scene_words(song: &Song, scene: &Scene) -> String {
    format!("{} of {}", quoted(&scene.name), quoted(&song.title))
}

/// A channel as people count it.
pub(super) fn shown(channel: Channel) -> u8 {
    channel.get() + 1
}
