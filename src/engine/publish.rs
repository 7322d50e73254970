//! Filling the view.

use super::machine::Machine;
use super::pedals::{DOWN, HOLD};
use super::promptbook::Promptbook;
use super::slots::{SlotState, UNKNOWN};
use super::view::{ControllerView, SlotView, View};
use crate::midi::cc;

impl Machine {
    pub(super) fn publish(&self, book: &Promptbook, view: &mut View) {
        view.now_us = self.now_us;
        view.position = self.position;
        view.page = self.page;
        view.is_muted = self.is_muted;
        view.master = self.master.level;
        view.is_faded = self.master.is_out;
        view.sends_cues = self.sends_cues;
        view.swallowed = self.swallowed;
        view.panic_us = self.panic_us;
        view.step_us = self.step_us;
        view.seats = self.seats;
        view.next = self.priming.next;
        view.counters = self.counters;
        view.waiting = 0;
        for (index, (shown, route)) in view.routes.iter_mut().zip(&self.routes).enumerate() {
            *shown = route.value;
            view.waiting |= u64::from(route.is_waiting()) << index;
        }
        for (shown, is_present) in view.in_ports.iter_mut().zip(&self.in_present) {
            *shown = *is_present;
        }
        for (shown, receiver) in view.receivers.iter_mut().zip(&book.receivers) {
            let port = self.outputs.get(receiver.port.index());
            *shown = port.map(|port| port.presence).unwrap_or_default();
        }
        for (shown, slot) in view.slots.iter_mut().zip(&self.slots) {
            *shown = show_slot(slot);
        }
        self.publish_controllers(book, view);
    }

    fn publish_controllers(&self, book: &Promptbook, view: &mut View) {
        let entries = self.controllers.iter().zip(&book.controllers);
        for (shown, (state, entry)) in view.controllers.iter_mut().zip(entries) {
            *shown = ControllerView {
                is_present: self
                    .in_present
                    .get(entry.port.index())
                    .copied()
                    .unwrap_or(false),
                hold: state.pedals.get(HOLD).is_some_and(|value| *value >= DOWN),
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
        program: known(slot.known.program),
        bank: (known(slot.known.bank.0), known(slot.known.bank.1)),
        volume: known(slot.known.control(cc::VOLUME)),
        notes: slot.notes,
        sound: slot.sound,
        is_loading: slot.loads_until_us.is_some(),
    }
}
