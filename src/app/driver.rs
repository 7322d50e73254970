//! The playing thread: reads, decides and writes the played note.
//!
//! It waits only in `Intake::wait`, and on nothing else: its queues are wait-free at this
//! end, a port that another thread is writing is handed the message instead of waited
//! for, and what it has to say goes out as notices and as a published view.

mod book;
mod record;
mod rescue;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64, Ordering};

use super::learning::Heard;
use super::notice::{Event, Notice, Watch};
use super::recorder::Taken;
use super::replanning::{Answer, Ask};
use crate::engine::Engine;
use crate::engine::checkpoint::Checkpoint;
use crate::engine::input::{Command, Input, Origin, Outbox};
use crate::engine::limits::{MAX_PORTS, MAX_RECEIVERS};
use crate::engine::promptbook::{Action, InPort, OutPort, PositionId, Promptbook};
use crate::engine::view::{Presence, View};
use crate::midi::Message;
use crate::plan::{Plan, PortMap};
use crate::ports::{Clock, Gate, Incoming, Intake, try_realtime};
use crate::replay;

/// Commands from the screen that may wait for the playing thread. When full, one more is
/// refused and the screen says so.
pub(super) const COMMAND_LIMIT: usize = 256;

/// A command, with the edition of the night that it was asked of, and what asked for it.
pub(super) type Asked = (u32, Command, Origin);

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
    /// A recording runs, and the log knows where it began.
    is_recording: bool,
    /// After a kill nothing is sent until somebody says so: outputs that are there wait
    /// here. None once the show has been taken up.
    waiting: Option<[bool; MAX_PORTS]>,
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
    /// Flags and counters.
    pub(super) shared: Arc<Shared>,
}

/// Flags and counters that all threads see, and none waits for.
#[derive(Debug)]
pub(super) struct Shared {
    /// Set when the show is to end.
    pub(super) stop: AtomicBool,
    /// The show ends because the terminal is gone: the next start comes back to its place.
    pub(super) keeps_place: AtomicBool,
    /// What is played is to be recorded.
    pub(super) is_recording: AtomicBool,
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
            is_recording: AtomicBool::new(false),
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
    /// Plays until told to stop, then lets everything go.
    pub(super) fn run(mut self) {
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
        while !self.desk.ends.shared.stop.load(Ordering::Acquire) {
            let deadline = self.desk.deadline_us();
            let Self { intake, desk } = &mut self;
            intake.wait(Some(deadline), &mut |incoming| desk.take(incoming));
            desk.turn();
        }
        self.desk.end();
    }
}

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
            is_recording: false,
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

    /// A message played. While the show waits to be taken up, the press of a stepping
    /// pedal takes it up, and nothing else is played.
    fn play(&mut self, port: InPort, message: Message) {
        if self.waiting.is_none() {
            self.handle(Input::Midi(port, message));
        } else if self.is_step_press(port, message) {
            self.take_up();
        }
    }

    fn is_step_press(&self, port: InPort, message: Message) -> bool {
        self.book.bindings.iter().any(|binding| {
            let controller = self.book.controllers.get(binding.controller.index());
            let is_from = controller.is_some_and(|c| {
                c.port == port && message.channel().is_none_or(|own| c.has_channel(own))
            });
            is_from && binding.action == Action::Step && binding.is_pressed_by(message)
        })
    }

    /// The show is taken up where it was: every port that is there gets its state.
    fn take_up(&mut self) {
        let Some(waiting) = self.waiting else {
            return;
        };
        self.report(Event::TakenUp);
        for (port, _) in waiting
            .iter()
            .enumerate()
            .filter(|(_, is_there)| **is_there)
        {
            // One after the other: those that wait for their turn are not lost meanwhile.
            self.set_waiting(port, false);
            self.handle(Input::OutputReady(OutPort(port as u8)));
        }
        self.waiting = None;
    }

    /// Notes that an output waits, or no longer does; false if no output waits any more.
    fn set_waiting(&mut self, port: usize, is_there: bool) -> bool {
        let place = self
            .waiting
            .as_mut()
            .and_then(|waiting| waiting.get_mut(port));
        place.map(|place| *place = is_there).is_some()
    }

    /// After each wait: commands, the engine's deadline, refused messages, the view.
    fn turn(&mut self) {
        while let Ok(ask) = self.ends.asks.pop() {
            self.answer(ask);
        }
        while let Ok((edition, command, origin)) = self.ends.commands.pop() {
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
        if self
            .engine
            .next_deadline()
            .is_some_and(|deadline| deadline <= now_us)
        {
            self.handle(Input::Tick);
        }
        for port in 0..self.gates.len() {
            if self.gates.get(port).is_some_and(Gate::take_overflow) {
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
        let now_us = self.clock.now_us();
        self.record_input(now_us, input);
        self.outbox.clear();
        let Self { engine, outbox, .. } = self;
        if catch_unwind(AssertUnwindSafe(|| engine.handle(now_us, input, outbox))).is_err() {
            self.rebuild(now_us);
        }
        self.record_key(now_us);
        self.send();
        self.look();
        self.checkpoint = self.engine.checkpoint();
    }

    /// Looks at the engine, and tells what changed since the last look.
    fn look(&mut self) {
        self.engine.view(&mut self.view);
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

/// Shows the receivers whose outputs wait: the engine has not heard of those ports.
fn mark_waiting(book: &Promptbook, waiting: &[bool; MAX_PORTS], view: &mut View) {
    for (entry, seen) in book.receivers.iter().zip(&mut view.receivers) {
        if waiting.get(entry.port.index()).copied().unwrap_or(false) {
            *seen = Presence::Waiting;
        }
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
    use crate::plan;

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
        bench
            .commands
            .push((0, Command::Step, Origin::Screen))
            .unwrap();
        assert_eq!(bench.seen(Presence::Absent), (0, 0));
        assert_eq!(bench.seen(Presence::Waiting), (0, 0));
        assert_eq!(bench.desk.view.position, PositionId(0));
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
            .push((0, Command::Jump(PositionId(second_song)), Origin::Screen))
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
            .push((0, Command::Jump(PositionId(2)), Origin::Screen))
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
        bench
            .commands
            .push((1, Command::Step, Origin::Screen))
            .unwrap();
        bench.desk.turn();
        assert_eq!(bench.views.read().position, PositionId(1));
    }
}
