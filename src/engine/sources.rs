//! Bend, pressure and named sources: where they pass and what a slot takes from them.
//!
//! The position of each source is remembered per controller, wherever the show is. A slot
//! takes the position of the controller that moved the source last among those with a zone
//! on its sound; that is so while playing (the movement passes) and at a changeover (the
//! position is sent), so the way to a scene does not matter. A source never moved is at
//! its neutral.

use super::input::Urgency;
use super::machine::{Call, Machine};
use super::pedals::pedal_of;
use super::promptbook::{ControllerId, SlotId};
use super::slots::{SlotState, UNKNOWN, bit};
use crate::midi::{Controller, Message, Value7, Value14};

/// A controller at run time.
#[derive(Clone, Debug)]
pub(super) struct ControllerState {
    pub(super) bend: Source<u16>,
    pub(super) pressure: Source<u8>,
    pub(super) controls: [Source<u8>; 128],
    /// Hold, sostenuto, soft as they stand.
    pub(super) pedals: [u8; 3],
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
    pub(super) fn new() -> Self {
        Self {
            bend: Source::default(),
            pressure: Source::default(),
            controls: [Source::default(); 128],
            pedals: [0; 3],
            received: 0,
            unwanted: 0,
        }
    }

    /// Whether channel pressure is on.
    pub(super) const fn is_pressed(&self) -> bool {
        self.pressure.value > 0
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
    fn count_movement(&mut self) -> u64 {
        self.movements = self.movements.saturating_add(1);
        self.movements
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
        let moved = self.count_movement();
        let Some(state) = self.controllers.get_mut(controller.index()) else {
            return;
        };
        let before = if state.bend.moved == 0 {
            Value14::CENTRE.get()
        } else {
            state.bend.value
        };
        state.bend = Source {
            value: value.get(),
            moved,
        };
        let is_back = reaches_centre(before, value.get());
        for slot in self.slot_ids() {
            let Some(state) = self.slots.get_mut(slot.index()) else {
                continue;
            };
            if state.is_fed_by(controller) {
                self.pass(call, slot, |ch| Message::Bend(ch, value));
            } else if state.bend_tails & bit(controller) != 0 {
                // Other hands may have brought the slot back already.
                let is_at_rest = state.known.bend == Value14::CENTRE.get();
                if is_back || is_at_rest {
                    state.bend_tails &= !bit(controller);
                }
                if !is_at_rest && self.has_note(controller, slot, false) {
                    let value = if is_back { Value14::CENTRE } else { value };
                    self.pass(call, slot, |ch| Message::Bend(ch, value));
                }
            }
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
        let moved = self.count_movement();
        if let Some(state) = self.controllers.get_mut(controller.index()) {
            state.pressure = Source {
                value: value.get(),
                moved,
            };
        }
        for slot in self.slot_ids() {
            let Some(state) = self.slots.get(slot.index()) else {
                continue;
            };
            let holds = || state.notes > 0 && self.has_note(controller, slot, true);
            if state.is_fed_by(controller) || holds() {
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
        let Some(state) = self.slots.get(slot.index()) else {
            return;
        };
        let belongs = self.present_pressure(state);
        let is_meant = state.feeds != 0
            && !state.is_fed_by(controller)
            && ![UNKNOWN, belongs.get()].contains(&state.known.pressure);
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
        let moved = self.count_movement();
        let source = self
            .controllers
            .get_mut(controller.index())
            .and_then(|state| state.controls.get_mut(number.index()));
        if let Some(source) = source {
            *source = Source {
                value: value.get(),
                moved,
            };
        }
        for slot in self.slot_ids() {
            let is_fed = self
                .slots
                .get(slot.index())
                .is_some_and(|state| state.is_fed_by(controller));
            if is_fed {
                self.pass(call, slot, |ch| Message::Control(ch, number, value));
            }
        }
    }

    /// Sends what is played; a slot that loads gets the present position when it has loaded.
    pub(super) fn pass(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        message: impl FnOnce(crate::midi::Channel) -> Message,
    ) {
        let is_loading = self
            .slots
            .get(slot.index())
            .is_some_and(|state| state.loads_until_us.is_some());
        if !is_loading {
            self.send(call, slot, Urgency::Live, message);
        }
    }

    /// The position of a source as a slot takes it; none if nobody moved it yet.
    fn position<T: Copy>(
        &self,
        slot: &SlotState,
        source: impl Fn(&ControllerState) -> Option<Source<T>>,
    ) -> Option<T> {
        (0u8..)
            .zip(self.controllers.iter())
            .filter(|(id, _)| slot.is_fed_by(ControllerId(*id)))
            .filter_map(|(_, state)| source(state))
            .filter(|source| source.moved > 0)
            .max_by_key(|source| source.moved)
            .map(|source| source.value)
    }

    /// Where a slot's bend belongs.
    pub(super) fn present_bend(&self, slot: &SlotState) -> Value14 {
        self.position(slot, |state| Some(state.bend))
            .and_then(Value14::new)
            .unwrap_or(Value14::CENTRE)
    }

    /// Where a slot's channel pressure belongs.
    pub(super) fn present_pressure(&self, slot: &SlotState) -> Value7 {
        self.position(slot, |state| Some(state.pressure))
            .and_then(Value7::new)
            .unwrap_or(Value7::MIN)
    }

    /// Where a passed controller belongs on a slot.
    pub(super) fn present_control(&self, slot: &SlotState, number: Controller) -> Value7 {
        self.position(slot, |state| state.controls.get(number.index()).copied())
            .and_then(Value7::new)
            .unwrap_or_else(|| neutral(number))
    }
}

/// Whether a wheel that goes from `before` to `after` reaches or crosses its centre.
fn reaches_centre(before: u16, after: u16) -> bool {
    let centre = Value14::CENTRE.get();
    after == centre || (before > centre) != (after > centre)
}
