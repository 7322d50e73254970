//! Seats: which slot carries which sound at each position of the night.
//!
//! One pass over the night, group by group: a sound that stays keeps its slot; a new one
//! goes to a slot that was silent in the position before, that one first which already
//! holds it, else the one unused for longest, so that what was left may ring on and held
//! notes are met as late as possible. With too few slots the seat is shared with what was
//! left just now, and that is a remark.

use std::collections::BTreeMap;

use crate::engine::promptbook::{PositionEntry, Promptbook, SlotId, SoundEntry, Span};

/// Something the player should know about a step.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Remark {
    /// Index of the position stepped to.
    pub(super) position: usize,
    /// Index of the sound in its scene.
    pub(super) sound: usize,
    /// What is wrong.
    pub(super) trouble: Trouble,
}

/// What can be wrong with a seat.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Trouble {
    /// The only slot to be had was in use a moment ago: held notes there are not safe.
    NoSilentSlot,
    /// Two sounds of one scene want the same slot.
    NoSlot,
}

/// What the pass knows about one slot.
#[derive(Clone, Copy, Default)]
struct Slot {
    /// Identity of the sound it holds.
    holds: Option<u32>,
    /// One past the last position that used it; 0 if never.
    used: usize,
}

/// Fills `promptbook.seats`.
pub(super) fn assign(book: &mut Promptbook) -> Vec<Remark> {
    let mut groups: BTreeMap<(u8, u8), Vec<usize>> = BTreeMap::new();
    for (at, slot) in book.slots.iter().enumerate() {
        groups
            .entry((slot.receiver.0, slot.group))
            .or_default()
            .push(at);
    }
    let mut slots = vec![Slot::default(); book.slots.len()];
    let mut seats: Vec<SlotId> = Vec::new();
    let mut remarks = Vec::new();
    let mut positions = book.positions.to_vec();
    for (at, position) in positions.iter_mut().enumerate() {
        let start = seats.len();
        let sounds = sounds_at(book, position);
        let taken = seat_all(at, sounds, &groups, &mut slots, &mut remarks);
        seats.extend(taken);
        position.seats = Span {
            start: start as u32,
            len: (seats.len() - start) as u32,
        };
    }
    book.positions = positions.into();
    book.seats = seats.into();
    remarks
}

fn sounds_at<'a>(book: &'a Promptbook, position: &PositionEntry) -> &'a [SoundEntry] {
    book.scenes
        .get(position.scene.index())
        .map_or(&[], |scene| scene.sounds.of(&book.sounds))
}

/// Seats one position's sounds: those that stay first, so that no new one takes their slot.
fn seat_all(
    at: usize,
    sounds: &[SoundEntry],
    groups: &BTreeMap<(u8, u8), Vec<usize>>,
    slots: &mut [Slot],
    remarks: &mut Vec<Remark>,
) -> Vec<SlotId> {
    let mut seats: Vec<Option<usize>> = vec![None; sounds.len()];
    let group = |sound: &SoundEntry| {
        groups
            .get(&(sound.receiver.0, sound.group))
            .map_or(&[][..], Vec::as_slice)
    };
    for (sound, seat) in sounds.iter().zip(&mut seats) {
        let stays = |slot: &&usize| {
            slots
                .get(**slot)
                .is_some_and(|s| s.holds == Some(sound.identity) && s.used == at)
        };
        *seat = group(sound).iter().find(stays).copied().filter(|_| at > 0);
        occupy(slots, *seat, sound, at);
    }
    for (index, sound) in sounds.iter().enumerate() {
        if seats.get(index).is_some_and(Option::is_some) {
            continue;
        }
        let free = group(sound)
            .iter()
            .copied()
            .filter(|slot| !is_taken(slots, *slot, at));
        let best = free.min_by_key(|slot| preference(slots, *slot, sound, at));
        let trouble = match best {
            None => Some(Trouble::NoSlot),
            Some(slot) if at > 0 && slots.get(slot).is_some_and(|s| s.used == at) => {
                Some(Trouble::NoSilentSlot)
            }
            Some(_) => None,
        };
        remarks.extend(trouble.map(|trouble| Remark {
            position: at,
            sound: index,
            trouble,
        }));
        let seat = best.or_else(|| group(sound).last().copied());
        occupy(slots, seat, sound, at);
        if let Some(place) = seats.get_mut(index) {
            *place = seat;
        }
    }
    seats
        .into_iter()
        .map(|seat| SlotId(seat.unwrap_or(0) as u8))
        .collect()
}

/// Smaller is better: silent in the position before, already holding the sound, longest unused.
fn preference(slots: &[Slot], slot: usize, sound: &SoundEntry, at: usize) -> (bool, bool, usize) {
    slots.get(slot).map_or((true, true, usize::MAX), |s| {
        (
            at > 0 && s.used == at,
            s.holds != Some(sound.identity),
            s.used,
        )
    })
}

fn is_taken(slots: &[Slot], slot: usize, at: usize) -> bool {
    slots.get(slot).is_some_and(|s| s.used == at + 1)
}

fn occupy(slots: &mut [Slot], seat: Option<usize>, sound: &SoundEntry, at: usize) {
    if let Some(slot) = seat.and_then(|seat| slots.get_mut(seat)) {
        *slot = Slot {
            holds: Some(sound.identity),
            used: at + 1,
        };
    }
}
