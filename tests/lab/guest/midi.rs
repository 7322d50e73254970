//! The lab's own reading of a MIDI byte stream, which shares nothing with the
//! program under test: bytes in, whole messages out, and what still sounds.
//!
//! Rules are those of the MIDI 1.0 Detailed Specification: running status,
//! real-time bytes anywhere, system exclusive up to its F7.

use std::collections::BTreeMap;

/// One message with its full status byte.
pub type Message = Vec<u8>;

/// Puts bytes together to messages and undoes running status.
///
/// What is not a whole message comes out as it is (a data byte without a
/// status, a message broken off by the next status), so that an expectation
/// meets it and fails.
#[derive(Default)]
pub struct Parser {
    open: Message,
    running: Option<u8>,
}

impl Parser {
    /// Takes one byte and returns the messages that it completes or breaks off.
    pub fn push(&mut self, byte: u8) -> Vec<Message> {
        match byte {
            0xf8..=0xff => vec![vec![byte]],
            0xf7 if self.open.first() == Some(&0xf0) => {
                self.open.push(byte);
                vec![std::mem::take(&mut self.open)]
            }
            0x80..=0xf7 => self.begin(byte),
            _ => self.extend(byte),
        }
    }

    fn begin(&mut self, status: u8) -> Vec<Message> {
        let mut out = Vec::new();
        if !self.open.is_empty() {
            out.push(std::mem::take(&mut self.open));
        }
        self.running = (status < 0xf0).then_some(status);
        self.open.push(status);
        out.extend(self.take_whole());
        out
    }

    fn extend(&mut self, data: u8) -> Vec<Message> {
        if self.open.is_empty() {
            match self.running {
                Some(status) => self.open.push(status),
                None => return vec![vec![data]],
            }
        }
        self.open.push(data);
        self.take_whole().into_iter().collect()
    }

    fn take_whole(&mut self) -> Option<Message> {
        let length = length_of(*self.open.first()?)?;
        (self.open.len() == length).then(|| std::mem::take(&mut self.open))
    }
}

/// The length of a message in bytes, or nothing for one that ends with F7.
fn length_of(status: u8) -> Option<usize> {
    match status {
        0xf0 => None,
        0xc0..=0xdf | 0xf1 | 0xf3 => Some(2),
        0xf4..=0xff => Some(1),
        _ => Some(3),
    }
}

/// Bytes as whole messages.
pub fn split(bytes: &[u8]) -> Vec<Message> {
    let mut parser = Parser::default();
    let mut out: Vec<Message> = bytes.iter().flat_map(|&byte| parser.push(byte)).collect();
    if !parser.open.is_empty() {
        out.push(parser.open);
    }
    out
}

/// Whether a message lets something go: what a program may say when it leaves.
pub fn is_release(message: &[u8]) -> bool {
    matches!(
        message,
        [0x80..=0x8f, ..]
            | [0x90..=0x9f, _, 0]
            | [0xb0..=0xbf, 64 | 66 | 67, 0]
            | [0xd0..=0xdf, 0]
            | [0xe0..=0xef, 0, 64]
    )
}

/// A message as a person reads it: `90 3c 64`.
pub fn hex(message: &[u8]) -> String {
    let bytes: Vec<String> = message.iter().map(|byte| format!("{byte:02x}")).collect();
    bytes.join(" ")
}

/// What an instrument was told to sound and has not been told to end.
#[derive(Clone, Default)]
pub struct Ledger {
    notes: BTreeMap<(u8, u8), u32>,
    pedals: BTreeMap<(u8, u8), u8>,
}

impl Ledger {
    /// Books notes and pedals. Only its own note off ends a note: an "all notes
    /// off" is a rescue and must not hide a note that was forgotten.
    pub fn book(&mut self, message: &[u8]) {
        let &[status, first, second] = message else {
            return;
        };
        let channel = status & 0x0f;
        match (status & 0xf0, second) {
            (0x90, 1..) => *self.notes.entry((channel, first)).or_default() += 1,
            (0x80, _) | (0x90, 0) => self.end_note(channel, first),
            (0xb0, _) if matches!(first, 64 | 66 | 67) => {
                self.pedals.insert((channel, first), second);
            }
            _ => {}
        }
    }

    /// Books what rescues as well: All Sound Off, All Notes Off (which waits for
    /// the hold pedal), Reset All Controllers (MIDI 1.0; RP-015).
    pub fn book_rescue(&mut self, message: &[u8]) {
        self.book(message);
        let &[status @ 0xb0..=0xbf, number @ 120..=127, _] = message else {
            return;
        };
        let channel = status & 0x0f;
        let is_held = |pedal| {
            self.pedals
                .get(&(channel, pedal))
                .is_some_and(|&value| value >= 64)
        };
        match number {
            120 => self.notes.retain(|&(at, _), _| at != channel),
            121 => self.pedals.retain(|&(at, _), _| at != channel),
            122 => {}
            _ if is_held(64) || is_held(66) => {}
            _ => self.notes.retain(|&(at, _), _| at != channel),
        }
    }

    fn end_note(&mut self, channel: u8, key: u8) {
        if let Some(count) = self.notes.get_mut(&(channel, key)) {
            *count -= 1;
            if *count == 0 {
                self.notes.remove(&(channel, key));
            }
        }
    }

    /// What still sounds or is still down, in words; empty when all is over.
    pub fn open_items(&self) -> Vec<String> {
        let notes = self.notes.iter().map(|(&(channel, key), count)| {
            format!(
                "note {key:02x} on channel {} ({count} on without off)",
                channel + 1
            )
        });
        let pedals = self.pedals.iter().filter(|&(_, &value)| value > 0).map(
            |(&(channel, controller), value)| {
                format!(
                    "controller {controller} on channel {} at {value}",
                    channel + 1
                )
            },
        );
        notes.chain(pedals).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn running_status_is_undone() {
        let bytes = [0x90, 0x3c, 0x64, 0x3e, 0x64, 0x3c, 0x00];
        let whole = [[0x90, 0x3c, 0x64], [0x90, 0x3e, 0x64], [0x90, 0x3c, 0x00]];
        assert_eq!(split(&bytes), whole);
    }

    #[test]
    fn real_time_bytes_pass_inside_a_message() {
        assert_eq!(
            split(&[0xf0, 0x7e, 0xf8, 0x01, 0xf7]),
            [vec![0xf8], vec![0xf0, 0x7e, 0x01, 0xf7]]
        );
    }

    #[test]
    fn system_messages_end_running_status() {
        let bytes = [0xc1, 0x05, 0xf6, 0x05];
        assert_eq!(split(&bytes), [vec![0xc1, 0x05], vec![0xf6], vec![0x05]]);
    }

    #[test]
    fn a_broken_off_message_shows() {
        let bytes = [0xf0, 0x01, 0x90, 0x3c, 0x64, 0xb0, 0x07];
        let out = [vec![0xf0, 0x01], vec![0x90, 0x3c, 0x64], vec![0xb0, 0x07]];
        assert_eq!(split(&bytes), out);
    }

    #[test]
    fn the_ledger_counts_every_note_and_pedal() {
        let mut ledger = Ledger::default();
        for message in split(&[
            0x90, 0x3c, 0x64, 0x90, 0x3c, 0x64, 0xb0, 0x40, 0x7f, 0x80, 0x3c, 0x40,
        ]) {
            ledger.book(&message);
        }
        assert_eq!(
            ledger.open_items(),
            [
                "note 3c on channel 1 (1 on without off)",
                "controller 64 on channel 1 at 127"
            ]
        );
        for message in split(&[0x90, 0x3c, 0x00, 0xb0, 0x40, 0x00]) {
            ledger.book(&message);
        }
        assert!(ledger.open_items().is_empty());
    }

    #[test]
    fn all_notes_off_does_not_hide_a_forgotten_note() {
        let mut ledger = Ledger::default();
        ledger.book(&[0x90, 0x3c, 0x64]);
        ledger.book(&[0xb0, 123, 0]);
        assert_eq!(ledger.open_items().len(), 1);
    }

    #[test]
    fn a_rescue_silences_its_channel() {
        let mut ledger = Ledger::default();
        let mut book = |bytes: &[u8]| {
            split(bytes)
                .iter()
                .for_each(|message| ledger.book_rescue(message));
            ledger.open_items().len()
        };
        assert_eq!(
            book(&[0x90, 0x3c, 0x64, 0x91, 0x3c, 0x64, 0xb0, 64, 127]),
            3
        );
        assert_eq!(book(&[0xb0, 123, 0]), 3, "the pedal holds the note");
        assert_eq!(book(&[0xb0, 120, 0]), 2);
        assert_eq!(book(&[0xb0, 121, 0]), 1, "the pedal is up");
        assert_eq!(book(&[0xb1, 123, 0]), 0);
    }
}
