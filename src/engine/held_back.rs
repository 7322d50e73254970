//! Notes played while their slot's patch loads: held back a little, never dropped.

use super::fault::invariant;
use super::input::Urgency;
use super::known::UNKNOWN;
use super::limits::MAX_HELD_BACK;
use super::machine::{Call, Machine};
use super::mpe::{Lead, Place};
use super::promptbook::SlotId;
use crate::midi::{Key, Message, Value7, cc};

/// How long a note waits for its patch at most, in microseconds.
pub(super) const MAX_HELD_BACK_US: u64 = 30_000;

/// A note message that waits.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct HeldBack {
    pub(super) slot: SlotId,
    /// The member of an MPE zone that it is for; 0 is the slot's own channel.
    pub(super) member: u8,
    /// The finger that was heard there when it was played.
    pub(super) lead: Option<Lead>,
    pub(super) key: Key,
    /// Velocity of a Note On, or none for a Note Off.
    pub(super) velocity: Option<Value7>,
    pub(super) release: Value7,
    pub(super) due_us: u64,
}

impl Machine {
    /// Sends a Note On (with a velocity) or a Note Off, now or when its slot is ready.
    ///
    /// A Note Off waits only behind its own Note On, so that a short note keeps both.
    pub(super) fn play(
        &mut self,
        call: &mut Call<'_>,
        (slot, member): Place,
        key: Key,
        velocity: Option<Value7>,
        release: Value7,
    ) {
        let lead = self.lead_on((slot, member));
        let waits = if velocity.is_some() {
            self.must_wait(call, slot)
        } else {
            self.held_back
                .iter()
                .any(|item| (item.slot, item.member) == (slot, member) && item.key == key)
        };
        let item = HeldBack {
            slot,
            member,
            lead,
            key,
            velocity,
            release,
            due_us: call.now_us.saturating_add(MAX_HELD_BACK_US),
        };
        if !waits {
            self.sound(call, &item);
            return;
        }
        if self.held_back.len() >= MAX_HELD_BACK
            && let Some(oldest) = self.held_back.first().copied()
        {
            self.release_early(call, oldest.slot);
        }
        if !invariant!(
            self.counters,
            self.held_back.len() < MAX_HELD_BACK,
            "releasing a slot's notes makes room"
        ) {
            self.sound(call, &item);
            return;
        }
        self.held_back.push(item);
    }

    fn must_wait(&self, call: &Call<'_>, slot: SlotId) -> bool {
        let is_loading = self.slots.at(slot).load.is_loading();
        is_loading
            && self
                .manners(call.book, slot)
                .is_some_and(|manners| manners.holds_back)
    }

    fn sound(&mut self, call: &mut Call<'_>, item: &HeldBack) {
        let place = (item.slot, item.member);
        if item.velocity.is_some() {
            self.settle_place(call, place, item.lead);
        }
        self.send_to(call, place, Urgency::Live, |ch| match item.velocity {
            Some(velocity) => Message::NoteOn(ch, item.key, velocity),
            None => Message::NoteOff(ch, item.key, item.release),
        });
    }

    /// Sends what waits for this slot, in the order it was played.
    pub(super) fn release_held_back(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let mut index = 0;
        while let Some(item) = self.held_back.get(index).copied() {
            if item.slot == slot {
                self.held_back.remove(index);
                self.sound(call, &item);
            } else {
                index += 1;
            }
        }
    }

    /// Forgets what waits for this slot: Note Ons that never sounded need no Note Off, but
    /// Note Offs that wait for notes already sounding go out now.
    pub(super) fn forget_held_back(&mut self, call: &mut Call<'_>, slot: SlotId) {
        while let Some(first) = self
            .held_back
            .iter()
            .find(|item| item.slot == slot)
            .copied()
        {
            let of_key = |item: &HeldBack| {
                (item.slot, item.member, item.key) == (slot, first.member, first.key)
            };
            let waiting = self.held_back.iter().filter(|item| of_key(item));
            let ons = waiting
                .clone()
                .filter(|item| item.velocity.is_some())
                .count();
            let offs = waiting.count() - ons;
            self.held_back.retain(|item| !of_key(item));
            for _ in ons..offs {
                let off = HeldBack {
                    velocity: None,
                    ..first
                };
                self.sound(call, &off);
            }
            for _ in offs..ons {
                self.notes.forget_strike((slot, first.member), first.key);
            }
        }
    }

    /// Sends what waits for this slot although its patch still loads: level up first, so
    /// that it is heard. The level may be lost on a slot that loads, so it is sent again.
    fn release_early(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let early = self
            .held_back
            .iter()
            .filter(|item| item.slot == slot && item.velocity.is_some())
            .count();
        self.counters.held_back_early = self.counters.held_back_early.saturating_add(early as u64);
        if let Some(volume) = self.voiced(call.book, slot).and_then(|sound| sound.volume) {
            self.tell_control(call, slot, cc::VOLUME, volume);
            self.slots
                .at_mut(slot)
                .known
                .set_control(cc::VOLUME, UNKNOWN);
        }
        self.release_held_back(call, slot);
    }

    /// Releases the notes that have waited long enough.
    pub(super) fn run_held_back(&mut self, call: &mut Call<'_>) {
        while let Some(item) = self
            .held_back
            .iter()
            .find(|item| item.due_us <= call.now_us)
        {
            let slot = item.slot;
            self.release_early(call, slot);
        }
    }
}
