//! Text as a person may be shown it: one gate for terminals, logs, standard output and pictures.
//! Pure.
//!
//! Names come from files, devices and recordings and may hold anything: an escape sequence that
//! clears the screen, a sign that turns the writing direction, a line break that forges a line.
//! [`clean`] takes out whatever draws nothing and changes what is around it. What is for
//! programs keeps the original text: [`escaped`] writes the same characters into JSON as escapes.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

use std::borrow::Cow;
use std::fmt::Write;

/// Whether a character may be shown as it is.
///
/// Not those of the Unicode categories Cc (controls), Zl and Zp (line and paragraph separator)
/// and Cf (format: zero width, writing direction, tags), nor noncharacters, variation selectors
/// and letters that are blank by definition. Cf signs that draw something (the Arabic, Syriac
/// and Kaithi number signs) and private-use characters are shown. Source: Unicode Character
/// Database 16.0, UnicodeData.txt and PropList.txt.
#[must_use]
pub fn is_plain(c: char) -> bool {
    !breaks(c) && !is_invisible(c)
}

/// `text` on one line, without anything that could move a cursor, turn the writing direction
/// or change the width of its neighbours: controls and line ends become spaces, what is
/// invisible is left out.
#[must_use]
pub fn clean(text: &str) -> Cow<'_, str> {
    cleaned(text, |_| false)
}

/// The same over several lines: line feeds stay.
#[must_use]
pub fn clean_lines(text: &str) -> Cow<'_, str> {
    cleaned(text, |c| c == '\n')
}

fn cleaned(text: &str, stays: impl Fn(char) -> bool) -> Cow<'_, str> {
    if text.chars().all(|c| is_plain(c) || stays(c)) {
        return Cow::Borrowed(text);
    }
    let shown = |c| match c {
        c if stays(c) || is_plain(c) => Some(c),
        c if breaks(c) => Some(' '),
        _ => None,
    };
    Cow::Owned(text.chars().filter_map(shown).collect())
}

/// JSON with every character that may not be shown written as an escape, `\u202e`: it reads
/// as the same value, and can be looked at on a terminal. Line feeds between values stay.
#[must_use]
pub fn escaped(json: &str) -> Cow<'_, str> {
    let stays = |c: char| c == '\n' || is_plain(c);
    if json.chars().all(stays) {
        return Cow::Borrowed(json);
    }
    let mut out = String::with_capacity(json.len());
    for c in json.chars() {
        if stays(c) {
            out.push(c);
            continue;
        }
        for unit in c.encode_utf16(&mut [0; 2]) {
            // Writing to a string cannot fail.
            let _ = write!(out, "\\u{unit:04x}");
        }
    }
    Cow::Owned(out)
}

/// Controls, and what ends a line or paragraph: a space stands for them.
fn breaks(c: char) -> bool {
    c.is_control() || matches!(c, '\u{2028}' | '\u{2029}')
}

/// What draws nothing but changes what is around it, or is no character at all.
const fn is_invisible(c: char) -> bool {
    // The last two code points of each plane are noncharacters.
    c as u32 & 0xfffe == 0xfffe
        || matches!(c,
            '\u{00ad}' | '\u{034f}' | '\u{061c}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}'
            | '\u{180b}'..='\u{180f}' | '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{fdd0}'..='\u{fdef}'
            | '\u{fe00}'..='\u{fe0f}' | '\u{feff}' | '\u{ffa0}' | '\u{fff0}'..='\u{fffb}'
            | '\u{13430}'..='\u{1343f}' | '\u{1bca0}'..='\u{1bca3}'
            | '\u{1d173}'..='\u{1d17a}' | '\u{e0000}'..='\u{e0fff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_cannot_carry_an_escape_sequence_or_a_line() {
        assert_eq!(
            clean("a\x1b[31mb\tc\u{202e}d\u{200b}\ne\u{2028}f\u{fffe}\u{85}"),
            "a [31mb cd e f "
        );
        assert_eq!(clean_lines("a\r\nb\u{2029}c"), "a \nb c");
    }

    #[test]
    fn writing_of_all_kinds_is_left_alone() {
        for text in [
            "Glass choir",
            "Fährlichter",
            "日本語",
            "שלום",
            "e\u{301}",
            "🎹",
            "\u{e000}",
        ] {
            assert!(
                matches!(clean(text), Cow::Borrowed(same) if same == text),
                "{text}"
            );
        }
    }

    /// Names of the categories as the Unicode Character Database 16.0 has them.
    #[test]
    fn each_kind_of_character_that_may_not_be_shown_is_known() {
        for (kind, first, last) in [
            ("C0 controls", 0x00, 0x1f),
            ("DEL and C1 controls", 0x7f, 0x9f),
            ("zero width and marks of direction", 0x200b, 0x200f),
            ("separators, embeddings, overrides", 0x2028, 0x202e),
            ("isolates and others", 0x2066, 0x206f),
            ("noncharacters", 0xfdd0, 0xfdef),
            ("byte-order mark", 0xfeff, 0xfeff),
            ("annotations", 0xfff9, 0xfffb),
            ("noncharacters of the first plane", 0xfffe, 0xffff),
            ("noncharacters of the last plane", 0x10_fffe, 0x10_ffff),
            ("tags", 0xe_0020, 0xe_007f),
        ] {
            for code in first..=last {
                let c = char::from_u32(code).unwrap();
                assert!(!is_plain(c), "{kind}: {code:#x}");
            }
        }
    }

    #[test]
    fn json_keeps_the_text_and_shows_none_of_it() {
        let text = "a\x1b\u{202e}\u{7f}\u{e0041}\u{fffe}\nb";
        let json = serde_json::to_string_pretty(&[text]).unwrap();
        let shown = escaped(&json);
        assert!(shown.chars().all(|c| c == '\n' || is_plain(c)), "{shown}");
        let read: Vec<String> = serde_json::from_str(&shown).unwrap();
        assert_eq!(read, [text]);
    }
}
