//! Bytes as a receiver takes them off the wire: the second, independent parser.
//!
//! Rules of MIDI 1.0 ("Running Status", "System Real-Time"): a channel status stays in
//! force until another status of 80–F7; F0–F7 clear it; F8–FF touch nothing and may fall
//! anywhere; data without a status in force is discarded. A status byte (80–F6) inside a
//! System Exclusive ends it as incomplete, and it is discarded (from memory).

/// The longest System Exclusive that is kept, in bytes; a longer one is discarded.
pub const MAX_EXCLUSIVE_BYTES: usize = 65_536;

/// One message that came off the wire, or what was left of one.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Item {
    /// A channel voice or mode message; the second data byte is 0 for Cn and Dn.
    Channel {
        /// Status byte, 80–EF.
        status: u8,
        /// First data byte, 0–127.
        first: u8,
        /// Second data byte, 0–127; 0 for Cn and Dn.
        second: u8,
    },
    /// A system common message F1–F6 with its data bytes, 0 where it has none.
    Common {
        /// Status byte, F1–F6.
        status: u8,
        /// Data bytes in order; 0 where the message has none.
        data: [u8; 2],
    },
    /// A system real-time message, F8–FF.
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
    /// Whether a status came and no message of it was complete yet.
    is_fresh: bool,
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
        self.exclusive.is_some() || self.first.is_some() || self.is_fresh
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
                self.is_fresh = true;
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
        self.is_fresh = false;
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
        self.is_fresh = false;
        if was_exclusive {
            return Some(Item::BrokenExclusive);
        }
        was_inside.then_some(Item::Incomplete)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn parse(bytes: &[u8]) -> Vec<Item> {
        let mut parser = Parser::new();
        bytes
            .iter()
            .flat_map(|byte| parser.push(*byte))
            .flatten()
            .collect()
    }

    fn channel(status: u8, first: u8, second: u8) -> Item {
        Item::Channel {
            status,
            first,
            second,
        }
    }

    /// MIDI 1.0, the table of status bytes: how many data bytes each takes.
    #[test]
    fn every_status_takes_its_data_bytes() {
        for status in (0x80..0xf0).step_by(16) {
            let one = matches!(status, 0xc0 | 0xd0);
            let second = if one { 0 } else { 2 };
            let bytes: &[u8] = if one { &[status, 1] } else { &[status, 1, 2] };
            assert_eq!(parse(bytes), [channel(status, 1, second)]);
        }
        for (status, data) in [
            (0xf1, vec![5]),
            (0xf2, vec![5, 6]),
            (0xf3, vec![5]),
            (0xf4, vec![]),
            (0xf5, vec![]),
            (0xf6, vec![]),
        ] {
            let mut bytes = vec![status];
            bytes.extend(&data);
            let data = [
                data.first().copied().unwrap_or(0),
                data.get(1).copied().unwrap_or(0),
            ];
            assert_eq!(parse(&bytes), [Item::Common { status, data }]);
        }
    }

    /// MIDI 1.0, "Running Status", the receiver's rules 2 to 6.
    #[test]
    fn running_status_follows_its_rules() {
        assert_eq!(
            parse(&[0x3c, 0x40]),
            [Item::Junk(0x3c), Item::Junk(0x40)],
            "empty at power-on"
        );
        assert_eq!(
            parse(&[0x90, 0x3c, 0x40, 0x3e, 0x41, 0xb0, 7, 100, 10, 64]),
            [
                channel(0x90, 0x3c, 0x40),
                channel(0x90, 0x3e, 0x41),
                channel(0xb0, 7, 100),
                channel(0xb0, 10, 64),
            ],
            "stored and replaced"
        );
        for clearing in [
            vec![0xf0, 0xf7],
            vec![0xf1, 0],
            vec![0xf2, 0, 0],
            vec![0xf3, 0],
            vec![0xf4],
            vec![0xf5],
            vec![0xf6],
            vec![0xf7],
        ] {
            let mut bytes = vec![0xb0, 1, 2];
            bytes.extend(&clearing);
            bytes.extend([3, 4]);
            let items = parse(&bytes);
            assert_eq!(
                items[items.len() - 2..],
                [Item::Junk(3), Item::Junk(4)],
                "{clearing:02x?}"
            );
        }
        for real_time in 0xf8..=0xff {
            assert_eq!(
                parse(&[0xb0, 1, real_time, 2, real_time, 3, real_time, 4]),
                [
                    Item::RealTime(real_time),
                    channel(0xb0, 1, 2),
                    Item::RealTime(real_time),
                    Item::RealTime(real_time),
                    channel(0xb0, 3, 4),
                ],
                "untouched by real-time"
            );
        }
    }

    /// MIDI 1.0, System Exclusive: real-time may fall inside, any other status ends it
    /// (that it is discarded then: from memory).
    #[test]
    fn exclusives_are_framed() {
        assert_eq!(
            parse(&[0xf0, 0x7e, 0x7f, 0xf8, 6, 1, 0xf7]),
            [
                Item::RealTime(0xf8),
                Item::Exclusive(vec![0xf0, 0x7e, 0x7f, 6, 1, 0xf7])
            ]
        );
        assert_eq!(
            parse(&[0xf0, 1, 2, 0x90, 60, 64]),
            [Item::BrokenExclusive, channel(0x90, 60, 64)]
        );
        assert_eq!(
            parse(&[0xf0, 1, 0xf6]),
            [
                Item::BrokenExclusive,
                Item::Common {
                    status: 0xf6,
                    data: [0; 2]
                }
            ]
        );
        assert_eq!(
            parse(&[0xf0, 1, 0xf0, 2, 0xf7]),
            [Item::BrokenExclusive, Item::Exclusive(vec![0xf0, 2, 0xf7])]
        );
        assert_eq!(parse(&[0xf7]), [Item::Junk(0xf7)]);
    }

    #[test]
    fn an_exclusive_past_its_limit_is_discarded() {
        let mut bytes = vec![1; MAX_EXCLUSIVE_BYTES];
        bytes[0] = 0xf0;
        bytes[MAX_EXCLUSIVE_BYTES - 1] = 0xf7;
        assert_eq!(parse(&bytes), [Item::Exclusive(bytes.clone())]);
        bytes.insert(1, 1);
        assert_eq!(parse(&bytes), [Item::BrokenExclusive]);
    }

    #[test]
    fn a_message_that_breaks_off_is_told() {
        assert_eq!(
            parse(&[0x90, 60, 0xb0, 7, 1]),
            [Item::Incomplete, channel(0xb0, 7, 1)]
        );
        assert_eq!(parse(&[0xf2, 1, 0xf7]), [Item::Incomplete]);
        assert_eq!(
            parse(&[0x90, 0xb0, 7, 1]),
            [Item::Incomplete, channel(0xb0, 7, 1)]
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// The bytes that another encoder writes are read back as it meant them.
        #[test]
        fn other_encoders_are_understood(status in 0x80_u8..0xf0, first in 0_u8..128, second in 0_u8..128) {
            let bytes = [status, first, second];
            let len = if matches!(status, 0xc0..=0xdf) { 2 } else { 3 };
            let event = midly::live::LiveEvent::parse(&bytes[..len]).expect("a whole message");
            let mut written = Vec::new();
            event.write_std(&mut written).expect("written to memory");
            let second = if len == 3 { second } else { 0 };
            prop_assert_eq!(parse(&written), [channel(status, first, second)]);
            // This one writes velocity 0 as a Note Off, which means the same.
            prop_assume!(status & 0xf0 != 0x90 || second > 0);
            let other = wmidi::MidiMessage::try_from(&bytes[..len]).expect("a whole message");
            let mut copy = [0; 3];
            other.copy_to_slice(&mut copy).expect("room for three");
            prop_assert_eq!(parse(&copy[..len]), [channel(status, first, second)]);
        }

        /// No byte is lost without a word: every data byte is in an item or still to come.
        #[test]
        fn anything_is_parsed(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let mut parser = Parser::new();
            for byte in bytes {
                for item in parser.push(byte).into_iter().flatten() {
                    if let Item::Exclusive(bytes) = item {
                        prop_assert_eq!(bytes.first(), Some(&0xf0));
                        prop_assert_eq!(bytes.last(), Some(&0xf7));
                        prop_assert!(bytes[1..bytes.len() - 1].iter().all(|b| *b < 0x80));
                    }
                }
            }
        }
    }
}
