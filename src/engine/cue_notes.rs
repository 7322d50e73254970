//! Notes that a cue struck: each ends after its length, whatever happens to the show
//! meanwhile.
//!
//! No key owns such a note, so it is in no table of owners. Where a key holds the same note
//! on the same slot, the Note Off is left to whoever lets go last, as between two keys. A
//! slot with such a note counts as ringing until the note has ended and rung out: what is
//! loaded ahead waits, and new sounds go elsewhere if they can.

use super::input::Urgency;
use super::limits::MAX_CUE_NOTES;
use super::machine::{Call, Machine};
use super::notes::NEUTRAL_RELEASE;
use super::promptbook::{CueNote, CuePlace, Promptbook, ReceiverId, SlotId};
use super::seats::SlotSet;
use crate::midi::{Key, Message};

/// A note of a cue that sounds, for the checkpoint.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SoundingCue {
    /// The slot it sounds on.
    pub slot: SlotId,
    /// Its key.
    pub key: Key,
    /// Note Offs that it takes: those of keys that left theirs to it too.
    pub offs: u16,
    /// When it ends, in microseconds.
    pub ends_us: u64,
}

/// Cue notes that sound, oldest first.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct CueNotes {
    sounding: [Option<SoundingCue>; MAX_CUE_NOTES],
}

impl CueNotes {
    /// None sounds.
    pub(super) const fn new() -> Self {
        Self {
            sounding: [None; MAX_CUE_NOTES],
        }
    }

    /// Those of a checkpoint.
    pub(super) const fn restored(sounding: [Option<SoundingCue>; MAX_CUE_NOTES]) -> Self {
        Self { sounding }
    }

    /// All of them, for a checkpoint.
    pub(super) const fn all(&self) -> [Option<SoundingCue>; MAX_CUE_NOTES] {
        self.sounding
    }

    /// When the next one ends.
    pub(super) fn deadline(&self) -> Option<u64> {
        let ends = self.sounding.iter().flatten().map(|note| note.ends_us);
        ends.filter(|ends_us| *ends_us != AT_RETURN).min()
    }

    /// Those on a lost port end when it returns: until then no Note Off arrives there.
    pub(super) fn lose(&mut self, is_lost: impl Fn(SlotId) -> bool) {
        for note in self.sounding.iter_mut().flatten() {
            if is_lost(note.slot) {
                note.ends_us = AT_RETURN;
            }
        }
    }

    /// The one on this slot and key, if it sounds.
    fn on_key(&mut self, slot: SlotId, key: Key) -> Option<&mut SoundingCue> {
        let mut sounding = self.sounding.iter_mut().flatten();
        sounding.find(|note| note.slot == slot && note.key == key)
    }

    /// Takes out the oldest that `is_meant` picks.
    fn take(&mut self, is_meant: impl Fn(&SoundingCue) -> bool) -> Option<SoundingCue> {
        let found = self
            .sounding
            .iter()
            .position(|note| note.is_some_and(|note| is_meant(&note)))?;
        let (taken, rest) = self.sounding.get_mut(found..)?.split_first_mut()?;
        let note = taken.take();
        // The younger ones move up, so that the order stays that of age.
        let mut gap = taken;
        for next in rest {
            std::mem::swap(gap, next);
            gap = next;
        }
        note
    }

    /// Adds one; false if the table is full.
    fn add(&mut self, note: SoundingCue) -> bool {
        let free = self.sounding.iter_mut().find(|place| place.is_none());
        free.map(|place| *place = Some(note)).is_some()
    }
}

impl Machine {
    /// Strikes the note of a cue. A cue note of the same slot and key ends first; past
    /// `MAX_CUE_NOTES` the oldest ends at once and is counted.
    pub(super) fn strike_cue(&mut self, call: &mut Call<'_>, receiver: ReceiverId, cue: CueNote) {
        let Some(slot) = self.slot_of_cue(call.book, cue.place) else {
            return;
        };
        if !self.slot_listens(call, slot) {
            return;
        }
        self.note_told(Some(self.wiring.receiver(receiver)));
        let same = |note: &SoundingCue| note.slot == slot && note.key == cue.key;
        if let Some(before) = self.cue_notes.take(same) {
            self.end_cue_note(call, before);
        }
        let note = SoundingCue {
            slot,
            key: cue.key,
            offs: 1,
            ends_us: call.now_us.saturating_add(u64::from(cue.length_ms) * 1_000),
        };
        if !self.cue_notes.add(note) {
            self.counters.cue_notes_cut = self.counters.cue_notes_cut.saturating_add(1);
            if let Some(oldest) = self.cue_notes.take(|_| true) {
                self.end_cue_note(call, oldest);
            }
            self.cue_notes.add(note);
        }
        self.send(call, slot, Urgency::Changeover, |ch| {
            Message::NoteOn(ch, cue.key, cue.velocity)
        });
        self.ring_until(slot, note.ends_us);
    }

    /// The slot that a cue's note sounds on: the one it names, or the one that carries a
    /// sound of the present scene.
    fn slot_of_cue(&self, book: &Promptbook, place: CuePlace) -> Option<SlotId> {
        match place {
            CuePlace::Slot(slot) => book.slots.get(slot.index()).map(|_| slot),
            CuePlace::Sound(sound) => self.seats.get(sound.index()).copied().flatten(),
        }
    }

    /// Ends the notes whose time has come.
    pub(super) fn run_cue_notes(&mut self, call: &mut Call<'_>) {
        let now_us = call.now_us;
        while let Some(note) = self.cue_notes.take(|note| note.ends_us <= now_us) {
            self.end_cue_note(call, note);
        }
    }

    /// Ends the notes on slots that `is_meant` picks. Those on a lost port wait for its return.
    pub(super) fn end_cue_notes(
        &mut self,
        call: &mut Call<'_>,
        is_meant: impl Fn(&Self, SlotId) -> bool,
    ) {
        let mut slots = SlotSet::default();
        for slot in self.slot_ids() {
            if self.slot_listens(call, slot) && is_meant(self, slot) {
                slots.insert(slot);
            }
        }
        while let Some(note) = self.cue_notes.take(|note| slots.contains(note.slot)) {
            self.end_cue_note(call, note);
        }
    }

    /// Ends the notes on one device, or on all.
    pub(super) fn end_cues_of(&mut self, call: &mut Call<'_>, device: Option<ReceiverId>) {
        let book = call.book;
        self.end_cue_notes(call, |machine, slot| {
            device.is_none() || machine.device(book, slot) == device
        });
    }

    /// Sends its Note Offs, or leaves them to a key that holds the same note.
    fn end_cue_note(&mut self, call: &mut Call<'_>, note: SoundingCue) {
        let place = (note.slot, 0);
        if self.notes.leave_offs(None, place, note.key, note.offs) {
            return;
        }
        for _ in 0..note.offs {
            self.send(call, note.slot, Urgency::Live, |ch| {
                Message::NoteOff(ch, note.key, NEUTRAL_RELEASE)
            });
        }
        let ends_us = self.line_free_us(call, note.slot);
        self.ring_until(note.slot, ends_us);
    }

    /// A slot sounds until then, and rings after it.
    fn ring_until(&mut self, slot: SlotId, ends_us: u64) {
        let state = self.slots.at_mut(slot);
        state.sounding.ring_from(ends_us);
    }

    /// Leaves the Note Offs of a key to a cue note that holds the same note; false if none
    /// does.
    pub(super) fn leave_to_cue(&mut self, slot: SlotId, key: Key, offs: u16) -> bool {
        let heir = self.cue_notes.on_key(slot, key);
        heir.map(|heir| heir.offs = heir.offs.saturating_add(offs))
            .is_some()
    }
}

/// The end of a note on a lost port.
const AT_RETURN: u64 = u64::MAX;

#[cfg(test)]
mod tests {
    use super::*;

    fn note(key: i32, ends_us: u64) -> SoundingCue {
        SoundingCue {
            slot: SlotId(0),
            key: Key::clamped(key),
            offs: 1,
            ends_us,
        }
    }

    #[test]
    fn the_oldest_is_taken_first_and_the_others_keep_their_order() {
        let mut notes = CueNotes::new();
        for key in 0..MAX_CUE_NOTES as i32 {
            assert!(notes.add(note(key, 10)));
        }
        assert!(!notes.add(note(99, 10)), "the table has a limit");
        assert_eq!(
            notes.take(|n| n.key.get() == 3).map(|n| n.key.get()),
            Some(3)
        );
        assert!(notes.add(note(99, 5)));
        let order: Vec<u8> = notes.all().iter().flatten().map(|n| n.key.get()).collect();
        assert_eq!(order.first(), Some(&0));
        assert_eq!(order.last(), Some(&99));
        assert_eq!(notes.deadline(), Some(5));
        assert_eq!(notes.take(|_| true).map(|n| n.key.get()), Some(0));
    }
}
