//! A row of pieces that adapts to the room there is: whole pieces are shortened or left out,
//! the least important first, so that nothing is cut in the middle.

use super::look::Look;
use super::text::{put, sanitise, width};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Columns between two pieces.
const GAP: u16 = 2;

/// A piece of text in one or more forms, from long to short.
#[derive(Clone, Debug, Default)]
pub(super) struct Piece {
    /// The forms from the longest to the shortest, each with its rank: the greatest rank is
    /// given up first.
    forms: Vec<(u8, Vec<(String, Style)>)>,
}

impl Piece {
    /// Words with a rank: greater ranks are given up earlier; 0 stays and may be cut.
    pub(super) fn new(rank: u8, words: &str, style: Style) -> Self {
        Self::default().or(rank, words, style)
    }

    /// A key and what it does.
    pub(super) fn key(rank: u8, key: &str, name: &str, look: &Look) -> Self {
        let words = vec![
            (sanitise(key), look.strong()),
            (format!(" {}", sanitise(name)), look.faint()),
        ];
        Self {
            forms: vec![(rank, words)],
        }
    }

    /// Adds a shorter form, for when the one before is given up.
    pub(super) fn or(mut self, rank: u8, words: &str, style: Style) -> Self {
        if !words.is_empty() {
            self.forms.push((rank, vec![(sanitise(words), style)]));
        }
        self
    }

    fn width(&self) -> u16 {
        let words = self.forms.first().map_or(&[][..], |(_, words)| words);
        words
            .iter()
            .fold(0, |sum: u16, (words, _)| sum.saturating_add(width(words)))
    }

    /// The rank of the present form; None if it stays.
    fn rank(&self) -> Option<u8> {
        self.forms.first().map(|(rank, _)| *rank).filter(|r| *r > 0)
    }
}

/// Draws `left` from column `x` on and `right` up to the right edge of the first row of `area`.
/// Returns the column after the left pieces.
pub(super) fn put_pieces(
    buf: &mut Buffer,
    area: Rect,
    x: u16,
    (mut left, mut right): (Vec<Piece>, Vec<Piece>),
) -> u16 {
    let total = |left: &[Piece], right: &[Piece]| {
        let shown = left.iter().chain(right).map(Piece::width);
        shown.filter(|width| *width > 0).fold(x, |sum, width| {
            sum.saturating_add(width).saturating_add(GAP)
        })
    };
    // The last gap may lie beyond the edge where nothing stands at the right.
    let room = area.width.saturating_add(GAP);
    while total(&left, &right) > room {
        let all = left.iter_mut().chain(right.iter_mut());
        let least = all.filter(|piece| piece.rank().is_some());
        // Of pieces with the same rank the last is given up first.
        let Some(piece) = least.max_by_key(|piece| piece.rank()) else {
            break;
        };
        piece.forms.remove(0);
    }
    let wide = total(&[], &right).saturating_sub(x);
    let end = area.width.saturating_sub(wide.saturating_sub(GAP));
    put_all(buf, area, end, &right);
    let area = Rect {
        width: if wide > 0 { end.saturating_sub(1) } else { end },
        ..area
    };
    put_all(buf, area, x, &left)
}

fn put_all(buf: &mut Buffer, area: Rect, from: u16, pieces: &[Piece]) -> u16 {
    let mut x = from;
    let shown = pieces.iter().filter_map(|piece| piece.forms.first());
    for (at, (_, words)) in shown.enumerate() {
        x = x.saturating_add(if at == 0 { 0 } else { GAP });
        for (words, style) in words {
            x = put(buf, area, (x, 0), words, *style);
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(width: u16) -> String {
        let area = Rect::new(0, 0, width, 1);
        let mut buf = Buffer::empty(area);
        let piece = |rank, words| Piece::new(rank, words, Style::new());
        let left = vec![
            piece(3, "running order").or(0, "order", Style::new()),
            piece(2, "tonight"),
        ];
        put_pieces(
            &mut buf,
            area,
            1,
            (left, vec![piece(4, "20 scenes"), piece(1, "21:14")]),
        );
        let row: String = buf.content().iter().map(|cell| cell.symbol()).collect();
        row.trim_end().to_owned()
    }

    #[test]
    fn the_least_wanted_gives_way_first_and_whole() {
        assert_eq!(row(43), " running order  tonight    20 scenes  21:14");
        assert_eq!(row(41), " running order  tonight  20 scenes  21:14");
        assert_eq!(row(40), " running order  tonight            21:14");
        assert_eq!(row(30), " running order  tonight  21:14");
        assert_eq!(row(29), " order  tonight         21:14");
        assert_eq!(row(20), " order         21:14");
        assert_eq!(row(10), " order");
        assert_eq!(row(4), " or.");
    }
}
