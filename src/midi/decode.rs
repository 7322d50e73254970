//! A stream of bytes into messages, byte by byte, without allocation.
//!
//! One `Decoder` belongs to one input. Running status follows MIDI 1.0: kept by channel
//! messages, cleared by F0–F7, untouched by F8–FF. Real-time bytes pass at once, even
//! out of the middle of a SysEx. A SysEx leaves as bounded chunks whose concatenation is
//! exactly what came, F0 and F7 included; any other status byte ends it as incomplete.

use super::message::Message;
use super::num::{Channel, Controller, Key, Program, Value7, Value14};

/// The most bytes of SysEx handed out at once.
pub const MAX_CHUNK: usize = 64;

/// What a byte completed: a message, or a piece of a SysEx.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Decoded {
    /// A whole message other than SysEx.
    Message(Message),
    /// The next piece of a SysEx, in the order in which it came.
    SysEx(Chunk),
}

/// Which piece of a SysEx a chunk is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Place {
    /// All of it, F0 to F7.
    Whole,
    /// The start, from F0; more will come.
    First,
    /// Neither start nor end.
    Middle,
    /// The end, up to F7.
    Last,
    /// The SysEx broke off and will not end: discard what came of it.
    Cut,
}

/// A piece of a SysEx, at most [`MAX_CHUNK`] bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Chunk {
    bytes: [u8; MAX_CHUNK],
    len: u8,
    /// Which piece it is.
    pub place: Place,
}

impl Chunk {
    /// The bytes, in order. A cut chunk may be empty.
    #[must_use]
    pub fn as_slice(&self) -> &[u8] {
        self.bytes.get(..usize::from(self.len)).unwrap_or(&[])
    }
}

/// The state of one input.
#[derive(Clone, Debug)]
pub struct Decoder {
    /// The status that data bytes belong to; 0 is none.
    status: u8,
    /// The first data byte of a message that needs two.
    first: Option<Value7>,
    sysex: Option<Sysex>,
    chunk: [u8; MAX_CHUNK],
    chunk_len: usize,
    junk: u64,
    cut: u64,
}

/// How much of the SysEx under way was handed out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Sysex {
    AllHere,
    HandedOut,
}

impl Default for Decoder {
    fn default() -> Self {
        Self::new()
    }
}

impl Decoder {
    /// A decoder as at power-up: no status in force.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            status: 0,
            first: None,
            sysex: None,
            chunk: [0; MAX_CHUNK],
            chunk_len: 0,
            junk: 0,
            cut: 0,
        }
    }

    /// Takes one byte; hands out what it completed.
    ///
    /// A Tune Request that breaks into a SysEx is lost, since that byte completes two
    /// things and the broken SysEx matters more; it is counted as junk.
    pub fn push(&mut self, byte: u8) -> Option<Decoded> {
        match byte {
            0x00..=0x7f => self.push_data(byte),
            0x80..=0xf7 => self.push_status(byte),
            0xf8..=0xff => {
                let message = build(byte, Value7::MIN, Value7::MIN);
                self.junk += u64::from(message.is_none());
                message.map(Decoded::Message)
            }
        }
    }

    /// Forgets status and unfinished messages, as after an unplug or an overflow. A SysEx
    /// under way is handed out as cut.
    pub fn reset(&mut self) -> Option<Chunk> {
        self.forget_message();
        self.cut_sysex()
    }

    /// Bytes that belonged to nothing: data without a status, undefined status bytes
    /// (F4, F5, F9, FD), a stray F7, the start of a message that was never finished.
    #[must_use]
    pub const fn junk(&self) -> u64 {
        self.junk
    }

    /// SysEx messages that broke off.
    #[must_use]
    pub const fn cut(&self) -> u64 {
        self.cut
    }

    fn push_status(&mut self, status: u8) -> Option<Decoded> {
        if status == 0xf7 && self.sysex.is_some() {
            return self.end_sysex();
        }
        let cut = self.cut_sysex().map(Decoded::SysEx);
        self.forget_message();
        match (status, data_bytes(status)) {
            (0xf0, _) => {
                self.sysex = Some(Sysex::AllHere);
                self.append(status);
                cut
            }
            (_, Some(0)) if cut.is_none() => {
                build(status, Value7::MIN, Value7::MIN).map(Decoded::Message)
            }
            (_, Some(1 | 2)) => {
                self.status = status;
                cut
            }
            _ => {
                self.junk += 1;
                cut
            }
        }
    }

    fn push_data(&mut self, byte: u8) -> Option<Decoded> {
        if let Some(state) = self.sysex {
            self.append(byte);
            return (self.chunk_len == MAX_CHUNK).then(|| {
                self.sysex = Some(Sysex::HandedOut);
                Decoded::SysEx(self.take_chunk(match state {
                    Sysex::AllHere => Place::First,
                    Sysex::HandedOut => Place::Middle,
                }))
            });
        }
        let value = Value7::clamped(i32::from(byte));
        let message = match (data_bytes(self.status), self.first) {
            (Some(2), None) => {
                self.first = Some(value);
                return None;
            }
            (Some(2), Some(first)) => build(self.status, first, value),
            (Some(1), _) => build(self.status, value, Value7::MIN),
            _ => None,
        };
        self.first = None;
        // Running status: only channel messages keep their status in force.
        if self.status >= 0xf0 {
            self.status = 0;
        }
        self.junk += u64::from(message.is_none());
        message.map(Decoded::Message)
    }

    fn end_sysex(&mut self) -> Option<Decoded> {
        let place = match self.sysex.take()? {
            Sysex::AllHere => Place::Whole,
            Sysex::HandedOut => Place::Last,
        };
        self.append(0xf7);
        Some(Decoded::SysEx(self.take_chunk(place)))
    }

    fn cut_sysex(&mut self) -> Option<Chunk> {
        self.sysex.take()?;
        self.cut += 1;
        Some(self.take_chunk(Place::Cut))
    }

    fn forget_message(&mut self) {
        self.junk += u64::from(self.first.take().is_some());
        self.status = 0;
    }

    fn append(&mut self, byte: u8) {
        // There is always room: a full chunk is handed out with the byte that fills it.
        if let Some(place) = self.chunk.get_mut(self.chunk_len) {
            *place = byte;
            self.chunk_len += 1;
        }
    }

    fn take_chunk(&mut self, place: Place) -> Chunk {
        let chunk = Chunk {
            bytes: self.chunk,
            len: self.chunk_len as u8,
            place,
        };
        self.chunk_len = 0;
        chunk
    }
}

/// How many data bytes follow a status byte; nothing for F0, F7, undefined status bytes
/// and data bytes. (MIDI 1.0, tables of status bytes.)
#[must_use]
pub const fn data_bytes(status: u8) -> Option<u8> {
    match status {
        0x80..=0xbf | 0xe0..=0xef | 0xf2 => Some(2),
        0xc0..=0xdf | 0xf1 | 0xf3 => Some(1),
        0xf6 | 0xf8 | 0xfa..=0xfc | 0xfe | 0xff => Some(0),
        _ => None,
    }
}

/// The message of a status byte and its data; data that the status does not need is ignored.
const fn build(status: u8, a: Value7, b: Value7) -> Option<Message> {
    let channel = Channel::clamped((status & 0x0f) as i32);
    let key = Key::clamped(a.get() as i32);
    Some(match status {
        0x80..=0x8f => Message::NoteOff(channel, key, b),
        0x90..=0x9f => Message::NoteOn(channel, key, b),
        0xa0..=0xaf => Message::PolyPressure(channel, key, b),
        0xb0..=0xbf => Message::Control(channel, Controller::clamped(a.get() as i32), b),
        0xc0..=0xcf => Message::Program(channel, Program::clamped(a.get() as i32)),
        0xd0..=0xdf => Message::Pressure(channel, a),
        0xe0..=0xef => Message::Bend(channel, Value14::from_parts(b, a)),
        0xf1 => Message::QuarterFrame(a),
        0xf2 => Message::SongPosition(Value14::from_parts(b, a)),
        0xf3 => Message::SongSelect(a),
        0xf6 => Message::TuneRequest,
        0xf8 => Message::Clock,
        0xfa => Message::Start,
        0xfb => Message::Continue,
        0xfc => Message::Stop,
        0xfe => Message::ActiveSensing,
        0xff => Message::Reset,
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use midly::live::{LiveEvent, SystemCommon, SystemRealtime};
    use proptest::prelude::*;

    /// Status lengths and names: MIDI 1.0 tables, and the coders of mido and the Linux kernel.
    const STATUS_TABLE: &str = include_str!("../../tests/data/status.tsv");

    fn hex(text: &str) -> Vec<u8> {
        text.split_whitespace()
            .map(|byte| u8::from_str_radix(byte, 16).expect("hex"))
            .collect()
    }

    fn decode(text: &str) -> (Vec<String>, Decoder) {
        let mut decoder = Decoder::new();
        let out = hex(text)
            .into_iter()
            .filter_map(|byte| decoder.push(byte))
            .map(|decoded| match decoded {
                Decoded::Message(message) => show(message.encode().as_slice()),
                Decoded::SysEx(chunk) => format!("{:?} {}", chunk.place, show(chunk.as_slice())),
            })
            .collect();
        (out, decoder)
    }

    fn show(bytes: &[u8]) -> String {
        let bytes: Vec<_> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
        bytes.join(" ")
    }

    #[test]
    fn each_status_takes_its_data_bytes() {
        let mut seen = 0;
        for line in STATUS_TABLE.lines().filter(|line| !line.starts_with('#')) {
            let (range, count) = line.split_once('\t').expect("two columns");
            let (from, to) = range.split_once('-').unwrap_or((range, range));
            let [from, to] = [from, to].map(|text| u8::from_str_radix(text, 16).expect("hex"));
            for status in from..=to {
                let expected = count.parse::<u8>().ok();
                assert_eq!(data_bytes(status), expected, "{status:02X}");
                seen += 1;
            }
        }
        assert_eq!(seen, 128, "every status byte is in the table");
    }

    /// The five rules of the receiver's buffer, MIDI 1.0 "Running Status".
    #[test]
    fn running_status_follows_the_rules() {
        // Kept by channel messages.
        let (out, _) = decode("B0 00 01 20 02 C0 05 06");
        assert_eq!(out, ["B0 00 01", "B0 20 02", "C0 05", "C0 06"]);
        // Cleared by each of F0-F7.
        for clearing in [
            "F0 F7", "F1 00", "F2 00 00", "F3 00", "F4", "F5", "F6", "F7",
        ] {
            let (out, decoder) = decode(&format!("90 3C 40 {clearing} 3E 40"));
            assert!(!out.contains(&"90 3E 40".to_owned()), "{clearing}");
            assert!(decoder.junk() >= 2, "{clearing}");
        }
        // Untouched by F8-FF, even in the middle of a message.
        for realtime in ["F8", "F9", "FA", "FB", "FC", "FD", "FE", "FF"] {
            let (out, _) = decode(&format!("90 3C {realtime} 40 3E {realtime} 00"));
            assert!(out.contains(&"90 3C 40".to_owned()), "{realtime}");
            assert!(out.contains(&"90 3E 00".to_owned()), "{realtime}");
        }
        // Empty at power-up.
        let (out, decoder) = decode("3C 40 90 3C 40");
        assert_eq!((out.len(), decoder.junk()), (1, 2));
    }

    #[test]
    fn realtime_leaves_a_sysex_at_once() {
        let (out, decoder) = decode("F0 7E 7F F8 06 01 F7");
        assert_eq!(out, ["F8", "Whole F0 7E 7F 06 01 F7"]);
        assert_eq!((decoder.junk(), decoder.cut()), (0, 0));
    }

    #[test]
    fn a_status_byte_cuts_a_sysex() {
        let (out, decoder) = decode("F0 01 02 90 3C 40 F0 03 F0 04 F7 F0 05 F6 06");
        let expected = [
            "Cut F0 01 02",
            "90 3C 40",
            "Cut F0 03",
            "Whole F0 04 F7",
            "Cut F0 05",
        ];
        assert_eq!(out, expected);
        assert_eq!(decoder.cut(), 3);
        assert_eq!(
            decoder.junk(),
            2,
            "the tune request and the stray data byte"
        );
    }

    #[test]
    fn a_reset_forgets_and_says_what_was_cut() {
        let mut decoder = Decoder::new();
        for byte in hex("90 3C 40 F0 01") {
            decoder.push(byte);
        }
        assert_eq!(decoder.reset().map(|chunk| chunk.place), Some(Place::Cut));
        assert_eq!(decoder.push(0x3c), None);
        assert_eq!(decoder.reset(), None);
    }

    #[test]
    fn a_long_sysex_comes_in_bounded_chunks() {
        for data in [61, 62, 63, 64, 127, 128, 5000] {
            let mut sent = vec![0xf0];
            sent.extend((0..data).map(|n| (n % 128) as u8));
            sent.push(0xf7);
            let mut decoder = Decoder::new();
            let (mut bytes, mut places) = (Vec::new(), Vec::new());
            for &byte in &sent {
                if let Some(Decoded::SysEx(chunk)) = decoder.push(byte) {
                    bytes.extend_from_slice(chunk.as_slice());
                    places.push(chunk.place);
                }
            }
            assert_eq!(bytes, sent);
            let (first, last) = (places[0], places[places.len() - 1]);
            match places.len() {
                1 => assert_eq!(first, Place::Whole),
                _ => assert_eq!((first, last), (Place::First, Place::Last)),
            }
        }
    }

    /// What one decoder made of a stream, by class: `midly` hands out system common
    /// messages only when the next status byte comes, so their order among the others
    /// differs, and it does not tell a cut SysEx from a whole one.
    #[derive(Debug, Default, PartialEq)]
    struct Heard {
        channel_and_realtime: Vec<Vec<u8>>,
        common: Vec<Vec<u8>>,
        sysex: Vec<Vec<u8>>,
    }

    fn hear_ours(stream: &[u8]) -> Heard {
        let mut heard = Heard::default();
        let mut decoder = Decoder::new();
        let mut sysex = Vec::new();
        for decoded in stream.iter().filter_map(|&byte| decoder.push(byte)) {
            match decoded {
                Decoded::Message(message) => {
                    let bytes = message.encode().as_slice().to_vec();
                    if message.channel().is_some() || message.is_realtime() {
                        heard.channel_and_realtime.push(bytes);
                    } else {
                        heard.common.push(bytes);
                    }
                }
                Decoded::SysEx(chunk) => {
                    sysex.extend(chunk.as_slice().iter().filter(|&&byte| byte < 0x80));
                    if !matches!(chunk.place, Place::First | Place::Middle) {
                        heard.sysex.push(std::mem::take(&mut sysex));
                    }
                }
            }
        }
        heard
    }

    fn hear_midly(stream: &[u8]) -> Heard {
        let mut heard = Heard::default();
        let mut handle = |event: LiveEvent<'_>| {
            let mut bytes = Vec::new();
            event.write_std(&mut bytes).expect("a vector takes all");
            match event {
                LiveEvent::Realtime(SystemRealtime::Undefined(_))
                | LiveEvent::Common(SystemCommon::Undefined(..)) => {}
                LiveEvent::Common(SystemCommon::SysEx(data)) => heard
                    .sysex
                    .push(data.iter().map(|byte| byte.as_int()).collect()),
                LiveEvent::Common(_) => heard.common.push(bytes),
                _ => heard.channel_and_realtime.push(bytes),
            }
        };
        let mut midly = midly::stream::MidiStream::new();
        midly.feed(stream, &mut handle);
        midly.flush(&mut handle);
        heard
    }

    fn any_byte() -> impl Strategy<Value = u8> {
        // F6 is left out: after a broken SysEx ours drops it on purpose.
        prop_oneof![
            6 => 0x00..=0x7f_u8,
            2 => 0x80..=0xef_u8,
            1 => 0xf0..=0xf5_u8,
            1 => 0xf7..=0xff_u8,
        ]
    }

    fn any_message() -> impl Strategy<Value = Message> {
        (0x80..=0xff_u8, 0..=127_i32, 0..=127_i32).prop_filter_map("undefined", |(status, a, b)| {
            build(status, Value7::clamped(a), Value7::clamped(b))
        })
    }

    proptest! {
        #[test]
        fn midly_hears_the_same_in_any_bytes(mut stream in prop::collection::vec(any_byte(), 0..400)) {
            stream.push(0xf7);
            prop_assert_eq!(hear_ours(&stream), hear_midly(&stream));
        }

        #[test]
        fn a_message_survives_its_bytes(message in any_message()) {
            let mut decoder = Decoder::new();
            let bytes = message.encode();
            let mut out = bytes.as_slice().iter().filter_map(|&byte| decoder.push(byte));
            prop_assert_eq!(out.next(), Some(Decoded::Message(message)));
            prop_assert_eq!(out.next(), None);
        }

        /// `wmidi` turns Note On with velocity 0 into Note Off, so that case is left out.
        #[test]
        fn wmidi_encodes_the_same(message in any_message()) {
            prop_assume!(!matches!(message, Message::NoteOn(_, _, Value7::MIN)));
            let bytes = message.encode();
            let theirs = wmidi::MidiMessage::from_bytes(bytes.as_slice()).expect("valid");
            prop_assert_eq!(theirs.to_vec(), bytes.as_slice());
            prop_assert_eq!(
                theirs.channel().map(|channel| channel.index()),
                message.channel().map(|channel| channel.get()),
            );
        }
    }
}
