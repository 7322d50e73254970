//! Bend, pressure and named sources: where they pass and what a slot takes from them.
//!
//! The position of each source is remembered per controller, wherever the show is. A slot
//! takes the position of the controller that moved the source last among those with a zone
//! on its sound; that is so while playing (the movement passes) and at a changeover (the
//! position is sent), so the way to a scene does not matter. A source never moved is at
//! its neutral.

use super::input::Urgency;
use super::known::UNKNOWN;
use super::machine::{Call, Machine};
use super::moves::{BEND, PRESSURE};
use super::mpe::{Axis, Finger, Place};
use super::pedals::pedal_of;
use super::promptbook::{Address, ControllerId, Promptbook, SlotId};
use super::route_way::range_on;
use super::slots::{SlotState, bit};
use super::touch::Led;
use crate::midi::{Controller, Key, Message, MpeZone, Value7, Value14, cc, scale};

/// A controller at run time.
#[derive(Clone, Debug)]
pub(super) struct ControllerState {
    pub(super) bend: Source<u16>,
    pub(super) pressure: Source<u8>,
    pub(super) controls: [Source<u8>; 128],
    /// When any of its levers moved last: bend, pressure, controllers, not the pedals.
    pub(super) lever_moved: u64,
    /// Hold, sostenuto, soft as they stand.
    pub(super) pedals: [u8; 3],
    /// Sources that the present scene leads elsewhere.
    pub(super) led: Led,
    /// Its MPE zone as it is by now: the rig's, or what it said of itself since.
    pub(super) mpe: Option<MpeZone>,
    /// What its bend as a whole means, if it said so.
    pub(super) whole_range: Option<u8>,
    /// Its fingers, by channel.
    pub(super) fingers: [Finger; 16],
    /// The key struck last, and how hard.
    pub(super) struck: Option<(Key, Value7)>,
    pub(super) received: u64,
    pub(super) unwanted: u64,
}

/// Where a source stands, and when it moved last (0: never).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Source<T> {
    value: T,
    moved: u64,
}

impl ControllerState {
    /// A controller of which nothing was heard.
    pub(super) fn new(mpe: Option<MpeZone>) -> Self {
        Self {
            bend: Source::default(),
            pressure: Source::default(),
            controls: [Source::default(); 128],
            lever_moved: 0,
            pedals: [0; 3],
            led: Led::default(),
            mpe,
            whole_range: None,
            fingers: [Finger::RESTING; 16],
            struck: None,
            received: 0,
            unwanted: 0,
        }
    }

    /// Where the wheel stands, if it was moved.
    pub(super) fn bend_at(&self) -> Option<Value14> {
        (self.bend.moved > 0 && !self.led.bend).then(|| Value14::clamped(self.bend.value.into()))
    }

    /// Whether channel pressure is on.
    pub(super) const fn is_pressed(&self) -> bool {
        self.pressure.value > 0
    }

    /// Hold, sostenuto and soft as slots hear them: up where the scene leads them elsewhere.
    pub(super) fn own_pedals(&self) -> [u8; 3] {
        let mut pedals = self.pedals;
        for (value, number) in pedals.iter_mut().zip(super::pedals::PEDALS) {
            if self.led.control(number) {
                *value = 0;
            }
        }
        pedals
    }

    /// Whether a controller stands here.
    pub(super) fn stands_at(&self, number: Controller, value: Value7) -> bool {
        if let Some(pedal) = pedal_of(number) {
            return self.pedals.get(pedal) == Some(&value.get());
        }
        let source = self.controls.get(number.index());
        source.is_some_and(|source| source.moved > 0 && source.value == value.get())
    }

    /// Whether the wheel stands here.
    pub(super) const fn is_bent_to(&self, value: Value14) -> bool {
        self.bend.moved > 0 && self.bend.value == value.get()
    }

    /// Whether the channel pressure is this.
    pub(super) const fn is_pressed_to(&self, value: Value7) -> bool {
        self.pressure.value == value.get()
    }

    /// Whether the wheel is off its centre.
    pub(super) fn is_bent(&self) -> bool {
        self.bend.moved > 0 && self.bend.value != Value14::CENTRE.get()
    }
}

/// The value of a controller at rest: as after Reset All Controllers (RP-015) where that
/// names it, else the power-on value of General MIDI 2, else 0.
pub(super) fn neutral(number: Controller) -> Value7 {
    Value7::clamped(match number.get() {
        7 => 100,
        8 | 10 | 71..=78 => 64,
        11 => 127,
        91 => 40,
        _ => 0,
    })
}

impl Machine {
    pub(super) fn count_movement(&mut self) -> u64 {
        self.movements = self.movements.saturating_add(1);
        self.movements
    }

    /// Counts a movement of a controller's lever.
    pub(super) fn count_lever(&mut self, controller: ControllerId) -> u64 {
        let moved = self.count_movement();
        self.controllers.at_mut(controller).lever_moved = moved;
        moved
    }

    /// The pitch wheel moves.
    pub(super) fn bend(&mut self, call: &mut Call<'_>, controller: ControllerId, value: Value14) {
        let passes = call
            .book
            .controllers
            .get(controller.index())
            .is_some_and(|entry| entry.passes_bend);
        if !passes {
            return;
        }
        let moved = self.count_lever(controller);
        let state = self.controllers.at_mut(controller);
        let before = if state.bend.moved == 0 {
            Value14::CENTRE.get()
        } else {
            state.bend.value
        };
        state.bend = Source {
            value: value.get(),
            moved,
        };
        let is_led = state.led.bend;
        let is_back = reaches_centre(before, value.get());
        let range = self.bend_range_of(call.book, controller);
        if !is_led {
            self.move_bases(controller, value);
        }
        for slot in self.slot_ids() {
            let state = self.slots.at(slot);
            let is_ours = state.is_fed_by(controller) && !is_led;
            let value = if is_ours && state.fingers.lead().is_some() {
                self.present_bend(call.book, state)
            } else {
                bend_on(call.book, state, range, value)
            };
            let state = self.slots.at_mut(slot);
            if !is_ours {
                self.bend_back(call, slot, controller, (value, is_back));
                continue;
            }
            // From here on these hands have the slot's bend.
            state.bend_tails = 0;
            let is_routed = self.bend_by_route(call.book, self.slots.at(slot)).is_some();
            if !is_routed {
                self.pass_move(call, slot, BEND, |ch| Message::Bend(ch, value));
            }
        }
    }

    /// A wheel that was off its centre when its slot was left is followed on its way back:
    /// to the centre, or to where those have it who play the slot by now.
    fn bend_back(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        controller: ControllerId,
        (value, is_back): (Value14, bool),
    ) {
        let state = self.slots.at(slot);
        if state.bend_tails & bit(controller) == 0 {
            return;
        }
        let rest = if state.feeds == 0 {
            Value14::CENTRE
        } else {
            self.present_bend(call.book, state)
        };
        // Other hands may have brought the slot back already.
        let is_at_rest = state.known.bend() == rest.get();
        if is_back || is_at_rest {
            self.slots.at_mut(slot).bend_tails &= !bit(controller);
        }
        if !is_at_rest && self.has_note(controller, slot, false) {
            let value = if is_back { rest } else { value };
            self.pass(call, slot, |ch| Message::Bend(ch, value));
        }
    }

    /// Channel pressure moves. A slot that left the scene hears it while a key of this
    /// controller is down on it.
    pub(super) fn press_channel(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        value: Value7,
    ) {
        let passes = call
            .book
            .controllers
            .get(controller.index())
            .is_some_and(|entry| entry.passes_pressure);
        if !passes {
            return;
        }
        let moved = self.count_lever(controller);
        let state = self.controllers.at_mut(controller);
        state.pressure = Source {
            value: value.get(),
            moved,
        };
        let is_led = state.led.pressure;
        for slot in self.slot_ids() {
            let state = self.slots.at(slot);
            let is_fed = state.is_fed_by(controller);
            let is_free = || {
                !is_led
                    && self
                        .routed(call.book, state, |address| address == Address::Pressure)
                        .is_none()
            };
            // Fingers of a surface have a pressure of their own.
            let holds = || state.sounding.is_held() && self.has_key(controller, slot);
            if is_fed && is_free() {
                self.pass_move(call, slot, PRESSURE, |ch| Message::Pressure(ch, value));
            } else if !is_fed && holds() {
                // Nobody plays the sound that the scene has there: it is made right in silence.
                let state = self.slots.at_mut(slot);
                if state.sound.is_some() && state.feeds == 0 {
                    state.debts.owe_difference();
                }
                self.pass(call, slot, |ch| Message::Pressure(ch, value));
            }
        }
    }

    /// A key of a controller that plays other sounds by now came up: with its last key on a
    /// slot that others play its pressure ends there too, and theirs counts.
    pub(super) fn settle_pressure(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        slot: SlotId,
    ) {
        let state = self.slots.at(slot);
        let belongs = self.present_pressure(call.book, state);
        let is_meant = state.feeds != 0
            && !state.is_fed_by(controller)
            && ![UNKNOWN, belongs.get()].contains(&state.known.pressure());
        if is_meant && !self.has_note(controller, slot, true) {
            self.pass(call, slot, |ch| Message::Pressure(ch, belongs));
        }
    }

    /// A controller moves: a pedal, or a source that passes if it is named.
    pub(super) fn move_control(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        number: Controller,
        value: Value7,
    ) {
        let passes = call
            .book
            .controllers
            .get(controller.index())
            .is_some_and(|entry| entry.passes_control(number));
        if !passes || number.get() >= 120 {
            return;
        }
        if let Some(pedal) = pedal_of(number) {
            self.move_pedal(call, controller, pedal, value);
            return;
        }
        let moved = self.count_lever(controller);
        let state = self.controllers.at_mut(controller);
        if let Some(source) = state.controls.get_mut(number.index()) {
            *source = Source {
                value: value.get(),
                moved,
            };
        }
        if state.led.control(number) {
            return;
        }
        for slot in self.slot_ids() {
            let state = self.slots.at(slot);
            let is_routed = || {
                self.routed(call.book, state, |address| address.sets(number))
                    .is_some()
            };
            if !state.is_fed_by(controller) || is_routed() {
                continue;
            }
            // Expression is shared with what fades a sound.
            let value = if number == cc::EXPRESSION {
                self.lessened(call.book, state, value)
            } else {
                value
            };
            self.pass_move(call, slot, number.get(), |ch| {
                Message::Control(ch, number, value)
            });
        }
    }

    /// Sends what is played; a slot that loads gets the present position when it has loaded.
    pub(super) fn pass(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        message: impl FnOnce(crate::midi::Channel) -> Message,
    ) {
        self.pass_to(call, (slot, 0), message);
    }

    /// The same for one channel of a slot.
    pub(super) fn pass_to(
        &mut self,
        call: &mut Call<'_>,
        (slot, member): Place,
        message: impl FnOnce(crate::midi::Channel) -> Message,
    ) {
        let is_loading = self.slots.at(slot).load.is_loading();
        if !is_loading {
            self.send_to(call, (slot, member), Urgency::Live, message);
        }
    }

    /// The position of a source as a slot takes it, and whose it is; none if nobody moved
    /// it yet, or it is led elsewhere.
    fn position<T: Copy>(
        &self,
        slot: &SlotState,
        source: impl Fn(&ControllerState) -> Option<Source<T>>,
    ) -> Option<(ControllerId, Source<T>)> {
        (0u8..)
            .map(ControllerId)
            .zip(self.controllers.iter())
            .filter(|(id, _)| slot.is_fed_by(*id))
            .filter_map(|(id, state)| Some((id, source(state)?)))
            .filter(|(_, source)| source.moved > 0)
            .max_by_key(|(_, source)| source.moved)
    }

    /// The leading finger of a slot, if what it does on an axis counts: it moved after
    /// `other`, or belongs to the same hands.
    fn leading<T>(
        &self,
        slot: &SlotState,
        axis: Axis,
        other: Option<&(ControllerId, Source<T>)>,
    ) -> Option<&Finger> {
        let finger = self.lead_finger(slot, axis)?;
        let moved = finger.moved(axis);
        other
            .is_none_or(|(_, source)| moved > source.moved)
            .then_some(finger)
    }

    /// Where a slot's bend belongs: by route if one bends it.
    pub(super) fn present_bend(&self, book: &Promptbook, slot: &SlotState) -> Value14 {
        if let Some(bent) = self.bend_by_route(book, slot) {
            return bent;
        }
        let wheel = self.position(slot, |state| (!state.led.bend).then_some(state.bend));
        // A surface's bend as a whole is part of that of its fingers.
        let others = wheel.filter(|(id, _)| {
            slot.fingers
                .lead()
                .is_none_or(|lead| lead.controller != *id)
        });
        if self.leading(slot, Axis::Bend, others.as_ref()).is_some()
            && let Some(bent) = self.finger_bend(book, slot, range_on(book, slot))
        {
            return bent;
        }
        wheel
            .and_then(|(id, source)| {
                let range = self.bend_range_of(book, id);
                Some(bend_on(book, slot, range, Value14::new(source.value)?))
            })
            .unwrap_or(Value14::CENTRE)
    }

    /// Where a slot's channel pressure belongs: by route if one presses it.
    pub(super) fn present_pressure(&self, book: &Promptbook, slot: &SlotState) -> Value7 {
        if let Some(value) = self.routed(book, slot, |address| address == Address::Pressure) {
            return Value7::clamped(value);
        }
        let pressed = self.position(slot, |state| {
            (!state.led.pressure).then_some(state.pressure)
        });
        if let Some(finger) = self.leading(slot, Axis::Pressure, pressed.as_ref()) {
            return finger.pressure();
        }
        pressed
            .and_then(|(_, source)| Value7::new(source.value))
            .unwrap_or(Value7::MIN)
    }

    /// Where a passed controller belongs on a slot.
    pub(super) fn present_control(
        &self,
        book: &Promptbook,
        slot: &SlotState,
        number: Controller,
    ) -> Value7 {
        let own = |state: &ControllerState| {
            let source = state.controls.get(number.index()).copied();
            source.filter(|_| !state.led.control(number))
        };
        let moved = self.position(slot, own);
        if number == cc::SLIDE
            && let Some(finger) = self.leading(slot, Axis::Slide, moved.as_ref())
        {
            return finger.slide();
        }
        let value = moved
            .and_then(|(_, source)| Value7::new(source.value))
            .unwrap_or_else(|| neutral(number));
        if number != cc::EXPRESSION {
            return value;
        }
        let routed = self.routed(book, slot, |address| address.sets(number));
        self.lessened(book, slot, routed.map_or(value, Value7::clamped))
    }

    /// Expression as routes to a sound's level and the master fade leave it: by the level law parts of
    /// expression multiply as their levels in dB add up (GM2 §3.3.6).
    fn lessened(&self, book: &Promptbook, slot: &SlotState, value: Value7) -> Value7 {
        let level = i32::from(self.level_by_route(book, slot).get());
        let most = i32::from(Value7::MAX.get());
        let lessened = Value7::clamped((i32::from(value.get()) * level + most / 2) / most);
        self.master.part_of(lessened)
    }
}

/// A controller's bend as a slot's sound must hear it: rescaled if the controller says how
/// far it bends.
fn bend_on(book: &Promptbook, slot: &SlotState, range: Option<u8>, value: Value14) -> Value14 {
    let Some(from) = range else {
        return value;
    };
    scale::bend_between(value, from, range_on(book, slot))
}

/// Whether a wheel that goes from `before` to `after` reaches or crosses its centre.
fn reaches_centre(before: u16, after: u16) -> bool {
    let centre = Value14::CENTRE.get();
    after == centre || (before > centre) != (after > centre)
}
