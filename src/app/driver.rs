//! The playing thread: reads, decides and writes the played note.
//!
//! It waits only in `Intake::wait`, and on nothing else: its queues are wait-free at this
//! end, a port that another thread is writing is handed the message instead of waited
//! for, and what it has to say goes out as notices and as a published view.

mod book;
mod ends;
mod fault;
mod look;
mod record;
mod rescue;
mod waiting;

use record::TakeInHand;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::Ordering;

pub(super) use self::ends::{Asked, COMMAND_LIMIT, Ends, Realtime, Shared};
use self::fault::{Failures, Fault};
use self::look::Looks;
use super::journal::Place;
use super::notice::{Event, Notice, Watch};
use crate::engine::Engine;
use crate::engine::checkpoint::Checkpoint;
use crate::engine::input::{Command, Input, Outbox};
use crate::engine::limits::MAX_PORTS;
use crate::engine::promptbook::{InPort, OutPort, PositionId, Promptbook};
use crate::engine::view::{Presence, View};
use crate::plan::{Plan, PortMap};
use crate::ports::{Clock, Gate, Incoming, Intake, try_realtime};
use crate::replay;

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
    looks: Looks,
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
            looks: Looks::default(),
            watch: Watch::default(),
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
        self.catch_up();
        self.publish();
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
        let (moves, _) = self.engine.moved();
        let handled = catch_unwind(AssertUnwindSafe(|| {
            self.engine.handle(now_us, input, &mut self.outbox);
            self.may_fail("handle");
        }));
        if handled.is_err() {
            self.rebuild(now_us);
        }
        self.record_key(now_us, moves);
        self.send();
        let has_moved = self.engine.moved().0 != moves;
        self.look_after(input, has_moved || handled.is_err());
        self.keep_checkpoint();
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

    /// A message says that what answers on the port is on. The engine is told only while it
    /// does not know that yet: every note of a keyboard that is a receiver too says it again.
    fn sign_of_life(&mut self, port: usize) {
        let Some(port) = self.out_port(port) else {
            return;
        };
        let is_unsure = |seen| matches!(seen, Presence::Starting | Presence::NotVerified);
        if self.is_seen(port.index(), is_unsure) {
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

#[cfg(test)]
mod tests;
