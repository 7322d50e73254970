//! The playing thread's side of a recording: small values over a queue, and no waiting.

use std::sync::atomic::Ordering;

use super::super::notice::Event;
use super::super::recorder::Taken;
use super::Desk;
use super::rescue::settings;
use crate::engine::input::{Command, Input, Origin, Payload};
use crate::engine::promptbook::InPort;
use crate::engine::view::{MoveKind, SlotView};
use crate::midi::{Channel, Message, Program, Value7, cc};

impl Desk {
    /// Hands over what came in, while a control is learned.
    pub(super) fn show_to_learner(&mut self, port: InPort, message: Message) {
        let shared = &self.ends.shared;
        if shared.is_learning.load(Ordering::Acquire) {
            let heard = (self.clock.now_us(), port, message);
            if self.ends.heard.push(heard).is_err() {
                shared.unheard.fetch_add(1, Ordering::Relaxed);
            }
        }
    }

    /// Hands over what came in, while a recording runs.
    pub(super) fn record_input(&mut self, at_us: u64, input: Input) {
        let is_on = self.ends.shared.is_recording.load(Ordering::Acquire);
        if is_on && !self.is_recording {
            self.is_recording = true;
            self.begin_recording(at_us);
        }
        self.is_recording &= is_on;
        if !is_on {
            return;
        }
        match input {
            // A key that steps may be swallowed, or wait: `record_key`.
            Input::Asked(Command::Step | Command::Back, Origin::Key(_)) => {}
            Input::Asked(command, _) => {
                self.hand_over(Taken::In(at_us, Input::Command(command)));
            }
            Input::Midi(..) | Input::Command(_) => self.hand_over(Taken::In(at_us, input)),
            _ => {}
        }
    }

    /// A step by a key, when the engine has taken it and before what it sends is handed over.
    pub(super) fn record_key(&mut self, at_us: u64) {
        let (count, moved) = self.engine.moved();
        if !self.is_recording || count == self.view.counters.steps {
            return;
        }
        let by_key = moved.filter(|moved| matches!(moved.origin, Origin::Key(_)));
        let command = match by_key.map(|moved| moved.kind) {
            Some(MoveKind::Step | MoveKind::Loop) => Command::Step,
            Some(MoveKind::Back) => Command::Back,
            // Handed over as it came.
            Some(MoveKind::Jump) | None => return,
        };
        self.hand_over(Taken::In(at_us, Input::Command(command)));
    }

    /// Where the show is, what the technician has set, and what the slots hold: what a replay
    /// must know that begins here.
    fn begin_recording(&mut self, at_us: u64) {
        let (position, edition) = (self.view.position.0, self.view.edition);
        self.hand_over(Taken::Begin(at_us, position, edition));
        for command in settings(&self.book, &self.view) {
            self.hand_over(Taken::In(at_us, Input::Command(command)));
        }
        for index in 0..self.book.slots.len() {
            let (Some(entry), Some(seen)) = (
                self.book.slots.get(index).copied(),
                self.view.slots.get(index).copied(),
            ) else {
                continue;
            };
            for message in held(&seen, entry.channel).into_iter().flatten() {
                let payload = Payload::Short(message);
                self.hand_over(Taken::Out(at_us, entry.port, payload));
            }
        }
    }

    /// The night is another one: what is recorded from now on belongs to that edition.
    pub(super) fn record_edition(&mut self, at_us: u64) {
        if self.is_recording {
            self.hand_over(Taken::Night(at_us, self.view.edition));
        }
    }

    /// Hands over what goes out.
    pub(super) fn record_outputs(&mut self) {
        if !self.is_recording {
            return;
        }
        let at_us = self.clock.now_us();
        for index in 0..self.outbox.items().len() {
            if let Some(output) = self.outbox.items().get(index).copied() {
                self.hand_over(Taken::Out(at_us, output.port, output.payload));
            }
        }
    }

    /// A recording that the scribe cannot follow ends there: a hole in it would be taken for
    /// silence.
    fn hand_over(&mut self, taken: Taken) {
        if self.ends.takes.push(taken).is_err() && self.is_recording {
            self.is_recording = false;
            self.ends
                .shared
                .is_recording
                .store(false, Ordering::Release);
            self.report(Event::RecordingBroken);
        }
    }
}

/// What a slot is believed to hold, as the messages that would make it so.
fn held(seen: &SlotView, channel: Channel) -> [Option<Message>; 4] {
    let control = |number, value: Option<u8>| {
        let value = Value7::new(value?)?;
        Some(Message::Control(channel, number, value))
    };
    let program = seen.program.and_then(Program::new);
    [
        control(cc::BANK_MSB, seen.bank.0),
        control(cc::BANK_LSB, seen.bank.1),
        program.map(|program| Message::Program(channel, program)),
        control(cc::VOLUME, seen.volume),
    ]
}
