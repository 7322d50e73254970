//! Bytes as a receiver takes them off the wire: the second, independent parser.
//!
//! Rules of MIDI 1.0 ("Running Status", "System Real-Time"): a channel status stays in
//! force until another status of 80–F7; F0–F7 clear it; F8–FF touch nothing and may fall
//! anywhere; data without a status in force is discarded. A status byte (80–F6) inside a
//! System Exclusive ends it as incomplete, and it is discarded (from memory).

/// The longest System Exclusive that is kept, in bytes; a longer one is discarded.
pub const MAX_EXCLUSIVE_BYTES: usize = 65_536;

/// One thing that came off the wire.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Item {
    /// A channel voice or mode message; the second data byte is 0 for Cn and Dn.
    Channel {
        /// 80–EF.
        status: u8,
        /// First data byte.
        first: u8,
        /// Second data byte.
        second: u8,
    },
    /// A system common message F1–F6 with its data bytes, 0 where it has none.
    Common {
        /// F1–F6.
        status: u8,
        /// Data bytes.
        data: [u8; 2],
    },
    /// F8–FF.
    RealTime(u8),
    /// A whole System Exclusive, F0 to F7.
    Exclusive(Vec<u8>),
    /// A System Exclusive that was cut by a status byte or was too long.
    BrokenExclusive,
    /// A message whose data bytes did not all come before the next status byte.
    Incomplete,
    /// A data byte that belongs to no message, or F7 without F0.
    Junk(u8),
}

/// The state of a receiver's input.
#[derive(Clone, Debug, Default)]
pub struct Parser {
    /// The status in force (channel messages), or the common message being read.
    status: Option<u8>,
    first: Option<u8>,
    exclusive: Option<Vec<u8>>,
    is_too_long: bool,
}

impl Parser {
    /// An input as at power-on: no status in force.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes one byte; it completes at most one item and may break off another before it.
    pub fn push(&mut self, byte: u8) -> [Option<Item>; 2] {
        match byte {
            0xf8..=0xff => [Some(Item::RealTime(byte)), None],
            0x00..=0x7f => [self.push_data(byte), None],
            0xf7 => [self.end_exclusive(), None],
            _ => {
                let broken = self.break_off();
                [broken, self.push_status(byte)]
            }
        }
    }

    /// Whether the last message has not come whole yet.
    #[must_use]
    pub const fn is_inside_message(&self) -> bool {
        self.exclusive.is_some() || self.first.is_some() || matches!(self.status, Some(0xf1..))
    }

    fn push_status(&mut self, byte: u8) -> Option<Item> {
        match byte {
            0xf0 => {
                self.exclusive = Some(vec![byte]);
                self.is_too_long = false;
                None
            }
            0xf4..=0xf6 => Some(Item::Common {
                status: byte,
                data: [0; 2],
            }),
            _ => {
                self.status = Some(byte);
                None
            }
        }
    }

    fn push_data(&mut self, byte: u8) -> Option<Item> {
        if let Some(exclusive) = &mut self.exclusive {
            // One place is kept for the F7.
            if exclusive.len() + 1 < MAX_EXCLUSIVE_BYTES {
                exclusive.push(byte);
            } else {
                self.is_too_long = true;
            }
            return None;
        }
        let Some(status) = self.status else {
            return Some(Item::Junk(byte));
        };
        let takes_one = matches!(status, 0xc0..=0xdf | 0xf1 | 0xf3);
        let (first, second) = match self.first.take() {
            Some(first) => (first, byte),
            None if takes_one => (byte, 0),
            None => {
                self.first = Some(byte);
                return None;
            }
        };
        if status < 0xf0 {
            return Some(Item::Channel {
                status,
                first,
                second,
            });
        }
        self.status = None;
        Some(Item::Common {
            status,
            data: [first, second],
        })
    }

    fn end_exclusive(&mut self) -> Option<Item> {
        match self.exclusive.take() {
            Some(_) if self.is_too_long => Some(Item::BrokenExclusive),
            Some(mut bytes) => {
                bytes.push(0xf7);
                Some(Item::Exclusive(bytes))
            }
            None => self.break_off().or(Some(Item::Junk(0xf7))),
        }
    }

    /// Forgets the message being read, and says so if part of it had come.
    fn break_off(&mut self) -> Option<Item> {
        let was_inside = self.is_inside_message();
        let was_exclusive = self.exclusive.take().is_some();
        self.first = None;
        self.status = None;
        if was_exclusive {
            return Some(Item::BrokenExclusive);
        }
        was_inside.then_some(Item::Incomplete)
    }
}
