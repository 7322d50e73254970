//! The way of a route: positions to values and back, by shape and curve.

use super::promptbook::{Promptbook, RouteEntry, Shape, Span};
use super::slots::SlotState;
use crate::midi::Value14;

/// The end of a source's way.
pub(super) const END: u16 = 16_383;
/// A source's centre.
pub(super) const CENTRE: u16 = 8_192;

/// A bend in ten-thousandths of a semitone for a slot, by the bend range of its sound.
pub(super) fn bend_of(book: &Promptbook, state: &SlotState, bent: i32) -> Value14 {
    let range = i64::from(range_on(book, state)).max(1);
    // 8192 + semitones / range × 8192 (MIDI 1.0), to the nearest.
    let (top, bottom) = (i64::from(bent) * i64::from(CENTRE), range * 10_000);
    let steps = (top + bottom / 2 * top.signum()) / bottom;
    Value14::clamped(i32::try_from(i64::from(CENTRE) + steps).unwrap_or(0))
}

/// How far the sound of a slot bends, in semitones.
pub(super) fn range_on(book: &Promptbook, slot: &SlotState) -> u8 {
    slot.voiced
        .and_then(|index| book.sounds.get(index))
        .and_then(|sound| sound.bend_range)
        .unwrap_or(super::voicing::NEUTRAL_BEND_RANGE)
        .get()
}

/// A position as its place on the stretch that counts.
pub(super) fn on_way(position: u16, from: (u16, u16)) -> u16 {
    if from == (0, END) {
        return position;
    }
    let run = u32::from(from.1.saturating_sub(from.0)).max(1);
    let into = u32::from(position.max(from.0) - from.0).min(run);
    u16::try_from((into * u32::from(END) + run / 2) / run).unwrap_or(END)
}

/// A position on a way that leads from (`from`, `place`) to both ends.
pub(super) fn scaled(position: u16, from: u16, place: u16) -> u16 {
    let (at, from, place) = (i64::from(position), i64::from(from), i64::from(place));
    let end = i64::from(END);
    let scaled = if at >= from {
        place + (at - from) * (end - place) / (end - from).max(1)
    } else {
        place * at / from.max(1)
    };
    u16::try_from(scaled.clamp(0, end)).unwrap_or(0)
}

pub(super) const fn stretch((start, len): (u32, u32)) -> Span {
    Span { start, len }
}

/// The value of a route at a place on its way.
pub(super) fn value_at(book: &Promptbook, entry: &RouteEntry, at: u16) -> i32 {
    match entry.shape {
        Shape::Follow { low, high, curve } => {
            let at = curve
                .and_then(|curve| book.route_curves.get(usize::from(curve)))
                .map_or(at, |knots| on_curve(knots, at));
            between(low, high, at)
        }
        Shape::Bands { values } => {
            let values = stretch(values).of(&book.route_values);
            let band = values.iter().take_while(|band| band.from <= at).last();
            band.map_or(0, |band| band.value)
        }
        Shape::Switch { up, down, .. } => {
            if at >= CENTRE {
                down
            } else {
                up
            }
        }
        Shape::Steps { .. } => 0,
    }
}

/// A curve between its knots.
fn on_curve(knots: &[u16], at: u16) -> u16 {
    let index = usize::from(at / 128);
    let part = u32::from(at % 128);
    let knot = |index: usize| u32::from(knots.get(index).copied().unwrap_or(END));
    // The last stretch ends at 16383, one short of a whole 128.
    let run = if index == 127 { 127 } else { 128 };
    let (a, b) = (knot(index), knot(index + 1));
    let way = (a * (run - part.min(run)) + b * part.min(run) + run / 2) / run;
    u16::try_from(way).unwrap_or(END)
}

/// The value between two ends: half way at the centre, so that what rests in the middle
/// rests in the middle; halves go up.
fn between(low: i32, high: i32, at: u16) -> i32 {
    let (low, high) = (i64::from(low), i64::from(high));
    let middle_twice = low + high;
    let (from_twice, to_twice, into, run) = if at <= CENTRE {
        (low * 2, middle_twice, i64::from(at), i64::from(CENTRE))
    } else {
        let into = i64::from(at - CENTRE);
        (middle_twice, high * 2, into, i64::from(END - CENTRE))
    };
    let twice_run = from_twice * run + (to_twice - from_twice) * into;
    let value = (twice_run + run).div_euclid(2 * run);
    i32::try_from(value).unwrap_or(0)
}

/// The first place on the way at which the value is nearest to `value`.
pub(super) fn place_of(book: &Promptbook, entry: &RouteEntry, value: i32) -> u16 {
    let places = (0..=127u16).map(|step| step * 129);
    let near = places
        .min_by_key(|at| value.abs_diff(value_at(book, entry, *at)))
        .unwrap_or(0);
    let fine = near.saturating_sub(128)..=near.saturating_add(128).min(END);
    fine.min_by_key(|at| value.abs_diff(value_at(book, entry, *at)))
        .unwrap_or(near)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Value7, scale};

    #[test]
    fn seven_bits_led_to_seven_bits_stay_what_they_are() {
        for value in 0..=127 {
            let at = scale::widen(Value7::new(value).unwrap()).get();
            assert_eq!(between(0, 127, at), i32::from(value));
        }
    }

    #[test]
    fn fourteen_bits_led_to_fourteen_stay_within_a_step() {
        for at in 0..=END {
            assert!(between(0, 16_383, at).abs_diff(i32::from(at)) <= 1, "{at}");
        }
        assert_eq!(between(0, 16_383, 0), 0);
        assert_eq!(between(0, 16_383, CENTRE), 8_192);
        assert_eq!(between(0, 16_383, END), 16_383);
    }

    #[test]
    fn what_rests_in_the_middle_bends_nothing() {
        assert_eq!(between(-120_000, 120_000, CENTRE), 0);
        assert_eq!(between(-120_000, 120_000, 0), -120_000);
        assert_eq!(between(-120_000, 120_000, END), 120_000);
        assert_eq!(between(127, 0, 0), 127);
        assert_eq!(between(127, 0, END), 0);
    }

    #[test]
    fn a_scaled_way_passes_the_value_and_both_ends() {
        assert_eq!(scaled(4_000, 4_000, 12_000), 12_000);
        assert_eq!(scaled(END, 4_000, 12_000), END);
        assert_eq!(scaled(0, 4_000, 12_000), 0);
        assert_eq!(scaled(2_000, 4_000, 12_000), 6_000);
    }

    #[test]
    fn a_straight_curve_changes_nothing() {
        let mut knots = [0u16; 129];
        for (index, knot) in knots.iter_mut().enumerate() {
            *knot = ((index * 16_383 + 64) / 128) as u16;
        }
        for at in 0..=END {
            assert!(on_curve(&knots, at).abs_diff(at) <= 1, "{at}");
        }
        assert_eq!(on_curve(&knots, END), END);
    }
}
