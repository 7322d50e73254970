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
    kept: Arc<Mutex<Kept>>,
}

#[derive(Debug, Default)]
struct Kept {
    lines: VecDeque<LogLine>,
    /// Lines ever added.
    total: u64,
}

impl Log {
    /// Adds a line at a time given in microseconds since the start.
    pub(super) fn push(&self, at_us: u64, level: LogLevel, words: &str) {
        self.push_answer(at_us, level, words, "");
    }

    /// Adds a line that says to who is at the screen what came of a wish, in `answer`.
    pub(super) fn push_answer(&self, at_us: u64, level: LogLevel, words: &str, answer: &str) {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.lines.len() == LINE_LIMIT {
            kept.lines.pop_front();
        }
        kept.lines.push_back(LogLine {
            time: stamp(at_us),
            level,
            words: words.to_string(),
            answer: answer.to_string(),
        });
        kept.total += 1;
    }

    /// Adds to `into` the lines that came after the first `told`, as far as they are still
    /// kept; the number of lines so far, to ask with next time.
    pub(super) fn since(&self, told: u64, into: &mut Vec<LogLine>) -> u64 {
        let kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let new = usize::try_from(kept.total - told)
            .unwrap_or(usize::MAX)
            .min(kept.lines.len());
        into.extend(kept.lines.iter().skip(kept.lines.len() - new).cloned());
        kept.total
    }
}

/// A time since the start, as `0:12:03.250`.
pub(super) fn stamp(at_us: u64) -> String {
    let ms = at_us / 1000;
    format!(
        "{}:{:02}:{:02}.{:03}",
        ms / 3_600_000,
        ms / 60_000 % 60,
        ms / 1000 % 60,
        ms % 1000
    )
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
        let mut lines = Vec::new();
        let told = log.since(0, &mut lines);
        assert_eq!(lines.len(), LINE_LIMIT);
        assert_eq!(lines.first().unwrap().words, "1");
        assert_eq!(lines.last().unwrap().words, LINE_LIMIT.to_string());

        log.push(0, LogLevel::Note, "one more");
        let mut news = Vec::new();
        assert_eq!(log.since(told, &mut news), told + 1);
        assert_eq!(news.len(), 1);
    }
}
