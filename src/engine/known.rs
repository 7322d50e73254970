//! What a slot is known to hold, with "unknown" as a value: loss, return and reset need no
//! path of their own.

use super::limits::MAX_PARAMETERS;
use super::mpe::Axis;
use crate::midi::mpe::{CONFIGURATION, MAX_MEMBERS};
use crate::midi::{Controller, Message, Value14, cc};

/// A seven-bit value that is not known.
pub(super) const UNKNOWN: u8 = 0xff;
/// A bend that is not known.
pub(super) const UNKNOWN_BEND: u16 = 0xffff;

/// A parameter that is not a plain controller, by name.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) enum Parameter {
    /// No parameter.
    #[default]
    None,
    /// A registered parameter.
    Rpn(Value14),
    /// A non-registered parameter.
    Nrpn(Value14),
    /// A templated System Exclusive message.
    Exclusive(u16),
    /// The bend range of all members of an MPE zone.
    MemberBend,
}

/// The bend range of a channel (GM2 §3.4.1).
const BEND_RANGE: Parameter = Parameter::Rpn(Value14::clamped(0));

/// What a member of an MPE zone is known to hold.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct MemberKnown {
    bend: u16,
    pressure: u8,
    slide: u8,
}

impl MemberKnown {
    const NOTHING: Self = Self {
        bend: UNKNOWN_BEND,
        pressure: UNKNOWN,
        slide: UNKNOWN,
    };
}

/// What a slot is known to hold.
///
/// A value here is what the receiver has for certain: it was sent, and nothing was lost or
/// reset since. All else is unknown, and so is sent when it is wanted.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Known {
    /// Program in force.
    program: u8,
    /// Bank in force: the bank bytes that stood when the program came.
    bank: (u8, u8),
    /// Controllers, bank bytes included.
    controls: [u8; 128],
    /// Pitch bend.
    bend: u16,
    /// Channel pressure.
    pressure: u8,
    /// Bend, pressure and slide of the members of an MPE zone.
    members: [MemberKnown; MAX_MEMBERS],
    parameters: [(Parameter, u16); MAX_PARAMETERS],
    parameter_count: usize,
}

impl Known {
    /// Nothing is known.
    pub(super) const fn nothing() -> Self {
        Self {
            program: UNKNOWN,
            bank: (UNKNOWN, UNKNOWN),
            controls: [UNKNOWN; 128],
            bend: UNKNOWN_BEND,
            pressure: UNKNOWN,
            members: [MemberKnown::NOTHING; MAX_MEMBERS],
            parameters: [(Parameter::None, 0); MAX_PARAMETERS],
            parameter_count: 0,
        }
    }

    /// The program in force, or `UNKNOWN`.
    pub(super) const fn program(&self) -> u8 {
        self.program
    }

    /// The bank bytes that stood when the program came, each may be `UNKNOWN`.
    pub(super) const fn bank(&self) -> (u8, u8) {
        self.bank
    }

    /// Takes a bank for the one in force although it was not sent: where two receivers are
    /// kept alike, what the one has and was never sent is no difference.
    pub(super) const fn set_bank(&mut self, bank: (u8, u8)) {
        self.bank = bank;
    }

    /// The pitch bend, or `UNKNOWN_BEND`.
    pub(super) const fn bend(&self) -> u16 {
        self.bend
    }

    /// The channel pressure, or `UNKNOWN`.
    pub(super) const fn pressure(&self) -> u8 {
        self.pressure
    }

    /// The values of all controllers by number, each may be `UNKNOWN`.
    pub(super) fn controls(&self) -> impl Iterator<Item = u8> + '_ {
        self.controls.iter().copied()
    }

    /// What this message changes is not known any more: somebody else sent it.
    pub(super) fn forget(&mut self, message: Message) {
        match message {
            Message::Control(_, number, _) => self.set_control(number, UNKNOWN),
            Message::Program(..) => self.program = UNKNOWN,
            Message::Bend(..) => self.bend = UNKNOWN_BEND,
            Message::Pressure(..) => self.pressure = UNKNOWN,
            _ => {}
        }
    }

    /// The value of a controller, or `UNKNOWN`.
    pub(super) fn control(&self, number: Controller) -> u8 {
        self.controls
            .get(number.index())
            .copied()
            .unwrap_or(UNKNOWN)
    }

    /// Where an axis of one of its channels stands, or a value that is none.
    pub(super) fn axis(&self, member: u8, axis: Axis) -> u16 {
        let Some(index) = member.checked_sub(1) else {
            return match axis {
                Axis::Bend => self.bend,
                Axis::Pressure => self.pressure.into(),
                Axis::Slide => self.control(cc::SLIDE).into(),
            };
        };
        let member = self.members.get(usize::from(index)).copied();
        let member = member.unwrap_or(MemberKnown::NOTHING);
        match axis {
            Axis::Bend => member.bend,
            Axis::Pressure => member.pressure.into(),
            Axis::Slide => member.slide.into(),
        }
    }

    /// Notes the value of a controller.
    pub(super) fn set_control(&mut self, number: Controller, value: u8) {
        if let Some(known) = self.controls.get_mut(number.index()) {
            *known = value;
        }
    }

    /// The value of a parameter.
    pub(super) fn parameter(&self, wanted: Parameter) -> Option<u16> {
        self.parameters
            .iter()
            .take(self.parameter_count)
            .find(|(parameter, _)| *parameter == wanted)
            .map(|(_, value)| *value)
    }

    /// All parameters that are known.
    pub(super) fn parameters(&self) -> impl Iterator<Item = (Parameter, u16)> + '_ {
        self.parameters.iter().take(self.parameter_count).copied()
    }

    /// Notes the value of a parameter. A table that is full forgets the rest, which are
    /// then sent at each changeover: more bytes, nothing wrong.
    pub(super) fn set_parameter(&mut self, parameter: Parameter, value: u16) {
        let found = self
            .parameters
            .iter()
            .take(self.parameter_count)
            .position(|(known, _)| *known == parameter);
        let index = found.unwrap_or(self.parameter_count);
        if let Some(entry) = self.parameters.get_mut(index) {
            *entry = (parameter, value);
            self.parameter_count = self.parameter_count.max(index + 1);
        }
    }

    /// Forgets all but the patch: what a program change that resets controllers leaves.
    /// Receivers differ in what they reset, so nothing else is trusted.
    pub(super) fn forget_controllers(&mut self) {
        let banks = (self.control(cc::BANK_MSB), self.control(cc::BANK_LSB));
        let (program, bank) = (self.program, self.bank);
        let zone = self.parameter(Parameter::Rpn(CONFIGURATION));
        *self = Self::nothing();
        (self.program, self.bank) = (program, bank);
        // How many channels there are is no controller.
        if let Some(zone) = zone {
            self.set_parameter(Parameter::Rpn(CONFIGURATION), zone);
        }
        self.set_control(cc::BANK_MSB, banks.0);
        self.set_control(cc::BANK_LSB, banks.1);
    }

    /// What a panic leaves: pedals up, since that was sent; what Reset All Controllers
    /// exempts as it was (RP-015). Anything else is the maker's choice or, with a receiver
    /// that ignores the message as one with Omni on does (MIDI 1.0), as it was: unknown.
    pub(super) fn reset_all_controllers(&mut self) {
        for (number, value) in (0u8..).zip(self.controls.iter_mut()) {
            match number {
                64 | 66 | 67 => *value = 0,
                0 | 32 | 7 | 10 | 70..=79 | 91..=95 => {}
                _ => *value = UNKNOWN,
            }
        }
        self.bend = Value14::CENTRE.get();
        self.pressure = 0;
        self.forget_members();
    }

    /// Notes that an MPE zone was set up: a receiver then has bend ranges of its own choice,
    /// and may have reset whatever it holds there (the standard was not opened).
    pub(super) fn set_zone(&mut self, members: u16) {
        self.forget_members();
        let count = self.parameter_count;
        for entry in self.parameters.iter_mut().take(count) {
            if matches!(entry.0, Parameter::MemberBend) || entry.0 == BEND_RANGE {
                *entry = (Parameter::None, 0);
            }
        }
        self.set_parameter(Parameter::Rpn(CONFIGURATION), members);
    }

    /// Notes what a message does on one of its channels; 0 is its own. Pressure and slide of
    /// an MPE zone's manager reach all members, in a way that receivers differ in.
    pub(super) fn note_on(&mut self, member: u8, message: Message) {
        let Some(index) = member.checked_sub(1) else {
            self.note(message);
            match message {
                Message::Pressure(..) => self.each_member(|member| member.pressure = UNKNOWN),
                Message::Control(_, cc::SLIDE, _) => {
                    self.each_member(|member| member.slide = UNKNOWN);
                }
                _ => {}
            }
            return;
        };
        let Some(member) = self.members.get_mut(usize::from(index)) else {
            return;
        };
        match message {
            Message::Bend(_, value) => member.bend = value.get(),
            Message::Pressure(_, value) => member.pressure = value.get(),
            Message::Control(_, cc::SLIDE, value) => member.slide = value.get(),
            _ => {}
        }
    }

    /// Where the axes of one of its channels stand is not known.
    pub(super) fn forget_axes(&mut self, member: u8) {
        let Some(index) = member.checked_sub(1) else {
            self.bend = UNKNOWN_BEND;
            self.pressure = UNKNOWN;
            self.set_control(cc::SLIDE, UNKNOWN);
            return;
        };
        if let Some(member) = self.members.get_mut(usize::from(index)) {
            *member = MemberKnown::NOTHING;
        }
    }

    /// Nothing is known of the members of an MPE zone.
    pub(super) fn forget_members(&mut self) {
        self.each_member(|member| *member = MemberKnown::NOTHING);
    }

    fn each_member(&mut self, change: impl Fn(&mut MemberKnown)) {
        self.members.iter_mut().for_each(change);
    }

    /// Notes what a message does to its channel.
    pub(super) fn note(&mut self, message: Message) {
        match message {
            // Data entry and parameter numbers are noted as parameters; 120–127 are commands.
            Message::Control(_, number, value) if !matches!(number.get(), 6 | 38 | 96..=101 | 120..=127) =>
            {
                self.set_control(number, value.get());
                // Receiving an upper half sets the lower one to 0 (MIDI 1.0), or leaves it:
                // where a show uses pairs it is told again. Bank bytes are no such pair.
                let lower = Controller::clamped(i32::from(number.get()) + 32);
                if (1..32).contains(&number.get()) && self.control(lower) != UNKNOWN {
                    self.set_control(lower, UNKNOWN);
                }
            }
            Message::Program(_, program) => {
                self.program = program.get();
                self.bank = (self.control(cc::BANK_MSB), self.control(cc::BANK_LSB));
            }
            Message::Pressure(_, value) => self.pressure = value.get(),
            Message::Bend(_, value) => self.bend = value.get(),
            _ => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Channel, Program, Value7};

    const CH: Channel = Channel::MIN;

    fn control(number: Controller, value: i32) -> Message {
        Message::Control(CH, number, Value7::clamped(value))
    }

    #[test]
    fn the_bank_in_force_is_the_one_that_stood_when_the_program_came() {
        let mut known = Known::nothing();
        known.note(control(cc::BANK_MSB, 3));
        known.note(control(cc::BANK_LSB, 4));
        known.note(Message::Program(CH, Program::clamped(9)));
        known.note(control(cc::BANK_MSB, 5));
        assert_eq!((known.program(), known.bank()), (9, (3, 4)));
        assert_eq!(known.control(cc::BANK_MSB), 5);
    }

    #[test]
    fn a_reset_leaves_the_patch_and_makes_the_rest_unknown() {
        let mut known = Known::nothing();
        known.note(Message::Program(CH, Program::clamped(9)));
        known.note(control(cc::VOLUME, 80));
        known.note(Message::Bend(CH, Value14::CENTRE));
        known.forget_controllers();
        assert_eq!(known.program(), 9);
        assert_eq!(known.control(cc::VOLUME), UNKNOWN);
        assert_eq!(known.bend(), UNKNOWN_BEND);
    }

    #[test]
    fn what_somebody_else_sends_makes_unknown_what_it_changes_and_no_more() {
        let mut known = Known::nothing();
        known.note(control(cc::PAN, 10));
        known.note(control(cc::VOLUME, 80));
        known.forget(control(cc::PAN, 20));
        assert_eq!(known.control(cc::PAN), UNKNOWN);
        assert_eq!(known.control(cc::VOLUME), 80);
    }
}
