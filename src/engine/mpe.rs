//! Fingers of MPE surfaces.
//!
//! Each finger of a surface has a channel of its own, on which it bends, presses and slides;
//! where it stands is remembered, note or none. A note remembers its finger, and on a slot
//! that is an MPE zone the member it sounds on; so a finger keeps its way over a step, and
//! what it does goes where its notes are. A slot with one channel is like a zone with one
//! member that all fingers share. Who is heard there, and which member a note takes, is
//! said in `members`.

use super::input::Urgency;
use super::machine::{Call, Machine};
use super::moves::{BEND, FIRST_MEMBER, PRESSURE};
use super::notes::Note;
use super::promptbook::{ControllerId, Promptbook, SlotId};
use super::slots::SlotState;
use super::sources::ControllerState;
use crate::midi::mpe::MANAGER_BEND_RANGE;
use crate::midi::{Channel, Message, Value7, Value14, cc, scale};

/// What a finger does besides striking.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Axis {
    /// Pitch bend.
    Bend,
    /// Channel pressure.
    Pressure,
    /// Controller 74.
    Slide,
}

/// All axes, by their number.
pub(super) const AXES: [Axis; 3] = [Axis::Bend, Axis::Pressure, Axis::Slide];

/// Where a finger of a surface stands, and when it moved last on each axis (0: never).
#[derive(Clone, Copy, Debug)]
pub(super) struct Finger {
    bend: Value14,
    pressure: Value7,
    slide: Value7,
    moved: [u64; AXES.len()],
}

impl Finger {
    /// A finger that has not moved.
    pub(super) const RESTING: Self = Self {
        bend: Value14::CENTRE,
        pressure: Value7::MIN,
        slide: Value7::clamped(64),
        moved: [0; AXES.len()],
    };

    pub(super) fn moved(&self, axis: Axis) -> u64 {
        self.moved.get(axis as usize).copied().unwrap_or(0)
    }

    pub(super) const fn pressure(&self) -> Value7 {
        self.pressure
    }

    pub(super) const fn slide(&self) -> Value7 {
        self.slide
    }

    /// Whether it stands where a message puts it.
    pub(super) fn stands_at(&self, message: Message) -> bool {
        match message {
            Message::Bend(_, value) => self.moved(Axis::Bend) > 0 && self.bend == value,
            Message::Pressure(_, value) => self.pressure == value,
            Message::Control(_, cc::SLIDE, value) => {
                self.moved(Axis::Slide) > 0 && self.slide == value
            }
            _ => false,
        }
    }
}

/// The finger that a channel hears.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Lead {
    pub(super) controller: ControllerId,
    pub(super) finger: Channel,
    /// Where the bend of its surface as a whole stood when that last reached this slot.
    pub(super) base: Value14,
}

/// A channel of a slot: 0 is its own, others are members of its MPE zone.
pub(super) type Place = (SlotId, u8);

impl ControllerState {
    /// Whether an axis of its fingers is led elsewhere.
    pub(super) fn is_led(&self, axis: Axis) -> bool {
        match axis {
            Axis::Bend => self.led.bend,
            Axis::Pressure => self.led.pressure,
            Axis::Slide => self.led.control(cc::SLIDE),
        }
    }
}

impl Machine {
    /// The finger that speaks on a channel of a controller, if it is a member channel of a
    /// surface.
    pub(super) fn finger_on(
        &self,
        controller: ControllerId,
        channel: Option<Channel>,
    ) -> Option<Channel> {
        let zone = self.controllers.at(controller).mpe?;
        channel.filter(|channel| zone.member(*channel).is_some_and(|member| member > 0))
    }

    /// Where a finger stands.
    pub(super) fn finger(&self, controller: ControllerId, finger: Channel) -> Option<&Finger> {
        let state = self.controllers.at(controller);
        state.fingers.get(finger.index())
    }

    /// What a finger says. On its channel only notes and the three axes count (the standard
    /// does not ask for more there).
    pub(super) fn hear_finger(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        finger: Channel,
        message: Message,
    ) {
        let is_heard = match message {
            Message::NoteOn(..) | Message::NoteOff(..) | Message::Bend(..) => true,
            Message::Pressure(..) => true,
            Message::Control(_, number, _) => number == cc::SLIDE,
            _ => false,
        };
        if !is_heard {
            return;
        }
        let Some(message) = self.touch(call, controller, message) else {
            return;
        };
        let finger = (controller, Some(finger));
        match message {
            Message::NoteOn(_, key, velocity) if velocity.get() > 0 => {
                self.strike(call, finger, key, velocity);
            }
            Message::NoteOn(_, key, _) => {
                self.let_go(call, finger, key, super::notes::NEUTRAL_RELEASE);
            }
            Message::NoteOff(_, key, velocity) => self.let_go(call, finger, key, velocity),
            _ => self.move_finger(call, finger, message),
        }
    }

    fn move_finger(
        &mut self,
        call: &mut Call<'_>,
        (controller, finger): (ControllerId, Option<Channel>),
        message: Message,
    ) {
        let (Some(finger), Some(entry)) = (finger, call.book.controllers.get(controller.index()))
        else {
            return;
        };
        let (axis, passes) = match message {
            Message::Bend(..) => (Axis::Bend, entry.passes_bend),
            Message::Pressure(..) => (Axis::Pressure, entry.passes_pressure),
            _ => (Axis::Slide, entry.passes_control(cc::SLIDE)),
        };
        if !passes {
            return;
        }
        let moved = self.count_lever(controller);
        let state = self.controllers.at_mut(controller);
        if let Some(state) = state.fingers.get_mut(finger.index()) {
            match message {
                Message::Bend(_, value) => state.bend = value,
                Message::Pressure(_, value) => state.pressure = value,
                Message::Control(_, _, value) => state.slide = value,
                _ => {}
            }
            if let Some(stamp) = state.moved.get_mut(axis as usize) {
                *stamp = moved;
            }
        }
        if state.is_led(axis) {
            return;
        }
        let mut index = 0;
        while let Some(note) = self.notes.get(index) {
            index += 1;
            let is_own = note.controller == controller && note.finger == Some(finger);
            if !is_own || !note.is_key_down() || self.has_earlier(index - 1, note) {
                continue;
            }
            let lead = self.lead_on((note.slot, note.member));
            if lead.is_some_and(|lead| lead.controller == controller && lead.finger == finger) {
                self.move_place(call, (note.slot, note.member), axis);
            }
        }
    }

    /// Whether an older note of the same finger sounds on the same channel.
    fn has_earlier(&self, index: usize, note: Note) -> bool {
        self.notes.iter().take(index).any(|other| {
            other.is_key_down()
                && (other.slot, other.member) == (note.slot, note.member)
                && (other.controller, other.finger) == (note.controller, note.finger)
        })
    }

    pub(super) fn lead_on(&self, (slot, member): Place) -> Option<Lead> {
        self.slots.at(slot).fingers.lead_on(member)
    }

    /// Sends where the leading finger of a channel stands, now or when the line has room.
    fn move_place(&mut self, call: &mut Call<'_>, (slot, member): Place, axis: Axis) {
        let number = move_number(member, axis);
        if self.may_move(call, slot) {
            self.moving(call, slot, |machine, call| {
                machine.tell_place_moved(call, slot, number);
            });
        } else {
            self.postpone(call, slot, number);
        }
    }

    /// A movement of a finger whose turn has come.
    pub(super) fn tell_place_moved(&mut self, call: &mut Call<'_>, slot: SlotId, number: u8) {
        let is_loading = self.slots.at(slot).load.is_loading();
        let (member, axis) = place_of(number);
        // What comes after the last Note Off must not reach what rings.
        if !is_loading && self.lead_on((slot, member)).is_some() {
            self.tell_axis(call, (slot, member), axis);
        }
    }

    /// Puts a channel where its leading finger stands, before a note is struck there;
    /// `struck` led when it was played, if nobody does any more.
    pub(super) fn settle_place(&mut self, call: &mut Call<'_>, place: Place, struck: Option<Lead>) {
        let present = self.lead_on(place);
        if place.1 == 0 && present.or(struck).is_none() {
            return;
        }
        self.set_lead(place, present.or(struck));
        for axis in AXES {
            self.tell_axis(call, place, axis);
        }
        self.set_lead(place, present);
        // A slot that loads may not hear it: it is told again when it has loaded.
        let state = self.slots.at_mut(place.0);
        if state.load.is_loading() {
            state.known.forget_axes(place.1);
        }
    }

    /// Puts the channels on which fingers are down where those are, after a slot was made
    /// for its sound.
    pub(super) fn settle_fingers(&mut self, call: &mut Call<'_>, slot: SlotId) {
        self.settle_place(call, (slot, 0), None);
        let mut index = 0;
        while let Some(note) = self.notes.get(index) {
            index += 1;
            if note.slot == slot && note.member > 0 && note.is_key_down() {
                self.settle_place(call, (slot, note.member), None);
            }
        }
    }

    pub(super) fn set_lead(&mut self, (slot, member): Place, lead: Option<Lead>) {
        self.slots.at_mut(slot).fingers.set_lead(member, lead);
    }

    fn tell_axis(&mut self, call: &mut Call<'_>, (slot, member): Place, axis: Axis) {
        // What reaches all members, and may be taken for theirs, goes before what is one's own.
        match axis {
            Axis::Pressure if member > 0 => self.send_waiting(call, slot, PRESSURE),
            Axis::Slide if member > 0 => self.send_waiting(call, slot, cc::SLIDE.get()),
            _ => {}
        }
        let state = self.slots.at(slot);
        let Some(value) = self.axis_on(call.book, state, member, axis) else {
            return;
        };
        if state.known.axis(member, axis) == value {
            return;
        }
        let narrow = Value7::clamped(value.into());
        self.send_to(call, (slot, member), Urgency::Live, |ch| match axis {
            Axis::Bend => Message::Bend(ch, Value14::clamped(value.into())),
            Axis::Pressure => Message::Pressure(ch, narrow),
            Axis::Slide => Message::Control(ch, cc::SLIDE, narrow),
        });
    }

    /// Where an axis of a channel belongs; none if it is left as it is.
    pub(super) fn axis_on(
        &self,
        book: &Promptbook,
        state: &SlotState,
        member: u8,
        axis: Axis,
    ) -> Option<u16> {
        if member > 0 {
            return Some(self.member_axis(state, member, axis));
        }
        match axis {
            Axis::Bend => Some(self.present_bend(book, state).get()),
            Axis::Pressure => Some(self.present_pressure(book, state).get().into()),
            Axis::Slide => {
                let is_routed = self
                    .routed(book, state, |address| address.sets(cc::SLIDE))
                    .is_some();
                let said = self.lead_finger(state, Axis::Slide)?;
                (said.moved(Axis::Slide) > 0 && !is_routed)
                    .then(|| self.present_control(book, state, cc::SLIDE).get().into())
            }
        }
    }

    fn member_axis(&self, state: &SlotState, member: u8, axis: Axis) -> u16 {
        let lead = state.fingers.lead_on(member);
        let controller = lead.map(|lead| (lead, self.controllers.at(lead.controller)));
        let (surface, finger) = match controller {
            Some((lead, surface)) if !surface.is_led(axis) => {
                (surface.mpe, surface.fingers.get(lead.finger.index()))
            }
            _ => (None, None),
        };
        let finger = finger.copied().unwrap_or(Finger::RESTING);
        match axis {
            Axis::Bend => {
                let from = surface.map_or(0, |zone| zone.bend_range);
                let to = state.mpe.map_or(0, |zone| zone.bend_range);
                scale::bend_between(finger.bend, from, to).get()
            }
            Axis::Pressure => finger.pressure.get().into(),
            Axis::Slide => finger.slide.get().into(),
        }
    }

    /// The finger that a slot's own channel hears, unless its axis is led elsewhere.
    pub(super) fn lead_finger(&self, state: &SlotState, axis: Axis) -> Option<&Finger> {
        let lead = state.fingers.lead()?;
        let surface = self.controllers.at(lead.controller);
        if surface.is_led(axis) {
            return None;
        }
        surface.fingers.get(lead.finger.index())
    }

    /// The leading finger's bend on a slot with one channel, with that of its surface as a
    /// whole: they add up in semitones.
    pub(super) fn finger_bend(
        &self,
        book: &Promptbook,
        state: &SlotState,
        to: u8,
    ) -> Option<Value14> {
        let lead = state.fingers.lead()?;
        let finger = self.lead_finger(state, Axis::Bend)?;
        let surface = self.controllers.at(lead.controller).mpe?;
        let whole = self
            .bend_range_of(book, lead.controller)
            .unwrap_or(MANAGER_BEND_RANGE);
        let parts = [(lead.base, whole), (finger.bend, surface.bend_range)];
        Some(scale::bend_sum(parts, to))
    }
}

/// The number of a movement in a slot's set of those that wait.
pub(super) fn move_number(member: u8, axis: Axis) -> u8 {
    match (member.checked_sub(1), axis) {
        (Some(index), _) => FIRST_MEMBER + index * AXES.len() as u8 + axis as u8,
        (None, Axis::Bend) => BEND,
        (None, Axis::Pressure) => PRESSURE,
        (None, Axis::Slide) => cc::SLIDE.get(),
    }
}

fn place_of(number: u8) -> (u8, Axis) {
    let axis = |index: u8| AXES.get(usize::from(index)).copied().unwrap_or(Axis::Bend);
    match number.checked_sub(FIRST_MEMBER) {
        Some(index) => {
            let axes = AXES.len() as u8;
            (index / axes + 1, axis(index % axes))
        }
        None if number == BEND => (0, Axis::Bend),
        None if number == PRESSURE => (0, Axis::Pressure),
        None => (0, Axis::Slide),
    }
}
