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
    /// RPN 6: members of an MPE zone (the standard was not opened).
    pub const ZONE: Self = Self::registered(6);
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
    /// Pitch bend, 0–16383; 8192 is none.
    pub bend: Value14,
    /// Channel pressure, 0–127.
    pub pressure: Value7,
    /// Polyphonic key pressure, by key number.
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

    /// Volume: controller 7.
    #[must_use]
    pub const fn volume(&self) -> Value7 {
        self.controller(cc::VOLUME)
    }

    /// Pan: controller 10, 64 is the middle.
    #[must_use]
    pub const fn pan(&self) -> Value7 {
        self.controller(cc::PAN)
    }

    /// Expression: controller 11.
    #[must_use]
    pub const fn expression(&self) -> Value7 {
        self.controller(cc::EXPRESSION)
    }

    /// Modulation: controller 1.
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

    /// Whether a note struck on either slot sounds the same: patch, controllers, bend,
    /// pressures and parameters. Numbers and bank bytes on their way to something else,
    /// which are not heard, and loading are left out.
    #[must_use]
    pub fn is_like(&self, other: &Self) -> bool {
        let is_passing = |number: usize| matches!(number, 0 | 6 | 32 | 38 | 96..=101);
        let numbers = self.parameters.keys().chain(other.parameters.keys());
        self.patch == other.patch
            && self.bend == other.bend
            && self.pressure == other.pressure
            && self.key_pressures == other.key_pressures
            && (0..128).all(|n| is_passing(n) || self.controllers[n] == other.controllers[n])
            && numbers
                .copied()
                .all(|p| self.parameter(p) == other.parameter(p))
    }

    const fn is_down(&self, pedal: Controller) -> bool {
        self.controller(pedal).get() >= 64
    }

    /// Sets a parameter whatever data entry is selected.
    pub(super) fn set_parameter(&mut self, parameter: Parameter, value: Value14) {
        self.parameters.insert(parameter, value);
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

#[cfg(test)]
mod tests {
    use super::*;

    fn control(slot: &mut SlotState, number: u8, value: u8) -> Entry {
        let (number, value) = (i32::from(number), i32::from(value));
        slot.take_control(Controller::clamped(number), Value7::clamped(value))
    }

    fn slot() -> SlotState {
        SlotState::at_power_on(Channel::clamped(0))
    }

    /// GM2 v1.2a §3.3, §3.4 and §4.9: values at power-on and after System On.
    #[test]
    fn power_on_is_as_general_midi_2_has_it() {
        let slot = slot();
        let expected = [
            (1, 0),
            (5, 0),
            (7, 100),
            (10, 64),
            (11, 127),
            (64, 0),
            (65, 0),
            (66, 0),
            (67, 0),
            (71, 64),
            (72, 64),
            (73, 64),
            (74, 64),
            (75, 64),
            (76, 64),
            (77, 64),
            (78, 64),
            (91, 40),
            (93, 0),
            (6, 0),
            (38, 0),
            (98, 127),
            (99, 127),
            (100, 127),
            (101, 127),
        ];
        for (number, value) in expected {
            assert_eq!(
                slot.controllers[number],
                Value7::clamped(value),
                "controller {number}"
            );
        }
        assert_eq!(slot.bend, Value14::CENTRE);
        assert_eq!(slot.pressure, Value7::MIN);
        assert_eq!(slot.bend_range_cents(), 200);
        assert_eq!(slot.parameter(Parameter::FINE_TUNING).msb().get(), 64);
        assert_eq!(slot.parameter(Parameter::COARSE_TUNING).msb().get(), 64);
        assert_eq!(slot.parameter(Parameter::MODULATION_DEPTH).get(), 64);
        assert_eq!(slot.selected(), None);
        assert_eq!(slot.pitch_cents(), 0.0);
        assert_eq!(slot.patch, Patch::of(0x79, 0, 0));
        let rhythm = SlotState::at_power_on(Channel::clamped(9));
        assert_eq!(rhythm.patch, Patch::of(0x78, 0, 0));
    }

    /// RP-015, both lists; controller 5 by GM2 §3.5.2.
    #[test]
    fn reset_all_controllers_resets_its_list_and_no_more() {
        let mut slot = slot();
        for (number, value) in [(101, 0), (100, 0), (6, 12)] {
            control(&mut slot, number, value);
        }
        for number in (0..120).filter(|n| !matches!(n, 6 | 38 | 96..=101)) {
            slot.controllers[number] = Value7::clamped(33);
        }
        control(&mut slot, 99, 3);
        slot.bend = Value14::MAX;
        slot.pressure = Value7::MAX;
        slot.key_pressures = [Value7::MAX; 128];
        slot.reset_played();
        for (number, value) in [
            (11, 127),
            (1, 0),
            (64, 0),
            (65, 0),
            (66, 0),
            (67, 0),
            (98, 127),
            (99, 127),
            (100, 127),
            (101, 127),
        ] {
            assert_eq!(
                slot.controllers[number].get(),
                value,
                "controller {number} is reset"
            );
        }
        let kept = [0, 32, 7, 10, 5].into_iter().chain(91..=95).chain(70..=79);
        for number in kept {
            assert_eq!(
                slot.controllers[number].get(),
                33,
                "controller {number} is kept"
            );
        }
        assert_eq!(slot.bend, Value14::CENTRE);
        assert_eq!(slot.pressure, Value7::MIN);
        assert_eq!(slot.key_pressures, [Value7::MIN; 128]);
        assert_eq!(
            slot.bend_range_cents(),
            1200,
            "values of parameters are kept"
        );
        assert_eq!(slot.selected(), None);
    }

    /// GM2 §3.4.5 and §3.3.22: data entry counts only with a valid number.
    #[test]
    fn data_entry_after_null_is_ignored() {
        let mut slot = slot();
        assert_eq!(control(&mut slot, 6, 24), Entry::Unselected);
        assert_eq!(slot.bend_range_cents(), 200);
        control(&mut slot, 100, 0);
        control(&mut slot, 6, 24);
        assert_eq!(
            slot.bend_range_cents(),
            200,
            "half a number is another number"
        );
        control(&mut slot, 101, 0);
        assert_eq!(control(&mut slot, 6, 24), Entry::Taken);
        assert_eq!(control(&mut slot, 38, 50), Entry::Taken);
        assert_eq!(slot.bend_range_cents(), 2450);
        control(&mut slot, 101, 127);
        control(&mut slot, 100, 127);
        assert_eq!(control(&mut slot, 6, 1), Entry::Unselected);
        assert_eq!(slot.bend_range_cents(), 2450);
    }

    /// GM2 §3.4.2 and §3.4.3: values computed from the steps that the standard states.
    #[test]
    fn tuning_moves_the_pitch() {
        for (msb, lsb, cents) in [
            (64, 0, 0.0),
            (70, 51, 10.0),
            (96, 0, 50.0),
            (32, 0, -50.0),
            (0, 0, -100.0),
        ] {
            let mut slot = slot();
            for (number, value) in [(101, 0), (100, 1), (6, msb), (38, lsb)] {
                control(&mut slot, number, value);
            }
            assert!((slot.pitch_cents() - cents).abs() < 0.01, "{msb},{lsb}");
            for (number, value) in [(101, 0), (100, 2), (6, 52)] {
                control(&mut slot, number, value);
            }
            assert!(
                (slot.pitch_cents() - cents + 1200.0).abs() < 0.01,
                "an octave down"
            );
        }
    }

    /// MIDI 1.0, Control Change: an upper half sets the lower half to 0.
    #[test]
    fn an_upper_half_sets_the_lower_to_zero() {
        let mut slot = slot();
        control(&mut slot, 33, 99);
        assert_eq!(slot.controllers[33].get(), 99);
        control(&mut slot, 1, 5);
        assert_eq!(slot.controllers[33].get(), 0);
        // Bank Select is exempt: common practice, no source.
        control(&mut slot, 32, 7);
        control(&mut slot, 0, 5);
        assert_eq!(slot.pending_bank, (Value7::clamped(5), Value7::clamped(7)));
    }

    #[test]
    fn non_registered_parameters_are_kept_apart() {
        let mut slot = slot();
        for (number, value) in [(99, 0), (98, 0), (6, 9)] {
            control(&mut slot, number, value);
        }
        let number = Value14::default();
        assert_eq!(
            slot.parameter(Parameter::NonRegistered(number)).msb().get(),
            9
        );
        assert_eq!(slot.bend_range_cents(), 200);
        assert_eq!(slot.parameters().count(), 1);
    }

    #[test]
    fn the_table_of_parameters_is_bounded() {
        let mut slot = slot();
        let mut taken = 0;
        for msb in 0..3 {
            for lsb in 0..128 {
                control(&mut slot, 99, msb);
                control(&mut slot, 98, lsb);
                taken += usize::from(control(&mut slot, 6, 1) == Entry::Taken);
            }
        }
        assert_eq!(taken, MAX_PARAMETERS);
        assert_eq!(control(&mut slot, 6, 2), Entry::Full);
    }

    #[test]
    fn likeness_is_of_what_is_heard() {
        let mut one = slot();
        let mut two = slot();
        for (number, value) in [(101, 0), (100, 0), (6, 2), (101, 127), (100, 127), (0, 3)] {
            control(&mut one, number, value);
        }
        assert!(one.is_like(&two), "the range was 2 before");
        control(&mut two, 74, 65);
        assert!(!one.is_like(&two));
        control(&mut one, 74, 65);
        for (number, value) in [(101, 0), (100, 0), (6, 3)] {
            control(&mut two, number, value);
        }
        assert!(!one.is_like(&two));
    }
}
