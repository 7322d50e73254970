//! The thread that writes things down: log lines, the position journal, and signals.
//!
//! One thread, one loop over everything that is not playing: notices from the playing
//! thread, the signals of the system, a clock tick. It may be slow; nobody waits for it.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::driver::Shared;
use super::editions::Editions;
use super::journal::Steps;
use super::log::{self, Log};
use super::notice::{self, Event, Notice};
use super::recorder::{Recorder, Taken};
use crate::ports::Clock;
use crate::screen::LogLevel;
use crate::sheet::Sheet;
use crate::store;
use crate::store::EventLog;

/// How often notices are written down.
const TICK: Duration = Duration::from_millis(20);
/// How often it is looked for them once there were none for a while, and nothing is recorded.
const CALM_TICK: Duration = Duration::from_millis(50);
/// Looks in vain that are a while: two seconds.
const CALM_AFTER: u32 = 100;

/// Everything the scribe writes to.
pub(super) struct Scribe {
    pub(super) notices: rtrb::Consumer<Notice>,
    /// What is played, while a recording runs.
    pub(super) takes: rtrb::Consumer<Taken>,
    pub(super) recorder: Recorder,
    /// The sheet of the edition that notices are about.
    pub(super) sheet: Arc<Sheet>,
    pub(super) editions: Editions,
    /// The clock of the notices, for what the scribe itself has to say.
    pub(super) clock: Clock,
    pub(super) log: Log,
    pub(super) file: Option<EventLog>,
    pub(super) journal: Option<Steps>,
    /// Standard output, when there is no screen.
    pub(super) lines: Option<Box<dyn Write + Send>>,
    /// Flags and counters of all threads; `stop` ends the show.
    pub(super) shared: Arc<Shared>,
    pub(super) dropped_told: u64,
}

/// The signal of a terminal that is gone.
const HANGUP: &str = "SIGHUP";

/// Why the scribe's loop ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Ending {
    /// The playing thread ended.
    Ended,
    /// A signal asked for the end; the playing thread is told through `stop`.
    Signal(&'static str),
}

impl Scribe {
    /// Writes until the playing thread has ended.
    ///
    /// # Errors
    /// If the system gives no event loop or no signal handler.
    pub(super) fn run(mut self, on_stop: &dyn Fn()) -> std::io::Result<Ending> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        runtime.block_on(async {
            let mut signals = Signals::new()?;
            let mut in_vain = 0;
            let mut ending = Ending::Ended;
            loop {
                tokio::select! {
                    name = signals.next() => {
                        ending = Ending::Signal(name);
                        let words = format!("{name}: the show ends, all notes are released");
                        self.say(self.clock.now_us(), LogLevel::Warning, &words);
                        if name == HANGUP {
                            self.shared.keeps_place.store(true, Ordering::Release);
                        }
                        self.shared.stop.store(true, Ordering::Release);
                        on_stop();
                    }
                    () = tokio::time::sleep(self.rest(in_vain)) => {
                        let is_news = !self.notices.is_empty();
                        in_vain = if is_news { 0 } else { CALM_AFTER.min(in_vain + 1) };
                        if self.write_notices() {
                            return Ok(ending);
                        }
                    }
                }
            }
        })
    }

    /// How long to wait for news after so many looks in vain.
    fn rest(&self, in_vain: u32) -> Duration {
        let is_recording = self.shared.is_recording.load(Ordering::Relaxed);
        if in_vain < CALM_AFTER || is_recording {
            TICK
        } else {
            CALM_TICK
        }
    }

    /// Writes what waits; whether the playing thread has ended.
    fn write_notices(&mut self) -> bool {
        let mut is_ended = false;
        while let Ok(notice) = self.notices.pop() {
            // The journal first: what the log tells is then already on the disk.
            match notice.event {
                Event::Position { position, page, .. } | Event::Page { position, page } => {
                    self.write_journal(notice.at_us, position, page);
                }
                Event::Ended => {
                    is_ended = true;
                    self.end_journal(notice.at_us);
                }
                _ => {}
            }
            let (level, mut words) = notice::words(&notice.event, &self.sheet);
            if let Event::Edition {
                edition,
                from,
                position,
                page,
            } = notice.event
            {
                let (sheet, changed) = self.editions.edition(edition);
                let old = std::mem::replace(&mut self.sheet, sheet);
                words = notice::edition_words(changed, (&old, from), (&self.sheet, position));
                self.write_journal(notice.at_us, position, page);
            }
            self.say(notice.at_us, level, &words);
        }
        self.record(is_ended);
        for (level, words) in self.editions.take_said() {
            self.say(self.clock.now_us(), level, &words);
        }
        let dropped = self.shared.notices_dropped.load(Ordering::Relaxed);
        if dropped != self.dropped_told {
            self.dropped_told = dropped;
            self.say(
                self.clock.now_us(),
                LogLevel::Warning,
                &format!("log: {dropped} lines dropped so far"),
            );
        }
        // A playing thread that is gone without a word has ended too.
        is_ended || self.notices.is_abandoned() && self.notices.is_empty()
    }

    /// Keeps what was played; saves it when the recording has ended, or the show.
    fn record(&mut self, is_ended: bool) {
        // Looked at before the queue: what was handed over until then is in it.
        let is_on = self.shared.is_recording.load(Ordering::Acquire) && !is_ended;
        while let Ok(taken) = self.takes.pop() {
            let was_running = self.recorder.is_running();
            self.recorder.take(taken);
            if !was_running && self.recorder.is_running() {
                self.say(self.clock.now_us(), LogLevel::Note, "recording");
            }
        }
        if is_on || !self.recorder.is_running() {
            return;
        }
        let (level, words, answer) = match self.recorder.save() {
            Ok(saved) => (
                LogLevel::Note,
                format!("recording ended: {}", saved.words()),
                format!("recorded in {}", store::short_path(&saved.path)),
            ),
            Err(error) => {
                let words = format!("recording lost: {error}");
                (LogLevel::Error, words.clone(), words)
            }
        };
        self.say_answer(self.clock.now_us(), level, &words, &answer);
    }

    /// A show that somebody ended begins anew next time; one whose terminal went away does not.
    fn end_journal(&mut self, at_us: u64) {
        if self.shared.keeps_place.load(Ordering::Acquire) {
            return;
        }
        if let Some(Err(error)) = self.journal.as_mut().map(Steps::end) {
            self.say(
                at_us,
                LogLevel::Error,
                &format!("position journal: {error}"),
            );
        }
    }

    fn write_journal(&mut self, at_us: u64, position: u32, page: u16) {
        let Some(journal) = &mut self.journal else {
            return;
        };
        let call = self
            .sheet
            .positions
            .get(position as usize)
            .map_or("", |line| &line.call);
        if let Err(error) = journal.write(call, position, page) {
            self.journal = None;
            self.say(
                at_us,
                LogLevel::Error,
                &format!("position journal: {error}; it is no longer written"),
            );
        }
    }

    fn say(&mut self, at_us: u64, level: LogLevel, words: &str) {
        self.say_answer(at_us, level, words, "");
    }

    /// Says it to who is at the screen too, in a row.
    fn say_answer(&mut self, at_us: u64, level: LogLevel, words: &str, answer: &str) {
        self.log.push_answer(at_us, level, words, answer);
        let line = log::line(at_us, level, words);
        if let Some(file) = &mut self.file
            && file.write_line(&line).is_err()
        {
            self.file = None;
        }
        if let Some(lines) = &mut self.lines
            && writeln!(lines, "{line}")
                .and_then(|()| lines.flush())
                .is_err()
        {
            self.lines = None;
        }
    }
}

/// The signals that end a show, and those of job control, which must not stop it.
struct Signals {
    #[cfg(unix)]
    ending: [tokio::signal::unix::Signal; 3],
    #[cfg(unix)]
    _ignored: [tokio::signal::unix::Signal; 3],
}

impl Signals {
    #[cfg(unix)]
    fn new() -> std::io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        let kind = |number: rustix::process::Signal| signal(SignalKind::from_raw(number.as_raw()));
        Ok(Self {
            ending: [
                signal(SignalKind::terminate())?,
                signal(SignalKind::interrupt())?,
                signal(SignalKind::hangup())?,
            ],
            _ignored: [
                kind(rustix::process::Signal::TSTP)?,
                kind(rustix::process::Signal::TTIN)?,
                kind(rustix::process::Signal::TTOU)?,
            ],
        })
    }

    #[cfg(not(unix))]
    fn new() -> std::io::Result<Self> {
        Ok(Self {})
    }

    /// The next signal that asks for the end, by name.
    #[cfg(unix)]
    async fn next(&mut self) -> &'static str {
        let [terminate, interrupt, hangup] = &mut self.ending;
        tokio::select! {
            _ = terminate.recv() => "SIGTERM",
            _ = interrupt.recv() => "SIGINT",
            _ = hangup.recv() => HANGUP,
        }
    }

    #[cfg(not(unix))]
    async fn next(&mut self) -> &'static str {
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
        "Ctrl-C"
    }
}
