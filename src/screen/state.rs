//! What the person at the terminal chose: which screen, cursors, prompt, settings.
//!
//! It lives here and not with the engine, so that a screen can die and come back with it.

use crate::sheet::{OrderLine, Sheet};
use std::collections::BTreeMap;

/// One of the three screens.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub enum Screen {
    /// The player's screen: the scene being played and the next.
    #[default]
    Stage,
    /// The technician's screen: receivers, held notes, pedals, log.
    Wings,
    /// The running order: songs, breaks and positions of the night.
    Order,
}

impl Screen {
    /// All screens, in the order of their keys.
    pub const ALL: [Self; 3] = [Self::Stage, Self::Wings, Self::Order];

    /// Its name in a word.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Stage => "stage",
            Self::Wings => "wings",
            Self::Order => "order",
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
    /// 24-bit colours, as the theme has them.
    #[default]
    Full,
}

impl Colour {
    /// What a terminal can do, from the values of `NO_COLOR`, `COLORTERM` and `TERM`.
    ///
    /// A `NO_COLOR` that is not empty means none (no-color.org).
    #[must_use]
    pub fn of_terminal(
        no_color: Option<&str>,
        colorterm: Option<&str>,
        term: Option<&str>,
    ) -> Self {
        if no_color.is_some_and(|value| !value.is_empty()) || term == Some("dumb") {
            return Self::None;
        }
        let is_full = matches!(colorterm, Some("truecolor" | "24bit"))
            || term.is_some_and(|term| term.ends_with("-direct"));
        if is_full { Self::Full } else { Self::Sixteen }
    }
}

/// A set of colours, chosen for the light on the stage.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Theme {
    /// Light on near-black, for a dark stage.
    #[default]
    Dark,
    /// Dark on paper, for daylight.
    Light,
    /// White and light hues on black, 7:1 everywhere.
    HighContrast,
    /// Red on black, for eyes used to the dark.
    RedLight,
}

impl Theme {
    /// All themes, in the order in which a key goes through them.
    pub const ALL: [Self; 4] = [Self::Dark, Self::Light, Self::HighContrast, Self::RedLight];

    /// Its name as typed.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Dark => "dark",
            Self::Light => "light",
            Self::HighContrast => "high-contrast",
            Self::RedLight => "red-light",
        }
    }

    /// The theme of a name; none if there is no such theme.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|theme| theme.name() == name)
    }

    /// The theme after this one, round the end.
    #[must_use]
    pub const fn after(self) -> Self {
        match self {
            Self::Dark => Self::Light,
            Self::Light => Self::HighContrast,
            Self::HighContrast => Self::RedLight,
            Self::RedLight => Self::Dark,
        }
    }
}

/// What a screen is drawn with.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Settings {
    /// How many colours the terminal may show.
    pub colour: Colour,
    /// The colours, chosen for the light on the stage.
    pub theme: Theme,
    /// Only ASCII marks: for terminals that draw lines and blocks two cells wide.
    pub is_ascii: bool,
}

/// Notes from the computer keyboard.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum NoteMode {
    /// Letters are commands, as ever.
    #[default]
    Off,
    /// Letters play notes on a controller of the rig.
    On {
        /// Index of the controller they are played on.
        controller: usize,
        /// Key number of the lowest note of the lower row (0–108, a C).
        base: u8,
        /// The terminal reports when a key is let go; otherwise notes have a fixed length.
        has_releases: bool,
        /// Length of notes without a release, in milliseconds.
        length_ms: u32,
    },
}

/// The letters of the lowest notes of the lower and of the upper row of letters, a C each, an
/// octave apart.
pub const NOTE_ROWS: [char; 2] = ['z', 'q'];

/// A question or a line being typed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Prompt {
    /// Text to find in the running order.
    Find(String),
    /// A call number, or the beginning of a name, to jump to.
    Jump(String),
    /// A text that lines of the log must hold.
    Filter {
        /// What is typed so far.
        text: String,
        /// The text that was in force before.
        before: String,
    },
    /// A name for the control that is learned.
    Learn(String),
    /// A word that marks a position as a trouble spot.
    Mark {
        /// Call number of the position that is marked.
        call: String,
        /// The word as typed so far.
        text: String,
    },
    /// A command by its name.
    Line {
        /// What is typed so far.
        text: String,
        /// Lines that it can be completed to.
        offers: Vec<String>,
        /// Why the last Enter did nothing; empty if there was none.
        refused: String,
        /// Index of the first offer listed above the line; None if none are listed.
        listed: Option<usize>,
    },
    /// Whether to jump to this position, asked in a show.
    ConfirmJump(usize),
    /// Whether to leave, asked in a show.
    ConfirmQuit,
}

/// Everything the person chose.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct UiState {
    /// The last step (`View::step_us`) after which somebody played: its song is not counted in
    /// any more.
    pub played_us: Option<Option<u64>>,
    /// Which of the three screens is shown.
    pub screen: Screen,
    /// Whether the help covers it.
    pub is_help: bool,
    /// Position the running order's cursor is on; none follows the show.
    pub cursor: Option<usize>,
    /// If the cursor is on a song left out tonight: that song's line in `Sheet::order`.
    pub left_out: Option<usize>,
    /// The text last looked for.
    pub find: String,
    /// The row of the wings that the cursor is on.
    pub wings: Option<super::WingsRow>,
    /// Lines of the log must hold this to be shown; empty shows all.
    pub log_filter: String,
    /// The name for the control that was learned, when it is to be written.
    pub learned_name: String,
    /// Words for trouble spots, by call number.
    pub marks: BTreeMap<String, String>,
    /// The running order lists marked places only.
    pub is_marks_only: bool,
    /// The answer to the last key; cleared by the next.
    pub said: String,
    /// The question of a key that must be pressed twice; empty if there is none.
    pub asked: String,
    /// The keys of this terminal are locked: only panic, help and unlock work.
    pub are_keys_locked: bool,
    /// The program has the mouse; otherwise the terminal marks text with it.
    pub has_mouse: bool,
    /// Commands that come first in the footer, each with its word there.
    pub footer: &'static [(&'static str, &'static str)],
    /// First log line from the end that the wings show (0 follows the log).
    pub log_scroll: usize,
    /// First line of the help shown.
    pub help_scroll: usize,
    /// A question or a line being typed.
    pub prompt: Option<Prompt>,
    /// Notes from the computer keyboard.
    pub notes: NoteMode,
    /// Whether letters may be notes even in a show: the model rig.
    pub may_play: bool,
    /// Keys that were lost because a queue or the table of keyboard notes was full.
    pub keys_lost: u64,
    /// What the screens are drawn with.
    pub settings: Settings,
}

impl UiState {
    /// The row of the running order that the cursor is on, the show being at `present`.
    #[must_use]
    pub fn cursor_row(&self, present: usize) -> Listing {
        self.left_out.map_or_else(
            || Listing::Position(self.cursor.unwrap_or(present)),
            Listing::Skipped,
        )
    }

    /// The rows of the running order that are listed.
    #[must_use]
    pub fn listings(&self, sheet: &Sheet) -> Vec<Listing> {
        let mut rows = listings(sheet);
        if self.is_marks_only {
            rows.retain(|row| match row {
                Listing::Position(at) => {
                    let line = sheet.positions.get(*at);
                    line.is_some_and(|line| self.marks.contains_key(&line.call))
                }
                _ => false,
            });
        }
        rows
    }

    /// Changes to another sheet of the night. Cursor and prompts stay with the scenes that they
    /// were about, by call number.
    pub fn change_sheet(&mut self, old: &Sheet, new: &Sheet) {
        let moved = |position: usize| {
            let call = &old.positions.get(position)?.call;
            new.positions.iter().position(|line| line.call == *call)
        };
        self.cursor = self.cursor.and_then(moved);
        if let Some(Prompt::ConfirmJump(to)) = self.prompt {
            self.prompt = moved(to).map(Prompt::ConfirmJump);
        }
        let song = |line: &OrderLine, sheet: &Sheet| match line {
            OrderLine::Song(index) => sheet.songs.get(*index).map(|song| song.call.clone()),
            OrderLine::Skipped { call, .. } => Some(call.clone()),
            OrderLine::Break(_) => None,
        };
        let Some(call) = self
            .left_out
            .take()
            .and_then(|at| song(old.order.get(at)?, old))
        else {
            return;
        };
        let found = new
            .order
            .iter()
            .position(|line| song(line, new).as_ref() == Some(&call));
        match found.and_then(|at| Some((at, new.order.get(at)?))) {
            Some((at, OrderLine::Skipped { .. })) => self.left_out = Some(at),
            Some((_, OrderLine::Song(index))) => {
                self.cursor = new.songs.get(*index).map(|song| song.positions.0);
            }
            _ => {}
        }
    }
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
            OrderLine::Skipped { .. } => out.push(Listing::Skipped(line)),
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

/// The position to jump to: a call number; SONG/SCENE, the first time that scene comes in
/// that song; otherwise what [`find`] finds.
///
/// In SONG/SCENE only letters and digits count, so that the name of a song's file, with `-`
/// for blanks, finds its title. A whole name goes before a part of one.
#[must_use]
pub fn find_place(sheet: &Sheet, text: &str, from: usize) -> Option<usize> {
    let in_song = text.split_once('/').and_then(|(song, scene)| {
        let (song, scene) = (letters(song), letters(scene));
        let is_place = |index: usize, is_like: fn(&str, &str) -> bool| {
            let line = sheet.positions.get(index)?;
            let title = letters(&sheet.songs.get(line.song)?.title);
            let name = letters(&sheet.scenes.get(line.scene)?.name);
            (is_like(&title, &song) && is_like(&name, &scene)).then_some(index)
        };
        let first = |is_like| (0..sheet.positions.len()).find_map(|at| is_place(at, is_like));
        let is_named = !song.is_empty() && !scene.is_empty();
        is_named
            .then(|| first(|name, wanted| name == wanted).or_else(|| first(|n, w| n.contains(w))))
            .flatten()
    });
    in_song.or_else(|| find(sheet, text, from))
}

fn letters(name: &str) -> String {
    let kept = name.chars().filter(|c| c.is_alphanumeric());
    kept.flat_map(char::to_lowercase).collect()
}

fn holds(sheet: &Sheet, index: usize, wanted: &str) -> bool {
    let Some(position) = sheet.positions.get(index) else {
        return false;
    };
    let scene = sheet.scenes.get(position.scene).map(|scene| &scene.name);
    // A match in the title counts at the song's first position only, so that `n` goes song by
    // song.
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_place_is_found_by_song_and_scene_as_the_command_line_has_it() {
        use crate::sheet::{PositionLine, SceneLine, SongLine};
        let names = ["Bridge", "Bridge 2", "Bridge"];
        let sheet = Sheet {
            songs: ["Ferry Lights", "The Miller's Salt Road"]
                .map(|title| SongLine {
                    title: title.into(),
                    ..SongLine::default()
                })
                .into(),
            scenes: names
                .map(|name| SceneLine {
                    name: name.into(),
                    ..SceneLine::default()
                })
                .into(),
            positions: (0..3)
                .map(|scene| PositionLine {
                    call: format!("1.{scene}"),
                    scene,
                    song: usize::from(scene > 0),
                })
                .collect(),
            ..Sheet::default()
        };
        let find = |text| find_place(&sheet, text, 0);
        assert_eq!(find("ferry-lights/bridge"), Some(0));
        assert_eq!(find("the-millers-salt-road/bridge"), Some(2));
        assert_eq!(find("salt-road/BRIDGE-2"), Some(1));
        assert_eq!(find("ferry-lights/solo"), None);
        assert_eq!(find("1.2"), Some(2));
        assert_eq!(find("/"), None);
    }

    #[test]
    fn colours_follow_what_the_terminal_says() {
        let of = Colour::of_terminal;
        assert_eq!(of(Some("1"), Some("truecolor"), None), Colour::None);
        assert_eq!(of(Some(""), Some("truecolor"), None), Colour::Full);
        assert_eq!(of(None, None, Some("linux")), Colour::Sixteen);
        assert_eq!(of(None, None, Some("dumb")), Colour::None);
        assert_eq!(of(None, None, Some("xterm-direct")), Colour::Full);
    }
}
