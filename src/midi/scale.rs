//! One resolution made into another: 7 and 14 bits, and bends of different ranges.
//!
//! Both ends and the centre are kept: 0, 64 and 127 are 0, 8192 and 16383. A stick that
//! rests at 64 must not bend a note, and a pedal that is down must be down all the way.
//! The lower half is a shift, as pairs of controllers have it (MIDI 1.0: value = MSB × 128
//! + LSB), the upper half is stretched so that it ends at the end.

use super::num::{Value7, Value14};

/// Values above the centre that 7 bits have.
const UPPER_7: u32 = 63;
/// Values above the centre that 14 bits have.
const UPPER_14: u32 = 8_191;

/// Seven bits as fourteen; [`narrow`] gives the same seven back.
#[must_use]
pub const fn widen(value: Value7) -> Value14 {
    let value = value.get() as u32;
    let wide = if value <= 64 {
        value << 7
    } else {
        8_192 + ((value - 64) * UPPER_14 + UPPER_7 / 2) / UPPER_7
    };
    Value14::clamped(wide as i32)
}

/// Fourteen bits as the nearest seven.
#[must_use]
pub const fn narrow(value: Value14) -> Value7 {
    let value = value.get() as u32;
    let near = if value <= 8_192 {
        (value + 64) >> 7
    } else {
        64 + ((value - 8_192) * UPPER_7 + UPPER_14 / 2) / UPPER_14
    };
    Value7::clamped(near as i32)
}

/// Converts a bend between ranges: a wheel with a range of `from` semitones to a receiver with
/// a range of `to`. The pitch stays the same, or the nearest it can reach. Equal ranges change
/// nothing; a range of 0 bends nothing.
#[must_use]
pub const fn bend_between(value: Value14, from: u8, to: u8) -> Value14 {
    if from == to {
        return value;
    }
    if from == 0 || to == 0 {
        return Value14::CENTRE;
    }
    let centre = Value14::CENTRE.get() as i32;
    let bent = (value.get() as i32 - centre) * from as i32;
    Value14::clamped(centre + divide_near(bent, to as i32))
}

/// Adds bends, each with its range in semitones, for a receiver with a range of `to` semitones:
/// the same pitch, or the nearest it can reach.
#[must_use]
pub fn bend_sum(parts: [(Value14, u8); 2], to: u8) -> Value14 {
    if to == 0 {
        return Value14::CENTRE;
    }
    let centre = i32::from(Value14::CENTRE.get());
    let bent = parts
        .iter()
        .map(|(value, range)| (i32::from(value.get()) - centre) * i32::from(*range))
        .sum();
    Value14::clamped(centre + divide_near(bent, i32::from(to)))
}

/// The bend for a pitch in hundredths of a semitone, at a receiver with a range of `range`
/// semitones: 8192 + semitones / range × 8192 (MIDI 1.0, GM2 §3.4.1). A pitch beyond the range
/// is clamped to its end.
#[must_use]
pub const fn bend_for(cents: i32, range: u8) -> Value14 {
    let centre = Value14::CENTRE.get() as i32;
    if range == 0 {
        return Value14::CENTRE;
    }
    Value14::clamped(centre + divide_near(cents.saturating_mul(8_192), range as i32 * 100))
}

/// Inverts a value: the ends change places, the centre stays.
#[must_use]
pub const fn turned(value: Value14) -> Value14 {
    if value.get() == Value14::MAX.get() {
        return Value14::clamped(0);
    }
    Value14::clamped(16_384 - value.get() as i32)
}

/// `a / b` rounded to the nearest integer, for `b` above 0; halves round away from 0.
const fn divide_near(a: i32, b: i32) -> i32 {
    if a >= 0 {
        (a + b / 2) / b
    } else {
        (a - b / 2) / b
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn v14(value: u16) -> Value14 {
        Value14::new(value).unwrap()
    }

    /// MIDI 1.0, pairs of controllers: 0 = (0, 0), 8192 = (64, 0), 16383 = (127, 127).
    #[test]
    fn ends_and_centre_are_kept() {
        for (narrow_value, wide) in [(0, 0), (1, 128), (64, 8_192), (127, 16_383)] {
            let seven = Value7::new(narrow_value).unwrap();
            assert_eq!(widen(seven), v14(wide));
            assert_eq!(narrow(v14(wide)), seven);
        }
    }

    #[test]
    fn seven_bits_come_back_as_they_were() {
        for value in 0..=127 {
            let seven = Value7::new(value).unwrap();
            assert_eq!(narrow(widen(seven)), seven);
        }
    }

    #[test]
    fn narrowing_is_within_one_step_of_the_upper_half_and_never_falls() {
        let mut before = 0;
        for value in 0..=16_383 {
            let seven = narrow(v14(value)).get();
            assert!(seven >= before, "{value}");
            assert!(seven.abs_diff(v14(value).msb().get()) <= 1, "{value}");
            before = seven;
        }
    }

    /// v = clamp(round(8192 + s / range × 8192)) (MIDI 1.0; values computed from it and
    /// compared with another library's encoder).
    #[test]
    fn pitches_become_bends() {
        for (cents, range, bend) in [
            (100, 2, 12_288),
            (50, 2, 10_240),
            (200, 2, 16_383),
            (-200, 2, 0),
            (100, 48, 8_363),
            (1_200, 48, 10_240),
            (0, 2, 8_192),
            (300, 2, 16_383),
        ] {
            assert_eq!(bend_for(cents, range), v14(bend), "{cents} of {range}");
        }
    }

    /// The pitch heard is that of the wheel, within one step of the receiver's bend.
    #[test]
    fn a_bend_keeps_its_pitch_over_another_range() {
        for (from, to) in [(2, 12), (12, 48), (2, 48), (1, 7), (7, 12)] {
            for value in (0..=16_383).step_by(7) {
                let sent = bend_between(v14(value), from, to);
                let asked = (f64::from(value) - 8_192.0) / 8_192.0 * f64::from(from);
                let heard = (f64::from(sent.get()) - 8_192.0) / 8_192.0 * f64::from(to);
                let step = f64::from(to) / 8_192.0;
                assert!((asked - heard).abs() <= step, "{value} {from} {to}");
            }
        }
        assert_eq!(bend_between(v14(12_288), 2, 2), v14(12_288));
        assert_eq!(
            bend_between(v14(16_383), 12, 2),
            v14(16_383),
            "as far as it goes"
        );
        assert_eq!(bend_between(v14(9_000), 0, 2), Value14::CENTRE);
    }

    #[test]
    fn turning_round_keeps_the_centre() {
        assert_eq!(turned(v14(0)), v14(16_383));
        assert_eq!(turned(v14(8_192)), v14(8_192));
        assert_eq!(turned(v14(16_383)), v14(0));
    }
}
