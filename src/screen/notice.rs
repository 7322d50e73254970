//! The one line that must be seen now: a swallowed press, a panic, notes off.

use super::ScreenModel;
use crate::engine::view::Swallowed;

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
    model
        .view
        .is_muted
        .then(|| "MUTED: no new notes sound".to_owned())
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
