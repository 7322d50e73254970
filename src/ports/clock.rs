//! One clock for all ports: microseconds since the program started.

use std::time::{Duration, Instant};

/// Reads the time for engine, wire and ports alike. Copies agree.
#[derive(Clone, Copy, Debug)]
pub struct Clock(Instant);

impl Clock {
    /// A clock that starts at 0 now.
    #[must_use]
    pub fn start() -> Self {
        Self(Instant::now())
    }

    /// The time in microseconds; never runs backwards.
    #[must_use]
    pub fn now_us(&self) -> u64 {
        // 2^64 µs are half a million years.
        self.0.elapsed().as_micros() as u64
    }

    /// How long until a time; zero if it is past.
    #[must_use]
    pub fn until(&self, time_us: u64) -> Duration {
        Duration::from_micros(time_us.saturating_sub(self.now_us()))
    }
}
