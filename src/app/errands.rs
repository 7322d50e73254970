//! What others want written to a file, on its way to the thread that writes files.
//!
//! The thread that draws also takes the step key: it never waits for a disk. It hands over
//! what is to be done, and what came of that is said in the log, to who is at the screen too.

use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use super::recorder::Said;
use crate::screen::LogLevel;

/// Errands that may wait for a slow disk. When full, one more is refused in words.
const ERRAND_LIMIT: usize = 32;

/// Something to write; what came of it, if there is anything to say.
type Errand = Box<dyn FnOnce() -> Option<Said> + Send>;

/// The end of whoever wants something written.
#[derive(Clone)]
pub(super) struct Errands(SyncSender<Errand>);

/// The end of the thread that writes.
pub(super) struct Runner(Receiver<Errand>);

/// Both ends.
pub(super) fn line() -> (Errands, Runner) {
    let (sender, receiver) = sync_channel(ERRAND_LIMIT);
    (Errands(sender), Runner(receiver))
}

impl Errands {
    /// Hands something over, without waiting.
    ///
    /// # Errors
    /// If too much waits already, in words.
    pub(super) fn hand_over(
        &self,
        errand: impl FnOnce() -> Option<Said> + Send + 'static,
    ) -> Result<(), String> {
        let sent = self.0.try_send(Box::new(errand));
        sent.map_err(|_| format!("the disk does not follow: {ERRAND_LIMIT} files wait for it"))
    }
}

impl Runner {
    /// Runs what waits, one after the other; what there is to say.
    pub(super) fn run(&self) -> Vec<Said> {
        self.0.try_iter().filter_map(|errand| errand()).collect()
    }
}

#[cfg(test)]
impl Runner {
    /// Runs what has waited longest.
    pub(super) fn run_one(&self) -> Option<Said> {
        self.0.try_recv().ok()?()
    }
}

/// What is said of something that went well or not.
pub(super) fn said(level: LogLevel, words: String, answer: String) -> Said {
    Said {
        level,
        words,
        answer,
    }
}
