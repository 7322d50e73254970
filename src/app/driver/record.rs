//! The playing thread's side of a recording: small values over a queue, and no waiting.

use std::sync::atomic::Ordering;

use super::super::notice::Event;
use super::super::recorder::Taken;
use super::Desk;
use crate::engine::input::Input;

impl Desk {
    /// Hands over what came in, while a recording runs.
    pub(super) fn record_input(&mut self, at_us: u64, input: Input) {
        let is_on = self.ends.shared.is_recording.load(Ordering::Acquire);
        if is_on && !self.is_recording {
            self.hand_over(Taken::Begin(at_us, self.view.position.0));
        }
        self.is_recording = is_on;
        if is_on && matches!(input, Input::Midi(..) | Input::Command(_)) {
            self.hand_over(Taken::In(at_us, input));
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
