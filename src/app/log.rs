//! The event log as the screens show it: bounded, shared, oldest lines go first.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use crate::screen::{LogLevel, LogLine};
use crate::store::{EventLog, MAX_LOG_BYTES, StoreError};

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

/// Lines that wait until the file can be written. Past it the oldest go, and are counted.
const WAITING_LIMIT: usize = 2000;

/// The log's file. A line that cannot be written waits with those that come after it.
pub(super) struct LogFile {
    place: Box<dyn Fn() -> Result<PathBuf, StoreError> + Send>,
    file: Option<EventLog>,
    waiting: VecDeque<String>,
    dropped: u64,
}

impl LogFile {
    /// A log in a file; where that is, is asked whenever it has to be opened.
    pub(super) fn new(place: impl Fn() -> Result<PathBuf, StoreError> + Send + 'static) -> Self {
        Self {
            place: Box::new(place),
            file: None,
            waiting: VecDeque::new(),
            dropped: 0,
        }
    }

    /// Takes a line; `write` writes it.
    pub(super) fn push(&mut self, line: String) {
        if self.waiting.len() == WAITING_LIMIT {
            self.waiting.pop_front();
            self.dropped += 1;
        }
        self.waiting.push_back(line);
    }

    /// Writes what waits.
    ///
    /// # Errors
    /// If that cannot be done now; the lines wait on.
    pub(super) fn write(&mut self) -> Result<(), StoreError> {
        if self.waiting.is_empty() {
            return Ok(());
        }
        let file = match &mut self.file {
            Some(file) => file,
            None => self
                .file
                .insert(EventLog::open(&(self.place)()?, MAX_LOG_BYTES)?),
        };
        if self.dropped > 0 {
            file.write_line(&format!("{} lines could not be written here", self.dropped))?;
            self.dropped = 0;
        }
        while let Some(line) = self.waiting.front() {
            file.write_line(line)?;
            self.waiting.pop_front();
        }
        Ok(())
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
    fn lines_wait_until_the_file_can_be_written_and_those_past_the_limit_are_counted() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("events.log");
        std::fs::create_dir(&path).unwrap();
        let place = path.clone();
        let mut file = LogFile::new(move || Ok(place.clone()));
        for number in 0..WAITING_LIMIT + 3 {
            file.push(number.to_string());
            assert!(number % 500 > 0 || file.write().is_err());
        }
        std::fs::remove_dir(&path).unwrap();
        file.write().unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        let mut lines = text.lines();
        assert_eq!(lines.next(), Some("3 lines could not be written here"));
        assert_eq!(lines.next(), Some("3"));
        assert_eq!(lines.count(), WAITING_LIMIT - 1);
    }

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
