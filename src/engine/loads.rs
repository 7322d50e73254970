//! Patches: whether one is due, changing it, and what follows once it has loaded.

use super::machine::{Call, Machine};
use super::promptbook::{Manners, Patch, SlotId, SoundEntry};
use crate::midi::{Program, Value7, cc};

impl Machine {
    /// Changes the patch; true if it takes time, and the rest has to wait for it.
    pub(super) fn load(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        sound: &SoundEntry,
        manners: Manners,
        program: Program,
    ) -> bool {
        self.tell_zone(call, slot);
        let is_ringing = !self.slots.at(slot).sounding.is_held()
            && !self.slots.at(slot).sounding.is_silent(call.now_us);
        if (sound.load_us > 0 || manners.resets_controllers || is_ringing) && sound.volume.is_some()
        {
            self.tell_control(call, slot, cc::VOLUME, Value7::MIN);
        }
        let (msb, lsb) = stated_bank(&sound.patch, manners);
        // Bank bytes change nothing until the program change that follows them (GM2
        // §3.3.1), and stay for later ones: only those that differ are sent.
        for (number, value) in [(cc::BANK_MSB, msb), (cc::BANK_LSB, lsb)] {
            if let Some(value) = value {
                self.tell_control(call, slot, number, value);
            }
        }
        self.send_program(call, slot, program);
        if manners.resets_controllers {
            self.slots.at_mut(slot).known.forget_controllers();
        }
        let is_slow = sound.load_us > 0;
        let state = self.slots.at_mut(slot);
        state.load.begin(call.now_us, sound.load_us);
        is_slow
    }

    /// The program to send, unless the slot holds this patch already. A slot that was
    /// being loaded with another patch is changed all the same.
    pub(super) fn due_program(
        &self,
        slot: SlotId,
        patch: &Patch,
        manners: Manners,
    ) -> Option<Program> {
        let known = &self.slots.at(slot).known;
        let program = patch.program?;
        let (msb, lsb) = stated_bank(patch, manners);
        let is_held = known.program() == program.get()
            && msb.is_none_or(|value| known.bank().0 == value.get())
            && lsb.is_none_or(|value| known.bank().1 == value.get());
        (!is_held).then_some(program)
    }

    /// Finishes the patches whose time has come.
    pub(super) fn run_loads(&mut self, call: &mut Call<'_>) {
        for slot in self.slot_ids() {
            let state = self.slots.at_mut(slot);
            if !state.load.is_due(call.now_us) {
                continue;
            }
            state.load.end();
            // A slot that was left before it had loaded is finished only if a note waits
            // for it or sounds on it.
            if state.sound.is_none() {
                // It is settled with its bend at rest, so no wheel is on its way back.
                state.bend_tails = 0;
            }
            if state.sound.is_some() || state.sounding.is_held() {
                self.settle(call, slot);
            } else if !self.priming.has_begun(slot) {
                // A pedal that came up meanwhile was not told.
                self.settle_pedals(call, slot);
            }
            self.release_held_back(call, slot);
        }
    }
}

/// The bank bytes that go before a program change: those that the receiver heeds and the
/// patch list states.
const fn stated_bank(patch: &Patch, manners: Manners) -> (Option<Value7>, Option<Value7>) {
    (
        if manners.sends_bank_msb {
            patch.bank_msb
        } else {
            None
        },
        if manners.sends_bank_lsb {
            patch.bank_lsb
        } else {
            None
        },
    )
}
