//! The playing thread's last things: what it does after a fault in the engine, and how a
//! show ends.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::Duration;

use super::super::notice::Event;
use super::{Desk, is_known_to_engine};
use crate::engine::Engine;
use crate::engine::input::{Command, Input};
use crate::engine::promptbook::{ControllerId, InPort, OutPort, Promptbook, ReceiverId};
use crate::engine::rescue::PedalId;
use crate::engine::view::View;

impl Desk {
    /// What was sounding is known from the last checkpoint, and ends with a panic. An engine
    /// that cannot even be restored is replaced by a new one at the same position.
    pub(super) fn rebuild(&mut self, now_us: u64) {
        self.outbox.clear();
        let Self {
            engine,
            outbox,
            checkpoint,
            ..
        } = self;
        let silenced = catch_unwind(AssertUnwindSafe(|| {
            let restored = engine.restore(checkpoint).is_ok();
            engine.handle(now_us, Input::Command(Command::Panic(None)), outbox);
            restored
        }));
        if !silenced.unwrap_or(false) {
            self.replace_engine(now_us);
        }
        self.report(Event::Rebuilt);
    }

    fn replace_engine(&mut self, now_us: u64) {
        self.outbox.clear();
        self.engine = Engine::new(Arc::clone(&self.book), self.view.position);
        for (port, _) in self
            .view
            .in_ports
            .iter()
            .enumerate()
            .filter(|(_, is_there)| **is_there)
        {
            self.engine.handle(
                now_us,
                Input::InputReady(InPort(port as u8)),
                &mut self.outbox,
            );
        }
        for port in 0..self.book.out_ports.len() {
            if self.is_seen(port, is_known_to_engine) {
                self.engine.handle(
                    now_us,
                    Input::OutputReady(OutPort(port as u8)),
                    &mut self.outbox,
                );
            }
        }
        self.engine.handle(
            now_us,
            Input::Command(Command::Panic(None)),
            &mut self.outbox,
        );
        // Who was played, and what the technician had set.
        let settings = settings(&self.book, &self.view);
        for command in settings {
            let input = Input::Command(command);
            self.engine.handle(now_us, input, &mut self.outbox);
        }
    }

    /// All notes off, patches that load finished, so that no slot is left at level 0; then
    /// as long as the ports need to take it.
    pub(super) fn end(&mut self) {
        self.handle(Input::Command(Command::ReleaseAll));
        let limit_us = self.clock.now_us().saturating_add(LOADS_LIMIT_US);
        while self.view.slots.iter().any(|slot| slot.is_loading) {
            let due_us = self.engine.next_deadline().filter(|due| *due <= limit_us);
            let Some(due_us) = due_us else {
                break;
            };
            let wait_us = due_us.saturating_sub(self.clock.now_us());
            std::thread::sleep(Duration::from_micros(wait_us));
            self.handle(Input::Tick);
        }
        for gate in self.gates.drain(..) {
            gate.close(END_LIMIT);
        }
        self.report(Event::Ended);
        self.ends.views.write(self.view);
    }
}

/// The commands that set a new engine as an old one was seen to be set.
pub(super) fn settings(book: &Promptbook, view: &View) -> Vec<Command> {
    let mut out = Vec::new();
    if view.is_muted {
        out.push(Command::Mute(true));
    }
    if !view.sends_cues {
        out.push(Command::Cues(false));
    }
    if view.stretch.is_some() {
        out.push(Command::Loop(view.stretch));
    }
    if view.is_locked {
        out.push(Command::LockPedals(true));
    }
    let receivers = (0u8..).map(ReceiverId).zip(&book.receivers);
    for ((id, entry), duty) in receivers.zip(&view.duties) {
        if entry.spare_of.is_some() && !duty.stands_by {
            out.push(Command::TakeOver(id));
        }
        if entry.spare_of.is_none() && duty.is_muted {
            out.push(Command::MuteOne(id, true));
        }
    }
    for (id, seen) in (0u8..).map(ControllerId).zip(&view.controllers) {
        let pedals = (0u8..)
            .zip(seen.ignored)
            .filter(|(_, is_ignored)| *is_ignored);
        out.extend(pedals.map(|(pedal, _)| Command::IgnorePedal(PedalId::Held(id, pedal), true)));
    }
    let bindings = (0..64_u8).filter(|bit| view.ignored_bindings >> bit & 1 == 1);
    out.extend(bindings.map(|bit| Command::IgnorePedal(PedalId::Binding(bit), true)));
    out
}

/// Longest time that patches may take to load at the end.
const LOADS_LIMIT_US: u64 = 500_000;

/// Longest time that one port may take to send its last messages at the end.
const END_LIMIT: Duration = Duration::from_millis(1500);
