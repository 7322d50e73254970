//! Zones of the present scene as lines of the wings, and the velocity curve of the one under
//! the cursor.
//!
//! ```text
//!   ZONES      keys      struck    curve        last       sound
//! > lower      E1-F#3    60-127    firm         71 as 37   Upright bass
//!         127 |                              ⡠⠊   struck 60-127, fades in over 20
//!             |                           ⡠⠊
//!          64 |                      ⢀⠤⠒⠁         last struck G4
//!             |                ⡠ o⠊               71 is played as 37
//!           0 |
//!             +--------------------------------
//!              0       32      64      96    127
//! ```

use super::ScreenModel;
use super::look::Look;
use super::plot::Plot;
use super::wings_ports::Line;
use super::wings_rows::{RowLine, WingsRow};
use crate::sheet::{Sheet, ZoneLine};

/// Columns and rows of the plot; a cell stands for 4 velocities across and 16 up.
const PLOT: Plot = Plot {
    columns: 32,
    rows: 8,
};

/// Lines that the plot takes: its rows, the axis and its numbers.
pub(super) const PLOT_LINES: usize = PLOT.rows + 2;

/// The zones of the present scene, and under the one with the cursor its velocity curve.
pub(super) fn zones(model: &ScreenModel, look: &Look) -> Vec<RowLine> {
    let Some(place) = model.present() else {
        return Vec::new();
    };
    let head = [
        (13, "keys"),
        (23, "struck"),
        (33, "curve"),
        (46, "last"),
        (58, "sound"),
    ];
    let mut line = vec![(2, "ZONES".to_owned(), look.strong())];
    line.extend(head.map(|(x, words)| (x, words.to_owned(), look.faint())));
    let mut out = vec![(line, None)];
    for (index, zone) in place.scene.zones.iter().enumerate() {
        let row = WingsRow::Zone(index);
        let last = last(model, zone);
        let controller = model.sheet.controllers.get(zone.controller);
        let sound = place.scene.sounds.get(zone.sound);
        let last_words = last.map_or_else(String::new, |(_, struck, played)| match played {
            played if played == struck => struck.to_string(),
            played => format!("{struck} as {played}"),
        });
        let line = vec![
            (
                2,
                controller.map_or("?", |line| &line.name).to_owned(),
                look.base(),
            ),
            (13, keys(model.sheet, zone), look.base()),
            (23, window(zone), look.base()),
            (33, zone.curve.clone(), look.base()),
            (46, last_words, look.now()),
            (
                58,
                sound.map_or("?", |sound| &sound.patch).to_owned(),
                look.base(),
            ),
        ];
        out.push((line, Some(row)));
        if model.ui.wings == Some(row) {
            let plot = plot(model, look, zone, last);
            out.extend(plot.into_iter().map(|line| (line, None)));
        }
    }
    out
}

/// The key struck last in a zone, its velocity, and the velocity that is played. None if the
/// last key on its keyboard was outside the zone.
fn last(model: &ScreenModel, zone: &ZoneLine) -> Option<(u8, u8, u8)> {
    let (key, struck) = model.view.controllers.get(zone.controller)?.struck?;
    let is_in = |value: u8, (low, high): (u8, u8)| (low..=high).contains(&value);
    if !is_in(key, zone.keys) || !is_in(struck, zone.velocities) {
        return None;
    }
    let played = model.sheet.curves.get(zone.played)?;
    Some((key, struck, *played.get(usize::from(struck))?))
}

fn keys(sheet: &Sheet, zone: &ZoneLine) -> String {
    let (low, high) = zone.keys;
    format!("{}-{}", sheet.key_name(low), sheet.key_name(high))
}

fn window(zone: &ZoneLine) -> String {
    format!("{}-{}", zone.velocities.0, zone.velocities.1)
}

fn plot(
    model: &ScreenModel,
    look: &Look,
    zone: &ZoneLine,
    last: Option<(u8, u8, u8)>,
) -> Vec<Line> {
    let Some(table) = model.sheet.curves.get(zone.played) else {
        return Vec::new();
    };
    let mut rows = PLOT.drawn(table, zone.velocities, look.is_ascii);
    if let Some((_, struck, played)) = last {
        let (x, y) = PLOT.cell(struck, played);
        if let Some(row) = rows.get_mut(y) {
            let mut letters: Vec<char> = row.chars().collect();
            letters.resize(letters.len().max(PLOT.left() + x + 1), ' ');
            letters.splice(PLOT.left() + x..=PLOT.left() + x, look.marks.held.chars());
            *row = letters.into_iter().collect();
        }
    }
    let rows = rows.into_iter().map(|row| vec![(8, row, look.base())]);
    let mut lines: Vec<Line> = rows.collect();
    let (x, words) = (8 + PLOT.width() as u16 + 3, said(model, zone, last));
    for (line, (words, is_live)) in lines.iter_mut().skip(1).zip(words) {
        let style = if is_live { look.now() } else { look.faint() };
        line.push((x, words, style));
    }
    lines
}

/// The words beside the plot, and whether each is about the note played last.
fn said(model: &ScreenModel, zone: &ZoneLine, last: Option<(u8, u8, u8)>) -> Vec<(String, bool)> {
    let mut out = vec![(format!("curve {}", zone.curve), false)];
    if zone.velocities != (1, 127) {
        out.push((format!("struck {}", window(zone)), false));
    }
    for (over, way) in [(zone.fades.0, "in"), (zone.fades.1, "out")] {
        if over > 0 {
            out.push((format!("fades {way} over {over}"), false));
        }
    }
    out.push(match last {
        Some((key, struck, played)) => {
            let key = model.sheet.key_name(key);
            (format!("{key}: {struck} is played as {played}"), true)
        }
        None => ("not struck just now".to_owned(), false),
    });
    out
}
