//! The laws of level and pan, written a second time, so that the engine's are checked
//! independently.

use crate::midi::num::{Value7, Value14};

use super::spec::LevelLaw;

/// Level of volume and expression in dB; 0 dB is both at 127 and 0 is silence (`-inf`).
#[must_use]
pub fn level_db(law: LevelLaw, volume: Value7, expression: Value7) -> f64 {
    let factor = match law {
        LevelLaw::Square => 40.0,
        LevelLaw::Linear => 20.0,
    };
    factor * (share(volume).log10() + share(expression).log10())
}

/// Level of Master Volume in dB: the square law on 14 bits (GM2 §4.1).
#[must_use]
pub fn master_db(master: Value14) -> f64 {
    40.0 * (f64::from(master.get()) / f64::from(Value14::MAX.get())).log10()
}

/// Amplitudes of left and right for a pan value (RP-036): 0 and 1 are hard left, 64 is the
/// centre, 127 hard right.
#[must_use]
pub fn pan_gains(pan: Value7) -> (f64, f64) {
    let x = f64::from(pan.get().saturating_sub(1)) / 126.0;
    let angle = x * std::f64::consts::FRAC_PI_2;
    // The cosine of a right angle is not exactly 0 in floating point.
    let left = if pan == Value7::MAX { 0.0 } else { angle.cos() };
    (left, angle.sin())
}

/// Pitch bend in cents: the bend as a share of the range each way.
#[must_use]
pub fn bend_cents(bend: Value14, range_cents: u32) -> f64 {
    (f64::from(bend.get()) - 8192.0) / 8192.0 * f64::from(range_cents)
}

fn share(value: Value7) -> f64 {
    f64::from(value.get()) / 127.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn v(value: i32) -> Value7 {
        Value7::clamped(value)
    }

    /// GM2 v1.2a §3.3.4 and §3.3.6 (tables, and the formula computed): volume, expression, dB.
    #[test]
    fn level_is_as_the_table_of_general_midi_2() {
        let table = [
            (127, 127, 0.0),
            (112, 127, -2.183),
            (100, 127, -4.152),
            (96, 127, -4.861),
            (90, 127, -5.982),
            (80, 127, -8.029),
            (64, 127, -11.905),
            (48, 127, -16.902),
            (32, 127, -23.946),
            (16, 127, -35.987),
            (8, 127, -48.029),
            (1, 127, -84.152),
            (64, 64, -23.810),
            (32, 96, -28.807),
            (100, 100, -8.304),
            (100, 64, -16.057),
        ];
        for (volume, expression, db) in table {
            let heard = level_db(LevelLaw::Square, v(volume), v(expression));
            assert!((heard - db).abs() < 0.001, "{volume}/{expression}: {heard}");
        }
        for (volume, expression) in [(0, 127), (127, 0), (0, 0)] {
            let heard = level_db(LevelLaw::Square, v(volume), v(expression));
            assert_eq!(heard, f64::NEG_INFINITY);
        }
    }

    /// Common practice, no source: half the dB of the square law.
    #[test]
    fn the_linear_law_is_half_the_square_one() {
        let linear = level_db(LevelLaw::Linear, v(64), v(127));
        assert!((linear - -5.952).abs() < 0.001, "{linear}");
    }

    /// RP-036: value, amplitudes left and right (the formula computed).
    #[test]
    fn pan_is_as_the_default_pan_formula() {
        let table = [
            (0, 1.0, 0.0),
            (1, 1.0, 0.0),
            (16, 0.982_566, 0.185_912),
            (32, 0.926_247, 0.376_917),
            (48, 0.833_197, 0.552_976),
            (64, 0.5_f64.sqrt(), 0.5_f64.sqrt()),
            (80, 0.552_976, 0.833_197),
            (96, 0.376_917, 0.926_247),
            (112, 0.185_912, 0.982_566),
            (126, 0.012_466, 0.999_922),
            (127, 0.0, 1.0),
        ];
        for (pan, left, right) in table {
            let (l, r) = pan_gains(v(pan));
            assert!(
                (l - left).abs() < 1e-6 && (r - right).abs() < 1e-6,
                "{pan}: {l} {r}"
            );
        }
    }

    /// Pitch bend (formula computed): full scale up is one step short of the range.
    #[test]
    fn bend_is_a_share_of_its_range() {
        let cents = |value, range| bend_cents(Value14::clamped(value), range);
        assert_eq!(cents(8192, 200), 0.0);
        assert_eq!(cents(12288, 200), 100.0);
        assert_eq!(cents(10240, 4800), 1200.0);
        assert_eq!(cents(0, 200), -200.0);
        assert!((cents(16383, 200) - 199.976).abs() < 0.001);
    }

    /// GM2 §4.1: Master Volume follows the square law on 14 bits.
    #[test]
    fn master_volume_follows_the_square_law() {
        assert_eq!(master_db(Value14::MAX), 0.0);
        assert!((master_db(Value14::clamped(8192)) - -12.040).abs() < 0.001);
        assert_eq!(master_db(Value14::default()), f64::NEG_INFINITY);
    }
}
