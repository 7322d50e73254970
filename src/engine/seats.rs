//! Which slot each sound of a new scene takes.
//!
//! A sound that stays keeps its slot; others take the planned one. If foreign notes sound
//! there, the free slot of the group that has been silent longest, else the one whose ring
//! is over first; with none free, the least harm.
//!
//! A sound of an earlier scene whose notes are held is taken up again. Once those who played
//! it have moved a lever since, its notes are foreign: they must not hear where that lever
//! stands now, and fresh notes must. It is then taken up only where too few slots are free.

use super::limits::MAX_SOUNDS;
use super::machine::{Call, Machine};
use super::promptbook::{LevelChange, SlotId, SoundEntry};
use super::slots::{SlotState, bit};
use crate::midi::cc;

/// How a sound came to its slot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Coming {
    /// It was there, and its notes go on.
    Stays,
    /// The slot is silent, or rings at most.
    Free,
    /// Notes of another sound are held there.
    Harms,
}

/// A sound's slot in the new scene.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Seat {
    pub(super) slot: SlotId,
    pub(super) coming: Coming,
}

/// Slots of all sounds of a scene.
pub(super) type Seats = [Option<Seat>; MAX_SOUNDS];

/// A set of slots.
#[derive(Clone, Copy, Default)]
pub(super) struct SlotSet(u128);

impl SlotSet {
    pub(super) fn insert(&mut self, slot: SlotId) {
        self.0 |= 1u128.checked_shl(u32::from(slot.0)).unwrap_or(0);
    }

    pub(super) fn contains(self, slot: SlotId) -> bool {
        1u128.checked_shl(u32::from(slot.0)).unwrap_or(0) & self.0 != 0
    }
}

impl Machine {
    /// Keeps the sounds that stay on their slots: those of the present scene first, then
    /// those whose notes are still held from an earlier one. `seats` is filled for them.
    pub(super) fn keep_seats(
        &self,
        call: &Call<'_>,
        sounds: &[SoundEntry],
        planned: &[SlotId],
        seats: &mut Seats,
    ) {
        let mut taken = SlotSet::default();
        for is_planned_only in [true, false] {
            for ((sound, plan), seat) in sounds
                .iter()
                .zip(planned)
                .zip(seats.iter_mut())
                .filter(|(_, seat)| seat.is_none())
            {
                let kept = self
                    .group(call, sound)
                    .filter(|slot| {
                        (*slot == *plan || !is_planned_only)
                            && !taken.contains(*slot)
                            && !self.is_stale(*slot)
                            && self.can_stay(call, *slot, sound)
                    })
                    .min_by_key(|slot| (self.is_left(*slot), *slot));
                if let Some(slot) = kept {
                    taken.insert(slot);
                    *seat = Some(Seat {
                        slot,
                        coming: Coming::Stays,
                    });
                }
            }
        }
        self.keep_stale(call, sounds, taken, seats);
    }

    /// Takes up sounds again although levers moved since they were left, in groups where
    /// not every sound that still needs a slot finds a free one.
    fn keep_stale(
        &self,
        call: &Call<'_>,
        sounds: &[SoundEntry],
        mut taken: SlotSet,
        seats: &mut Seats,
    ) {
        let fresh = (*seats, taken);
        for (number, sound) in sounds.iter().enumerate().take(MAX_SOUNDS) {
            if fresh.0.get(number).is_none_or(Option::is_some)
                || !self.is_short(call, sounds, sound, &fresh)
            {
                continue;
            }
            let kept = self
                .group(call, sound)
                .filter(|slot| {
                    !taken.contains(*slot)
                        && self.is_stale(*slot)
                        && self.can_stay(call, *slot, sound)
                })
                .max_by_key(|slot| self.left_at(*slot));
            if let (Some(slot), Some(seat)) = (kept, seats.get_mut(number)) {
                taken.insert(slot);
                *seat = Some(Seat {
                    slot,
                    coming: Coming::Stays,
                });
            }
        }
    }

    /// Whether the group of a sound has fewer free slots than sounds that need one.
    fn is_short(
        &self,
        call: &Call<'_>,
        sounds: &[SoundEntry],
        sound: &SoundEntry,
        (seats, taken): &(Seats, SlotSet),
    ) -> bool {
        let needed = sounds
            .iter()
            .zip(seats)
            .filter(|(other, seat)| {
                seat.is_none() && (other.receiver, other.group) == (sound.receiver, sound.group)
            })
            .count();
        let free = self
            .group(call, sound)
            .filter(|slot| !taken.contains(*slot))
            .filter(|slot| !self.slots.at(*slot).sounding.is_held())
            .count();
        free < needed
    }

    /// Seats the sounds that are new.
    pub(super) fn choose_seats(
        &mut self,
        call: &Call<'_>,
        sounds: &[SoundEntry],
        planned: &[SlotId],
        seats: &mut Seats,
    ) {
        let mut taken = SlotSet::default();
        for seat in seats.iter().flatten() {
            taken.insert(seat.slot);
        }
        // Slots that other new sounds are planned on are left to them.
        let mut wanted = SlotSet::default();
        for (plan, _) in planned
            .iter()
            .zip(seats.iter())
            .filter(|(_, seat)| seat.is_none())
        {
            wanted.insert(*plan);
        }
        for ((sound, plan), seat) in sounds.iter().zip(planned).zip(seats.iter_mut()) {
            if seat.is_some() {
                continue;
            }
            *seat = self.choose(call, sound, *plan, taken, wanted);
            if let Some(seat) = seat {
                taken.insert(seat.slot);
                if seat.slot != *plan {
                    self.counters.detours = self.counters.detours.saturating_add(1);
                }
            }
        }
    }

    fn choose(
        &self,
        call: &Call<'_>,
        sound: &SoundEntry,
        plan: SlotId,
        taken: SlotSet,
        wanted: SlotSet,
    ) -> Option<Seat> {
        let open = || {
            self.group(call, sound)
                .filter(|slot| !taken.contains(*slot))
                .map(|slot| (slot, self.slots.at(slot)))
        };
        let free = open()
            .filter(|(_, state)| !state.sounding.is_held())
            .min_by_key(|(slot, state)| {
                let is_plan = *slot == plan;
                let is_wanted = wanted.contains(*slot) && !is_plan;
                // Silent before ringing, nobody else's before somebody's, of rings the one
                // that is over first, the plan before others, then the one silent longest.
                let rest_us = state.sounding.ring_until_us().saturating_sub(call.now_us);
                (
                    rest_us > 0,
                    is_wanted,
                    rest_us,
                    !is_plan,
                    state.sounding.ring_until_us(),
                    *slot,
                )
            });
        if let Some((slot, _)) = free {
            return Some(Seat {
                slot,
                coming: Coming::Free,
            });
        }
        open()
            .min_by_key(|(slot, state)| (state.sounding.notes(), self.last_struck(*slot), *slot))
            .map(|(slot, _)| Seat {
                slot,
                coming: Coming::Harms,
            })
    }

    /// Whether a slot carries no sound of the present scene.
    fn is_left(&self, slot: SlotId) -> bool {
        !self.slots.at(slot).is_of_scene()
    }

    /// Whether those who played the slot's sound have moved a lever since it was left.
    fn is_stale(&self, slot: SlotId) -> bool {
        let state = self.slots.at(slot);
        let mut controllers = self.controllers.pairs();
        !state.is_of_scene()
            && controllers.any(|(id, hands)| {
                state.left_by & bit(id) != 0 && hands.lever_moved > state.left_at
            })
    }

    /// How many movements of sources there had been when the slot's sound was left.
    fn left_at(&self, slot: SlotId) -> u64 {
        self.slots.at(slot).left_at
    }

    /// The place in the table of the newest note of a slot: the lower, the older.
    fn last_struck(&self, slot: SlotId) -> usize {
        self.notes
            .iter()
            .rposition(|note| note.slot == slot)
            .unwrap_or(0)
    }

    /// The slots that a sound may use.
    fn group<'a>(
        &self,
        call: &Call<'a>,
        sound: &SoundEntry,
    ) -> impl Iterator<Item = SlotId> + use<'a> {
        let (receiver, group) = (sound.receiver, sound.group);
        (0u8..)
            .map(SlotId)
            .zip(call.book.slots.iter().take(self.slots.len()))
            .filter(move |(_, entry)| entry.receiver == receiver && entry.group == group)
            .map(|(slot, _)| slot)
    }

    /// Whether this sound is on this slot already and may go on there: it is the same, and
    /// its level is the same or may ride. A sound of an earlier scene whose notes are held
    /// is taken up again the same way, so that stepping back does not disturb them.
    fn can_stay(&self, call: &Call<'_>, slot: SlotId, sound: &SoundEntry) -> bool {
        let state = self.slots.at(slot);
        let Some(old) = self.voiced(call.book, slot) else {
            return false;
        };
        // A sound that still waits for the last one to ring out is not there yet.
        let is_there = state.is_of_scene() || state.sounding.is_held();
        let is_level = old.volume == sound.volume && holds_level(state, sound);
        is_there
            && old.identity == sound.identity
            && !state.level.is_fading_out()
            && (is_level || sound.level_change == LevelChange::Ride)
    }
}

/// Whether the slot's level is the sound's, or on its way there.
fn holds_level(state: &SlotState, sound: &SoundEntry) -> bool {
    state.level.is_moving()
        || state.load.is_loading()
        || sound
            .volume
            .is_none_or(|volume| matches!(state.known.control(cc::VOLUME), v if v == volume.get() || v == super::known::UNKNOWN))
}
