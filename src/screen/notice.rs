//! The one line that must be seen now: a swallowed press, a panic, notes off.

use super::ScreenModel;
use crate::engine::view::{Swallowed, View};

/// How long a swallowed press and a panic stay on the screen, in microseconds.
const NOTICE_US: u64 = 2_000_000;

/// What the player should be told now, the gravest first; nothing most of the time.
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
    model
        .view
        .is_muted
        .then(|| "MUTED: no new notes sound".to_owned())
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
        Swallowed::Bounce => "the pedal bounced",
        Swallowed::TooSoon => "pressed too soon after the last step",
        Swallowed::AtEnd => "this is the last scene of the night",
        Swallowed::AtStart => "this is the first scene of the night",
        Swallowed::Locked => "the pedals are locked from the wings",
        Swallowed::Ignored => "this pedal is ignored from the wings",
    }
}
