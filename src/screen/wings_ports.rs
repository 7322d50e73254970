//! Ports, receivers and slots as lines of the wings.

use super::ScreenModel;
use super::look::Look;
use super::text::{put, wrap_items};
use super::wings_rows::{RowLine, WingsRow};
use crate::engine::view::{Presence, SlotView};
use crate::report::status::OutPortStatus;
use crate::sheet::ReceiverLine;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Pieces of a line: column, words, style. A piece is cut before the next begins.
pub(super) type Line = Vec<(u16, String, Style)>;

/// Draws `line` into the row `area`.
pub(super) fn draw(buf: &mut Buffer, area: Rect, line: &Line) {
    for (index, (x, words, style)) in line.iter().enumerate() {
        let end = line
            .get(index + 1)
            .map_or(area.width, |next| next.0.saturating_sub(1));
        let piece = Rect {
            width: end.min(area.width),
            ..area
        };
        put(buf, piece, (*x, 0), words, *style);
    }
}

/// A heading with its columns.
fn heading(look: &Look, columns: &[(u16, &str)]) -> Line {
    let pieces = columns.iter().enumerate();
    let style = |index| {
        if index == 0 {
            look.strong()
        } else {
            look.faint()
        }
    };
    pieces
        .map(|(index, (x, words))| (*x, (*words).to_owned(), style(index)))
        .collect()
}

/// The output ports: a heading, a line each, and the last error under a port that had one.
pub(super) fn out_ports(model: &ScreenModel, look: &Look) -> Vec<Line> {
    let mut out = vec![heading(
        look,
        &[
            (2, "OUT"),
            (15, "kind"),
            (26, "state"),
            (40, "busy"),
            (52, "queue"),
            (64, "sent"),
            (73, "last"),
            (81, "identity"),
        ],
    )];
    for (index, port) in model.sheet.out_ports.iter().enumerate() {
        let unknown = OutPortStatus::default();
        let status = model.rig.out_ports.get(index).unwrap_or(&unknown);
        let is_waiting = model
            .sheet
            .receivers
            .iter()
            .zip(&model.view.receivers)
            .any(|(line, seen)| line.port == index && *seen == Presence::Waiting);
        let (state, style) = match (status.is_present, status.is_verified) {
            (false, _) => ("absent", look.bad()),
            (true, _) if is_waiting => ("waiting", look.warning()),
            (true, false) => ("not verified", look.warning()),
            (true, true) => ("verified", look.good()),
        };
        let queued: Vec<String> = status.queued.iter().map(u32::to_string).collect();
        out.push(vec![
            (2, port.name.clone(), look.strong()),
            (15, port.kind.words().to_owned(), look.base()),
            (26, state.to_owned(), style),
            (
                40,
                gauge(look, status.busy_permille),
                busy_style(look, status.busy_permille),
            ),
            (52, queued.join(" "), look.base()),
            (64, bytes_words(status.bytes_sent), look.base()),
            (73, idle_words(status.idle_us), look.base()),
            (81, status.identity.clone(), look.faint()),
        ]);
        out.extend(error_line(look, &status.last_error));
    }
    out
}

/// The input ports: a heading, a line each, and the last error under a port that had one.
pub(super) fn in_ports(model: &ScreenModel, look: &Look) -> Vec<Line> {
    let mut out = vec![heading(
        look,
        &[
            (2, "IN"),
            (15, "kind"),
            (26, "state"),
            (40, "messages"),
            (52, "overflows"),
            (73, "last"),
            (81, "identity"),
        ],
    )];
    for (index, port) in model.sheet.in_ports.iter().enumerate() {
        let status = model.rig.in_ports.get(index);
        let is_present = model.view.in_ports.get(index).copied().unwrap_or(false);
        let (state, style) = match (is_present, status.and_then(|status| status.idle_us)) {
            (false, _) => ("absent", look.bad()),
            (true, None) => ("not verified", look.warning()),
            (true, Some(_)) => ("verified", look.good()),
        };
        let overflows = status.map_or(0, |status| status.overflows);
        out.push(vec![
            (2, port.name.clone(), look.strong()),
            (15, port.kind.words().to_owned(), look.base()),
            (26, state.to_owned(), style),
            (
                40,
                status.map_or(0, |status| status.messages).to_string(),
                look.base(),
            ),
            (
                52,
                overflows.to_string(),
                if overflows > 0 {
                    look.bad()
                } else {
                    look.faint()
                },
            ),
            (
                73,
                idle_words(status.and_then(|status| status.idle_us)),
                look.base(),
            ),
            (
                81,
                status.map_or(String::new(), |status| status.identity.clone()),
                look.faint(),
            ),
        ]);
        out.extend(error_line(
            look,
            status.map_or("", |status| &status.last_error),
        ));
    }
    out
}

/// The receivers, each followed by what its slots are assumed to hold, on at most `most_rows`
/// rows.
pub(super) fn receivers(
    model: &ScreenModel,
    look: &Look,
    (columns, most_rows): (u16, usize),
) -> Vec<RowLine> {
    const WORDS: u16 = 40;
    let head = heading(
        look,
        &[
            (2, "RECEIVERS"),
            (15, "what"),
            (26, "state"),
            (WORDS, "slots are believed to hold"),
        ],
    );
    let mut out: Vec<RowLine> = vec![(head, None)];
    for (index, receiver) in model.sheet.receivers.iter().enumerate() {
        let (state, style) = presence(model, look, index);
        let duty = duty_words(model, index);
        let held = filled_slots(model, receiver)
            .map(|(channel, slot)| slot_words(receiver, &channel, slot));
        let held: Vec<String> = duty.into_iter().chain(held).collect();
        let pieces = wrap_items(&held, columns.saturating_sub(WORDS + 1).max(1), most_rows);
        let mut pieces = pieces.into_iter();
        let line = vec![
            (2, receiver.name.clone(), look.strong()),
            (15, receiver.kind.words().to_owned(), look.base()),
            (26, state.to_owned(), style),
            (WORDS, pieces.next().unwrap_or_default(), look.base()),
        ];
        out.push((line, Some(WingsRow::Receiver(index))));
        out.extend(pieces.map(|piece| (vec![(WORDS, piece, look.base())], None)));
    }
    out
}

/// The receivers with a line for each slot that holds something.
pub(super) fn slots(model: &ScreenModel, look: &Look) -> Vec<RowLine> {
    let mut out = Vec::new();
    for (index, receiver) in model.sheet.receivers.iter().enumerate() {
        let (state, style) = presence(model, look, index);
        let port = model.sheet.out_ports.get(receiver.port);
        let mut line = vec![
            (2, receiver.name.clone(), look.strong()),
            (16, receiver.kind.words().to_owned(), look.base()),
            (30, state.to_owned(), style),
            (
                46,
                port.map_or(String::new(), |port| format!("on {}", port.name)),
                look.faint(),
            ),
        ];
        if let Some(duty) = duty_words(model, index) {
            line.push((66, duty, look.warning()));
        }
        out.push((line, Some(WingsRow::Receiver(index))));
        let before = out.len();
        for (channel, slot) in filled_slots(model, receiver) {
            let volume = match slot.volume {
                Some(volume) => format!("vol {volume}"),
                None if receiver.has_level => "vol ?".to_owned(),
                None => String::new(),
            };
            let notes = if slot.notes > 0 {
                notes_words(slot.notes)
            } else {
                String::new()
            };
            let role = match (slot.is_loading, slot.sound) {
                (true, _) => "loading",
                (false, Some(_)) => "in this scene",
                (false, None) => "",
            };
            let line = vec![
                (4, channel_cell(&channel), look.faint()),
                (11, held_words(receiver, &channel, slot), look.base()),
                (42, volume, look.base()),
                (51, notes, look.now()),
                (61, role.to_owned(), look.faint()),
            ];
            out.push((line, None));
        }
        if out.len() == before {
            let words = "nothing is known of its slots".to_owned();
            out.push((vec![(4, words, look.faint())], None));
        }
        out.push((Vec::new(), None));
    }
    out
}

/// Which receiver stands in for which, and whether it is muted; None most of the time.
fn duty_words(model: &ScreenModel, index: usize) -> Option<String> {
    let duty = model.view.duties.get(index)?;
    let receivers = &model.sheet.receivers;
    let main = receivers.get(index)?.spare_of;
    let name = |at: usize| receivers.get(at).map_or("?", |line| line.name.as_str());
    let mut words = Vec::new();
    match (main, duty.stands_by) {
        (Some(main), true) => words.push(format!("stands by for {}", name(main))),
        (Some(main), false) => words.push(format!("PLAYS for {}", name(main))),
        (None, true) => words.push("STANDS BY, its spare plays".to_owned()),
        (None, false) => {}
    }
    if duty.is_muted {
        words.push("MUTED".to_owned());
    }
    (!words.is_empty()).then(|| words.join(", "))
}

/// State of a receiver in a word: `verified` only if something was heard from it.
fn presence(model: &ScreenModel, look: &Look, index: usize) -> (&'static str, Style) {
    match model.view.receivers.get(index).copied().unwrap_or_default() {
        Presence::Absent => ("absent", look.bad()),
        Presence::Waiting => ("waiting", look.warning()),
        Presence::Starting => ("starting", look.warning()),
        Presence::NotVerified => ("not verified", look.warning()),
        Presence::Verified => ("verified", look.good()),
    }
}

/// The slots of a receiver that hold something known, with their channels (1–16).
fn filled_slots<'a>(
    model: &'a ScreenModel,
    receiver: &'a ReceiverLine,
) -> impl Iterator<Item = (String, &'a SlotView)> {
    let (first, count) = receiver.slots;
    let slots = model.view.slots.iter().skip(first).take(count);
    slots
        .enumerate()
        .filter(|(_, slot)| {
            slot.program.is_some() || slot.notes > 0 || slot.sound.is_some() || slot.is_loading
        })
        .filter_map(|(at, slot)| Some((receiver.channel_words(at)?, slot)))
}

fn slot_words(receiver: &ReceiverLine, channel: &str, slot: &SlotView) -> String {
    let mut words = format!("{channel} {}", patch_words(receiver, slot));
    if let Some(volume) = slot.volume {
        words = format!("{words} vol {volume}");
    }
    if slot.notes > 0 {
        words = format!("{words} {}", notes_words(slot.notes));
    }
    if slot.is_loading {
        words.push_str(" loading");
    }
    words
}

/// `ch 3`, or for an MPE zone its channels without `ch`.
fn channel_cell(channel: &str) -> String {
    match channel.contains('-') {
        true => channel.to_owned(),
        false => format!("ch {channel}"),
    }
}

/// What a slot holds, and that it is an MPE zone.
fn held_words(receiver: &ReceiverLine, channel: &str, slot: &SlotView) -> String {
    let patch = patch_words(receiver, slot);
    match channel.contains('-') {
        true => format!("{patch} (MPE zone)"),
        false => patch,
    }
}

/// The patch's name; its numbers where the patch list does not have it.
pub(super) fn patch_words(receiver: &ReceiverLine, slot: &SlotView) -> String {
    let Some(program) = slot.program else {
        return "not known".to_owned();
    };
    let named = receiver
        .patches
        .iter()
        .find(|patch| patch.program == program && (patch.bank_msb, patch.bank_lsb) == slot.bank);
    if let Some(patch) = named {
        return patch.name.clone();
    }
    let byte = |bank: Option<u8>| bank.map_or("-".to_owned(), |bank| bank.to_string());
    format!(
        "bank {}/{} program {}",
        byte(slot.bank.0),
        byte(slot.bank.1),
        u16::from(program) + 1
    )
}

fn notes_words(notes: u16) -> String {
    if notes == 1 {
        "1 note".to_owned()
    } else {
        format!("{notes} notes")
    }
}

fn error_line(look: &Look, error: &str) -> Option<Line> {
    (!error.is_empty()).then(|| {
        vec![
            (15, "last error".to_owned(), look.bad()),
            (26, error.to_owned(), look.bad()),
        ]
    })
}

/// Five marks and the number: `▮▮▯▯▯ 40 %`.
fn gauge(look: &Look, permille: u16) -> String {
    let [full, empty] = look.marks.gauge;
    let permille = permille.min(1000);
    let filled = usize::from(permille.div_ceil(200));
    format!(
        "{}{} {:>3} %",
        full.repeat(filled),
        empty.repeat(5 - filled),
        permille / 10
    )
}

fn busy_style(look: &Look, permille: u16) -> Style {
    if permille >= 800 {
        look.warning()
    } else {
        look.base()
    }
}

fn bytes_words(bytes: u64) -> String {
    match bytes {
        0..10_000 => format!("{bytes} B"),
        10_000..10_000_000 => format!("{} kB", bytes / 1000),
        _ => format!("{} MB", bytes / 1_000_000),
    }
}

/// Time since a port was last used, in whole units so that the display does not flicker.
fn idle_words(idle_us: Option<u64>) -> String {
    match idle_us.map(|us| us / 1_000_000) {
        None => "never".to_owned(),
        Some(0) => "now".to_owned(),
        Some(seconds @ 1..120) => format!("{seconds} s"),
        Some(seconds) => format!("{} min", seconds / 60),
    }
}
