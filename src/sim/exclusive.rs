//! The universal System Exclusive messages that a model receiver understands.

use crate::midi::num::{Value7, Value14};

use super::receiver::{MAX_ANSWERS, ReceiverModel};

/// Device number that means all devices (GM2 §4; MIDI 1.0).
const ALL_DEVICES: u8 = 0x7f;
/// Device number of this receiver.
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

#[cfg(test)]
mod tests {
    use super::super::heard::{Ended, Heard};
    use super::super::slot::SlotState;
    use super::super::testing::*;
    use super::super::voice::VoiceId;

    /// GM2 §4.9: the bytes, and that notes are muted and all is as at power-on. That GM1
    /// System On does the same: common practice.
    #[test]
    fn system_on_resets_all() {
        for (number, resets) in [(1, true), (2, false), (3, true)] {
            let mut model = model(|m| m.release_us = 1_000);
            model.feed(0, &[0xb0, 7, 9, 64, 127, 0xc0, 5, 0x90, 60, 100]);
            model.feed(0, &[0xf0, 0x7f, 0x7f, 4, 1, 0, 64, 0xf7]);
            model.feed(1, &[0xf0, 0x7e, 0x7f, 9, number, 0xf7]);
            assert_eq!(
                *model.slot(CH) == SlotState::at_power_on(CH),
                resets,
                "{number}"
            );
            let ended: &[_] = if resets {
                &[(1, 0, Ended::SystemReset)]
            } else {
                &[]
            };
            assert_eq!(ends(&model), ended);
            assert_eq!(model.master_volume().get() == 16383, resets);
        }
    }

    /// GM2 §4.1 (square law, 14 bits); lower half first (a secondary source).
    #[test]
    fn master_volume_is_heard_by_all() {
        let mut model = model(|_| {});
        model.feed(0, &[0xb0, 7, 127, 0x90, 60, 100]);
        let mark = model.mark();
        model.feed(1, &[0xf0, 0x7f, 0x7f, 4, 1, 0, 64, 0xf7]);
        assert!((model.level_db(CH) - -12.040).abs() < 0.001);
        let last = heard(&model, mark).pop();
        let (id, from_db, to_db) = (VoiceId(0), 0.0, model.level_db(CH));
        assert_eq!(last, Some(Heard::LevelChanged { id, from_db, to_db }));
    }

    /// Universal System Exclusive, Table 4 (numbers); the layout from a secondary source.
    #[test]
    fn manner_an_identity_request_is_answered() {
        let request = [0xf0, 0x7e, 0x7f, 6, 1, 0xf7];
        let mut answers = model(|_| {});
        answers.feed(0, &request);
        let answer = answers.take_answers();
        assert_eq!(answer.len(), 1);
        assert_eq!(answer[0][..6], [0xf0, 0x7e, 0, 6, 2, 0x7d]);
        assert_eq!(answer[0].len(), 15);
        assert!(answers.take_answers().is_empty(), "taken");
        let mut mute = model(|m| m.answers_identity = false);
        mute.feed(0, &request);
        assert!(mute.take_answers().is_empty());
    }

    /// An exclusive is for its device or for all (7F: GM2, MSC, MTC).
    #[test]
    fn exclusives_for_others_are_left_alone() {
        let mut model = model(|_| {});
        model.feed(0, &[0x90, 60, 100, 0xf0, 0x7e, 5, 9, 3, 0xf7, 0xf0, 0xf7]);
        assert_eq!(model.voices().count(), 1);
        let sizes: Vec<Heard> = heard(&model, 1);
        assert_eq!(
            sizes,
            [
                Heard::ExclusiveTaken { bytes: 6 },
                Heard::ExclusiveTaken { bytes: 2 }
            ]
        );
    }

    #[test]
    fn answers_are_bounded() {
        let mut model = model(|_| {});
        for _ in 0..super::MAX_ANSWERS + 2 {
            model.feed(0, &[0xf0, 0x7e, 0, 6, 1, 0xf7]);
        }
        assert_eq!(model.take_answers().len(), super::MAX_ANSWERS);
        assert_eq!(model.counters().answers_dropped, 2);
    }
}
