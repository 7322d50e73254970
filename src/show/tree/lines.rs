//! From a byte of a file to its line and column, and back to the text of the line.
//!
//! Lines end with a line feed. Columns count characters, as `ron` does, from 1.

use crate::show::finding::{Place, Span};

/// Where each line of a text starts.
#[derive(Clone, Debug)]
pub struct LineIndex {
    starts: Vec<usize>,
}

impl LineIndex {
    /// The longest part of a line, in characters, that a place keeps.
    pub const MAX_LINE_TEXT: usize = 160;

    /// How many characters before a mark are kept of a line that must be cut.
    const LEAD: usize = 40;

    /// Finds the lines of a text.
    pub fn new(text: &str) -> Self {
        let ends = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        Self {
            starts: std::iter::once(0)
                .chain(ends.map(|(at, _)| at + 1))
                .collect(),
        }
    }

    /// Line and column, both from 1, of a byte of the text this index was made from. A byte
    /// inside a character counts as the start of it, one past the end as the end.
    pub fn position(&self, text: &str, byte: usize) -> (u32, u32) {
        let byte = floor(text, byte);
        let line = self.line_of(byte);
        let column = text[self.starts[line]..byte].chars().count() + 1;
        (number(line + 1), number(column))
    }

    /// The line, from 1, of a byte of the text.
    pub fn line(&self, byte: usize) -> u32 {
        number(self.line_of(byte) + 1)
    }

    /// The text of a line, counted from 1, without its end; empty if there is no such line.
    pub fn line_text<'t>(&self, text: &'t str, line: u32) -> &'t str {
        let index = (line as usize).wrapping_sub(1);
        let Some(&start) = self.starts.get(index) else {
            return "";
        };
        let end = self.starts.get(index + 1).copied().unwrap_or(text.len());
        let line = &text[start..end];
        let line = line.strip_suffix('\n').unwrap_or(line);
        line.strip_suffix('\r').unwrap_or(line)
    }

    /// The place of a span, with its line ready to be shown.
    pub fn place(&self, text: &str, file: &str, span: Span) -> Place {
        let (line, column) = self.position(text, span.start);
        let whole = self.line_text(text, line);
        let line_start = self.starts[line as usize - 1];
        let marked = Span::new(
            floor(whole, span.start - line_start),
            floor(whole, span.end.max(span.start) - line_start),
        );
        let (line_text, marked) = cut(whole, marked);
        Place {
            file: file.into(),
            span: Some(span),
            line,
            column,
            line_text: line_text.into(),
            marked,
        }
    }

    fn line_of(&self, byte: usize) -> usize {
        self.starts.partition_point(|start| *start <= byte) - 1
    }
}

/// Cuts a long line to what is around the mark.
fn cut(line: &str, marked: Span) -> (&str, Span) {
    if line.len() <= LineIndex::MAX_LINE_TEXT {
        return (line, marked);
    }
    let before = line[..marked.start].char_indices().rev();
    let start = before
        .take(LineIndex::LEAD)
        .last()
        .map_or(marked.start, |(at, _)| at);
    let rest = &line[start..];
    let end = rest
        .char_indices()
        .nth(LineIndex::MAX_LINE_TEXT)
        .map_or(rest.len(), |(at, _)| at);
    (
        &rest[..end],
        Span::new(marked.start - start, (marked.end - start).min(end)),
    )
}

/// The last character boundary at or before a byte, and never past the end.
fn floor(text: &str, byte: usize) -> usize {
    let byte = byte.min(text.len());
    (0..=byte)
        .rev()
        .find(|at| text.is_char_boundary(*at))
        .unwrap_or(0)
}

/// Files are limited to a size far below what 32 bits count.
fn number(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_count_characters() {
        let text = "a\r\nbé東x\n";
        let index = LineIndex::new(text);
        assert_eq!(index.position(text, 0), (1, 1));
        assert_eq!(index.position(text, 3), (2, 1));
        assert_eq!(index.position(text, 9), (2, 4));
        // Inside a character, at the end, and far past it.
        assert_eq!(index.position(text, 7), (2, 3));
        assert_eq!(index.position(text, 11), (3, 1));
        assert_eq!(index.position(text, 999), (3, 1));
        assert_eq!(index.line_text(text, 1), "a");
        assert_eq!(index.line_text(text, 2), "bé東x");
        assert_eq!(index.line_text(text, 3), "");
        assert_eq!(index.line_text(text, 4), "");
        assert_eq!(index.line_text(text, 0), "");
    }

    #[test]
    fn a_long_line_is_cut_around_its_mark() {
        let text = format!("{}HERE{}", "é".repeat(5_000), "x".repeat(5_000));
        let place = LineIndex::new(&text).place(&text, "rig.ron", Span::new(10_000, 10_004));
        assert_eq!(place.column, 5_001);
        assert_eq!(place.line_text.chars().count(), LineIndex::MAX_LINE_TEXT);
        assert_eq!(
            &place.line_text[place.marked.start..place.marked.end],
            "HERE"
        );
    }

    #[test]
    fn a_span_over_lines_is_marked_to_the_end_of_its_first() {
        let text = "ab\ncd";
        let place = LineIndex::new(text).place(text, "rig.ron", Span::new(1, 4));
        assert_eq!(
            (place.line_text.as_str(), place.marked),
            ("ab", Span::new(1, 2))
        );
    }
}
