//! The drawing loop: events in, frames out, commands to whoever takes them.
//!
//! It draws when something changed, at most sixty times a second, and looks at the slow
//! things (ports, clock) four times a second. A terminal that stalls costs frames, not keys;
//! and the loop can die without the engine noticing: all that it needs to go on is in the `UiState` it was lent.

use super::desk::{Desk, Facts, Reply, Wish};
use super::input::{InputThread, Told};
use super::terminal::TerminalGuard;
use super::tonight::NightEdit;
use crate::engine::input::{Command, Origin};
use crate::engine::view::View;
use crate::screen::{self, KeyLine, LogLine, RigStatus, Screen, ScreenModel, UiState};
use crate::sheet::Sheet;
use crossterm::event::Event;
use std::io;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Time between two frames at least.
const FRAME: Duration = Duration::from_micros(16_667);
/// Time between two looks once nothing has changed for a while. A change is seen at most this
/// much later, and an idle machine uses little power.
const CALM: Duration = Duration::from_millis(40);
/// How long nothing must have changed before `CALM` holds.
const CALM_AFTER: Duration = Duration::from_secs(2);
/// Time after which everything is looked at again, changed or not.
const REFRESH: Duration = Duration::from_millis(250);
/// Resolution of the time of day in seconds, since screens show minutes.
const CLOCK_S: u32 = 10;
/// Lines of the log kept for the screen; the oldest go first.
pub const MAX_LOG_LINES: usize = 2000;

/// Where the loop gets what it draws. Each call must return at once.
pub trait Source {
    /// The engine's latest view.
    fn view(&mut self) -> &View;
    /// The sheet of an edition of the night (`View::edition`).
    fn sheet(&mut self, edition: u32) -> Arc<Sheet>;
    /// What the ports are doing.
    fn rig(&mut self) -> RigStatus;
    /// Moves new log lines to the end of `into`.
    fn drain_log(&mut self, into: &mut Vec<LogLine>);
    /// The present on the clock of `View::now_us`, in microseconds.
    fn now_us(&mut self) -> u64;
    /// The time of day, in seconds past midnight.
    fn time_s(&mut self) -> u32;
    /// Whether the show has ended by itself (a signal), so that drawing ends too.
    fn is_over(&mut self) -> bool;
}

/// Where commands go. A full queue is the sink's to count; the loop never waits.
pub trait Sink {
    /// One command for the engine, and what asked for it.
    fn send(&mut self, command: Command, origin: Origin);
    /// One change of the night.
    fn edit(&mut self, edit: NightEdit);
    /// A task for files or the terminal. `log` has the lines that the screen has.
    fn wish(&mut self, wish: Wish, state: &mut UiState, log: &[LogLine]);
}

/// Why the loop ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum UiExit {
    /// The person asked to leave.
    Quit,
    /// The terminal is gone.
    HangUp,
    /// The show has ended.
    Over,
}

/// Takes the terminal and draws until the person leaves or the terminal is gone. `desk` and
/// `state` are lent, so that a loop that died can be followed by another.
///
/// # Errors
/// If the terminal cannot be taken or written.
pub fn run(
    source: &mut impl Source,
    sink: &mut impl Sink,
    desk: &mut Desk,
    state: &mut UiState,
) -> io::Result<UiExit> {
    // Notes that a loop before this one left behind.
    desk.release_all()
        .into_iter()
        .for_each(|command| sink.send(command, Origin::Screen));
    let mut terminal = TerminalGuard::enter()?;
    if state.has_mouse {
        terminal.take_mouse(true);
    }
    let input = InputThread::start()?;
    let mut frames = Frames::new(source, desk);
    let exit = Loop {
        input,
        terminal,
        desk,
    }
    .run(&mut frames, source, sink, state);
    desk.release_all()
        .into_iter()
        .for_each(|command| sink.send(command, Origin::Screen));
    match exit {
        Err(error) if is_gone(&error) => Ok(UiExit::HangUp),
        other => other,
    }
}

/// A terminal that is gone may first be noticed by a write that fails.
fn is_gone(error: &io::Error) -> bool {
    #[cfg(unix)]
    if error.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error()) {
        return true;
    }
    matches!(
        error.kind(),
        io::ErrorKind::BrokenPipe | io::ErrorKind::UnexpectedEof
    )
}

/// What was drawn last, and what it was drawn from.
struct Frames {
    keys: Vec<KeyLine>,
    log: Vec<LogLine>,
    rig: RigStatus,
    view: View,
    sheet: Arc<Sheet>,
    time_s: u32,
    /// The beat that was counted at the last look.
    beat: Option<u8>,
    refreshed: Instant,
}

impl Frames {
    fn new(source: &mut impl Source, desk: &Desk) -> Self {
        let mut log = Vec::new();
        source.drain_log(&mut log);
        let view = *source.view();
        Self {
            keys: desk.keys().lines(),
            log,
            rig: source.rig(),
            view,
            sheet: source.sheet(view.edition),
            time_s: source.time_s(),
            beat: None,
            refreshed: Instant::now(),
        }
    }

    /// What a screen is drawn from.
    fn model<'a>(&'a self, state: &'a UiState, now_us: u64) -> ScreenModel<'a> {
        ScreenModel {
            sheet: &self.sheet,
            view: &self.view,
            rig: &self.rig,
            log: &self.log,
            ui: state,
            keys: &self.keys,
            now_us,
            time_s: self.time_s,
        }
    }

    /// Looks for changes; returns whether there is anything to draw.
    fn look(&mut self, source: &mut impl Source, state: &mut UiState) -> bool {
        let view = *source.view();
        // A change of time alone is not drawn.
        let is_new = View {
            now_us: self.view.now_us,
            ..view
        } != self.view;
        if view.edition != self.view.edition {
            let sheet = source.sheet(view.edition);
            state.change_sheet(&self.sheet, &sheet);
            self.sheet = sheet;
        }
        self.view = view;
        let lines = self.log.len();
        source.drain_log(&mut self.log);
        let new_lines = self.log.len().saturating_sub(lines);
        let news = self.log.iter().rev().take(new_lines);
        if let Some(answer) = news
            .map(|line| &line.answer)
            .find(|words| !words.is_empty())
        {
            state.said.clone_from(answer);
        }
        if state.log_scroll > 0 {
            // Log lines being read stay in place while new ones come in below.
            state.log_scroll = state.log_scroll.saturating_add(new_lines);
        }
        let excess = self.log.len().saturating_sub(MAX_LOG_LINES);
        self.log.drain(..excess);
        state.log_scroll = state.log_scroll.min(self.log.len());
        if screen::is_playing(&self.view) {
            state.played_us = Some(self.view.step_us);
        }
        let beat = screen::counted_beat(&self.model(state, source.now_us()));
        let is_next_beat = std::mem::replace(&mut self.beat, beat) != beat;
        is_new || new_lines > 0 || self.refresh(source, state.screen) || is_next_beat
    }

    /// Refreshes the slow things when it is time; returns whether to draw. Only the wings show
    /// how long ago a port was heard; other screens only show the time of day.
    fn refresh(&mut self, source: &mut impl Source, screen: Screen) -> bool {
        if self.refreshed.elapsed() < REFRESH {
            return false;
        }
        self.refreshed = Instant::now();
        let (mut rig, time_s) = (source.rig(), source.time_s());
        std::mem::swap(&mut self.rig, &mut rig);
        let before_s = std::mem::replace(&mut self.time_s, time_s);
        let is_later = before_s / CLOCK_S != time_s / CLOCK_S;
        screen == Screen::Wings || is_later || self.rig.without_idle() != rig.without_idle()
    }
}

struct Loop<'a> {
    // Dropped in this order: the thread that reads ends before the terminal is restored.
    input: InputThread,
    terminal: TerminalGuard,
    desk: &'a mut Desk,
}

impl Loop<'_> {
    fn run(
        mut self,
        frames: &mut Frames,
        source: &mut impl Source,
        sink: &mut impl Sink,
        state: &mut UiState,
    ) -> io::Result<UiExit> {
        let mut is_stale = !self.draw(frames, source, state)?;
        let mut drawn = Instant::now();
        loop {
            let since = drawn.elapsed();
            let rest = FRAME.saturating_sub(since).max(SHORTEST);
            let first = self.input.next(match is_stale {
                true => rest,
                false if since < CALM_AFTER => FRAME,
                false => CALM,
            });
            let (exit, is_touched) = self.take_events(first, frames, source, sink, state)?;
            if let Some(exit) = exit {
                return Ok(exit);
            }
            if source.is_over() {
                return Ok(UiExit::Over);
            }
            is_stale |= frames.look(source, state) | is_touched;
            if is_stale && drawn.elapsed() >= FRAME {
                // A terminal that does not take the last frame yet gets the newest later.
                is_stale = !self.draw(frames, source, state)?;
                drawn = Instant::now();
            }
        }
    }

    /// All events that wait, the first of them given. A storm of resizes becomes one.
    fn take_events(
        &mut self,
        first: Option<Told>,
        frames: &Frames,
        source: &mut impl Source,
        sink: &mut impl Sink,
        state: &mut UiState,
    ) -> io::Result<(Option<UiExit>, bool)> {
        let facts = Facts {
            sheet: &frames.sheet,
            view: &frames.view,
            now_us: source.now_us(),
        };
        let mut next = first;
        let mut size = None;
        let mut is_touched = next.is_some();
        while let Some(told) = next {
            match told {
                Told::HangUp => return Ok((Some(UiExit::HangUp), true)),
                Told::Event(Event::Resize(width, height)) => size = Some((width, height)),
                Told::Event(event) => {
                    let reply = self.reply(&event, frames, state, facts);
                    let origin = reply.origin;
                    reply
                        .commands
                        .into_iter()
                        .for_each(|command| sink.send(command, origin));
                    if let Some(edit) = reply.edit {
                        sink.edit(edit);
                    }
                    if let Some(wish) = reply.wish {
                        if wish == Wish::Mouse {
                            self.terminal.take_mouse(state.has_mouse);
                        }
                        sink.wish(wish, state, &frames.log);
                    }
                    if reply.is_quit {
                        return Ok((Some(UiExit::Quit), true));
                    }
                }
            }
            next = self.input.next(Duration::ZERO);
        }
        if let Some(confirmed) = self.desk.confirm(state, facts) {
            is_touched = true;
            for command in confirmed.commands {
                sink.send(command, confirmed.origin);
            }
        }
        let mut ended = self.desk.expire(facts);
        let lost = self.input.take_lost();
        if lost > 0 {
            state.keys_lost = state.keys_lost.saturating_add(lost);
            ended.extend(self.desk.release_all());
        }
        ended
            .into_iter()
            .for_each(|command| sink.send(command, Origin::Screen));
        if let Some((width, height)) = size {
            self.terminal.resize(width, height);
            is_touched = true;
        }
        Ok((None, is_touched))
    }

    /// Handles an event; for the mouse it finds what it points at.
    fn reply(
        &mut self,
        event: &Event,
        frames: &Frames,
        state: &mut UiState,
        facts: Facts,
    ) -> Reply {
        let Event::Mouse(mouse) = event else {
            return self.desk.handle(event, state, facts);
        };
        let model = frames.model(state, facts.now_us);
        let hit = screen::hit(&model, self.terminal.area(), (mouse.column, mouse.row));
        self.desk.handle_mouse(*mouse, hit, state, facts)
    }

    fn draw(
        &mut self,
        frames: &Frames,
        source: &mut impl Source,
        state: &UiState,
    ) -> io::Result<bool> {
        let model = frames.model(state, source.now_us());
        self.terminal
            .draw(|area, buf| screen::render(&model, area, buf))
    }
}

/// The shortest wait for an event: a frame that is due does not make the loop spin.
const SHORTEST: Duration = Duration::from_millis(1);

#[cfg(test)]
mod tests {
    use super::*;

    /// A show of which only the log changes.
    #[derive(Default)]
    struct Logging {
        view: View,
        waiting: Vec<LogLine>,
    }

    impl Source for Logging {
        fn view(&mut self) -> &View {
            &self.view
        }

        fn sheet(&mut self, _: u32) -> Arc<Sheet> {
            Arc::default()
        }

        fn rig(&mut self) -> RigStatus {
            RigStatus::default()
        }

        fn drain_log(&mut self, into: &mut Vec<LogLine>) {
            into.append(&mut self.waiting);
        }

        fn now_us(&mut self) -> u64 {
            0
        }

        fn time_s(&mut self) -> u32 {
            0
        }

        fn is_over(&mut self) -> bool {
            false
        }
    }

    fn lines(words: &[&str]) -> Vec<LogLine> {
        let line = |words: &&str| LogLine {
            words: (*words).to_owned(),
            ..LogLine::default()
        };
        words.iter().map(line).collect()
    }

    #[test]
    fn what_is_read_of_the_log_stays_where_it_is_while_lines_come_in() {
        let mut source = Logging {
            waiting: lines(&["one", "two", "three"]),
            ..Logging::default()
        };
        let mut state = UiState::default();
        let mut frames = Frames::new(&mut source, &Desk::default());
        source.waiting = lines(&["four"]);
        frames.look(&mut source, &mut state);
        assert_eq!(state.log_scroll, 0, "the newest are followed");
        state.log_scroll = 2;
        source.waiting = lines(&["five", "six"]);
        frames.look(&mut source, &mut state);
        assert_eq!(state.log_scroll, 4);
        state.log_scroll = 100;
        frames.look(&mut source, &mut state);
        assert_eq!(state.log_scroll, 6, "the oldest is the first");
    }

    #[test]
    fn what_came_of_a_wish_is_said_and_other_lines_are_not() {
        let mut source = Logging {
            waiting: lines(&["before"]),
            ..Logging::default()
        };
        source.waiting[0].answer = "before the screen began".into();
        let mut state = UiState::default();
        let mut frames = Frames::new(&mut source, &Desk::default());
        source.waiting = lines(&["saved", "step"]);
        source.waiting[0].answer = "saved in a file".into();
        frames.look(&mut source, &mut state);
        assert_eq!(state.said, "saved in a file");
        state.said.clear();
        source.waiting = lines(&["step"]);
        frames.look(&mut source, &mut state);
        assert_eq!(state.said, "");
    }
}
