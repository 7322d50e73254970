//! The event log as the screens show it: bounded, shared, oldest lines go first.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, PoisonError};

use crate::screen::{LogLevel, LogLine};

/// Lines kept for the screen. Past it the oldest go; the file keeps them all.
const LINE_LIMIT: usize = 2000;

/// The log, shared by the thread that writes it and the screen that shows it. The playing
/// thread never touches it.
#[derive(Clone, Debug, Default)]
pub(super) struct Log {
    lines: Arc<Mutex<VecDeque<LogLine>>>,
}

impl Log {
    /// Adds a line at a time given in microseconds since the start.
    pub(super) fn push(&self, at_us: u64, level: LogLevel, words: &str) {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        if lines.len() == LINE_LIMIT {
            lines.pop_front();
        }
        lines.push_back(LogLine { time: stamp(at_us), level, words: words.to_string() });
    }

    /// All lines, oldest first.
    pub(super) fn lines(&self) -> Vec<LogLine> {
        self.lines.lock().unwrap_or_else(PoisonError::into_inner).iter().cloned().collect()
    }
}

/// A time since the start, as `0:12:03.250`.
pub(super) fn stamp(at_us: u64) -> String {
    let ms = at_us / 1000;
    format!("{}:{:02}:{:02}.{:03}", ms / 3_600_000, ms / 60_000 % 60, ms / 1000 % 60, ms % 1000)
}

/// A line of the log as text: time, level where it is not a note, words.
pub(super) fn line(at_us: u64, level: LogLevel, words: &str) -> String {
    let level = match level {
        LogLevel::Note => "",
        LogLevel::Warning => "warning: ",
        LogLevel::Error => "error: ",
    };
    format!("{} {level}{words}", stamp(at_us))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn time_is_hours_minutes_seconds_milliseconds() {
        assert_eq!(stamp(0), "0:00:00.000");
        assert_eq!(stamp(3_723_250_999), "1:02:03.250");
    }

    #[test]
    fn the_oldest_lines_go_first() {
        let log = Log::default();
        for at in 0..=LINE_LIMIT {
            log.push(at as u64 * 1000, LogLevel::Note, &at.to_string());
        }
        let lines = log.lines();
        assert_eq!(lines.len(), LINE_LIMIT);
        assert_eq!(lines.first().unwrap().words, "1");
        assert_eq!(lines.last().unwrap().words, LINE_LIMIT.to_string());
    }
}
