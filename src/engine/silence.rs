//! Silence: panic (invariant 6), and letting everything go at the end.

use super::input::Urgency;
use super::machine::{Call, Machine};
use super::notes::NEUTRAL_RELEASE;
use super::pedals::PEDALS;
use super::promptbook::{ControllerId, ReceiverId, SlotId};
use super::rescue::Deed;
use crate::midi::{Message, Value7, Value14, cc};

impl Machine {
    /// Silences all receivers that sound, or one; then the scene's controllers are sent
    /// again. Keys that are down stay silent until they are struck again, and a pedal
    /// that is down counts from its next fresh press.
    pub(super) fn panic(&mut self, call: &mut Call<'_>, receiver: Option<ReceiverId>) {
        match receiver {
            None => self.panic_us = Some(call.now_us),
            Some(receiver) => self.report(Deed::Silenced(receiver)),
        }
        self.restart_priming(call.now_us);
        let sounding = |machine: &Self, call: &Call<'_>, slot: SlotId| {
            let is_meant = receiver.is_none() || receiver == machine.device(call.book, slot);
            is_meant && machine.sounds(call, slot)
        };
        self.owe_silence(call, receiver);
        self.end_cues_of(call, receiver);
        // Silence everywhere comes before the first thing that may wait.
        for slot in self.slot_ids() {
            if sounding(self, call, slot) {
                self.silence(call, slot);
            }
        }
        for slot in self.slot_ids() {
            // A slot that loads is told when it has loaded.
            let is_ready =
                self.slots.at(slot).sound.is_some() && !self.slots.at(slot).load.is_loading();
            if is_ready && sounding(self, call, slot) {
                self.settle(call, slot);
            }
        }
    }

    /// Ports that nobody listens on are silenced when somebody does: if only the cable is
    /// out, what sounds there sounds on. For the whole port, whichever receiver was meant:
    /// nothing of ours is held on the others.
    fn owe_silence(&mut self, call: &Call<'_>, receiver: Option<ReceiverId>) {
        for (id, entry) in (0u8..).map(ReceiverId).zip(&call.book.receivers) {
            let is_meant = entry.sounds && receiver.is_none_or(|receiver| receiver == id);
            if !is_meant || self.is_listening(entry.port) {
                continue;
            }
            self.outputs.at_mut(entry.port).owe_silence();
        }
    }

    pub(super) fn silence(&mut self, call: &mut Call<'_>, slot: SlotId) {
        self.forget_held_back(call, slot);
        self.end_notes(call, |note| note.slot == slot);
        // The safe order: pedals up before All Notes Off, which they would defer; All Sound
        // Off for what ignores that; then controllers back (common practice; RP-015).
        for number in [
            cc::HOLD,
            cc::SOSTENUTO,
            cc::SOFT,
            cc::ALL_NOTES_OFF,
            cc::ALL_SOUND_OFF,
            cc::RESET_ALL,
        ] {
            self.send_control(call, slot, Urgency::Live, number, Value7::MIN);
        }
        self.hush_members(call, slot, &[cc::ALL_NOTES_OFF, cc::ALL_SOUND_OFF]);
        self.send(call, slot, Urgency::Live, |ch| {
            Message::Bend(ch, Value14::CENTRE)
        });
        self.send(call, slot, Urgency::Live, |ch| {
            Message::Pressure(ch, Value7::MIN)
        });
        let is_listening = self.slot_listens(call, slot);
        let state = self.slots.at_mut(slot);
        if state.load.is_loading() {
            // A receiver that loads may not have heard any of it.
            state.known.forget_controllers();
        } else if is_listening {
            state.known.reset_all_controllers();
        }
        state.sounding.set_ring(call.now_us);
        state.bend_tails = 0;
        state.moves.clear();
        state.level.stop();
        self.link_fresh(call, slot);
    }

    /// Links the controllers that feed a slot as for a sound that is new there.
    pub(super) fn link_fresh(&mut self, call: &Call<'_>, slot: SlotId) {
        self.slots.at_mut(slot).pedals.unlink_all();
        let count = call.book.controllers.len();
        for id in (0u8..).map(ControllerId).take(count) {
            let pedals = self.controllers.at(id).own_pedals();
            let state = self.slots.at_mut(slot);
            if state.is_fed_by(id) {
                let has_notes = state.sounding.is_held();
                state.pedals.link(id, pedals, false, has_notes);
            }
        }
        self.forget_pedal_edges(slot);
    }

    /// Everything is let go: keys, pedals, wheels. What waits is sounded first, so that no
    /// short note is lost.
    pub(super) fn release_all(&mut self, call: &mut Call<'_>) {
        self.priming.forbid();
        self.end_cues_of(call, None);
        self.end_keys(call, NEUTRAL_RELEASE, |_| true);
        for slot in self.slot_ids() {
            self.release_held_back(call, slot);
        }
        for id in (0u8..).map(ControllerId).take(call.book.controllers.len()) {
            self.let_go_of(call, id);
        }
        for slot in self.slot_ids() {
            self.let_go_slot(call, slot);
        }
        self.end_master(call);
        self.give_locals_back(call);
    }

    /// Pedals up and bend at rest on one slot, whoever moved them. One that loads is told
    /// when it has loaded, its level with it: before, it may not hear.
    fn let_go_slot(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let state = self.slots.at_mut(slot);
        state.pedals.let_go_all();
        let is_loading = state.load.is_loading();
        let is_bent =
            !is_loading && !matches!(state.known.bend(), super::known::UNKNOWN_BEND | CENTRE);
        for (pedal, number) in PEDALS.iter().enumerate() {
            let is_known = self.slots.at(slot).known.control(*number) != super::known::UNKNOWN;
            if is_known || is_loading {
                self.sync_pedal(call, slot, pedal, Urgency::Live);
            }
        }
        if is_bent {
            self.send(call, slot, Urgency::Live, |ch| {
                Message::Bend(ch, Value14::CENTRE)
            });
        }
    }
}

const CENTRE: u16 = Value14::CENTRE.get();
