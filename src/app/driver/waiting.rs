//! A show that waits after a kill until somebody takes it up, and the place that is told to
//! the journal.

use super::super::journal::Place;
use super::super::notice::Event;
use super::Desk;
use crate::engine::input::Input;
use crate::engine::limits::MAX_PORTS;
use crate::engine::promptbook::{Action, InPort, OutPort, Promptbook};
use crate::engine::view::{Presence, View};
use crate::midi::Message;

impl Desk {
    /// A message played. While the show waits to be taken up, the press of a stepping
    /// pedal takes it up, and nothing else is played.
    pub(super) fn play(&mut self, port: InPort, message: Message) {
        if self.waiting.is_none() {
            self.handle(Input::Midi(port, message));
        } else if self.is_step_press(port, message) {
            self.take_up();
        }
    }

    fn is_step_press(&self, port: InPort, message: Message) -> bool {
        self.book.bindings.iter().any(|binding| {
            let controller = self.book.controllers.get(binding.controller.index());
            let is_from = controller.is_some_and(|c| {
                c.port == port && message.channel().is_none_or(|own| c.has_channel(own))
            });
            is_from && binding.action == Action::Step && binding.is_pressed_by(message)
        })
    }

    /// The show is taken up where it was: every port that is there gets its state.
    pub(super) fn take_up(&mut self) {
        let Some(waiting) = self.waiting else {
            return;
        };
        self.report(Event::TakenUp);
        for (port, _) in waiting
            .iter()
            .enumerate()
            .filter(|(_, is_there)| **is_there)
        {
            // One after the other: those that wait for their turn are not lost meanwhile.
            self.set_waiting(port, false);
            self.handle(Input::OutputReady(OutPort(port as u8)));
        }
        self.waiting = None;
        self.tell_place(false);
    }

    /// Notes that an output waits, or no longer does; false if no output waits any more.
    pub(super) fn set_waiting(&mut self, port: usize, is_there: bool) -> bool {
        let place = self
            .waiting
            .as_mut()
            .and_then(|waiting| waiting.get_mut(port));
        place.map(|place| *place = is_there).is_some()
    }

    /// Where the show is, for who writes it down, and before the log is told of it. A show
    /// that waits after a kill is still where it was killed, whatever is shown meanwhile.
    pub(super) fn tell_place(&mut self, is_ended: bool) {
        let place = Place {
            is_told: true,
            edition: self.view.edition,
            position: self.view.position.0,
            page: self.view.page,
            is_ended,
        };
        if self.waiting.is_none() && place != self.place {
            self.place = place;
            self.ends.places.write(place);
        }
    }
}

/// Shows the receivers whose outputs wait: the engine has not heard of those ports.
pub(super) fn mark_waiting(book: &Promptbook, waiting: &[bool; MAX_PORTS], view: &mut View) {
    for (entry, seen) in book.receivers.iter().zip(&mut view.receivers) {
        if waiting.get(entry.port.index()).copied().unwrap_or(false) {
            *seen = Presence::Waiting;
        }
    }
}
