//! Sheets of the night by edition: the night may be changed while it is played, and what a
//! view, a notice or a screen says by number belongs to the sheet of its edition.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use crate::screen::LogLevel;
use crate::sheet::Sheet;

/// Editions kept: whoever draws or writes is at most a few behind.
const EDITION_LIMIT: usize = 8;
/// Lines that may wait for the log. Past it the oldest go.
const SAID_LIMIT: usize = 64;

/// The sheets, shared by the threads that plan, draw and write. The playing thread never
/// touches them.
#[derive(Clone, Debug)]
pub(super) struct Editions {
    kept: Arc<Mutex<Kept>>,
}

#[derive(Debug)]
struct Kept {
    /// Number, sheet, and what was changed in words; the newest last, and never none.
    sheets: VecDeque<(u32, Arc<Sheet>, String)>,
    first: Arc<Sheet>,
    said: VecDeque<(LogLevel, String)>,
}

impl Editions {
    /// The night as it was planned at the start: edition 0.
    pub(super) fn new(sheet: Arc<Sheet>) -> Self {
        Self {
            kept: Arc::new(Mutex::new(Kept {
                sheets: VecDeque::from([(0, Arc::clone(&sheet), String::new())]),
                first: sheet,
                said: VecDeque::new(),
            })),
        }
    }

    fn with<T>(&self, work: impl FnOnce(&mut Kept) -> T) -> T {
        work(&mut self.kept.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Adds an edition, before the playing thread has taken it; one that it refused is
    /// replaced by the next of the same number.
    pub(super) fn put(&self, edition: u32, sheet: Arc<Sheet>, words: String) {
        self.with(|kept| {
            kept.sheets.retain(|(other, ..)| *other != edition);
            kept.sheets.push_back((edition, sheet, words));
            if kept.sheets.len() > EDITION_LIMIT {
                kept.sheets.pop_front();
            }
        });
    }

    /// The sheet of an edition and what was changed, or the newest there is.
    pub(super) fn edition(&self, edition: u32) -> (Arc<Sheet>, String) {
        self.with(|kept| {
            let mut sheets = kept.sheets.iter();
            let found = sheets
                .find(|(other, ..)| *other == edition)
                .or(kept.sheets.back());
            found.map_or_else(
                || (Arc::clone(&kept.first), String::new()),
                |(_, sheet, words)| (Arc::clone(sheet), words.clone()),
            )
        })
    }

    /// Something for the log.
    pub(super) fn say(&self, level: LogLevel, words: String) {
        self.with(|kept| {
            if kept.said.len() == SAID_LIMIT {
                kept.said.pop_front();
            }
            kept.said.push_back((level, words));
        });
    }

    /// What was said since the last call.
    pub(super) fn take_said(&self) -> Vec<(LogLevel, String)> {
        self.with(|kept| kept.said.drain(..).collect())
    }
}
