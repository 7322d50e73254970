//! What a slot is to hold because of routes, and the sending of single settings.

use super::input::Urgency;
use super::machine::{Call, Machine};
use super::promptbook::{Address, Promptbook, Setting, SlotId};
use super::route_way::bend_of;
use super::slots::{Known, Parameter, SlotState};
use super::voicing::fine;
use crate::midi::{Value7, Value14};

/// Whether a slot is known to hold a setting.
pub(super) fn holds(known: &Known, setting: Setting) -> bool {
    match setting {
        Setting::Control(number, value) => known.control(number) == value.get(),
        Setting::Pair(number, value) => {
            known.control(number) == value.msb().get()
                && known.control(fine(number)) == value.lsb().get()
        }
        Setting::Rpn(number, value) => known.parameter(Parameter::Rpn(number)) == Some(value.get()),
        Setting::Nrpn(number, value) => {
            known.parameter(Parameter::Nrpn(number)) == Some(value.get())
        }
        Setting::Exclusive(name, blob) => {
            known.parameter(Parameter::Exclusive(name)) == Some(blob.0)
        }
    }
}

impl Machine {
    /// The route of the present scene that moves this of a slot's sound, and its value.
    pub(super) fn routed(
        &self,
        book: &Promptbook,
        state: &SlotState,
        is_meant: impl Fn(Address) -> bool,
    ) -> Option<i32> {
        let sound = self.own_sound(book, state)?;
        self.routes_of(book)
            .iter()
            .zip(&self.routes)
            .find(|(entry, _)| entry.sound.0 == sound && is_meant(entry.address))
            .and_then(|(_, route)| route.value)
    }

    /// The sound of the present scene that a slot carries and is made for.
    pub(super) fn own_sound(&self, book: &Promptbook, state: &SlotState) -> Option<u8> {
        let sound = state.sound?;
        let first = self.scene(book)?.sounds.start as usize;
        (state.voiced == Some(first + usize::from(sound))).then_some(sound)
    }

    /// A bend by route as the slot's receiver must hear it.
    pub(super) fn bend_by_route(&self, book: &Promptbook, state: &SlotState) -> Option<Value14> {
        let bent = self.routed(book, state, |address| address == Address::Bend)?;
        Some(bend_of(book, state, bent))
    }

    /// The part of a sound's expression that routes leave.
    pub(super) fn level_by_route(&self, book: &Promptbook, state: &SlotState) -> Value7 {
        self.routed(book, state, |address| address == Address::Level)
            .map_or(Value7::MAX, Value7::clamped)
    }

    /// Whether a route has moved this setting away from what the scene says.
    pub(super) fn is_moved(&self, book: &Promptbook, state: &SlotState, setting: Setting) -> bool {
        self.own_sound(book, state).is_some_and(|sound| {
            let mut routes = self.routes_of(book).iter().zip(&self.routes);
            routes.any(|(entry, route)| {
                entry.sound.0 == sound
                    && entry.address.is_of(setting)
                    && route.value != entry.snapshot
            })
        })
    }

    /// What a route has made of its parameter; the scene's own value is among the settings.
    pub(super) fn route_target(
        &self,
        book: &Promptbook,
        state: &SlotState,
        index: usize,
    ) -> Option<Setting> {
        let entry = self.routes_of(book).get(index)?;
        let value = self.routes.get(index)?.value;
        let is_own = self.own_sound(book, state) == Some(entry.sound.0);
        let is_moved = is_own && value != entry.snapshot;
        entry.address.setting(value.filter(|_| is_moved)?)
    }

    /// Sends a setting that the slot does not hold.
    pub(super) fn tell_setting(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        setting: Setting,
        urgency: Urgency,
    ) {
        let is_held = self
            .slots
            .get(slot.index())
            .is_some_and(|state| holds(&state.known, setting));
        if is_held {
            return;
        }
        match setting {
            Setting::Control(number, value) => {
                self.send_control(call, slot, urgency, number, value);
            }
            Setting::Pair(number, value) => self.tell_pair(call, slot, urgency, (number, value)),
            Setting::Rpn(number, value) => {
                let parameter = Parameter::Rpn(number);
                self.send_numbered(call, slot, urgency, (parameter, value));
            }
            Setting::Nrpn(number, value) => {
                let parameter = Parameter::Nrpn(number);
                self.send_numbered(call, slot, urgency, (parameter, value));
            }
            Setting::Exclusive(name, blob) => self.send_exclusive(call, slot, name, blob),
        }
    }
}
