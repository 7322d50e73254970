//! Hold, sostenuto and soft pedals (invariant 3).
//!
//! Each slot remembers, per controller, the last value it was told; what it is sent is the
//! highest of them, so a shared slot's pedal is down while any controller holds it. A sound
//! that is new in a scene hears a pedal only once that pedal was seen up. A slot that left
//! the scene hears the pedal's way up, and a fresh press only if nothing but held-over notes
//! of that controller is there for it to hold.

use super::input::Urgency;
use super::known::UNKNOWN;
use super::machine::{Call, Machine};
use super::moves::FIRST_PEDAL;
use super::promptbook::{ControllerId, SlotId};
use crate::midi::{Controller, Value7, cc};

/// Index of the hold pedal in tables of pedals.
pub(super) const HOLD: usize = 0;
/// Index of the sostenuto pedal.
pub(super) const SOSTENUTO: usize = 1;
/// Index of the soft pedal.
const SOFT: usize = 2;
/// The pedals' controllers, by index.
pub(super) const PEDALS: [Controller; 3] = [cc::HOLD, cc::SOSTENUTO, cc::SOFT];
/// A pedal is down from here (GM2 §3.3.7–3.3.10).
pub(super) const DOWN: u8 = 64;

/// Which pedal a controller number is.
pub(super) fn pedal_of(number: Controller) -> Option<usize> {
    PEDALS.iter().position(|pedal| *pedal == number)
}

impl Machine {
    /// A pedal moves.
    pub(super) fn move_pedal(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        pedal: usize,
        value: Value7,
    ) {
        if self.rescue.ignores(controller, pedal) {
            return;
        }
        let mut is_fresh = false;
        let state = self.controllers.at_mut(controller);
        let is_led = PEDALS
            .get(pedal)
            .is_some_and(|number| state.led.control(*number));
        if let Some(position) = state.pedals.get_mut(pedal) {
            is_fresh = *position < DOWN && value.get() >= DOWN;
            *position = value.get();
        }
        for slot in self.slot_ids() {
            if !self.slot_listens(call, slot) {
                continue;
            }
            let may_hold = self.holds_over_alone(controller, pedal, slot);
            let state = self.slots.at_mut(slot);
            let plays = state.is_fed_by(controller) && !is_led;
            let is_taken = state.pedals.follow(
                (controller, pedal),
                value.get(),
                plays,
                (is_fresh, may_hold && !is_led),
            );
            if is_taken {
                // Half-way positions of a foot may be many; going down and coming up never wait.
                if self.is_half_way(slot, pedal) && !self.may_move(call, slot) {
                    self.postpone(call, slot, FIRST_PEDAL + pedal as u8);
                } else {
                    self.sync_pedal(call, slot, pedal, Urgency::Live);
                }
            }
        }
    }

    /// Whether a press of this controller's pedal may hold what a slot that was left still
    /// holds: a key of the controller is down on it, no one else plays it or has a note on
    /// it, and it does not fade. Soft holds nothing, and would change what sounds.
    fn holds_over_alone(&self, controller: ControllerId, pedal: usize, slot: SlotId) -> bool {
        let state = self.slots.at(slot);
        let is_left = state.feeds == 0 && !state.level.is_fading_out();
        let mut notes = self.notes.iter().filter(|note| note.slot == slot);
        pedal != SOFT
            && is_left
            && self.has_note(controller, slot, true)
            && notes.all(|note| note.controller == controller)
    }

    /// Whether a pedal moved on a slot without going down or coming up there.
    fn is_half_way(&self, slot: SlotId, pedal: usize) -> bool {
        let state = self.slots.at(slot);
        let Some(number) = PEDALS.get(pedal) else {
            return false;
        };
        let (was_down, is_down) = state.pedals.edge(pedal);
        let is_told = (DOWN..UNKNOWN).contains(&state.known.control(*number));
        is_down == was_down && is_down == is_told
    }

    /// Sends a slot the value of a pedal if it differs, and does what follows from its edge.
    /// A slot that loads is told when it has loaded.
    pub(super) fn sync_pedal(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        pedal: usize,
        urgency: Urgency,
    ) {
        let Some(number) = PEDALS.get(pedal).copied() else {
            return;
        };
        let state = self.slots.at_mut(slot);
        let value = state.pedals.value(pedal);
        let (was_down, is_down) = state.pedals.take_edge(pedal);
        let known = state.known.control(number);
        let is_told = (DOWN..UNKNOWN).contains(&known);
        let is_loading = state.load.is_loading();
        // Told late, when a patch has loaded, sostenuto holds what was struck after it too. If
        // it holds nothing, there is nothing to tell until its next press.
        let is_idle = pedal == SOSTENUTO && was_down && is_down && !is_told;
        let value = if is_idle && !self.notes.has_latched(slot) {
            0
        } else {
            value
        };
        let is_due = !is_loading && known != value;
        let is_late_edge = is_due && !is_told && value >= DOWN;
        if is_due {
            let value = Value7::clamped(i32::from(value));
            self.send_control(call, slot, urgency, number, value);
        }
        let pedals = &mut self.slots.at_mut(slot).pedals;
        if is_loading && was_down && !is_down {
            pedals.rise_late(pedal);
        } else if !is_loading && value < DOWN {
            let may_hold = pedals.take_late_rise(pedal) || is_told;
            if is_due && may_hold {
                self.ring_from_here(call, slot);
            }
        }
        match (was_down, is_down) {
            (false, true) if pedal == SOSTENUTO => self.notes.latch(slot),
            // Told late, it holds what is down by now.
            (true, true) if pedal == SOSTENUTO && is_late_edge => {
                self.notes.latch(slot);
            }
            (true, false) => {
                self.end_sustained(call, slot);
                self.lift_after_cut(call, slot);
            }
            _ => {}
        }
    }

    /// A pedal comes up that belonged to the sound before and stayed down while a patch
    /// loaded: what was let go meanwhile rings from now on.
    fn ring_from_here(&mut self, call: &Call<'_>, slot: SlotId) {
        let free_us = self.line_free_us(call, slot);
        let state = self.slots.at_mut(slot);
        state.sounding.may_ring_from(free_us);
    }

    /// With the last note of a slot that was left, pedals come up that held on what `cut` or
    /// `fade` had ended.
    pub(super) fn lift_after_cut(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let state = self.slots.at_mut(slot);
        if state.pedals.holds_ended() && !state.sounding.is_held() && state.feeds == 0 {
            state.pedals.forget_ended();
            self.lift_idle_pedals(call, slot);
        }
    }

    /// Pedals come up on a slot that was left and whose notes were ended by `cut` or `fade`:
    /// a Note Off alone leaves sounding what a pedal holds. So they are as urgent as it.
    pub(super) fn lift_idle_pedals(&mut self, call: &mut Call<'_>, slot: SlotId) {
        for pedal in 0..PEDALS.len() {
            let state = self.slots.at_mut(slot);
            if state.sounding.is_held() || state.pedals.value(pedal) == 0 {
                continue;
            }
            state.pedals.let_go(pedal);
            self.sync_pedal(call, slot, pedal, Urgency::Live);
        }
    }
}
