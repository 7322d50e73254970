//! How well two colours can be distinguished: the contrast ratio of WCAG 2.2.

use ratatui::style::Color;

/// Contrast ratio of two colours, 1 to 21 (WCAG 2.2, "contrast ratio"). None if one of them is
/// chosen by the terminal and so not known.
#[must_use]
pub fn contrast(one: Color, other: Color) -> Option<f64> {
    let (one, other) = (luminance(one)?, luminance(other)?);
    Some((one.max(other) + 0.05) / (one.min(other) + 0.05))
}

/// Relative luminance, 0 to 1 (WCAG 2.2, "relative luminance"; sRGB).
fn luminance(color: Color) -> Option<f64> {
    let Color::Rgb(red, green, blue) = color else {
        return None;
    };
    let linear = |byte: u8| {
        let part = f64::from(byte) / 255.0;
        if part <= 0.04045 {
            part / 12.92
        } else {
            ((part + 0.055) / 1.055).powf(2.4)
        }
    };
    Some(0.2126 * linear(red) + 0.7152 * linear(green) + 0.0722 * linear(blue))
}
