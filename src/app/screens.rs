//! What the drawing loop is fed with: the session's ends, looked at without waiting.

use std::sync::Arc;

use super::session::{Hand, Session};
use super::status;
use crate::engine::view::View;
use crate::screen::{LogLevel, LogLine, RigStatus};
use crate::sheet::Sheet;
use crate::ui::Source;

/// A session as the drawing loop sees it.
pub(super) struct Screens<'a> {
    session: &'a mut Session,
    /// Lines of the log that the loop has been given.
    told: u64,
    /// The position it waited at after a kill, until a step takes it up.
    is_waiting: bool,
}

impl<'a> Screens<'a> {
    pub(super) fn new(session: &'a mut Session, is_waiting: bool) -> Self {
        Self { session, told: 0, is_waiting }
    }

    /// The way to the playing thread.
    pub(super) fn hand(&self) -> Hand {
        self.session.desk.clone()
    }

    /// Adds a line to the log.
    pub(super) fn say(&self, level: LogLevel, words: &str) {
        self.session.log.push(self.session.clock.now_us(), level, words);
    }
}

impl Source for Screens<'_> {
    fn view(&mut self) -> &View {
        self.session.views.read()
    }

    fn sheet(&mut self) -> Arc<Sheet> {
        Arc::clone(&self.session.sheet)
    }

    fn rig(&mut self) -> RigStatus {
        let view = *self.session.views.read();
        if view.step_us.is_some() || view.receivers.iter().any(|seen| *seen != Default::default()) {
            self.is_waiting = false;
        }
        let mode = if self.session.model.is_some() { "model rig" } else { "show" };
        let mut warnings = Vec::new();
        if self.is_waiting {
            warnings.push("waiting after a kill: step takes it up".to_string());
        }
        status::gather(self.session, &view, mode, &warnings)
    }

    fn drain_log(&mut self, into: &mut Vec<LogLine>) {
        self.told = self.session.log.since(self.told, into);
    }

    fn now_us(&mut self) -> u64 {
        self.session.clock.now_us()
    }

    fn clock(&mut self) -> String {
        status::time_of_day()
    }
}
