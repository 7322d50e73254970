//! The playing thread: reads, decides and writes the played note.
//!
//! It waits only in `Intake::wait`, and on nothing else: its queues are wait-free at this
//! end, a port that another thread is writing is handed the message instead of waited
//! for, and what it has to say goes out as notices and as a published view.

mod book;
mod fault;
mod record;
mod rescue;
mod waiting;

use record::TakeInHand;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};

use self::fault::{Failures, Fault};
use self::waiting::mark_waiting;
use super::journal::Place;
use super::learning::Heard;
use super::notice::{Event, Notice, Watch};
use super::recorder::Taken;
use super::replanning::{Answer, Ask};
use super::takes::Takes;
use crate::engine::Engine;
use crate::engine::checkpoint::Checkpoint;
use crate::engine::input::{Command, Input, Origin, Outbox};
use crate::engine::limits::{MAX_PORTS, MAX_RECEIVERS};
use crate::engine::promptbook::{InPort, OutPort, PositionId, Promptbook};
use crate::engine::view::{Presence, View};
use crate::plan::{Plan, PortMap};
use crate::ports::{Clock, Gate, Incoming, Intake, try_realtime};
use crate::replay;

/// Commands from the screen that may wait for the playing thread. When full, one more is
/// refused and the screen says so.
pub(super) const COMMAND_LIMIT: usize = 256;

/// What the playing thread works with.
pub(super) struct Driver {
    pub(super) intake: Intake,
    pub(super) desk: Desk,
}

/// Everything but the intake, so that the intake can hand over while the desk acts.
pub(super) struct Desk {
    engine: Engine,
    book: Arc<Promptbook>,
    gates: Vec<Gate>,
    map: PortMap,
    clock: Clock,
    ends: Ends,
    outbox: Outbox,
    view: View,
    watch: Watch,
    checkpoint: Checkpoint,
    /// The wish of recording that was followed last, and whether its take is being handed over.
    take: TakeInHand,
    /// The place that was told last.
    place: Place,
    failures: Failures,
    /// It failed too often: nothing more is asked of the engine.
    is_given_up: bool,
    /// Everything was let go and the gates are closed.
    is_closed: bool,
    fault: Fault,
    /// After a kill nothing is sent until somebody says so: outputs that are there wait
    /// here. None once the show has been taken up.
    waiting: Option<[bool; MAX_PORTS]>,
}

/// A command from the screen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Asked {
    /// The edition of the night that it was asked of.
    pub(super) edition: u32,
    /// The wish of recording then: what was asked between two takes belongs to neither.
    pub(super) wish: u64,
    /// What is to be done.
    pub(super) command: Command,
    /// What asked for it.
    pub(super) origin: Origin,
}

/// The playing thread's ends of what it shares with the others.
pub(super) struct Ends {
    /// What the screen asks for.
    pub(super) commands: rtrb::Consumer<Asked>,
    /// What whoever plans the night anew asks for.
    pub(super) asks: rtrb::Consumer<Ask>,
    /// And is answered.
    pub(super) answers: rtrb::Producer<Answer>,
    /// What happens, for the log.
    pub(super) notices: rtrb::Producer<Notice>,
    /// What comes in and goes out, while a recording runs.
    pub(super) takes: rtrb::Producer<Taken>,
    /// What comes in, while a control is learned.
    pub(super) heard: rtrb::Producer<Heard>,
    /// The view, for the screen.
    pub(super) views: triple_buffer::Input<View>,
    /// Where the show is, for the journal.
    pub(super) places: triple_buffer::Input<Place>,
    /// Flags and counters.
    pub(super) shared: Arc<Shared>,
}

/// Flags and counters that all threads see, and none waits for.
#[derive(Debug)]
pub(super) struct Shared {
    /// Set when the show is to end.
    pub(super) stop: AtomicBool,
    /// The show ends though nobody meant to end it, as when the terminal is gone: the next
    /// start comes back to its place.
    pub(super) keeps_place: AtomicBool,
    /// Whether what is played is to be recorded, and how far that is.
    pub(super) takes: Takes,
    /// A control is being learned: what comes in is to be looked at.
    pub(super) is_learning: AtomicBool,
    /// Messages that found no room to be looked at.
    pub(super) unheard: AtomicU64,
    /// What became of real-time priority: a `Realtime`.
    pub(super) realtime: AtomicU8,
    /// Notices that found no room in their queue.
    pub(super) notices_dropped: AtomicU64,
    /// How often each input port lost messages.
    pub(super) overflows: Box<[AtomicU64]>,
}

impl Shared {
    /// Nothing has happened yet, at so many input ports.
    pub(super) fn new(input_count: usize) -> Self {
        Self {
            stop: AtomicBool::new(false),
            keeps_place: AtomicBool::new(false),
            takes: Takes::default(),
            is_learning: AtomicBool::new(false),
            unheard: AtomicU64::new(0),
            realtime: AtomicU8::new(Realtime::Unknown as u8),
            notices_dropped: AtomicU64::new(0),
            overflows: (0..input_count).map(|_| AtomicU64::new(0)).collect(),
        }
    }
}

/// What became of the playing thread's real-time priority.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Realtime {
    /// The thread has not started yet.
    Unknown,
    /// It has it.
    Granted,
    /// The system does not allow it.
    Refused,
}

impl Driver {
    /// Plays until told to stop, then lets everything go. A failure anywhere in that lets
    /// everything go at once, and playing goes on, until it has failed too often.
    ///
    /// # Errors
    /// If playing was given up.
    pub(super) fn run(mut self) -> Result<(), GivenUp> {
        loop {
            let played = catch_unwind(AssertUnwindSafe(|| self.play()));
            if played.is_ok() || !self.desk.recover() {
                break;
            }
        }
        let is_given_up = self.desk.is_given_up;
        self.desk.close();
        if is_given_up { Err(GivenUp) } else { Ok(()) }
    }

    fn play(&mut self) {
        if self.desk.ends.shared.realtime.load(Ordering::Relaxed) == Realtime::Unknown as u8 {
            self.ask_for_realtime();
        }
        while !self.desk.ends.shared.stop.load(Ordering::Acquire) {
            let deadline = self.desk.deadline_us();
            let Self { intake, desk } = &mut *self;
            intake.wait(Some(deadline), &mut |incoming| desk.take(incoming));
            desk.turn();
        }
        self.desk.end();
    }

    fn ask_for_realtime(&mut self) {
        let granted = try_realtime();
        let realtime = if granted.is_ok() {
            Realtime::Granted
        } else {
            Realtime::Refused
        };
        self.desk
            .ends
            .shared
            .realtime
            .store(realtime as u8, Ordering::Relaxed);
        self.desk.report(Event::Realtime(granted.is_ok()));
    }
}

/// Playing failed again and again, and was given up with everything let go.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct GivenUp;

impl Desk {
    /// A desk at a position of the night; `is_waiting` if nothing is to be sent until
    /// somebody takes the show up.
    pub(super) fn new(
        plan: &Plan,
        at: PositionId,
        is_waiting: bool,
        gates: Vec<Gate>,
        clock: Clock,
        ends: Ends,
    ) -> Self {
        let book = Arc::new(plan.promptbook.clone());
        let engine = Engine::new(Arc::clone(&book), at);
        Self {
            checkpoint: engine.checkpoint(),
            engine,
            book,
            gates,
            map: plan.ports.clone(),
            clock,
            ends,
            outbox: Outbox::new(),
            view: View::default(),
            watch: Watch::new(),
            take: TakeInHand::default(),
            place: Place::default(),
            failures: Failures::default(),
            is_given_up: false,
            is_closed: false,
            fault: Fault::asked_for(),
            waiting: is_waiting.then_some([false; MAX_PORTS]),
        }
    }

    /// When to wake at the latest: the engine's deadline, or soon enough to notice a stop
    /// that nobody woke us for.
    fn deadline_us(&self) -> u64 {
        let now_us = self.clock.now_us();
        let idle_us = now_us + IDLE_US;
        self.engine.next_deadline().unwrap_or(u64::MAX).min(idle_us)
    }

    /// One thing that came in, acted on at once.
    fn take(&mut self, incoming: Incoming) {
        self.may_fail("take");
        match incoming {
            Incoming::Message { port, message, .. } => {
                if let Some(port) = self.in_port(port) {
                    self.show_to_learner(port, message);
                    self.play(port, message);
                }
                self.sign_of_life(port);
            }
            Incoming::SignOfLife(port) => self.sign_of_life(port),
            Incoming::Overflow(port) => {
                if let Some(port) = self.in_port(port) {
                    self.report(Event::Overflow(port.0));
                    if let Some(count) = self.ends.shared.overflows.get(port.index()) {
                        count.fetch_add(1, Ordering::Relaxed);
                    }
                    self.handle(Input::InputLost(port));
                    self.handle(Input::InputReady(port));
                }
            }
            Incoming::InLost(port) => self.on_input(port, Input::InputLost),
            Incoming::InReady(port) => self.on_input(port, Input::InputReady),
            Incoming::InRefused(port, error) => {
                if let Some(port) = self.in_port(port) {
                    self.report(Event::InRefused(port.0, error));
                }
            }
            Incoming::OutLost(port) => self.on_output(port, false),
            Incoming::OutReady(port) => self.on_output(port, true),
            Incoming::Surveyed => {
                let inputs = self
                    .view
                    .in_ports
                    .iter()
                    .filter(|is_there| **is_there)
                    .count() as u8;
                let outputs = self.outputs_present();
                self.report(Event::Ready { inputs, outputs });
            }
            Incoming::Woken => {}
        }
    }

    /// After each wait: commands, the engine's deadline, refused messages, the view.
    fn turn(&mut self) {
        while let Ok(ask) = self.ends.asks.pop() {
            self.answer(ask);
        }
        while let Ok(asked) = self.ends.commands.pop() {
            let Asked {
                edition,
                wish,
                command,
                origin,
            } = asked;
            self.follow_wish(self.clock.now_us(), wish);
            if edition != self.view.edition && matches!(command, Command::Jump(_)) {
                // Its position was counted in a night that is played no more.
                self.report(Event::JumpTooLate);
            } else if self.waiting.is_some()
                && matches!(command, Command::Step | Command::Resend { .. })
            {
                self.take_up();
            } else {
                self.handle(Input::Asked(command, origin));
            }
        }
        let now_us = self.clock.now_us();
        self.follow_wish(now_us, self.ends.shared.takes.wish());
        if self
            .engine
            .next_deadline()
            .is_some_and(|deadline| deadline <= now_us)
        {
            self.handle(Input::Tick);
        }
        for port in 0..self.gates.len() {
            // Asked in this order, so that the panic behind a loss is told before it.
            let has_lost = self.gates.get(port).is_some_and(Gate::take_overflow);
            if self.gates.get(port).is_some_and(Gate::take_panic) {
                self.report(Event::WritingFailed(port as u8));
            }
            if has_lost {
                self.report(Event::OutFull(port as u8));
                self.handle(Input::OutputOverflow(OutPort(port as u8)));
            }
        }
        self.ends.views.write(self.view);
    }

    /// The book that is played.
    pub(super) const fn book(&self) -> &Arc<Promptbook> {
        &self.book
    }

    fn outputs_present(&self) -> u8 {
        (0..self.book.out_ports.len())
            .filter(|port| self.is_seen(*port, |seen| seen != Presence::Absent))
            .count() as u8
    }

    /// Whether a receiver on the port is published with such a presence.
    fn is_seen(&self, port: usize, is_wanted: fn(Presence) -> bool) -> bool {
        let mut receivers = self.book.receivers.iter().zip(&self.view.receivers);
        receivers.any(|(entry, seen)| entry.port.index() == port && is_wanted(*seen))
    }

    /// The engine's turn, and its messages on their way. A failing engine is silenced and
    /// rebuilt where it was.
    fn handle(&mut self, input: Input) {
        if self.is_given_up {
            return;
        }
        let now_us = self.clock.now_us();
        self.record_input(now_us, input);
        self.outbox.clear();
        let handled = catch_unwind(AssertUnwindSafe(|| {
            self.engine.handle(now_us, input, &mut self.outbox);
            self.may_fail("handle");
        }));
        if handled.is_err() {
            self.rebuild(now_us);
        }
        self.record_key(now_us);
        self.send();
        self.look();
        self.keep_checkpoint();
    }

    fn keep_checkpoint(&mut self) {
        self.may_fail("checkpoint");
        self.checkpoint = self.engine.checkpoint();
    }

    /// Looks at the engine, and tells what changed since the last look.
    fn look(&mut self) {
        self.may_fail("look");
        self.engine.view(&mut self.view);
        self.tell_place(false);
        if let Some(waiting) = &self.waiting {
            mark_waiting(&self.book, waiting, &mut self.view);
        }
        let mut changed = [None; MAX_EVENTS];
        let mut count = 0;
        self.watch.compare(&self.view, &mut |event| {
            if let Some(place) = changed.get_mut(count) {
                *place = Some(event);
                count += 1;
            }
        });
        for event in changed.into_iter().flatten() {
            self.report(event);
        }
    }

    /// Each message into its gate, then every gate that was given something on its way. A
    /// gate that refuses counts it, and tells when it is open again (`take_overflow`).
    fn send(&mut self) {
        self.may_fail("send");
        self.record_outputs();
        let mut touched = [false; MAX_PORTS];
        for output in self.outbox.items() {
            let port = output.port.index();
            if let (Some(gate), Some(is_touched)) =
                (self.gates.get_mut(port), touched.get_mut(port))
            {
                let _ = gate.push(replay::item(&self.book, output));
                *is_touched = true;
            }
        }
        for (gate, _) in self
            .gates
            .iter()
            .zip(touched)
            .filter(|(_, is_touched)| *is_touched)
        {
            gate.flush();
        }
    }

    fn report(&mut self, event: Event) {
        let notice = Notice {
            at_us: self.clock.now_us(),
            event,
        };
        if self.ends.notices.push(notice).is_err() {
            self.ends
                .shared
                .notices_dropped
                .fetch_add(1, Ordering::Relaxed);
        }
    }

    fn on_input(&mut self, port: usize, input: fn(InPort) -> Input) {
        if let Some(port) = self.in_port(port) {
            self.handle(input(port));
        }
    }

    fn on_output(&mut self, port: usize, is_there: bool) {
        let Some(port) = self.out_port(port) else {
            return;
        };
        if self.set_waiting(port.index(), is_there) {
            self.look();
        } else if is_there {
            self.handle(Input::OutputReady(port));
        } else {
            self.handle(Input::OutputLost(port));
            if let Some(gate) = self.gates.get_mut(port.index()) {
                gate.clear();
            }
        }
    }

    fn sign_of_life(&mut self, port: usize) {
        if let Some(port) = self.out_port(port) {
            self.handle(Input::SignOfLife(port));
        }
    }

    fn in_port(&self, rig_port: usize) -> Option<InPort> {
        self.map
            .inputs
            .iter()
            .position(|port| *port == rig_port)
            .map(|port| InPort(port as u8))
    }

    fn out_port(&self, rig_port: usize) -> Option<OutPort> {
        self.map
            .outputs
            .iter()
            .position(|port| *port == rig_port)
            .map(|port| OutPort(port as u8))
    }
}

/// A port that waits, or is not there, is none the engine may send to.
const fn is_known_to_engine(presence: Presence) -> bool {
    !matches!(presence, Presence::Absent | Presence::Waiting)
}

/// Longest sleep, so that a stop is seen even if its wake-up was lost.
const IDLE_US: u64 = 200_000;

/// Most notices that one call to the engine can give rise to: every receiver and port at
/// once, and one of each other kind.
const MAX_EVENTS: usize = MAX_RECEIVERS + MAX_PORTS + 16;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::load;
    use crate::engine::swap::Swap;
    use crate::midi::{Channel, Key, Message, Value7};
    use crate::plan;
    use crate::ports::{GateParts, ModelEar, PortError, Sink, open_model};
    use crate::wire::{Item, Lane, PortKind};
    use std::sync::Mutex;

    /// A desk that waits at the start of the demo, with the other ends of its queues.
    struct Bench {
        desk: Desk,
        map: PortMap,
        commands: rtrb::Producer<Asked>,
        asks: rtrb::Producer<Ask>,
        answers: rtrb::Consumer<Answer>,
        plan: Plan,
        notices: rtrb::Consumer<Notice>,
        views: triple_buffer::Output<View>,
    }

    /// A command asked for while nothing is recorded.
    const fn asked(edition: u32, command: Command) -> Asked {
        Asked {
            edition,
            wish: 0,
            command,
            origin: Origin::Screen,
        }
    }

    impl Bench {
        fn waiting() -> Self {
            let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
            let night = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
            let plan = plan::compile(&loaded.show, night).unwrap();
            let (commands, command_receiver) = rtrb::RingBuffer::new(COMMAND_LIMIT);
            let (notice_sender, notices) = rtrb::RingBuffer::new(COMMAND_LIMIT);
            let (view_sender, views) = triple_buffer::triple_buffer(&View::default());
            let (asks, ask_receiver) = rtrb::RingBuffer::new(2);
            let (answer_sender, answers) = rtrb::RingBuffer::new(2);
            let ends = Ends {
                commands: command_receiver,
                asks: ask_receiver,
                answers: answer_sender,
                notices: notice_sender,
                takes: rtrb::RingBuffer::new(16).0,
                heard: rtrb::RingBuffer::new(16).0,
                views: view_sender,
                places: triple_buffer::triple_buffer(&Place::default()).0,
                shared: Arc::new(Shared::new(0)),
            };
            let at = PositionId(0);
            Self {
                desk: Desk::new(&plan, at, true, Vec::new(), Clock::start(), ends),
                map: plan.ports.clone(),
                plan,
                asks,
                answers,
                commands,
                notices,
                views,
            }
        }

        /// Receivers seen so, and those that the log was told of since the last call.
        fn seen(&mut self, wanted: Presence) -> (usize, usize) {
            self.desk.turn();
            let count = self.desk.book.receivers.len();
            let receivers = self.views.read().receivers.iter().take(count);
            let shown = receivers.filter(|seen| **seen == wanted).count();
            let told = std::iter::from_fn(|| self.notices.pop().ok());
            let is_told =
                |event: Event| matches!(event, Event::Receiver(_, seen, _) if seen == wanted);
            (shown, told.filter(|notice| is_told(notice.event)).count())
        }
    }

    /// Whoever writes does not follow: the take ends, everybody can see it, and the next one
    /// is another.
    #[test]
    fn a_take_that_nobody_follows_ends_and_says_so() {
        let mut bench = Bench::waiting();
        let shared = Arc::clone(&bench.desk.ends.shared);
        for take in [1, 3] {
            shared.takes.toggle();
            bench.desk.turn();
            // More than the queue of the bench holds; the second take finds it full.
            for _ in 0..32 {
                let step = Input::Command(Command::Step);
                bench.desk.record_input(0, step);
            }
            assert_eq!(shared.takes.ended(), (take, take));
            assert_eq!(shared.takes.wish(), take + 1);
        }
    }

    /// A command belongs to the take that was wished when it was asked for.
    #[test]
    fn a_command_asked_between_two_takes_is_in_neither() {
        let mut bench = Bench::waiting();
        bench.desk.waiting = None;
        let (takes, mut taken) = rtrb::RingBuffer::new(1_024);
        bench.desk.ends.takes = takes;
        let shared = Arc::clone(&bench.desk.ends.shared);
        for _ in 0..4 {
            let wish = shared.takes.wish();
            let command = Command::Step;
            let edition = 0;
            bench
                .commands
                .push(Asked {
                    edition,
                    wish,
                    command,
                    origin: Origin::Screen,
                })
                .unwrap();
            shared.takes.toggle();
        }
        bench.desk.turn();
        let mut heard = Vec::new();
        while let Ok(taken) = taken.pop() {
            match taken {
                Taken::Begin { take, .. } => heard.push(take),
                Taken::In(_, Input::Command(Command::Step)) => heard.push(0),
                _ => {}
            }
        }
        assert_eq!(heard, [1, 0, 3, 0]);
        assert_eq!(shared.takes.ended(), (3, 0));
    }

    #[test]
    fn ports_that_are_there_wait_and_none_is_called_lost_as_the_show_is_taken_up() {
        let mut bench = Bench::waiting();
        let count = bench.desk.book.receivers.len();
        for port in bench.map.outputs.clone() {
            bench.desk.take(Incoming::OutReady(port));
        }
        assert_eq!(bench.seen(Presence::Waiting), (count, count));
        let first = bench.map.outputs[0];
        bench.desk.take(Incoming::OutLost(first));
        let (lost, told) = bench.seen(Presence::Absent);
        assert!(lost > 0 && lost == told);
        bench.desk.take(Incoming::OutReady(first));
        assert_eq!(bench.seen(Presence::Waiting), (count, lost));
        bench.commands.push(asked(0, Command::Step)).unwrap();
        assert_eq!(bench.seen(Presence::Absent), (0, 0));
        assert_eq!(bench.seen(Presence::Waiting), (0, 0));
        assert_eq!(bench.desk.view.position, PositionId(0));
    }

    /// What was written, by port.
    type Written = Arc<Mutex<Vec<(usize, Vec<u8>)>>>;

    struct Ear(usize, Written);

    impl Sink for Ear {
        fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
            self.1.lock().unwrap().push((self.0, bytes.to_vec()));
            Ok(())
        }

        fn write_exclusive(&mut self, _piece: &[u8]) -> Result<(), PortError> {
            Ok(())
        }
    }

    /// A port whose first message cannot be written without a panic.
    struct Faulty(Arc<AtomicBool>, Written);

    impl Sink for Faulty {
        fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
            assert!(self.0.swap(true, Ordering::AcqRel), "as asked");
            self.1.lock().unwrap().push((0, bytes.to_vec()));
            Ok(())
        }

        fn write_exclusive(&mut self, _piece: &[u8]) -> Result<(), PortError> {
            Ok(())
        }
    }

    /// The loss is told once, as what it is, and the show goes on as after any loss.
    #[test]
    fn a_panic_while_a_port_is_written_to_is_told_and_playing_goes_on() {
        let mut bench = Bench::waiting();
        let (has_failed, sent) = (Arc::default(), Written::default());
        let ear: ModelEar = Arc::new(|_, _: &[u8]| {});
        let mut gate = Gate::open(GateParts {
            name: "faulty".into(),
            kind: PortKind::Software,
            sink: Box::new(Faulty(Arc::clone(&has_failed), Arc::clone(&sent))),
            blobs: Arc::from(Vec::new()),
            clock: Clock::start(),
            waker: open_model(Clock::start(), &[], &ear).unwrap().waker,
        })
        .unwrap();
        let note = |key| {
            let on = Message::NoteOn(Channel::MIN, Key::clamped(key), Value7::clamped(90));
            Item::message(Lane::Live, on)
        };
        gate.push(note(60)).unwrap();
        gate.flush();
        // Whichever thread wrote it; only a hang ends these waits otherwise.
        while !has_failed.load(Ordering::Acquire) {
            std::thread::yield_now();
        }
        gate.push(note(61)).unwrap();
        gate.flush();
        bench.desk.gates.push(gate);
        let mut told = Vec::new();
        while told.len() < 2 || sent.lock().unwrap().is_empty() {
            bench.desk.turn();
            let events = std::iter::from_fn(|| bench.notices.pop().ok()).map(|notice| notice.event);
            told.extend(
                events.filter(|event| matches!(event, Event::WritingFailed(_) | Event::OutFull(_))),
            );
        }
        assert_eq!(told, [Event::WritingFailed(0), Event::OutFull(0)]);
        assert_eq!(*sent.lock().unwrap(), [(0, vec![0x90, 61, 90])]);
        let words = |event| crate::app::notice::words(&event, &bench.plan.sheet).1;
        assert!(words(told[0]).ends_with("failed: what waited for it is lost"));
        assert!(words(told[1]).ends_with("lost messages: its state is sent again"));
    }

    /// Whatever a panic came through, the desk is dropped on the way: that alone is enough.
    #[test]
    fn a_desk_that_is_dropped_lets_every_note_go_and_stops_the_show() {
        let mut bench = Bench::waiting();
        let sent = Written::default();
        let waker = open_model(
            Clock::start(),
            &[],
            &(Arc::new(|_, _: &[u8]| {}) as ModelEar),
        );
        let waker = waker.unwrap().waker;
        let (channel, key) = (Channel::MIN, Key::clamped(60));
        for port in 0..bench.desk.book.out_ports.len() {
            let mut gate = Gate::open(GateParts {
                name: port.to_string(),
                kind: PortKind::Software,
                sink: Box::new(Ear(port, Arc::clone(&sent))),
                blobs: Arc::from(Vec::new()),
                clock: Clock::start(),
                waker: waker.clone(),
            })
            .unwrap();
            let note = Message::NoteOn(channel, key, Value7::clamped(90));
            gate.push(Item::message(Lane::Live, note)).unwrap();
            gate.flush();
            bench.desk.gates.push(gate);
        }
        let shared = Arc::clone(&bench.desk.ends.shared);
        let receivers = bench.desk.book.receivers.to_vec();
        let count = bench.desk.gates.len();
        drop(bench.desk);
        assert!(shared.stop.load(Ordering::Acquire) && shared.keeps_place.load(Ordering::Acquire));
        let sent = sent.lock().unwrap();
        for port in 0..count {
            let of = |bytes: &[u8]| sent.contains(&(port, bytes.to_vec()));
            assert!(of(&[0x90, 60, 90]) && of(&[0x80, 60, 64]), "port {port}");
            // Lights have their notes ended, and no controller moved.
            let is_silenced = of(&[0xb0, 123, 0]) && of(&[0xb0, 64, 0]);
            let mut receivers = receivers.iter();
            let sounds = receivers.any(|entry| entry.sounds && entry.port.index() == port);
            assert_eq!(is_silenced, sounds, "port {port}");
        }
        let told: Vec<Event> = std::iter::from_fn(|| bench.notices.pop().ok())
            .map(|notice| notice.event)
            .collect();
        assert_eq!(told, [Event::Ended]);
    }

    /// The desk of a show that is played, with a song taken out of its night while it waits
    /// for an answer: what is shown, told and written goes by the new numbers at once.
    #[test]
    fn a_changed_night_is_taken_and_the_old_one_comes_back() {
        let mut bench = Bench::waiting();
        let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
        let written = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
        let second_song = bench.plan.promptbook.songs[1].positions.start;
        bench
            .commands
            .push(asked(0, Command::Jump(PositionId(second_song))))
            .unwrap();
        bench.desk.waiting = None;
        bench.asks.push(Ask::Look(Box::default())).unwrap();
        bench.desk.turn();
        bench.desk.turn();
        let mut live = Box::<crate::engine::swap::Live>::default();
        bench.desk.engine.live(&mut live);
        assert!(matches!(bench.answers.pop(), Ok(Answer::Live(_))));
        let mut night = written.clone();
        if let Some(crate::show::model::NightEntry::Song { is_skipped, .. }) =
            night.order.first_mut()
        {
            *is_skipped = true;
        }
        let given = plan::Given {
            plan: &bench.plan,
            live: &live,
            written,
        };
        let replan = plan::replan(&loaded.show, &night, &given).unwrap();
        assert_eq!(replan.at, PositionId(0), "the first song is gone");
        let old = Arc::clone(bench.desk.book());
        let book = Arc::new(replan.plan.promptbook);
        let swap = Swap::prepare(&old, Arc::clone(&book), live.position, replan.at).unwrap();
        while bench.notices.pop().is_ok() {}
        bench.asks.push(Ask::Take(Box::new(swap))).unwrap();
        // A jump that was counted in the old night is not taken.
        bench
            .commands
            .push(asked(0, Command::Jump(PositionId(2))))
            .unwrap();
        bench.desk.turn();
        let Ok(Answer::Taken(swap)) = bench.answers.pop() else {
            panic!("the book was not taken");
        };
        assert!(Arc::ptr_eq(swap.book(), &old));
        assert!(Arc::ptr_eq(bench.desk.book(), &book));
        let view = bench.views.read();
        assert_eq!((view.edition, view.position), (1, PositionId(0)));
        let told: Vec<Event> = std::iter::from_fn(|| bench.notices.pop().ok())
            .map(|notice| notice.event)
            .collect();
        let edition = Event::Edition {
            edition: 1,
            from: second_song,
            position: 0,
            page: 0,
        };
        assert_eq!(told, [edition, Event::JumpTooLate]);
        bench.commands.push(asked(1, Command::Step)).unwrap();
        bench.desk.turn();
        assert_eq!(bench.views.read().position, PositionId(1));
    }
}
