//! What the drawing loop is fed with: the session's ends, looked at without waiting.

use std::sync::Arc;

use super::counted;
use super::log::Log;
use super::session::{Hand, Session};
use super::status::{self, Heard};
use crate::engine::view::{Presence, View};
use crate::ports::Clock;
use crate::screen::{LogLevel, LogLine, RigStatus};
use crate::sheet::Sheet;
use crate::ui::Source;

/// A session as the drawing loop sees it.
pub(super) struct Screens<'a> {
    session: &'a mut Session,
    /// Lines of the log that the loop has been given.
    told: u64,
    heard: Heard,
    /// The position it waited at after a kill, until a step takes it up.
    is_waiting: bool,
    /// Errors of the show: what they concern is not played.
    error_count: usize,
}

impl<'a> Screens<'a> {
    pub(super) fn new(session: &'a mut Session, is_waiting: bool, error_count: usize) -> Self {
        Self {
            session,
            told: 0,
            heard: Heard::default(),
            is_waiting,
            error_count,
        }
    }

    /// The way to the playing thread, the log and its clock.
    pub(super) fn ends(&self) -> (Hand, Log, Clock) {
        (
            self.session.desk.clone(),
            self.session.log.clone(),
            self.session.clock,
        )
    }

    /// Adds a line to the log.
    pub(super) fn say(&self, level: LogLevel, words: &str) {
        self.session
            .log
            .push(self.session.clock.now_us(), level, words);
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
        if view.step_us.is_some()
            || view
                .receivers
                .iter()
                .any(|seen| !matches!(seen, Presence::Absent | Presence::Waiting))
        {
            self.is_waiting = false;
        }
        let mode = match self.session.model {
            _ if self.is_waiting => "WAITING: step takes the show up",
            Some(_) => "model rig",
            None => "show",
        };
        let mut warnings = Vec::new();
        if self.is_waiting {
            warnings.push("waiting after a kill: step takes it up".to_string());
        }
        if self.error_count > 0 {
            let errors = counted(self.error_count, "error");
            warnings.push(format!("{errors} in the show, see the log"));
        }
        if self.session.model.is_none() {
            warnings.push(KEYBOARD_PEDALS.to_string());
        }
        status::gather(self.session, &mut self.heard, &view, mode, warnings)
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

    fn is_over(&mut self) -> bool {
        self.session.has_ended()
    }
}

/// A page-turn pedal that is a keyboard reaches the program through the terminal here.
const KEYBOARD_PEDALS: &str =
    "a pedal that types keys (PageDown, arrows) works only while this window has the focus";
