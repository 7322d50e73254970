//! A recording, read from a Standard MIDI File of format 0 or 1.
//!
//! A track's name (meta 03) says which controller or pedal box it is; what the track
//! holds is what that one sends. Markers (meta 06) are commands, see [`Mark`]. What the
//! program cannot use is remarked with its place; what is broken is an error with its place.
//!
//! `midly` reads the events. The chunks around them are walked here, because `midly`
//! fails on some headers and keeps quiet about missing track ends.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use midly::{EventIter, MetaMessage, MidiMessage, TrackEventKind};

use super::clock::{Clock, Division};
use super::mark::Mark;
use crate::midi::{Channel, Controller, Decoded, Decoder, Key, Message, Program, Value7, Value14};

/// The largest file that is read.
pub const MAX_FILE_BYTES: usize = 64 << 20;

/// The most tracks in a file.
pub const MAX_TRACKS: usize = 256;

/// The most events in a file: two hours of both hands, wheels and pedals take a tenth.
pub const MAX_EVENTS: usize = 4_000_000;

/// The most remarks kept of one file; the rest are counted.
pub const MAX_REMARKS: usize = 1_000;

/// A recording, in the order in which it happened.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Recording {
    /// All events, by time, then by track, then by order in the track.
    pub events: Vec<TimedEvent>,
    /// What was not understood and left out, at most [`MAX_REMARKS`].
    pub remarks: Vec<Remark>,
    /// How many remarks there were beyond that.
    pub remarks_dropped: usize,
}

/// One event and its time.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct TimedEvent {
    /// Microseconds from the start of the file, rounded down.
    pub us: u64,
    /// The name of its track, empty if it has none.
    pub track: Arc<str>,
    /// The message or marker.
    pub event: RecordedEvent,
}

/// What can happen in a recording.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum RecordedEvent {
    /// A controller or pedal box sent a message.
    Message(Message),
    /// It sent a SysEx; F0 and F7 included.
    SysEx(Vec<u8>),
    /// A marker that gives a command.
    Mark(Mark),
}

/// A place in a file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Place {
    /// The track, counted from 1.
    pub track: usize,
    /// The tick in it.
    pub tick: u64,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "track {}, tick {}", self.track, self.tick)
    }
}

/// Something that was left out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Remark {
    /// Track and tick of what was left out.
    pub place: Place,
    /// What was left out and why, and what to do.
    pub words: String,
}

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place, self.words)
    }
}

/// Why a file could not be read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ReadError {
    /// The file has this many bytes, more than [`MAX_FILE_BYTES`].
    TooLarge(usize),
    /// No `MThd` header at the start.
    NotMidi,
    /// Format 2, or one that does not exist.
    Format(u16),
    /// A division that the standard does not know.
    Division(u16),
    /// A chunk is longer than what is left of the file.
    CutOff {
        /// Where the chunk starts, in bytes from the start of the file.
        offset: usize,
    },
    /// The file has more than [`MAX_TRACKS`] tracks.
    TooManyTracks,
    /// The file has more than [`MAX_EVENTS`] events; the place is that of the first beyond.
    TooManyEvents(Place),
    /// A track breaks off or holds something that is no event.
    Broken(Place),
}

impl fmt::Display for ReadError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLarge(bytes) => write!(
                f,
                "the recording has {bytes} bytes, the limit is {MAX_FILE_BYTES}; cut it in parts"
            ),
            Self::NotMidi => f.write_str(
                "no Standard MIDI File: the header `MThd` is missing; export as `.mid`, format 0 or 1",
            ),
            Self::Format(format) => write!(
                f,
                "format {format} holds no simultaneous tracks; export as format 0 or 1"
            ),
            Self::Division(field) => write!(
                f,
                "division {field:04x} in the header is not in the standard; export with ticks per quarter"
            ),
            Self::CutOff { offset } => write!(
                f,
                "the chunk at byte {offset} is longer than the rest of the file; copy the file again"
            ),
            Self::TooManyTracks => write!(
                f,
                "more than {MAX_TRACKS} tracks; leave out those that are no controller or pedal box"
            ),
            Self::TooManyEvents(place) => {
                write!(f, "{place}: more than {MAX_EVENTS} events; cut it in parts")
            }
            Self::Broken(place) => write!(
                f,
                "{place}: the next bytes are no event of a Standard MIDI File; export it again"
            ),
        }
    }
}

impl std::error::Error for ReadError {}

/// Reads a recording from the bytes of a file.
///
/// # Errors
/// If it is no such file, or is broken, or is beyond a limit.
pub fn read(file: &[u8]) -> Result<Recording, ReadError> {
    if file.len() > MAX_FILE_BYTES {
        return Err(ReadError::TooLarge(file.len()));
    }
    let (division, tracks) = split_chunks(file)?;
    let mut raw = Raw::default();
    for (index, track) in tracks.into_iter().enumerate() {
        TrackReader::new(&mut raw, index).read(track)?;
    }
    raw.name_tracks();
    // A stable sort: what came first in a track stays first.
    raw.events.sort_by_key(|event| (event.tick, event.track));
    Ok(raw.into_recording(division))
}

/// The division, and the bytes of each track.
fn split_chunks(file: &[u8]) -> Result<(Division, Vec<&[u8]>), ReadError> {
    let (kind, header, mut rest) = split_chunk(file).ok_or(ReadError::NotMidi)?;
    // A longer header is honoured: its further fields are skipped (SMF 1.0).
    let Some(&[f1, f0, _, _, d1, d0]) = header.first_chunk().filter(|_| kind == b"MThd") else {
        return Err(ReadError::NotMidi);
    };
    let format = u16::from_be_bytes([f1, f0]);
    if format > 1 {
        return Err(ReadError::Format(format));
    }
    let field = u16::from_be_bytes([d1, d0]);
    let division = Division::from_header(field).ok_or(ReadError::Division(field))?;
    let mut tracks = Vec::new();
    while !rest.is_empty() {
        let offset = file.len() - rest.len();
        let (kind, body, after) = split_chunk(rest).ok_or(ReadError::CutOff { offset })?;
        rest = after;
        // Chunks of other kinds are skipped (SMF 1.0).
        if kind == b"MTrk" {
            if tracks.len() == MAX_TRACKS {
                return Err(ReadError::TooManyTracks);
            }
            tracks.push(body);
        }
    }
    Ok((division, tracks))
}

/// The kind and body of the first chunk, and what follows it.
fn split_chunk(bytes: &[u8]) -> Option<(&[u8; 4], &[u8], &[u8])> {
    let (kind, rest) = bytes.split_first_chunk()?;
    let (len, rest) = rest.split_first_chunk()?;
    let len = usize::try_from(u32::from_be_bytes(*len)).ok()?;
    let (body, rest) = rest.split_at_checked(len)?;
    Some((kind, body, rest))
}

/// All tracks, before their ticks have become times.
#[derive(Default)]
struct Raw {
    events: Vec<RawEvent>,
    names: BTreeMap<usize, Arc<str>>,
    remarks: Vec<Remark>,
    remarks_dropped: usize,
}

struct RawEvent {
    tick: u64,
    track: usize,
    kind: RawKind,
}

enum RawKind {
    /// Length of a quarter note from here on, in microseconds (meta 51).
    Tempo(u32),
    Event(RecordedEvent),
}

impl Raw {
    fn remark(&mut self, place: Place, words: String) {
        if self.remarks.len() < MAX_REMARKS {
            self.remarks.push(Remark { place, words });
        } else {
            self.remarks_dropped += 1;
        }
    }

    /// Adds a remark on each track that has events but no name.
    fn name_tracks(&mut self) {
        let mut nameless: BTreeMap<usize, (u64, usize)> = BTreeMap::new();
        for event in &self.events {
            let sent = !matches!(
                event.kind,
                RawKind::Tempo(_) | RawKind::Event(RecordedEvent::Mark(_))
            );
            if sent && !self.names.contains_key(&event.track) {
                nameless.entry(event.track).or_insert((event.tick, 0)).1 += 1;
            }
        }
        for (index, (tick, count)) in nameless {
            let place = Place {
                track: index + 1,
                tick,
            };
            let words = format!(
                "{count} events of a track without a name; name it after its controller or pedal box"
            );
            self.remark(place, words);
        }
    }

    fn into_recording(self, division: Division) -> Recording {
        let mut clock = Clock::new(division);
        let nameless: Arc<str> = Arc::from("");
        let mut events = Vec::with_capacity(self.events.len());
        for raw in self.events {
            let us = clock.advance(raw.tick);
            match raw.kind {
                RawKind::Tempo(quarter_us) => clock.set_tempo(quarter_us),
                RawKind::Event(event) => events.push(TimedEvent {
                    us,
                    track: Arc::clone(self.names.get(&raw.track).unwrap_or(&nameless)),
                    event,
                }),
            }
        }
        Recording {
            events,
            remarks: self.remarks,
            remarks_dropped: self.remarks_dropped,
        }
    }
}

/// Reads one track into the whole.
struct TrackReader<'a> {
    raw: &'a mut Raw,
    index: usize,
    tick: u64,
    /// A SysEx stored in packets, of which more are to come (SMF 1.0).
    packets: Option<Vec<u8>>,
    /// Whether an event was refused because there were [`MAX_EVENTS`].
    overflow: bool,
}

impl<'a> TrackReader<'a> {
    const fn new(raw: &'a mut Raw, index: usize) -> Self {
        Self {
            raw,
            index,
            tick: 0,
            packets: None,
            overflow: false,
        }
    }

    fn read(mut self, bytes: &[u8]) -> Result<(), ReadError> {
        for event in EventIter::new(bytes) {
            let event = event.map_err(|_| ReadError::Broken(self.place()))?;
            self.tick += u64::from(event.delta.as_int());
            if event.kind == TrackEventKind::Meta(MetaMessage::EndOfTrack) {
                self.end_packets();
                return Ok(());
            }
            self.take(event.kind);
            if self.overflow {
                return Err(ReadError::TooManyEvents(self.place()));
            }
        }
        self.end_packets();
        self.remark("the track has no end; what follows here may be missing");
        Ok(())
    }

    fn take(&mut self, kind: TrackEventKind<'_>) {
        match kind {
            TrackEventKind::Midi { channel, message } => {
                let message = from_midly(channel.as_int(), message);
                self.push(RawKind::Event(RecordedEvent::Message(message)));
            }
            TrackEventKind::SysEx(data) => {
                self.end_packets();
                let mut sysex = vec![0xf0];
                sysex.extend_from_slice(data);
                self.take_packet(sysex);
            }
            TrackEventKind::Escape(data) => match self.packets.take() {
                Some(mut sysex) => {
                    sysex.extend_from_slice(data);
                    self.take_packet(sysex);
                }
                None => self.take_escape(data),
            },
            TrackEventKind::Meta(meta) => self.take_meta(meta),
        }
    }

    fn take_meta(&mut self, meta: MetaMessage<'_>) {
        match meta {
            MetaMessage::TrackName(name) => {
                let name = String::from_utf8_lossy(name);
                if !name.trim().is_empty() {
                    let name = Arc::from(name.trim());
                    self.raw.names.entry(self.index).or_insert(name);
                }
            }
            MetaMessage::Tempo(quarter_us) => self.push(RawKind::Tempo(quarter_us.as_int())),
            MetaMessage::Marker(text) => {
                let text = String::from_utf8_lossy(text);
                match Mark::parse(&text) {
                    Some(mark) => self.push(RawKind::Event(RecordedEvent::Mark(mark))),
                    None => {
                        let shown: String = text.chars().take(SHOWN_CHARS).collect();
                        self.remark(&format!(
                            "marker `{shown}` is no command; write `step`, `back` or `jump SONG/SCENE`"
                        ));
                    }
                }
            }
            _ => {}
        }
    }

    fn take_packet(&mut self, sysex: Vec<u8>) {
        let Some((&0xf7, before)) = sysex.split_last() else {
            self.packets = Some(sysex);
            return;
        };
        if before.iter().skip(1).all(|&byte| byte < 0x80) {
            self.push(RawKind::Event(RecordedEvent::SysEx(sysex)));
        } else {
            self.remark("a SysEx with a status byte inside is left out");
        }
    }

    /// Takes the bytes of an escape event (F7): system common and real-time messages.
    fn take_escape(&mut self, data: &[u8]) {
        let mut decoder = Decoder::new();
        let mut sysex = Vec::new();
        for decoded in data.iter().filter_map(|&byte| decoder.push(byte)) {
            match decoded {
                Decoded::Message(message) => {
                    self.push(RawKind::Event(RecordedEvent::Message(message)));
                }
                Decoded::SysEx(chunk) => {
                    // Another SysEx began before the last one ended: the decoder counts the
                    // last as cut.
                    if chunk.as_slice().first() == Some(&0xf0) {
                        sysex.clear();
                    }
                    sysex.extend_from_slice(chunk.as_slice());
                    if sysex.last() == Some(&0xf7) {
                        let whole = std::mem::take(&mut sysex);
                        self.push(RawKind::Event(RecordedEvent::SysEx(whole)));
                    }
                }
            }
        }
        let unfinished = decoder.reset().is_some();
        if unfinished || decoder.junk() > 0 || decoder.cut() > 0 {
            self.remark("escaped bytes (F7) that are no whole message are left out");
        }
    }

    fn end_packets(&mut self) {
        if self.packets.take().is_some() {
            self.remark("a SysEx that does not end is left out");
        }
    }

    fn push(&mut self, kind: RawKind) {
        if self.raw.events.len() >= MAX_EVENTS {
            self.overflow = true;
            return;
        }
        self.raw.events.push(RawEvent {
            tick: self.tick,
            track: self.index,
            kind,
        });
    }

    fn remark(&mut self, words: &str) {
        self.raw.remark(self.place(), words.to_owned());
    }

    const fn place(&self) -> Place {
        Place {
            track: self.index + 1,
            tick: self.tick,
        }
    }
}

fn from_midly(channel: u8, message: MidiMessage) -> Message {
    let channel = Channel::clamped(i32::from(channel));
    let key = |number: midly::num::u7| Key::clamped(i32::from(number.as_int()));
    let value = |number: midly::num::u7| Value7::clamped(i32::from(number.as_int()));
    match message {
        MidiMessage::NoteOff { key: k, vel } => Message::NoteOff(channel, key(k), value(vel)),
        MidiMessage::NoteOn { key: k, vel } => Message::NoteOn(channel, key(k), value(vel)),
        MidiMessage::Aftertouch { key: k, vel } => {
            Message::PolyPressure(channel, key(k), value(vel))
        }
        MidiMessage::Controller {
            controller,
            value: v,
        } => {
            let controller = Controller::clamped(i32::from(controller.as_int()));
            Message::Control(channel, controller, value(v))
        }
        MidiMessage::ProgramChange { program } => {
            Message::Program(channel, Program::clamped(i32::from(program.as_int())))
        }
        MidiMessage::ChannelAftertouch { vel } => Message::Pressure(channel, value(vel)),
        MidiMessage::PitchBend { bend } => {
            Message::Bend(channel, Value14::clamped(i32::from(bend.0.as_int())))
        }
    }
}

/// How much of an unknown marker a remark repeats.
const SHOWN_CHARS: usize = 40;

#[cfg(test)]
mod tests {
    use super::*;

    fn hex(text: &str) -> Vec<u8> {
        let digits: Vec<u8> = text.bytes().filter(|b| !b.is_ascii_whitespace()).collect();
        digits
            .chunks(2)
            .map(|pair| {
                let pair = std::str::from_utf8(pair).expect("ascii");
                u8::from_str_radix(pair, 16).expect("hex")
            })
            .collect()
    }

    fn chunk(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let mut chunk = kind.to_vec();
        chunk.extend((body.len() as u32).to_be_bytes());
        chunk.extend(body);
        chunk
    }

    /// A file of a division and tracks given in hex.
    fn file(division: u16, tracks: &[&str]) -> Vec<u8> {
        let mut header = vec![0, 1, 0, tracks.len() as u8];
        header.extend(division.to_be_bytes());
        let mut file = chunk(b"MThd", &header);
        for track in tracks {
            file.extend(chunk(b"MTrk", &hex(track)));
        }
        file
    }

    fn shown(recording: &Recording) -> Vec<String> {
        let bytes = |bytes: &[u8]| {
            let bytes: Vec<_> = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
            bytes.join(" ")
        };
        recording
            .events
            .iter()
            .map(|event| {
                let what = match &event.event {
                    RecordedEvent::Message(message) => bytes(message.encode().as_slice()),
                    RecordedEvent::SysEx(sysex) => bytes(sysex),
                    RecordedEvent::Mark(mark) => format!("{mark:?}"),
                };
                format!("{} {} {what}", event.us, event.track)
            })
            .collect()
    }

    /// SMF 1.0, the format 0 example: four notes that end at tick 384, 96 to the quarter
    /// at 500000 µs.
    #[test]
    fn the_standards_own_example_reads() {
        let file = hex(include_str!("../../tests/data/smf_example.hex"));
        assert_eq!(file.len(), 81);
        let recording = read(&file).expect("the example");
        let expected = [
            "0  C0 05",
            "0  C1 2E",
            "0  C2 46",
            "0  92 30 60",
            "0  92 3C 60",
            "500000  91 43 40",
            "1000000  90 4C 20",
            "2000000  82 30 40",
            "2000000  82 3C 40",
            "2000000  81 43 40",
            "2000000  80 4C 40",
        ];
        assert_eq!(shown(&recording), expected);
        let [remark] = recording.remarks.as_slice() else {
            panic!("{:?}", recording.remarks);
        };
        assert!(remark.to_string().starts_with("track 1, tick 0: 11 events"));
    }

    #[test]
    fn tracks_merge_by_time_then_track_and_follow_the_tempo() {
        let file = file(
            100,
            &[
                // Tempo doubles at tick 100; marks at 100 and 150.
                "00 FF5103 07A120  64 FF5103 03D090  00 FF06 04 73746570
                 32 FF06 08 6A756D7020 612F62  00 FF2F00",
                "00 FF03 03 626F78  64 903C40  32 3C00  00 FF2F00",
                "00 FF03 04 6B657973  64 B00740  00 FF2F00",
            ],
        );
        let recording = read(&file).expect("file");
        let expected = [
            "500000  Step",
            "500000 box 90 3C 40",
            "500000 keys B0 07 40",
            "625000  Jump { song: \"a\", scene: \"b\" }",
            "625000 box 90 3C 00",
        ];
        assert_eq!(shown(&recording), expected);
        assert_eq!(recording.remarks, []);
    }

    #[test]
    fn sysex_comes_whole_from_packets_and_escapes() {
        // SMF 1.0's example `F0 43 12 00 07 F7`, whole and in two packets; then MTC,
        // clock and an identity request as escapes.
        let file = file(
            100,
            &[
                "00 FF03 01 78  00 F005 43120007F7  00 F003 431200  0A F702 07F7
               00 F702 F100  00 F701 F8  00 F706 F07E7F0601F7  00 FF2F00",
            ],
        );
        let recording = read(&file).expect("file");
        let expected = [
            "0 x F0 43 12 00 07 F7",
            "50000 x F0 43 12 00 07 F7",
            "50000 x F1 00",
            "50000 x F8",
            "50000 x F0 7E 7F 06 01 F7",
        ];
        assert_eq!(shown(&recording), expected);
        assert_eq!(recording.remarks, []);
    }

    #[test]
    fn what_cannot_be_used_is_remarked_with_its_place() {
        let file = file(
            100,
            &[
                "00 FF03 01 78  05 FF06 04 74757474  05 F002 0102  05 F702 3C40  00 F003 01 90 F7
               05 F702 3C40",
            ],
        );
        let recording = read(&file).expect("file");
        assert_eq!(recording.events, []);
        let remarks: Vec<_> = recording.remarks.iter().map(ToString::to_string).collect();
        let expected = [
            "track 1, tick 5: marker `tutt` is no command; write `step`, `back` or `jump SONG/SCENE`",
            "track 1, tick 15: a SysEx that does not end is left out",
            "track 1, tick 15: a SysEx with a status byte inside is left out",
            "track 1, tick 20: escaped bytes (F7) that are no whole message are left out",
            "track 1, tick 20: the track has no end; what follows here may be missing",
        ];
        assert_eq!(remarks, expected);
    }

    /// One escape may hold any number of messages, so the limit holds inside it too.
    #[test]
    fn too_many_events_are_refused() {
        let mut escape = vec![0, 0xf7];
        let count = MAX_EVENTS as u32 + 1;
        escape.extend([21, 14, 7].map(|shift| (count >> shift) as u8 & 0x7f | 0x80));
        escape.push(count as u8 & 0x7f);
        escape.extend(std::iter::repeat_n(0xf8, MAX_EVENTS + 1));
        let mut bytes = file(96, &[]);
        bytes.extend(chunk(b"MTrk", &escape));
        let place = Place { track: 1, tick: 0 };
        assert_eq!(read(&bytes), Err(ReadError::TooManyEvents(place)));
        let large = vec![0; MAX_FILE_BYTES + 1];
        assert_eq!(read(&large), Err(ReadError::TooLarge(MAX_FILE_BYTES + 1)));
    }

    #[test]
    fn a_longer_header_and_unknown_chunks_are_skipped() {
        let mut bytes = chunk(b"MThd", &[0, 0, 0, 1, 0, 96, 9, 9]);
        bytes.extend(chunk(b"XFIH", &[1, 2, 3]));
        bytes.extend(chunk(b"MTrk", &hex("60 C005 00 FF2F00")));
        let recording = read(&bytes).expect("file");
        assert_eq!(shown(&recording), ["500000  C0 05"]);
    }

    #[test]
    fn broken_files_say_where() {
        let place = Place { track: 2, tick: 10 };
        let good = "00 FF2F00";
        for track in [
            "0A C005 00 05 90",
            "0A C005 00 F8 00",
            "0A C005 00 91 3C 90",
            "0A C005 8181818100",
        ] {
            assert_eq!(
                read(&file(96, &[good, track])),
                Err(ReadError::Broken(place)),
                "{track}"
            );
        }
        let mut cut = file(96, &[good, good]);
        cut.pop();
        assert_eq!(read(&cut), Err(ReadError::CutOff { offset: 26 }));
        assert_eq!(read(b"RIFF"), Err(ReadError::NotMidi));
        assert_eq!(read(&chunk(b"MThd", &[0, 0])), Err(ReadError::NotMidi));
        assert_eq!(read(&file(0x8001, &[])), Err(ReadError::Division(0x8001)));
        assert_eq!(
            read(&chunk(b"MThd", &[0, 2, 0, 1, 0, 96])),
            Err(ReadError::Format(2))
        );
        let many = vec![good; 257];
        assert_eq!(read(&file(96, &many)), Err(ReadError::TooManyTracks));
    }

    mod properties {
        use super::*;
        use proptest::prelude::*;

        proptest! {
            /// Whatever the bytes, reading ends with a recording or an error.
            #[test]
            fn any_track_is_read_or_refused(body in prop::collection::vec(any::<u8>(), 0..200)) {
                let mut bytes = file(96, &[]);
                bytes.extend(chunk(b"MTrk", &body));
                if let Ok(recording) = read(&bytes) {
                    prop_assert!(recording.events.is_sorted_by_key(|event| event.us));
                }
            }
        }
    }
}
