//! What the person at the terminal chose: which screen, cursors, prompt, settings.
//!
//! It lives here and not with the engine, so that a screen can die and come back with it.

use crate::sheet::{OrderLine, Sheet};

/// One of the three screens.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub enum Screen {
    /// The player's.
    #[default]
    Stage,
    /// The technician's.
    Wings,
    /// The running order.
    Order,
}

impl Screen {
    /// All screens, in the order of their keys.
    pub const ALL: [Self; 3] = [Self::Stage, Self::Wings, Self::Order];

    /// Its name as printed.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Stage => "stage",
            Self::Wings => "wings",
            Self::Order => "running order",
        }
    }
}

/// How many colours may be used.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Colour {
    /// None: bold and reversed only (`NO_COLOR`).
    None,
    /// The sixteen of every terminal.
    Sixteen,
    /// 24-bit colours.
    #[default]
    Full,
}

/// What a screen is drawn with.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Settings {
    /// How many colours.
    pub colour: Colour,
    /// Only ASCII marks: for terminals that draw lines and blocks two cells wide.
    pub is_ascii: bool,
}

/// Notes from the computer keyboard.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum NoteMode {
    /// Letters are commands.
    #[default]
    Off,
    /// Letters are notes.
    On {
        /// Key number of the lowest note of the lower row (0–108, a C).
        base: u8,
        /// The terminal reports when a key is let go; otherwise notes have a fixed length.
        has_releases: bool,
        /// That length, in milliseconds.
        length_ms: u32,
    },
}

/// A question or a line being typed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Prompt {
    /// Text to find in the running order.
    Find(String),
    /// A call number, or the beginning of a name, to jump to.
    Jump(String),
    /// Whether to jump to this position, asked in a show.
    ConfirmJump(usize),
    /// Whether to leave, asked in a show.
    ConfirmQuit,
}

/// Everything the person chose.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct UiState {
    /// The screen shown.
    pub screen: Screen,
    /// Whether the help covers it.
    pub is_help: bool,
    /// Position the running order's cursor is on; none follows the show.
    pub cursor: Option<usize>,
    /// The text last looked for.
    pub find: String,
    /// First log line from the end that the wings show (0 follows the log).
    pub log_scroll: usize,
    /// First line of the help shown.
    pub help_scroll: usize,
    /// A question or a line being typed.
    pub prompt: Option<Prompt>,
    /// Notes from the computer keyboard.
    pub notes: NoteMode,
    /// What the screens are drawn with.
    pub settings: Settings,
}

/// A row of the running order.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Listing {
    /// A song, by index.
    Song(usize),
    /// A position, by index.
    Position(usize),
    /// A song left out tonight: index of its line in `Sheet::order`.
    Skipped(usize),
    /// A break of so many seconds.
    Break(u32),
}

/// All rows of the running order, from the top of the night to its end.
#[must_use]
pub fn listings(sheet: &Sheet) -> Vec<Listing> {
    let mut out = Vec::new();
    for (line, entry) in sheet.order.iter().enumerate() {
        match entry {
            OrderLine::Song(index) => {
                out.push(Listing::Song(*index));
                if let Some(song) = sheet.songs.get(*index) {
                    let (first, count) = song.positions;
                    let end = first.saturating_add(count).min(sheet.positions.len());
                    out.extend((first..end).map(Listing::Position));
                }
            }
            OrderLine::Skipped(_) => out.push(Listing::Skipped(line)),
            OrderLine::Break(seconds) => out.push(Listing::Break(*seconds)),
        }
    }
    out
}

/// The first position from `from` on (round the end) whose call number, scene or song
/// holds `text`, small and capital letters alike. An empty text finds nothing.
#[must_use]
pub fn find(sheet: &Sheet, text: &str, from: usize) -> Option<usize> {
    let wanted = text.trim().to_lowercase();
    let count = sheet.positions.len();
    if wanted.is_empty() || count == 0 {
        return None;
    }
    let exact = sheet
        .positions
        .iter()
        .position(|position| position.call.to_lowercase() == wanted);
    exact.or_else(|| {
        (0..count)
            .map(|offset| (from % count + offset) % count)
            .find(|index| holds(sheet, *index, &wanted))
    })
}

fn holds(sheet: &Sheet, index: usize, wanted: &str) -> bool {
    let Some(position) = sheet.positions.get(index) else {
        return false;
    };
    let scene = sheet.scenes.get(position.scene).map(|scene| &scene.name);
    // A song's title finds its first position only, so that `n` goes song by song.
    let song = sheet
        .songs
        .get(position.song)
        .filter(|song| song.positions.0 == index)
        .map(|song| &song.title);
    position.call.to_lowercase().starts_with(wanted)
        || [scene, song]
            .into_iter()
            .flatten()
            .any(|name| name.to_lowercase().contains(wanted))
}
