//! What the playing thread tells after it has played: the view for the screen, notices for
//! the log, and the checkpoint that a failed engine is rebuilt from.
//!
//! None of it comes before a note is on its way. The checkpoint is brought up to date after
//! each call of the engine, by difference. The view is filled once for all that came in
//! together, or at once after a call of which the log may have to tell: two steps that came in
//! together are two lines.

use super::Desk;
use super::waiting::mark_waiting;
use crate::engine::input::Input;
use crate::engine::limits::{MAX_PORTS, MAX_RECEIVERS};

/// How far the view is behind the engine, and the screen behind the view.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Looks {
    /// The engine was called since it was looked at.
    is_due: bool,
    /// The view was filled since it was published.
    is_news: bool,
}

impl Desk {
    /// After a call of the engine: looks at once if the log may have to tell of it.
    pub(super) fn look_after(&mut self, input: Input, is_unusual: bool) {
        self.looks.is_due = true;
        if is_unusual || !self.is_only_played(input) {
            self.look();
        }
    }

    /// Whether the input is what hands play, of which the log tells nothing but counts.
    fn is_only_played(&self, input: Input) -> bool {
        let Input::Midi(_, message) = input else {
            return false;
        };
        let mut bindings = self.book.bindings.iter();
        !bindings.any(|binding| binding.is_pressed_by(message))
    }

    /// Looks at the engine if it was called since the last look.
    pub(super) fn catch_up(&mut self) {
        if self.looks.is_due {
            self.look();
        }
    }

    /// Looks at the engine, and tells what changed since the last look.
    pub(super) fn look(&mut self) {
        self.may_fail("look");
        self.looks = Looks {
            is_due: false,
            is_news: true,
        };
        self.engine.view(&mut self.view);
        self.tell_place(false);
        if let Some(waiting) = &self.waiting {
            mark_waiting(&self.book, waiting, &mut self.view);
        }
        let mut changed = [None; MAX_EVENTS];
        let mut count = 0;
        self.watch.compare(&self.view, &mut |event| {
            if let Some(place) = changed.get_mut(count) {
                *place = Some(event);
                count += 1;
            }
        });
        for event in changed.into_iter().take(count).flatten() {
            self.report(event);
        }
    }

    /// Publishes the view, if it says anything that the one before did not.
    pub(super) fn publish(&mut self) {
        if std::mem::take(&mut self.looks.is_news) {
            self.ends.views.write(self.view);
        }
    }

    pub(super) fn keep_checkpoint(&mut self) {
        self.may_fail("checkpoint");
        self.engine.keep_checkpoint(&mut self.checkpoint);
    }
}

/// Most notices that one call to the engine can give rise to: every receiver and port at
/// once, and one of each other kind.
const MAX_EVENTS: usize = MAX_RECEIVERS + MAX_PORTS + 16;
