//! The one table of commands: what each is called, its keys, where it works, what it does.
//!
//! Key handling, the help screen and the footer are all made from it.

use crate::engine::input::Command;
use crate::screen::{KeyLine, Screen};
use crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

/// What a key asks for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum UiCommand {
    /// Something for the engine, as it stands.
    Send(Command),
    /// Mute, or unmute if muted.
    ToggleMute,
    /// Fade everything out, or back in.
    ToggleFade,
    /// Rehearse (cues are held), or end the rehearsal.
    ToggleCues,
    /// Show this screen.
    Show(Screen),
    /// Show the next screen.
    NextScreen,
    /// Begin to type what to find in the running order.
    Find,
    /// The next place where the text was found.
    FindNext,
    /// Begin to type where to jump.
    Jump,
    /// Jump to the position under the cursor.
    JumpToCursor,
    /// Leave the song under the cursor out tonight, or take it in again.
    SkipSong,
    /// Play the song under the cursor one place earlier tonight.
    MoveSongUp,
    /// Play it one place later.
    MoveSongDown,
    /// Play it so many semitones higher or lower tonight.
    TransposeSong(i8),
    /// Take the last change of the night back.
    UndoChange,
    /// The cursor or the text one line down.
    Down,
    /// The cursor or the text one line up.
    Up,
    /// Letters are notes on the next keyboard of the rig, after the last no longer.
    Notes,
    /// Keyboard notes an octave up.
    OctaveUp,
    /// Keyboard notes an octave down.
    OctaveDown,
    /// Show or hide the help.
    Help,
    /// Leave what is open: prompt, help, other screens.
    Close,
    /// Leave the program.
    Quit,
}

/// A key of the computer keyboard.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct UiKey {
    /// Which.
    pub code: KeyCode,
    /// With what held down. Shift counts only where the key has no capital of its own.
    pub modifiers: KeyModifiers,
}

impl UiKey {
    const fn plain(code: KeyCode) -> Self {
        Self {
            code,
            modifiers: KeyModifiers::NONE,
        }
    }

    const fn letter(c: char) -> Self {
        Self::plain(KeyCode::Char(c))
    }

    const fn with(code: KeyCode, modifiers: KeyModifiers) -> Self {
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

/// One command.
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
    /// What it asks for.
    pub command: UiCommand,
    /// Whether the footer has it.
    pub is_in_footer: bool,
}

const ALL: &[Screen] = &Screen::ALL;
const STAGE: &[Screen] = &[Screen::Stage];
const LISTS: &[Screen] = &[Screen::Wings, Screen::Order];
const ORDER: &[Screen] = &[Screen::Order];
const CTRL: KeyModifiers = KeyModifiers::CONTROL;
const SHIFT: KeyModifiers = KeyModifiers::SHIFT;

const fn row(
    (name, is_in_footer): (&'static str, bool),
    keys: &'static [UiKey],
    screens: &'static [Screen],
    command: UiCommand,
    words: &'static str,
) -> KeyRow {
    KeyRow {
        name,
        keys,
        screens,
        words,
        command,
        is_in_footer,
    }
}

const FOOTER: bool = true;
const HELP_ONLY: bool = false;

/// The table. Its order is the order of the help.
///
/// Page-turn pedals that are keyboards send `PageDown` and `PageUp` or arrows: on the
/// stage all of these step. `F` keys do what must work while letters are notes.
pub const TABLE: &[KeyRow] = &[
    row(
        ("step", FOOTER),
        &[
            UiKey::letter(' '),
            UiKey::plain(KeyCode::PageDown),
            UiKey::plain(KeyCode::Right),
        ],
        ALL,
        UiCommand::Send(Command::Step),
        "to the next scene",
    ),
    row(
        ("back", FOOTER),
        &[UiKey::plain(KeyCode::PageUp), UiKey::plain(KeyCode::Left)],
        ALL,
        UiCommand::Send(Command::Back),
        "to the scene before",
    ),
    row(
        ("step", HELP_ONLY),
        &[UiKey::plain(KeyCode::Down)],
        STAGE,
        UiCommand::Send(Command::Step),
        "to the next scene: pedals may send arrows",
    ),
    row(
        ("back", HELP_ONLY),
        &[UiKey::plain(KeyCode::Up)],
        STAGE,
        UiCommand::Send(Command::Back),
        "to the scene before",
    ),
    row(
        ("next song", HELP_ONLY),
        &[UiKey::letter('.'), UiKey::with(KeyCode::Right, SHIFT)],
        ALL,
        UiCommand::Send(Command::SongDown),
        "to the next song",
    ),
    row(
        ("song before", HELP_ONLY),
        &[UiKey::letter(','), UiKey::with(KeyCode::Left, SHIFT)],
        ALL,
        UiCommand::Send(Command::SongUp),
        "to this song's start, then to the song before",
    ),
    row(
        ("next page", HELP_ONLY),
        &[UiKey::letter(']'), UiKey::plain(KeyCode::End)],
        ALL,
        UiCommand::Send(Command::PageNext),
        "to the next page of the song",
    ),
    row(
        ("page before", HELP_ONLY),
        &[UiKey::letter('['), UiKey::plain(KeyCode::Home)],
        ALL,
        UiCommand::Send(Command::PageBack),
        "to the page before",
    ),
    row(
        ("jump", HELP_ONLY),
        &[UiKey::letter('g'), UiKey::letter(':')],
        ALL,
        UiCommand::Jump,
        "to a call number, a name or SONG/SCENE",
    ),
    row(
        ("find", FOOTER),
        &[UiKey::letter('/')],
        ALL,
        UiCommand::Find,
        "a scene or song in the running order",
    ),
    row(
        ("find next", HELP_ONLY),
        &[UiKey::letter('n')],
        ORDER,
        UiCommand::FindNext,
        "the text again, further on",
    ),
    row(
        ("jump", FOOTER),
        &[UiKey::plain(KeyCode::Enter)],
        ORDER,
        UiCommand::JumpToCursor,
        "to the scene under the cursor",
    ),
    row(
        ("skip", FOOTER),
        &[UiKey::letter('x')],
        ORDER,
        UiCommand::SkipSong,
        "leave a song out tonight, or take it in again",
    ),
    row(
        ("song up", HELP_ONLY),
        &[UiKey::with(KeyCode::Up, SHIFT)],
        ORDER,
        UiCommand::MoveSongUp,
        "play this song one place earlier tonight",
    ),
    row(
        ("song down", HELP_ONLY),
        &[UiKey::with(KeyCode::Down, SHIFT)],
        ORDER,
        UiCommand::MoveSongDown,
        "play this song one place later tonight",
    ),
    row(
        ("higher", HELP_ONLY),
        &[UiKey::letter('t')],
        ORDER,
        UiCommand::TransposeSong(1),
        "this song a semitone higher tonight",
    ),
    row(
        ("lower", HELP_ONLY),
        &[UiKey::letter('T')],
        ORDER,
        UiCommand::TransposeSong(-1),
        "this song a semitone lower tonight",
    ),
    row(
        ("undo", HELP_ONLY),
        &[UiKey::letter('u')],
        ORDER,
        UiCommand::UndoChange,
        "take the last change of the night back",
    ),
    row(
        ("down", HELP_ONLY),
        &[UiKey::plain(KeyCode::Down)],
        LISTS,
        UiCommand::Down,
        "the cursor or the log a line down",
    ),
    row(
        ("up", HELP_ONLY),
        &[UiKey::plain(KeyCode::Up)],
        LISTS,
        UiCommand::Up,
        "the cursor or the log a line up",
    ),
    row(
        ("screens", FOOTER),
        &[UiKey::plain(KeyCode::Tab)],
        ALL,
        UiCommand::NextScreen,
        "the next screen: stage, wings, running order",
    ),
    row(
        ("stage", HELP_ONLY),
        &[UiKey::letter('1'), UiKey::plain(KeyCode::F(1))],
        ALL,
        UiCommand::Show(Screen::Stage),
        "the stage: what is played and what comes next",
    ),
    row(
        ("wings", HELP_ONLY),
        &[UiKey::letter('2'), UiKey::plain(KeyCode::F(2))],
        ALL,
        UiCommand::Show(Screen::Wings),
        "the wings: ports, receivers, counters, log",
    ),
    row(
        ("order", HELP_ONLY),
        &[UiKey::letter('3'), UiKey::plain(KeyCode::F(3))],
        ALL,
        UiCommand::Show(Screen::Order),
        "the running order",
    ),
    row(
        ("panic", FOOTER),
        &[UiKey::letter('!'), UiKey::plain(KeyCode::F(12))],
        ALL,
        UiCommand::Send(Command::Panic(None)),
        "silence everything that sounds, at once",
    ),
    row(
        ("resend", HELP_ONLY),
        &[UiKey::letter('r'), UiKey::plain(KeyCode::F(5))],
        ALL,
        UiCommand::Send(Command::Resend {
            receiver: None,
            is_forced: false,
        }),
        "send the state again, sounding slots once silent",
    ),
    row(
        ("force", HELP_ONLY),
        &[UiKey::letter('R'), UiKey::with(KeyCode::F(5), SHIFT)],
        ALL,
        UiCommand::Send(Command::Resend {
            receiver: None,
            is_forced: true,
        }),
        "send it to sounding slots too: may cut notes",
    ),
    row(
        ("mute", HELP_ONLY),
        &[UiKey::letter('m'), UiKey::plain(KeyCode::F(8))],
        ALL,
        UiCommand::ToggleMute,
        "no new notes, or notes again",
    ),
    row(
        ("fade", HELP_ONLY),
        &[UiKey::letter('F'), UiKey::with(KeyCode::F(8), SHIFT)],
        ALL,
        UiCommand::ToggleFade,
        "fade all out in four seconds, or back in",
    ),
    row(
        ("rehearse", HELP_ONLY),
        &[UiKey::plain(KeyCode::F(9))],
        ALL,
        UiCommand::ToggleCues,
        "hold cues back (rehearsal), or let them go",
    ),
    row(
        ("notes", HELP_ONLY),
        &[UiKey::letter('k'), UiKey::plain(KeyCode::F(4))],
        ALL,
        UiCommand::Notes,
        "letters play each keyboard in turn, then none",
    ),
    row(
        ("octave up", HELP_ONLY),
        &[UiKey::letter('+')],
        ALL,
        UiCommand::OctaveUp,
        "keyboard notes an octave up",
    ),
    row(
        ("octave down", HELP_ONLY),
        &[UiKey::letter('-')],
        ALL,
        UiCommand::OctaveDown,
        "keyboard notes an octave down",
    ),
    row(
        ("help", FOOTER),
        &[UiKey::letter('?')],
        ALL,
        UiCommand::Help,
        "this help, or back",
    ),
    row(
        ("close", HELP_ONLY),
        &[UiKey::plain(KeyCode::Esc)],
        ALL,
        UiCommand::Close,
        "leave what is open, end notes; then the stage",
    ),
    row(
        ("quit", HELP_ONLY),
        &[UiKey::letter('q'), UiKey::with(KeyCode::Char('c'), CTRL)],
        ALL,
        UiCommand::Quit,
        "leave; asks first in a show",
    ),
];

/// What `key` asks for on `screen`.
#[must_use]
pub fn lookup(key: UiKey, screen: Screen) -> Option<UiCommand> {
    TABLE
        .iter()
        .find(|row| row.keys.contains(&key) && row.screens.contains(&screen))
        .map(|row| row.command)
}

/// The table as the screens show it.
#[must_use]
pub fn key_lines() -> Vec<KeyLine> {
    TABLE
        .iter()
        .map(|row| KeyLine {
            name: row.name.to_owned(),
            keys: row.keys.iter().map(|key| key.name()).collect(),
            screens: row.screens.to_vec(),
            words: row.words.to_owned(),
            is_in_footer: row.is_in_footer,
        })
        .collect()
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
        assert_eq!(lookup(UiKey::of(&small), Screen::Stage), Some(forced));
    }

    // What page-turn pedals send: common practice, no source.
    #[test]
    fn what_a_page_turn_pedal_sends_steps_on_the_stage() {
        let command = |code| lookup(UiKey::plain(code), Screen::Stage);
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
