//! A take: a recording as it is written down while it is played, a line an event.
//!
//! A Standard MIDI File holds the length of each track before the track, so it can only be
//! written when all is over. A take can be cut anywhere, by a kill or a power cut: what is
//! whole of it is read, and made into a file by [`super::write_recording`].
//!
//! ```text
//! segue take 1
//! T 0 lower               track 0 is named `lower`
//! B 1250000 0 903c64      at 1,250,000 µs it has this message
//! M 2000000 1 step        at 2,000,000 µs track 1 has this marker
//! ```
//! In texts a backslash stands before `n`, `r` and a backslash: a line is a line.

use std::collections::BTreeMap;
use std::fmt;

use super::record::{Take, TakeEvent};
use super::write::{MAX_TIME_US, push_message};

/// The largest take that is written or read: about 5,000,000 events.
pub const MAX_BYTES: usize = 128 << 20;

/// The most tracks: more than a rig has controllers and ports.
const MAX_TRACKS: usize = 256;

const HEAD: &[u8] = b"segue take ";
const VERSION: &[u8] = b"1";

/// Writes lines, and knows which tracks have been named.
#[derive(Debug, Default)]
pub struct TakeWriter {
    tracks: BTreeMap<String, usize>,
    is_begun: bool,
}

impl TakeWriter {
    /// The lines of one event, to be added to those before. Times must not go back.
    #[must_use]
    pub fn lines(&mut self, track: &str, us: u64, event: &TakeEvent) -> String {
        let mut lines = String::new();
        if !self.is_begun {
            self.is_begun = true;
            lines.push_str("segue take 1\n");
        }
        let next = self.tracks.len();
        let index = match self.tracks.get(track) {
            Some(index) => *index,
            None => {
                self.tracks.insert(track.to_owned(), next);
                lines.push_str(&format!("T {next} {}\n", on_one_line(track)));
                next
            }
        };
        match event {
            TakeEvent::Bytes(bytes) => {
                lines.push_str(&format!("B {us} {index} "));
                lines.extend(bytes.iter().map(|byte| format!("{byte:02x}")));
            }
            TakeEvent::Mark(text) => {
                lines.push_str(&format!("M {us} {index} {}", on_one_line(text)));
            }
        }
        lines.push('\n');
        lines
    }
}

fn on_one_line(text: &str) -> String {
    text.replace('\\', "\\\\")
        .replace('\n', "\\n")
        .replace('\r', "\\r")
}

fn as_written(text: &str) -> String {
    let mut out = String::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match (c, c == '\\') {
            (_, true) => match chars.next() {
                Some('n') => out.push('\n'),
                Some('r') => out.push('\r'),
                other => out.extend(other),
            },
            (c, false) => out.push(c),
        }
    }
    out
}

/// The complete lines of a take, as tracks.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ReadTake {
    /// Its tracks by name, for [`super::write_recording`].
    pub tracks: Vec<Take>,
    /// Events in all tracks.
    pub event_count: usize,
    /// Lines that were not understood and left out; one at the end was cut off.
    pub left_out: usize,
}

impl ReadTake {
    /// What was left out, in words; none if nothing was.
    #[must_use]
    pub fn remark(&self) -> Option<String> {
        (self.left_out > 0).then(|| {
            format!(
                "{} lines of the take are cut off or damaged and left out",
                self.left_out
            )
        })
    }
}

/// Why a take cannot be read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TakeError {
    /// The file is longer than [`MAX_BYTES`].
    TooLarge,
    /// Written by a newer version of this program.
    Newer,
}

impl fmt::Display for TakeError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::TooLarge => "the take is larger than any that is written; is it the right file?",
            Self::Newer => "the take was written by a newer version; read it with that one",
        })
    }
}

impl std::error::Error for TakeError {}

/// Whether a file is a take.
#[must_use]
pub fn is_take(file: &[u8]) -> bool {
    file.starts_with(HEAD)
}

/// Reads what is whole of a take.
///
/// # Errors
/// If it is of another version, or too large.
pub fn read(file: &[u8]) -> Result<ReadTake, TakeError> {
    if file.len() > MAX_BYTES {
        return Err(TakeError::TooLarge);
    }
    let mut lines = file.split_inclusive(|byte| *byte == b'\n');
    let version = lines.next().and_then(|line| line.strip_prefix(HEAD));
    match version.and_then(|version| version.strip_suffix(b"\n")) {
        Some(VERSION) => {}
        Some(_) => return Err(TakeError::Newer),
        // The take was cut within its first line: it holds nothing yet.
        None => return Ok(ReadTake::default()),
    }
    let mut reader = Reader::default();
    for line in lines {
        if reader.take(line).is_none() {
            reader.left_out += 1;
        }
    }
    let mut tracks: Vec<Take> = reader.tracks.into_values().collect();
    tracks.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(ReadTake {
        event_count: tracks.iter().map(|track| track.events.len()).sum(),
        tracks,
        left_out: reader.left_out,
    })
}

#[derive(Default)]
struct Reader {
    tracks: BTreeMap<usize, Take>,
    left_out: usize,
}

impl Reader {
    /// Takes one line; None if it is incomplete or not a line of a take.
    fn take(&mut self, line: &[u8]) -> Option<()> {
        let line = std::str::from_utf8(line.strip_suffix(b"\n")?).ok()?;
        let (kind, rest) = line.split_once(' ')?;
        if kind == "T" {
            let (index, name) = rest.split_once(' ')?;
            let index = index.parse().ok()?;
            if self.tracks.len() >= MAX_TRACKS || self.tracks.contains_key(&index) {
                return None;
            }
            let name = as_written(name);
            self.tracks.insert(
                index,
                Take {
                    name,
                    events: Vec::new(),
                },
            );
            return Some(());
        }
        let (us, rest) = rest.split_once(' ')?;
        let (index, what) = rest.split_once(' ')?;
        let us: u64 = us.parse().ok()?;
        let take = self.tracks.get_mut(&index.parse().ok()?)?;
        let last_us = take.events.last().map_or(0, |(us, _)| *us);
        if us < last_us || us > MAX_TIME_US {
            return None;
        }
        let event = match kind {
            "B" => TakeEvent::Bytes(message(what)?),
            "M" => TakeEvent::Mark(as_written(what)),
            _ => return None,
        };
        take.events.push((us, event));
        Some(())
    }
}

/// One whole message from its bytes in hexadecimal.
fn message(hex: &str) -> Option<Vec<u8>> {
    let pairs = hex.as_bytes().chunks(2);
    let bytes = pairs.map(|pair| {
        let pair = std::str::from_utf8(pair)
            .ok()
            .filter(|pair| pair.len() == 2)?;
        u8::from_str_radix(pair, 16).ok()
    });
    let bytes: Vec<u8> = bytes.collect::<Option<_>>()?;
    push_message(&mut Vec::new(), 0, &bytes)?;
    Some(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn events() -> Vec<(&'static str, u64, TakeEvent)> {
        vec![
            ("", 0, TakeEvent::Mark("place 1.1".into())),
            ("lower", 20, TakeEvent::Bytes(vec![0x90, 60, 100])),
            (
                "out a\n\\b",
                20,
                TakeEvent::Bytes(vec![0xf0, 0x7d, 1, 0xf7]),
            ),
            ("", 1_000, TakeEvent::Mark("a \\n\r".into())),
            ("lower", 2_000, TakeEvent::Bytes(vec![0x80, 60, 64])),
        ]
    }

    fn written() -> String {
        let mut writer = TakeWriter::default();
        let lines = events()
            .into_iter()
            .map(|(track, us, event)| writer.lines(track, us, &event));
        lines.collect()
    }

    #[test]
    fn a_take_is_read_as_it_was_written() {
        let read = read(written().as_bytes()).unwrap();
        assert_eq!((read.event_count, read.left_out), (5, 0));
        for (track, us, event) in events() {
            let take = read.tracks.iter().find(|take| take.name == track).unwrap();
            assert!(take.events.contains(&(us, event)), "{track:?}");
        }
        assert!(super::super::write_recording(&read.tracks).is_ok());
    }

    /// A kill may cut it at any byte: every line that was whole by then is there.
    #[test]
    fn a_take_may_be_cut_anywhere() {
        let whole = written();
        for cut in 0..whole.len() {
            let part = &whole.as_bytes()[..cut];
            let read = read(part).unwrap();
            let lines = part.split(|byte| *byte == b'\n').rev().skip(1);
            let events = lines.filter(|line| matches!(line.first(), Some(b'B' | b'M')));
            assert_eq!(read.event_count, events.count(), "cut at {cut}");
            assert!(super::super::write_recording(&read.tracks).is_ok());
        }
    }

    #[test]
    fn what_is_damaged_costs_itself_only() {
        let mut bytes = written().into_bytes();
        let at = bytes.windows(6).position(|six| six == b"903c64").unwrap();
        for wrong in [
            &b"\0\0\0\0\0\0"[..],
            b"903c84",
            b"3c6400",
            b"903c6g",
            "93\u{20ac}1".as_bytes(),
        ] {
            bytes[at..at + 6].copy_from_slice(wrong);
            let read = read(&bytes).unwrap();
            assert_eq!((read.event_count, read.left_out), (4, 1), "{wrong:?}");
            assert!(read.remark().unwrap().starts_with("1 lines"));
        }
        assert_eq!(read(b"segue take 2\nT 0 a\n"), Err(TakeError::Newer));
        assert!(!is_take(b"MThd"));
    }
}
