//! What stands large at the right of the stage's name: the call number, the beat that is
//! counted or a notice; beside it the time of day, under it whether the night is late.

use super::big::{Fit, fit};
use super::count_in::CountIn;
use super::narrow;
use super::notice::notice;
use super::stage::{BAR, Stage};
use super::stage_plan::Plan;
use super::text::{indent, rows};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Columns between two large texts in a row.
const BESIDE: u16 = 4;

/// The most columns of the time of day.
const CLOCK: u16 = 24;

/// The most rows of the call number and of the time of day.
const HIGH: u16 = 4;

/// The row to be drawn: the call number (or beat, or notice), and the time of day if it fits.
struct Call {
    first: Fit,
    style: Style,
    clock: Option<Fit>,
}

impl Stage<'_> {
    /// Whether the time of day stands large beside the name.
    pub(super) fn has_large_clock(&self, plan: &Plan, name: &str) -> bool {
        let Some(used) = self.big(name, plan.now_big).map(|fit| fit.width()) else {
            return false;
        };
        let size = (self.area.width.saturating_sub(BAR), plan.now_big.min(HIGH));
        let call = self.call(plan.next_big == 0, used, size);
        call.is_some_and(|call| call.clock.is_some())
    }

    fn call(&self, may_notice: bool, used: u16, (width, high): (u16, u16)) -> Option<Call> {
        let place = self.present?;
        let look = &self.look;
        let room = width.saturating_sub(used.saturating_add(BESIDE));
        let notice = self.large_notice(room, high).filter(|_| may_notice);
        let beat = CountIn::of(self.model, &place).and_then(|count| count.beat);
        let (words, style) = match beat {
            Some(beat) => (beat.to_string(), look.now()),
            None => (place.position.call.clone(), look.faint()),
        };
        let (first, style) = match notice {
            Some(notice) => (notice, look.warning()),
            None => (fit(&words, room, high, look)?, style),
        };
        let room = room.saturating_sub(first.width() + BESIDE);
        let clock = fit(&self.model.clock(), room.min(CLOCK), high, look);
        Some(Call {
            first,
            style,
            clock,
        })
    }

    /// Draws large text at the right, where the name leaves room: the call number, or a notice
    /// that has no better place, or the beat of the count-in; beside it the time of day, and
    /// under that whether the night is late.
    pub(super) fn render_call(&self, may_notice: bool, used: u16, area: Rect, buf: &mut Buffer) {
        let look = &self.look;
        let high = area.height.min(HIGH);
        let Some(call) = self.call(may_notice, used, (area.width, high)) else {
            return;
        };
        let right = indent(area, area.width.saturating_sub(call.first.width()));
        call.first.render(look, call.style, right, buf);
        if let Some(clock) = call.clock {
            let x = right.x - area.x;
            let left = indent(area, x.saturating_sub(clock.width() + BESIDE));
            clock.render(look, look.base(), left, buf);
        }
        let room = area.width.saturating_sub(used.saturating_add(2 * BESIDE));
        let pace = self.model.pace().words(self.model.time_s);
        let below = rows(area, high + 1, narrow::HIGH);
        if below.height == narrow::HIGH
            && let Some((words, is_warning)) = pace.first()
            && let Some(pace) = fit(words, room, narrow::HIGH, look)
        {
            let style = if *is_warning {
                look.warning()
            } else {
                look.faint()
            };
            let right = indent(below, below.width.saturating_sub(pace.width()));
            pace.render(look, style, right, buf);
        }
    }

    /// A notice in large letters: all of it, or its first words (`NO STEP`, `PANIC`).
    pub(super) fn large_notice(&self, width: u16, height: u16) -> Option<Fit> {
        let notice = notice(self.model)?;
        let first = notice.split(':').next().unwrap_or_default();
        let large = |words: &str| fit(words, width, height, &self.look);
        large(&notice).or_else(|| large(first))
    }
}
