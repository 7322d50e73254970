//! Themes, and terminals without colour.

use crate::desk::{DEMO_SHOW, Home, start};

#[test]
fn a_theme_is_chosen_by_flag_and_by_key() {
    let home = Home::new();
    let full = [("COLORTERM", "truecolor")];
    let args = [&DEMO_SHOW[..], &["--theme", "red-light"]].concat();
    let mut desk = start(&home, &args, &full);
    desk.see(&["NOW  1.1  intro"]);
    let ground = |screen: &vt100::Screen| format!("{:?}", screen.cell(29, 99).unwrap().bgcolor());
    desk.wait("red light", |screen| ground(screen) == "Rgb(0, 0, 0)");
    desk.press("\x1b[17~"); // F6
    desk.wait("the dark theme", |screen| {
        ground(screen) == "Rgb(16, 18, 22)"
    });
}

#[test]
fn no_color_means_no_colour_codes() {
    let home = Home::new();
    for (variables, is_coloured) in [(&[("NO_COLOR", "1")][..], false), (&[][..], true)] {
        let mut desk = start(&home, &DEMO_SHOW, variables);
        desk.see(&["NOW  1.1  intro"]);
        for (key, seen) in [("2", "WINGS"), ("3", "RUNNING ORDER"), ("?", "HELP")] {
            desk.press(key);
            desk.see(&[seen]);
        }
        desk.press("?qq");
        assert_eq!(desk.end(), 0);
        let output = desk.shared.0.lock().unwrap();
        let codes = colour_codes(&output.bytes);
        assert_eq!(!codes.is_empty(), is_coloured, "{codes:?}");
    }
}

/// Parameters of SGR sequences that set a colour (ECMA-48, 8.3.117; 39 and 49 unset it,
/// 90 to 107 are the bright ones of common terminals).
fn colour_codes(bytes: &[u8]) -> Vec<u32> {
    let text = String::from_utf8_lossy(bytes);
    let mut codes = Vec::new();
    for part in text.split("\x1b[").skip(1) {
        let end = part
            .find(|c: char| !c.is_ascii_digit() && c != ';')
            .unwrap_or(part.len());
        if part[end..].starts_with('m') {
            codes.extend(
                part[..end]
                    .split(';')
                    .filter_map(|code| code.parse::<u32>().ok()),
            );
        }
    }
    codes.retain(|code| matches!(code, 30..=38 | 40..=48 | 90..=97 | 100..=107));
    codes
}
