//! Velocity curves: points joined by straight lines, made into a table of all velocities.

use crate::show::model::{Curve, Rig, Zone};

/// The played velocity for each struck one in a zone: its curve, with the fades at the ends of
/// its window.
#[must_use]
pub fn of_zone(rig: &Rig, zone: &Zone) -> [u8; 128] {
    let straight = Curve {
        name: String::new(),
        points: Vec::new(),
    };
    let curve = table(rig.curves.get(zone.curve).unwrap_or(&straight));
    let window = (zone.velocities.0.get(), zone.velocities.1.get());
    faded(&curve, window, zone.velocity_fades)
}

/// The played velocity for each struck one. Velocity 0 stays 0, and 1–127 become at least 1, so
/// that no struck note becomes silent (Note On with velocity 0 would be a Note Off).
#[must_use]
pub fn table(curve: &Curve) -> [u8; 128] {
    let mut table = [0; 128];
    for (velocity, out) in table.iter_mut().enumerate().skip(1) {
        *out = at(curve, velocity as i32).clamp(1, 127) as u8;
    }
    table
}

/// A curve that fades in and out at the ends of a zone's window, over so many velocities each:
/// two zones that overlap by as much crossfade. Loudness usually goes with the square of
/// velocity (from memory; General MIDI 2 §3.1 defines no law), so velocity is scaled by the
/// root of the share.
pub(super) fn faded(curve: &[u8; 128], window: (u8, u8), fades: (u8, u8)) -> [u8; 128] {
    let mut faded = *curve;
    let part = |inside: i32, fade: u8| {
        if fade == 0 {
            return 1.0;
        }
        (f64::from(inside + 1) / f64::from(u16::from(fade) + 1)).clamp(0.0, 1.0)
    };
    for (velocity, out) in (0_i32..).zip(faded.iter_mut()).skip(1) {
        let low = part(velocity - i32::from(window.0), fades.0);
        let high = part(i32::from(window.1) - velocity, fades.1);
        let value = f64::from(*out) * (low.min(high)).sqrt();
        *out = value.round().clamp(1.0, 127.0) as u8;
    }
    faded
}

/// The curve at one velocity: constant before its first point and after its last, and the
/// identity if it has no points.
fn at(curve: &Curve, velocity: i32) -> i32 {
    let points = || {
        curve
            .points
            .iter()
            .map(|(x, y)| (i32::from(x.get()), i32::from(y.get())))
    };
    let Some(after) = points().find(|(x, _)| *x >= velocity) else {
        return points().next_back().map_or(velocity, |(_, y)| y);
    };
    let Some(before) = points().take_while(|(x, _)| *x < velocity).last() else {
        return after.1;
    };
    let (run, rise) = (after.0 - before.0, after.1 - before.1);
    before.1 + (rise * (velocity - before.0) * 2 + run * rise.signum()) / (run * 2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::Value7;

    fn curve(points: &[(u8, u8)]) -> Curve {
        let value = |n| Value7::new(n).unwrap();
        Curve {
            name: "test".into(),
            points: points.iter().map(|(x, y)| (value(*x), value(*y))).collect(),
        }
    }

    #[test]
    fn no_points_is_straight() {
        let table = table(&curve(&[]));
        assert!((0..128).all(|v| usize::from(table[v]) == v));
    }

    #[test]
    fn points_are_met_and_joined_by_straight_lines() {
        let table = table(&curve(&[(1, 1), (64, 90), (127, 127)]));
        assert_eq!((table[1], table[64], table[127]), (1, 90, 127));
        // Halfway from 64 to 127: 90 + 37 · 31/63 = 108.2 and 90 + 37 · 32/63 = 108.8.
        assert_eq!((table[95], table[96]), (108, 109));
    }

    /// Worked by hand: over 20 velocities from 60, at 60 one part of 21 is left and its root
    /// is 0.218, at 69 ten parts and 0.690.
    #[test]
    fn a_window_fades_in_and_out() {
        let straight = table(&curve(&[(1, 1), (127, 127)]));
        let faded_in = faded(&straight, (60, 127), (20, 0));
        assert_eq!((faded_in[60], faded_in[69], faded_in[80]), (13, 48, 80));
        let faded_out = faded(&straight, (1, 80), (0, 20));
        assert_eq!((faded_out[60], faded_out[80]), (60, 17));
        assert_eq!(faded(&straight, (1, 127), (0, 0)), straight);
        // One zone gains what the other loses: the squares add up to that of the struck
        // velocity.
        for velocity in 61..80 {
            let (a, b) = (
                f64::from(faded_in[velocity]),
                f64::from(faded_out[velocity]),
            );
            let both = (a * a + b * b).sqrt();
            assert!(
                (both - velocity as f64).abs() <= velocity as f64 * 0.04,
                "{velocity}"
            );
        }
    }

    #[test]
    fn a_struck_note_never_becomes_a_note_off() {
        let table = table(&curve(&[(1, 0), (127, 0)]));
        assert_eq!(table[0], 0);
        assert!(table[1..].iter().all(|v| *v == 1));
    }

    #[test]
    fn falling_curves_round_to_the_nearest() {
        let table = table(&curve(&[(0, 127), (127, 0)]));
        assert_eq!((table[1], table[64], table[126]), (126, 63, 1));
    }
}
