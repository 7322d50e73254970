//! Ports lost and found again, and the state sent again.
//!
//! A port that is there when the show starts is taken as listening; after a loss its
//! receivers have to start first, so the state waits for their boot time or for a sign of
//! life, whichever is first.

use super::input::Urgency;
use super::known::Known;
use super::machine::{Call, Machine};
use super::mpe::Finger;
use super::notes::NEUTRAL_RELEASE;
use super::pedals::PEDALS;
use super::promptbook::{ControllerId, InPort, OutPort, ReceiverId, SlotId};
use super::view::Presence;
use crate::midi::{Value7, Value14, cc};

impl Machine {
    /// Whether what is sent to this port reaches anyone.
    pub(super) fn is_listening(&self, port: OutPort) -> bool {
        self.outputs.at(port).is_listening()
    }

    /// An output port is gone: what sounded there is beyond reach, so its keys own nothing.
    pub(super) fn lose_output(&mut self, call: &Call<'_>, port: OutPort) {
        self.outputs.at_mut(port).lose();
        let book = call.book;
        let wiring = self.wiring;
        let is_on_port = |slot: SlotId| {
            let entry = wiring.entry(book, slot);
            entry.is_some_and(|entry| entry.port == port)
        };
        self.rescue.lose(|receiver| {
            let entry = book.receivers.get(receiver.index());
            entry.is_some_and(|entry| entry.port == port)
        });
        self.cue_notes.lose(is_on_port);
        self.notes.lose(is_on_port);
        self.held_back.retain(|item| !is_on_port(item.slot));
        for slot in self.slot_ids().filter(|slot| is_on_port(*slot)) {
            let state = self.slots.at_mut(slot);
            state.known = Known::nothing();
            state.pedals.lose();
            state.bend_tails = 0;
            state.sounding.lose();
            state.fingers.lose();
            state.load.end();
            state.level.stop();
            state.debts.lose();
            state.moves.clear();
            state.numbered = None;
        }
    }

    /// An output port is there.
    pub(super) fn find_output(&mut self, call: &mut Call<'_>, port: OutPort) {
        let entry = call.book.out_ports.get(port.index());
        let boot_us = entry.map_or(0, |entry| entry.boot_us);
        if self.outputs.at_mut(port).find(call.now_us, boot_us) {
            self.start_listening(call, port, Presence::NotVerified);
        }
    }

    /// Something was heard from a receiver on this port.
    pub(super) fn hear_life(&mut self, call: &mut Call<'_>, port: OutPort) {
        if self.outputs.at_mut(port).hear_life() {
            self.start_listening(call, port, Presence::Verified);
        }
    }

    /// The receivers of a port listen: they get the state of the present position, once.
    /// After a loss what sounded there is ended first: if only the cable was out, its Note
    /// Offs never arrived. A panic that did not reach them comes before all else.
    fn start_listening(&mut self, call: &mut Call<'_>, port: OutPort, presence: Presence) {
        let (was_lost, owes_silence) = self.outputs.at_mut(port).listen(presence);
        self.cut_locals(call, port);
        let book = call.book;
        self.end_cue_notes(call, |machine, slot| {
            machine
                .wired(book, slot)
                .is_some_and(|entry| entry.port == port)
        });
        if owes_silence {
            for slot in self.slot_ids() {
                if self.is_slot_on(call, slot, port) && self.sounds(call, slot) {
                    self.silence(call, slot);
                }
            }
        }
        for slot in self.slot_ids() {
            if !self.is_slot_on(call, slot, port) {
                continue;
            }
            self.link_fresh(call, slot);
            if was_lost && !owes_silence {
                self.recover_slot(call, slot);
            } else {
                self.resend_slot(call, slot);
            }
        }
        self.tell_pages(call);
        self.restart_priming(call.now_us);
    }

    fn is_slot_on(&self, call: &Call<'_>, slot: SlotId, port: OutPort) -> bool {
        self.wired(call.book, slot)
            .is_some_and(|entry| entry.port == port)
    }

    /// A port that refused messages is open again. What it refused keeps no line busy.
    pub(super) fn reopen_output(&mut self, call: &mut Call<'_>, port: OutPort) {
        self.outputs.at_mut(port).reopen(call.now_us);
        self.overflow_output(call, port);
    }

    /// Messages to a port were refused: what its slots hold is unknown. Silent slots are
    /// sent everything now, sounding ones when they are silent.
    pub(super) fn overflow_output(&mut self, call: &mut Call<'_>, port: OutPort) {
        if !self.is_listening(port) {
            return;
        }
        self.restart_priming(call.now_us);
        for slot in self.slot_ids() {
            if !self.is_slot_on(call, slot, port) {
                continue;
            }
            let state = self.slots.at_mut(slot);
            if state.sounding.is_silent(call.now_us) {
                self.recover_slot(call, slot);
            } else {
                state.debts.doubt();
            }
        }
        self.tell_pages(call);
    }

    /// Ends what nobody holds on a silent slot, and sends it everything.
    pub(super) fn recover_slot(&mut self, call: &mut Call<'_>, slot: SlotId) {
        self.quieten(call, slot);
        self.resend_slot(call, slot);
    }

    /// Ends what nobody holds on a slot: pedals up and All Notes Off, which leaves rings:
    /// something may ring there from now on, whatever it was.
    pub(super) fn quieten(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let sounds = self.sounds(call, slot);
        let release_us = self
            .manners(call.book, slot)
            .map_or(0, |manners| manners.release_us);
        let state = self.slots.at_mut(slot);
        state.debts.clear_doubt();
        if sounds {
            state.sounding.end_unknown(call.now_us, release_us);
        }
        if sounds {
            for number in [cc::HOLD, cc::SOSTENUTO, cc::SOFT, cc::ALL_NOTES_OFF] {
                self.send_control(call, slot, Urgency::Live, number, Value7::MIN);
            }
            self.hush_members(call, slot, &[cc::ALL_NOTES_OFF]);
        }
    }

    /// Whether a slot's receiver makes sound.
    pub(super) fn sounds(&self, call: &Call<'_>, slot: SlotId) -> bool {
        call.book
            .slots
            .get(slot.index())
            .and_then(|entry| call.book.receivers.get(entry.receiver.index()))
            .is_some_and(|receiver| receiver.sounds)
    }

    /// Sends the state again, to all receivers or one. Sounding slots are spared until
    /// they are silent, unless forced.
    pub(super) fn resend(
        &mut self,
        call: &mut Call<'_>,
        receiver: Option<ReceiverId>,
        is_forced: bool,
    ) {
        self.allow_priming(call.now_us);
        for (id, entry) in (0u8..).map(ReceiverId).zip(&call.book.receivers) {
            if receiver.is_none_or(|receiver| receiver == id) {
                self.tell_local(call, entry, Value7::MIN);
            }
        }
        for slot in self.slot_ids() {
            let device = self.device(call.book, slot);
            let is_meant = receiver.is_none() || receiver == device;
            if !is_meant {
                continue;
            }
            let state = self.slots.at_mut(slot);
            if is_forced || state.sounding.is_silent(call.now_us) {
                self.resend_slot(call, slot);
            } else {
                state.debts.owe_everything();
            }
        }
        self.tell_pages(call);
    }

    /// Forgets what a slot holds and sends it all. A slot without a sound in this scene is
    /// left alone: nothing is known of it, so the next sound there is sent in full.
    pub(super) fn resend_slot(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let state = self.slots.at_mut(slot);
        state.known = Known::nothing();
        if state.sound.is_some() {
            state.load.end();
            self.catch_up(call.book, slot);
            self.revoice(call, slot);
        } else {
            // A slot left while it loads is still told its pedals when it has loaded.
            state.debts.take();
            self.tell_zone(call, slot);
        }
        if !self.slots.at(slot).load.is_loading() {
            self.release_held_back(call, slot);
        }
    }

    /// An input port is gone: what it held is let go, its wheel comes back.
    pub(super) fn lose_input(&mut self, call: &mut Call<'_>, port: InPort) {
        *self.in_present.at_mut(port) = false;
        let book = call.book;
        for (id, entry) in (0u8..).zip(&book.controllers) {
            if entry.port == port {
                self.let_go_of(call, ControllerId(id));
            }
        }
    }

    /// An input port is there. Nothing is assumed to be down on it.
    pub(super) fn find_input(&mut self, port: InPort) {
        *self.in_present.at_mut(port) = true;
    }

    /// Lets go everything a controller holds: keys, pedals, wheel and pressure.
    pub(super) fn let_go_of(&mut self, call: &mut Call<'_>, controller: ControllerId) {
        self.end_keys(call, NEUTRAL_RELEASE, |note| note.controller == controller);
        let state = self.controllers.at_mut(controller);
        state.fingers = [Finger::RESTING; 16];
        for pedal in 0..PEDALS.len() {
            self.move_pedal(call, controller, pedal, Value7::MIN);
        }
        let state = self.controllers.at(controller);
        let (is_bent, is_pressed) = (state.is_bent(), state.is_pressed());
        if is_bent {
            self.bend(call, controller, Value14::CENTRE);
        }
        if is_pressed {
            self.press_channel(call, controller, Value7::MIN);
        }
        self.rest_sources(call, controller);
        self.lift_presses(call, controller);
    }

    /// Looks after ports that were sent more than the outbox took.
    pub(super) fn recover_floods(&mut self, call: &mut Call<'_>) {
        for id in self.outputs.ids() {
            if self.outputs.at_mut(id).take_flood() {
                self.overflow_output(call, id);
            }
        }
    }

    /// Looks after ports that start.
    pub(super) fn run_ports(&mut self, call: &mut Call<'_>) {
        for id in self.outputs.ids() {
            if self.outputs.at(id).has_started(call.now_us) {
                self.start_listening(call, id, Presence::NotVerified);
            }
        }
    }
}
