//! A show being played: its threads, and the ends that the screen holds.
//!
//! ```text
//!  playing thread   Intake ─► Desk (engine) ─► Gates ═► ports
//!        ▲ commands      │ views     │ notices
//!        │               ▼           ▼
//!     screen (main thread)        scribe (log, journal, signals)
//! ```
//! Changes of the night go from the screen to the thread `replan`, and from there as
//! another promptbook to the playing thread and back.

use std::cell::RefCell;
use std::io::Write;
use std::path::PathBuf;
use std::rc::Rc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;

use super::along::Along;
use super::driver::{Asked, COMMAND_LIMIT, Desk, Driver, Ends, GivenUp, Realtime, Shared};
use super::editions::Editions;
use super::errands::{self, Errands, Runner};
use super::journal::{Place, Steps};
use super::learning::{self, Learning};
use super::log::{Log, LogFile};
use super::model::ModelRig;
use super::notice::{NOTICE_LIMIT, Notice};
use super::recorder::{Recorder, TAKEN_LIMIT, Taken};
use super::replanning::{self, Replanner};
use super::scribe::{Due, Ending, Scribe};
use super::standing::Standing;
use super::{kinds, wanted};
use crate::engine::input::{Command, Origin};
use crate::engine::promptbook::PositionId;
use crate::engine::view::View;
use crate::plan::Plan;
use crate::ports::{
    Backend, Clock, Gate, GateMeter, GateParts, Intake, ModelHand, Sink, StatusBoard, Waker, Watch,
    open, open_model,
};
use crate::screen::LogLevel;
use crate::sheet::Sheet;
use crate::show::model::{Night, Show};
use crate::ui::NightEdit;

/// Where MIDI goes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Way {
    /// Real ports.
    Ports(Backend),
    /// The embedded rig.
    Model,
}

/// What a performance is started with.
pub(super) struct Start {
    /// The document.
    pub(super) show: Show,
    /// The night.
    pub(super) night: Night,
    /// The night, compiled.
    pub(super) plan: Plan,
    /// Errors of the show in words: what they concern is not played.
    pub(super) errors: Vec<String>,
    /// Where it starts.
    pub(super) at: usize,
    /// Nothing is sent until somebody takes it up, as after a kill: why, in short.
    pub(super) waits: Option<String>,
    /// No cue goes out until somebody lets them.
    pub(super) is_rehearsal: bool,
    /// It is a line check: the marks of rehearsals are no concern of it, and each place is
    /// ticked or marked.
    pub(super) is_line_check: bool,
    /// Where MIDI goes.
    pub(super) way: Way,
    /// A recording that is played on the embedded rig.
    pub(super) along: Option<Along>,
    /// Where each step is written down.
    pub(super) journal: Option<Steps>,
    /// The rig's file; none if the show is built in.
    pub(super) rig_file: Option<PathBuf>,
    /// Where the log is written down.
    pub(super) file: Option<LogFile>,
    /// What the log says first.
    pub(super) remarks: Vec<(LogLevel, String)>,
    /// Standard output for the log, when there is no screen.
    pub(super) lines: Option<Box<dyn Write + Send>>,
}

/// The name of the thread that plays.
pub(super) const PLAYING_THREAD: &str = "play";

/// A show being played.
pub(super) struct Performance {
    /// The sheet of the start: what does not change with the night.
    pub(super) sheet: Arc<Sheet>,
    pub(super) editions: Editions,
    pub(super) clock: Clock,
    pub(super) log: Log,
    /// What is wrong until it is mended.
    pub(super) standing: Standing,
    pub(super) desk: Hand,
    pub(super) views: triple_buffer::Output<View>,
    pub(super) meters: Vec<GateMeter>,
    pub(super) board: StatusBoard,
    pub(super) model: Option<ModelRig>,
    /// Rig ports of the promptbook's input and output ports.
    pub(super) map: crate::plan::PortMap,
    pub(super) shared: Arc<Shared>,
    /// Who looks at what comes in, to learn a control.
    pub(super) learning: Rc<RefCell<Learning>>,
    /// The way to the thread that writes files.
    pub(super) errands: Errands,
    playing: JoinHandle<Result<(), GivenUp>>,
    replanning: JoinHandle<()>,
    scribe: JoinHandle<std::io::Result<Ending>>,
    _watch: Watch,
}

/// Everyone's way to the playing thread: commands, and the wish to end.
#[derive(Clone)]
pub(super) struct Hand {
    commands: Arc<Mutex<rtrb::Producer<Asked>>>,
    edits: SyncSender<NightEdit>,
    /// The edition of the night that is on the screen.
    seen: Arc<AtomicU32>,
    waker: Waker,
    shared: Arc<Shared>,
}

impl Hand {
    pub(super) fn new(
        commands: rtrb::Producer<Asked>,
        edits: SyncSender<NightEdit>,
        waker: Waker,
        shared: &Arc<Shared>,
    ) -> Self {
        Self {
            commands: Arc::new(Mutex::new(commands)),
            edits,
            seen: Arc::new(AtomicU32::new(0)),
            waker,
            shared: Arc::clone(shared),
        }
    }

    /// Asks for something; `false` if the playing thread has too much to do already.
    pub(super) fn ask(&self, command: Command, origin: Origin) -> bool {
        let is_taken = self
            .commands
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .push(Asked {
                edition: self.seen.load(Ordering::Relaxed),
                wish: self.shared.takes.wish(),
                command,
                origin,
            })
            .is_ok();
        self.waker.wake();
        is_taken
    }

    /// Has the playing thread look at what is wished.
    pub(super) fn wake(&self) {
        self.waker.wake();
    }

    /// Asks for a change of the night; `false` if too many wait already.
    pub(super) fn change(&self, edit: NightEdit) -> bool {
        self.edits.try_send(edit).is_ok()
    }

    /// Notes which edition of the night the person at the screen sees: a jump is counted in it.
    pub(super) fn see(&self, edition: u32) {
        self.seen.store(edition, Ordering::Relaxed);
    }

    /// Ends the show because the terminal is gone; the next start comes back to its place.
    pub(super) fn stop_in_place(&self) {
        self.shared.keeps_place.store(true, Ordering::Release);
        self.stop();
    }

    /// Whether the show is to end, or has ended.
    pub(super) fn is_over(&self) -> bool {
        self.shared.stop.load(Ordering::Acquire)
    }

    /// Ends the show.
    pub(super) fn stop(&self) {
        self.shared.stop.store(true, Ordering::Release);
        self.waker.wake();
    }
}

/// The ends of the ports, whichever way they go.
struct Opened {
    intake: Intake,
    waker: Waker,
    sinks: Vec<Box<dyn Sink>>,
    board: StatusBoard,
    watch: Watch,
    model: Option<(ModelRig, ModelHand)>,
}

impl Performance {
    /// Starts all threads.
    ///
    /// # Errors
    /// If there is no MIDI, or the system has no threads left; in words.
    pub(super) fn start(mut start: Start) -> Result<Self, String> {
        let clock = Clock::start();
        let opened = open_ports(&start, clock)?;
        let mut gates = open_gates(&start, opened.sinks, &opened.waker, clock)?;
        let meters = gates.iter_mut().filter_map(Gate::meter).collect();
        let (command_sender, commands) = command_queue(start.is_rehearsal);
        let (notices, notice_receiver) = rtrb::RingBuffer::new(NOTICE_LIMIT);
        let (takes, take_receiver) = rtrb::RingBuffer::new(TAKEN_LIMIT);
        let (views, view_reader) = triple_buffer::triple_buffer(&View::default());
        let shared = Arc::new(Shared::new(start.plan.ports.inputs.len()));
        let sheet = Arc::new(start.plan.sheet.clone());
        let editions = Editions::new(Arc::clone(&sheet));
        let (line, change) = replanning::line(&editions, &opened.waker, &shared);
        let (places, place_reader) = triple_buffer::triple_buffer(&Place::default());
        let (log, standing) = (Log::default(), Standing::default());
        let (errands, runner) = errands::line();
        let came_in = (notice_receiver, take_receiver, place_reader, runner);
        let says = (clock, &log, &standing);
        let scribe = scribe(&mut start, came_in, &editions, says, &shared);
        let rig = (&start.show.rig, start.plan.ports.inputs.as_slice());
        let (heard, learning) = learning::line(rig, start.rig_file.take(), &shared);
        let ends = Ends {
            commands,
            asks: change.asks,
            answers: change.answers,
            notices,
            takes,
            heard,
            views,
            places,
            shared: Arc::clone(&shared),
        };
        let at = PositionId(start.at as u32);
        let driver = Driver {
            intake: opened.intake,
            desk: Desk::new(&start.plan, at, start.waits.is_some(), gates, clock, ends),
        };
        let desk = Hand::new(command_sender, change.edits, opened.waker, &shared);
        let map = start.plan.ports.clone();
        let book = Arc::clone(driver.desk.book());
        let replanner = Replanner::new(start.show, start.night, (start.plan, book), line);
        let waker = desk.waker.clone();
        let replanning = spawn("replan", move || replanner.run())?;
        let (deaf, hears_signals) = sync_channel(0);
        let scribe = spawn("scribe", move || scribe.run(deaf, &|| waker.wake()))?;
        // Nothing is said, so this is the end of the channel: signals are heard, or the scribe
        // has failed and asked for the end.
        let _ = hears_signals.recv();
        let playing = spawn(PLAYING_THREAD, move || driver.run())?;
        let (model, rig) = opened.model.unzip();
        play_along(start.along, rig, &desk, (&map, clock));
        Ok(Self {
            sheet,
            editions,
            clock,
            log,
            standing,
            desk,
            views: view_reader,
            meters,
            board: opened.board,
            model,
            map,
            shared,
            learning,
            errands,
            playing,
            replanning,
            scribe,
            _watch: opened.watch,
        })
    }

    /// Whether the playing thread has real-time priority, once it is known.
    pub(super) fn is_realtime(&self) -> Option<bool> {
        match self.shared.realtime.load(Ordering::Relaxed) {
            known if known == Realtime::Granted as u8 => Some(true),
            known if known == Realtime::Refused as u8 => Some(false),
            _ => None,
        }
    }

    /// Whether the playing thread has ended.
    pub(super) fn has_ended(&self) -> bool {
        self.playing.is_finished()
    }

    /// Waits until the show has ended; what ended it.
    ///
    /// # Errors
    /// If a thread died or the log could not run, in words.
    pub(super) fn join(self) -> Result<Ending, String> {
        let played = self.playing.join();
        // It ends with the show; a change that it failed to plan is none of the show's.
        let _ = self.replanning.join();
        let written = self.scribe.join();
        if !matches!(played, Ok(Ok(()))) {
            return Err(
                "playing failed too often and was given up, with notes and pedals let go at \
                 every port that took it; the next start comes back to its place"
                    .into(),
            );
        }
        match written {
            Ok(Ok(ending)) => Ok(ending),
            Ok(Err(error)) => Err(format!("log and signals: {error}")),
            Err(_) => Err("the thread that writes the log died".into()),
        }
    }
}

/// Who writes things down, with what the start has for that.
fn scribe(
    start: &mut Start,
    (notices, takes, places, errands): (
        rtrb::Consumer<Notice>,
        rtrb::Consumer<Taken>,
        triple_buffer::Output<Place>,
        Runner,
    ),
    editions: &Editions,
    (clock, log, standing): (Clock, &Log, &Standing),
    shared: &Arc<Shared>,
) -> Scribe {
    Scribe {
        notices,
        takes,
        errands,
        recorder: Recorder::new(
            Arc::new(start.plan.promptbook.clone()),
            editions.clone(),
            None,
        ),
        sheet: editions.edition(0).0,
        editions: editions.clone(),
        clock,
        log: log.clone(),
        file: start.file.take(),
        journal: start.journal.take(),
        places,
        standing: standing.clone(),
        remarks: std::mem::take(&mut start.remarks),
        due: Due::default(),
        lines: start.lines.take(),
        shared: Arc::clone(shared),
        dropped_told: 0,
    }
}

fn spawn<T: Send + 'static>(
    name: &str,
    run: impl FnOnce() -> T + Send + 'static,
) -> Result<JoinHandle<T>, String> {
    std::thread::Builder::new()
        .name(name.into())
        .spawn(run)
        .map_err(|error| format!("thread `{name}`: {error}"))
}

fn play_along(
    along: Option<Along>,
    rig: Option<ModelHand>,
    desk: &Hand,
    (map, clock): (&crate::plan::PortMap, Clock),
) {
    if let (Some(along), Some(rig)) = (along, rig) {
        along.play(rig, desk.clone(), map, clock);
    }
}

type Commands = (rtrb::Producer<Asked>, rtrb::Consumer<Asked>);

/// The queue of commands; in a rehearsal cues are held before any port is there.
fn command_queue(is_rehearsal: bool) -> Commands {
    let (mut sender, receiver) = rtrb::RingBuffer::new(COMMAND_LIMIT);
    if is_rehearsal {
        // It is empty: there is room.
        let _ = sender.push(Asked {
            edition: 0,
            wish: 0,
            command: Command::Cues(false),
            origin: Origin::Program,
        });
    }
    (sender, receiver)
}

fn open_ports(start: &Start, clock: Clock) -> Result<Opened, String> {
    let rig = &start.show.rig;
    match start.way {
        Way::Model => {
            let model = ModelRig::new(rig);
            let sent = start.along.as_ref().and_then(Along::sent);
            let ear = match sent {
                Some(sent) => sent.ear(clock, model.ear(clock)),
                None => model.ear(clock),
            };
            let ports = open_model(clock, &wanted(rig), &ear).map_err(|error| error.to_string())?;
            Ok(Opened {
                intake: ports.intake,
                waker: ports.waker,
                sinks: ports.sinks,
                board: ports.board,
                watch: ports.watch,
                model: Some((model, ports.hand)),
            })
        }
        Way::Ports(backend) => {
            let ports = open(backend, clock, &wanted(rig)).map_err(|error| error.to_string())?;
            Ok(Opened {
                intake: ports.intake,
                waker: ports.waker,
                sinks: ports.sinks,
                board: ports.board,
                watch: ports.watch,
                model: None,
            })
        }
    }
}

/// One gate for each output port of the promptbook.
fn open_gates(
    start: &Start,
    sinks: Vec<Box<dyn Sink>>,
    waker: &Waker,
    clock: Clock,
) -> Result<Vec<Gate>, String> {
    let blobs: Arc<[Box<[u8]>]> = start.plan.promptbook.blobs.iter().cloned().collect();
    let kinds = kinds(&start.show, &start.plan);
    let mut sinks: Vec<_> = sinks.into_iter().map(Some).collect();
    let mut gates = Vec::new();
    for (at, kind) in start.plan.ports.outputs.iter().zip(kinds) {
        let Some(sink) = sinks.get_mut(*at).and_then(Option::take) else {
            continue;
        };
        let parts = GateParts {
            name: start
                .show
                .rig
                .ports
                .get(*at)
                .map_or_else(String::new, |port| port.name.clone()),
            kind,
            sink,
            blobs: Arc::clone(&blobs),
            clock,
            waker: waker.clone(),
        };
        gates.push(Gate::open(parts).map_err(|error| error.to_string())?);
    }
    Ok(gates)
}
