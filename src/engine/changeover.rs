//! Going from one position to another.
//!
//! A sound that stays keeps its slot, links and live values. A slot that is left is sent
//! nothing, unless its zones say `cut` or `fade`. A slot that is taken is told what
//! differs (`voicing`). Cues come last.

use super::input::{Output, Payload, Urgency};
use super::limits::{MAX_SLOTS, MAX_SOUNDS};
use super::machine::{Call, Machine};
use super::promptbook::{
    ControllerId, CueEntry, CueMessage, Leave, OutPort, PositionEntry, PositionId, Promptbook,
    ReceiverId, SlotId, SoundEntry,
};
use super::seats::{Coming, Seat, Seats};
use super::slots::bit;
use super::steps::Arrival;
use crate::midi::{Channel, Value14};

/// What a slot was before the changeover.
#[derive(Clone, Copy, Default)]
struct Before {
    feeds: u16,
    release_us: u64,
}

impl Machine {
    /// Stands at the first position of the show, before anything is sent.
    pub(super) fn stand_at(&mut self, book: &Promptbook, at: PositionId) {
        self.position = at;
        let Some(place) = self.place(book).copied() else {
            return;
        };
        self.page = place.page.unwrap_or(0);
        for (index, slot) in place
            .seats
            .of(&book.seats)
            .iter()
            .enumerate()
            .take(MAX_SOUNDS)
        {
            if let Some(seat) = self.seats.get_mut(index) {
                *seat = Some(*slot);
            }
        }
        self.seat_all(book);
        self.begin_routes(book);
    }

    pub(super) fn change_scene(
        &mut self,
        call: &mut Call<'_>,
        to: PositionId,
        place: &PositionEntry,
    ) {
        let book = call.book;
        let sounds = book
            .scenes
            .get(place.scene.index())
            .map_or(&[][..], |scene| scene.sounds.of(&book.sounds));
        let planned = place.seats.of(&book.seats);
        let is_same_song = self.place(book).is_some_and(|old| old.song == place.song);

        let left = self.depart(call);
        let mut seats: Seats = [None; MAX_SOUNDS];
        self.keep_seats(call, sounds, planned, &mut seats);
        let mut fades = [None; MAX_SLOTS];
        self.leave_slots(call, &seats, &mut fades);
        self.choose_seats(call, sounds, planned, &mut seats);

        let mut before = [Before::default(); MAX_SLOTS];
        for (before, slot) in before.iter_mut().zip(self.slots.iter()) {
            *before = Before {
                feeds: slot.feeds,
                release_us: slot.sounding.release_us(),
            };
        }
        self.position = to;
        self.page = match place.page {
            Some(page) => page,
            None if is_same_song => self.page,
            None => 0,
        };
        for (old, new) in self.seats.iter_mut().zip(&seats) {
            *old = new.map(|seat| seat.slot);
        }
        self.seat_all(book);
        self.arrive(book, &left, &seats);
        self.prepare_harmed(call, sounds, &seats, &before);
        self.start_tails(&before);
        for (sound, seat) in sounds
            .iter()
            .zip(seats)
            .filter_map(|(s, seat)| Some((s, seat?)))
        {
            let before = before
                .get(seat.slot.index())
                .map_or(0, |before| before.feeds);
            self.take_seat(call, sound, seat, before);
        }
        for (slot, fade_ms) in self.slot_ids().zip(fades) {
            let is_left =
                self.slots.at(slot).sound.is_none() || self.slots.at(slot).debts.owes_sound();
            if let Some(fade_ms) = fade_ms.filter(|_| is_left) {
                self.fade(call, slot, fade_ms);
            }
            // Nothing is held there any more since a scene that went on with it.
            self.lift_after_cut(call, slot);
        }
    }

    /// Notes on slots whose sound does not stay: `cut` ends them, `fade` is noted for
    /// later, and all are foreign from now on. A slot fades only if all its notes do;
    /// else its fading notes are let go, and their own release is the fade.
    fn leave_slots(&mut self, call: &mut Call<'_>, seats: &Seats, fades: &mut [Option<u16>]) {
        let stays = |slot: SlotId| {
            seats
                .iter()
                .flatten()
                .any(|seat| seat.slot == slot && seat.coming == Coming::Stays)
        };
        let is_left = |note: &super::notes::Note| !note.is_foreign && !stays(note.slot);
        let mut ends = [false; MAX_SLOTS];
        for note in self.notes.iter().filter(|note| is_left(note)) {
            if let Some(ends) = ends.get_mut(note.slot.index()) {
                *ends |= note.leave != Leave::Hold;
            }
        }
        self.end_notes(call, |note| is_left(note) && note.leave == Leave::Cut);
        let mut holds = [false; MAX_SLOTS];
        for note in &self.notes {
            let index = note.slot.index();
            let (Some(holds), Some(fade)) = (holds.get_mut(index), fades.get_mut(index)) else {
                continue;
            };
            match note.leave {
                Leave::Fade(ms) if !note.is_foreign && !stays(note.slot) => {
                    *fade = (*fade).max(Some(ms));
                }
                _ => *holds = true,
            }
        }
        for (fade, holds) in fades.iter_mut().zip(holds) {
            if holds {
                *fade = None;
            }
        }
        self.end_notes(call, |note| {
            is_left(note)
                && matches!(note.leave, Leave::Fade(_))
                && fades.get(note.slot.index()).copied().flatten().is_none()
        });
        for (slot, ends) in self.slot_ids().zip(ends) {
            if ends {
                self.lift_idle_pedals(call, slot);
                let state = self.slots.at_mut(slot);
                state.pedals.note_ended();
            }
        }
        self.notes.leave_scene(stays);
    }

    /// Slots that are taken although notes are held there. A receiver that keeps held
    /// notes over a program change is spared if the patch is all that differs: its notes
    /// go on. Else they are ended properly before anything changes.
    fn prepare_harmed(
        &mut self,
        call: &mut Call<'_>,
        sounds: &[SoundEntry],
        seats: &Seats,
        before: &[Before],
    ) {
        for (sound, seat) in sounds.iter().zip(seats) {
            let Some(seat) = seat.filter(|seat| seat.coming == Coming::Harms) else {
                continue;
            };
            if self.owes_sound(seat.slot) {
                continue;
            }
            let keeps = self.manners(call.book, seat.slot).is_some_and(|manners| {
                !manners.cuts_notes && !manners.resets_controllers && sound.load_us == 0
            });
            if keeps && self.holds_all_but_patch(call, seat.slot, sound) {
                continue;
            }
            self.counters.harmed = self.counters.harmed.saturating_add(1);
            self.release_held_back(call, seat.slot);
            self.end_notes(call, |note| note.slot == seat.slot);
            // A pedal that the new sound catches must not hold them on.
            self.lift_idle_pedals(call, seat.slot);
            // What rings there now is the old sound.
            let old_release_us = before
                .get(seat.slot.index())
                .map_or(0, |old| old.release_us);
            let ends_us = self.line_free_us(call, seat.slot);
            self.slots
                .at_mut(seat.slot)
                .sounding
                .set_ring(ends_us.saturating_add(old_release_us));
        }
    }

    /// Writes into the slots which sound of the present scene they carry, and which
    /// controllers feed it.
    fn seat_all(&mut self, book: &Promptbook) {
        for slot in self.slots.iter_mut() {
            slot.leave_scene(self.movements);
            slot.feeds = 0;
        }
        let Some(scene) = self.scene(book).copied() else {
            return;
        };
        for (number, seat) in (0u8..).zip(self.seats) {
            let Some(slot) = seat else {
                continue;
            };
            let slot = self.slots.at_mut(slot);
            let index = scene.sounds.start as usize + usize::from(number);
            slot.sound = Some(number);
            let is_played = scene
                .zones
                .of(&book.zones)
                .iter()
                .any(|zone| zone.sound.0 == number);
            if !is_played && !slot.sounding.is_silent(self.now_us) && slot.voiced != Some(index) {
                slot.debts.owe_sound();
                continue;
            }
            slot.debts.forgive_sound();
            slot.voiced = Some(index);
            slot.sounding
                .set_release(book.sounds.get(index).map_or(0, |sound| sound.release_us));
        }
        for zone in scene.zones.of(&book.zones) {
            let seat = self.seats.get(zone.sound.index()).copied().flatten();
            if let Some(slot) = seat {
                self.slots.at_mut(slot).feeds |= bit(zone.controller);
            }
        }
    }

    /// Controllers that left a slot while bent, with notes still there, are followed back.
    fn start_tails(&mut self, before: &[Before]) {
        for (slot, before) in self.slot_ids().zip(before) {
            let state = self.slots.at(slot);
            let is_bent = state.known.bend() != Value14::CENTRE.get();
            // A bend that is led elsewhere now reaches the slot no more either.
            let feeds = state.feeds & !self.led_bends();
            let lost = if is_bent { before.feeds & !feeds } else { 0 };
            let mut tails = state.bend_tails & !feeds;
            for (id, controller) in (0u8..).map(ControllerId).zip(self.controllers.iter()) {
                // Where a finger leads, its bend stays with what it holds.
                let is_led = state
                    .fingers
                    .lead()
                    .is_some_and(|lead| lead.controller == id);
                let is_lost = lost & bit(id) != 0 && !is_led;
                if is_lost && controller.is_bent() && self.has_note(id, slot, false) {
                    tails |= bit(id);
                }
            }
            self.slots.at_mut(slot).bend_tails = tails;
        }
    }

    /// Whether the slot's new sound waits until what sounds there is silent.
    fn owes_sound(&self, slot: SlotId) -> bool {
        self.slots.at(slot).debts.owes_sound()
    }

    fn take_seat(&mut self, call: &mut Call<'_>, sound: &SoundEntry, seat: Seat, fed_before: u16) {
        let slot = seat.slot;
        let state = self.slots.at_mut(slot);
        if state.debts.owes_sound() {
            return;
        }
        // A harmed slot that kept its notes keeps its pedals too.
        if seat.coming != Coming::Stays && !state.sounding.is_held() {
            // What still waited here for the old patch must not sound with the new one.
            self.release_held_back(call, slot);
            self.slots.at_mut(slot).pedals.unlink_all();
            self.link_new(call, slot, 0);
            self.revoice(call, slot);
            self.forget_pedal_edges(slot);
            return;
        }
        self.link_new(call, slot, fed_before);
        if seat.coming != Coming::Stays {
            self.revoice(call, slot);
            return;
        }
        if !self.slot_listens(call, slot) {
            return;
        }
        for pedal in 0..super::pedals::PEDALS.len() {
            let is_told = self.slots.at(slot).pedals.value(pedal) > 0;
            if is_told {
                self.sync_pedal(call, slot, pedal, Urgency::Changeover);
            }
        }
        if let Some(volume) = sound.volume {
            self.ride(call, slot, volume);
        }
        let state = self.slots.at_mut(slot);
        if state.feeds == fed_before && !state.debts.is_rerouted() {
            return;
        }
        // Other hands play it now, or lead to something else. What sounds keeps its bend until it is silent.
        state.debts.owe_difference();
    }

    /// Links the controllers that feed a slot and did not before.
    pub(super) fn link_new(&mut self, call: &Call<'_>, slot: SlotId, fed_before: u16) {
        let book = call.book;
        let zones = self
            .scene(book)
            .map_or(&[][..], |scene| scene.zones.of(&book.zones));
        for id in (0u8..).map(ControllerId).take(self.controllers.len()) {
            let pedals = self.controllers.at(id).own_pedals();
            let catches = zones.iter().any(|zone| {
                let seat = self.seats.get(zone.sound.index()).copied().flatten();
                zone.catches && zone.controller == id && seat == Some(slot)
            });
            let state = self.slots.at_mut(slot);
            if state.is_fed_by(id) && (fed_before & bit(id) == 0 || catches) {
                let has_notes = state.sounding.is_held();
                state.pedals.link(id, pedals, catches, has_notes);
            }
        }
    }

    /// A slot just taken holds no notes: its pedals stand as told, without edges.
    pub(super) fn forget_pedal_edges(&mut self, slot: SlotId) {
        self.slots.at_mut(slot).pedals.skip_edges();
    }

    /// Cues, after everything that can be repeated. A cue to a receiver that is not there
    /// is lost: it belonged to this moment. For the same reason none waits for a patch.
    pub(super) fn send_cues(&mut self, call: &mut Call<'_>, arrival: Arrival) {
        let book = call.book;
        if !self.sends_cues || arrival == Arrival::Back {
            return;
        }
        let cues = self
            .scene(book)
            .map_or(&[][..], |scene| scene.cues.of(&book.cues));
        for cue in cues
            .iter()
            .filter(|cue| arrival == Arrival::Step || cue.on_jump)
        {
            self.send_cue(call, cue);
        }
    }

    fn send_cue(&mut self, call: &mut Call<'_>, cue: &CueEntry) {
        let port = self.wired_port(call.book, cue.receiver);
        let port = port.filter(|port| self.is_listening(*port));
        match (cue.message, port) {
            (CueMessage::Note(note), _) => self.strike_cue(call, cue.receiver, note),
            (CueMessage::Short(message), Some(port)) => {
                self.unlearn(call.book, port, message);
                let channel = message.channel();
                self.send_cue_to(call, cue.receiver, (port, channel), Payload::Short(message));
            }
            (CueMessage::Blob(blob), Some(port)) => {
                self.send_cue_to(call, cue.receiver, (port, None), Payload::Blob(blob));
            }
            (CueMessage::Short(_) | CueMessage::Blob(_), None) => {}
        }
    }

    fn send_cue_to(
        &mut self,
        call: &mut Call<'_>,
        receiver: ReceiverId,
        (port, channel): (OutPort, Option<Channel>),
        payload: Payload,
    ) {
        self.note_told(Some(self.wiring.receiver(receiver)));
        let output = Output {
            port,
            urgency: Urgency::Changeover,
            channel,
            payload,
        };
        self.hand_out(call, output);
    }
}
