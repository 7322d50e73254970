//! What a slot is to hold because of routes, and the sending of single settings.

use super::input::Urgency;
use super::known::{Known, Parameter};
use super::machine::{Call, Machine};
use super::promptbook::{Address, Promptbook, Setting, SlotId};
use super::route_way::bend_of;
use super::slots::SlotState;
use super::voicing::fine;
use crate::midi::mpe::CONFIGURATION;
use crate::midi::{Value7, Value14, cc};

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
        let is_held = holds(&self.slots.at(slot).known, setting);
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

    /// Sends a registered or non-registered parameter: its number, both halves of its
    /// value, then null, so that stray data entry changes nothing (MIDI 1.0; RP-018).
    pub(super) fn send_numbered(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        urgency: Urgency,
        (parameter, value): (Parameter, Value14),
    ) {
        let (msb, lsb, number) = match parameter {
            Parameter::Rpn(CONFIGURATION) => return self.send_zone(call, slot, urgency, value),
            Parameter::MemberBend => return self.send_member_bend(call, slot, urgency, value),
            Parameter::Rpn(number) => (cc::RPN_MSB, cc::RPN_LSB, number),
            Parameter::Nrpn(number) => (cc::NRPN_MSB, cc::NRPN_LSB, number),
            Parameter::Exclusive(_) | Parameter::None => return,
        };
        for (control, data) in [
            (msb, number.msb()),
            (lsb, number.lsb()),
            (cc::DATA_MSB, value.msb()),
            (cc::DATA_LSB, value.lsb()),
            (cc::RPN_MSB, Value7::MAX),
            (cc::RPN_LSB, Value7::MAX),
        ] {
            self.send_control(call, slot, urgency, control, data);
        }
        self.note_parameter(call, slot, parameter, value.get());
        // A route that was in the middle of another one begins anew.
        self.slots.at_mut(slot).numbered = None;
    }

    /// Sends a numbered parameter to a slow line in three parts, each with its own turn: its
    /// number, its value as it is by then, and null. All six messages at once would hold up
    /// a note by 6 ms; notes between the parts change nothing.
    pub(super) fn tell_part(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        route: u8,
        (parameter, value): (Parameter, Value14),
    ) {
        let state = self.slots.at(slot);
        let is_held = state.known.parameter(parameter) == Some(value.get());
        let part = match state.numbered {
            Some((own, part)) if own == route => part,
            None if is_held => return,
            // Another one is under way on this channel: it goes first.
            Some((own, _)) if self.route_moves.has(own) => {
                self.await_route(call, slot, route);
                return;
            }
            // One that broke off in the middle does not come back.
            None | Some(_) => NumberedPart::Number,
        };
        let (msb, lsb, number) = match parameter {
            Parameter::Rpn(number) => (cc::RPN_MSB, cc::RPN_LSB, number),
            Parameter::Nrpn(number) => (cc::NRPN_MSB, cc::NRPN_LSB, number),
            Parameter::Exclusive(_) | Parameter::MemberBend | Parameter::None => return,
        };
        let (pair, next) = match part {
            NumberedPart::Number => (
                [(msb, number.msb()), (lsb, number.lsb())],
                Some(NumberedPart::Value),
            ),
            NumberedPart::Value => (
                [(cc::DATA_MSB, value.msb()), (cc::DATA_LSB, value.lsb())],
                Some(NumberedPart::Null),
            ),
            NumberedPart::Null => (
                [(cc::RPN_MSB, Value7::MAX), (cc::RPN_LSB, Value7::MAX)],
                None,
            ),
        };
        for (control, data) in pair {
            self.send_control(call, slot, Urgency::Live, control, data);
        }
        if part == NumberedPart::Value {
            self.note_parameter(call, slot, parameter, value.get());
        }
        self.slots.at_mut(slot).numbered = next.map(|next| (route, next));
        if next.is_some() || !is_held {
            self.await_route(call, slot, route);
        }
    }
}

/// Parts of a numbered parameter's message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum NumberedPart {
    /// Which parameter.
    Number,
    /// Its value.
    Value,
    /// No parameter, so that stray data entry changes nothing (MIDI 1.0; RP-018).
    Null,
}
