//! The playing thread's last things: what it does after a fault in the engine, and how a
//! show ends.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::Ordering;
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
    /// that cannot even be restored is replaced by a new one at the same position. One that
    /// fails too often is given up.
    pub(super) fn rebuild(&mut self, now_us: u64) {
        self.outbox.clear();
        if !self.failures.count(now_us) {
            self.give_up();
            return;
        }
        let silenced = catch_unwind(AssertUnwindSafe(|| {
            let restored = self.engine.restore(&self.checkpoint).is_ok();
            let panic = Input::Command(Command::Panic(None));
            self.engine.handle(now_us, panic, &mut self.outbox);
            self.may_fail("rebuild");
            restored
        }));
        if !silenced.unwrap_or(false) {
            self.may_fail("replace_engine");
            // A new engine knows of no note.
            self.let_go();
            self.replace_engine(now_us);
        }
        self.report(Event::Rebuilt);
    }

    /// After a failure anywhere in playing: everything is let go, without the engine; then it
    /// is made sound again where it was. False if playing is over.
    pub(super) fn recover(&mut self) -> bool {
        loop {
            self.let_go();
            if self.is_given_up {
                return false;
            }
            let now_us = self.clock.now_us();
            let rebuilt = catch_unwind(AssertUnwindSafe(|| {
                self.outbox.clear();
                // The engine itself may be sound: then it knows best where it is.
                if let Ok(checkpoint) = catch_unwind(AssertUnwindSafe(|| self.engine.checkpoint()))
                {
                    self.checkpoint = checkpoint;
                }
                self.report(Event::Failed);
                self.rebuild(now_us);
                self.send();
                self.look();
                self.keep_checkpoint();
            }));
            if rebuilt.is_ok() {
                return !self.is_given_up;
            }
        }
    }

    /// Nothing more is asked of the engine, and the show ends where it is.
    fn give_up(&mut self) {
        self.is_given_up = true;
        let shared = &self.ends.shared;
        shared.keeps_place.store(true, Ordering::Release);
        shared.stop.store(true, Ordering::Release);
        self.report(Event::GivenUp);
    }

    /// Everything is let go at every port, by what was given to it: no engine is asked. What
    /// makes no sound, as lights, has its notes ended and is told nothing else.
    fn let_go(&mut self) {
        for (port, gate) in self.gates.iter_mut().enumerate() {
            let mut receivers = self.book.receivers.iter();
            if receivers.any(|entry| entry.sounds && entry.port.index() == port) {
                gate.silence();
            } else {
                gate.end_notes();
            }
        }
    }

    /// The last thing: what still sounds is let go, and the gates are given the time to send
    /// it. Done once, whichever way playing ends.
    pub(super) fn close(&mut self) {
        if std::mem::replace(&mut self.is_closed, true) {
            return;
        }
        let shared = Arc::clone(&self.ends.shared);
        shared.stop.store(true, Ordering::Release);
        if self.is_given_up {
            self.let_go();
        }
        let mut is_sent = true;
        for gate in self.gates.drain(..) {
            is_sent &= gate.close(END_LIMIT);
        }
        if !self.is_given_up {
            self.tell_place(true);
        }
        if !is_sent {
            self.report(Event::EndNotSent);
        }
        self.report(Event::Ended);
        self.publish();
    }

    fn replace_engine(&mut self, now_us: u64) {
        self.outbox.clear();
        self.engine = Engine::new(Arc::clone(&self.book), self.checkpoint.position);
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
        let Self {
            engine,
            outbox,
            book,
            view,
            ..
        } = self;
        settings(book, view, &mut |command| {
            engine.handle(now_us, Input::Command(command), outbox);
        });
    }

    /// All notes off, patches that load finished, so that no slot is left at level 0.
    pub(super) fn end(&mut self) {
        self.handle(Input::Command(Command::ReleaseAll));
        let limit_us = self.clock.now_us().saturating_add(LOADS_LIMIT_US);
        while !self.is_given_up && self.view.slots.iter().any(|slot| slot.is_loading) {
            let due_us = self.engine.next_deadline().filter(|due| *due <= limit_us);
            let Some(due_us) = due_us else {
                break;
            };
            let wait_us = due_us.saturating_sub(self.clock.now_us());
            std::thread::sleep(Duration::from_micros(wait_us));
            self.handle(Input::Tick);
        }
    }
}

impl Drop for Desk {
    /// Whatever became of the thread, nothing is left sounding and nobody waits for it.
    fn drop(&mut self) {
        if self.is_closed {
            return;
        }
        self.is_given_up = true;
        self.ends.shared.keeps_place.store(true, Ordering::Release);
        self.ends.shared.stop.store(true, Ordering::Release);
        // A second panic on the way out would end the program before the ports are told.
        let _ = catch_unwind(AssertUnwindSafe(|| self.close()));
    }
}

/// Hands over the commands that set a new engine as an old one was seen to be set.
pub(super) fn settings(book: &Promptbook, view: &View, pass: &mut dyn FnMut(Command)) {
    if view.is_muted {
        pass(Command::Mute(true));
    }
    if !view.sends_cues {
        pass(Command::Cues(false));
    }
    if view.stretch.is_some() {
        pass(Command::Loop(view.stretch));
    }
    if view.is_locked {
        pass(Command::LockPedals(true));
    }
    let receivers = (0u8..).map(ReceiverId).zip(&book.receivers);
    for ((id, entry), duty) in receivers.zip(&view.duties) {
        if entry.spare_of.is_some() && !duty.stands_by {
            pass(Command::TakeOver(id));
        }
        if entry.spare_of.is_none() && duty.is_muted {
            pass(Command::MuteOne(id, true));
        }
    }
    for (id, seen) in (0u8..).map(ControllerId).zip(&view.controllers) {
        let pedals = (0u8..)
            .zip(seen.ignored)
            .filter(|(_, is_ignored)| *is_ignored);
        for (pedal, _) in pedals {
            pass(Command::IgnorePedal(PedalId::Held(id, pedal), true));
        }
    }
    let bindings = (0..64_u8).filter(|bit| view.ignored_bindings >> bit & 1 == 1);
    for bit in bindings {
        pass(Command::IgnorePedal(PedalId::Binding(bit), true));
    }
}

/// Longest time that patches may take to load at the end.
const LOADS_LIMIT_US: u64 = 500_000;

/// Longest time that one port may take to send its last messages at the end.
const END_LIMIT: Duration = Duration::from_millis(1500);
