//! Ticks of a Standard MIDI File as microseconds, without drift.

/// What one tick of a file lasts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Division {
    /// Ticks in a quarter note, whose length the tempo says.
    PerQuarter(u16),
    /// SMPTE: a fixed length of `us` / `ticks`.
    Fixed {
        /// Length in microseconds of `ticks` ticks.
        us: u64,
        /// How many ticks last `us`; the fraction stays exact.
        ticks: u64,
    },
}

impl Division {
    /// From the header's field (SMF 1.0): bit 15 clear, ticks per quarter; set, minus the
    /// frames per second above and the ticks per frame below. Nothing for what the
    /// standard does not know, or if a tick would have no length.
    pub(super) const fn from_header(field: u16) -> Option<Self> {
        let [high, low] = field.to_be_bytes();
        let (frames, us) = match high {
            0 if low == 0 => return None,
            0..=0x7f => return Some(Self::PerQuarter(field)),
            0xe8 => (24, SECOND_US),
            0xe7 => (25, SECOND_US),
            // Drop frame runs at 30 frames in 1.001 s.
            0xe3 => (30, SECOND_US / 1_000 * 1_001),
            0xe2 => (30, SECOND_US),
            _ => return None,
        };
        match low {
            0 => None,
            ticks => Some(Self::Fixed {
                us,
                ticks: frames * ticks as u64,
            }),
        }
    }
}

/// Walks forward through a file's ticks. The sum is kept as a fraction, so that each time
/// is rounded down once and errors do not add up.
#[derive(Clone, Copy, Debug)]
pub(super) struct Clock {
    tick: u64,
    /// Time up to `tick`, in 1/`ticks_per_unit` µs.
    elapsed: u128,
    us_per_unit: u64,
    ticks_per_unit: u64,
    follows_tempo: bool,
}

impl Clock {
    /// At tick 0, with 120 quarters a minute until a tempo comes (SMF 1.0).
    pub(super) fn new(division: Division) -> Self {
        let (us_per_unit, ticks_per_unit, follows_tempo) = match division {
            Division::PerQuarter(ticks) => (DEFAULT_QUARTER_US, u64::from(ticks), true),
            Division::Fixed { us, ticks } => (us, ticks, false),
        };
        Self {
            tick: 0,
            elapsed: 0,
            us_per_unit,
            ticks_per_unit,
            follows_tempo,
        }
    }

    /// The time of a tick that is not before the last one asked for.
    pub(super) fn advance(&mut self, tick: u64) -> u64 {
        let ticks = tick.saturating_sub(self.tick);
        self.elapsed += u128::from(ticks) * u128::from(self.us_per_unit);
        self.tick = self.tick.max(tick);
        u64::try_from(self.elapsed / u128::from(self.ticks_per_unit)).unwrap_or(u64::MAX)
    }

    /// Sets the length of a quarter from here on, in µs. SMPTE files have no quarters and
    /// ignore it.
    pub(super) fn set_tempo(&mut self, quarter_us: u32) {
        if self.follows_tempo {
            self.us_per_unit = u64::from(quarter_us);
        }
    }
}

/// 120 quarters a minute, the default (SMF 1.0).
pub(super) const DEFAULT_QUARTER_US: u64 = 500_000;

const SECOND_US: u64 = 1_000_000;

#[cfg(test)]
mod tests {
    use super::*;

    fn us_at(field: u16, tempo: Option<u32>, tick: u64) -> u64 {
        let mut clock = Clock::new(Division::from_header(field).expect("division"));
        if let Some(quarter_us) = tempo {
            clock.set_tempo(quarter_us);
        }
        clock.advance(tick)
    }

    /// SMF 1.0: its example of 6144 ticks at 500000 µs and 96 to the quarter is 32 s; and
    /// `E7 28` makes ticks of 1 ms.
    #[test]
    fn ticks_last_what_the_standard_says() {
        assert_eq!(us_at(96, Some(500_000), 6_144), 32_000_000);
        assert_eq!(us_at(96, None, 6_144), 32_000_000);
        assert_eq!(us_at(0xe728, None, 1_234), 1_234_000);
        assert_eq!(us_at(0xe250, None, 2_400), 1_000_000);
        assert_eq!(us_at(0xe804, None, 96), 1_000_000);
        assert_eq!(us_at(0xe301, None, 30_000), 1_001_000_000);
        // A tempo changes nothing in SMPTE time.
        assert_eq!(us_at(0xe728, Some(1), 1_234), 1_234_000);
    }

    #[test]
    fn unknown_divisions_are_refused() {
        for field in [0x0000, 0x8000, 0x8001, 0xe700, 0xe628, 0xffff] {
            assert_eq!(Division::from_header(field), None, "{field:04x}");
        }
    }

    #[test]
    fn rounding_does_not_add_up() {
        let mut clock = Clock::new(Division::PerQuarter(7));
        for tick in 1..=7_000 {
            clock.advance(tick);
        }
        assert_eq!(clock.advance(7_000), 500_000_000);
    }
}
