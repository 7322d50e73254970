//! Each theme's styles: of the cells that must not be mistaken, compared with a file, and of
//! every cell drawn, by contrast.

use super::sample::Sample;
use super::{Path, draw, expected_path};
use ratatui::buffer::{Buffer, Cell};
use ratatui::style::{Color, Modifier};
use segue::engine::promptbook::PositionId;
use segue::engine::view::Swallowed;
use segue::screen::{Colour, Screen, Theme};
use std::fmt::Write;

/// Cells that must not be mistaken for each other: a name, and words that begin in such a
/// cell, with how many characters before it.
const CRITICAL: [(&str, &str, usize); 13] = [
    ("bar of the current scene", "█ NOW  3.2", 0),
    ("name of the current scene", "NOW  3.2", 0),
    ("bar of the next scene", "┊ NEXT", 0),
    ("name of the next scene", "NEXT  3.3", 0),
    ("moment to press", "press at bar 9", 0),
    ("zone that is played", "┣ Upright bass", 2),
    ("zone that comes", "├ Upright bass", 2),
    ("sounding key", "█▀ ▀█ ▀█▀", 0),
    ("held-over key", "o▀ █▀ ▀█ ▀█▀", 0),
    ("why a press did not step", "NO STEP", 0),
    ("what is wrong", "tablet absent", 0),
    ("what may be wrong", "organ, echo box not", 0),
    ("what is well", "main verified", 0),
];

fn sample(theme: Theme, colour: Colour) -> Sample {
    let mut sample = Sample::new();
    sample.view.swallowed = Some((sample.now_us, Swallowed::AtEnd));
    sample.ui.settings.theme = theme;
    sample.ui.settings.colour = colour;
    sample
}

/// The cell that is so many characters after the beginning of the words.
fn find<'a>(buf: &'a Buffer, words: &str, skip: usize) -> Option<&'a Cell> {
    let wanted: Vec<String> = words.chars().map(String::from).collect();
    let area = buf.area;
    area.positions().find_map(|position| {
        let is_there = wanted.iter().zip(position.x..).all(|(symbol, x)| {
            buf.cell((x, position.y))
                .is_some_and(|cell| cell.symbol() == symbol)
        });
        let x = position.x + u16::try_from(skip).unwrap();
        is_there.then(|| buf.cell((x, position.y))).flatten()
    })
}

fn hex(color: Color) -> String {
    match color {
        Color::Rgb(red, green, blue) => format!("#{red:02x}{green:02x}{blue:02x}"),
        other => format!("{other:?}").to_lowercase(),
    }
}

#[test]
fn styles_of_the_critical_cells() {
    for theme in Theme::ALL {
        let mut found = String::new();
        for colour in [Colour::Full, Colour::Sixteen, Colour::None] {
            writeln!(found, "{colour:?}").unwrap();
            let buf = draw(&sample(theme, colour), (120, 36));
            let thin = |words: &str| match colour {
                Colour::None => words.replace('▀', "╵"),
                _ => words.to_owned(),
            };
            for (name, words, skip) in CRITICAL {
                let cell = find(&buf, &thin(words), skip);
                let cell = cell.unwrap_or_else(|| panic!("no `{words}`\n{}", super::text(&buf)));
                let looks = cell.modifier - Modifier::HIDDEN;
                let looks = if looks.is_empty() {
                    String::new()
                } else {
                    format!(" {looks:?}").to_lowercase()
                };
                let (fg, bg) = (hex(cell.fg), hex(cell.bg));
                writeln!(found, "  {name:<26} {} {fg} on {bg}{looks}", cell.symbol()).unwrap();
            }
        }
        let path = expected_path(&format!("styles-{}", theme.name()));
        if std::env::var_os("UPDATE_EXPECTED").is_some() {
            std::fs::write(&path, &found).unwrap();
        }
        let expected = std::fs::read_to_string(&path).unwrap_or_default();
        assert_eq!(found, expected, "{}", Path::display(&path));
    }
}

#[test]
fn every_cell_of_every_screen_can_be_read_in_every_theme() {
    for theme in Theme::ALL {
        let least = if theme == Theme::HighContrast {
            7.0
        } else {
            4.5
        };
        for screen in Screen::ALL {
            for (position, is_help) in [(0, false), (8, false), (10, true), (19, false)] {
                let mut sample = sample(theme, Colour::Full);
                sample.view.position = PositionId(position);
                sample.ui.screen = screen;
                sample.ui.is_help = is_help;
                let buf = draw(&sample, (200, 60));
                let written = buf.content().iter().filter(|cell| cell.symbol() != " ");
                for cell in written {
                    let ratio = segue::screen::contrast(cell.fg, cell.bg).unwrap();
                    assert!(ratio >= least, "{theme:?} {screen:?}: {ratio:.2} {cell:?}");
                }
            }
        }
    }
}

/// What tells two cells apart without colour: symbol and modifiers.
#[test]
fn current_and_next_and_sounding_and_held_differ_without_colour() {
    let buf = draw(&sample(Theme::Dark, Colour::None), (120, 36));
    let looks = |words: &str, skip| {
        let cell = find(&buf, words, skip).unwrap();
        format!("{} {:?}", cell.symbol(), cell.modifier)
    };
    for (one, other) in [
        (looks("█ NOW", 0), looks("┊ NEXT", 0)),
        (looks("┣ Upright bass", 0), looks("├ Upright bass", 0)),
        (looks("┣ Upright bass", 2), looks("├ Upright bass", 2)),
        (looks("█╵ ╵█ ╵█╵", 0), looks("o╵ █╵ ╵█ ╵█╵", 0)),
    ] {
        assert_ne!(one, other);
    }
}
