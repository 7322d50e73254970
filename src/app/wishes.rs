//! What the screen asks of the files: the log written down, marks kept, recordings begun
//! and ended, keys of one's own.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::Arc;

use super::driver::Shared;
use super::errands::{Errands, said};
use super::learning::Learning;
use super::log::Log;
use super::performance::Hand;
use super::recorder::Said;
use crate::ports::Clock;
use crate::screen::{LogLevel, LogLine, UiState, wings};
use crate::store;
use crate::ui::{Keys, Wish, remap};
use crate::words::clean;

/// Largest file of keys or marks that is read.
const FILE_LIMIT: u64 = 1 << 20;

/// Grants wishes; what came of each is said in the log. What has to be written is left to the
/// thread that writes files.
pub(super) struct Wishes {
    /// The show's name, for names of files.
    pub(super) show: String,
    pub(super) log: Log,
    pub(super) clock: Clock,
    pub(super) shared: Arc<Shared>,
    pub(super) hand: Hand,
    pub(super) learning: Rc<RefCell<Learning>>,
    pub(super) errands: Errands,
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
            Wish::KeepLearned => self.keep_learned(&state.learned_name),
            // The terminal's own affair.
            Wish::Mouse => {}
        }
    }

    fn keep_learned(&self, name: &str) {
        let not_learned =
            |words: String| said(LogLevel::Warning, format!("learned: {words}"), words);
        match self.learning.borrow_mut().keep(name) {
            Ok(entry) => self.hand_over("not learned", move || {
                Some(match entry.write() {
                    Ok(words) => said(LogLevel::Note, format!("learned: {words}"), words),
                    Err(words) => not_learned(words),
                })
            }),
            Err(words) => {
                let Said {
                    level,
                    words,
                    answer,
                } = not_learned(words);
                self.say(level, &words, &answer);
            }
        }
    }

    fn save_log(&self, filter: &str, log: &[LogLine]) {
        let lines = log_lines(filter, log);
        let stem = format!("log-{}", super::recorder::stamp());
        self.hand_over("log not saved", move || {
            let text = lines.concat();
            let saved = store::state_dir()
                .and_then(|folder| store::save_unused(&folder, &stem, "txt", text.as_bytes()));
            Some(match saved {
                Ok(path) => said(
                    LogLevel::Note,
                    format!("log: {} lines saved to {}", lines.len(), path.display()),
                    format!("log saved in {}", store::short_path(&path)),
                ),
                Err(error) => refused(&format!("log not saved: {error}")),
            })
        });
    }

    fn keep_marks(&self, marks: &BTreeMap<String, String>) {
        let (show, text) = (self.show.clone(), marks_text(marks));
        self.hand_over("marks not kept", move || {
            let kept = marks_file(&show).and_then(|path| {
                store::make_folder_of(&path)
                    .and_then(|()| store::save(&path, text.as_bytes()))
                    .map_err(|error| error.to_string())
            });
            kept.err()
                .map(|error| refused(&format!("marks not kept: {error}")))
        });
    }

    /// Leaves something to the thread that writes files; `else_words` begin what is said if
    /// too much waits there.
    fn hand_over(&self, else_words: &str, errand: impl FnOnce() -> Option<Said> + Send + 'static) {
        if let Err(words) = self.errands.hand_over(errand) {
            let words = format!("{else_words}: {words}");
            self.say(LogLevel::Error, &words, &words);
        }
    }

    fn say(&self, level: LogLevel, words: &str, answer: &str) {
        let now_us = self.clock.now_us();
        self.log.push_answer(now_us, level, words, answer);
    }
}

fn refused(words: &str) -> Said {
    said(LogLevel::Error, words.to_owned(), words.to_owned())
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
    use super::super::errands;
    use super::super::learning::line;
    use super::*;
    use crate::engine::input::{Command, Origin};
    use crate::engine::promptbook::InPort;
    use crate::midi::{Channel, Controller, Message, Value7};
    use crate::ports::{ModelEar, open_model};
    use crate::show::read;
    use std::fs;
    use std::sync::mpsc::sync_channel;

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

    /// A disk that never gets done is the slowest there is: nobody runs the errands here. No
    /// wish waits for it, and the step asked for after them is with the playing thread.
    #[test]
    fn a_slow_disk_delays_no_step() {
        let folder = tempfile::tempdir().unwrap();
        let rig_file = folder.path().join("rig.ron");
        let rig_text = r#"(
    version: 1,
    ports: {"keys": (name: "Keys")},
    controllers: {"lower": (port: "keys", channel: 1, keys: "C2..C7")},
)
"#;
        fs::write(&rig_file, rig_text).unwrap();
        let files = BTreeMap::from([("rig.ron".to_owned(), rig_text.as_bytes().to_vec())]);
        let rig = read::read(&files, "rig").0.rig;
        let shared = Arc::new(Shared::new(1));
        let (mut heard, learning) = line((&rig, &[0]), Some(rig_file.clone()), &shared);
        let clock = Clock::start();
        let ear: ModelEar = Arc::new(|_, _: &[u8]| {});
        let waker = open_model(clock, &[], &ear).unwrap().waker;
        let (commands, mut asked) = rtrb::RingBuffer::new(8);
        let (edits, _edits) = sync_channel(1);
        let (errands, runner) = errands::line();
        let wishes = Wishes {
            show: "a show".into(),
            log: Log::default(),
            clock,
            shared: Arc::clone(&shared),
            hand: Hand::new(commands, edits, waker, &shared),
            learning,
            errands,
        };
        let mut state = UiState {
            learned_name: "knob".into(),
            ..UiState::default()
        };
        wishes.grant(Wish::Learn, &mut state, &[]);
        for value in 0..20 {
            let knob = Controller::clamped(20);
            let message = Message::Control(Channel::MIN, knob, Value7::clamped(value));
            heard.push((0, InPort(0), message)).unwrap();
        }
        for wish in [Wish::KeepLearned, Wish::KeepMarks, Wish::SaveLog] {
            wishes.grant(wish, &mut state, &[]);
            assert!(wishes.hand.ask(Command::Step, Origin::Screen));
            assert_eq!(asked.pop().unwrap().command, Command::Step);
        }
        let mut said = Vec::new();
        wishes.log.since(0, &mut said);
        assert_eq!(said, [], "nothing is done yet");
        assert_eq!(fs::read_to_string(&rig_file).unwrap(), rig_text);
        // A disk that does not follow for long is told, and still nobody waits.
        for _ in 0..40 {
            wishes.grant(Wish::KeepMarks, &mut state, &[]);
        }
        wishes.log.since(0, &mut said);
        assert!(
            said[0]
                .words
                .contains("marks not kept: the disk does not follow")
        );
        // The first of them is done as it was asked, once there is a disk; the others would
        // write beside it, to the state folder.
        let learned = runner.run_one().unwrap();
        assert!(learned.words.contains("learned: "), "{learned:?}");
        assert!(fs::read_to_string(&rig_file).unwrap().contains("\"knob\""));
    }
}
