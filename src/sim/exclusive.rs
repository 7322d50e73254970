//! The universal System Exclusive messages that a model receiver understands.

use crate::midi::num::{Value7, Value14};

use super::receiver::{MAX_ANSWERS, ReceiverModel};

/// Device number that means all devices (GM2 §4; MIDI 1.0).
const ALL_DEVICES: u8 = 0x7f;
/// The number this receiver answers to besides.
const DEVICE: u8 = 0x00;
/// Identity Reply with the non-commercial maker's number 7D: family 1, member 2, version 1.
const IDENTITY: [u8; 15] = [
    0xf0, 0x7e, DEVICE, 0x06, 0x02, 0x7d, 0x01, 0x00, 0x02, 0x00, 0x01, 0x00, 0x00, 0x00, 0xf7,
];

impl ReceiverModel {
    /// Takes a whole System Exclusive, F0 to F7.
    pub(super) fn take_exclusive(&mut self, bytes: &[u8]) {
        let [0xf0, realm, device, rest @ .., 0xf7] = bytes else {
            return;
        };
        if !matches!(*device, ALL_DEVICES | DEVICE) {
            return;
        }
        match (*realm, rest) {
            // GM1 System On and GM2 System On.
            (0x7e, [0x09, 0x01 | 0x03]) => self.reset(),
            (0x7e, [0x06, 0x01]) => self.answer_identity(),
            // Master Volume, lower half first.
            (0x7f, [0x04, 0x01, lsb, msb]) => {
                let half = |byte: u8| Value7::clamped(i32::from(byte));
                self.change_master(Value14::from_parts(half(*msb), half(*lsb)));
            }
            _ => {}
        }
    }

    fn answer_identity(&mut self) {
        if !self.spec.manners.answers_identity {
            return;
        }
        if self.answers.len() >= MAX_ANSWERS {
            self.counters.answers_dropped += 1;
            return;
        }
        self.answers.push_back(IDENTITY.to_vec());
    }
}
