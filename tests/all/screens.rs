//! Screens as text: each is drawn from a sample night and compared with a file.
//!
//! `UPDATE_EXPECTED=1` writes the files anew; `PICTURES=DIR` also writes each screen as SVG.

mod sample;

use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use segue::screen::{self, Colour, Screen};
use std::path::{Path, PathBuf};

/// Every size for which there is a file.
const SIZES: [(u16, u16); 3] = [(80, 24), (120, 36), (200, 60)];

/// Draws a screen of the sample.
fn draw(sample: &sample::Sample, (width, height): (u16, u16)) -> Buffer {
    let area = Rect::new(0, 0, width, height);
    let mut buf = Buffer::empty(area);
    screen::render(&sample.model(), area, &mut buf);
    buf
}

/// The characters of a buffer, a line a row, without blanks at the ends of lines.
fn text(buf: &Buffer) -> String {
    let mut out = String::new();
    for y in 0..buf.area.height {
        let mut line = String::new();
        let mut skip = 0;
        for x in 0..buf.area.width {
            let symbol = buf[(x, y)].symbol();
            if skip == 0 {
                line.push_str(symbol);
                skip = usize::from(screen::text::width(symbol)).max(1);
            }
            skip -= 1;
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}

fn expected_path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/screens")
        .join(format!("{name}.txt"))
}

/// Compares a screen with its file.
fn check(name: &str, buf: &Buffer) {
    if let Some(dir) = std::env::var_os("PICTURES") {
        let file = PathBuf::from(dir).join(format!("{name}.svg"));
        std::fs::write(file, screen::svg::to_svg(buf)).unwrap();
    }
    let path = expected_path(name);
    let found = text(buf);
    if std::env::var_os("UPDATE_EXPECTED").is_some() {
        std::fs::write(&path, &found).unwrap();
    }
    let expected = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(
        found,
        expected,
        "{} differs from the screen",
        path.display()
    );
}

#[test]
fn stage() {
    for size in SIZES {
        let sample = sample::Sample::new();
        check(
            &format!("stage-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn stage_without_colour_or_line_drawing() {
    let mut sample = sample::Sample::new();
    sample.ui.settings.colour = Colour::None;
    sample.ui.settings.is_ascii = true;
    check("stage-ascii-80x24", &draw(&sample, (80, 24)));
}

#[test]
fn wings() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        check(
            &format!("wings-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn order() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Order;
        sample.ui.cursor = Some(9);
        check(
            &format!("order-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn help() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.is_help = true;
        check(&format!("help-{}x{}", size.0, size.1), &draw(&sample, size));
    }
}
