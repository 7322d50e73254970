//! The laws of level and pan, a second time, so that the engine's are checked by others.

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
    // The cosine of a right angle is a rounding error, not a sound.
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
