//! Notes from the computer keyboard: which letter is which key, and when a note ends.
//!
//! Where the terminal reports that a key is let go, notes end then. Elsewhere they have a
//! fixed length; a held key repeats, and each repeat makes the note longer.

use crate::engine::input::Command;
use crate::engine::promptbook::ControllerId;
use crate::midi::{Key, Value7};

/// Length of a note where the terminal reports no releases, in milliseconds.
pub const NOTE_MS: u32 = 700;
/// Presses of one key closer than this are the terminal's repeat, in microseconds. Common
/// terminals repeat every 20 to 40 ms; no hand does (common practice, no source).
const REPEAT_US: u64 = 80_000;
/// Velocity of every keyboard note.
const VELOCITY: u8 = 90;
/// Notes that may sound at once; a press beyond it is refused and counted.
const MAX_NOTES: usize = 32;

/// The lower row from a C, then the upper row from the C above.
const LOWER: &str = "zsxdcvgbhnjm";
const UPPER: &str = "q2w3er5t6y7ui9o0p";

/// Semitones above the lowest note for a letter; nothing if it is not a note.
///
/// The rows are those of a keyboard whose letters begin with `qwerty`.
#[must_use]
pub fn semitones(letter: char) -> Option<u8> {
    let letter = letter.to_ascii_lowercase();
    let lower = LOWER.chars().position(|c| c == letter);
    let upper = || {
        UPPER
            .chars()
            .position(|c| c == letter)
            .map(|index| index + 12)
    };
    lower
        .or_else(upper)
        .and_then(|index| u8::try_from(index).ok())
}

/// A keyboard note that sounds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Held {
    letter: char,
    controller: ControllerId,
    key: Key,
    pressed_us: u64,
    ends_us: u64,
}

/// The notes that sound now.
#[derive(Clone, Debug, Default)]
pub struct NoteKeys {
    held: Vec<Held>,
    refused: u64,
}

impl NoteKeys {
    /// Presses a letter; returns the commands for the engine.
    pub fn press(
        &mut self,
        letter: char,
        controller: ControllerId,
        base: u8,
        now_us: u64,
    ) -> Vec<Command> {
        let letter = letter.to_ascii_lowercase();
        let key = semitones(letter).and_then(|up| Key::new(base.saturating_add(up)));
        let Some(key) = key else { return Vec::new() };
        let ends_us = now_us.saturating_add(u64::from(NOTE_MS) * 1000);
        let known = self.held.iter_mut().find(|held| held.letter == letter);
        if let Some(held) = known
            && now_us.saturating_sub(held.pressed_us) < REPEAT_US
        {
            (held.pressed_us, held.ends_us) = (now_us, ends_us);
            return Vec::new();
        }
        let mut out = self.release(letter);
        if self.held.len() >= MAX_NOTES {
            self.refused = self.refused.saturating_add(1);
            return out;
        }
        self.held.push(Held {
            letter,
            controller,
            key,
            pressed_us: now_us,
            ends_us,
        });
        out.push(Command::NoteOn(
            controller,
            key,
            Value7::clamped(VELOCITY.into()),
        ));
        out
    }

    /// Releases a letter; returns the commands for the engine.
    pub fn release(&mut self, letter: char) -> Vec<Command> {
        let letter = letter.to_ascii_lowercase();
        self.end(|held| held.letter == letter)
    }

    /// Ends the notes of fixed length that are over by `now_us`.
    pub fn expire(&mut self, now_us: u64) -> Vec<Command> {
        self.end(|held| held.ends_us <= now_us)
    }

    /// Ends all notes: the terminal lost the focus, a key was lost, or the mode changed.
    pub fn release_all(&mut self) -> Vec<Command> {
        self.end(|_| true)
    }

    /// Presses refused since the last call because too many notes sounded.
    #[must_use]
    pub const fn take_refused(&mut self) -> u64 {
        std::mem::replace(&mut self.refused, 0)
    }

    fn end(&mut self, is_over: impl Fn(&Held) -> bool) -> Vec<Command> {
        let over = self.held.iter().filter(|held| is_over(held));
        let out = over
            .map(|held| Command::NoteOff(held.controller, held.key))
            .collect();
        self.held.retain(|held| !is_over(held));
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const LOWER_KEYBOARD: ControllerId = ControllerId(0);

    fn on(key: u8) -> Command {
        Command::NoteOn(
            LOWER_KEYBOARD,
            Key::clamped(key.into()),
            Value7::clamped(90),
        )
    }

    fn off(key: u8) -> Command {
        Command::NoteOff(LOWER_KEYBOARD, Key::clamped(key.into()))
    }

    #[test]
    fn the_two_rows_are_an_octave_apart_and_black_keys_lie_between() {
        assert_eq!(semitones('z'), Some(0));
        assert_eq!(semitones('s'), Some(1));
        assert_eq!(semitones('m'), Some(11));
        assert_eq!(semitones('q'), Some(12));
        assert_eq!(semitones('Q'), Some(12));
        assert_eq!(semitones('i'), Some(24));
        assert_eq!(semitones('k'), None);
        assert_eq!(semitones('a'), None);
    }

    #[test]
    fn the_letters_that_the_screen_names_begin_the_rows() {
        let rows = crate::screen::NOTE_ROWS.map(semitones);
        assert_eq!(rows, [Some(0), Some(12)]);
    }

    #[test]
    fn a_repeat_makes_a_note_longer_and_a_new_press_strikes_again() {
        let mut notes = NoteKeys::default();
        assert_eq!(notes.press('z', LOWER_KEYBOARD, 48, 0), [on(48)]);
        assert_eq!(notes.press('z', LOWER_KEYBOARD, 48, 30_000), []);
        assert_eq!(notes.expire(710_000), []);
        assert_eq!(
            notes.press('z', LOWER_KEYBOARD, 48, 500_000),
            [off(48), on(48)]
        );
        assert_eq!(notes.expire(1_200_000), [off(48)]);
    }

    #[test]
    fn a_note_made_longer_by_repeats_ends_too() {
        let mut notes = NoteKeys::default();
        notes.press('z', LOWER_KEYBOARD, 48, 0);
        notes.press('z', LOWER_KEYBOARD, 48, 30_000);
        assert_eq!(notes.expire(730_000), [off(48)]);
    }

    // The octave may change while a key is down: the note that was struck is let go.
    #[test]
    fn the_note_let_go_is_the_one_that_was_struck() {
        let mut notes = NoteKeys::default();
        assert_eq!(notes.press('z', LOWER_KEYBOARD, 48, 0), [on(48)]);
        assert_eq!(notes.press('x', LOWER_KEYBOARD, 60, 1), [on(62)]);
        assert_eq!(notes.release('z'), [off(48)]);
        assert_eq!(notes.release_all(), [off(62)]);
    }

    proptest! {
        #[test]
        fn every_note_struck_is_let_go(presses in proptest::collection::vec(("[a-z0-9]", 0u64..200_000, any::<bool>()), 0..200)) {
            let mut notes = NoteKeys::default();
            let mut out = Vec::new();
            let mut now_us = 0;
            for (letter, wait_us, is_release) in presses {
                now_us += wait_us;
                let letter = letter.chars().next().unwrap_or('z');
                if is_release {
                    out.extend(notes.release(letter));
                } else {
                    out.extend(notes.press(letter, LOWER_KEYBOARD, 48, now_us));
                }
                out.extend(notes.expire(now_us));
            }
            out.extend(notes.release_all());
            let struck = out.iter().filter(|c| matches!(c, Command::NoteOn(..))).count();
            let ended = out.iter().filter(|c| matches!(c, Command::NoteOff(..))).count();
            prop_assert_eq!(struck, ended);
        }
    }
}
