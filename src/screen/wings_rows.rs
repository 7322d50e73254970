//! The rows of the wings that the cursor goes over: receivers, held notes, pedals, and zones
//! (`wings_zones`).
//!
//! ```text
//!   NOTES        7 held, 2 by pedal, 2 from earlier scenes
//! > A3   lower       main 1 Upright bass           key      3.2 Strings over bass
//!   PEDALS
//!   lower hold       down
//!   right foot       step               locked
//! ```

use super::ScreenModel;
use super::look::Look;
use super::wings_ports::{Line, patch_words};
use crate::engine::promptbook::{ControllerId, SlotId};
use crate::engine::view::{HeldView, PedalId, View};
use crate::sheet::Sheet;
use ratatui::style::Style;

/// A row that the wings' cursor can be on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum WingsRow {
    /// A receiver, by index.
    Receiver(usize),
    /// A held note: its slot, and the key as sent.
    Note(SlotId, u8),
    /// A pedal that may be ignored.
    Pedal(PedalId),
    /// A zone of the present scene, by index.
    Zone(usize),
}

/// A line of the wings, and the row that it is.
pub(super) type RowLine = (Line, Option<WingsRow>);

/// All rows, from the top.
#[must_use]
pub fn wings_rows(sheet: &Sheet, view: &View) -> Vec<WingsRow> {
    let receivers = (0..sheet.receivers.len()).map(WingsRow::Receiver);
    let mut rows: Vec<WingsRow> = receivers.collect();
    for note in held(view) {
        let row = WingsRow::Note(note.slot, note.out_key);
        if !rows.contains(&row) {
            rows.push(row);
        }
    }
    rows.extend(pedals(sheet, view).into_iter().map(WingsRow::Pedal));
    let position = sheet.positions.get(view.position.index());
    let scene = position.and_then(|line| sheet.scenes.get(line.scene));
    rows.extend((0..scene.map_or(0, |scene| scene.zones.len())).map(WingsRow::Zone));
    rows
}

/// The held notes that the view lists.
fn held(view: &View) -> &[HeldView] {
    let count = usize::from(view.held_count).min(view.held.len());
    view.held.get(..count).unwrap_or(&[])
}

/// The hold pedal of each keyboard, other pedals that are ignored, and those that are
/// commands.
fn pedals(sheet: &Sheet, view: &View) -> Vec<PedalId> {
    let mut out = Vec::new();
    for ((id, line), seen) in (0u8..)
        .map(ControllerId)
        .zip(&sheet.controllers)
        .zip(&view.controllers)
    {
        for (pedal, is_ignored) in (0u8..).zip(seen.ignored) {
            if is_ignored || (pedal == 0 && line.keys.is_some()) {
                out.push(PedalId::Held(id, pedal));
            }
        }
    }
    out.extend(
        (0u8..64)
            .zip(&sheet.pedals)
            .map(|(bit, _)| PedalId::Binding(bit)),
    );
    out
}

/// Who holds which note, and why.
pub(super) fn notes(model: &ScreenModel, look: &Look) -> Vec<RowLine> {
    let notes = held(model.view);
    let by_pedal = notes.iter().filter(|note| !note.is_key_down).count();
    let earlier = notes.iter().filter(|note| note.is_foreign).count();
    let mut words = match model.view.held_count {
        0 => "none is held".to_owned(),
        count => format!("{count} held"),
    };
    for (count, what) in [(by_pedal, "by pedal"), (earlier, "from earlier scenes")] {
        if count > 0 {
            words = format!("{words}, {count} {what}");
        }
    }
    let head = vec![
        (2, "NOTES".to_owned(), look.strong()),
        (15, words, look.faint()),
    ];
    let mut out = vec![(head, None)];
    for note in notes {
        let row = WingsRow::Note(note.slot, note.out_key);
        out.push((note_line(model, look, note), Some(row)));
    }
    let more = usize::from(model.view.held_count).saturating_sub(notes.len());
    if more > 0 {
        out.push((vec![(2, format!("and {more} more"), look.faint())], None));
    }
    out
}

fn note_line(model: &ScreenModel, look: &Look, note: &HeldView) -> Line {
    let sheet = model.sheet;
    let controller = sheet.controllers.get(note.controller.index());
    let place = note.position.and_then(|at| model.place(at.index()));
    let from = place.map_or_else(
        || "before the night was changed".to_owned(),
        |place| format!("{} {}", place.position.call, place.scene.name),
    );
    let (why, style) = match (note.is_key_down, note.is_latched) {
        (true, _) => ("key", look.now()),
        (false, true) => ("sostenuto", look.held()),
        (false, false) => ("pedal", look.held()),
    };
    let key = sheet.key_name(note.in_key);
    vec![
        (2, key, look.strong()),
        (
            7,
            controller.map_or("?", |line| &line.name).to_owned(),
            look.base(),
        ),
        (17, slot_words(model, note), look.base()),
        (46, why.to_owned(), style),
        (
            56,
            from,
            if note.is_foreign {
                look.held()
            } else {
                look.faint()
            },
        ),
    ]
}

/// Where a note sounds: receiver, channel, patch, and the key if it is another one there.
fn slot_words(model: &ScreenModel, note: &HeldView) -> String {
    let sheet = model.sheet;
    let found = sheet.receivers.iter().find_map(|line| {
        let at = note.slot.index().checked_sub(line.slots.0)?;
        Some((line, line.channel_words(at)?))
    });
    let (Some((line, channel)), Some(slot)) = (found, model.view.slots.get(note.slot.index()))
    else {
        return "?".to_owned();
    };
    let moved = if note.in_key == note.out_key {
        String::new()
    } else {
        format!(" as {}", sheet.key_name(note.out_key))
    };
    format!("{} {channel} {}{moved}", line.name, patch_words(line, slot))
}

/// Lines of the pedals: position, command, and whether each is ignored or locked.
pub(super) fn pedal_lines(model: &ScreenModel, look: &Look) -> Vec<RowLine> {
    let (sheet, view) = (model.sheet, model.view);
    let mut head = vec![(2, "PEDALS".to_owned(), look.strong())];
    if view.is_locked {
        head.push((15, "locked: no pedal steps".to_owned(), look.warning()));
    }
    let mut out = vec![(head, None)];
    for pedal in pedals(sheet, view) {
        let (name, what, is_ignored) = match pedal {
            PedalId::Held(controller, kind) => {
                let seen = view.controllers.get(controller.index());
                let line = sheet.controllers.get(controller.index());
                let kind_word = ["hold", "sostenuto", "soft"].get(usize::from(kind));
                let is_down = kind == 0 && seen.is_some_and(|seen| seen.hold);
                (
                    format!(
                        "{} {}",
                        line.map_or("?", |line| &line.name),
                        kind_word.unwrap_or(&"?")
                    ),
                    if is_down { "down" } else { "up" }.to_owned(),
                    seen.and_then(|seen| seen.ignored.get(usize::from(kind))) == Some(&true),
                )
            }
            PedalId::Binding(bit) => {
                let line = sheet.pedals.get(usize::from(bit));
                (
                    line.map_or("?", |line| &line.name).to_owned(),
                    line.map_or(String::new(), |line| line.action.clone()),
                    view.ignored_bindings >> bit.min(63) & 1 == 1,
                )
            }
        };
        let (state, style): (&str, Style) = if is_ignored {
            ("ignored", look.warning())
        } else {
            ("", look.base())
        };
        let line = vec![
            (2, name, look.base()),
            (26, what, look.base()),
            (40, state.to_owned(), style),
        ];
        out.push((line, Some(WingsRow::Pedal(pedal))));
    }
    out
}
