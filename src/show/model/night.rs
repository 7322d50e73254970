//! Tonight (`nights/NAME.ron`), as types.

use super::Site;

/// The set list of one night (`nights/NAME.ron`).
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Night {
    /// The file's name without its ending.
    pub name: String,
    /// Where the night stands in the show's files, for findings.
    pub site: Site,
    /// The title shown on the screen.
    pub title: String,
    /// Its songs and breaks, in order of playing.
    pub order: Vec<NightEntry>,
    /// Songs of the order, not skipped, that could not be read at all, by file name: they are
    /// not in `order`.
    pub unread: Vec<String>,
    /// Level corrections for this night alone, in dB.
    pub trims: Trims,
    /// When the night must end, minutes past midnight.
    pub end_minute: Option<u16>,
    /// When it starts, minutes past midnight.
    pub start_minute: Option<u16>,
}

/// An entry of a night's order.
#[derive(Clone, PartialEq, Debug)]
pub enum NightEntry {
    /// A song to be played.
    Song {
        /// Index of the song.
        song: usize,
        /// First half of its call numbers: unless stated, its place in the order from 1, breaks
        /// not counted.
        call: String,
        /// Semitones tonight, added to the song's.
        transpose: i8,
        /// The song is skipped tonight; it keeps its call number.
        is_skipped: bool,
        /// Names of scenes left out tonight.
        skipped_scenes: Vec<String>,
        /// Where the entry stands in the show's files, for findings.
        site: Site,
    },
    /// A planned break between sets.
    Break {
        /// Planned length in seconds.
        length_s: u32,
        /// Where the entry stands in the show's files, for findings.
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
    /// For one patch: (receiver, index into its patch list, dB).
    pub patches: Vec<(usize, usize, f32)>,
    /// For all patches of one receiver: (receiver, dB).
    pub instruments: Vec<(usize, f32)>,
    /// For all receivers on one port: (port, dB).
    pub ports: Vec<(usize, f32)>,
}
