//! A listener that counts notes by what was sent alone, and refuses what is malformed.

use std::collections::BTreeMap;

use segue::midi::Message;

/// Note Ons less Note Offs, by port, channel and key.
#[derive(Default)]
pub(super) struct Ear {
    notes: BTreeMap<(u8, u8, u8), i64>,
}

impl Ear {
    pub(super) fn hear(&mut self, port: u8, message: Message) {
        assert_whole(message.encode().as_slice());
        match message {
            Message::NoteOn(channel, key, velocity) => {
                assert!(velocity.get() > 0, "a Note On of velocity 0 is a Note Off");
                let place = (port, channel.get(), key.get());
                *self.notes.entry(place).or_default() += 1;
            }
            Message::NoteOff(channel, key, _) => {
                let place = (port, channel.get(), key.get());
                *self.notes.entry(place).or_default() -= 1;
            }
            _ => {}
        }
    }

    /// What sounded on a port that is gone is beyond reach, and beyond counting.
    pub(super) fn forget(&mut self, port: u8) {
        self.notes.retain(|place, _| place.0 != port);
    }

    /// No note sounds any more.
    pub(super) fn assert_silent(&self) {
        for ((port, channel, key), balance) in &self.notes {
            assert!(
                *balance <= 0,
                "key {key} on channel {channel} of port {port} sounds on after the end, {balance} times"
            );
        }
    }

    /// Each Note On has had one Note Off.
    pub(super) fn assert_even(&self) {
        for ((port, channel, key), balance) in &self.notes {
            assert_eq!(
                *balance, 0,
                "key {key} on channel {channel} of port {port}: Note Ons less Note Offs"
            );
        }
    }
}

/// One whole message: a status byte and data bytes (MIDI 1.0).
pub(super) fn assert_whole(bytes: &[u8]) {
    let (status, data) = bytes.split_first().expect("a message has a status byte");
    assert!(*status >= 0x80, "{bytes:02x?} has no status byte");
    assert!(data.iter().all(|byte| *byte < 0x80), "{bytes:02x?}");
}

/// One whole System Exclusive message: F0, data bytes, F7 (MIDI 1.0).
pub(super) fn assert_exclusive(bytes: &[u8]) {
    let [0xf0, data @ .., 0xf7] = bytes else {
        panic!("{bytes:02x?} is no System Exclusive message");
    };
    assert!(data.iter().all(|byte| *byte < 0x80), "{bytes:02x?}");
}
