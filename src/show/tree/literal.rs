//! What numbers, texts and characters of a file mean.
//!
//! The rules are those of `ron` 0.12 (docs/grammar.md), which a test compares with.

use std::borrow::Cow;

use super::Span;

/// A number as a file gives it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Number {
    /// A whole number, from the least of 64 bits with a sign to the largest without one.
    Int(i128),
    /// Any other finite number, or a whole one beyond that range.
    Float(f64),
}

/// Why something is not the literal it starts as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// It is infinite or not a number.
    NotFinite,
    /// It does not fit the type that it names.
    OutOfRange,
    /// It does not follow the grammar of the literal.
    Malformed,
}

/// Reads a number, whose text is all that could belong to one.
pub fn number(text: &str) -> Result<Number, Refusal> {
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(text);
    if is_not_finite(unsigned) {
        return Err(Refusal::NotFinite);
    }
    match integer(text.starts_with('-'), unsigned) {
        Err(Refusal::Malformed) => float(text),
        other => other,
    }
}

/// Whether this is one of the words for infinity and not-a-number.
pub fn is_not_finite(word: &str) -> bool {
    matches!(
        word,
        "inf" | "inff32" | "inff64" | "NaN" | "NaNf32" | "NaNf64"
    )
}

fn integer(negative: bool, unsigned: &str) -> Result<Number, Refusal> {
    let (base, digits) = match unsigned.as_bytes() {
        [b'0', b'b', ..] => (2, &unsigned[2..]),
        [b'0', b'o', ..] => (8, &unsigned[2..]),
        [b'0', b'x', ..] => (16, &unsigned[2..]),
        _ => (10, unsigned),
    };
    let (digits, kind) = match digits.find(['i', 'u']) {
        Some(at) => (&digits[..at], Some(&digits[at..])),
        None => (digits, None),
    };
    let plain = || digits.chars().filter(|c| *c != '_');
    if digits.starts_with('_') || digits.is_empty() || !plain().all(|c| c.is_digit(base)) {
        return Err(Refusal::Malformed);
    }
    let range = match kind {
        None => i128::from(i64::MIN)..=i128::from(u64::MAX),
        Some(kind) => range_of(kind).ok_or(Refusal::Malformed)?,
    };
    let sign = if negative { -1 } else { 1 };
    let value = plain().try_fold(0i128, |sum, c| {
        let digit = i128::from(c.to_digit(base)?);
        sum.checked_mul(base.into())?.checked_add(sign * digit)
    });
    match value.filter(|value| range.contains(value)) {
        Some(value) => Ok(Number::Int(value)),
        // Too long for 64 bits, but still a number in the decimal system.
        None if kind.is_none() && base == 10 => Err(Refusal::Malformed),
        None => Err(Refusal::OutOfRange),
    }
}

fn range_of(kind: &str) -> Option<std::ops::RangeInclusive<i128>> {
    Some(match kind {
        "i8" => i8::MIN.into()..=i8::MAX.into(),
        "i16" => i16::MIN.into()..=i16::MAX.into(),
        "i32" => i32::MIN.into()..=i32::MAX.into(),
        "i64" => i64::MIN.into()..=i64::MAX.into(),
        "u8" => u8::MIN.into()..=u8::MAX.into(),
        "u16" => u16::MIN.into()..=u16::MAX.into(),
        "u32" => u32::MIN.into()..=u32::MAX.into(),
        "u64" => u64::MIN.into()..=u64::MAX.into(),
        _ => return None,
    })
}

fn float(text: &str) -> Result<Number, Refusal> {
    let (digits, single) = match (text.strip_suffix("f32"), text.strip_suffix("f64")) {
        (Some(digits), _) => (digits, true),
        (_, Some(digits)) => (digits, false),
        _ => (text, false),
    };
    let numeric = |c: char| c.is_ascii_digit() || matches!(c, 'e' | 'E' | '.' | '+' | '-' | '_');
    if !digits.chars().all(numeric) {
        return Err(Refusal::Malformed);
    }
    let mut plain = String::with_capacity(digits.len());
    let mut underscore_allowed = false;
    for c in digits.chars() {
        match c {
            '_' if underscore_allowed => continue,
            '_' => return Err(Refusal::Malformed),
            '0'..='9' | 'e' | 'E' => underscore_allowed = true,
            '.' => underscore_allowed = false,
            _ => {}
        }
        plain.push(c);
    }
    let value = match single {
        true => plain.parse::<f32>().map(f64::from),
        false => plain.parse::<f64>(),
    };
    match value {
        Ok(value) if value.is_finite() => Ok(Number::Float(value)),
        Ok(_) => Err(Refusal::NotFinite),
        Err(_) => Err(Refusal::Malformed),
    }
}

/// What is inside the quotes of a text. Escapes that mean nothing are left out and given
/// as spans within `inside`.
pub fn text(inside: &str) -> (Cow<'_, str>, Vec<Span>) {
    let Some(first) = inside.find('\\') else {
        return (inside.into(), Vec::new());
    };
    let mut plain = String::with_capacity(inside.len());
    let mut wrong = Vec::new();
    plain.push_str(&inside[..first]);
    let mut at = first;
    while at < inside.len() {
        let rest = &inside[at..];
        if let Some(length) = continuation(rest) {
            at += length;
            continue;
        }
        match escape(rest, Within::Text) {
            Some(Ok((c, length))) => {
                plain.push(c);
                at += length;
            }
            Some(Err(length)) => {
                wrong.push(Span::new(at, at + length));
                at += length;
            }
            None => {
                let length = rest.find('\\').unwrap_or(rest.len());
                plain.push_str(&rest[..length]);
                at += length;
            }
        }
    }
    (plain.into(), wrong)
}

/// What is inside the quotes and hashes of a raw text, given all of it.
pub fn raw_text(token: &str) -> &str {
    let fence = token.find('"').unwrap_or(0);
    token
        .get(fence + 1..token.len() - fence)
        .unwrap_or_default()
}

/// The length of a backslash at the end of a line, with the blanks that it swallows.
fn continuation(text: &str) -> Option<usize> {
    let rest = text.strip_prefix('\\')?;
    let rest = rest
        .strip_prefix("\r\n")
        .or_else(|| rest.strip_prefix('\n'))?;
    Some(text.len() - rest.trim_start_matches([' ', '\t', '\n', '\r']).len())
}

/// Where an escape stands: only in a text may several bytes make one character.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Within {
    /// In a text, between double quotes.
    Text,
    /// In a character, between single quotes.
    Char,
}

/// The escape that `text` starts with: its character and length, or the length of one that
/// means nothing; none if it starts with no backslash.
pub fn escape(text: &str, within: Within) -> Option<Result<(char, usize), usize>> {
    let rest = text.strip_prefix('\\')?;
    let Some(c) = rest.chars().next() else {
        return Some(Err(1));
    };
    let simple = match c {
        '\'' | '"' | '\\' => c,
        'n' => '\n',
        'r' => '\r',
        't' => '\t',
        '0' => '\0',
        'x' => return Some(bytes_escape(text, within).ok_or(2)),
        'u' => return Some(unicode_escape(text).ok_or(2)),
        other => return Some(Err(1 + other.len_utf8())),
    };
    Some(Ok((simple, 2)))
}

/// `\x41`, and in a text also several that are one character in UTF-8.
fn bytes_escape(text: &str, within: Within) -> Option<(char, usize)> {
    let most = if within == Within::Text { 4 } else { 1 };
    let mut bytes = [0u8; 4];
    for count in 1..=most {
        let digits = text.get(4 * (count - 1)..4 * count)?.strip_prefix("\\x")?;
        if !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
            return None;
        }
        bytes[count - 1] = u8::from_str_radix(digits, 16).ok()?;
        if let Ok(character) = std::str::from_utf8(&bytes[..count]) {
            return Some((character.chars().next()?, 4 * count));
        }
    }
    None
}

/// `\u{1F3B9}`, with one to six digits.
fn unicode_escape(text: &str) -> Option<(char, usize)> {
    let rest = text.strip_prefix("\\u{")?;
    let length = rest
        .bytes()
        .take(7)
        .take_while(u8::is_ascii_hexdigit)
        .count();
    if !(1..=6).contains(&length) || !rest[length..].starts_with('}') {
        return None;
    }
    let code = u32::from_str_radix(&rest[..length], 16).ok()?;
    Some((char::from_u32(code)?, "\\u{}".len() + length))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers() {
        use Number::{Float, Int};
        let good = [
            ("0", Int(0)),
            ("-0u8", Int(0)),
            ("+5", Int(5)),
            ("1_000", Int(1000)),
            ("0b1_01", Int(5)),
            ("0o17", Int(15)),
            ("-0x1F", Int(-31)),
            ("0x1f32", Int(0x1f32)),
            ("255u8", Int(255)),
            ("-128i8", Int(-128)),
            ("18446744073709551615", Int(u64::MAX.into())),
            ("18446744073709551616", Float(18446744073709551616.0)),
            ("1.", Float(1.0)),
            (".5", Float(0.5)),
            ("1e5", Float(1e5)),
            ("1e_5", Float(1e5)),
            ("-1_0.5E-1", Float(-1.05)),
            ("1f32", Float(1.0)),
            ("0.1f64", Float(0.1)),
            ("-1.5f32", Float(-1.5)),
        ];
        for (text, value) in good {
            assert_eq!(number(text), Ok(value), "{text}");
        }
        let bad = [
            ("256u8", Refusal::OutOfRange),
            ("-1u8", Refusal::OutOfRange),
            ("0x10000000000000000", Refusal::OutOfRange),
            ("1e999", Refusal::NotFinite),
            ("1e40f32", Refusal::NotFinite),
            ("-inf", Refusal::NotFinite),
            ("+NaNf32", Refusal::NotFinite),
            ("0x", Refusal::Malformed),
            ("0x_1", Refusal::Malformed),
            ("0b2", Refusal::Malformed),
            ("5u128", Refusal::Malformed),
            ("1._5", Refusal::Malformed),
            ("5e", Refusal::Malformed),
            ("+", Refusal::Malformed),
            (".", Refusal::Malformed),
            ("1-2", Refusal::Malformed),
            ("5px", Refusal::Malformed),
            ("--5", Refusal::Malformed),
            ("1.5u8", Refusal::Malformed),
            ("-_1", Refusal::Malformed),
        ];
        for (text, refusal) in bad {
            assert_eq!(number(text), Err(refusal), "{text}");
        }
    }

    #[test]
    fn texts() {
        let good = [
            (r"plain", "plain"),
            (r#"a\"b\\c\'\n\r\t\0"#, "a\"b\\c'\n\r\t\0"),
            (r"\x41\xC3\xA9\u{1F3B9}\u{e9}", "Aé🎹é"),
            ("one \\\n   \r\n two", "one two"),
            ("one \\\r\n\ttwo", "one two"),
        ];
        for (inside, plain) in good {
            assert_eq!(text(inside), (plain.into(), vec![]), "{inside}");
        }
        let (plain, wrong) = text(r"a\qb\u{D800}c\xC3d\u{}");
        assert_eq!(plain, "ab{D800}cC3d{}");
        let pieces: Vec<_> = wrong.iter().map(|span| (span.start, span.end)).collect();
        assert_eq!(pieces, [(1, 3), (4, 6), (13, 15), (18, 20)]);
        assert_eq!(raw_text("r##\"a\"#b\"##"), "a\"#b");
        assert_eq!(raw_text("r#\"\"#\"\"#"), "\"#\"");
        assert_eq!(raw_text("r\"\""), "");
    }
}
