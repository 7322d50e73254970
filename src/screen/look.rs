//! Colours and marks of all screens in one place.
//!
//! Nothing is told by colour alone: what is current has heavy lines and a solid bar, what
//! comes next has light lines and a dotted bar; a sounding key is a solid block, a
//! held-over one an `o`. The hues are those of Okabe and Ito's set for all kinds of colour
//! vision (Color Universal Design, 2008), on near-black.

use super::hue::HUE_COUNT;
use super::state::{Colour, Settings};
use ratatui::style::{Color, Modifier, Style};

/// The marks in use: block and line drawing, or ASCII where a terminal draws those wide.
#[derive(Clone, Copy, Debug)]
pub(super) struct Marks {
    /// Left, line and right of a zone of the current scene.
    pub(super) now: [&'static str; 3],
    /// Left, line and right of a zone of the next scene.
    pub(super) next: [&'static str; 3],
    /// The bar beside the current scene.
    pub(super) now_bar: &'static str,
    /// The bar beside the next scene.
    pub(super) next_bar: &'static str,
    /// A sounding key.
    pub(super) lit: &'static str,
    /// A key whose note is held over.
    pub(super) held: &'static str,
    /// A black key.
    pub(super) black: &'static str,
    /// A line across.
    pub(super) rule: &'static str,
    /// A line down between columns.
    pub(super) fence: &'static str,
    /// Points at a row.
    pub(super) pointer: &'static str,
    /// Full and empty part of a gauge.
    pub(super) gauge: [&'static str; 2],
}

const DRAWN: Marks = Marks {
    now: ["┣", "━", "┫"],
    next: ["├", "─", "┤"],
    now_bar: "█",
    next_bar: "┊",
    lit: "█",
    held: "o",
    black: "▀",
    rule: "─",
    fence: "│",
    pointer: "▸",
    gauge: ["▮", "▯"],
};

/// Without colours a sounding key must stand out from black keys by its shape.
const THIN: Marks = Marks {
    black: "╵",
    ..DRAWN
};

const ASCII: Marks = Marks {
    now: ["[", "=", "]"],
    next: ["(", "-", ")"],
    now_bar: "#",
    next_bar: ":",
    lit: "#",
    held: "o",
    black: "'",
    rule: "-",
    fence: "|",
    pointer: ">",
    gauge: ["=", "."],
};

/// The styles and marks that follow from the settings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Look {
    colour: Colour,
    /// Only ASCII marks.
    pub(super) is_ascii: bool,
    /// The marks.
    pub(super) marks: Marks,
}

impl Look {
    pub(super) const fn new(settings: Settings) -> Self {
        Self {
            colour: settings.colour,
            is_ascii: settings.is_ascii,
            marks: match (settings.is_ascii, settings.colour) {
                (true, _) => ASCII,
                (false, Colour::None) => THIN,
                (false, _) => DRAWN,
            },
        }
    }

    /// Plain text on the screen's ground.
    pub(super) fn base(&self) -> Style {
        self.pick(
            Style::new().fg(PAPER).bg(GROUND),
            Style::new().fg(Color::White).bg(Color::Black),
        )
    }

    /// Text that must be read first.
    pub(super) fn strong(&self) -> Style {
        self.base().add_modifier(Modifier::BOLD)
    }

    /// Text that may wait.
    pub(super) fn faint(&self) -> Style {
        match self.colour {
            Colour::Full => self.base().fg(FAINT),
            Colour::Sixteen => self.base().fg(Color::Gray),
            Colour::None => Style::new(),
        }
    }

    /// A song that is left out tonight: struck through where the terminal can.
    pub(super) fn left_out(&self) -> Style {
        self.faint().add_modifier(Modifier::CROSSED_OUT)
    }

    /// The current scene: its name and bar.
    pub(super) fn now(&self) -> Style {
        self.hue(YELLOW, Color::LightYellow)
            .add_modifier(Modifier::BOLD)
    }

    /// The next scene: its name and bar.
    pub(super) fn next(&self) -> Style {
        self.hue(SKY, Color::LightCyan).add_modifier(Modifier::BOLD)
    }

    /// When to press.
    pub(super) fn when(&self) -> Style {
        self.reversed(SKY, Color::LightCyan)
    }

    /// Something a person should see now.
    pub(super) fn notice(&self) -> Style {
        self.reversed(ORANGE, Color::Yellow)
    }

    /// Something is wrong.
    pub(super) fn bad(&self) -> Style {
        self.hue(VERMILION, Color::LightRed)
            .add_modifier(Modifier::BOLD)
    }

    /// Something may go wrong.
    pub(super) fn warning(&self) -> Style {
        self.hue(ORANGE, Color::Yellow)
    }

    /// Something is known to be well.
    pub(super) fn good(&self) -> Style {
        self.hue(GREEN, Color::LightGreen)
    }

    /// A zone of the current scene, by the hue of its sound.
    pub(super) fn zone_now(&self, hue: usize) -> Style {
        let (full, sixteen) = zone_hue(hue);
        match self.colour {
            Colour::None => Style::new().add_modifier(Modifier::BOLD),
            _ => self.reversed(full, sixteen),
        }
    }

    /// A zone of the next scene, by the hue of its sound.
    pub(super) fn zone_next(&self, hue: usize) -> Style {
        let (full, sixteen) = zone_hue(hue);
        self.hue(full, sixteen)
    }

    /// The column of a sounding key.
    pub(super) fn lit(&self) -> Style {
        match self.colour {
            Colour::None => Style::new(),
            Colour::Sixteen => Style::new().fg(Color::White).bg(Color::Black),
            Colour::Full => Style::new().fg(LIGHT).bg(GROUND),
        }
        .add_modifier(Modifier::BOLD)
    }

    /// The column of a sounding key inside a zone: words on it stay readable.
    pub(super) fn lit_zone(&self) -> Style {
        match self.colour {
            Colour::None => Style::new().add_modifier(Modifier::REVERSED),
            Colour::Sixteen => Style::new().fg(Color::Black).bg(Color::White),
            Colour::Full => Style::new().fg(GROUND).bg(LIGHT),
        }
        .add_modifier(Modifier::BOLD)
    }

    /// The column of a held-over key.
    pub(super) fn held(&self) -> Style {
        self.hue(PURPLE, Color::LightMagenta)
            .add_modifier(Modifier::BOLD)
    }

    /// The keys of a keyboard as a picture.
    pub(super) fn keybed(&self) -> Style {
        self.pick(
            Style::new().fg(GROUND).bg(KEYBED),
            Style::new().fg(Color::Black).bg(Color::DarkGray),
        )
    }

    /// A row the cursor is on.
    pub(super) fn cursor(&self) -> Style {
        self.reversed(PAPER, Color::White)
    }

    fn hue(&self, full: Color, sixteen: Color) -> Style {
        self.pick(
            Style::new().fg(full).bg(GROUND),
            Style::new().fg(sixteen).bg(Color::Black),
        )
    }

    fn reversed(&self, full: Color, sixteen: Color) -> Style {
        match self.colour {
            Colour::None => Style::new().add_modifier(Modifier::REVERSED),
            Colour::Sixteen => Style::new().fg(Color::Black).bg(sixteen),
            Colour::Full => Style::new().fg(GROUND).bg(full),
        }
        .add_modifier(Modifier::BOLD)
    }

    const fn pick(&self, full: Style, sixteen: Style) -> Style {
        match self.colour {
            Colour::None => Style::new(),
            Colour::Sixteen => sixteen,
            Colour::Full => full,
        }
    }
}

/// The hue of a sound's zones. Neighbours in the cycle differ in lightness too.
fn zone_hue(hue: usize) -> (Color, Color) {
    const HUES: [(Color, Color); HUE_COUNT] = [
        (YELLOW, Color::LightYellow),
        (SKY, Color::LightCyan),
        (ORANGE, Color::Yellow),
        (PURPLE, Color::LightMagenta),
        (GREEN, Color::LightGreen),
    ];
    HUES.get(hue % HUE_COUNT).copied().unwrap_or(HUES[0])
}

const GROUND: Color = Color::Rgb(0x10, 0x12, 0x16);
const PAPER: Color = Color::Rgb(0xe8, 0xe4, 0xda);
const FAINT: Color = Color::Rgb(0x9a, 0x98, 0x92);
const LIGHT: Color = Color::Rgb(0xff, 0xff, 0xff);
const KEYBED: Color = Color::Rgb(0x6e, 0x6c, 0x66);
const ORANGE: Color = Color::Rgb(0xe6, 0x9f, 0x00);
const SKY: Color = Color::Rgb(0x56, 0xb4, 0xe9);
const GREEN: Color = Color::Rgb(0x00, 0x9e, 0x73);
const YELLOW: Color = Color::Rgb(0xf0, 0xe4, 0x42);
const VERMILION: Color = Color::Rgb(0xff, 0x7a, 0x33);
const PURPLE: Color = Color::Rgb(0xcc, 0x79, 0xa7);
