//! A name in large letters, as large as the room given allows.
//!
//! ```text
//! ▗▄▄▖▝█              large letters, 3 to 16 rows,
//! █ ▗▄ █  ▀▜▙ ...      wrapped at words
//! ▝▀▀▘▝▀▘
//! ```

use super::look::Look;
use super::narrow;
use super::text::{rows, sanitise, wrap};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use ratatui::text::Line;
use ratatui::widgets::Widget;
use tui_big_text::{BigText, PixelSize};

/// A size of letters, in cells.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Size {
    /// The font size; None draws narrow letters.
    pixel: Option<PixelSize>,
    /// Columns of a letter; of narrow letters at least this many.
    wide: u16,
    high: u16,
    /// Each cell of the letter is drawn as a block of this many cells each way.
    times: u16,
}

/// From the largest to the smallest. Sextants and octants are left out: older fonts lack them.
const SIZES: [Size; 5] = [
    Size {
        pixel: Some(PixelSize::Full),
        wide: 16,
        high: 16,
        times: 2,
    },
    Size {
        pixel: Some(PixelSize::Full),
        wide: 8,
        high: 8,
        times: 1,
    },
    Size {
        pixel: Some(PixelSize::HalfHeight),
        wide: 8,
        high: 4,
        times: 1,
    },
    Size {
        pixel: Some(PixelSize::Quadrant),
        wide: 4,
        high: 4,
        times: 1,
    },
    Size {
        pixel: None,
        wide: 2,
        high: narrow::HIGH,
        times: 1,
    },
];

/// A name broken into lines, with the size at which it fits.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Fit {
    lines: Vec<String>,
    size: Size,
}

impl Fit {
    pub(super) fn height(&self) -> u16 {
        let lines = u16::try_from(self.lines.len()).unwrap_or(u16::MAX);
        lines.saturating_mul(self.size.high)
    }

    pub(super) fn width(&self) -> u16 {
        let columns = |line: &String| match self.size.pixel {
            Some(_) => u16::try_from(line.chars().count())
                .unwrap_or(u16::MAX)
                .saturating_mul(self.size.wide),
            None => narrow::width(line).unwrap_or(u16::MAX),
        };
        self.lines.iter().map(columns).max().unwrap_or(0)
    }

    /// Draws it into the upper left corner of `area`.
    pub(super) fn render(&self, look: &Look, style: Style, area: Rect, buf: &mut Buffer) {
        let area = area.intersection(buf.area);
        if area.is_empty() {
            return;
        }
        if self.size.times > 1 {
            self.render_enlarged(style, area, buf);
        } else {
            self.render_letters(style, area, buf);
        }
        if look.is_ascii {
            for position in area.positions() {
                if let Some(cell) = buf.cell_mut(position)
                    && !cell.symbol().is_ascii()
                {
                    cell.set_symbol("#");
                }
            }
        }
    }

    fn render_letters(&self, style: Style, area: Rect, buf: &mut Buffer) {
        let Some(pixel) = self.size.pixel else {
            for (y, line) in (0u16..).zip(&self.lines) {
                narrow::render(line, style, rows(area, y * narrow::HIGH, narrow::HIGH), buf);
            }
            return;
        };
        let lines: Vec<Line> = self.lines.iter().map(|l| Line::from(l.as_str())).collect();
        BigText::builder()
            .pixel_size(pixel)
            .style(style)
            .lines(lines)
            .build()
            .render(area, buf);
    }

    /// Draws the letters aside, and each of their cells as a block of cells.
    fn render_enlarged(&self, style: Style, area: Rect, buf: &mut Buffer) {
        let times = self.size.times;
        let aside = Rect::new(0, 0, self.width() / times, self.height() / times);
        let mut letters = Buffer::empty(aside);
        self.render_letters(style, aside, &mut letters);
        let size = Rect::new(area.x, area.y, self.width(), self.height());
        for position in size.intersection(area).positions() {
            let from = ((position.x - area.x) / times, (position.y - area.y) / times);
            let cells = (letters.cell(from), buf.cell_mut(position));
            if let (Some(letter), Some(cell)) = cells
                && letter.symbol() != " "
            {
                cell.set_symbol(letter.symbol()).set_style(style);
            }
        }
    }
}

/// The largest size at which `name` fits into `width` × `height` cells. None if it fits at no
/// size, or has characters for which there are no large letters.
pub(super) fn fit(name: &str, width: u16, height: u16, look: &Look) -> Option<Fit> {
    fits(name, width, height, look).next()
}

/// The smallest size at which `name` fits.
pub(super) fn smallest(name: &str, width: u16, height: u16, look: &Look) -> Option<Fit> {
    fits(name, width, height, look).last()
}

/// All sizes at which `name` fits, the largest first.
fn fits(name: &str, width: u16, height: u16, look: &Look) -> impl Iterator<Item = Fit> {
    let name = sanitise(name);
    let is_drawn = !name.trim().is_empty() && name.chars().all(has_letter);
    let sizes = SIZES.into_iter().filter(move |_| is_drawn);
    let is_ascii = look.is_ascii;
    sizes
        .filter(move |size| !is_ascii || size.pixel == Some(PixelSize::Full))
        .filter_map(move |size| fit_size(&name, width, height, size))
}

fn fit_size(name: &str, width: u16, height: u16, size: Size) -> Option<Fit> {
    // Some narrow letters are wider than the least: lines are then made shorter.
    let most = width / size.wide;
    let least = if size.pixel.is_none() { most / 2 } else { most };
    let words = name.split_whitespace().collect::<Vec<_>>().join(" ");
    let fit = |columns| {
        let lines = wrap(name, columns, usize::from(u16::MAX));
        let is_whole = lines.join(" ") == words;
        let fit = Fit { lines, size };
        let is_fitting = fit.width() <= width && fit.height() <= height && fit.height() > 0;
        (is_whole && is_fitting).then_some(fit)
    };
    (least..=most).rev().find_map(fit)
}

/// The font has Basic Latin and Latin-1; anything else it would leave blank.
const fn has_letter(c: char) -> bool {
    matches!(c, ' '..='~' | '\u{a1}'..='\u{ff}')
}
