//! The night's line: which scene of which song comes when, under which call number.

use std::collections::{BTreeMap, BTreeSet};

use crate::engine::promptbook::{PositionEntry, SceneId, SongEntry, SongId, Span};
use crate::show::model::{Night, NightEntry, Show};

/// A position before it is compiled.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Place {
    /// Index of its entry in the night's order.
    pub entry: usize,
    /// Number of the song tonight, from 0, counting only songs that are played.
    pub turn: usize,
    /// Index of the song in the show.
    pub song: usize,
    /// Index of the scene in the song.
    pub scene: usize,
    /// Call number: the song's half, a dot, and the scene's half.
    pub call: String,
    /// Transposition in semitones: the song's and the night's added.
    pub transpose: i16,
}

/// All positions of the night. Call numbers are those of the written order: a skipped song or
/// scene leaves a gap, so that numbers on paper stay true. The position with the call number
/// `kept` stays even if it is left out, because the show is there.
pub(super) fn positions(show: &Show, night: &Night, kept: Option<&str>) -> Vec<Place> {
    places(show, night, |is_left_out, call| {
        !is_left_out || kept == Some(call)
    })
}

/// The positions that are left out tonight, as if they were played.
pub(super) fn left_out(show: &Show, night: &Night) -> Vec<Place> {
    places(show, night, |is_left_out, _| is_left_out)
}

fn places(show: &Show, night: &Night, is_wanted: impl Fn(bool, &str) -> bool) -> Vec<Place> {
    let mut places = Vec::new();
    let mut turn = 0;
    for (at, entry) in night.order.iter().enumerate() {
        let NightEntry::Song {
            song: index,
            call,
            transpose,
            is_skipped,
            skipped_scenes,
            ..
        } = entry
        else {
            continue;
        };
        let Some(song) = show.songs.get(*index) else {
            continue;
        };
        let before = places.len();
        let skipped: BTreeSet<&str> = skipped_scenes.iter().map(String::as_str).collect();
        for step in &song.order {
            let Some(scene) = song.scenes.get(step.scene) else {
                continue;
            };
            let call = format!("{call}.{}", step.call);
            if !is_wanted(*is_skipped || skipped.contains(scene.name.as_str()), &call) {
                continue;
            }
            places.push(Place {
                entry: at,
                turn,
                song: *index,
                scene: step.scene,
                call,
                transpose: i16::from(song.transpose) + i16::from(*transpose),
            });
        }
        if places.len() > before {
            turn += 1;
        }
    }
    places
}

/// The page numbers of each song, by its call number. A page without a number takes the one
/// after the page before it, through the night as it was written: a song that is moved or left
/// out later changes no page on the tablet. Songs that were not in the night follow after the
/// others.
pub(super) fn page_numbers<'a>(show: &Show, written: &'a Night) -> BTreeMap<&'a str, Vec<u16>> {
    let played: BTreeSet<usize> = positions(show, written, None)
        .iter()
        .map(|place| place.entry)
        .collect();
    let (first, later): (Vec<_>, Vec<_>) = written
        .order
        .iter()
        .enumerate()
        .partition(|(at, _)| played.contains(at));
    let mut numbers = BTreeMap::new();
    let mut last: Option<u16> = None;
    for (_, entry) in first.into_iter().chain(later) {
        let NightEntry::Song { song, call, .. } = entry else {
            continue;
        };
        let pages = show.songs.get(*song).map_or(&[][..], |song| &song.pages);
        let of_song = pages.iter().map(|page| {
            let next = last.map_or(0, |last| last.saturating_add(1));
            let number = page.number.unwrap_or(next);
            last = Some(number);
            number
        });
        numbers.insert(call.as_str(), of_song.collect());
    }
    numbers
}

/// Tonight's songs and the page numbers they send.
pub(super) fn songs(
    night: &Night,
    places: &[Place],
    numbers: &BTreeMap<&str, Vec<u16>>,
) -> (Vec<SongEntry>, Vec<u16>) {
    let mut songs: Vec<SongEntry> = Vec::new();
    let mut pages: Vec<u16> = Vec::new();
    for (at, place) in places.iter().enumerate() {
        if place.turn < songs.len() {
            if let Some(song) = songs.get_mut(place.turn) {
                song.positions.len += 1;
            }
            continue;
        }
        let start = pages.len() as u32;
        if let Some(NightEntry::Song { call, .. }) = night.order.get(place.entry) {
            pages.extend(numbers.get(call.as_str()).into_iter().flatten());
        }
        songs.push(SongEntry {
            positions: Span {
                start: at as u32,
                len: 1,
            },
            pages: Span {
                start,
                len: pages.len() as u32 - start,
            },
        });
    }
    (songs, pages)
}

/// The positions' entries; `seats` adds the planned slots.
pub(super) fn entries(show: &Show, places: &[Place], scenes: &[SceneId]) -> Vec<PositionEntry> {
    places
        .iter()
        .zip(scenes)
        .map(|(place, scene)| PositionEntry {
            scene: *scene,
            song: SongId(place.turn as u16),
            seats: Span::default(),
            page: show
                .songs
                .get(place.song)
                .and_then(|song| song.scenes.get(place.scene))
                .and_then(|scene| scene.page)
                .map(|page| page.saturating_sub(1)),
        })
        .collect()
}
