//! Sheet and view become cells: the stage, the wings, the running order and the help.
//!
//! Pure: a model is handed in, a buffer is filled. There is no terminal and no clock
//! here; `ui` puts the buffer on a terminal, `svg` turns it into a picture. Nothing in
//! this room panics at any size, and every text that came from a user or from a device
//! passes `text::sanitise` before it reaches a cell.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

mod big;
mod contrast;
mod count_in;
mod health;
pub mod help;
mod hue;
mod look;
mod narrow;
mod notice;
pub mod order;
mod palette;
mod pieces;
mod plot;
mod prompt;
mod scale;
mod show_clock;
pub mod stage;
mod stage_call;
mod stage_coming;
mod stage_plan;
pub mod state;
pub mod svg;
pub mod text;
pub mod wings;
mod wings_learn;
mod wings_ports;
mod wings_rows;
mod wings_zones;
mod zone_map;

pub use contrast::contrast;
pub use count_in::{counted_beat, is_playing};
pub use plot::plot;
pub use state::{Colour, Listing, NOTE_ROWS, NoteMode, Prompt, Screen, Settings, Theme, UiState};
pub use wings_rows::{WingsRow, wings_rows};

pub use crate::report::status::{
    InPortStatus, LearnedStatus, LogLevel, LogLine, OutPortStatus, RigStatus,
};

pub use show_clock::planned_s;

use crate::engine::view::View;
use crate::sheet::{PositionLine, SceneLine, Sheet, SongLine};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

/// Everything a screen is drawn from.
#[derive(Clone, Copy, Debug)]
pub struct ScreenModel<'a> {
    /// Names, zone maps and words.
    pub sheet: &'a Sheet,
    /// What the engine published last.
    pub view: &'a View,
    /// What the ports are doing.
    pub rig: &'a RigStatus,
    /// The event log, oldest first.
    pub log: &'a [LogLine],
    /// What the person at the terminal chose.
    pub ui: &'a UiState,
    /// The commands by key, for the footer and the help screen.
    pub keys: &'a [KeyLine],
    /// The present, on the clock of `View::now_us`, in microseconds.
    pub now_us: u64,
    /// The time of day, in seconds past midnight (0–86,399).
    pub time_s: u32,
}

/// One command as the footer and the help screen show it.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct KeyLine {
    /// One or two words for the footer.
    pub name: String,
    /// Its keys as printed, such as `Space` and `PageDown`.
    pub keys: Vec<String>,
    /// The screens on which it works.
    pub screens: Vec<Screen>,
    /// A sentence that says what it does.
    pub words: String,
    /// The screens whose footer has it, if there is room.
    pub footer: Vec<Screen>,
}

/// Draws the screen that `model.ui` names, and the help and the prompt over it.
pub fn render(model: &ScreenModel, area: Rect, buf: &mut Buffer) {
    let area = area.intersection(buf.area);
    if area.is_empty() {
        return;
    }
    match model.ui.screen {
        _ if model.ui.is_help => help::render(model, area, buf),
        Screen::Stage => stage::render(model, area, buf),
        Screen::Wings => wings::render(model, area, buf),
        Screen::Order => order::render(model, area, buf),
    }
    prompt::render_offers(model, area, buf);
}

/// What can be pointed at on a screen.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Hit {
    /// A row of the running order.
    Listing(Listing),
    /// A row of the wings.
    Row(WingsRow),
}

/// The row drawn at a cell, if a command can act on it.
#[must_use]
pub fn hit(model: &ScreenModel, area: Rect, (x, y): (u16, u16)) -> Option<Hit> {
    if model.ui.is_help {
        return None;
    }
    match model.ui.screen {
        Screen::Stage => None,
        Screen::Wings => wings::row_at(model, area, (x, y)).map(Hit::Row),
        Screen::Order => order::listing_at(model, area, (x, y)).map(Hit::Listing),
    }
}

impl<'a> ScreenModel<'a> {
    /// The position at `index` with its scene and song; None if the sheet has none.
    fn place(&self, index: usize) -> Option<Place<'a>> {
        let position = self.sheet.positions.get(index)?;
        Some(Place {
            index,
            position,
            scene: self.sheet.scenes.get(position.scene)?,
            song: self.sheet.songs.get(position.song)?,
        })
    }

    /// The hues of the sounds of a place's scene.
    fn hues(&self, place: &Place<'_>) -> Vec<usize> {
        hue::hues(self.sheet, place.song.positions.0, place.index)
    }

    /// The position the show is at.
    fn present(&self) -> Option<Place<'a>> {
        self.place(self.view.position.index())
    }

    /// Where a step from a position leads: on, or round a loop.
    fn step_from(&self, index: usize) -> Option<usize> {
        match self.view.stretch {
            Some((first, last)) if last.index() == index => Some(first.index()),
            _ => index.checked_add(1),
        }
    }

    /// The position that a step leads to.
    fn following(&self) -> Option<Place<'a>> {
        self.place(self.step_from(self.view.position.index())?)
    }

    /// The loop by its call numbers: `7.2`, `7.1 to 7.3`.
    fn loop_words(&self) -> Option<String> {
        let (first, last) = self.view.stretch?;
        let call = |index: usize| self.sheet.positions.get(index).map(|line| &line.call);
        let (from, to) = (call(first.index())?, call(last.index())?);
        Some(if first == last {
            from.clone()
        } else {
            format!("{from} to {to}")
        })
    }

    /// The word that marks a position as a trouble spot, if there is one.
    fn mark(&self, place: &Place<'_>) -> Option<&'a str> {
        let mark = self.ui.marks.get(&place.position.call);
        mark.map(String::as_str)
    }
}

/// A position with its scene and song.
#[derive(Clone, Copy)]
struct Place<'a> {
    index: usize,
    position: &'a PositionLine,
    scene: &'a SceneLine,
    song: &'a SongLine,
}
