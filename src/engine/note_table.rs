//! The table of notes and their owners: which key holds which note of which slot.

use super::limits::MAX_NOTES;
use super::mpe::Place;
use super::notes::{NOWHERE, Note};
use super::promptbook::{ControllerId, PositionId, SlotId};
use crate::midi::{Key, Value14};

/// All notes that are held, by key or pedal, oldest first.
///
/// Each Note On that was sent has one Note Off in the table, with the key that will send it:
/// they move from key to key where several hold one note, and are never lost. There are never
/// more than `MAX_NOTES`, so the table does not grow while it is played.
#[derive(Clone, Debug)]
pub(super) struct Notes {
    notes: Vec<Note>,
}

impl Notes {
    /// An empty table, with all the memory that it will need.
    pub(super) fn new() -> Self {
        Self {
            notes: Vec::with_capacity(MAX_NOTES),
        }
    }

    /// Becomes the same as another table, in the memory that it has.
    pub(super) fn copy_from(&mut self, other: &Self) {
        self.notes.clone_from(&other.notes);
    }

    /// How many notes there are.
    pub(super) fn len(&self) -> usize {
        self.notes.len()
    }

    /// All notes, oldest first.
    pub(super) fn iter(&self) -> std::slice::Iter<'_, Note> {
        self.notes.iter()
    }

    /// The note at this place of the table: the lower, the older. None behind the last one.
    pub(super) fn get(&self, index: usize) -> Option<Note> {
        self.notes.get(index).copied()
    }

    /// Adds a note that was struck; false if the table is full.
    pub(super) fn add(&mut self, note: Note) -> bool {
        let has_room = self.notes.len() < MAX_NOTES;
        if has_room {
            self.notes.push(note);
        }
        has_room
    }

    /// Takes a note out; those behind it move up.
    pub(super) fn remove(&mut self, index: usize) -> Option<Note> {
        (index < self.notes.len()).then(|| self.notes.remove(index))
    }

    /// Takes out the notes of all slots that `is_meant` picks.
    pub(super) fn lose(&mut self, is_meant: impl Fn(SlotId) -> bool) {
        self.notes.retain(|note| !is_meant(note.slot));
    }

    /// Takes all notes out.
    pub(super) fn clear(&mut self) {
        self.notes.clear();
    }

    /// Whether a controller has a note on a slot; `by_key`: with its key still down.
    pub(super) fn has(&self, controller: ControllerId, slot: SlotId, by_key: bool) -> bool {
        self.notes.iter().any(|note| {
            note.controller == controller && note.slot == slot && (!by_key || note.is_key_down())
        })
    }

    /// Whether the sostenuto pedal has a note on this slot.
    pub(super) fn has_latched(&self, slot: SlotId) -> bool {
        let mut notes = self.notes.iter();
        notes.any(|note| note.slot == slot && note.is_latched)
    }

    /// Leaves Note Offs to a key that is down on the same note, other than that of the note
    /// at `except`; false if there is none.
    pub(super) fn leave_offs(
        &mut self,
        except: Option<usize>,
        place: Place,
        key: Key,
        offs: u16,
    ) -> bool {
        let heir = self.notes.iter_mut().enumerate().find(|(index, heir)| {
            Some(*index) != except
                && heir.is_key_down()
                && (heir.slot, heir.member) == place
                && heir.out_key == key
        });
        heir.map(|(_, heir)| heir.offs = heir.offs.saturating_add(offs))
            .is_some()
    }

    /// The Note Offs of a note were sent or left to another: `offs` remain with it, none if
    /// only a pedal holds it from now on.
    pub(super) fn set_offs(&mut self, index: usize, offs: u16) {
        if let Some(note) = self.notes.get_mut(index) {
            note.offs = offs;
        }
    }

    /// One Note Off fewer for the newest owner of a note, whose Note On was never sent.
    pub(super) fn forget_strike(&mut self, place: Place, key: Key) {
        let owner =
            self.notes.iter_mut().rev().find(|note| {
                (note.slot, note.member) == place && note.out_key == key && note.offs > 0
            });
        if let Some(owner) = owner {
            owner.offs -= 1;
        }
    }

    /// Whether another note like this one is held by a pedal alone already, which then stands
    /// for both: a trill under the pedal must not fill the table.
    pub(super) fn merge_sustained(&mut self, index: usize, note: Note) -> bool {
        let twin = self.notes.iter_mut().enumerate().find(|(other, twin)| {
            *other != index
                && !twin.is_key_down()
                && twin.controller == note.controller
                && (twin.slot, twin.member) == (note.slot, note.member)
                && twin.out_key == note.out_key
                && twin.is_foreign == note.is_foreign
                && twin.leave == note.leave
        });
        if let Some((_, twin)) = twin {
            twin.is_latched |= note.is_latched;
            twin.in_key = note.in_key;
            return true;
        }
        false
    }

    /// The sostenuto pedal goes down on a slot: it holds the notes whose keys are down at
    /// this moment, and no others (GM2 §3.3.9).
    pub(super) fn latch(&mut self, slot: SlotId) {
        for note in &mut self.notes {
            note.is_latched |= note.slot == slot && note.is_key_down();
        }
    }

    /// The sostenuto pedal holds nothing on a slot any more.
    pub(super) fn unlatch(&mut self, slot: SlotId) {
        for note in self.notes.iter_mut().filter(|note| note.slot == slot) {
            note.is_latched = false;
        }
    }

    /// Notes on slots whose sound does not stay have left the scene, all others belong to it.
    pub(super) fn leave_scene(&mut self, stays: impl Fn(SlotId) -> bool) {
        for note in &mut self.notes {
            note.is_foreign = !stays(note.slot);
        }
    }

    /// The bend of a surface as a whole moved: it counts for its fingers' notes on the slots
    /// that it reaches.
    pub(super) fn move_bases(
        &mut self,
        controller: ControllerId,
        base: Value14,
        mut reaches: impl FnMut(SlotId) -> bool,
    ) {
        for note in &mut self.notes {
            let is_of_finger = note.controller == controller && note.finger.is_some();
            if is_of_finger && reaches(note.slot) {
                note.base = base;
            }
        }
    }

    /// Another promptbook: `from` is `to` there, and other positions are in it no more.
    pub(super) fn rename_positions(&mut self, from: PositionId, to: PositionId) {
        for note in &mut self.notes {
            note.position = if note.position == from { to } else { NOWHERE };
        }
    }
}

impl<'a> IntoIterator for &'a Notes {
    type Item = &'a Note;
    type IntoIter = std::slice::Iter<'a, Note>;

    fn into_iter(self) -> Self::IntoIter {
        self.notes.iter()
    }
}

#[cfg(test)]
mod tests {
    use super::super::notes::NEUTRAL_RELEASE;
    use super::super::promptbook::Leave;
    use super::*;
    use crate::midi::mpe::Leader;

    fn note(controller: u8, key: i32) -> Note {
        Note {
            controller: ControllerId(controller),
            in_key: Key::clamped(key),
            slot: SlotId(0),
            out_key: Key::clamped(key),
            offs: 1,
            is_latched: false,
            is_foreign: false,
            leave: Leave::Hold,
            velocity: NEUTRAL_RELEASE,
            position: PositionId(0),
            finger: None,
            member: 0,
            leader: Leader::Last,
            base: Value14::CENTRE,
        }
    }

    #[test]
    fn note_offs_go_to_another_key_that_holds_the_note_and_are_not_lost() {
        let mut notes = Notes::new();
        notes.add(note(0, 60));
        notes.add(note(1, 60));
        let (place, key) = ((SlotId(0), 0), Key::clamped(60));
        assert!(notes.leave_offs(Some(0), place, key, 1));
        assert_eq!(notes.remove(0).map(|note| note.offs), Some(1));
        assert_eq!(notes.get(0).map(|note| note.offs), Some(2));
        assert!(!notes.leave_offs(Some(0), place, key, 2), "it was the last");
        notes.forget_strike(place, key);
        assert_eq!(notes.get(0).map(|note| note.offs), Some(1));
        assert_eq!(notes.remove(1), None);
    }

    #[test]
    fn sostenuto_holds_the_keys_that_are_down_and_no_others() {
        let mut notes = Notes::new();
        notes.add(note(0, 60));
        notes.add(note(0, 62));
        notes.set_offs(1, 0);
        notes.latch(SlotId(0));
        let latched: Vec<bool> = notes.iter().map(|note| note.is_latched).collect();
        assert_eq!(latched, [true, false]);
        notes.unlatch(SlotId(0));
        assert!(!notes.has_latched(SlotId(0)));
    }

    #[test]
    fn a_full_table_refuses_and_does_not_grow() {
        let mut notes = Notes::new();
        for _ in 0..MAX_NOTES {
            assert!(notes.add(note(0, 60)));
        }
        assert!(!notes.add(note(0, 61)));
        assert_eq!(notes.len(), MAX_NOTES);
    }

    #[test]
    fn a_trill_under_the_pedal_is_one_note() {
        let mut notes = Notes::new();
        notes.add(note(0, 60));
        notes.set_offs(0, 0);
        notes.add(note(0, 60));
        assert!(notes.merge_sustained(1, note(0, 60)));
        assert!(!notes.merge_sustained(1, note(1, 60)), "another's");
    }
}
