//! What the technician's screen shows of a port: counts by lane, and how busy its line is.

/// Counts of one lane since the port was opened.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct LaneCount {
    /// Items that wait now.
    pub waiting: u64,
    /// Items handed out to be sent.
    pub sent: u64,
    /// Items refused because the lane was full.
    pub refused: u64,
    /// Items dropped by `drop_prime_and_bulk` or `clear`.
    pub dropped: u64,
    /// The most items that ever waited at once.
    pub high_water: u64,
    /// The longest that an item waited before it was handed out, in µs.
    pub longest_wait_us: u64,
}

/// The counters of a port at one moment.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Reading {
    /// Items that wait now, over all lanes.
    pub waiting: usize,
    /// Bytes handed out since the port was opened.
    pub bytes_sent: u64,
    /// How much of about the last second the line was busy, 0–1000.
    pub busy_permille: u16,
}

/// The time of one line: how much was booked, and when all of it will have left.
#[derive(Clone, Copy, Debug)]
pub(super) struct Line {
    now_us: u64,
    free_us: u64,
    booked_us: u64,
    meter: Meter,
}

impl Line {
    /// A line that is idle now.
    pub(super) const fn new(now_us: u64) -> Self {
        Self {
            now_us,
            free_us: now_us,
            booked_us: 0,
            meter: Meter::new(now_us),
        }
    }

    /// Advances to a time and returns it; time never goes back, an earlier time counts as the
    /// last one.
    pub(super) fn advance(&mut self, now_us: u64) -> u64 {
        self.now_us = self.now_us.max(now_us);
        let (booked_us, free_us) = (self.booked_us, self.free_us);
        self.meter.roll(self.now_us, |at_us| {
            booked_us - free_us.saturating_sub(at_us)
        });
        self.now_us
    }

    /// When all that was handed out will have left.
    pub(super) const fn free_us(&self) -> u64 {
        self.free_us
    }

    /// Books line time for a message, in µs, after all that was booked before.
    pub(super) fn book(&mut self, cost_us: u64) {
        self.free_us = self.free_us.max(self.now_us) + cost_us;
        self.booked_us += cost_us;
    }

    /// How busy it was over about the last second, 0–1000.
    pub(super) fn busy_permille(&self) -> u16 {
        let used_us = self.booked_us - self.free_us.saturating_sub(self.now_us);
        self.meter.busy_permille(self.now_us, used_us)
    }
}

/// A copy of a port's counters and line for another thread. How busy the line is can be read at
/// any later time without asking the port again.
#[derive(Clone, Copy, Debug)]
pub struct Snapshot {
    pub(super) line: Line,
    pub(super) waiting: usize,
    pub(super) bytes_sent: u64,
    pub(super) lanes: [LaneCount; 4],
}

impl Snapshot {
    /// Nothing has happened yet.
    #[must_use]
    pub fn idle() -> Self {
        Self {
            line: Line::new(0),
            waiting: 0,
            bytes_sent: 0,
            lanes: [LaneCount::default(); 4],
        }
    }

    /// The counters at this time, in µs of the port's clock.
    #[must_use]
    pub fn read(mut self, now_us: u64) -> Reading {
        self.line.advance(now_us);
        Reading {
            waiting: self.waiting,
            bytes_sent: self.bytes_sent,
            busy_permille: self.line.busy_permille(),
        }
    }

    /// Counts by lane, in the order of `Lane::ALL`.
    #[must_use]
    pub const fn lanes(&self) -> [LaneCount; 4] {
        self.lanes
    }
}

/// Measures how busy a line was over the last second, from marks ten times a second.
#[derive(Clone, Copy, Debug)]
struct Meter {
    /// Line time used up to each of the last marks, the newest at `newest`.
    marks: [u64; MARKS],
    newest: usize,
    newest_us: u64,
    /// How many marks have been set so far, at most `MARKS`.
    set: u64,
}

impl Meter {
    /// A meter that starts now, with an idle line.
    const fn new(now_us: u64) -> Self {
        Self {
            marks: [0; MARKS],
            newest: 0,
            newest_us: now_us,
            set: 1,
        }
    }

    /// Sets the marks that are due. `used_up_to` gives the line time used up to a moment since
    /// the last call; call this before more is booked, so that it is exact.
    fn roll(&mut self, now_us: u64, used_up_to: impl Fn(u64) -> u64) {
        let due = now_us.saturating_sub(self.newest_us) / MARK_US;
        // After a long pause, marks that would be overwritten unread are skipped.
        let skipped = due.saturating_sub(MARKS as u64);
        self.newest_us += skipped * MARK_US;
        for _ in skipped..due {
            self.newest_us += MARK_US;
            self.newest = (self.newest + 1) % MARKS;
            if let Some(mark) = self.marks.get_mut(self.newest) {
                *mark = used_up_to(self.newest_us);
            }
        }
        self.set = (self.set + due).min(MARKS as u64);
    }

    /// How busy the line was since the oldest mark, 0–1000, given the time used up to now.
    fn busy_permille(&self, now_us: u64, used_us: u64) -> u16 {
        let back = self.set.saturating_sub(1);
        let oldest = (self.newest + MARKS - back as usize) % MARKS;
        let span_us = now_us.saturating_sub(self.newest_us) + back * MARK_US;
        let busy_us = used_us.saturating_sub(self.marks.get(oldest).copied().unwrap_or(used_us));
        match span_us {
            0 => 0,
            _ => (busy_us * 1_000 / span_us).min(1_000) as u16,
        }
    }
}

const MARK_US: u64 = 100_000;

/// Ten spans of a tenth of a second, and the one under way.
const MARKS: usize = 11;
