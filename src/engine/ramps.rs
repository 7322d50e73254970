//! Levels on the move: a sound that stays and rides, and a sound that fades out.

use super::known::UNKNOWN;
use super::machine::{Call, Machine};
use super::promptbook::SlotId;
use crate::midi::{Value7, cc};

impl Machine {
    /// Moves a slot's level to `volume`: over 50 ms if something sounds, at once if not.
    pub(super) fn ride(&mut self, call: &mut Call<'_>, slot: SlotId, volume: Value7) {
        let state = self.slots.at_mut(slot);
        state.level.stop();
        let from = state.known.control(cc::VOLUME);
        if from == volume.get() || state.load.is_loading() {
            return;
        }
        if from == UNKNOWN || state.sounding.is_silent(call.now_us) {
            self.tell_control(call, slot, cc::VOLUME, volume);
            return;
        }
        state.level.ride(from, volume, call.now_us);
    }

    /// Takes a slot's level to silence over `fade_ms`, then ends its notes.
    pub(super) fn fade(&mut self, call: &mut Call<'_>, slot: SlotId, fade_ms: u16) {
        let state = self.slots.at_mut(slot);
        let duration_us = u64::from(fade_ms) * 1_000;
        let from = state.known.control(cc::VOLUME);
        if from == UNKNOWN || duration_us == 0 || state.load.is_loading() {
            self.end_notes(call, |note| note.slot == slot);
            self.lift_idle_pedals(call, slot);
            return;
        }
        state.level.fade_out(from, call.now_us, duration_us);
    }

    /// Sends the values that are due. Late calls skip values, never the last one.
    pub(super) fn run_ramps(&mut self, call: &mut Call<'_>) {
        for slot in self.slot_ids() {
            let state = self.slots.at_mut(slot);
            let Some((volume, has_faded)) = state.level.take_due(call.now_us) else {
                continue;
            };
            self.tell_control(call, slot, cc::VOLUME, volume);
            if has_faded {
                self.end_notes(call, |note| note.slot == slot);
                self.lift_idle_pedals(call, slot);
            }
        }
    }
}
