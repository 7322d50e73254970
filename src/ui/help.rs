//! What keys do while the help covers a screen.

use super::keys::{UiCommand, UiKey};
use crate::engine::input::Command;
use crossterm::event::KeyCode;

/// Whether a command is carried out while the help is open.
///
/// What it does must be seen. The help says in its head where the show is, its page,
/// whether cues are held and what is silenced or locked, and in its last row what is asked,
/// typed, answered or played by letters: so steps (a pedal may be a key of this terminal),
/// switches of the whole rig and prompts go through, and so does whatever ends the help.
/// Panic and resend always work: they rescue, and a resend is said in the last row. All
/// else (cursors, changes of the night, receivers one by one, the log, loops, recordings)
/// acts on what is covered and is refused, with words in the last row.
pub(super) const fn passes(command: UiCommand) -> bool {
    match command {
        UiCommand::Send(command) => matches!(
            command,
            Command::Step
                | Command::Back
                | Command::SongUp
                | Command::SongDown
                | Command::PageNext
                | Command::PageBack
                | Command::Panic(None)
                | Command::Resend { receiver: None, .. }
        ),
        UiCommand::ToggleMute
        | UiCommand::ToggleFade
        | UiCommand::ToggleCues
        | UiCommand::LockPedals
        | UiCommand::LockKeys
        | UiCommand::Show(_)
        | UiCommand::NextScreen
        | UiCommand::Find
        | UiCommand::NextMark
        | UiCommand::Jump
        | UiCommand::Mark
        | UiCommand::Line
        | UiCommand::Notes
        | UiCommand::OctaveUp
        | UiCommand::OctaveDown
        | UiCommand::NextTheme
        | UiCommand::Help
        | UiCommand::Close
        | UiCommand::Quit => true,
        _ => false,
    }
}

/// Whether a key scrolls the help.
pub(super) const fn is_scroll(key: UiKey) -> bool {
    matches!(key.code, KeyCode::Down | KeyCode::Up)
}
