//! The night's line: which scene of which song comes when, under which call number.

use crate::engine::promptbook::{PositionEntry, SceneId, SongEntry, SongId, Span};
use crate::show::model::{Night, NightEntry, Show};

/// A position before it is compiled.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Place {
    /// Which song of the night (counting those that are played).
    pub turn: usize,
    /// Index of the song in the show.
    pub song: usize,
    /// Index of the scene in the song.
    pub scene: usize,
    /// Call number: the song's half and the scene's half.
    pub call: String,
    /// Semitones of song and night together.
    pub transpose: i16,
}

/// All positions of the night. Call numbers are those of the written order: a skipped
/// song or scene leaves a gap, so that the numbers on paper stay true.
pub(super) fn positions(show: &Show, night: &Night) -> Vec<Place> {
    let mut places = Vec::new();
    let mut turn = 0;
    for entry in &night.order {
        let NightEntry::Song {
            song: index,
            call,
            transpose,
            is_skipped: false,
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
        for step in &song.order {
            let Some(scene) = song.scenes.get(step.scene) else {
                continue;
            };
            if skipped_scenes.contains(&scene.name) {
                continue;
            }
            places.push(Place {
                turn,
                song: *index,
                scene: step.scene,
                call: format!("{call}.{}", step.call),
                transpose: i16::from(song.transpose) + i16::from(*transpose),
            });
        }
        if places.len() > before {
            turn += 1;
        }
    }
    places
}

/// Tonight's songs and the page numbers they send. A page without a number takes the
/// number after the page before it in the night.
pub(super) fn songs(show: &Show, places: &[Place]) -> (Vec<SongEntry>, Vec<u16>) {
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
        for page in show
            .songs
            .get(place.song)
            .map_or(&[][..], |song| &song.pages)
        {
            let next = pages.last().map_or(0, |last| last.saturating_add(1));
            pages.push(page.number.unwrap_or(next));
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
