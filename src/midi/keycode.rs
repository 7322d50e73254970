//! Keys of computer keyboards, as messages: a pedal that is one speaks in keys, and everything
//! behind the ports speaks in messages.
//!
//! A key that goes down is a Note On with velocity 127, one that comes up a Note Off. Its code
//! has up to ten bits: the lower seven are the key, the upper ones the channel.

use std::fmt;

use super::{Channel, Key, Message, Value7};

/// A key of a computer keyboard, as Linux numbers them (`KEY_…` and `BTN_…` of
/// `include/uapi/linux/input-event-codes.h`), 1–767.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Hash)]
pub struct KeyCode(u16);

impl KeyCode {
    /// The largest code (`KEY_MAX`).
    pub const MAX: u16 = 0x2ff;

    /// A code in range, or None. 0 is reserved by the kernel and is no key.
    #[must_use]
    pub const fn new(code: u16) -> Option<Self> {
        if code > 0 && code <= Self::MAX {
            Some(Self(code))
        } else {
            None
        }
    }

    /// The key of this name, as rig files write it; None if there is no such name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        let found = NAMES.iter().find(|(known, _)| *known == name)?;
        Some(Self(found.1))
    }

    /// The key that a message stands for, and whether it goes down.
    #[must_use]
    pub fn of(message: Message) -> Option<(Self, bool)> {
        let (channel, key, is_down) = match message {
            Message::NoteOn(channel, key, velocity) => (channel, key, velocity > Value7::MIN),
            Message::NoteOff(channel, key, _) => (channel, key, false),
            _ => return None,
        };
        let code = u16::from(channel.get()) << CHANNEL_SHIFT | u16::from(key.get());
        Self::new(code).map(|code| (code, is_down))
    }

    /// The message that stands for the key going down or coming up.
    #[must_use]
    pub const fn message(self, is_down: bool) -> Message {
        let channel = Channel::clamped((self.0 >> CHANNEL_SHIFT) as i32);
        let key = Key::clamped((self.0 & LOWER) as i32);
        if is_down {
            Message::NoteOn(channel, key, Value7::MAX)
        } else {
            Message::NoteOff(channel, key, Value7::MIN)
        }
    }

    /// The code as the kernel counts it, from 1.
    #[must_use]
    pub const fn get(self) -> u16 {
        self.0
    }

    /// Its name, if it has one.
    #[must_use]
    pub fn name(self) -> Option<&'static str> {
        let found = NAMES.iter().find(|(_, code)| *code == self.0)?;
        Some(found.0)
    }

    /// All names that a rig file may use for keys.
    pub fn names() -> impl Iterator<Item = &'static str> {
        NAMES.iter().map(|(name, _)| *name)
    }
}

impl fmt::Display for KeyCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.name() {
            Some(name) => f.write_str(name),
            None => write!(f, "key {}", self.0),
        }
    }
}

const CHANNEL_SHIFT: u16 = 7;
const LOWER: u16 = 0x7f;

/// The keys that have names, by code: those that page-turn pedals and small remote controls
/// are known to send (common practice, no source), and what else is on a keyboard.
const NAMES: &[(&str, u16)] = &[
    ("Escape", 1),
    ("1", 2),
    ("2", 3),
    ("3", 4),
    ("4", 5),
    ("5", 6),
    ("6", 7),
    ("7", 8),
    ("8", 9),
    ("9", 10),
    ("0", 11),
    ("Minus", 12),
    ("Equal", 13),
    ("Backspace", 14),
    ("Tab", 15),
    ("Q", 16),
    ("W", 17),
    ("E", 18),
    ("R", 19),
    ("T", 20),
    ("Y", 21),
    ("U", 22),
    ("I", 23),
    ("O", 24),
    ("P", 25),
    ("Enter", 28),
    ("LeftControl", 29),
    ("A", 30),
    ("S", 31),
    ("D", 32),
    ("F", 33),
    ("G", 34),
    ("H", 35),
    ("J", 36),
    ("K", 37),
    ("L", 38),
    ("Semicolon", 39),
    ("LeftShift", 42),
    ("Z", 44),
    ("X", 45),
    ("C", 46),
    ("V", 47),
    ("B", 48),
    ("N", 49),
    ("M", 50),
    ("Comma", 51),
    ("Dot", 52),
    ("Slash", 53),
    ("RightShift", 54),
    ("LeftAlt", 56),
    ("Space", 57),
    ("CapsLock", 58),
    ("F1", 59),
    ("F2", 60),
    ("F3", 61),
    ("F4", 62),
    ("F5", 63),
    ("F6", 64),
    ("F7", 65),
    ("F8", 66),
    ("F9", 67),
    ("F10", 68),
    ("Keypad7", 71),
    ("Keypad8", 72),
    ("Keypad9", 73),
    ("Keypad4", 75),
    ("Keypad5", 76),
    ("Keypad6", 77),
    ("Keypad1", 79),
    ("Keypad2", 80),
    ("Keypad3", 81),
    ("Keypad0", 82),
    ("F11", 87),
    ("F12", 88),
    ("KeypadEnter", 96),
    ("RightControl", 97),
    ("RightAlt", 100),
    ("Home", 102),
    ("Up", 103),
    ("PageUp", 104),
    ("Left", 105),
    ("Right", 106),
    ("End", 107),
    ("Down", 108),
    ("PageDown", 109),
    ("Insert", 110),
    ("Delete", 111),
    ("Mute", 113),
    ("VolumeDown", 114),
    ("VolumeUp", 115),
    ("Pause", 119),
    ("Menu", 139),
    ("Back", 158),
    ("Forward", 159),
    ("NextSong", 163),
    ("PlayPause", 164),
    ("PreviousSong", 165),
    ("StopSong", 166),
    ("F13", 183),
    ("F14", 184),
    ("F15", 185),
    ("F16", 186),
    ("F17", 187),
    ("F18", 188),
    ("F19", 189),
    ("F20", 190),
    ("F21", 191),
    ("F22", 192),
    ("F23", 193),
    ("F24", 194),
    ("Play", 207),
    ("Camera", 212),
    ("ButtonLeft", 272),
    ("ButtonRight", 273),
    ("ButtonMiddle", 274),
    ("Next", 407),
    ("Previous", 412),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_comes_back_from_its_messages() {
        for code in (1..=KeyCode::MAX).filter_map(KeyCode::new) {
            assert_eq!(KeyCode::of(code.message(true)), Some((code, true)));
            assert_eq!(KeyCode::of(code.message(false)), Some((code, false)));
        }
        assert_eq!(KeyCode::new(0), None);
        assert_eq!(KeyCode::new(KeyCode::MAX + 1), None);
    }

    /// Names and numbers beside the kernel's own list.
    #[test]
    fn names_are_those_of_the_kernels_header() {
        let table = include_str!("../../tests/data/key_codes.tsv");
        let rows: Vec<Vec<&str>> = table
            .lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| line.split('\t').collect())
            .collect();
        assert_eq!(rows.len(), NAMES.len());
        for row in rows {
            let code = row[2].parse().ok().and_then(KeyCode::new);
            assert_eq!(KeyCode::named(row[0]), code, "{row:?}");
            assert_eq!(code.and_then(KeyCode::name), Some(row[0]));
        }
    }
}
