//! Text in cells: cleaned, measured and cut by display width.
//!
//! A name may hold anything a person or a device wrote. `sanitise` is the one gate
//! through which such text reaches a cell.

use crate::words;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// `text` as it may stand in cells: see [`words::clean`].
#[must_use]
pub fn sanitise(text: &str) -> String {
    words::clean(text).into_owned()
}

/// The width of `text` in cells.
#[must_use]
pub fn width(text: &str) -> u16 {
    u16::try_from(text.width()).unwrap_or(u16::MAX)
}

/// `text` sanitised and cut to at most `max` cells. A cut text ends in a full stop, as
/// an instrument's name is abbreviated in a score.
#[must_use]
pub fn cut(text: &str, max: u16) -> String {
    let clean = sanitise(text);
    if width(&clean) <= max {
        return clean;
    }
    let room = usize::from(max).saturating_sub(usize::from(max > 1));
    let mut out = String::new();
    let mut used = 0usize;
    for c in clean.chars() {
        let wide = c.width().unwrap_or(0);
        if used + wide > room {
            break;
        }
        used += wide;
        out.push(c);
    }
    if max > 1 {
        out.truncate(out.trim_end().len());
        out.push('.');
    }
    out
}

/// `text` sanitised and broken at spaces into lines of at most `max` cells, at most
/// `lines` of them; the last ends in two full stops if more follows. Line feeds in `text` break too.
#[must_use]
pub fn wrap(text: &str, max: u16, lines: usize) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    if max == 0 {
        return out;
    }
    for paragraph in text.split('\n') {
        let mut line = String::new();
        for word in sanitise(paragraph).split_whitespace() {
            let needed = width(&line).saturating_add(width(word)).saturating_add(1);
            if !line.is_empty() && needed > max {
                out.push(std::mem::take(&mut line));
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        out.push(line);
    }
    while out.last().is_some_and(String::is_empty) {
        out.pop();
    }
    if out.len() > lines {
        out.truncate(lines);
        if let Some(last) = out.last_mut() {
            *last = format!("{} ..", cut(last, max.saturating_sub(3)));
        }
    }
    out.iter().map(|line| cut(line, max)).collect()
}

/// `items` sanitised, on at most `lines` rows of at most `max` cells, with semicolons between
/// them. No item is broken over two rows; those for which there is no room are counted at the
/// end of the last row. An item wider than a row is cut.
#[must_use]
pub fn wrap_items(items: &[String], max: u16, lines: usize) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for (at, item) in items.iter().enumerate() {
        let is_last = at + 1 == items.len();
        let words = match is_last {
            true => sanitise(item),
            false => format!("{};", sanitise(item)),
        };
        let needed = |line: &String| width(line).saturating_add(width(&words)).saturating_add(1);
        // The last row must also have room for the count of items left out.
        let is_final = out.len() >= lines;
        let kept = if is_final && !is_last { COUNT } else { 0 };
        match out.last_mut() {
            Some(line) if needed(line).saturating_add(kept) <= max => {
                line.push(' ');
                line.push_str(&words);
            }
            Some(line) if is_final => {
                line.push_str(&format!(" +{}", items.len() - at));
                break;
            }
            _ => out.push(words),
        }
    }
    out.iter().map(|line| cut(line, max)).collect()
}

/// Columns of the count of items that have no room.
const COUNT: u16 = 4;

/// Writes `text` at (`x`, `y`) counted within `area`, cut at its right edge. Returns the column
/// after the text.
pub(super) fn put(buf: &mut Buffer, area: Rect, at: (u16, u16), text: &str, style: Style) -> u16 {
    let (x, y) = at;
    let area = area.intersection(buf.area);
    if x >= area.width || y >= area.height {
        return x;
    }
    let text = cut(text, area.width - x);
    buf.set_stringn(
        area.x + x,
        area.y + y,
        &text,
        usize::from(area.width - x),
        style,
    );
    x.saturating_add(width(&text))
}

/// Writes `text` so that it ends at the right edge of row `y` of `area`. Returns the column
/// where it starts.
pub(super) fn put_right(buf: &mut Buffer, area: Rect, y: u16, text: &str, style: Style) -> u16 {
    let text = cut(text, area.width);
    let x = area.width.saturating_sub(width(&text));
    put(buf, area, (x, y), &text, style);
    x
}

/// Changes the style of `count` cells from (`x`, `y`), counted within `area`.
pub(super) fn tint(buf: &mut Buffer, area: Rect, at: (u16, u16), count: u16, style: Style) {
    let rect = Rect::new(
        area.x.saturating_add(at.0),
        area.y.saturating_add(at.1),
        count,
        1,
    );
    buf.set_style(rect.intersection(area).intersection(buf.area), style);
}

/// Row `y` of `area`; empty if it has none.
pub(super) fn row(area: Rect, y: u16) -> Rect {
    rows(area, y, 1)
}

/// `count` rows of `area` from row `y`, as far as it has them.
pub(super) fn rows(area: Rect, y: u16, count: u16) -> Rect {
    Rect::new(area.x, area.y.saturating_add(y), area.width, count).intersection(area)
}

/// `area` without its first `count` columns.
pub(super) fn indent(area: Rect, count: u16) -> Rect {
    let count = count.min(area.width);
    Rect::new(area.x + count, area.y, area.width - count, area.height)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_name_cannot_carry_an_escape_sequence() {
        assert_eq!(sanitise("a\x1b[31mb\tc\u{202e}d\u{200b}"), "a [31mb cd");
    }

    #[test]
    fn cutting_counts_cells_not_bytes() {
        assert_eq!(cut("Glass choir", 11), "Glass choir");
        assert_eq!(cut("Glass choir", 8), "Glass c.");
        assert_eq!(cut("Glass choir", 7), "Glass.");
        assert_eq!(cut("日本語", 5), "日本.");
        assert_eq!(cut("日本語", 4), "日.");
        assert_eq!(cut("abc", 1), "a");
        assert_eq!(cut("abc", 0), "");
    }

    #[test]
    fn items_stay_whole_and_those_without_room_are_counted() {
        let items = ["1 Bass vol 94", "2 Brass vol 75", "3 Pad vol 67"].map(str::to_owned);
        let wrapped = |max, lines| wrap_items(&items, max, lines);
        assert_eq!(
            wrapped(60, 1),
            ["1 Bass vol 94; 2 Brass vol 75; 3 Pad vol 67"]
        );
        assert_eq!(wrapped(40, 1), ["1 Bass vol 94; 2 Brass vol 75; +1"]);
        assert_eq!(wrapped(30, 1), ["1 Bass vol 94; +2"]);
        assert_eq!(
            wrapped(30, 2),
            ["1 Bass vol 94; 2 Brass vol 75;", "3 Pad vol 67"]
        );
        assert_eq!(wrapped(8, 1), ["1 Bass."], "too narrow for a count");
        assert_eq!(wrap_items(&[], 8, 1), Vec::<String>::new());
    }

    #[test]
    fn wrapping_breaks_at_spaces_and_marks_what_is_left_out() {
        assert_eq!(wrap("left hand down", 9, 2), ["left hand", "down"]);
        assert_eq!(
            wrap("left hand down an octave", 10, 2),
            ["left hand", "down an .."]
        );
        assert_eq!(wrap("a\nb", 9, 5), ["a", "b"]);
        assert_eq!(wrap("", 9, 5), Vec::<String>::new());
    }

    // Characters one by one: proptest's own strings hold no control characters.
    proptest! {
        #[test]
        fn cut_text_fits_and_holds_no_control(
            text in proptest::collection::vec(any::<char>(), 0..40),
            max in 0u16..40,
        ) {
            let text = String::from_iter(text);
            let out = cut(&text, max);
            prop_assert!(width(&out) <= max);
            prop_assert!(!out.chars().any(char::is_control));
        }
    }
}
