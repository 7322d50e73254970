//! Tonight (`nights/NAME.ron`), as types.

use super::Site;

/// Tonight (`nights/NAME.ron`).
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Night {
    /// The file's name without its ending.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Its title.
    pub title: String,
    /// The order of the night.
    pub order: Vec<NightEntry>,
    /// Songs of the order, not skipped, that could not be read at all, by file name: they are
    /// not in `order`.
    pub unread: Vec<String>,
    /// Trims in dB.
    pub trims: Trims,
    /// When the night must end, minutes past midnight.
    pub end_minute: Option<u16>,
    /// When it starts, minutes past midnight.
    pub start_minute: Option<u16>,
}

/// An entry of a night's order.
#[derive(Clone, PartialEq, Debug)]
pub enum NightEntry {
    /// A song.
    Song {
        /// Index of the song.
        song: usize,
        /// First half of its call numbers; its place in the order unless stated.
        call: String,
        /// Semitones tonight, added to the song's.
        transpose: i8,
        /// Left out tonight.
        is_skipped: bool,
        /// Names of scenes left out tonight.
        skipped_scenes: Vec<String>,
        /// Its place.
        site: Site,
    },
    /// A break.
    Break {
        /// Planned length in seconds.
        length_s: u32,
        /// Its place.
        site: Site,
    },
}

impl NightEntry {
    /// All of a song as it is written, called by its place among the songs of the show.
    #[must_use]
    pub fn all_of(song: usize, site: Site) -> Self {
        Self::Song {
            song,
            call: (song + 1).to_string(),
            transpose: 0,
            is_skipped: false,
            skipped_scenes: Vec::new(),
            site,
        }
    }
}

/// Trims in dB: tonight's additions to levels.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Trims {
    /// By receiver and patch index.
    pub patches: Vec<(usize, usize, f32)>,
    /// By receiver.
    pub instruments: Vec<(usize, f32)>,
    /// By port.
    pub ports: Vec<(usize, f32)>,
}
