//! The screen of a show that is played: drawn until the person leaves, and begun anew when
//! drawing fails; what it asks for goes to the threads that do it.

use std::io;
use std::panic::{AssertUnwindSafe, catch_unwind};

use super::log::Log;
use super::performance::Hand;
use super::screens::Screens;
use super::wishes::Wishes;
use crate::engine::input::{Command, Origin};
use crate::ports::Clock;
use crate::screen::{LogLevel, LogLine, UiState};
use crate::ui::{self, Keys, NightEdit, UiExit, Wish};

/// How often a failing drawing thread is started again before the show goes on without a
/// screen.
const SCREEN_LIVES: u32 = 20;

/// Draws until the person leaves; a panic in drawing starts the screen again.
pub(super) fn draw(
    screens: &mut Screens<'_>,
    state: &mut UiState,
    keys: Keys,
) -> io::Result<UiExit> {
    let mut desk = ui::Desk::new(keys);
    for life in 0..SCREEN_LIVES {
        let (hand, log, clock) = screens.ends();
        let mut sink = Asking {
            wishes: screens.wishes(),
            hand,
            log,
            clock,
        };
        match catch_unwind(AssertUnwindSafe(|| {
            ui::run(screens, &mut sink, &mut desk, state)
        })) {
            Ok(exit) => return exit,
            Err(_) => screens.say(
                LogLevel::Error,
                &format!("the screen failed and was started again ({})", life + 1),
            ),
        }
    }
    Err(io::Error::other("it failed again and again"))
}

/// Answers in the log that no screen has been given.
pub(super) fn missed(log: &Log, told: u64) -> Vec<String> {
    let mut lines = Vec::new();
    log.since(told, &mut lines);
    let answers = lines.into_iter().map(|line| line.answer);
    answers.filter(|answer| !answer.is_empty()).collect()
}

/// What the screen asks for, on its way to the threads that do it.
struct Asking {
    hand: Hand,
    log: Log,
    clock: Clock,
    wishes: Wishes,
}

impl Asking {
    fn refused(&self, words: &str) {
        let now_us = self.clock.now_us();
        self.log.push(now_us, LogLevel::Warning, words);
    }
}

impl ui::Sink for Asking {
    fn send(&mut self, command: Command, origin: Origin) {
        if !self.hand.ask(command, origin) {
            self.refused("too many commands at once: one was not taken");
        }
    }

    fn wish(&mut self, wish: Wish, state: &mut UiState, log: &[LogLine]) {
        self.wishes.grant(wish, state, log);
    }

    fn edit(&mut self, edit: NightEdit) {
        if !self.hand.change(edit) {
            self.refused("too many changes of the night at once: one was not taken");
        }
    }
}
