//! The colours of each theme, as values of one type.
//!
//! Every ink is written on the theme's ground, or the ground's colour on it, so that one
//! pair decides whether it can be read: 4.5:1 for text, 7:1 in the high-contrast theme
//! (WCAG 2.2, success criteria 1.4.3 and 1.4.6). `look` has the test over all of them.
//!
//! Hues that carry meaning begin with Okabe and Ito's set for all kinds of colour vision
//! (Color Universal Design, 2008): yellow F0E442, sky blue 56B4E9, orange E69F00, bluish
//! green 009E73, reddish purple CC79A7, vermilion D55E00, blue 0072B2. Where a ground asks
//! for more contrast they are made lighter or darker and keep their hue. Red light has one
//! hue only: there, shades, marks and letters do what hues do elsewhere.

use super::hue::HUE_COUNT;
use super::state::Theme;
use ratatui::style::Color;

/// A 24-bit colour, and the one that replaces it on a terminal with sixteen.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Ink {
    pub(super) full: Color,
    pub(super) sixteen: Color,
}

/// How the zones of one sound are drawn.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct ZoneInk {
    /// Words on the filled zone of the current scene.
    pub(super) words: Ink,
    /// What that zone is filled with.
    pub(super) fill: Ink,
    /// The zone of the next scene, on the ground.
    pub(super) line: Ink,
}

/// All colours of a theme.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Palette {
    /// The background of the whole screen.
    pub(super) ground: Ink,
    /// Text that is neither marked nor faint.
    pub(super) text: Ink,
    /// Text of less importance.
    pub(super) faint: Ink,
    /// Name and bar of the current scene.
    pub(super) now: Ink,
    /// The next scene, and when to press for it.
    pub(super) next: Ink,
    /// What a person should see now, and what may go wrong.
    pub(super) warning: Ink,
    /// Words about something that is wrong.
    pub(super) bad: Ink,
    /// Words about something that is known to work.
    pub(super) good: Ink,
    /// A key whose note sounds.
    pub(super) lit: Ink,
    /// A key whose note is held over from an earlier scene.
    pub(super) held: Ink,
    /// The keys of a keyboard as a picture: black keys, and white ones.
    pub(super) keybed: (Ink, Ink),
    /// Zones, by the hue of their sound. Neighbours differ in lightness too.
    pub(super) zones: [ZoneInk; HUE_COUNT],
}

impl Palette {
    /// The colours of a theme.
    pub(super) const fn of(theme: Theme) -> Self {
        match theme {
            Theme::Dark => dark(),
            Theme::Light => light(),
            Theme::HighContrast => high_contrast(),
            Theme::RedLight => red_light(),
        }
    }
}

/// For a dark stage: hues on near-black.
const fn dark() -> Palette {
    let ground = ink(0x101216, Color::Black);
    let yellow = ink(0xf0e442, Color::LightYellow);
    let sky = ink(0x56b4e9, Color::LightCyan);
    let orange = ink(0xe69f00, Color::Yellow);
    let purple = ink(0xcc79a7, Color::LightMagenta);
    let green = ink(0x009e73, Color::LightGreen);
    Palette {
        ground,
        text: ink(0xe8e4da, Color::White),
        faint: ink(0x9a9892, Color::Gray),
        now: yellow,
        next: sky,
        warning: orange,
        bad: ink(0xff7a33, Color::LightRed),
        good: green,
        lit: ink(0xffffff, Color::White),
        held: purple,
        keybed: (ground, ink(0x807e78, Color::DarkGray)),
        zones: filled(ground, [yellow, sky, orange, purple, green]),
    }
}

/// For daylight: dark hues on paper.
const fn light() -> Palette {
    let ground = ink(0xfaf8f2, Color::White);
    let blue = ink(0x0064a0, Color::Blue);
    let vermilion = ink(0xa84a00, Color::Red);
    let green = ink(0x00694c, Color::Green);
    let purple = ink(0x8f4472, Color::Magenta);
    let brown = ink(0x7d5700, Color::DarkGray);
    Palette {
        ground,
        text: ink(0x16181c, Color::Black),
        faint: ink(0x5c5a55, Color::DarkGray),
        now: blue,
        next: vermilion,
        warning: brown,
        bad: ink(0xb3260e, Color::Red),
        good: green,
        lit: ink(0x000000, Color::Black),
        held: purple,
        keybed: (ground, ink(0x6e6c66, Color::DarkGray)),
        zones: filled(ground, [blue, vermilion, green, purple, brown]),
    }
}

/// For weak eyes and bad light: contrast of 7:1 everywhere.
const fn high_contrast() -> Palette {
    let ground = ink(0x000000, Color::Black);
    let yellow = ink(0xf0e442, Color::LightYellow);
    let sky = ink(0x6cc4f5, Color::LightCyan);
    let orange = ink(0xf0b030, Color::Yellow);
    let purple = ink(0xe6a0c8, Color::LightMagenta);
    let green = ink(0x2fc79a, Color::LightGreen);
    Palette {
        ground,
        text: ink(0xffffff, Color::White),
        faint: ink(0xd4d4d4, Color::White),
        now: yellow,
        next: sky,
        warning: orange,
        bad: ink(0xff9a5c, Color::LightRed),
        good: green,
        lit: ink(0xffffff, Color::White),
        held: purple,
        keybed: (ground, ink(0xa8a8a8, Color::Gray)),
        zones: filled(ground, [yellow, sky, orange, purple, green]),
    }
}

/// For eyes adapted to the dark, and so that no face is lit: red alone. Rods hardly see red, so
/// the adaptation stays.
const fn red_light() -> Palette {
    let ground = ink(0x000000, Color::Black);
    let text = ink(0xff2c20, Color::LightRed);
    let strong = ink(0xff3c30, Color::LightRed);
    let deep = shade(strong, ink(0x300000, Color::Black), strong);
    let mild = shade(strong, ink(0x480000, Color::Black), text);
    Palette {
        ground,
        text,
        faint: ink(0xf20000, Color::Red),
        now: strong,
        next: text,
        warning: text,
        bad: strong,
        good: text,
        lit: strong,
        held: strong,
        // Bright white keys would light the room.
        keybed: (ink(0xf20000, Color::Red), ground),
        zones: [deep, mild, deep, mild, deep],
    }
}

/// Zones filled with these inks, with words in the colour of the ground.
const fn filled(ground: Ink, inks: [Ink; HUE_COUNT]) -> [ZoneInk; HUE_COUNT] {
    let [a, b, c, d, e] = inks;
    [
        shade(ground, a, a),
        shade(ground, b, b),
        shade(ground, c, c),
        shade(ground, d, d),
        shade(ground, e, e),
    ]
}

const fn shade(words: Ink, fill: Ink, line: Ink) -> ZoneInk {
    ZoneInk { words, fill, line }
}

/// An ink from its 24 bits, `0xRRGGBB`.
const fn ink(rgb: u32, sixteen: Color) -> Ink {
    let [_, red, green, blue] = rgb.to_be_bytes();
    Ink {
        full: Color::Rgb(red, green, blue),
        sixteen,
    }
}
