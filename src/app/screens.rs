//! What the drawing loop is fed with: the performance's ends, looked at without waiting.

use std::collections::BTreeSet;
use std::rc::Rc;
use std::sync::Arc;

use super::counted;
use super::log::Log;
use super::performance::{Hand, Performance};
use super::standing::joined;
use super::status::{self, Heard};
use super::wishes::Wishes;
use crate::engine::view::{Presence, Swallowed, View};
use crate::ports::Clock;
use crate::screen::{LogLevel, LogLine, RigStatus};
use crate::sheet::Sheet;
use crate::ui::Source;
use crate::vocabulary::PortKind;

/// A performance as the drawing loop sees it.
pub(super) struct Screens<'a> {
    performance: &'a mut Performance,
    /// Lines of the log that the loop has been given.
    told: u64,
    heard: Heard,
    /// What it waits for, until a step takes it up.
    waits: Option<String>,
    /// Ports were asked for and there are none: the model rig plays instead.
    is_silent: bool,
    /// Errors of the show: what they concern is not played.
    error_count: usize,
    /// The position at which drawing fails once; never in a release.
    fails_at: Option<u32>,
    /// Where the show is, and the positions that it has left.
    at: u32,
    passed: BTreeSet<u32>,
}

impl<'a> Screens<'a> {
    pub(super) fn new(
        performance: &'a mut Performance,
        waits: Option<String>,
        is_silent: bool,
        error_count: usize,
    ) -> Self {
        Self {
            performance,
            told: 0,
            heard: Heard::default(),
            waits,
            is_silent,
            error_count,
            fails_at: fails_at(),
            at: 0,
            passed: BTreeSet::new(),
        }
    }

    /// How many lines of the log the loop has been given.
    pub(super) const fn told(&self) -> u64 {
        self.told
    }

    /// The way to the playing thread, the log and its clock.
    pub(super) fn ends(&self) -> (Hand, Log, Clock) {
        (
            self.performance.desk.clone(),
            self.performance.log.clone(),
            self.performance.clock,
        )
    }

    /// Who grants what the screen wishes of the files.
    pub(super) fn wishes(&self) -> Wishes {
        Wishes {
            show: self.performance.sheet.show.clone(),
            log: self.performance.log.clone(),
            clock: self.performance.clock,
            shared: Arc::clone(&self.performance.shared),
            hand: self.performance.desk.clone(),
            learning: Rc::clone(&self.performance.learning),
            errands: self.performance.errands.clone(),
        }
    }

    /// The positions that were left.
    pub(super) fn take_passed(&mut self) -> BTreeSet<u32> {
        std::mem::take(&mut self.passed)
    }

    /// Adds a line to the log.
    pub(super) fn say(&self, level: LogLevel, words: &str) {
        self.performance
            .log
            .push(self.performance.clock.now_us(), level, words);
    }
}

impl Source for Screens<'_> {
    fn view(&mut self) -> &View {
        let view = self.performance.views.read();
        if self.fails_at == Some(view.position.0) {
            self.fails_at = None;
            fail();
        }
        if view.position.0 != self.at {
            self.passed.insert(self.at);
            self.at = view.position.0;
        }
        // A step at the end of the night leads nowhere, and says as much of its last place.
        if matches!(view.swallowed, Some((_, Swallowed::AtEnd))) {
            self.passed.insert(self.at);
        }
        view
    }

    fn sheet(&mut self, edition: u32) -> Arc<Sheet> {
        self.performance.desk.see(edition);
        self.performance.editions.edition(edition).0
    }

    fn rig(&mut self) -> RigStatus {
        let view = *self.performance.views.read();
        if view.step_us.is_some()
            || view
                .receivers
                .iter()
                .any(|seen| !matches!(seen, Presence::Absent | Presence::Waiting))
        {
            self.waits = None;
        }
        let takes = self.performance.shared.takes.status();
        let mode = match self.performance.model {
            _ if self.waits.is_some() => "WAITING: step takes the show up",
            _ if takes.is_written => "RECORDING",
            _ if !view.sends_cues => "rehearsal",
            Some(_) => "model rig",
            None => "show",
        };
        let mut warnings: Vec<String> = self.waits.iter().cloned().collect();
        warnings.extend(self.performance.standing.read());
        if !takes.trouble.is_empty() {
            warnings.push(takes.trouble);
        }
        warnings = joined(warnings);
        if self.error_count > 0 {
            let errors = counted(self.error_count, "error");
            warnings.push(format!("{errors} in the show, see the log"));
        }
        let ports = &self.performance.sheet.in_ports;
        let has_key_pedal = ports.iter().any(|port| port.kind == PortKind::Keys);
        if self.performance.model.is_none() && !has_key_pedal {
            warnings.push(KEYBOARD_PEDALS.to_string());
        }
        let heard = &mut self.heard;
        RigStatus {
            is_silent: self.is_silent,
            ..status::gather(self.performance, heard, &view, mode, warnings)
        }
    }

    fn drain_log(&mut self, into: &mut Vec<LogLine>) {
        self.told = self.performance.log.since(self.told, into);
    }

    fn now_us(&mut self) -> u64 {
        self.performance.clock.now_us()
    }

    fn time_s(&mut self) -> u32 {
        status::time_of_day_s()
    }

    fn is_over(&mut self) -> bool {
        self.performance.has_ended()
    }
}

/// For the test that a screen which dies comes back: no key and no show brings it about.
#[cfg(debug_assertions)]
fn fails_at() -> Option<u32> {
    std::env::var("SEGUE_SCREEN_FAILS_AT").ok()?.parse().ok()
}

#[cfg(not(debug_assertions))]
const fn fails_at() -> Option<u32> {
    None
}

#[expect(clippy::panic, reason = "this is what the test is about")]
fn fail() {
    panic!("the screen was told to fail");
}

/// A page-turn pedal that is a keyboard and not in the rig reaches the program through the
/// terminal.
const KEYBOARD_PEDALS: &str = "a pedal that types keys (PageDown, arrows) works only while this window has the focus; kind: Keys in rig.ron takes it";
