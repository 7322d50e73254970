//! What is written inside texts: keys, ranges, channels, times and System Exclusive bytes.
//!
//! Each function takes the text between the quotes and gives the value, or what is wrong
//! with it in words that follow the text itself ("\"H3\" is not a key: …").

use crate::midi::{Channel, Key, Value7};
use crate::show::finding::quoted;
use crate::show::model::TemplateByte;

/// A value, or what is wrong with its text and what to write instead.
pub(super) type Parsed<T> = Result<T, Wrong>;

/// What is wrong with a text, and what to write.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Wrong {
    /// What is wrong, the text included.
    pub(super) message: String,
    /// What to write.
    pub(super) help: String,
}

fn wrong<T>(message: String, help: &str) -> Parsed<T> {
    Err(Wrong {
        message,
        help: help.into(),
    })
}

/// Octave number of key 60 in scientific pitch (C4 = 60).
pub(super) const MIDDLE_C_OCTAVE: i8 = 4;

/// A key: a letter, sharps or flats, an octave: `C4`, `F#2`, `Bb-1`.
///
/// Octave numbers follow the rig's middle C, and change at C: the octave of key `k` is
/// `k / 12 - 1` when key 60 is C4 (scientific pitch).
pub(super) fn key(text: &str, middle_c_octave: i8) -> Parsed<Key> {
    const HELP: &str = "write a letter A to G, # or b if need be, and an octave: \"F#2\"";
    let malformed = || wrong(format!("{} is not a key", quoted(text)), HELP);
    let trimmed = text.trim();
    let mut chars = trimmed.chars();
    let step = match chars.next().map(|letter| letter.to_ascii_uppercase()) {
        Some('C') => 0,
        Some('D') => 2,
        Some('E') => 4,
        Some('F') => 5,
        Some('G') => 7,
        Some('A') => 9,
        Some('B') => 11,
        _ => return malformed(),
    };
    let rest = chars.as_str();
    let octave_text = rest.trim_start_matches(['#', 'b']);
    let signs = rest
        .get(..rest.len() - octave_text.len())
        .unwrap_or_default();
    // More than a double sharp or flat is a slip of the fingers.
    let is_mixed = signs.contains('#') && signs.contains('b');
    let Ok(octave) = octave_text.parse::<i32>() else {
        return malformed();
    };
    if signs.len() > 2 || is_mixed || !(-9..=19).contains(&octave) || octave_text.starts_with('+') {
        return malformed();
    }
    let shift: i32 = signs
        .chars()
        .map(|sign| if sign == '#' { 1 } else { -1 })
        .sum();
    let number = 60 + 12 * (octave - i32::from(middle_c_octave)) + step + shift;
    match u8::try_from(number).ok().and_then(Key::new) {
        Some(key) => Ok(key),
        None => {
            let lowest = key_name(Key::MIN, middle_c_octave);
            let highest = key_name(Key::MAX, middle_c_octave);
            wrong(
                format!(
                    "{} is not a key of MIDI: it would be number {number}",
                    quoted(text)
                ),
                &format!("keys go from {lowest} to {highest}"),
            )
        }
    }
}

/// The name of a key, with sharps: `C4` for 60 unless the rig says otherwise.
#[must_use]
pub fn key_name(key: Key, middle_c_octave: i8) -> String {
    const NAMES: [&str; 12] = [
        "C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B",
    ];
    let number = key.get();
    let name = NAMES
        .get(usize::from(number % 12))
        .copied()
        .unwrap_or_default();
    let octave = i32::from(number) / 12 - 5 + i32::from(middle_c_octave);
    format!("{name}{octave}")
}

/// A stretch of keys (`A0..B3`), or a single one.
pub(super) fn keys(text: &str, middle_c_octave: i8) -> Parsed<(Key, Key)> {
    let (low, high) = ends(text);
    let (low, high) = (key(low, middle_c_octave)?, key(high, middle_c_octave)?);
    in_order(text, low, high)
}

/// A stretch of velocities (`1..80`), or a single one.
pub(super) fn velocities(text: &str) -> Parsed<(Value7, Value7)> {
    let (low, high) = numbers(text)?;
    match (velocity(low), velocity(high)) {
        (Some(low), Some(high)) => in_order(text, low, high),
        _ => wrong(
            format!("{} leaves the velocities 1 to 127", quoted(text)),
            "velocity 0 is a note let go, not a soft one: start from 1",
        ),
    }
}

fn velocity(number: u32) -> Option<Value7> {
    u8::try_from(number)
        .ok()
        .and_then(Value7::new)
        .filter(|value| value.get() > 0)
}

/// A stretch of parameter values (`0..127`), or a single one; at most 16383.
pub(super) fn range(text: &str) -> Parsed<(u16, u16)> {
    let (low, high) = numbers(text)?;
    match (u16::try_from(low), u16::try_from(high)) {
        (Ok(low), Ok(high)) if high <= 16_383 => in_order(text, low, high),
        _ => wrong(
            format!("{} leaves 0 to 16383", quoted(text)),
            "MIDI values have at most 14 bits",
        ),
    }
}

/// Channels, 1–16 in the text: `"1..9, 11..16"`.
pub(super) fn channels(text: &str) -> Parsed<Vec<Channel>> {
    let mut channels = Vec::new();
    for piece in text.split(',') {
        let (low, high) = numbers(piece)?;
        in_order(piece, low, high)?;
        for number in low..=high.min(17) {
            let Some(channel) = channel(i128::from(number)) else {
                return wrong(
                    format!("{} leaves the channels 1 to 16", quoted(text)),
                    "a port has 16 channels",
                );
            };
            if channels.contains(&channel) {
                return wrong(
                    format!("{} names channel {number} twice", quoted(text)),
                    "name each channel once",
                );
            }
            channels.push(channel);
        }
    }
    Ok(channels)
}

/// A channel as people count them, 1–16.
pub(super) fn channel(number: i128) -> Option<Channel> {
    u8::try_from(number - 1).ok().and_then(Channel::new)
}

fn ends(text: &str) -> (&str, &str) {
    text.split_once("..").unwrap_or((text, text))
}

fn numbers(text: &str) -> Parsed<(u32, u32)> {
    let (low, high) = ends(text);
    match (low.trim().parse(), high.trim().parse()) {
        (Ok(low), Ok(high)) => Ok((low, high)),
        _ => wrong(
            format!("{} is not a stretch of whole numbers", quoted(text)),
            "write the first and the last with two dots: \"1..16\"",
        ),
    }
}

fn in_order<T: PartialOrd>(text: &str, low: T, high: T) -> Parsed<(T, T)> {
    if low <= high {
        Ok((low, high))
    } else {
        wrong(
            format!("{} runs downwards", quoted(text)),
            "write the lower end first",
        )
    }
}

/// Minutes and seconds, `4:10`, in seconds; under 24 hours.
pub(super) fn length_s(text: &str) -> Parsed<u32> {
    match parts(text) {
        Some((minutes, seconds)) if seconds < 60 && minutes < 24 * 60 => Ok(minutes * 60 + seconds),
        _ => wrong(
            format!("{} is not a length of time", quoted(text)),
            "write minutes and seconds, such as \"4:10\"",
        ),
    }
}

/// A time of day, `20:30`, in minutes past midnight.
pub(super) fn minute_of_day(text: &str) -> Parsed<u16> {
    match parts(text) {
        Some((hours, minutes)) if hours < 24 && minutes < 60 => Ok((hours * 60 + minutes) as u16),
        _ => wrong(
            format!("{} is not a time of day", quoted(text)),
            "write hours and minutes, such as \"20:30\"",
        ),
    }
}

fn parts(text: &str) -> Option<(u32, u32)> {
    let (left, right) = text.trim().split_once(':')?;
    let is_plain = |part: &str| {
        (1..=4).contains(&part.len()) && part.bytes().all(|byte| byte.is_ascii_digit())
    };
    if !is_plain(left) || right.len() != 2 || !is_plain(right) {
        return None;
    }
    Some((left.parse().ok()?, right.parse().ok()?))
}

/// A number of 16 bits in hexadecimal, four digits: half of a USB identity.
pub(super) fn usb_identity(text: &str) -> Parsed<(u16, u16)> {
    let half = |part: &str| {
        let is_hex = part.len() == 4 && part.bytes().all(|byte| byte.is_ascii_hexdigit());
        is_hex.then(|| u16::from_str_radix(part, 16).ok()).flatten()
    };
    match text
        .split_once(':')
        .map(|(vendor, product)| (half(vendor), half(product)))
    {
        Some((Some(vendor), Some(product))) => Ok((vendor, product)),
        _ => wrong(
            format!("{} is not a USB identity", quoted(text)),
            "write vendor and product in hexadecimal, such as \"1209:0001\"; `segue ports` prints them",
        ),
    }
}

/// A System Exclusive message as it is: F0, bytes under 80, F7.
pub(super) fn exclusive(text: &str) -> Parsed<Vec<u8>> {
    let parts = template(text)?;
    let bytes = parts.iter().map(|part| match part {
        TemplateByte::Byte(byte) => Some(*byte),
        _ => None,
    });
    match bytes.collect() {
        Some(bytes) => Ok(bytes),
        None => wrong(
            format!(
                "{} has places for a value, which a cue does not have",
                quoted(text)
            ),
            "write its bytes as they are, or make it a parameter",
        ),
    }
}

/// A System Exclusive message with places for a value: `vv` (7 bits), `mm` and `ll` (upper
/// and lower half of 14 bits), `cc` (channel), `[` (the sum begins) and `ss` (the checksum).
pub(super) fn template(text: &str) -> Parsed<Vec<TemplateByte>> {
    let mut parts = Vec::new();
    for piece in text.split_ascii_whitespace() {
        parts.push(match piece {
            "vv" => TemplateByte::Value,
            "mm" => TemplateByte::ValueMsb,
            "ll" => TemplateByte::ValueLsb,
            "cc" => TemplateByte::Channel,
            "ss" => TemplateByte::Sum,
            "[" => TemplateByte::SumStart,
            _ => TemplateByte::Byte(hex_byte(text, piece)?),
        });
    }
    framed(text, &parts)?;
    let start = parts
        .iter()
        .position(|part| *part == TemplateByte::SumStart);
    let sum = parts.iter().position(|part| *part == TemplateByte::Sum);
    match (start, sum) {
        (None, Some(_)) => wrong(
            format!(
                "{} has a checksum but not where its sum begins",
                quoted(text)
            ),
            "put [ before the first byte that the sum counts",
        ),
        (Some(start), Some(sum)) if start > sum => wrong(
            format!("{} begins its sum after the checksum", quoted(text)),
            "put [ before ss",
        ),
        _ => Ok(parts),
    }
}

fn hex_byte(text: &str, piece: &str) -> Parsed<u8> {
    let is_hex = piece.len() == 2 && piece.bytes().all(|byte| byte.is_ascii_hexdigit());
    match u8::from_str_radix(piece, 16) {
        Ok(byte) if is_hex => Ok(byte),
        _ => wrong(
            format!("{} in {} is not a byte", quoted(piece), quoted(text)),
            "write two hexadecimal digits a byte, or vv, mm, ll, cc, [ or ss",
        ),
    }
}

/// F0 first, F7 last, and nothing above 7F between (MIDI 1.0: data bytes have 7 bits).
fn framed(text: &str, parts: &[TemplateByte]) -> Parsed<()> {
    let is_high = |part: &TemplateByte| matches!(part, TemplateByte::Byte(byte) if *byte > 0x7f);
    let is_framed = match parts {
        [
            TemplateByte::Byte(0xf0),
            inside @ ..,
            TemplateByte::Byte(0xf7),
        ] => !inside.is_empty() && !inside.iter().any(is_high),
        _ => false,
    };
    if is_framed {
        Ok(())
    } else {
        wrong(
            format!("{} is not a whole System Exclusive message", quoted(text)),
            "it begins with F0, ends with F7, and has only bytes from 00 to 7F between",
        )
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    #[test]
    fn keys_of_the_common_keyboards() {
        // 88 keys 21–108, 61 keys 36–96 (common practice), and the ends of MIDI (scientific pitch).
        let known = [
            ("A0", 21),
            ("C8", 108),
            ("C2", 36),
            ("C7", 96),
            ("C4", 60),
            ("C-1", 0),
            ("G9", 127),
        ];
        for (name, number) in known {
            let key_found = key(name, 4).unwrap();
            assert_eq!(key_found.get(), number, "{name}");
            assert_eq!(key_name(key_found, 4), name);
        }
        // Many makers call key 60 C3, a few C5 (common practice, no source).
        assert_eq!(key("C3", 3).unwrap().get(), 60);
        assert_eq!(key("C5", 5).unwrap().get(), 60);
        for (name, number) in [
            ("Bb3", 58),
            ("A#3", 58),
            ("Cb4", 59),
            ("B#3", 60),
            ("f##2", 43),
            ("Ebb2", 38),
        ] {
            assert_eq!(key(name, 4).unwrap().get(), number, "{name}");
        }
        for bad in [
            "", "H3", "C", "C#b4", "C###4", "4C", "G#9", "C-2", "C+4", "C4.5", "Ç4", "C 4 x",
        ] {
            assert!(key(bad, 4).is_err(), "{bad}");
        }
    }

    #[test]
    fn stretches() {
        let pair = |text| keys(text, 4).map(|(low, high)| (low.get(), high.get()));
        assert_eq!(pair("A0..B3"), Ok((21, 59)));
        assert_eq!(pair("C4"), Ok((60, 60)));
        assert!(pair("C4..B3").unwrap_err().message.contains("downwards"));
        assert_eq!(
            velocities("1..80").map(|(low, high)| (low.get(), high.get())),
            Ok((1, 80))
        );
        assert!(
            velocities("0..80").is_err()
                && velocities("1..128").is_err()
                && velocities("x").is_err()
        );
        assert_eq!(range("0..16383"), Ok((0, 16_383)));
        assert!(range("0..16384").is_err() && range("5..4").is_err());
        let numbers: Vec<u8> = channels("1..9, 11")
            .unwrap()
            .iter()
            .map(|channel| channel.get())
            .collect();
        assert_eq!(numbers, [0, 1, 2, 3, 4, 5, 6, 7, 8, 10]);
        for bad in [
            "0..3",
            "16..17",
            "1..99999999",
            "3..1",
            "1,1",
            "1..4, 4",
            "",
        ] {
            assert!(channels(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn times() {
        assert_eq!(length_s("4:10"), Ok(250));
        assert_eq!(length_s("20:00"), Ok(1200));
        assert_eq!(minute_of_day("20:30"), Ok(1230));
        for bad in [
            "4", "4:60", "4:5", ":10", "-1:00", "4:10:00", "99999:00", "+4:10",
        ] {
            assert!(length_s(bad).is_err(), "{bad}");
        }
        assert!(minute_of_day("24:00").is_err() && minute_of_day("20:60").is_err());
    }

    #[test]
    fn exclusive_bytes() {
        assert_eq!(
            exclusive("F0 7E 7F 09 01 F7").unwrap(),
            [0xf0, 0x7e, 0x7f, 0x09, 0x01, 0xf7]
        );
        for bad in [
            "", "F0 F7", "F0 01", "01 F7", "F0 80 F7", "F0 1 F7", "F0 vv F7", "F0 zz F7",
            "F0 +1 F7",
        ] {
            assert!(exclusive(bad).is_err(), "{bad}");
        }
        let parts = template("F0 7D 01 [ 10 vv ss F7").unwrap();
        assert_eq!(
            parts[3..7],
            [
                TemplateByte::SumStart,
                TemplateByte::Byte(0x10),
                TemplateByte::Value,
                TemplateByte::Sum
            ]
        );
        assert!(template("F0 7D vv ss F7").is_err() && template("F0 7D ss [ vv F7").is_err());
    }

    #[test]
    fn usb_identities() {
        assert_eq!(usb_identity("1209:00a1"), Ok((0x1209, 0xa1)));
        for bad in ["1209", "1209:1", "1209:0001:2", "12g9:0001", "+209:0001"] {
            assert!(usb_identity(bad).is_err(), "{bad}");
        }
    }
}
