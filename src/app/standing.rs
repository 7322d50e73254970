//! What is wrong until it is mended, and stands on the stage and the wings as long.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// What can be wrong for a while; one line each, in this order.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Trouble {
    /// The place is not written down.
    Place,
    /// The log is not written down.
    Log,
}

/// The lines that stand, shared by the thread that knows them and the screen.
#[derive(Clone, Debug, Default)]
pub(super) struct Standing {
    lines: Arc<Mutex<BTreeMap<Trouble, String>>>,
}

impl Standing {
    /// Puts a line up, or another in its place; none takes it down. Whether that was news:
    /// something is wrong that was not, or is mended.
    pub(super) fn set(&self, trouble: Trouble, words: Option<String>) -> bool {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let is_wrong = words.is_some();
        let was_wrong = match words {
            Some(words) => lines.insert(trouble, words),
            None => lines.remove(&trouble),
        };
        is_wrong != was_wrong.is_some()
    }

    /// The lines now.
    pub(super) fn read(&self) -> Vec<String> {
        let lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        lines.values().cloned().collect()
    }
}
