//! The level of a slot while it moves.

use crate::midi::Value7;

/// How long a level rides to its new value (DESIGN: Levels), in microseconds.
const RIDE_US: u64 = 50_000;
/// Time between two steps of a level: 3 bytes in 10 ms leave a DIN port nine tenths free.
const STEP_US: u64 = 10_000;

/// A level on its way.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Ramp {
    from: u8,
    to: u8,
    start_us: u64,
    duration_us: u64,
    /// When the next value is due.
    next_us: u64,
    /// Its notes end when it has arrived.
    is_fade: bool,
}

impl Ramp {
    const fn end_us(self) -> u64 {
        self.start_us.saturating_add(self.duration_us)
    }

    /// The value at a time: a straight line in controller values.
    fn value_at(self, now_us: u64) -> Value7 {
        let passed = now_us.saturating_sub(self.start_us).min(self.duration_us);
        let span = i64::from(self.to) - i64::from(self.from);
        let duration = i64::try_from(self.duration_us.max(1)).unwrap_or(i64::MAX);
        let passed = i64::try_from(passed).unwrap_or(0);
        let value = i64::from(self.from) + span * passed / duration;
        Value7::clamped(i32::try_from(value).unwrap_or(0))
    }
}

/// The expression that a slot was sent last by the master fade, and what it would be without.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Faded {
    whole: u8,
    sent: u8,
}

/// How a slot's volume moves, and what the master fade made of its expression.
///
/// At most one movement is under way; a new one replaces it, and its last value is always
/// given out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::engine) struct Level {
    ramp: Option<Ramp>,
    faded: Option<Faded>,
}

impl Level {
    /// Nothing moves.
    pub(in crate::engine) const AT_REST: Self = Self {
        ramp: None,
        faded: None,
    };

    /// Whether the volume is on its way, to a new level or out.
    pub(in crate::engine) const fn is_moving(&self) -> bool {
        self.ramp.is_some()
    }

    /// Whether the volume fades out, with the notes at its end.
    pub(in crate::engine) fn is_fading_out(&self) -> bool {
        self.ramp.is_some_and(|ramp| ramp.is_fade)
    }

    /// The volume stays where it is.
    pub(in crate::engine) const fn stop(&mut self) {
        self.ramp = None;
    }

    /// A fade out ends where it is; a ride goes on.
    pub(in crate::engine) fn stop_fade(&mut self) {
        self.ramp = self.ramp.filter(|ramp| !ramp.is_fade);
    }

    /// The volume rides to a new value in 50 ms.
    pub(in crate::engine) fn ride(&mut self, from: u8, to: Value7, now_us: u64) {
        self.start(Ramp {
            from,
            to: to.get(),
            start_us: now_us,
            duration_us: RIDE_US,
            next_us: 0,
            is_fade: false,
        });
    }

    /// The volume goes out over `duration_us`.
    pub(in crate::engine) fn fade_out(&mut self, from: u8, now_us: u64, duration_us: u64) {
        self.start(Ramp {
            from,
            to: 0,
            start_us: now_us,
            duration_us,
            next_us: 0,
            is_fade: true,
        });
    }

    fn start(&mut self, ramp: Ramp) {
        let first_us = STEP_US.min(ramp.duration_us);
        self.ramp = Some(Ramp {
            next_us: ramp.start_us.saturating_add(first_us),
            ..ramp
        });
    }

    /// When the next value is due.
    pub(in crate::engine) fn deadline(&self) -> Option<u64> {
        self.ramp.map(|ramp| ramp.next_us)
    }

    /// The volume that is due, and whether with it a fade out has come to its end. A late
    /// call skips values, never the last one.
    pub(in crate::engine) fn take_due(&mut self, now_us: u64) -> Option<(Value7, bool)> {
        let mut ramp = self.ramp.filter(|ramp| ramp.next_us <= now_us)?;
        let is_over = ramp.end_us() <= now_us;
        while ramp.next_us <= now_us && !is_over {
            ramp.next_us = ramp.next_us.saturating_add(STEP_US).min(ramp.end_us());
        }
        self.ramp = (!is_over).then_some(ramp);
        Some((ramp.value_at(now_us), is_over && ramp.is_fade))
    }

    /// The expression that the slot would have without the master fade, if it still has what
    /// the fade sent last.
    pub(in crate::engine) fn unfaded(&self, expression: u8) -> Option<u8> {
        let faded = self.faded.filter(|faded| faded.sent == expression)?;
        Some(faded.whole)
    }

    /// The master fade sends `sent` where it would be `whole` without.
    pub(in crate::engine) const fn note_faded(&mut self, whole: u8, sent: Value7) {
        self.faded = Some(Faded {
            whole,
            sent: sent.get(),
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_late_call_skips_values_but_never_the_last_one() {
        let mut level = Level::AT_REST;
        level.fade_out(100, 0, 100_000);
        assert_eq!(level.deadline(), Some(10_000));
        assert_eq!(level.take_due(9_999), None);
        assert_eq!(level.take_due(45_000), Some((Value7::clamped(55), false)));
        assert_eq!(level.deadline(), Some(50_000));
        assert_eq!(level.take_due(500_000), Some((Value7::MIN, true)));
        assert!(!level.is_moving());
    }

    #[test]
    fn a_ride_is_no_fade_and_goes_on_where_a_fade_is_stopped() {
        let mut level = Level::AT_REST;
        level.ride(20, Value7::clamped(90), 0);
        level.stop_fade();
        assert!(level.is_moving() && !level.is_fading_out());
        assert_eq!(level.take_due(RIDE_US), Some((Value7::clamped(90), false)));
    }

    #[test]
    fn the_master_fade_knows_only_what_it_sent_itself() {
        let mut level = Level::AT_REST;
        level.note_faded(110, Value7::clamped(40));
        assert_eq!(level.unfaded(40), Some(110));
        assert_eq!(level.unfaded(41), None);
    }
}
