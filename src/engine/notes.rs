//! Owners: which key holds which note of which slot, whatever scene is current.
//!
//! A Note Off ends what its key owns and nothing else (invariant 1). The table is kept in
//! order of age.

use super::fault::invariant;
use super::machine::{Call, Machine};
use super::mpe::Place;
use super::pedals::{HOLD, SOSTENUTO};
use super::promptbook::{ControllerId, Leave, PositionId, Promptbook, SlotId, ZoneEntry};
use crate::midi::mpe::Leader;
use crate::midi::{Channel, Key, Message, Value7, Value14};

/// Release velocity when none is known (MIDI 1.0: 40H is neutral).
pub(super) const NEUTRAL_RELEASE: Value7 = Value7::clamped(64);

/// Where notes were struck whose position is in no book that is played any more.
pub(super) const NOWHERE: PositionId = PositionId(u32::MAX);

/// A note and the key that owns it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Note {
    pub(super) controller: ControllerId,
    pub(super) in_key: Key,
    pub(super) slot: SlotId,
    pub(super) out_key: Key,
    /// Note Offs to send when the key is let go; none are left once only a pedal holds it.
    pub(super) offs: u16,
    /// Its key was down as the sostenuto pedal went down.
    pub(super) is_latched: bool,
    /// Its sound has left the scene.
    pub(super) is_foreign: bool,
    /// What happens to it when its scene is left.
    pub(super) leave: Leave,
    /// Velocity as sent.
    pub(super) velocity: Value7,
    /// Where the show was when it was struck.
    pub(super) position: PositionId,
    /// The channel of the finger that struck it, on an MPE surface.
    pub(super) finger: Option<Channel>,
    /// The member of an MPE zone that it sounds on; 0 is the slot's own channel.
    pub(super) member: u8,
    /// Which finger leads where several share its channel.
    pub(super) leader: Leader,
    /// Where the bend of its surface as a whole stood when that last reached it.
    pub(super) base: Value14,
}

/// A key and the velocity with which it was struck.
type Press = (Key, Value7);

/// Where a zone leads a key.
#[derive(Clone, Copy)]
struct Aim {
    slot: Option<SlotId>,
    out_key: Key,
    velocity: Value7,
    leave: Leave,
}

impl Aim {
    const fn place(&self) -> (Option<SlotId>, Key) {
        (self.slot, self.out_key)
    }
}

/// A controller, and on an MPE surface the channel of a finger.
pub(super) type Hand = (ControllerId, Option<Channel>);

impl Note {
    /// Whether its key is down (if not, a pedal holds it).
    pub(super) const fn is_key_down(&self) -> bool {
        self.offs > 0
    }
}

impl Machine {
    /// A key goes down.
    pub(super) fn strike(&mut self, call: &mut Call<'_>, hand: Hand, key: Key, velocity: Value7) {
        let controller = hand.0;
        // A second Note On without a Note Off between: the first one ends.
        self.let_go(call, hand, key, NEUTRAL_RELEASE);
        self.controllers.at_mut(controller).struck = Some((key, velocity));
        if self.is_muted {
            return;
        }
        // A slot that fell silent just now gets what it is owed before it sounds again.
        self.pay_owed(call);
        let book = call.book;
        let zones = self
            .scene(book)
            .map_or(&[][..], |scene| scene.zones.of(&book.zones));
        let hits = zones.iter().filter(|zone| {
            zone.controller == controller
                && (zone.keys.0..=zone.keys.1).contains(&key)
                && (zone.velocities.0..=zone.velocities.1).contains(&velocity)
        });
        let mut is_wanted = false;
        for (index, zone) in hits.clone().enumerate() {
            is_wanted = true;
            let Some(mut aim) = self.aim(book, zone, (key, velocity)) else {
                self.counters.notes_out_of_range =
                    self.counters.notes_out_of_range.saturating_add(1);
                continue;
            };
            // Zones that lead one press to one note of one sound strike it once: the
            // loudest is heard, and it stays as long as any of them lets it.
            let mut is_struck = false;
            for (other, twin) in hits.clone().enumerate().filter(|(at, _)| *at != index) {
                let twin = self.aim(book, twin, (key, velocity));
                if let Some(twin) = twin.filter(|twin| twin.place() == aim.place()) {
                    is_struck |= other < index;
                    aim.velocity = aim.velocity.max(twin.velocity);
                    aim.leave = aim.leave.max(twin.leave);
                }
            }
            if !is_struck {
                self.strike_zone(call, zone, (hand.1, key), aim);
            }
        }
        if !is_wanted {
            self.counters.unwanted = self.counters.unwanted.saturating_add(1);
            let state = self.controllers.at_mut(controller);
            state.unwanted = state.unwanted.saturating_add(1);
        }
    }

    /// What a zone makes of a key that goes down; nothing if no key of its sound is meant.
    fn aim(&self, book: &Promptbook, zone: &ZoneEntry, (key, velocity): Press) -> Option<Aim> {
        let moved = i32::from(key.get()) + i32::from(zone.transpose);
        let curve = book.curves.get(usize::from(zone.curve));
        Some(Aim {
            slot: self.seats.get(zone.sound.index()).copied().flatten(),
            out_key: u8::try_from(moved).ok().and_then(Key::new)?,
            velocity: curve.and_then(|curve| curve.get(velocity.index())).map_or(
                velocity,
                // A curve cannot turn a struck key into a Note Off.
                |&curved| Value7::clamped(i32::from(curved).max(1)),
            ),
            leave: zone.leave,
        })
    }

    fn strike_zone(
        &mut self,
        call: &mut Call<'_>,
        zone: &ZoneEntry,
        (finger, key): (Option<Channel>, Key),
        aim: Aim,
    ) {
        let Some(slot) = aim.slot else {
            return;
        };
        if !self.slot_listens(call, slot) || self.is_slot_muted(call, slot) {
            return;
        }
        let Aim {
            out_key, velocity, ..
        } = aim;
        let member = self.choose_member(slot, (zone.controller, finger));
        let is_taken = self.notes.add(Note {
            controller: zone.controller,
            in_key: key,
            slot,
            out_key,
            offs: 1,
            is_latched: false,
            is_foreign: false,
            leave: aim.leave,
            velocity,
            position: self.position,
            finger,
            member,
            leader: zone.finger,
            base: self.whole_bend(zone.controller),
        });
        if !is_taken {
            self.counters.notes_refused = self.counters.notes_refused.saturating_add(1);
            return;
        }
        self.take_lead((slot, member));
        let state = self.slots.at_mut(slot);
        state.sounding.strike();
        self.counters.notes = self.counters.notes.saturating_add(1);
        self.play(
            call,
            (slot, member),
            out_key,
            Some(velocity),
            NEUTRAL_RELEASE,
        );
    }

    /// A key comes up: all it owns ends, in whatever scene it was struck.
    pub(super) fn let_go(&mut self, call: &mut Call<'_>, hand: Hand, key: Key, velocity: Value7) {
        self.end_keys(call, velocity, |note| {
            (note.controller, note.finger) == hand && note.in_key == key
        });
    }

    /// Lets go the keys of all notes that `is_meant` picks.
    pub(super) fn end_keys(
        &mut self,
        call: &mut Call<'_>,
        velocity: Value7,
        is_meant: impl Fn(&Note) -> bool,
    ) {
        let mut index = 0;
        while let Some(note) = self.notes.get(index) {
            if !note.is_key_down() || !is_meant(&note) {
                index += 1;
                continue;
            }
            self.send_offs(call, index, note, velocity);
            if self.is_sustained(note) && !self.notes.merge_sustained(index, note) {
                self.notes.set_offs(index, 0);
                self.leave_place(call, (note.slot, note.member));
                index += 1;
            } else {
                self.drop_note(call, index);
            }
            self.settle_pressure(call, note.controller, note.slot);
            self.lift_after_cut(call, note.slot);
        }
    }

    /// Ends notes whatever holds them: Note Offs for keys still down, then they are forgotten.
    pub(super) fn end_notes(&mut self, call: &mut Call<'_>, is_meant: impl Fn(&Note) -> bool) {
        let mut index = 0;
        while let Some(note) = self.notes.get(index) {
            if !is_meant(&note) {
                index += 1;
                continue;
            }
            if note.is_key_down() {
                self.send_offs(call, index, note, NEUTRAL_RELEASE);
            }
            self.drop_note(call, index);
        }
    }

    /// Sends the Note Offs of a key that is let go, or leaves them to another key that
    /// holds the same note. As many Note Offs go out as Note Ons did: receivers that count
    /// them need all (MIDI 1.0 advises balance), and for others the note must not end
    /// before its last owner leaves.
    fn send_offs(&mut self, call: &mut Call<'_>, index: usize, note: Note, velocity: Value7) {
        let place = (note.slot, note.member);
        if self
            .notes
            .leave_offs(Some(index), place, note.out_key, note.offs)
        {
            return;
        }
        if note.member == 0 && self.leave_to_cue(note.slot, note.out_key, note.offs) {
            return;
        }
        for _ in 0..note.offs {
            self.play(call, place, note.out_key, None, velocity);
        }
    }

    /// Whether a pedal that its slot was told of holds this note.
    fn is_sustained(&self, note: Note) -> bool {
        let pedals = &self.slots.at(note.slot).pedals;
        pedals.is_down(HOLD) || (note.is_latched && pedals.is_down(SOSTENUTO))
    }

    /// A pedal of a slot came up: what only it held ends now, and rings.
    pub(super) fn end_sustained(&mut self, call: &Call<'_>, slot: SlotId) {
        let pedals = &self.slots.at(slot).pedals;
        let (hold, sostenuto) = (pedals.is_down(HOLD), pedals.is_down(SOSTENUTO));
        if !sostenuto {
            self.notes.unlatch(slot);
        }
        let mut index = 0;
        while let Some(note) = self.notes.get(index) {
            let is_held = note.is_key_down() || hold || note.is_latched;
            if note.slot == slot && !is_held {
                self.drop_note(call, index);
            } else {
                index += 1;
            }
        }
    }

    /// Takes a note out of the table. Its ring starts when what ended it has left the line:
    /// behind a slow one it sounds until then.
    pub(super) fn drop_note(&mut self, call: &Call<'_>, index: usize) {
        let dropped = self.notes.remove(index);
        invariant!(self.counters, dropped.is_some(), "a note to drop exists");
        let Some(note) = dropped else {
            return;
        };
        self.leave_place(call, (note.slot, note.member));
        let ends_us = self.line_free_us(call, note.slot);
        let slot = self.slots.at_mut(note.slot);
        let was_counted = slot.sounding.end_note(ends_us);
        if !slot.sounding.is_held() {
            slot.bend_tails = 0;
        }
        invariant!(self.counters, was_counted, "a slot counts its notes");
    }

    /// Pressure on one key goes to the notes which that key holds, and nowhere else.
    pub(super) fn press_key(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        key: Key,
        value: Value7,
    ) {
        let passes = call
            .book
            .controllers
            .get(controller.index())
            .is_some_and(|entry| entry.passes_pressure);
        let is_led = self.controllers.at(controller).led.poly;
        if is_led || !(passes || self.names_poly(call.book, controller)) {
            return;
        }
        let mut index = 0;
        while let Some(note) = self.notes.get(index) {
            index += 1;
            let is_own = (note.controller, note.finger) == (controller, None);
            if !is_own || note.in_key != key || !note.is_key_down() {
                continue;
            }
            // On a member the pressure of a key is that of its channel.
            let place = (note.slot, note.member);
            self.pass_to(call, place, |ch| match note.member {
                0 => Message::PolyPressure(ch, note.out_key, value),
                _ => Message::Pressure(ch, value),
            });
        }
    }

    /// Whether this controller holds a note on this slot with a key that is no finger's.
    pub(super) fn has_key(&self, controller: ControllerId, slot: SlotId) -> bool {
        self.notes.iter().any(|note| {
            (note.controller, note.finger) == (controller, None)
                && note.slot == slot
                && note.is_key_down()
        })
    }

    /// A note does not hold its channel any more.
    fn leave_place(&mut self, call: &Call<'_>, place: Place) {
        self.free_member(place);
        self.choose_lead(call, place);
    }

    /// Whether this controller has a note on this slot; `by_key`: with its key still down.
    pub(super) fn has_note(&self, controller: ControllerId, slot: SlotId, by_key: bool) -> bool {
        self.notes.has(controller, slot, by_key)
    }
}
