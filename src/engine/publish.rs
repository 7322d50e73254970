//! Filling the view.

use super::known::UNKNOWN;
use super::limits::MAX_HELD_SHOWN;
use super::machine::Machine;
use super::notes::NOWHERE;
use super::pedals::{DOWN, HOLD};
use super::promptbook::{Promptbook, ReceiverId};
use super::slots::SlotState;
use super::spare::main_of;
use super::view::{ControllerView, Counters, HeldView, ReceiverView, SlotView, View};
use crate::midi::cc;

impl Machine {
    pub(super) fn publish(&self, book: &Promptbook, view: &mut View) {
        view.now_us = self.now_us;
        view.position = self.position;
        view.page = self.page;
        view.is_muted = self.is_muted;
        view.master = self.master.level();
        view.is_faded = self.master.is_out();
        view.sends_cues = self.sends_cues;
        view.swallowed = self.swallowed;
        view.panic_us = self.panic_us;
        view.step_us = self.step_us;
        view.moved = self.moved;
        view.next = self.priming.next();
        view.counters = self.counters_with_misses();
        view.waiting = 0;
        for (index, (shown, route)) in view.routes.iter_mut().zip(&self.routes).enumerate() {
            *shown = route.value;
            view.waiting |= u64::from(route.is_waiting()) << index;
        }
        for (shown, is_present) in view.in_ports.iter_mut().zip(&self.in_present) {
            *shown = *is_present;
        }
        for (shown, receiver) in view.receivers.iter_mut().zip(&book.receivers) {
            *shown = self.outputs.at(receiver.port).presence();
        }
        // By the channels that they are wired to: what a person looks at is the device.
        for (slot, state) in self.slot_ids().zip(&self.slots) {
            if let Some(shown) = view.slots.get_mut(self.wiring.slot(slot).index()) {
                *shown = show_slot(state);
            }
        }
        for (shown, seat) in view.seats.iter_mut().zip(self.seats) {
            *shown = seat.map(|slot| self.wiring.slot(slot));
        }
        self.publish_duties(book, view);
        self.publish_held(view);
        view.stretch = self.stretch;
        view.is_locked = self.rescue.is_locked();
        view.ignored_bindings = self.rescue.ignored_bindings();
        view.deed = self.rescue.last();
        self.publish_controllers(book, view);
    }

    /// The counters, with each id that was in no table among the faults.
    fn counters_with_misses(&self) -> Counters {
        Counters {
            faults: self.counters.faults.saturating_add(self.misses().into()),
            ..self.counters
        }
    }

    fn publish_duties(&self, book: &Promptbook, view: &mut View) {
        let ids = (0u8..).map(ReceiverId).take(book.receivers.len());
        for (shown, id) in view.duties.iter_mut().zip(ids) {
            let main = main_of(book, id);
            *shown = ReceiverView {
                stands_by: self.stands_by(book, id),
                is_muted: self.rescue.is_muted(main),
                is_told: self.rescue.has_received(id),
            };
        }
    }

    fn publish_held(&self, view: &mut View) {
        view.held = [HeldView::default(); MAX_HELD_SHOWN];
        view.held_count = u16::try_from(self.notes.len()).unwrap_or(u16::MAX);
        for (shown, note) in view.held.iter_mut().zip(&self.notes) {
            *shown = HeldView {
                controller: note.controller,
                in_key: note.in_key.get(),
                slot: self.wiring.slot(note.slot),
                out_key: note.out_key.get(),
                position: (note.position != NOWHERE).then_some(note.position),
                is_key_down: note.is_key_down(),
                is_latched: note.is_latched,
                is_foreign: note.is_foreign,
            };
        }
    }

    fn publish_controllers(&self, book: &Promptbook, view: &mut View) {
        let entries = self.controllers.iter().zip(&book.controllers).enumerate();
        for (shown, (index, (state, entry))) in view.controllers.iter_mut().zip(entries) {
            *shown = ControllerView {
                is_present: *self.in_present.at(entry.port),
                hold: state.pedals.get(HOLD).is_some_and(|value| *value >= DOWN),
                ignored: self.rescue.ignored_pedals(index),
                struck: state
                    .struck
                    .map(|(key, velocity)| (key.get(), velocity.get())),
                received: state.received,
                unwanted: state.unwanted,
                ..ControllerView::default()
            };
        }
        for note in &self.notes {
            let Some(shown) = view.controllers.get_mut(note.controller.index()) else {
                continue;
            };
            if note.is_foreign || !note.is_key_down() {
                shown.held_over.insert(note.in_key.get());
            } else {
                shown.keys_down.insert(note.in_key.get());
            }
        }
    }
}

fn show_slot(slot: &SlotState) -> SlotView {
    let known = |value: u8| (value != UNKNOWN).then_some(value);
    SlotView {
        program: known(slot.known.program()),
        bank: (known(slot.known.bank().0), known(slot.known.bank().1)),
        volume: known(slot.known.control(cc::VOLUME)),
        notes: slot.sounding.notes(),
        sound: slot.sound,
        is_loading: slot.load.is_loading(),
    }
}
