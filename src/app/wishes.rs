//! What the screen asks of the files: the log written down, marks kept, recordings begun
//! and ended, keys of one's own.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;

use super::driver::Shared;
use super::learning::Learning;
use super::log::Log;
use super::performance::Hand;
use crate::ports::Clock;
use crate::screen::{LogLevel, LogLine, UiState, wings};
use crate::store;
use crate::ui::{Keys, Wish, remap};
use crate::words::clean;

/// Largest file of keys or marks that is read.
const FILE_LIMIT: u64 = 1 << 20;

/// Grants wishes; what came of each is said in the log.
pub(super) struct Wishes {
    /// The show's name, for names of files.
    pub(super) show: String,
    pub(super) log: Log,
    pub(super) clock: Clock,
    pub(super) shared: Arc<Shared>,
    pub(super) hand: Hand,
    pub(super) learning: Rc<RefCell<Learning>>,
}

impl Wishes {
    /// Does what is wished.
    pub(super) fn grant(&self, wish: Wish, state: &mut UiState, log: &[LogLine]) {
        match wish {
            Wish::SaveLog => self.save_log(&state.log_filter, log),
            Wish::KeepMarks => self.keep_marks(&state.marks),
            Wish::Record => {
                self.shared.takes.toggle();
                self.hand.wake();
            }
            Wish::Learn => self.learning.borrow_mut().begin(),
            Wish::EndLearning => self.learning.borrow_mut().end(),
            Wish::KeepLearned => match self.learning.borrow_mut().keep(&state.learned_name) {
                Ok(words) => self.say(LogLevel::Note, &format!("learned: {words}"), &words),
                Err(words) => {
                    self.say(LogLevel::Warning, &format!("learned: {words}"), &words);
                }
            },
            // The terminal's own affair.
            Wish::Mouse => {}
        }
    }

    fn save_log(&self, filter: &str, log: &[LogLine]) {
        let lines = log_lines(filter, log);
        let stem = format!("log-{}", super::recorder::stamp());
        let saved = store::state_dir()
            .and_then(|folder| store::save_unused(&folder, &stem, "txt", lines.concat().as_bytes()))
            .map_err(|error| error.to_string());
        match saved {
            Ok(path) => {
                let words = format!("log: {} lines saved to {}", lines.len(), path.display());
                let answer = format!("log saved in {}", store::short_path(&path));
                self.say(LogLevel::Note, &words, &answer);
            }
            Err(error) => self.refuse(&format!("log not saved: {error}")),
        }
    }

    fn keep_marks(&self, marks: &BTreeMap<String, String>) {
        let kept = marks_file(&self.show).and_then(|path| {
            store::make_folder_of(&path)
                .and_then(|()| store::save(&path, marks_text(marks).as_bytes()))
                .map_err(|error| error.to_string())
        });
        if let Err(error) = kept {
            self.refuse(&format!("marks not kept: {error}"));
        }
    }

    fn refuse(&self, words: &str) {
        self.say(LogLevel::Error, words, words);
    }

    fn say(&self, level: LogLevel, words: &str, answer: &str) {
        let now_us = self.clock.now_us();
        self.log.push_answer(now_us, level, words, answer);
    }
}

/// The marks of a show as they were kept; none if there are none.
///
/// # Errors
/// If there is something that cannot be read, in words.
pub(super) fn marks(show: &str) -> Result<BTreeMap<String, String>, String> {
    let path = marks_file(show)?;
    let bytes = store::read_own_file(&path, FILE_LIMIT).map_err(|error| error.to_string())?;
    let bytes = bytes.unwrap_or_default();
    Ok(read_marks(&String::from_utf8_lossy(&bytes)))
}

/// A mark a line: call number, tabulator, words.
fn marks_text(marks: &BTreeMap<String, String>) -> String {
    let line = |(call, word): (&String, &String)| format!("{call}\t{word}\n");
    marks.iter().map(line).collect()
}

fn read_marks(text: &str) -> BTreeMap<String, String> {
    text.lines()
        .filter_map(|line| line.split_once('\t'))
        .map(|(call, word)| (call.to_owned(), word.to_owned()))
        .collect()
}

/// The lines of the log that pass the filter, as text.
fn log_lines(filter: &str, log: &[LogLine]) -> Vec<String> {
    log.iter()
        .filter(|line| wings::passes(filter, line))
        .map(|line| {
            let level = match line.level {
                LogLevel::Note => "",
                LogLevel::Warning => "warning: ",
                LogLevel::Error => "error: ",
            };
            format!("{} {level}{}\n", line.time, clean(&line.words))
        })
        .collect()
}

/// The keys in force, the file that they were looked for in, and what in it could not be
/// used.
pub(super) fn keys() -> (Keys, Option<PathBuf>, Vec<String>) {
    let path = store::config_dir().ok().map(|dir| dir.join("keys.txt"));
    let read = path
        .as_ref()
        .map_or(Ok(None), |path| store::read_own_file(path, FILE_LIMIT));
    let (keys, refused) = match read {
        Ok(None) => (Keys::default(), Vec::new()),
        Ok(Some(bytes)) => remap::remap(&String::from_utf8_lossy(&bytes)),
        // Whoever tells it names the file.
        Err(error) => (Keys::default(), vec![error.problem()]),
    };
    (keys, path, refused)
}

fn marks_file(show: &str) -> Result<PathBuf, String> {
    let safe = |c: char| if c.is_alphanumeric() { c } else { '-' };
    let name: String = show.chars().map(safe).collect();
    file(&format!("marks/{name}.txt"))
}

fn file(name: &str) -> Result<PathBuf, String> {
    let dir = store::state_dir().map_err(|error| error.to_string())?;
    Ok(dir.join(name))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_log_is_saved_as_it_is_filtered() {
        let line = |level, words: &str| LogLine {
            time: "0:00:01.000".into(),
            level,
            words: words.into(),
            ..LogLine::default()
        };
        let log = [
            line(LogLevel::Note, "step to 1.2"),
            line(LogLevel::Warning, "port slow"),
            line(LogLevel::Error, "port gone"),
        ];
        let all = [
            "0:00:01.000 step to 1.2\n",
            "0:00:01.000 warning: port slow\n",
            "0:00:01.000 error: port gone\n",
        ];
        assert_eq!(log_lines("", &log), all);
        assert_eq!(log_lines("port", &log), all[1..]);
        assert_eq!(log_lines("error", &log), all[2..]);
    }

    #[test]
    fn marks_are_read_as_they_were_kept() {
        let marks = BTreeMap::from([
            ("1.2".to_owned(), "too loud, twice".to_owned()),
            ("3.1".to_owned(), "a\ttabulator".to_owned()),
        ]);
        assert_eq!(read_marks(&marks_text(&marks)), marks);
        assert_eq!(read_marks("no mark\n"), BTreeMap::new());
    }
}
