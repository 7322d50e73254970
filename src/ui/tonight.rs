//! Changes of the night that is played: what the running order's keys ask for.

use super::keys::UiCommand;
use crate::engine::view::View;
use crate::screen::{Listing, UiState};
use crate::sheet::{OrderLine, Sheet};

/// A change of tonight. Songs are named by their call numbers, which no change touches.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum NightEdit {
    /// Leave a song out.
    Skip(String),
    /// Take in a song that was left out.
    TakeIn(String),
    /// Move a song one place earlier.
    MoveUp(String),
    /// Move a song one place later.
    MoveDown(String),
    /// Transpose a song by this many semitones more, up or down.
    Transpose(String, i8),
    /// Undo the last change.
    Undo,
}

/// The change that a command asks for, on the song under the cursor.
pub(super) fn edit(
    command: UiCommand,
    state: &UiState,
    sheet: &Sheet,
    view: &View,
) -> Option<NightEdit> {
    if command == UiCommand::UndoChange {
        return Some(NightEdit::Undo);
    }
    let (call, is_left_out) = match state.cursor_row(view.position.index()) {
        Listing::Skipped(line) => match sheet.order.get(line)? {
            OrderLine::Skipped { call, .. } => (call, true),
            _ => return None,
        },
        Listing::Position(index) => {
            let song = sheet.positions.get(index)?.song;
            (&sheet.songs.get(song)?.call, false)
        }
        Listing::Song(_) | Listing::Break(_) => return None,
    };
    let call = call.clone();
    match command {
        UiCommand::SkipSong if is_left_out => Some(NightEdit::TakeIn(call)),
        UiCommand::SkipSong => Some(NightEdit::Skip(call)),
        UiCommand::MoveSongUp => Some(NightEdit::MoveUp(call)),
        UiCommand::MoveSongDown => Some(NightEdit::MoveDown(call)),
        UiCommand::TransposeSong(by) => Some(NightEdit::Transpose(call, by)),
        _ => None,
    }
}
