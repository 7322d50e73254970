//! What one output was given to sound, so that it can be released without asking the engine.

use crate::midi::{Channel, Key, Message, Value7, Value14, cc};

/// Notes that were handed to a port and not ended, and channels that were used at all.
#[derive(Debug)]
pub(super) struct Sounding {
    /// Note Ons without a Note Off yet, by channel and key.
    notes: Box<[[u8; KEYS]; CHANNELS]>,
    /// One bit for each channel that something was sent on.
    used: u16,
}

impl Sounding {
    pub(super) fn new() -> Self {
        Self {
            notes: Box::new([[0; KEYS]; CHANNELS]),
            used: 0,
        }
    }

    /// Records what a message starts or ends.
    pub(super) fn note(&mut self, bytes: &[u8]) {
        let Some(&status @ 0x80..=0xef) = bytes.first() else {
            return;
        };
        let channel = usize::from(status & 0x0f);
        self.used |= 1 << channel;
        let (Some(&key), Some(&velocity)) = (bytes.get(1), bytes.get(2)) else {
            return;
        };
        let place = self
            .notes
            .get_mut(channel)
            .and_then(|keys| keys.get_mut(usize::from(key)));
        let Some(count) = place else {
            return;
        };
        match status & 0xf0 {
            0x90 if velocity > 0 => *count = count.saturating_add(1),
            0x80 | 0x90 => *count = count.saturating_sub(1),
            // All Sound Off and All Notes Off end notes only on receivers that respond to them,
            // so each note counts until its own note-off.
            _ => {}
        }
    }

    /// Whether a note was started and not ended.
    pub(super) fn is_any(&self) -> bool {
        self.notes.iter().flatten().any(|count| *count > 0)
    }

    /// Hands over the end of each note.
    pub(super) fn end_notes(&self, pass: &mut dyn FnMut(Message)) {
        for (channel, keys) in (0_u8..).map_while(Channel::new).zip(self.notes.iter()) {
            for (key, count) in (0_u8..).map_while(Key::new).zip(keys) {
                for _ in 0..*count {
                    pass(Message::NoteOff(channel, key, NEUTRAL_RELEASE));
                }
            }
        }
    }

    /// Hands over what silences each channel that was used: the pedals up, before All Notes
    /// Off, which they would defer; All Sound Off for what ignores that; then controllers and
    /// bend at rest (common practice; RP-015).
    pub(super) fn silence(&self, pass: &mut dyn FnMut(Message)) {
        let channels = (0_u8..).map_while(Channel::new);
        for channel in channels.filter(|channel| self.used >> channel.get() & 1 == 1) {
            for number in [
                cc::HOLD,
                cc::SOSTENUTO,
                cc::SOFT,
                cc::ALL_NOTES_OFF,
                cc::ALL_SOUND_OFF,
                cc::RESET_ALL,
            ] {
                pass(Message::Control(channel, number, Value7::MIN));
            }
            pass(Message::Bend(channel, Value14::CENTRE));
        }
    }
}

const CHANNELS: usize = 16;
const KEYS: usize = 128;

/// The release velocity of a note that no key ended (MIDI 1.0: 64 where it is not sensed).
const NEUTRAL_RELEASE: Value7 = Value7::clamped(64);

#[cfg(test)]
mod tests {
    use super::*;

    fn let_go(sounding: &Sounding) -> Vec<Vec<u8>> {
        let mut out = Vec::new();
        let mut pass = |message: Message| out.push(message.encode().as_slice().to_vec());
        sounding.end_notes(&mut pass);
        sounding.silence(&mut pass);
        out
    }

    #[test]
    fn each_note_is_ended_as_often_as_it_was_started_and_pedals_rise_before_all_notes_off() {
        let mut sounding = Sounding::new();
        assert_eq!(let_go(&sounding), Vec::<Vec<u8>>::new());
        for bytes in [
            [0x93, 60, 90],
            [0x93, 60, 91],
            [0x93, 64, 90],
            [0x93, 64, 0],
            [0x93, 65, 90],
            [0x83, 65, 64],
        ] {
            sounding.note(&bytes);
        }
        sounding.note(&[0xc1, 5]);
        assert!(sounding.is_any());
        let said = let_go(&sounding);
        assert_eq!(said[..2], [[0x83, 60, 64], [0x83, 60, 64]]);
        let on = |channel: u8| {
            let mut out: Vec<Vec<u8>> = [64, 66, 67, 123, 120, 121]
                .map(|number| vec![0xb0 | channel, number, 0])
                .to_vec();
            out.push(vec![0xe0 | channel, 0, 64]);
            out
        };
        assert_eq!(said[2..], [on(1), on(3)].concat());
        for bytes in said {
            sounding.note(&bytes);
        }
        assert!(!sounding.is_any());
    }
}
