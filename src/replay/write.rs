//! What went out of the ports, as one Standard MIDI File per port.
//!
//! The files are of format 0 and say 120 quarters a minute with 25,000 ticks each, so a
//! tick is 20 µs, a sixteenth of one byte on a DIN line; times are rounded to the nearest
//! tick. Every message has its status byte, since some readers know no running status;
//! that is why `midly`, which writes it always, does not write here.

use std::collections::BTreeMap;
use std::fmt;

/// The length of a tick: 500,000 µs a quarter over 25,000 ticks.
pub const TICK_US: u64 = 20;

/// The latest time that can be written, two days.
pub const MAX_TIME_US: u64 = 48 * 3_600 * 1_000_000;

/// One message that went out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Output<'a> {
    /// When it went out, in µs from the start.
    pub us: u64,
    /// Name of the port it went out of.
    pub port: &'a str,
    /// One whole message, or a whole SysEx from F0 to F7.
    pub bytes: &'a [u8],
}

/// Why a file could not be made.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum WriteError {
    /// A message earlier than the one before it.
    TimeGoesBack {
        /// Name of the port.
        port: String,
        /// Time of the message, in µs from the start.
        us: u64,
    },
    /// A time after [`MAX_TIME_US`].
    TooLate {
        /// Name of the port.
        port: String,
        /// Time of the message, in µs from the start.
        us: u64,
    },
    /// Bytes that do not start with a status byte, or a SysEx without an end.
    NotAMessage {
        /// Name of the port.
        port: String,
        /// Time of the bytes, in µs from the start.
        us: u64,
    },
    /// A message or name over 256 MiB, or a track over 4 GiB: the format has no number
    /// for it.
    TooLong(String),
}

impl fmt::Display for WriteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TimeGoesBack { port, us } => write!(
                f,
                "port `{port}` at {us} µs: earlier than the message before; give them in order"
            ),
            Self::TooLate { port, us } => write!(
                f,
                "port `{port}` at {us} µs: after the limit of {MAX_TIME_US} µs; cut it in parts"
            ),
            Self::NotAMessage { port, us } => write!(
                f,
                "port `{port}` at {us} µs: not one whole message; start with its status byte"
            ),
            Self::TooLong(port) => write!(
                f,
                "port `{port}`: longer than a Standard MIDI File can say; cut it in parts"
            ),
        }
    }
}

impl std::error::Error for WriteError {}

/// One file per port that sent something, by the port's name.
///
/// # Errors
/// As [`write_port`].
pub fn write_ports(outputs: &[Output<'_>]) -> Result<BTreeMap<String, Vec<u8>>, WriteError> {
    let mut by_port: BTreeMap<&str, Vec<(u64, &[u8])>> = BTreeMap::new();
    for output in outputs {
        let messages = by_port.entry(output.port).or_default();
        messages.push((output.us, output.bytes));
    }
    by_port
        .into_iter()
        .map(|(port, messages)| Ok((port.to_owned(), write_port(port, messages)?)))
        .collect()
}

/// The file of one port; its track is named after the port.
///
/// # Errors
/// If times go backwards or too far, or bytes are no message; with port and time.
pub fn write_port<'a>(
    port: &str,
    messages: impl IntoIterator<Item = (u64, &'a [u8])>,
) -> Result<Vec<u8>, WriteError> {
    let too_long = || WriteError::TooLong(port.to_owned());
    if port.len() > MAX_COUNT {
        return Err(too_long());
    }
    let mut track = Vec::new();
    push_event(&mut track, 0, &[0xff, 0x03]);
    push_counted(&mut track, port.as_bytes());
    push_event(&mut track, 0, &[0xff, 0x51, 0x03]);
    let [_, tempo @ ..] = QUARTER_US.to_be_bytes();
    track.extend(tempo);
    let (mut last_us, mut last_tick) = (0, 0);
    for (us, bytes) in messages {
        let port = || port.to_owned();
        if us < last_us {
            return Err(WriteError::TimeGoesBack { port: port(), us });
        }
        if us > MAX_TIME_US {
            return Err(WriteError::TooLate { port: port(), us });
        }
        if bytes.len() > MAX_COUNT {
            return Err(too_long());
        }
        let tick = (us + TICK_US / 2) / TICK_US;
        push_message(&mut track, tick - last_tick, bytes)
            .ok_or_else(|| WriteError::NotAMessage { port: port(), us })?;
        (last_us, last_tick) = (us, tick);
    }
    push_event(&mut track, 0, &[0xff, 0x2f, 0x00]);
    let len = u32::try_from(track.len()).map_err(|_| too_long())?;
    let mut file = Vec::with_capacity(track.len() + HEADER_BYTES);
    // Header of 6 bytes: format 0, one track, the division (SMF 1.0).
    file.extend(b"MThd\0\0\0\x06\0\0\0\x01");
    file.extend(TICKS_PER_QUARTER.to_be_bytes());
    file.extend(b"MTrk");
    file.extend(len.to_be_bytes());
    file.append(&mut track);
    Ok(file)
}

/// Adds a message as an event; nothing if it is not one whole message.
pub(super) fn push_message(track: &mut Vec<u8>, delta: u64, bytes: &[u8]) -> Option<()> {
    let (&status, data) = bytes.split_first()?;
    match status {
        0xf0 => {
            // Stored with its F7 counted and its F0 not (SMF 1.0).
            let (&0xf7, inside) = data.split_last()? else {
                return None;
            };
            is_data(inside).then(|| {
                push_event(track, delta, &[status]);
                push_counted(track, data);
            })
        }
        0x80..=0xef => holds(status, data).then(|| push_event(track, delta, bytes)),
        // System common and real-time exist in a file only as escaped bytes (SMF 1.0).
        _ => holds(status, data).then(|| {
            push_event(track, delta, &[0xf7]);
            push_counted(track, bytes);
        }),
    }
}

/// Whether these are the data bytes that the status needs.
fn holds(status: u8, data: &[u8]) -> bool {
    is_data(data) && crate::midi::decode::data_bytes(status).map(usize::from) == Some(data.len())
}

fn is_data(bytes: &[u8]) -> bool {
    bytes.iter().all(|&byte| byte < 0x80)
}

/// Adds the time since the last event and the start of an event. A gap longer than a
/// delta-time can say is bridged with empty texts.
pub(super) fn push_event(track: &mut Vec<u8>, mut delta: u64, start: &[u8]) {
    while delta > u64::from(MAX_DELTA) {
        push_number(track, MAX_DELTA);
        track.extend([0xff, 0x01, 0x00]);
        delta -= u64::from(MAX_DELTA);
    }
    push_number(track, delta as u32);
    track.extend(start);
}

/// Adds bytes after their count, which is at most `MAX_COUNT`.
pub(super) fn push_counted(track: &mut Vec<u8>, bytes: &[u8]) {
    push_number(track, bytes.len() as u32);
    track.extend(bytes);
}

/// Adds a variable-length quantity: 7 bits a byte, the high group first (SMF 1.0).
fn push_number(track: &mut Vec<u8>, number: u32) {
    for group in (1..4).rev() {
        if number >> (7 * group) > 0 {
            track.push((number >> (7 * group)) as u8 & 0x7f | 0x80);
        }
    }
    track.push(number as u8 & 0x7f);
}

pub(super) const QUARTER_US: u32 = 500_000;

pub(super) const TICKS_PER_QUARTER: u16 = 25_000;

/// The largest variable-length quantity, 28 bits; 89 minutes of ticks.
const MAX_DELTA: u32 = 0x0fff_ffff;

/// The most bytes that can be counted.
const MAX_COUNT: usize = MAX_DELTA as usize;

const HEADER_BYTES: usize = 22;

#[cfg(test)]
mod tests {
    use super::super::read::{RecordedEvent, read};
    use super::*;
    use crate::midi::{Decoded, Decoder};
    use proptest::prelude::*;

    fn number(value: u32) -> Vec<u8> {
        let mut bytes = Vec::new();
        push_number(&mut bytes, value);
        bytes
    }

    /// SMF 1.0, table of variable-length quantities; mido and music21 agree.
    #[test]
    fn numbers_have_the_standards_length() {
        let table = include_str!("../../tests/data/smf_numbers.tsv");
        let mut rows = 0;
        for line in table.lines().filter(|line| !line.starts_with('#')) {
            let (value, bytes) = line.split_once('\t').expect("two columns");
            let value = u32::from_str_radix(value, 16).expect("hex");
            let shown: Vec<_> = number(value).iter().map(|b| format!("{b:02X}")).collect();
            assert_eq!(shown.join(" "), bytes);
            rows += 1;
        }
        assert_eq!(rows, 12);
    }

    /// SMF 1.0: `F0 43 12 00 07 F7` is stored as `F0 05 43 12 00 07 F7`; tempo 120 is
    /// `FF 51 03 07 A1 20`.
    #[test]
    fn a_file_is_what_the_standard_says() {
        let messages: [(u64, &[u8]); 4] = [
            (0, &[0x90, 0x3c, 0x64]),
            (2_000, &[0x90, 0x3c, 0x00]),
            (2_000, &[0xf0, 0x43, 0x12, 0x00, 0x07, 0xf7]),
            (2_029, &[0xf8]),
        ];
        let file = write_port("rack", messages).expect("file");
        let expected = b"MThd\0\0\0\x06\0\0\0\x01\x61\xa8MTrk\0\0\0\x27\
            \0\xff\x03\x04rack\0\xff\x51\x03\x07\xa1\x20\
            \0\x90\x3c\x64\x64\x90\x3c\0\0\xf0\x05\x43\x12\0\x07\xf7\x01\xf7\x01\xf8\0\xff\x2f\0";
        assert_eq!(file, expected);
    }

    #[test]
    fn what_is_no_message_is_refused_with_its_place() {
        let wrong: [&[u8]; 9] = [
            &[],
            &[0x3c, 0x40],
            &[0x90, 0x3c],
            &[0x90, 0x3c, 0x40, 0x3e],
            &[0x90, 0x3c, 0x80],
            &[0xf0, 0x01],
            &[0xf0, 0xf8, 0xf7],
            &[0xf7],
            &[0xf4],
        ];
        for bytes in wrong {
            let error = write_port("rack", [(7, bytes)]).expect_err("no message");
            assert!(
                error
                    .to_string()
                    .starts_with("port `rack` at 7 µs: not one"),
                "{bytes:?}"
            );
        }
        let back: [(u64, &[u8]); 2] = [(5, &[0xf8]), (4, &[0xf8])];
        assert!(matches!(
            write_port("rack", back),
            Err(WriteError::TimeGoesBack { us: 4, .. })
        ));
        let late: [(u64, &[u8]); 1] = [(MAX_TIME_US + 1, &[0xf8])];
        assert!(matches!(
            write_port("rack", late),
            Err(WriteError::TooLate { .. })
        ));
    }

    fn any_message() -> impl Strategy<Value = Vec<u8>> {
        let sysex = prop::collection::vec(0..=127_u8, 0..300).prop_map(|mut data| {
            data.insert(0, 0xf0);
            data.push(0xf7);
            data
        });
        let short = (0x80..=0xff_u8, 0..=127_u8, 0..=127_u8).prop_filter_map(
            "undefined",
            |(status, a, b)| {
                let mut decoder = Decoder::new();
                let decoded = [status, a, b]
                    .into_iter()
                    .find_map(|byte| decoder.push(byte));
                match decoded {
                    Some(Decoded::Message(message)) => Some(message.encode().as_slice().to_vec()),
                    _ => None,
                }
            },
        );
        prop_oneof![1 => sysex, 5 => short]
    }

    /// Messages with their gaps, some of them longer than one delta-time can say.
    fn any_outputs() -> impl Strategy<Value = Vec<(u64, u8, Vec<u8>)>> {
        let gap = prop_oneof![20 => 0..5_000_u64, 1 => 0..8_000_000_000_u64];
        prop::collection::vec((gap, 0..3_u8, any_message()), 0..20)
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back(outputs in any_outputs()) {
            let mut now_us = 0;
            let names = ["main rack", "organ", "effects"];
            let outputs: Vec<_> = outputs
                .iter()
                .map(|(gap, port, bytes)| {
                    now_us += gap;
                    Output { us: now_us, port: names[usize::from(*port)], bytes }
                })
                .collect();
            let files = write_ports(&outputs).expect("files");
            for name in names {
                let sent: Vec<_> = outputs.iter().filter(|output| output.port == name).collect();
                let Some(file) = files.get(name) else {
                    prop_assert!(sent.is_empty());
                    continue;
                };
                let recording = read(file).expect("recording");
                prop_assert!(recording.remarks.is_empty());
                prop_assert_eq!(recording.events.len(), sent.len());
                for (event, output) in recording.events.iter().zip(sent) {
                    prop_assert!(event.us.abs_diff(output.us) <= TICK_US / 2);
                    prop_assert_eq!(&*event.track, name);
                    let bytes = match &event.event {
                        RecordedEvent::Message(message) => message.encode().as_slice().to_vec(),
                        RecordedEvent::SysEx(bytes) => bytes.clone(),
                        RecordedEvent::Mark(mark) => panic!("{mark:?}"),
                    };
                    prop_assert_eq!(&bytes, output.bytes);
                }
            }
        }
    }
}
