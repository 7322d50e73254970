//! Setting up MPE zones: of instruments, by RPN 6; and of surfaces, which say so themselves.
//!
//! A zone is state like any other, told by difference when its slot is made for a sound,
//! and when a port comes, returns or is sent to again; but RPN 6 never while notes are held
//! on it, since a receiver may end them: then when it is silent. After the number of members
//! come the bend ranges: RPN 0 on every member with one value, then the manager's. (The
//! text of the standard was not opened.)

use super::input::Urgency;
use super::known::Parameter;
use super::machine::{Call, Machine};
use super::promptbook::{ControllerId, InPort, SlotId};
use super::rescue::Deed;
use crate::midi::mpe::{CONFIGURATION, MAX_MEMBERS, MpeZone};
use crate::midi::{Channel, Controller, Message, Value7, Value14, cc};

/// What an input port is in the middle of saying: a registered parameter of one channel.
#[derive(Clone, Copy, Debug)]
pub(super) struct SetUp {
    channel: Option<Channel>,
    number: (u8, u8),
}

impl SetUp {
    pub(super) const NOTHING: Self = Self {
        channel: None,
        number: (127, 127),
    };

    /// The parameter and the value that a message completes, as its upper half says it.
    fn hear(&mut self, message: Message) -> Option<(Channel, Value14, Value7)> {
        let Message::Control(channel, number, value) = message else {
            return None;
        };
        if !matches!(number.get(), 6 | 98..=101) {
            return None;
        }
        if self.channel != Some(channel) {
            *self = Self {
                channel: Some(channel),
                ..Self::NOTHING
            };
        }
        match number {
            cc::RPN_MSB => self.number.0 = value.get(),
            cc::RPN_LSB => self.number.1 = value.get(),
            cc::DATA_MSB => {
                let (msb, lsb) = self.number;
                let number =
                    Value14::from_parts(Value7::clamped(msb.into()), Value7::clamped(lsb.into()));
                return Some((channel, number, value));
            }
            _ => self.number = Self::NOTHING.number,
        }
        None
    }
}

impl Machine {
    /// Tells a slot that is an MPE zone how many members it has, and how far they bend.
    pub(super) fn tell_zone(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let state = self.slots.at_mut(slot);
        let Some(zone) = state.mpe else {
            return;
        };
        let seven = |value: u8| Value14::from_parts(Value7::clamped(value.into()), Value7::MIN);
        let parameters = [
            (Parameter::Rpn(CONFIGURATION), seven(zone.members)),
            (Parameter::MemberBend, seven(zone.bend_range)),
        ];
        for (parameter, value) in parameters {
            let state = self.slots.at_mut(slot);
            if state.known.parameter(parameter) == Some(value.get()) {
                continue;
            }
            if parameter != Parameter::MemberBend && state.sounding.is_held() {
                state.debts.owe_everything();
                continue;
            }
            self.send_numbered(call, slot, call.telling, (parameter, value));
        }
    }

    /// RPN 6 on the manager channel. Its value is in the upper half alone.
    pub(super) fn send_zone(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        urgency: Urgency,
        members: Value14,
    ) {
        self.send_parameter(call, (slot, 0), urgency, (CONFIGURATION, members.msb()));
        if self.slot_listens(call, slot) {
            let state = self.slots.at_mut(slot);
            state.known.set_zone(members.get());
            state.numbered = None;
        }
    }

    /// RPN 0 on every member: all have one range.
    pub(super) fn send_member_bend(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        urgency: Urgency,
        range: Value14,
    ) {
        for member in self.members_of(slot) {
            let parameter = (Value14::clamped(0), range.msb());
            self.send_parameter(call, (slot, member), urgency, parameter);
        }
        self.note_parameter(call, slot, Parameter::MemberBend, range.get());
    }

    /// A registered parameter whose value is its upper half, then null.
    fn send_parameter(
        &mut self,
        call: &mut Call<'_>,
        place: (SlotId, u8),
        urgency: Urgency,
        (number, value): (Value14, Value7),
    ) {
        for (control, data) in [
            (cc::RPN_MSB, number.msb()),
            (cc::RPN_LSB, number.lsb()),
            (cc::DATA_MSB, value),
            (cc::RPN_MSB, Value7::MAX),
            (cc::RPN_LSB, Value7::MAX),
        ] {
            self.send_to(call, place, urgency, |ch| {
                Message::Control(ch, control, data)
            });
        }
    }

    /// Members of a slot, 1–15; none if it is no MPE zone.
    fn members_of(&self, slot: SlotId) -> std::ops::RangeInclusive<u8> {
        let zone = self.slots.at(slot).mpe;
        1..=zone.map_or(0, |zone| zone.members.min(MAX_MEMBERS as u8))
    }

    /// Sends each member of a slot what ends its notes: a receiver that was not told of its
    /// zone has ordinary channels there.
    pub(super) fn hush_members(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        numbers: &[Controller],
    ) {
        for member in self.members_of(slot) {
            for number in numbers {
                self.send_to(call, (slot, member), Urgency::Live, |ch| {
                    Message::Control(ch, *number, Value7::MIN)
                });
            }
        }
    }

    /// A surface may say how many fingers it has (RPN 6 on a manager channel) and how far it
    /// bends (RPN 0). The newest counts; what overlaps it gives way.
    pub(super) fn hear_set_up(&mut self, call: &mut Call<'_>, port: InPort, message: Message) {
        let heard = self.set_ups.at_mut(port).hear(message);
        let Some((channel, number, value)) = heard else {
            return;
        };
        match (number.get(), MpeZone::side_of(channel)) {
            (6, Some(side)) => {
                let zone = MpeZone::new(side, value.get().min(MAX_MEMBERS as u8));
                self.take_zone(call, port, zone);
            }
            (0, _) => self.take_bend_range(call, port, channel, value.get().min(96)),
            _ => {}
        }
    }

    fn take_zone(&mut self, call: &mut Call<'_>, port: InPort, newer: MpeZone) {
        let book = call.book;
        let (mut own, mut cut) = (None, None);
        for (id, entry) in (0u8..).map(ControllerId).zip(&book.controllers) {
            let Some(before) = self.controllers.at(id).mpe.filter(|_| entry.port == port) else {
                continue;
            };
            let is_own = before.side == newer.side;
            let after = if is_own { newer } else { before.beside(newer) };
            if is_own {
                own = Some(id);
            } else if after != before {
                cut = Some(id);
            }
            if after == before {
                continue;
            }
            // What entered or left has no notes any more.
            self.let_go_of(call, id);
            let state = self.controllers.at_mut(id);
            state.mpe = Some(after);
            if is_own {
                state.whole_range = None;
            }
        }
        let is_surface = own.is_some() || cut.is_some();
        if is_surface {
            self.report(Deed::Zone {
                of: own,
                zone: newer,
                cut,
            });
        }
    }

    fn take_bend_range(&mut self, call: &Call<'_>, port: InPort, channel: Channel, range: u8) {
        let controllers = self.controllers.iter_mut().zip(&call.book.controllers);
        for (state, entry) in controllers.filter(|(_, entry)| entry.port == port) {
            let is_zone = entry.mpe.is_some();
            match state.mpe.as_mut().and_then(|zone| zone.member(channel)) {
                Some(0) if is_zone => state.whole_range = Some(range),
                Some(_) => {
                    if let Some(zone) = &mut state.mpe {
                        zone.bend_range = range;
                    }
                }
                None => {}
            }
        }
    }
}
