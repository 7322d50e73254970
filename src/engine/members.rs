//! Which member of an MPE zone a note takes, and which finger leads on a channel.
//!
//! *Who leads:* of the fingers that are down on one channel one is heard, the last or the
//! highest as the zone says; when it lifts, the next one is. Nothing is sent to a channel
//! whose fingers have all lifted: what rings there keeps its sound.
//!
//! Members are given out: to a finger that has one on this slot the same, else the one with
//! its own number if that is free, else the one that has been free longest, else the one
//! with the fewest keys.

use super::machine::{Call, Machine};
use super::mpe::{AXES, Lead, Place, move_number};
use super::notes::Note;
use super::promptbook::{ControllerId, SlotId};
use super::slots::SlotState;
use super::voicing::sets;
use crate::midi::mpe::{Leader, MAX_MEMBERS};
use crate::midi::{Channel, Value14, cc};

impl Machine {
    /// The member that a note takes on a slot, 1–15; 0 if the slot is no MPE zone.
    pub(super) fn choose_member(
        &self,
        slot: SlotId,
        (controller, finger): (ControllerId, Option<Channel>),
    ) -> u8 {
        let state = self.slots.at(slot);
        let Some(zone) = state.mpe else {
            return 0;
        };
        let mut keys = [0_u16; MAX_MEMBERS];
        for note in self.notes.iter().filter(|note| note.slot == slot) {
            let is_own = note.controller == controller && note.finger == finger;
            if !note.is_key_down() || note.member == 0 {
                continue;
            }
            if is_own && finger.is_some() {
                return note.member;
            }
            if let Some(count) = keys.get_mut(usize::from(note.member) - 1) {
                *count = count.saturating_add(1);
            }
        }
        let own = finger.and_then(|finger| {
            let surface = self.controllers.at(controller).mpe?;
            surface.member(finger)
        });
        let members = (1..=zone.members).zip(keys);
        members
            .min_by_key(|(number, keys)| {
                (
                    *keys,
                    Some(*number) != own || *keys > 0,
                    state.fingers.freed(*number),
                )
            })
            .map_or(1, |(number, _)| number)
    }

    /// Who leads on a channel after its notes have changed. If another finger does now, where
    /// it stands goes out as soon as the line has room.
    pub(super) fn choose_lead(&mut self, call: &Call<'_>, place: Place) {
        let (slot, member) = place;
        let lead = self.find_lead(place);
        let state = self.slots.at_mut(slot);
        let before = state.fingers.lead_on(member);
        state.fingers.set_lead(member, lead);
        if lead == before {
            return;
        }
        for axis in AXES {
            let number = move_number(member, axis);
            let is_meant = |state: &SlotState| {
                lead.is_some() && self.axis_on(call.book, state, member, axis).is_some()
            };
            if is_meant(self.slots.at(slot)) {
                self.postpone(call, slot, number);
            } else {
                self.slots.at_mut(slot).moves.remove(number);
            }
        }
        let passes_slide = before.is_some_and(|before| {
            let surface = call.book.controllers.get(before.controller.index());
            surface.is_some_and(|entry| entry.passes_control(cc::SLIDE))
        });
        if lead.is_some() || member > 0 {
            return;
        }
        let state = self.slots.at_mut(slot);
        // A parameter that slide moved is the scene's again once it has rung out, in whatever
        // scene; and all else is at rest.
        let sound = state.voiced.and_then(|index| call.book.sounds.get(index));
        let mut settings = sound
            .map_or(&[][..], |sound| sound.settings.of(&call.book.settings))
            .iter();
        if passes_slide && settings.any(|setting| sets(*setting, cc::SLIDE)) {
            state.debts.reroute();
        }
        if state.sound.is_some() {
            state.debts.owe_difference();
        }
    }

    /// Who leads on a channel when a note is struck there: its place is told with the note.
    pub(super) fn take_lead(&mut self, place: Place) {
        let lead = self.find_lead(place);
        self.set_lead(place, lead);
    }

    fn find_lead(&self, (slot, member): Place) -> Option<Lead> {
        let here = |note: &&Note| {
            (note.slot, note.member) == (slot, member)
                && note.finger.is_some()
                && note.is_key_down()
        };
        let last = self.notes.iter().rev().find(here)?;
        let leads = match last.leader {
            Leader::Highest if member == 0 => self
                .notes
                .iter()
                .filter(here)
                .max_by_key(|note| note.out_key)
                .unwrap_or(last),
            Leader::Highest | Leader::Last => last,
        };
        Some(Lead {
            controller: leads.controller,
            finger: leads.finger?,
            base: leads.base,
        })
    }

    /// A note on a member was let go: if it was the last one, the member is free.
    pub(super) fn free_member(&mut self, (slot, member): Place) {
        let is_held = self
            .notes
            .iter()
            .any(|note| (note.slot, note.member) == (slot, member) && note.is_key_down());
        if !is_held {
            self.slots.at_mut(slot).fingers.free(member);
        }
    }

    /// The bend of a surface as a whole, for a note that is struck now.
    pub(super) fn whole_bend(&self, controller: ControllerId) -> Value14 {
        self.controllers
            .at(controller)
            .bend_at()
            .unwrap_or(Value14::CENTRE)
    }

    /// The bend of a surface as a whole moved: it counts on the slots that it plays.
    pub(super) fn move_bases(&mut self, controller: ControllerId, value: Value14) {
        let slots = &mut self.slots;
        self.notes.move_bases(controller, value, |slot| {
            let state = slots.at_mut(slot);
            let is_fed = state.is_fed_by(controller);
            if is_fed {
                state.fingers.move_base(controller, value);
            }
            is_fed
        });
    }
}
