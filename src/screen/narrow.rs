//! Narrow letters: two columns each (wide ones three) and three rows, for words that are to
//! be read from further away than text, where larger letters have no room.
//!
//! ```text
//! ▟▖▖▖▗ ▖...      three by five dots, in quadrants of cells,
//! ▌▌▙▘▗▘▌         and a row below the line
//! ```
//!
//! The letters are our own drawing.

use super::text::put;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Rows of a line of narrow letters.
pub(super) const HIGH: u16 = 3;

/// Columns of a word or line; None if it has a character without a narrow letter.
pub(super) fn width(text: &str) -> Option<u16> {
    let mut columns = 0_u16;
    for c in text.chars() {
        columns = columns.saturating_add(columns_of(glyph(c)?));
    }
    Some(columns)
}

/// Draws one line into the upper left corner of `area`.
pub(super) fn render(text: &str, style: Style, area: Rect, buf: &mut Buffer) {
    let mut x = 0;
    for dots in text.chars().filter_map(glyph) {
        let columns = columns_of(dots);
        for y in 0..HIGH {
            let cells: String = (0..columns)
                .map(|column| quadrants(dots, column, y))
                .collect();
            put(buf, area, (x, y), &cells, style);
        }
        x += columns;
    }
}

/// The dots of a character, row by row.
fn glyph(c: char) -> Option<&'static str> {
    let at = GLYPHS.binary_search_by_key(&c, |(known, _)| *known).ok()?;
    GLYPHS.get(at).map(|(_, dots)| *dots)
}

/// A blank dot follows each letter; two dots are a column.
fn columns_of(dots: &str) -> u16 {
    match dots.find(' ') {
        Some(3) => 2,
        _ => 3,
    }
}

/// The character for one cell of a letter.
fn quadrants(dots: &str, column: u16, row: u16) -> char {
    let mut shape = 0;
    for (bit, (x, y)) in [(0, 0), (1, 0), (0, 1), (1, 1)].into_iter().enumerate() {
        let line = dots.split(' ').nth(usize::from(row * 2 + y));
        let dot = line.and_then(|line| line.as_bytes().get(usize::from(column * 2 + x)));
        shape |= usize::from(dot == Some(&b'#')) << bit;
    }
    QUADRANTS.get(shape).copied().unwrap_or(' ')
}

/// Characters by filled quarters: upper left 1, upper right 2, lower left 4, lower right 8.
const QUADRANTS: [char; 16] = [
    ' ', '▘', '▝', '▀', '▖', '▌', '▞', '▛', '▗', '▚', '▐', '▜', '▄', '▙', '▟', '█',
];

/// Six rows of dots each, by character, rising.
#[rustfmt::skip]
const GLYPHS: [(char, &str); 84] = [
    (' ', "... ... ... ... ... ..."),
    ('!', ".#. .#. .#. ... .#. ..."),
    ('"', "#.# #.# ... ... ... ..."),
    ('#', ".#.#. ##### .#.#. ##### .#.#. ....."),
    ('%', "#.# ..# .#. #.. #.# ..."),
    ('&', ".##.. #.... .##.# #..#. .##.# ....."),
    ('\'', ".#. .#. ... ... ... ..."),
    ('(', ".#. #.. #.. #.. .#. ..."),
    (')', ".#. ..# ..# ..# .#. ..."),
    ('*', "#.# .#. #.# ... ... ..."),
    ('+', "... .#. ### .#. ... ..."),
    (',', "... ... ... .#. .#. #.."),
    ('-', "... ... ### ... ... ..."),
    ('.', "... ... ... ... .#. ..."),
    ('/', "..# ..# .#. #.. #.. ..."),
    ('0', ".#. #.# #.# #.# .#. ..."),
    ('1', ".#. ##. .#. .#. ### ..."),
    ('2', "##. ..# .#. #.. ### ..."),
    ('3', "##. ..# .#. ..# ##. ..."),
    ('4', "#.# #.# ### ..# ..# ..."),
    ('5', "### #.. ##. ..# ##. ..."),
    ('6', ".## #.. ### #.# ### ..."),
    ('7', "### ..# .#. .#. .#. ..."),
    ('8', "### #.# ### #.# ### ..."),
    ('9', "### #.# ### ..# ##. ..."),
    (':', "... .#. ... .#. ... ..."),
    (';', "... .#. ... .#. .#. #.."),
    ('<', "..# .#. #.. .#. ..# ..."),
    ('=', "... ### ... ### ... ..."),
    ('>', "#.. .#. ..# .#. #.. ..."),
    ('?', "##. ..# .#. ... .#. ..."),
    ('A', ".#. #.# ### #.# #.# ..."),
    ('B', "##. #.# ##. #.# ##. ..."),
    ('C', ".## #.. #.. #.. .## ..."),
    ('D', "##. #.# #.# #.# ##. ..."),
    ('E', "### #.. ##. #.. ### ..."),
    ('F', "### #.. ##. #.. #.. ..."),
    ('G', ".## #.. #.# #.# .## ..."),
    ('H', "#.# #.# ### #.# #.# ..."),
    ('I', "### .#. .#. .#. ### ..."),
    ('J', "..# ..# ..# #.# .#. ..."),
    ('K', "#.# #.# ##. #.# #.# ..."),
    ('L', "#.. #.. #.. #.. ### ..."),
    ('M', "#...# ##.## #.#.# #...# #...# ....."),
    ('N', "#...# ##..# #.#.# #..## #...# ....."),
    ('O', "### #.# #.# #.# ### ..."),
    ('P', "##. #.# ##. #.. #.. ..."),
    ('Q', "### #.# #.# #.# ### ..#"),
    ('R', "##. #.# ##. #.# #.# ..."),
    ('S', ".## #.. .#. ..# ##. ..."),
    ('T', "### .#. .#. .#. .#. ..."),
    ('U', "#.# #.# #.# #.# ### ..."),
    ('V', "#.# #.# #.# #.# .#. ..."),
    ('W', "#...# #...# #.#.# ##.## #...# ....."),
    ('X', "#.# #.# .#. #.# #.# ..."),
    ('Y', "#.# #.# .#. .#. .#. ..."),
    ('Z', "### ..# .#. #.. ### ..."),
    ('_', "... ... ... ... ### ..."),
    ('a', "... .## #.# #.# .## ..."),
    ('b', "#.. ##. #.# #.# ##. ..."),
    ('c', "... .## #.. #.. .## ..."),
    ('d', "..# .## #.# #.# .## ..."),
    ('e', "... ### #.# ##. .## ..."),
    ('f', ".## #.. ##. #.. #.. ..."),
    ('g', "... .## #.# .## ..# ##."),
    ('h', "#.. ##. #.# #.# #.# ..."),
    ('i', ".#. ... .#. .#. .#. ..."),
    ('j', "..# ... ..# ..# ..# ##."),
    ('k', "#.. #.# ##. ##. #.# ..."),
    ('l', "#.. #.. #.. #.. .#. ..."),
    ('m', "..... ##.#. #.#.# #.#.# #.#.# ....."),
    ('n', "... ##. #.# #.# #.# ..."),
    ('o', "... ### #.# #.# ### ..."),
    ('p', "... ##. #.# ##. #.. #.."),
    ('q', "... .## #.# .## ..# ..#"),
    ('r', "... #.# ##. #.. #.. ..."),
    ('s', "... .## #.. .## ##. ..."),
    ('t', "#.. ##. #.. #.. .## ..."),
    ('u', "... #.# #.# #.# .## ..."),
    ('v', "... #.# #.# #.# .#. ..."),
    ('w', "..... #...# #.#.# #.#.# .#.#. ....."),
    ('x', "... #.# .#. .#. #.# ..."),
    ('y', "... #.# #.# .## ..# ##."),
    ('z', "... ### .## ##. ### ..."),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_has_six_rows_of_one_width_and_no_two_are_alike() {
        assert!(GLYPHS.is_sorted_by_key(|(c, _)| *c));
        for (at, (c, dots)) in GLYPHS.iter().enumerate() {
            let rows: Vec<&str> = dots.split(' ').collect();
            assert_eq!(rows.len(), 6, "{c}");
            assert!(rows.iter().all(|row| [3, 5].contains(&row.len())), "{c}");
            assert!(rows.iter().all(|row| row.len() == rows[0].len()), "{c}");
            let others = GLYPHS.iter().skip(at + 1);
            assert!(others.clone().all(|(_, other)| other != dots), "{c}");
        }
        for c in ('a'..='z').chain('A'..='Z').chain('0'..='9') {
            assert!(glyph(c).is_some(), "{c}");
        }
    }

    #[test]
    fn a_word_is_drawn_in_quarters_of_cells() {
        let area = Rect::new(0, 0, 5, 3);
        let mut buf = Buffer::empty(area);
        render("Hm", Style::default(), area, &mut buf);
        let rows: Vec<String> = (0..3)
            .map(|y| (0..5).map(|x| buf[(x, y)].symbol()).collect())
            .collect();
        assert_eq!(rows, ["▌▌▄▗ ", "▛▌▌▌▌", "▘▘▘▘▘"]);
        assert_eq!((width("Hm"), width("Hm?\u{3b1}")), (Some(5), None));
    }
}
