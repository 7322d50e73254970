//! The playing thread's side of a night that is changed: it says what sounds, and takes
//! another book.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

use super::super::notice::Event;
use super::super::replanning::{Answer, Ask};
use super::Desk;
use crate::engine::swap::{Swap, SwapError};

impl Desk {
    /// A question of whoever plans the night anew. What came is given back, so that nothing
    /// is dropped here.
    pub(super) fn answer(&mut self, ask: Ask) {
        let answer = match ask {
            Ask::Look(mut live) => {
                self.engine.live(&mut live);
                Answer::Live(live)
            }
            Ask::Take(mut swap) => match self.take_book(&mut swap) {
                Ok(()) => Answer::Taken(swap),
                Err(error) => Answer::Refused(swap, error),
            },
        };
        // There is room: one question is asked at a time.
        let _ = self.ends.answers.push(answer);
    }

    /// Another book for the engine, and for everything here that goes by its numbers.
    fn take_book(&mut self, swap: &mut Swap) -> Result<(), SwapError> {
        let now_us = self.clock.now_us();
        let from = self.view.position.0;
        self.outbox.clear();
        let Self { engine, outbox, .. } = self;
        let taken = catch_unwind(AssertUnwindSafe(|| engine.take_book(now_us, swap, outbox)));
        if let Ok(Err(error)) = taken {
            return Err(error);
        }
        // `swap` has the old book now, so that the last one here is not dropped.
        self.book = Arc::clone(self.engine.promptbook());
        if taken.is_err() {
            self.checkpoint.position = swap.at();
            self.rebuild(now_us);
        }
        self.engine.view(&mut self.view);
        self.tell_place(false);
        self.record_edition(now_us);
        self.send();
        self.watch.rename(&self.view);
        self.report(Event::Edition {
            edition: self.view.edition,
            from,
            position: self.view.position.0,
            page: self.view.page,
        });
        self.look();
        self.keep_checkpoint();
        Ok(())
    }
}
