//! What is written inside texts: keys, ranges, channels, times and System Exclusive bytes.
//!
//! Each function takes the text between the quotes and gives the value, or what is wrong
//! with it in words that follow the text itself ("\"H3\" is not a key: …").

use crate::midi::pitch::{KeyNameError, MiddleC};
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
    /// What to write instead.
    pub(super) help: String,
}

fn wrong<T>(message: String, help: &str) -> Parsed<T> {
    Err(Wrong {
        message,
        help: help.into(),
    })
}

/// A key by its name, as the rig counts octaves: `C4`, `F#2`, `Bb-1`.
pub(super) fn key(text: &str, middle_c: MiddleC) -> Parsed<Key> {
    middle_c.parse(text.trim()).or_else(|error| {
        let help = match error {
            KeyNameError::NotAName => {
                "write a letter A to G, # or b if need be, and an octave: \"F#2\"".to_owned()
            }
            KeyNameError::OutOfRange { .. } => {
                let ends = [Key::MIN, Key::MAX].map(|key| middle_c.name(key));
                format!("keys go from {} to {}", ends[0], ends[1])
            }
        };
        wrong(format!("{} is {error}", quoted(text)), &help)
    })
}

/// A range of keys (`A0..B3`), or a single one.
pub(super) fn keys(text: &str, middle_c: MiddleC) -> Parsed<(Key, Key)> {
    let (low, high) = ends(text);
    let (low, high) = (key(low, middle_c)?, key(high, middle_c)?);
    in_order(text, low, high)
}

/// A range of velocities (`1..80`), or a single one.
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

/// A range of parameter values (`0..127`), or a single one; at most 16383.
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
    fn a_key_is_named_as_the_rig_counts_octaves() {
        // Many makers call key 60 C3, a few C5 (common practice, no source).
        for (middle_c, name) in [
            (MiddleC::C3, "C3"),
            (MiddleC::C4, " C4 "),
            (MiddleC::C5, "C5"),
        ] {
            assert_eq!(key(name, middle_c).unwrap().get(), 60);
        }
        let no_key = key("H3", MiddleC::C4).unwrap_err();
        assert_eq!(no_key.message, "\"H3\" is not a key");
        let beyond = key("G#9", MiddleC::C4).unwrap_err();
        assert_eq!(
            beyond.message,
            "\"G#9\" is not a key of MIDI: it would be number 128"
        );
        assert_eq!(beyond.help, "keys go from C-1 to G9");
    }

    #[test]
    fn stretches() {
        let pair = |text| keys(text, MiddleC::C4).map(|(low, high)| (low.get(), high.get()));
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
