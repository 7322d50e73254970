//! What is to be recorded, and how far that is: cells that every thread sees.
//!
//! Takes have numbers, so that a stop and a start in one moment are two takes and not none.
//! A wish is a number that only grows: odd while take number `wish` is wanted, even while
//! none is. Nothing here can be full.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

/// The cells.
#[derive(Debug, Default)]
pub(super) struct Takes {
    wish: AtomicU64,
    /// The latest take of which all has been handed over to whoever writes.
    handed: AtomicU64,
    /// The latest take that ended early because whoever writes did not follow.
    overrun: AtomicU64,
    /// How writing goes. The playing thread never looks at it.
    status: Mutex<TakesStatus>,
}

/// How writing goes, for the screens.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct TakesStatus {
    /// What is played is being written, and can be.
    pub(super) is_written: bool,
    /// What stands in the way, in words; empty if nothing does.
    pub(super) trouble: String,
}

impl Takes {
    /// Begins a take, or ends the one that runs.
    pub(super) fn toggle(&self) {
        self.wish.fetch_add(1, Ordering::AcqRel);
    }

    /// What is wished now.
    pub(super) fn wish(&self) -> u64 {
        self.wish.load(Ordering::Acquire)
    }

    /// Ends a take that cannot go on, unless somebody ended it already.
    pub(super) fn give_up(&self, take: u64) {
        let next = take + 1;
        // If it fails, the take is ended, and perhaps another is wanted.
        let _ = self
            .wish
            .compare_exchange(take, next, Ordering::AcqRel, Ordering::Acquire);
    }

    /// Notes that all of a take has been handed over.
    pub(super) fn end(&self, take: u64) {
        self.handed.fetch_max(take, Ordering::AcqRel);
    }

    /// Notes that a take ended because whoever writes did not follow.
    pub(super) fn overrun(&self, take: u64) {
        self.overrun.fetch_max(take, Ordering::AcqRel);
        self.end(take);
        self.give_up(take);
    }

    /// The latest take that has been handed over, and the latest that ended early.
    pub(super) fn ended(&self) -> (u64, u64) {
        // Whoever sees an early end sees the end with it.
        let overrun = self.overrun.load(Ordering::Acquire);
        (self.handed.load(Ordering::Acquire).max(overrun), overrun)
    }

    /// How writing goes.
    pub(super) fn status(&self) -> TakesStatus {
        self.status
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Notes how writing goes.
    pub(super) fn set_status(&self, status: TakesStatus) {
        *self.status.lock().unwrap_or_else(PoisonError::into_inner) = status;
    }
}

/// The take that a wish asks for; none if it asks for none.
pub(super) const fn take_of(wish: u64) -> Option<u64> {
    if wish % 2 == 1 { Some(wish) } else { None }
}
