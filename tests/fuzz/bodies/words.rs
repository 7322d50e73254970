//! What may be in words that a person reads.

/// Panics if the words hold a character that would command a terminal, turn the direction of
/// the text or be no character at all.
pub(super) fn assert_plain(words: &str) {
    let found = words.chars().find(|c| !is_plain(*c));
    assert!(found.is_none(), "{found:?} in words for people: {words:?}");
}

/// Line breaks are for whoever prints the words.
fn is_plain(c: char) -> bool {
    if c == '\n' {
        return true;
    }
    // Bidirectional controls: Unicode Bidirectional Algorithm (UAX 9), 2; noncharacters and
    // line separators: the Unicode Standard, 23.7 and 5.8 (from memory).
    let is_bidi = matches!(c,
        '\u{061c}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    let is_none = u32::from(c) & 0xfffe == 0xfffe || matches!(c, '\u{fdd0}'..='\u{fdef}');
    let is_break = matches!(c, '\u{2028}' | '\u{2029}' | '\u{feff}');
    !(c.is_control() || is_bidi || is_none || is_break)
}
