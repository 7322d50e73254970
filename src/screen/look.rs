//! Colours and marks of all screens in one place.
//!
//! Nothing is shown by colour alone: what is current has heavy lines and a solid bar, what
//! comes next has light lines and a dotted bar; a sounding key is a solid block, a held-over
//! one an `o`. The colours themselves are in `palette`.

use super::hue::HUE_COUNT;
use super::palette::{Ink, Palette, ZoneInk};
use super::state::{Colour, Settings};
use ratatui::style::{Modifier, Style};

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
    /// A key of the keyboard picture that sounds.
    pub(super) lit: &'static str,
    /// A key whose note is held over.
    pub(super) held: &'static str,
    /// A black key of the keyboard picture, not sounding.
    pub(super) black: &'static str,
    /// A horizontal line between parts of the screen.
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
    palette: Palette,
    /// Whether only ASCII marks may be used.
    pub(super) is_ascii: bool,
    /// The marks that follow from colours and `is_ascii`.
    pub(super) marks: Marks,
}

impl Look {
    pub(super) const fn new(settings: Settings) -> Self {
        Self {
            colour: settings.colour,
            palette: Palette::of(settings.theme),
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
        self.written(self.palette.text)
    }

    /// Text that must be read first.
    pub(super) fn strong(&self) -> Style {
        self.base().add_modifier(Modifier::BOLD)
    }

    /// Text of less importance.
    pub(super) fn faint(&self) -> Style {
        self.written(self.palette.faint)
    }

    /// A song that is left out tonight: struck through where the terminal can.
    pub(super) fn left_out(&self) -> Style {
        self.faint().add_modifier(Modifier::CROSSED_OUT)
    }

    /// The current scene: its name and bar.
    pub(super) fn now(&self) -> Style {
        self.written(self.palette.now).add_modifier(Modifier::BOLD)
    }

    /// The next scene: its name and bar.
    pub(super) fn next(&self) -> Style {
        self.written(self.palette.next).add_modifier(Modifier::BOLD)
    }

    /// The words that say when to press for the next scene.
    pub(super) fn when(&self) -> Style {
        self.reversed(self.palette.next)
    }

    /// A notice: words that a person should see now.
    pub(super) fn notice(&self) -> Style {
        self.reversed(self.palette.warning)
    }

    /// Words about something that is wrong: an error, a lost port.
    pub(super) fn bad(&self) -> Style {
        self.written(self.palette.bad).add_modifier(Modifier::BOLD)
    }

    /// Words about something that may go wrong.
    pub(super) fn warning(&self) -> Style {
        self.written(self.palette.warning)
    }

    /// Words about something that is known to work.
    pub(super) fn good(&self) -> Style {
        self.written(self.palette.good)
    }

    /// A zone of the current scene, by the hue of its sound.
    pub(super) fn zone_now(&self, hue: usize) -> Style {
        let zone = self.zone(hue);
        match self.colour {
            Colour::None => Style::new(),
            _ => self.inked(zone.words, zone.fill),
        }
        .add_modifier(Modifier::BOLD)
    }

    /// A zone of the next scene, by the hue of its sound.
    pub(super) fn zone_next(&self, hue: usize) -> Style {
        self.written(self.zone(hue).line)
    }

    /// The column of a sounding key.
    pub(super) fn lit(&self) -> Style {
        self.written(self.palette.lit).add_modifier(Modifier::BOLD)
    }

    /// The column of a sounding key inside a zone: words on it stay readable.
    pub(super) fn lit_zone(&self) -> Style {
        self.reversed(self.palette.lit)
    }

    /// The column of a held-over key.
    pub(super) fn held(&self) -> Style {
        self.written(self.palette.held).add_modifier(Modifier::BOLD)
    }

    /// The keys of a keyboard as a picture.
    pub(super) fn keybed(&self) -> Style {
        match self.colour {
            Colour::None => Style::new(),
            _ => self.inked(self.palette.keybed.0, self.palette.keybed.1),
        }
    }

    /// A row the cursor is on.
    pub(super) fn cursor(&self) -> Style {
        self.reversed(self.palette.text)
    }

    fn zone(&self, hue: usize) -> ZoneInk {
        let zones = &self.palette.zones;
        zones.get(hue % HUE_COUNT).copied().unwrap_or(zones[0])
    }

    /// An ink on the ground.
    fn written(&self, ink: Ink) -> Style {
        match self.colour {
            Colour::None => Style::new(),
            _ => self.inked(ink, self.palette.ground),
        }
    }

    /// The ground's colour on an ink, bold.
    fn reversed(&self, ink: Ink) -> Style {
        match self.colour {
            Colour::None => Style::new().add_modifier(Modifier::REVERSED),
            _ => self.inked(self.palette.ground, ink),
        }
        .add_modifier(Modifier::BOLD)
    }

    const fn inked(&self, ink: Ink, paper: Ink) -> Style {
        match self.colour {
            Colour::Full => Style::new().fg(ink.full).bg(paper.full),
            _ => Style::new().fg(ink.sixteen).bg(paper.sixteen),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::screen::Theme;
    use ratatui::style::Color;

    /// Every style, by name.
    fn styles(look: &Look) -> Vec<(String, Style)> {
        let mut out = vec![
            ("base", look.base()),
            ("strong", look.strong()),
            ("faint", look.faint()),
            ("left out", look.left_out()),
            ("now", look.now()),
            ("next", look.next()),
            ("when", look.when()),
            ("notice", look.notice()),
            ("bad", look.bad()),
            ("warning", look.warning()),
            ("good", look.good()),
            ("lit", look.lit()),
            ("lit zone", look.lit_zone()),
            ("held", look.held()),
            ("keybed", look.keybed()),
            ("cursor", look.cursor()),
        ]
        .into_iter()
        .map(|(name, style)| (name.to_owned(), style))
        .collect::<Vec<_>>();
        for hue in 0..HUE_COUNT {
            out.push((format!("zone now {hue}"), look.zone_now(hue)));
            out.push((format!("zone next {hue}"), look.zone_next(hue)));
        }
        out
    }

    /// Contrast of two colours that are no terminal's own.
    fn contrast(a: Color, b: Color) -> f64 {
        crate::screen::contrast(a, b).unwrap()
    }

    // WCAG 2.2: black on white is 21:1; 4.54:1 is #767676 on white (its well-known limit).
    #[test]
    fn the_measure_of_contrast_is_the_published_one() {
        let white = Color::Rgb(255, 255, 255);
        assert!((contrast(Color::Rgb(0, 0, 0), white) - 21.0).abs() < 1e-9);
        assert!((contrast(Color::Rgb(0x76, 0x76, 0x76), white) - 4.54).abs() < 0.005);
    }

    #[test]
    fn every_style_of_every_theme_can_be_read() {
        let mut weak = Vec::new();
        for theme in Theme::ALL {
            let look = Look::new(Settings {
                theme,
                ..Settings::default()
            });
            let least = if theme == Theme::HighContrast {
                7.0
            } else {
                4.5
            };
            for (name, style) in styles(&look) {
                let (fg, bg) = (style.fg.unwrap(), style.bg.unwrap());
                let ratio = contrast(fg, bg);
                if ratio < least {
                    weak.push(format!("{theme:?} {name}: {ratio:.2}"));
                }
            }
        }
        assert!(weak.is_empty(), "{weak:#?}");
    }

    #[test]
    fn with_sixteen_colours_ink_and_paper_differ_too() {
        for theme in Theme::ALL {
            let look = Look::new(Settings {
                theme,
                colour: Colour::Sixteen,
                ..Settings::default()
            });
            for (name, style) in styles(&look) {
                assert!(style.fg != style.bg, "{theme:?} {name}");
            }
        }
    }

    /// How a colour looks to eyes of one kind (matrices of Machado, Oliveira and Fernandes
    /// 2009 at full severity, on linear light; from memory).
    fn seen(color: Color, eyes: usize) -> [f64; 3] {
        const EYES: [[[f64; 3]; 3]; 3] = [
            [
                [0.152_286, 1.052_583, -0.204_868],
                [0.114_503, 0.786_281, 0.099_216],
                [-0.003_882, -0.048_116, 1.051_998],
            ],
            [
                [0.367_322, 0.860_646, -0.227_968],
                [0.280_085, 0.672_501, 0.047_413],
                [-0.011_820, 0.042_940, 0.968_881],
            ],
            [
                [1.255_528, -0.076_749, -0.178_779],
                [-0.078_411, 0.930_809, 0.147_602],
                [0.004_733, 0.691_367, 0.303_900],
            ],
        ];
        let Color::Rgb(red, green, blue) = color else {
            panic!("{color:?} is none of 24 bits");
        };
        let linear = [red, green, blue].map(|byte| (f64::from(byte) / 255.0).powf(2.2));
        EYES[eyes].map(|row| {
            let sum: f64 = row
                .iter()
                .zip(linear)
                .map(|(part, light)| part * light)
                .sum();
            sum.clamp(0.0, 1.0).powf(1.0 / 2.2)
        })
    }

    #[test]
    fn now_and_next_and_wrong_and_well_differ_for_all_kinds_of_colour_vision() {
        for theme in [Theme::Dark, Theme::Light, Theme::HighContrast] {
            let palette = Palette::of(theme);
            for (one, other) in [
                (palette.now, palette.next),
                (palette.bad, palette.good),
                (palette.warning, palette.good),
                (palette.held, palette.lit),
            ] {
                for eyes in 0..3 {
                    let (a, b) = (seen(one.full, eyes), seen(other.full, eyes));
                    let apart: f64 = a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum();
                    assert!(
                        apart.sqrt() > 0.15,
                        "{theme:?} {one:?} {other:?} eyes {eyes}"
                    );
                }
            }
        }
    }

    // Red light keeps eyes adapted to the dark as far as it has little of the colours that
    // rods see (common practice, no source for the share).
    #[test]
    fn red_light_is_red_light() {
        let look = Look::new(Settings {
            theme: Theme::RedLight,
            ..Settings::default()
        });
        for (name, style) in styles(&look) {
            for color in [style.fg, style.bg].into_iter().flatten() {
                let Color::Rgb(_, green, blue) = color else {
                    panic!("{name} has no colour");
                };
                assert!(green <= 0x40 && blue <= 0x40, "{name}: {color:?}");
            }
        }
    }

    #[test]
    fn next_to_each_other_no_two_zones_look_alike() {
        for theme in Theme::ALL {
            let zones = Palette::of(theme).zones;
            for pair in zones.windows(2) {
                assert_ne!(pair[0].fill, pair[1].fill, "{theme:?}");
            }
        }
    }
}
