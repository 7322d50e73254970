//! The one line that must be seen now: a swallowed press, a panic, notes off.

use super::ScreenModel;
use super::look::Look;
use super::pieces::Piece;
use super::text::{put, put_right, row};
use crate::engine::view::{Presence, Swallowed, View};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

/// How long a swallowed press and a panic stay on the screen, in microseconds.
const NOTICE_US: u64 = 2_000_000;

/// The most serious notice for the player; None most of the time.
pub(super) fn notice(model: &ScreenModel) -> Option<String> {
    let is_fresh = |time_us: u64| model.now_us.saturating_sub(time_us) < NOTICE_US;
    if model.view.panic_us.is_some_and(is_fresh) {
        return Some("PANIC: everything was silenced".to_owned());
    }
    if let Some((_, reason)) = model
        .view
        .swallowed
        .filter(|(time_us, _)| is_fresh(*time_us))
    {
        return Some(format!("NO STEP: {}", reason_words(reason)));
    }
    let view = &model.view;
    if view.is_faded || view.master < 127 {
        return Some(fade_words(view));
    }
    let standing: Vec<_> = [
        // A glance at the stage must not take this for a show with sound.
        (model.rig.is_silent, "NO SOUND", "there is no MIDI here"),
        (view.is_muted, "MUTED", "no new notes sound"),
        (view.is_locked, "LOCKED", "no pedal steps"),
        (
            model.ui.are_keys_locked,
            "KEYS LOCKED",
            "panic and help work",
        ),
    ]
    .into_iter()
    .filter_map(|(is_so, head, words)| is_so.then_some((head, words)))
    .collect();
    let (heads, words): (Vec<_>, Vec<_>) = standing.into_iter().unzip();
    (!heads.is_empty()).then(|| format!("{}: {}", heads.join(", "), words.join(", ")))
}

/// The notice where there is room for one line only. It includes that the show waits, which
/// larger screens say at their head and foot.
pub(super) fn short_notice(model: &ScreenModel) -> Option<String> {
    let mut present = model
        .view
        .receivers
        .iter()
        .take(model.sheet.receivers.len());
    let is_waiting = present.any(|presence| *presence == Presence::Waiting);
    notice(model).or_else(|| is_waiting.then(|| "WAITING: step takes the show up".to_owned()))
}

/// A notice as a piece of a header: in full, or shortened to its first words at `rank`.
pub(super) fn notice_piece(words: &str, rank: u8, look: &Look) -> Piece {
    let first = words.split(':').next().unwrap_or_default();
    let (all, first) = (format!(" {words} "), format!(" {first} "));
    Piece::new(rank, &all, look.notice()).or(0, &first, look.notice())
}

/// Draws the notice where no row is left for it: over the last row of `area` that is not being
/// typed in, or beside the text if that is the only row.
pub(super) fn render_short(
    model: &ScreenModel,
    look: &Look,
    area: Rect,
    footer: u16,
    buf: &mut Buffer,
) {
    let Some(words) = short_notice(model) else {
        return;
    };
    let ui = model.ui;
    let is_typed = ui.prompt.is_some() || !ui.said.is_empty() || !ui.asked.is_empty();
    let kept = if is_typed { footer } else { 0 };
    let last = area.height.saturating_sub(kept + 1);
    let area = row(area, last);
    if last == 0 {
        let first = words.split(':').next().unwrap_or_default();
        put_right(buf, area, 0, &format!(" {first} "), look.notice());
        return;
    }
    let blank = " ".repeat(usize::from(area.width));
    put(buf, area, (0, 0), &blank, look.base());
    put(buf, area, (0, 0), &format!(" {words} "), look.notice());
}

fn fade_words(view: &View) -> String {
    if view.master == 0 {
        return "FADED OUT: nothing is heard until it is faded in".to_owned();
    }
    let way = if view.is_faded { "out" } else { "in" };
    format!("FADING {way}: {:.0} dB", view.fade_db())
}

const fn reason_words(reason: Swallowed) -> &'static str {
    match reason {
        Swallowed::Bounce => "it bounced",
        Swallowed::Repeat => "the key is held down",
        Swallowed::TooSoon => "pressed too soon after the last step",
        Swallowed::AtEnd => "this is the last scene of the night",
        Swallowed::AtStart => "this is the first scene of the night",
        Swallowed::Locked => "the pedals are locked from the wings",
        Swallowed::Ignored => "this pedal is ignored from the wings",
    }
}
