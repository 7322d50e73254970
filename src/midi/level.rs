//! The laws of level and pan: how decibels and places become controller values.
//!
//! Receivers agree on General MIDI 2's square law for volume and expression and on
//! RP-036 for pan. In the program 0 dB is volume 100, the value every GM2 receiver
//! wakes up with, so that a sound nobody trimmed sounds as its maker meant it; that
//! leaves 4.15 dB upward.

use super::num::Value7;

/// The volume that 0 dB stands for (GM2 v1.2a, default of controller 7).
pub const VOLUME_AT_0_DB: Value7 = Value7::clamped(100);

/// Levels at or below this are silence, volume 0. Volume 1, the softest, is −80 dB.
pub const SILENCE_DB: f32 = -90.0;

/// How a receiver turns volume into level.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum LevelLaw {
    /// 40·log10 of the value: GM2 v1.2a §3.3.4. Reaches +4.15 dB.
    #[default]
    Gm,
    /// 20·log10: the value is the amplitude. Reaches +2.08 dB.
    Linear,
}

impl LevelLaw {
    /// The volume nearest to a level in dB; silence at or below [`SILENCE_DB`] and for NaN,
    /// 127 above what the law reaches.
    #[must_use]
    pub fn volume_for(self, db: f32) -> Value7 {
        if db.is_nan() || db <= SILENCE_DB {
            return Value7::MIN;
        }
        let value = f64::from(VOLUME_AT_0_DB.get()) * 10_f64.powf(f64::from(db) / self.slope());
        // Conversion to an integer saturates, so no level is too loud for it.
        Value7::clamped(value.round() as i32)
    }

    /// The level in dB of a volume; −∞ for 0.
    #[must_use]
    pub fn db_of(self, volume: Value7) -> f32 {
        let ratio = f64::from(volume.get()) / f64::from(VOLUME_AT_0_DB.get());
        (self.slope() * ratio.log10()) as f32
    }

    /// Decibels for a factor of ten in the value: 40 or 20.
    const fn slope(self) -> f64 {
        match self {
            Self::Gm => 40.0,
            Self::Linear => 20.0,
        }
    }
}

/// [`LevelLaw::volume_for`] by the General MIDI law.
#[must_use]
pub fn volume_for(db: f32) -> Value7 {
    LevelLaw::Gm.volume_for(db)
}

/// [`LevelLaw::db_of`] by the General MIDI law.
#[must_use]
pub fn db_of(volume: Value7) -> f32 {
    LevelLaw::Gm.db_of(volume)
}

/// The gain in dB that volume (7) and expression (11) give together, 0 dB with both at
/// 127 and −∞ with either at 0 (GM2 v1.2a §3.3.4 and §3.3.6).
#[must_use]
pub fn gain_db(volume: Value7, expression: Value7) -> f64 {
    let part = |value: Value7| 40.0 * (f64::from(value.get()) / 127.0).log10();
    part(volume) + part(expression)
}

/// Left and right amplitude, 0–1, of a pan value (RP-036): 0 and 1 are hard left, 64 is
/// the exact centre, 127 hard right; the power is the same everywhere.
#[must_use]
pub fn pan_gains(pan: Value7) -> (f64, f64) {
    match pan.get() {
        0 | 1 => (1.0, 0.0),
        127 => (0.0, 1.0),
        value => {
            let (right, left) =
                (f64::from(value - 1) / 126.0 * std::f64::consts::FRAC_PI_2).sin_cos();
            (left, right)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(table: &str) -> Vec<Vec<f64>> {
        table
            .lines()
            .filter(|line| !line.starts_with('#'))
            .map(|line| {
                line.split('\t')
                    .map(|cell| cell.parse().expect("number"))
                    .collect()
            })
            .collect()
    }

    fn value(number: f64) -> Value7 {
        Value7::new(number as u8).expect("0-127")
    }

    /// GM2 v1.2a §3.3.4 and §3.3.6.
    #[test]
    fn volume_and_expression_follow_the_table() {
        let table = rows(include_str!("../../tests/data/level.tsv"));
        assert_eq!(table.len(), 18);
        for row in table {
            let gain = gain_db(value(row[0]), value(row[1]));
            assert!(
                gain == row[2] || (gain - row[2]).abs() < 0.1,
                "{row:?}: {gain}"
            );
        }
    }

    /// The table and the law of pan are those of RP-036.
    #[test]
    fn pan_follows_the_table_and_keeps_the_power() {
        let table = rows(include_str!("../../tests/data/pan.tsv"));
        assert_eq!(table.len(), 11);
        for row in table {
            let (left, right) = pan_gains(value(row[0]));
            assert!((left - row[1]).abs() < 1e-4, "{row:?}: {left}");
            assert!((right - row[2]).abs() < 1e-4, "{row:?}: {right}");
        }
        for pan in 0..=127 {
            let (left, right) = pan_gains(Value7::clamped(pan));
            assert!((left * left + right * right - 1.0).abs() < 1e-12, "{pan}");
        }
    }

    /// The difference of two volumes is the law's own: 100 is 4.152 dB under 127 (GM2).
    #[test]
    fn zero_db_is_volume_100_and_the_top_is_4_15_db() {
        assert_eq!(volume_for(0.0), VOLUME_AT_0_DB);
        assert!((db_of(Value7::MAX) - 4.152).abs() < 0.001);
        for volume in 1..=127 {
            let volume = Value7::clamped(volume);
            let expected = gain_db(volume, Value7::MAX) - gain_db(VOLUME_AT_0_DB, Value7::MAX);
            assert!(
                (f64::from(db_of(volume)) - expected).abs() < 1e-4,
                "{volume:?}"
            );
        }
        // −12.04 dB halves the value by the square law, −6.02 dB by the linear one.
        assert_eq!(volume_for(-12.04).get(), 50);
        assert_eq!(LevelLaw::Linear.volume_for(-6.02).get(), 50);
    }

    #[test]
    fn every_volume_is_the_nearest_to_its_own_level() {
        for law in [LevelLaw::Gm, LevelLaw::Linear] {
            for volume in 0..=127 {
                let volume = Value7::clamped(volume);
                assert_eq!(law.volume_for(law.db_of(volume)), volume, "{law:?}");
            }
        }
    }

    #[test]
    fn what_cannot_be_is_silence_or_full() {
        for db in [f32::NEG_INFINITY, f32::NAN, SILENCE_DB, -1e30] {
            assert_eq!(volume_for(db), Value7::MIN, "{db}");
        }
        for db in [4.2, 60.0, f32::INFINITY] {
            assert_eq!(volume_for(db), Value7::MAX, "{db}");
        }
    }
}
