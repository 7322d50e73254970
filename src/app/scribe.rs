//! The thread that writes things down: log lines, the position journal, and signals.
//!
//! One thread, one loop over everything that is not playing: notices from the playing
//! thread, the signals of the system, a clock tick. It may be slow; nobody waits for it.

use std::io::{self, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::SyncSender;
use std::time::Duration;

use super::driver::Shared;
use super::editions::Editions;
use super::errands::Runner;
use super::journal::{Left, Place, Steps};
use super::log::{self, Log, LogFile};
use super::notice::{self, Event, Notice};
use super::paper::say;
use super::recorder::{Recorder, Taken};
use super::standing::{Standing, Trouble};
use crate::ports::Clock;
use crate::screen::LogLevel;
use crate::sheet::Sheet;
use crate::store::StoreError;

/// How often notices are written down.
const TICK: Duration = Duration::from_millis(20);
/// How often it is looked for them once there were none for a while, and nothing is recorded.
const CALM_TICK: Duration = Duration::from_millis(50);
/// Looks in vain that are a while: two seconds.
const CALM_AFTER: u32 = 100;

/// How long until what could not be written is tried again.
const RETRY_US: u64 = 250_000;

/// Everything the scribe writes to.
pub(super) struct Scribe {
    pub(super) notices: rtrb::Consumer<Notice>,
    /// What is played, while a recording runs.
    pub(super) takes: rtrb::Consumer<Taken>,
    /// What others want written.
    pub(super) errands: Runner,
    pub(super) recorder: Recorder,
    /// The sheet of the edition that notices are about.
    pub(super) sheet: Arc<Sheet>,
    pub(super) editions: Editions,
    /// The clock of the notices, for what the scribe itself has to say.
    pub(super) clock: Clock,
    pub(super) log: Log,
    pub(super) file: Option<LogFile>,
    pub(super) journal: Option<Steps>,
    /// The latest place, in a cell that is never full.
    pub(super) places: triple_buffer::Output<Place>,
    /// What is wrong until it is mended.
    pub(super) standing: Standing,
    /// What is to be said first.
    pub(super) remarks: Vec<(LogLevel, String)>,
    /// What is due to be written.
    pub(super) due: Due,
    /// Standard output, when there is no screen.
    pub(super) lines: Option<Box<dyn Write + Send>>,
    /// Flags and counters of all threads; `stop` ends the show.
    pub(super) shared: Arc<Shared>,
    pub(super) dropped_told: u64,
}

/// What is still to be written, and when it is tried again.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Due {
    /// The place that was looked at last.
    place: Place,
    /// It is not written down yet.
    is_place_due: bool,
    place_from_us: u64,
    log_from_us: u64,
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
    /// Writes until the playing thread has ended. `deaf` is dropped once signals are heard:
    /// before that one would kill the program with its notes sounding.
    ///
    /// # Errors
    /// If the system gives no event loop or no signal handler: the show is then ended, since
    /// nobody else could end it.
    pub(super) fn run(self, deaf: SyncSender<()>, on_stop: &dyn Fn()) -> io::Result<Ending> {
        let shared = Arc::clone(&self.shared);
        let ended = self.write_until_over(deaf, on_stop);
        if ended.is_err() {
            shared.stop.store(true, Ordering::Release);
            on_stop();
        }
        ended
    }

    fn write_until_over(mut self, deaf: SyncSender<()>, on_stop: &dyn Fn()) -> io::Result<Ending> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()?;
        runtime.block_on(async {
            let mut signals = Signals::new()?;
            drop(deaf);
            self.recorder.recover();
            let mut in_vain = 0;
            let mut ending = Ending::Ended;
            self.say_remarks();
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
                        if self.write_guarded() {
                            return Ok(ending);
                        }
                    }
                }
            }
        })
    }

    /// How long to wait for news after so many looks in vain.
    fn rest(&self, in_vain: u32) -> Duration {
        if in_vain < CALM_AFTER || self.recorder.is_busy() {
            TICK
        } else {
            CALM_TICK
        }
    }

    /// What was known before anything was played.
    fn say_remarks(&mut self) {
        for (level, words) in std::mem::take(&mut self.remarks) {
            self.say(0, level, &words);
        }
        if let Some(Left::Unknown(words, _)) = self.journal.as_ref().map(Steps::left) {
            let short = words.split(": ").nth(1).unwrap_or_default();
            let (short, words) = (not_written("place", short), words.clone());
            self.standing.set(Trouble::Place, Some(short));
            let words = format!("the place is not written down: {words}");
            self.say(0, LogLevel::Error, &words);
        }
    }

    /// Writes what waits. A fault in that costs what was being written: somebody must still
    /// hear the signals.
    fn write_guarded(&mut self) -> bool {
        let written = catch_unwind(AssertUnwindSafe(|| self.write_notices()));
        written.unwrap_or_else(|_| {
            let words = "writing the log failed: a line may be missing";
            self.log.push(self.clock.now_us(), LogLevel::Error, words);
            self.notices.is_abandoned() && self.notices.is_empty()
        })
    }

    /// Writes what waits; whether the playing thread has ended.
    fn write_notices(&mut self) -> bool {
        // Looked at before the queue: whoever is gone by now adds nothing to it.
        let is_gone = self.notices.is_abandoned();
        let mut is_ended = false;
        self.keep_place();
        while let Ok(notice) = self.notices.pop() {
            is_ended |= notice.event == Event::Ended;
            if let Event::Position { .. } | Event::Page { .. } | Event::Edition { .. } =
                notice.event
            {
                // The journal first: what the log tells is then already on the disk.
                self.keep_place();
            }
            let (level, mut words) = notice::words(&notice.event, &self.sheet);
            if let Event::Edition {
                edition,
                from,
                position,
                ..
            } = notice.event
            {
                let (sheet, changed) = self.editions.edition(edition);
                let old = std::mem::replace(&mut self.sheet, sheet);
                words = notice::edition_words(changed, (&old, from), (&self.sheet, position));
            }
            self.say(notice.at_us, level, &words);
        }
        // A playing thread that is gone without a word has ended too.
        let is_over = is_ended || self.notices.is_abandoned() && self.notices.is_empty();
        self.record(is_over);
        for said in self.errands.run() {
            self.say_answer(self.clock.now_us(), said.level, &said.words, &said.answer);
        }
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
        let is_over = is_ended || is_gone;
        if is_over {
            // The last chance to write anything.
            self.due.place_from_us = 0;
            self.keep_place();
            self.due.log_from_us = 0;
        }
        self.write_log();
        is_over
    }

    /// Writes down what was played; makes a take that has ended, or the show with it, a file.
    fn record(&mut self, is_over: bool) {
        let now_us = self.clock.now_us();
        // Looked at before the queue: what was handed over until then is in it.
        let (ended, overrun) = self.shared.takes.ended();
        while let Ok(taken) = self.takes.pop() {
            self.recorder.take(taken);
        }
        self.recorder.end(ended, overrun);
        if let Some(given_up) = self.recorder.work(now_us, is_over) {
            self.shared.takes.give_up(given_up);
        }
        self.shared.takes.set_status(self.recorder.status());
        for said in self.recorder.take_said() {
            self.say_answer(now_us, said.level, &said.words, &said.answer);
        }
    }

    /// Writes the latest place down if it is not yet; one that could not be written is due
    /// until it is.
    fn keep_place(&mut self) {
        let place = *self.places.read();
        if place != self.due.place {
            self.due.place = place;
            self.due.is_place_due = place.is_told;
            self.due.place_from_us = 0;
        }
        let now_us = self.clock.now_us();
        if !self.due.is_place_due || now_us < self.due.place_from_us {
            return;
        }
        let Some(written) = self.write_place(place) else {
            return;
        };
        self.due.is_place_due = written.is_err();
        self.due.place_from_us = now_us + RETRY_US;
        let short = written
            .as_ref()
            .err()
            .map(|error| not_written("place", &error.reason()));
        let is_news = self.standing.set(Trouble::Place, short);
        match written {
            Err(error) if place.is_ended => {
                let words = format!("the end is not written down, the next start waits: {error}");
                self.say(now_us, LogLevel::Error, &words);
            }
            Err(error) if is_news => {
                let words = format!("the place is not written down: {error}");
                self.say(now_us, LogLevel::Error, &words);
            }
            Ok(()) if is_news => {
                self.say(now_us, LogLevel::Note, "the place is written down again");
            }
            _ => {}
        }
    }

    /// A show that somebody ended begins anew next time; one whose terminal went away does
    /// not. None if this show keeps no journal.
    fn write_place(&mut self, place: Place) -> Option<Result<(), StoreError>> {
        let journal = self.journal.as_mut()?;
        let is_kept = self.shared.keeps_place.load(Ordering::Acquire);
        if place.is_ended && !is_kept {
            return Some(journal.end());
        }
        let (sheet, _) = self.editions.edition(place.edition);
        let line = sheet.positions.get(place.position as usize);
        let call = line.map_or("", |line| &line.call);
        Some(journal.write(call, place.position, place.page))
    }

    /// Writes the log's lines that wait; those that could not be written are tried again.
    fn write_log(&mut self) {
        let now_us = self.clock.now_us();
        let Some(file) = &mut self.file else {
            return;
        };
        if now_us < self.due.log_from_us {
            return;
        }
        let written = file.write();
        let short = written
            .as_ref()
            .err()
            .map(|error| not_written("events.log", &error.reason()));
        let is_news = self.standing.set(Trouble::Log, short);
        if written.is_err() {
            self.due.log_from_us = now_us + RETRY_US;
        }
        match written {
            Err(error) if is_news => {
                let words = format!("events.log is not written: {error}");
                self.say(now_us, LogLevel::Error, &words);
            }
            Ok(()) if is_news => {
                self.say(now_us, LogLevel::Note, "events.log is written again");
            }
            _ => {}
        }
    }

    fn say(&mut self, at_us: u64, level: LogLevel, words: &str) {
        self.say_answer(at_us, level, words, "");
    }

    /// Says it to who is at the screen too, in a row.
    fn say_answer(&mut self, at_us: u64, level: LogLevel, words: &str, answer: &str) {
        self.log.push_answer(at_us, level, words, answer);
        let line = log::line(at_us, level, words);
        if let Some(lines) = &mut self.lines
            && let Err(error) = say(lines.as_mut(), &line).and_then(|()| lines.flush())
            && error.kind() == io::ErrorKind::BrokenPipe
        {
            // Nobody reads any more; a disk that is full may have room again.
            self.lines = None;
        }
        if let Some(file) = &mut self.file {
            file.push(line);
            self.write_log();
        }
    }
}

/// What stands on the screens while something is not written.
fn not_written(what: &str, reason: &str) -> String {
    let reason = reason.split(": ").next().unwrap_or_default();
    format!("{what} not written: {reason}")
}

/// The signals that end a show, and those that must not: of job control, and of a limit on
/// files, past which writing fails as on a full disk.
struct Signals {
    #[cfg(unix)]
    ending: [tokio::signal::unix::Signal; 4],
    #[cfg(unix)]
    _ignored: [tokio::signal::unix::Signal; 4],
}

impl Signals {
    #[cfg(unix)]
    fn new() -> io::Result<Self> {
        use tokio::signal::unix::{SignalKind, signal};
        let kind = |number: rustix::process::Signal| signal(SignalKind::from_raw(number.as_raw()));
        Ok(Self {
            ending: [
                signal(SignalKind::terminate())?,
                signal(SignalKind::interrupt())?,
                signal(SignalKind::quit())?,
                signal(SignalKind::hangup())?,
            ],
            _ignored: [
                kind(rustix::process::Signal::TSTP)?,
                kind(rustix::process::Signal::TTIN)?,
                kind(rustix::process::Signal::TTOU)?,
                kind(rustix::process::Signal::XFSZ)?,
            ],
        })
    }

    #[cfg(not(unix))]
    fn new() -> io::Result<Self> {
        Ok(Self {})
    }

    /// The next signal that asks for the end, by name.
    #[cfg(unix)]
    async fn next(&mut self) -> &'static str {
        let [terminate, interrupt, quit, hangup] = &mut self.ending;
        tokio::select! {
            _ = terminate.recv() => "SIGTERM",
            _ = interrupt.recv() => "SIGINT",
            _ = quit.recv() => "SIGQUIT",
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
