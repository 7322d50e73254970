//! The playing thread's side of a recording: small values over a queue, and no waiting.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use super::super::recorder::Taken;
use super::super::takes::take_of;
use super::Desk;
use super::rescue::settings;
use crate::engine::input::{Command, Input, Origin, Payload};
use crate::engine::promptbook::InPort;
use crate::engine::view::{MoveKind, SlotView};
use crate::midi::{Channel, Message, Program, Value7, cc};

impl Desk {
    /// Whether what is played is being handed over.
    fn is_recording(&self) -> bool {
        self.take.running.is_some()
    }

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
        // A command was stamped with the wish of its moment, which was followed already.
        if !matches!(input, Input::Command(_) | Input::Asked(..)) {
            self.follow_wish(at_us, self.ends.shared.takes.wish());
        }
        if !self.is_recording() {
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

    /// A step by a key, when the engine has taken it and before what it sends is handed over;
    /// `before` is how many moves there were until then.
    pub(super) fn record_key(&mut self, at_us: u64, before: u64) {
        let (count, moved) = self.engine.moved();
        if !self.is_recording() || count == before {
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

    /// Ends the take that is no longer wished, and begins the one that is. A wish older than
    /// one that was followed already changes nothing.
    pub(super) fn follow_wish(&mut self, at_us: u64, wish: u64) {
        if wish <= self.take.wish {
            return;
        }
        self.take.wish = wish;
        if let Some(ended) = self.take.running.take() {
            self.ends.shared.takes.end(ended);
        }
        if let Some(begun) = take_of(wish) {
            self.take.running = Some(begun);
            self.begin_recording(begun, at_us);
        }
    }

    /// Where the show is, what the technician has set, and what the slots hold: what a replay
    /// must know that begins here.
    fn begin_recording(&mut self, take: u64, at_us: u64) {
        self.catch_up();
        self.hand_over(Taken::Begin {
            take,
            at_us,
            position: self.view.position.0,
            edition: self.view.edition,
        });
        let book = Arc::clone(&self.book);
        let view = self.view;
        settings(&book, &view, &mut |command| {
            self.hand_over(Taken::In(at_us, Input::Command(command)));
        });
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
        self.hand_over(Taken::Night(at_us, self.view.edition));
    }

    /// Hands over what goes out.
    pub(super) fn record_outputs(&mut self) {
        if self.take.running.is_none() {
            return;
        }
        let at_us = self.clock.now_us();
        for index in 0..self.outbox.items().len() {
            if let Some(output) = self.outbox.items().get(index).copied() {
                self.hand_over(Taken::Out(at_us, output.port, output.payload));
            }
        }
    }

    /// Hands over a part of the take that runs, if one does. A take that the scribe cannot
    /// follow ends there: a hole in it would be taken for silence.
    fn hand_over(&mut self, taken: Taken) {
        let Some(take) = self.take.running else {
            return;
        };
        if self.ends.takes.push(taken).is_err() {
            self.take.running = None;
            self.ends.shared.takes.overrun(take);
        }
    }
}

/// How far the playing thread has followed what is wished of recording.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct TakeInHand {
    /// The wish that was followed last.
    wish: u64,
    /// The take that is being handed over.
    running: Option<u64>,
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
