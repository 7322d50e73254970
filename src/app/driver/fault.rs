//! Failures of the playing thread: how many are borne, and, in a debug build, one that is
//! brought about so that what follows can be tested.

use super::Desk;

/// Failures borne within `WINDOW_US`. One more and the show ends: a fault that comes back
/// with every note would silence every note.
const FAILURE_LIMIT: u32 = 8;

/// How long a failure counts: a minute.
const WINDOW_US: u64 = 60_000_000;

/// Failures since the first of the last minute.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Failures {
    first_us: u64,
    count: u32,
}

impl Failures {
    /// Counts one; false if that is too many.
    pub(super) const fn count(&mut self, now_us: u64) -> bool {
        if self.count == 0 || now_us.saturating_sub(self.first_us) > WINDOW_US {
            (self.first_us, self.count) = (now_us, 0);
        }
        self.count += 1;
        self.count <= FAILURE_LIMIT
    }
}

/// Where a debug build is told to fail, in `SEGUE_PLAYING_FAILS_AT`: names of places with
/// commas between. Each fails whenever it is come by while a note sounds. No key and no show
/// brings it about.
#[derive(Clone, Debug, Default)]
pub(super) struct Fault {
    #[cfg(debug_assertions)]
    places: Vec<String>,
}

impl Fault {
    #[cfg(debug_assertions)]
    pub(super) fn asked_for() -> Self {
        let places = std::env::var("SEGUE_PLAYING_FAILS_AT").unwrap_or_default();
        let places = places.split(',').filter(|place| !place.is_empty());
        Self {
            places: places.map(str::to_owned).collect(),
        }
    }

    #[cfg(not(debug_assertions))]
    pub(super) const fn asked_for() -> Self {
        Self {}
    }
}

impl Desk {
    /// A place where a debug build can be told to fail.
    #[cfg(debug_assertions)]
    #[expect(clippy::panic, reason = "this is what the tests are about")]
    pub(super) fn may_fail(&self, place: &str) {
        let is_meant = self.fault.places.iter().any(|wanted| wanted == place);
        if is_meant && self.gates.iter().any(crate::ports::Gate::is_sounding) {
            panic!("playing was told to fail at `{place}`");
        }
    }

    #[cfg(not(debug_assertions))]
    pub(super) const fn may_fail(&self, _place: &str) {
        let Fault {} = self.fault;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn failures_far_apart_are_borne_and_many_in_a_minute_are_not() {
        let mut rare = Failures::default();
        for minute in 0..100 {
            assert!(rare.count(minute * (WINDOW_US + 1)));
        }
        let mut many = Failures::default();
        for number in 0..FAILURE_LIMIT {
            assert!(many.count(u64::from(number)));
        }
        assert!(!many.count(WINDOW_US));
    }
}
