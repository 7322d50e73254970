//! Commands, keys, and which key asks for which command.
//!
//! What there is stands in `table`; a user's file may give other keys (`remap`).

use super::table::TABLE;
use crate::engine::input::Command;
use crate::screen::{KeyLine, Screen};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

/// What a key asks for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum UiCommand {
    /// Send this command to the engine as it is.
    Send(Command),
    /// Mute everything, or unmute if muted.
    ToggleMute,
    /// Fade everything out, or back in.
    ToggleFade,
    /// Begin a rehearsal (cues are held back), or end it.
    ToggleCues,
    /// Show one of the three screens.
    Show(Screen),
    /// Show the next screen.
    NextScreen,
    /// Begin to type what to find in the running order.
    Find,
    /// Go to the next match of the text.
    FindNext,
    /// Begin to type where to jump.
    Jump,
    /// Jump to the position under the cursor.
    JumpToCursor,
    /// Leave the song under the cursor out tonight, or take it in again.
    SkipSong,
    /// Play the song under the cursor one place earlier tonight.
    MoveSongUp,
    /// Play the song under the cursor one place later tonight.
    MoveSongDown,
    /// Transpose the song under the cursor by this many semitones tonight.
    TransposeSong(i8),
    /// Take the last change of the night back.
    UndoChange,
    /// Move the cursor or the text one line down.
    Down,
    /// Move the cursor or the text one line up.
    Up,
    /// Silence the receiver under the cursor.
    PanicOne,
    /// Send the receiver under the cursor its state again; `true` includes sounding slots.
    ResendOne(bool),
    /// Mute the receiver under the cursor (no new notes), or unmute it.
    MuteOne,
    /// Switch the receiver under the cursor to its spare, or back.
    Spare,
    /// End the note under the cursor.
    EndNote,
    /// Ignore the pedal under the cursor, or heed it again.
    IgnorePedal,
    /// Learn a control that somebody moves.
    Learn,
    /// Lock the pedals that step, or free them.
    LockPedals,
    /// Lock the keys of this terminal, or free them.
    LockKeys,
    /// Loop the scene under the cursor, or end the loop.
    Loop,
    /// Extend the loop to the scene under the cursor.
    LoopTo,
    /// Begin to type a word that marks the position under the cursor, or the present one.
    Mark,
    /// Go to the next marked position.
    NextMark,
    /// List marked positions only, or all.
    MarksOnly,
    /// Begin or end a recording.
    Record,
    /// Scroll the log one line down.
    LogDown,
    /// Scroll the log one line up.
    LogUp,
    /// Begin to type what lines of the log must hold.
    Filter,
    /// Write the log to a file.
    SaveLog,
    /// Begin to type a command.
    Line,
    /// Take the mouse, or leave it to the terminal.
    Mouse,
    /// Play letters as notes on the next keyboard of the rig; after the last, letters are
    /// commands again.
    Notes,
    /// Shift keyboard notes an octave up.
    OctaveUp,
    /// Shift keyboard notes an octave down.
    OctaveDown,
    /// Go to the next theme: dark, light, high contrast, red light.
    NextTheme,
    /// Show or hide the help.
    Help,
    /// Close what is open: prompt, help, other screens.
    Close,
    /// Leave the program: a show asks first.
    Quit,
}

/// A key of the computer keyboard.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct UiKey {
    /// The key, as the terminal names it.
    pub code: KeyCode,
    /// Modifiers held down with it. Shift counts only where the key has no capital of its own.
    pub modifiers: KeyModifiers,
}

impl UiKey {
    pub(super) const fn plain(code: KeyCode) -> Self {
        Self {
            code,
            modifiers: KeyModifiers::NONE,
        }
    }

    pub(super) const fn letter(c: char) -> Self {
        Self::plain(KeyCode::Char(c))
    }

    pub(super) const fn with(code: KeyCode, modifiers: KeyModifiers) -> Self {
        Self { code, modifiers }
    }

    /// The key of a terminal's event. Terminals differ in whether a capital comes with
    /// shift beside it, so for characters shift is taken into the character.
    #[must_use]
    pub fn of(event: &KeyEvent) -> Self {
        let kept = KeyModifiers::SHIFT | KeyModifiers::CONTROL | KeyModifiers::ALT;
        let mut modifiers = event.modifiers & kept;
        let mut code = event.code;
        if let KeyCode::Char(c) = code {
            if modifiers.contains(KeyModifiers::SHIFT) {
                code = KeyCode::Char(c.to_uppercase().next().unwrap_or(c));
            }
            modifiers.remove(KeyModifiers::SHIFT);
        }
        Self { code, modifiers }
    }

    /// The key as a number, for rooms that know nothing of terminals; `numbered` reads it.
    #[must_use]
    pub fn number(self) -> u32 {
        let code = match self.code {
            KeyCode::Char(c) => u32::from(c),
            KeyCode::F(number) => NAMED_FROM + FUNCTION_FROM + u32::from(number),
            other => {
                let at = NAMED.iter().position(|named| *named == other);
                let at = at.and_then(|at| u32::try_from(at).ok());
                at.map_or(NAMED_FROM + FUNCTION_FROM - 1, |at| NAMED_FROM + at)
            }
        };
        (u32::from(self.modifiers.bits()) << MODIFIERS_SHIFT) | code
    }

    /// The key of a number; a key that has none is `Null`.
    #[must_use]
    pub fn numbered(number: u32) -> Self {
        let code = number & ((1 << MODIFIERS_SHIFT) - 1);
        let named = code.checked_sub(NAMED_FROM);
        let code = match named {
            None => char::from_u32(code).map_or(KeyCode::Null, KeyCode::Char),
            Some(named) => match u8::try_from(named.wrapping_sub(FUNCTION_FROM)) {
                Ok(function) => KeyCode::F(function),
                Err(_) => {
                    let at = usize::try_from(named).ok();
                    at.and_then(|at| NAMED.get(at))
                        .copied()
                        .unwrap_or(KeyCode::Null)
                }
            },
        };
        let bits = u8::try_from(number >> MODIFIERS_SHIFT).unwrap_or(0);
        Self::with(code, KeyModifiers::from_bits_truncate(bits))
    }

    /// The key as printed: `Space`, `PageDown`, `Ctrl-C`.
    #[must_use]
    pub fn name(self) -> String {
        let mut out = String::new();
        for (modifier, word) in [
            (KeyModifiers::CONTROL, "Ctrl-"),
            (KeyModifiers::ALT, "Alt-"),
            (KeyModifiers::SHIFT, "Shift-"),
        ] {
            if self.modifiers.contains(modifier) {
                out.push_str(word);
            }
        }
        match self.code {
            KeyCode::Char(' ') => out.push_str("Space"),
            KeyCode::Char(c) if out.is_empty() => out.push(c),
            KeyCode::Char(c) => out.extend(c.to_uppercase()),
            KeyCode::F(number) => out.push_str(&format!("F{number}")),
            KeyCode::PageDown => out.push_str("PageDown"),
            KeyCode::PageUp => out.push_str("PageUp"),
            other => out.push_str(&format!("{other:?}")),
        }
        out
    }
}

/// Keys with a name, by number.
const NAMED: [KeyCode; 15] = [
    KeyCode::Backspace,
    KeyCode::Enter,
    KeyCode::Left,
    KeyCode::Right,
    KeyCode::Up,
    KeyCode::Down,
    KeyCode::Home,
    KeyCode::End,
    KeyCode::PageUp,
    KeyCode::PageDown,
    KeyCode::Tab,
    KeyCode::BackTab,
    KeyCode::Delete,
    KeyCode::Insert,
    KeyCode::Esc,
];
/// Numbers of characters end here (Unicode: U+10FFFF); those of named keys begin.
const NAMED_FROM: u32 = 0x11_0000;
/// Function keys begin this far above `NAMED_FROM`.
const FUNCTION_FROM: u32 = 0x100;
/// Bit at which the modifiers begin.
const MODIFIERS_SHIFT: u32 = 24;

/// One command: its name, keys, words, and where it works.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct KeyRow {
    /// One or two words for the footer.
    pub name: &'static str,
    /// Its keys; the footer shows the first.
    pub keys: &'static [UiKey],
    /// The screens on which it works.
    pub screens: &'static [Screen],
    /// A sentence that says what it does.
    pub words: &'static str,
    /// The command that its keys give.
    pub command: UiCommand,
    /// The screens whose footer has it.
    pub footer: &'static [Screen],
    /// What may follow its name on the command line.
    pub takes: Takes,
}

impl KeyRow {
    /// The row with what may follow its name.
    pub(super) const fn takes(mut self, takes: Takes) -> Self {
        self.takes = takes;
        self
    }
}

/// What may follow a command's name on the command line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Takes {
    /// The command takes nothing more.
    Nothing,
    /// The name of a receiver.
    Receiver,
    /// The name of a pedal, or a controller's name and `hold`, `sostenuto` or `soft`.
    Pedal,
    /// A call number, a name or SONG/SCENE.
    Place,
    /// One or two places, or `off`.
    Stretch,
    /// Any text, to the end of the line.
    Word,
    /// A whole number.
    Count,
}

impl Takes {
    /// What follows the name, in a word in capitals; empty for `Nothing`.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Nothing => "",
            Self::Receiver => "RECEIVER",
            Self::Pedal => "PEDAL",
            Self::Place => "PLACE",
            Self::Stretch => "PLACE PLACE",
            Self::Word => "TEXT",
            Self::Count => "COUNT",
        }
    }
}

/// The table with the keys in force.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Keys {
    bound: Vec<(KeyRow, Vec<UiKey>)>,
}

impl Default for Keys {
    /// The table's own keys.
    fn default() -> Self {
        Self {
            bound: TABLE.iter().map(|row| (*row, row.keys.to_vec())).collect(),
        }
    }
}

impl Keys {
    /// All commands, in the table's order.
    pub fn rows(&self) -> impl Iterator<Item = &KeyRow> {
        self.bound.iter().map(|(row, _)| row)
    }

    /// All commands with their keys.
    pub fn bound(&self) -> impl Iterator<Item = (&KeyRow, &[UiKey])> {
        self.bound.iter().map(|(row, keys)| (row, keys.as_slice()))
    }

    /// What `key` asks for on `screen`.
    #[must_use]
    pub fn lookup(&self, key: UiKey, screen: Screen) -> Option<&KeyRow> {
        self.bound
            .iter()
            .find(|(row, keys)| keys.contains(&key) && row.screens.contains(&screen))
            .map(|(row, _)| row)
    }

    /// Whether this key belongs to a command that `is_meant` accepts.
    pub(super) fn has(&self, key: UiKey, is_meant: impl Fn(&KeyRow) -> bool) -> bool {
        let mut bound = self.bound.iter();
        bound.any(|(row, keys)| is_meant(row) && keys.contains(&key))
    }

    /// Gives these keys to the first command of a name, in place of its own, and takes them
    /// from the other commands.
    pub(super) fn give(&mut self, name: &str, wanted: &[UiKey]) {
        for (_, keys) in &mut self.bound {
            keys.retain(|key| !wanted.contains(key));
        }
        let found = self.bound.iter_mut().find(|(row, _)| row.name == name);
        if let Some((_, keys)) = found {
            *keys = wanted.to_vec();
        }
    }

    /// The commands as the screens show them.
    #[must_use]
    pub fn lines(&self) -> Vec<KeyLine> {
        self.bound()
            .map(|(row, keys)| KeyLine {
                name: row.name.to_owned(),
                keys: keys.iter().map(|key| key.name()).collect(),
                screens: row.screens.to_vec(),
                words: row.words.to_owned(),
                footer: row.footer.to_vec(),
            })
            .collect()
    }
}

/// The table's own keys as the screens show them.
#[must_use]
pub fn key_lines() -> Vec<KeyLine> {
    Keys::default().lines()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_key_means_two_things_on_one_screen() {
        for screen in Screen::ALL {
            let rows = TABLE.iter().filter(|row| row.screens.contains(&screen));
            let mut seen: Vec<(UiKey, &str)> = Vec::new();
            for row in rows {
                for key in row.keys {
                    let other = seen.iter().find(|(known, _)| known == key);
                    assert_eq!(
                        other,
                        None,
                        "{} is also `{}` on {screen:?}",
                        key.name(),
                        row.name
                    );
                    seen.push((*key, row.name));
                }
            }
        }
    }

    #[test]
    fn a_capital_is_the_same_key_with_or_without_shift_beside_it() {
        let bare = KeyEvent::new(KeyCode::Char('R'), KeyModifiers::NONE);
        let shifted = KeyEvent::new(KeyCode::Char('R'), KeyModifiers::SHIFT);
        let small = KeyEvent::new(KeyCode::Char('r'), KeyModifiers::SHIFT);
        assert_eq!(UiKey::of(&bare), UiKey::of(&shifted));
        assert_eq!(UiKey::of(&bare), UiKey::of(&small));
        let forced = UiCommand::Send(Command::Resend {
            receiver: None,
            is_forced: true,
        });
        let keys = Keys::default();
        let found = keys.lookup(UiKey::of(&small), Screen::Stage);
        assert_eq!(found.map(|row| row.command), Some(forced));
    }

    #[test]
    fn a_key_is_read_back_from_its_number() {
        let codes = TABLE.iter().flat_map(|row| row.keys).copied();
        let others = [KeyCode::Char('é'), KeyCode::Esc, KeyCode::F(12)].map(UiKey::plain);
        for key in codes.chain(others) {
            assert_eq!(UiKey::numbered(key.number()), key, "{}", key.name());
        }
        assert_eq!(
            UiKey::numbered(UiKey::plain(KeyCode::CapsLock).number()),
            UiKey::plain(KeyCode::Null)
        );
    }

    // What page-turn pedals send: common practice, no source.
    #[test]
    fn what_a_page_turn_pedal_sends_steps_on_the_stage() {
        let keys = Keys::default();
        let command = |code| {
            let row = keys.lookup(UiKey::plain(code), Screen::Stage);
            row.map(|row| row.command)
        };
        for code in [
            KeyCode::PageDown,
            KeyCode::Right,
            KeyCode::Down,
            KeyCode::Char(' '),
        ] {
            assert_eq!(
                command(code),
                Some(UiCommand::Send(Command::Step)),
                "{code:?}"
            );
        }
        for code in [KeyCode::PageUp, KeyCode::Left, KeyCode::Up] {
            assert_eq!(
                command(code),
                Some(UiCommand::Send(Command::Back)),
                "{code:?}"
            );
        }
    }
}
