//! Taking another promptbook while the show is played: the night was changed.
//!
//! Everything that takes time is done beforehand and elsewhere ([`Swap::prepare`]): the two
//! books are compared, and it is worked out which sound of the old one is which of the new.
//! The engine then exchanges the books and renames what it keeps. Notes, pedals, loads,
//! ramps, notes that wait and what is known of each slot go on untouched, and a sound of the
//! present scene stays on its slot. What differs in the scene that is played is taken up so:
//!
//! - a transposition counts from the next strike; keys that are down end what they struck;
//! - a level that a trim changed rides there, whatever the sound says of level changes;
//! - a scene that was edited beyond that is come to as by a step in place, without cues.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::Arc;

use super::Engine;
use super::input::Outbox;
use super::limits::{MAX_SLOTS, MAX_SOUNDS};
use super::machine::{Call, Machine, usage_by_slot};
use super::promptbook::{
    LevelChange, Patch, PositionEntry, PositionId, Promptbook, SceneEntry, Setting, SlotId,
    SoundEntry,
};
use super::slots::{Usage, bit};
use crate::midi::Value7;

/// Which slot carries which sound of the present scene, by the sound's number in it.
pub type Seated = [Option<SlotId>; MAX_SOUNDS];

/// What sounds at this moment: what a plan for the rest of the night must leave alone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Live {
    /// Where the show is.
    pub position: PositionId,
    /// Slots of the present scene's sounds.
    pub seats: Seated,
    /// The slots, as many as the promptbook has.
    pub slots: [LiveSlot; MAX_SLOTS],
}

/// A slot at this moment.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LiveSlot {
    /// The sound it was last made for: index into all sounds of the promptbook.
    pub voiced: Option<u32>,
    /// It holds notes, or rings.
    pub is_busy: bool,
    /// A hold pedal is down on it.
    pub has_pedal: bool,
}

impl Default for Live {
    fn default() -> Self {
        Self {
            position: PositionId(0),
            seats: [None; MAX_SOUNDS],
            slots: [LiveSlot::default(); MAX_SLOTS],
        }
    }
}

/// Why a book is not taken. The show goes on with the one it has.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SwapError {
    /// The books are of different rigs; what differs.
    Rig(&'static str),
    /// Stored messages have other numbers: what waits for a port refers to them by number.
    Messages,
    /// The position is in neither book.
    Position(PositionId),
    /// It was prepared against another book than the one that is played.
    Stale,
    /// It was prepared for another position: the show is here by now.
    Moved(PositionId),
}

impl fmt::Display for SwapError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rig(what) => write!(f, "the {what} of the rig differ: start the show again"),
            Self::Messages => f.write_str("stored messages were renumbered: start the show again"),
            Self::Position(at) => write!(f, "there is no position {} to go on at", at.0),
            Self::Stale => f.write_str("the night was changed meanwhile: plan again"),
            Self::Moved(at) => write!(f, "the show has gone on to position {}: plan again", at.0),
        }
    }
}

impl std::error::Error for SwapError {}

/// A promptbook made ready to be taken by an engine that plays another one.
#[derive(Clone, Debug)]
pub struct Swap {
    old: Arc<Promptbook>,
    book: Arc<Promptbook>,
    from: PositionId,
    at: PositionId,
    /// For each sound of the old book the same sound of the new one.
    sounds: Box<[Option<u32>]>,
    /// For each position of the old book the same place in the new one, as far as it is known.
    pub(super) places: Box<[Option<PositionId>]>,
    usage: Box<[Usage]>,
}

impl Swap {
    /// Compares the books, so that `book` can be taken by an engine that plays `old` and
    /// stands at `from`; it then stands at `at`. Not for the playing thread: it allocates.
    ///
    /// # Errors
    /// The books are of different rigs, number stored messages differently, or lack a position.
    pub fn prepare(
        old: &Arc<Promptbook>,
        book: Arc<Promptbook>,
        from: PositionId,
        at: PositionId,
    ) -> Result<Self, SwapError> {
        compare_rigs(old, &book)?;
        // What is known of a slot, and what waits for a port, names messages by number.
        if !book.blobs.starts_with(&old.blobs) {
            return Err(SwapError::Messages);
        }
        for (book, at) in [(old, from), (&book, at)] {
            if at.index() >= book.positions.len() {
                return Err(SwapError::Position(at));
            }
        }
        // What was told to slots by songs that are gone must still be told back.
        let mut usage = usage_by_slot(&book);
        for (sum, other) in usage.iter_mut().zip(usage_by_slot(old)) {
            sum.add(other);
        }
        Ok(Self {
            sounds: translate(old, &book),
            places: Box::default(),
            old: Arc::clone(old),
            book,
            from,
            at,
            usage,
        })
    }

    /// Says where each position of the old book is in the new one: a loop is kept by it. The
    /// books themselves know no call numbers.
    #[must_use]
    pub fn with_places(mut self, places: Box<[Option<PositionId>]>) -> Self {
        self.places = places;
        self
    }

    /// The book to be taken; once it was taken, the one that was played before.
    #[must_use]
    pub const fn book(&self) -> &Arc<Promptbook> {
        &self.book
    }

    /// Where the show stands in the new book.
    #[must_use]
    pub const fn at(&self) -> PositionId {
        self.at
    }

    fn sound(&self, old: usize) -> Option<usize> {
        self.sounds
            .get(old)
            .copied()
            .flatten()
            .map(|at| at as usize)
    }
}

impl Engine {
    /// Fills `live` with what sounds now.
    pub fn live(&self, live: &mut Live) {
        self.machine.live(live);
    }

    /// Exchanges the promptbook at the time `now_us` for the prepared one; `swap` then holds
    /// the old one, to be dropped where dropping may take its time. The view counts it as
    /// an edition.
    ///
    /// # Errors
    /// It was prepared against another book or position. Nothing has changed then.
    pub fn take_book(
        &mut self,
        now_us: u64,
        swap: &mut Swap,
        out: &mut Outbox,
    ) -> Result<(), SwapError> {
        if !Arc::ptr_eq(&self.book, &swap.old) {
            return Err(SwapError::Stale);
        }
        if self.machine.position != swap.from {
            return Err(SwapError::Moved(self.machine.position));
        }
        std::mem::swap(&mut self.book, &mut swap.book);
        let now_us = now_us.max(self.machine.now_us);
        let mut call = Call::new(&self.book, now_us, out);
        self.machine.take_book(&mut call, swap);
        self.edition = self.edition.wrapping_add(1);
        Ok(())
    }
}

impl Machine {
    fn live(&self, live: &mut Live) {
        live.position = self.position;
        live.seats = self.seats;
        for (shown, slot) in live.slots.iter_mut().zip(self.slots.iter()) {
            *shown = LiveSlot {
                voiced: slot.voiced.and_then(|index| u32::try_from(index).ok()),
                is_busy: !slot.sounding.is_silent(self.now_us),
                has_pedal: slot.pedals.any_down(),
            };
        }
    }

    /// `call` has the new book, `swap` the old one.
    fn take_book(&mut self, call: &mut Call<'_>, swap: &Swap) {
        self.now_us = call.now_us;
        let was_looped = self.stretch.is_some();
        self.keep_loop(swap, call.book);
        let (old, book) = (&*swap.old, call.book);
        let carried = carry_seats((old, swap.from), &self.seats, (book, swap.at));
        let page_before = self.page_number(old);
        let old_start = self
            .scene(old)
            .map_or(0, |scene| scene.sounds.start as usize);
        let mut is_made = [false; MAX_SLOTS];
        for ((slot, usage), is_made) in self.slots.iter_mut().zip(&swap.usage).zip(&mut is_made) {
            slot.usage = *usage;
            let present = slot.sound.map(|number| old_start + usize::from(number));
            *is_made = present.is_some() && slot.voiced == present;
            slot.voiced = slot.voiced.and_then(|index| swap.sound(index));
        }
        let old_routes = self
            .scene(old)
            .map(|scene| scene.routes)
            .unwrap_or_default();
        self.position = swap.at;
        self.carry_routes((old, old_routes), book);
        self.notes.rename_positions(swap.from, swap.at);
        let last_page = self
            .song(book)
            .map_or(0, |song| song.pages.len.saturating_sub(1));
        self.page = self.page.min(u16::try_from(last_page).unwrap_or(u16::MAX));
        let is_whole = carried.is_whole && self.is_fed_alike(book, &carried.seats);
        if is_whole {
            self.rename(call, &carried, &is_made);
            self.tell_routes(call);
        } else if let Some(place) = self.place(book) {
            let page = self.page;
            self.change_scene(call, swap.at, place);
            self.page = page;
        }
        if self.page_number(book) != page_before {
            self.tell_pages(call);
        }
        if was_looped || !is_next_same((old, swap.from), (book, swap.at)) {
            self.retarget_priming(call.now_us);
        }
    }

    /// Whether the scene's controllers feed the slots as they are fed already.
    fn is_fed_alike(&self, book: &Promptbook, seats: &Seated) -> bool {
        let mut feeds = [0_u16; MAX_SLOTS];
        let scene = self.scene(book).copied().unwrap_or_default();
        for zone in scene.zones.of(&book.zones) {
            let seat = seats.get(zone.sound.index()).copied().flatten();
            if let Some(feeds) = seat.and_then(|slot| feeds.get_mut(slot.index())) {
                *feeds |= bit(zone.controller);
            }
        }
        self.slots
            .iter()
            .zip(feeds)
            .all(|(slot, feeds)| slot.feeds == feeds)
    }

    /// The present scene under its new numbers; levels that a trim changed ride.
    fn rename(&mut self, call: &mut Call<'_>, carried: &Carried, is_made: &[bool; MAX_SLOTS]) {
        let book = call.book;
        let scene = self.scene(book).copied().unwrap_or_default();
        self.seats = carried.seats;
        for slot in self.slots.iter_mut() {
            slot.leave_scene(self.movements);
        }
        for (number, seat) in (0u8..).zip(self.seats) {
            let Some(seat) = seat else {
                continue;
            };
            let is_made = is_made.get(seat.index()).copied().unwrap_or(false);
            let slot = self.slots.at_mut(seat);
            slot.sound = Some(number);
            if is_made {
                slot.voiced = Some(scene.sounds.start as usize + usize::from(number));
            }
        }
        for (number, seat) in carried.seats.iter().enumerate() {
            let is_level_new = carried.is_level_new.get(number).copied().unwrap_or(false);
            let Some(slot) = seat.filter(|_| is_level_new) else {
                continue;
            };
            let volume = scene
                .sounds
                .of(&book.sounds)
                .get(number)
                .and_then(|sound| sound.volume);
            let waits = self.slots.at(slot).debts.owes_sound();
            if let Some(volume) = volume.filter(|_| !waits && self.slot_listens(call, slot)) {
                self.ride(call, slot, volume);
            }
        }
    }

    /// The number that page tablets are to show.
    fn page_number(&self, book: &Promptbook) -> Option<u16> {
        let song = self.song(book)?;
        song.pages
            .of(&book.pages)
            .get(usize::from(self.page))
            .copied()
    }
}

/// The seats of a scene as they are carried over into another book.
#[derive(Clone, Copy, Debug)]
pub struct Carried {
    /// Slots of the new scene's sounds.
    pub seats: Seated,
    /// Every sound of either scene is in the other one too.
    pub is_whole: bool,
    /// Sounds whose level is another now.
    is_level_new: [bool; MAX_SOUNDS],
}

/// Finds the sounds that are seated at a position of one book in the scene at a position of
/// another: the same in all but level. Stored messages are numbered alike in both.
#[must_use]
pub fn carry_seats(
    (old, from): (&Promptbook, PositionId),
    seats: &Seated,
    (book, at): (&Promptbook, PositionId),
) -> Carried {
    let (before, after) = (sounds_at(old, from), sounds_at(book, at));
    let mut carried = Carried {
        seats: [None; MAX_SOUNDS],
        is_whole: before.len() == after.len(),
        is_level_new: [false; MAX_SOUNDS],
    };
    let mut is_taken = [false; MAX_SOUNDS];
    let places = carried.seats.iter_mut().zip(&mut carried.is_level_new);
    for (number, (sound, (seat, is_level_new))) in after.iter().zip(places).enumerate() {
        let is_free = |other: &usize| !is_taken.get(*other).copied().unwrap_or(true);
        let is_like = |other: &usize| {
            before
                .get(*other)
                .is_some_and(|before| is_same(old, before, book, sound))
        };
        let found = std::iter::once(number)
            .chain(0..before.len())
            .find(|other| is_free(other) && is_like(other));
        let Some(found) = found else {
            carried.is_whole = false;
            continue;
        };
        if let Some(is_taken) = is_taken.get_mut(found) {
            *is_taken = true;
        }
        *seat = seats.get(found).copied().flatten();
        *is_level_new = before
            .get(found)
            .is_some_and(|before| before.volume != sound.volume);
    }
    carried
}

/// Whether the positions after these ask for the same on the same slots: then what was
/// loaded ahead, or is being loaded, is what it was.
fn is_next_same(
    (old, from): (&Promptbook, PositionId),
    (book, at): (&Promptbook, PositionId),
) -> bool {
    let next = |at: PositionId| PositionId(at.0.saturating_add(1));
    let place = |book: &'_ Promptbook, at: PositionId| book.positions.get(at.index()).copied();
    let (before, after) = match (place(old, next(from)), place(book, next(at))) {
        (None, None) => return true,
        (Some(before), Some(after)) => (before, after),
        _ => return false,
    };
    let zones = |book: &'_ Promptbook, place: PositionEntry| {
        let scene = book.scenes.get(place.scene.index()).copied();
        scene.unwrap_or_default().zones
    };
    let (old_zones, new_zones) = (zones(old, before), zones(book, after));
    let (old_zones, new_zones) = (old_zones.of(&old.zones), new_zones.of(&book.zones));
    let (old_sounds, new_sounds) = (sounds_at(old, next(from)), sounds_at(book, next(at)));
    before.seats.of(&old.seats) == after.seats.of(&book.seats)
        && old_sounds.len() == new_sounds.len()
        && old_zones.len() == new_zones.len()
        && old_sounds.iter().zip(new_sounds).all(|(before, after)| {
            is_same(old, before, book, after)
                && (before.volume, before.level_change) == (after.volume, after.level_change)
        })
        && old_zones.iter().zip(new_zones).all(|(before, after)| {
            (before.controller, before.sound) == (after.controller, after.sound)
        })
}

fn sounds_at(book: &Promptbook, at: PositionId) -> &[SoundEntry] {
    book.positions
        .get(at.index())
        .and_then(|place| book.scenes.get(place.scene.index()))
        .map_or(&[], |scene: &SceneEntry| scene.sounds.of(&book.sounds))
}

/// What makes two sounds of two books the same: everything but the level.
type Likeness<'a> = (u8, u8, Patch, Option<Value7>, Option<Value7>, &'a [Setting]);

fn likeness<'a>(book: &'a Promptbook, sound: &SoundEntry) -> Likeness<'a> {
    (
        sound.receiver.0,
        sound.group,
        sound.patch,
        sound.pan,
        sound.bend_range,
        sound.settings.of(&book.settings),
    )
}

fn is_same(old: &Promptbook, before: &SoundEntry, book: &Promptbook, sound: &SoundEntry) -> bool {
    likeness(old, before) == likeness(book, sound)
}

/// Which sound of `book` each sound of `old` is: the one of the same number if it is the
/// same altogether, else one with the same level, else one that differs in its level only.
#[must_use]
pub fn translate(old: &Promptbook, book: &Promptbook) -> Box<[Option<u32>]> {
    let mut by_level: BTreeMap<(Likeness<'_>, Option<Value7>, bool), u32> = BTreeMap::new();
    let mut by_likeness: BTreeMap<Likeness<'_>, u32> = BTreeMap::new();
    let level = |sound: &SoundEntry| (sound.volume, sound.level_change == LevelChange::New);
    for (index, sound) in (0..).zip(&book.sounds) {
        let likeness = likeness(book, sound);
        let (volume, is_new) = level(sound);
        by_level.entry((likeness, volume, is_new)).or_insert(index);
        by_likeness.entry(likeness).or_insert(index);
    }
    let find = |(index, sound): (u32, &SoundEntry)| {
        let likeness = likeness(old, sound);
        let (volume, is_new) = level(sound);
        let is_there = book
            .sounds
            .get(index as usize)
            .is_some_and(|other| level(other) == level(sound) && is_same(old, sound, book, other));
        if is_there {
            return Some(index);
        }
        by_level
            .get(&(likeness, volume, is_new))
            .or_else(|| by_likeness.get(&likeness))
            .copied()
    };
    (0..).zip(&old.sounds).map(find).collect()
}

/// Notes, pedals and what is known refer to the rig by number: it must be the same.
fn compare_rigs(old: &Promptbook, book: &Promptbook) -> Result<(), SwapError> {
    let parts = [
        (
            old.in_ports == book.in_ports && old.out_ports == book.out_ports,
            "ports",
        ),
        (old.controllers == book.controllers, "controllers"),
        (old.sources == book.sources, "sources"),
        (old.bindings == book.bindings, "pedal bindings"),
        (old.receivers == book.receivers, "receivers"),
        (old.slots == book.slots, "slots"),
    ];
    match parts.into_iter().find(|(is_same, _)| !is_same) {
        Some((_, what)) => Err(SwapError::Rig(what)),
        None => Ok(()),
    }
}
