//! Cells → an SVG picture: characters and colours as drawn, for documents and for looking
//! at a screen without a terminal.
//!
//! Block characters are drawn as rectangles, not as letters, so that they join whatever
//! font the viewer has.

use super::ScreenModel;
use crate::words;
use ratatui::buffer::{Buffer, Cell};
use ratatui::layout::Rect;
use ratatui::style::{Color, Modifier};
use std::collections::BTreeMap;
use std::fmt::Write;
use unicode_width::UnicodeWidthStr;

/// Width and height of a cell in the picture's units.
const CELL: (u32, u32) = (10, 20);
/// Replaces the terminal's own foreground colour.
const INK: &str = "#e8e4da";
const GROUND: &str = "#101216";

/// The screen that `model.ui` names, in so many columns and rows, as a complete SVG document.
#[must_use]
pub fn picture(model: &ScreenModel, columns: u16, rows: u16) -> String {
    let area = Rect::new(0, 0, columns, rows);
    let mut buf = Buffer::empty(area);
    super::render(model, area, &mut buf);
    to_svg(&buf)
}

/// The buffer as a complete SVG document.
#[must_use]
pub fn to_svg(buf: &Buffer) -> String {
    let (width, height) = (
        u32::from(buf.area.width) * CELL.0,
        u32::from(buf.area.height) * CELL.1,
    );
    let ground = ground(buf);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" font-family=\"monospace\" font-size=\"16\">\n\
         <rect width=\"100%\" height=\"100%\" fill=\"{ground}\"/>\n"
    );
    for y in 0..buf.area.height {
        let mut skip = 0usize;
        for x in 0..buf.area.width {
            if skip > 0 {
                skip -= 1;
                continue;
            }
            if let Some(cell) = buf.cell((buf.area.x + x, buf.area.y + y)) {
                skip = cell.symbol().width().saturating_sub(1);
                let at = (u32::from(x) * CELL.0, u32::from(y) * CELL.1);
                draw(&mut out, cell, at, &ground);
            }
        }
    }
    out.push_str("</svg>\n");
    out
}

/// The colour behind most cells: it is drawn once, behind all of them.
fn ground(buf: &Buffer) -> String {
    let mut counts: BTreeMap<String, usize> = BTreeMap::new();
    for cell in buf.content() {
        *counts.entry(hex(cell.bg, GROUND)).or_default() += 1;
    }
    let most = counts.into_iter().max_by_key(|(_, count)| *count);
    most.map_or_else(|| GROUND.to_owned(), |(colour, _)| colour)
}

fn draw(out: &mut String, cell: &Cell, (x, y): (u32, u32), ground: &str) {
    let is_reversed = cell.modifier.contains(Modifier::REVERSED);
    let (fg, bg) = (hex(cell.fg, INK), hex(cell.bg, GROUND));
    let (fg, bg) = if is_reversed { (bg, fg) } else { (fg, bg) };
    let columns = u32::try_from(cell.symbol().width().max(1)).unwrap_or(1);
    if bg != ground {
        rect(out, (x, y), (CELL.0 * columns, CELL.1), &bg);
    }
    let mut chars = cell.symbol().chars();
    let Some(first) = chars.next() else { return };
    if let Some(quadrants) = quadrants(first) {
        draw_quadrants(out, quadrants, (x, y), &fg);
    } else if first != ' ' {
        let weight = if cell.modifier.contains(Modifier::BOLD) {
            " font-weight=\"bold\""
        } else {
            ""
        };
        // Writing to a string cannot fail.
        let _ = writeln!(
            out,
            "<text x=\"{x}\" y=\"{}\" fill=\"{fg}\"{weight} textLength=\"{}\" \
             lengthAdjust=\"spacingAndGlyphs\">{}</text>",
            y + 15,
            CELL.0 * columns,
            escape(cell.symbol())
        );
    }
}

/// Which quarters of the cell a block character fills: upper left, upper right, lower
/// left, lower right.
const fn quadrants(c: char) -> Option<[bool; 4]> {
    Some(match c {
        '█' => [true, true, true, true],
        '▀' => [true, true, false, false],
        '▄' => [false, false, true, true],
        '▌' => [true, false, true, false],
        '▐' => [false, true, false, true],
        '▘' => [true, false, false, false],
        '▝' => [false, true, false, false],
        '▖' => [false, false, true, false],
        '▗' => [false, false, false, true],
        '▙' => [true, false, true, true],
        '▛' => [true, true, true, false],
        '▜' => [true, true, false, true],
        '▟' => [false, true, true, true],
        '▚' => [true, false, false, true],
        '▞' => [false, true, true, false],
        _ => return None,
    })
}

fn draw_quadrants(out: &mut String, quadrants: [bool; 4], (x, y): (u32, u32), fill: &str) {
    let half = (CELL.0 / 2, CELL.1 / 2);
    match quadrants {
        [true, true, true, true] => rect(out, (x, y), CELL, fill),
        [true, true, false, false] => rect(out, (x, y), (CELL.0, half.1), fill),
        [false, false, true, true] => rect(out, (x, y + half.1), (CELL.0, half.1), fill),
        _ => {
            let corners = [(0, 0), (half.0, 0), (0, half.1), half];
            for ((dx, dy), _) in corners
                .into_iter()
                .zip(quadrants)
                .filter(|(_, is_on)| *is_on)
            {
                rect(out, (x + dx, y + dy), half, fill);
            }
        }
    }
}

fn rect(out: &mut String, (x, y): (u32, u32), (width, height): (u32, u32), fill: &str) {
    // Writing to a string cannot fail.
    let _ = writeln!(
        out,
        "<rect x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\" fill=\"{fill}\" \
         shape-rendering=\"crispEdges\"/>"
    );
}

/// Text of an XML document. Noncharacters have no escape there and are left out.
fn escape(text: &str) -> String {
    words::clean(text)
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

/// A colour as SVG names it. The sixteen are drawn as a terminal of this look draws them.
fn hex(color: Color, default: &str) -> String {
    let named = match color {
        Color::Rgb(r, g, b) => return format!("#{r:02x}{g:02x}{b:02x}"),
        Color::Black => GROUND,
        Color::Red => "#d55e00",
        Color::LightRed => "#ff7a33",
        Color::Green => "#007a5a",
        Color::LightGreen => "#009e73",
        Color::Yellow => "#e69f00",
        Color::LightYellow => "#f0e442",
        Color::Blue => "#0072b2",
        Color::LightBlue => "#3a9bd9",
        Color::Magenta => "#a85f88",
        Color::LightMagenta => "#cc79a7",
        Color::Cyan => "#3a8fbf",
        Color::LightCyan => "#56b4e9",
        Color::Gray => "#b4b0a6",
        Color::DarkGray => "#6a6862",
        Color::White => INK,
        Color::Reset | Color::Indexed(_) => default,
    };
    named.to_owned()
}
