//! One slot of a model receiver: patch, controllers, bend, pressures and parameters.

use std::collections::BTreeMap;

use crate::midi::num::{Channel, Controller, Key, Value7, Value14, cc};

use super::law;
use super::spec::{LevelLaw, Patch};

/// Registered and non-registered parameters kept by a slot; another one is refused.
pub const MAX_PARAMETERS: usize = 256;

/// The number of a parameter.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Parameter {
    /// A registered parameter (RPN).
    Registered(Value14),
    /// A non-registered parameter (NRPN).
    NonRegistered(Value14),
}

impl Parameter {
    /// RPN 0: pitch bend sensitivity, semitones and cents (GM2 §3.4.1).
    pub const BEND_RANGE: Self = Self::registered(0);
    /// RPN 1: channel fine tuning (GM2 §3.4.2).
    pub const FINE_TUNING: Self = Self::registered(1);
    /// RPN 2: channel coarse tuning (GM2 §3.4.3).
    pub const COARSE_TUNING: Self = Self::registered(2);
    /// RPN 5: modulation depth range (GM2 §3.4.4).
    pub const MODULATION_DEPTH: Self = Self::registered(5);

    const fn registered(number: i32) -> Self {
        Self::Registered(Value14::clamped(number))
    }

    /// Its value at power-on (GM2 §3.4); 0 where the standard names none.
    #[must_use]
    pub fn at_power_on(self) -> Value14 {
        match self {
            Self::BEND_RANGE => Value14::clamped(2 << 7),
            Self::FINE_TUNING | Self::COARSE_TUNING => Value14::CENTRE,
            Self::MODULATION_DEPTH => Value14::clamped(64),
            _ => Value14::default(),
        }
    }
}

/// What a data entry did.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Entry {
    /// The value was taken.
    Taken,
    /// No parameter is selected (null), so the value is ignored (GM2 §3.4.5).
    Unselected,
    /// The table of parameters is full.
    Full,
}

/// A slot as it is now.
#[derive(Clone, PartialEq, Debug)]
pub struct SlotState {
    /// The patch in force: what the next note sounds with, unless it is still loading.
    pub patch: Patch,
    /// The patch before the last program change.
    pub patch_before: Patch,
    /// Bank bytes as last received, which count from the next program change on.
    pub pending_bank: (Value7, Value7),
    /// Until when the patch loads, if it does.
    pub loading_until_us: Option<u64>,
    /// All controllers; 120–127 stay 0.
    pub controllers: [Value7; 128],
    /// Pitch bend.
    pub bend: Value14,
    /// Channel pressure.
    pub pressure: Value7,
    /// Pressure of each key.
    pub key_pressures: [Value7; 128],
    parameters: BTreeMap<Parameter, Value14>,
    is_registered: bool,
}

impl SlotState {
    /// A slot at power-on or after System On (GM2 §3.3, §4.9).
    #[must_use]
    pub fn at_power_on(channel: Channel) -> Self {
        let patch = if channel == RHYTHM {
            Patch::of(0x78, 0, 0)
        } else {
            Patch::of(0x79, 0, 0)
        };
        let mut controllers = [Value7::MIN; 128];
        for (numbers, value) in POWER_ON {
            for number in numbers {
                controllers[usize::from(number)] = Value7::clamped(i32::from(value));
            }
        }
        Self {
            patch,
            patch_before: patch,
            pending_bank: (patch.bank_msb, patch.bank_lsb),
            loading_until_us: None,
            controllers,
            bend: Value14::CENTRE,
            pressure: Value7::MIN,
            key_pressures: [Value7::MIN; 128],
            parameters: BTreeMap::new(),
            is_registered: true,
        }
    }

    /// Takes a controller 0–119, whole pairs included: an upper half sets the lower to 0
    /// (MIDI 1.0, Control Change). Bank Select is exempt (common practice, no source).
    pub fn take_control(&mut self, number: Controller, value: Value7) -> Entry {
        self.controllers[number.index()] = value;
        match number.get() {
            0 => self.pending_bank.0 = value,
            32 => self.pending_bank.1 = value,
            6 => {
                self.controllers[cc::DATA_LSB.index()] = Value7::MIN;
                return self.enter(|_| Value14::from_parts(value, Value7::MIN));
            }
            38 => return self.enter(|old| Value14::from_parts(old.msb(), value)),
            96 => return self.enter(|old| Value14::clamped(i32::from(old.get()) + 1)),
            97 => return self.enter(|old| Value14::clamped(i32::from(old.get()) - 1)),
            98 | 99 => self.is_registered = false,
            100 | 101 => self.is_registered = true,
            1..32 => self.controllers[number.index() + 32] = Value7::MIN,
            _ => {}
        }
        Entry::Taken
    }

    /// Reset All Controllers (RP-015). What the recommendation does not name is set to 0;
    /// portamento time is left alone (GM2 §3.5.2).
    pub fn reset_played(&mut self) {
        for number in 0..120_u8 {
            if !KEPT_BY_RESET.iter().any(|kept| kept.contains(&number)) {
                self.controllers[usize::from(number)] = Value7::MIN;
            }
        }
        self.controllers[cc::EXPRESSION.index()] = Value7::MAX;
        for number in 98..=101 {
            self.controllers[number] = Value7::MAX;
        }
        self.bend = Value14::CENTRE;
        self.pressure = Value7::MIN;
        self.key_pressures = [Value7::MIN; 128];
    }

    /// All back to power-on but the patch and the bank bytes.
    pub fn reset_everything(&mut self, channel: Channel) {
        *self = Self {
            patch: self.patch,
            patch_before: self.patch_before,
            pending_bank: self.pending_bank,
            loading_until_us: self.loading_until_us,
            ..Self::at_power_on(channel)
        };
    }

    /// The value of a controller.
    #[must_use]
    pub const fn controller(&self, number: Controller) -> Value7 {
        self.controllers[number.index()]
    }

    /// Volume (7).
    #[must_use]
    pub const fn volume(&self) -> Value7 {
        self.controller(cc::VOLUME)
    }

    /// Pan (10).
    #[must_use]
    pub const fn pan(&self) -> Value7 {
        self.controller(cc::PAN)
    }

    /// Expression (11).
    #[must_use]
    pub const fn expression(&self) -> Value7 {
        self.controller(cc::EXPRESSION)
    }

    /// Modulation (1).
    #[must_use]
    pub const fn modulation(&self) -> Value7 {
        self.controller(cc::MODULATION)
    }

    /// Whether the hold pedal is down: 64 and above (GM2 §3.3.7).
    #[must_use]
    pub const fn is_hold_down(&self) -> bool {
        self.is_down(cc::HOLD)
    }

    /// Whether the sostenuto pedal is down (GM2 §3.3.9).
    #[must_use]
    pub const fn is_sostenuto_down(&self) -> bool {
        self.is_down(cc::SOSTENUTO)
    }

    /// Whether the soft pedal is down (GM2 §3.3.10).
    #[must_use]
    pub const fn is_soft_down(&self) -> bool {
        self.is_down(cc::SOFT)
    }

    /// Pressure of one key.
    #[must_use]
    pub const fn key_pressure(&self, key: Key) -> Value7 {
        self.key_pressures[key.index()]
    }

    /// The parameter that data entry goes to; none while it is null (127, 127).
    #[must_use]
    pub const fn selected(&self) -> Option<Parameter> {
        let (msb, lsb) = if self.is_registered {
            (cc::RPN_MSB, cc::RPN_LSB)
        } else {
            (cc::NRPN_MSB, cc::NRPN_LSB)
        };
        let number = Value14::from_parts(self.controller(msb), self.controller(lsb));
        if number.get() == Value14::MAX.get() {
            None
        } else if self.is_registered {
            Some(Parameter::Registered(number))
        } else {
            Some(Parameter::NonRegistered(number))
        }
    }

    /// The value of a parameter.
    #[must_use]
    pub fn parameter(&self, parameter: Parameter) -> Value14 {
        self.parameters
            .get(&parameter)
            .copied()
            .unwrap_or_else(|| parameter.at_power_on())
    }

    /// All parameters that were set, in order of their numbers.
    pub fn parameters(&self) -> impl Iterator<Item = (Parameter, Value14)> + '_ {
        self.parameters
            .iter()
            .map(|(number, value)| (*number, *value))
    }

    /// Bend range each way, in cents (RPN 0).
    #[must_use]
    pub fn bend_range_cents(&self) -> u32 {
        let range = self.parameter(Parameter::BEND_RANGE);
        u32::from(range.msb().get()) * 100 + u32::from(range.lsb().get())
    }

    /// Bend and channel tuning together, in cents.
    #[must_use]
    pub fn pitch_cents(&self) -> f64 {
        let fine = f64::from(self.parameter(Parameter::FINE_TUNING).get()) - 8192.0;
        let coarse = f64::from(self.parameter(Parameter::COARSE_TUNING).msb().get()) - 64.0;
        law::bend_cents(self.bend, self.bend_range_cents()) + fine * 100.0 / 8192.0 + coarse * 100.0
    }

    /// Level of volume and expression in dB; silence is `-inf`.
    #[must_use]
    pub fn level_db(&self, level_law: LevelLaw) -> f64 {
        law::level_db(level_law, self.volume(), self.expression())
    }

    const fn is_down(&self, pedal: Controller) -> bool {
        self.controller(pedal).get() >= 64
    }

    fn enter(&mut self, change: impl FnOnce(Value14) -> Value14) -> Entry {
        let Some(parameter) = self.selected() else {
            return Entry::Unselected;
        };
        if self.parameters.len() >= MAX_PARAMETERS && !self.parameters.contains_key(&parameter) {
            return Entry::Full;
        }
        let value = change(self.parameter(parameter));
        self.parameters.insert(parameter, value);
        Entry::Taken
    }
}

/// Whether a change of this controller is heard on notes that sound already. Bank and
/// parameter numbers, data entry, switches for the next note and the pedals are not.
#[must_use]
pub const fn is_heard(number: Controller) -> bool {
    !matches!(
        number.get(),
        0 | 5 | 6 | 7 | 10 | 11 | 32 | 37 | 38 | 39 | 42 | 43 | 64..=69 | 84 | 96..=101 | 120..
    )
}

/// The rhythm channel, 10 on paper (GM2 §2.4).
const RHYTHM: Channel = Channel::clamped(9);

/// Controllers that are not 0 at power-on (GM2 §3.3; the parameter numbers are null).
const POWER_ON: [(std::ops::RangeInclusive<u8>, u8); 6] = [
    (7..=7, 100),
    (10..=10, 64),
    (11..=11, 127),
    (71..=78, 64),
    (91..=91, 40),
    (98..=101, 127),
];

/// Controllers that Reset All Controllers leaves alone (RP-015; 5 by GM2 §3.5.2), lower
/// halves included, and data entry, which is no value of its own.
const KEPT_BY_RESET: [std::ops::RangeInclusive<u8>; 11] = [
    0..=0,
    5..=7,
    10..=10,
    32..=32,
    37..=39,
    42..=42,
    70..=79,
    91..=95,
    96..=97,
    98..=101,
    120..=127,
];
