//! What a slot is known to hold, with "unknown" as a value: loss, return and reset need no
//! path of their own.

use super::limits::MAX_PARAMETERS;
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
}

/// What a slot is known to hold.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Known {
    /// Program in force.
    pub(super) program: u8,
    /// Bank in force: the bank bytes that stood when the program came.
    pub(super) bank: (u8, u8),
    /// Controllers, bank bytes included.
    pub(super) controls: [u8; 128],
    /// Pitch bend.
    pub(super) bend: u16,
    /// Channel pressure.
    pub(super) pressure: u8,
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
            parameters: [(Parameter::None, 0); MAX_PARAMETERS],
            parameter_count: 0,
        }
    }

    /// The value of a controller, or `UNKNOWN`.
    pub(super) fn control(&self, number: Controller) -> u8 {
        self.controls
            .get(number.index())
            .copied()
            .unwrap_or(UNKNOWN)
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
        *self = Self::nothing();
        (self.program, self.bank) = (program, bank);
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
