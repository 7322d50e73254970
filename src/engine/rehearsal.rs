//! Rehearsal: a stretch of positions that steps go round.
//!
//! There is no loop in a show: where cues go out, a step leads on.

use super::machine::{Call, Machine};
use super::promptbook::{PositionId, Promptbook};
use super::rescue::Deed;
use super::swap::Swap;

impl Machine {
    /// Where a step leads; whether that is the way round a loop, and so a way back.
    pub(super) fn next_position(&self) -> (Option<PositionId>, bool) {
        match self.stretch {
            Some((first, last)) if self.position == last => (Some(first), true),
            _ => (self.position.0.checked_add(1).map(PositionId), false),
        }
    }

    /// Steps go round from the last of these positions to the first, or on again.
    pub(super) fn set_loop(&mut self, call: &Call<'_>, wanted: Option<(PositionId, PositionId)>) {
        if self.sends_cues && wanted.is_some() {
            self.report(Deed::NoLoop);
            return;
        }
        let fits =
            |(first, last): &(PositionId, PositionId)| first <= last && is_in(call.book, *last);
        self.stretch = wanted.filter(fits);
        self.retarget_priming(call.now_us);
        self.report(Deed::Looped(self.stretch));
    }

    /// The night has changed: a loop goes on between the same two places, if both are in it
    /// still and in their order.
    pub(super) fn keep_loop(&mut self, swap: &Swap, book: &Promptbook) {
        let Some((first, last)) = self.stretch else {
            return;
        };
        let place = |at: PositionId| swap.places.get(at.index()).copied().flatten();
        self.stretch = place(first)
            .zip(place(last))
            .filter(|(first, last)| first <= last && is_in(book, *last));
        if self.stretch.is_none() {
            self.report(Deed::LoopLost);
        }
    }

    /// Cues go out, or are held; a loop ends where they go out.
    pub(super) fn set_cues(&mut self, call: &Call<'_>, sends_cues: bool) {
        self.sends_cues = sends_cues;
        if sends_cues && self.stretch.is_some() {
            self.set_loop(call, None);
        }
    }
}

fn is_in(book: &Promptbook, at: PositionId) -> bool {
    at.index() < book.positions.len()
}
