//! What the wings are told about a port: counts per lane and how busy its line is.

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

/// One look at a port.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Reading {
    /// Items that wait now, over all lanes.
    pub waiting: usize,
    /// Bytes handed out since the port was opened.
    pub bytes_sent: u64,
    /// How much of about the last second the line was busy, 0–1000.
    pub busy_permille: u16,
}

/// Measures how busy a line was over the last second, from marks ten times a second.
#[derive(Clone, Copy, Debug)]
pub(super) struct Meter {
    /// Line time used up to each of the last marks, the newest at `newest`.
    marks: [u64; MARKS],
    newest: usize,
    newest_us: u64,
    /// How many marks have been set so far, at most `MARKS`.
    set: u64,
}

impl Meter {
    /// A meter that starts now, with an idle line.
    pub(super) const fn new(now_us: u64) -> Self {
        Self {
            marks: [0; MARKS],
            newest: 0,
            newest_us: now_us,
            set: 1,
        }
    }

    /// Sets the marks that are due. `used_up_to` tells the line time used up to a moment
    /// since the last call; it is exact as long as this is called before more is booked.
    pub(super) fn roll(&mut self, now_us: u64, used_up_to: impl Fn(u64) -> u64) {
        let due = now_us.saturating_sub(self.newest_us) / MARK_US;
        // After a long pause only the marks that will be looked at are worth setting.
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
    pub(super) fn busy_permille(&self, now_us: u64, used_us: u64) -> u16 {
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
