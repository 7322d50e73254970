//! What comes in, for the one thread that plays: waiting, reading, being woken.
//!
//! An `Intake` belongs to the playing thread and is the only thing it ever waits on.
//! Signs of life that come by the hundred (clock, active sensing, pieces of SysEx) are
//! counted here and passed on at most four times a second, so that they cost the engine
//! nothing.

use std::fmt;
use std::sync::Arc;

use super::channel::ChannelIntake;
use super::clock::Clock;
use super::error::PortError;
use crate::midi::Message;

/// What is reported to the playing thread. Ports are indices into the rig's list of ports.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Incoming {
    /// A message from an input.
    Message {
        /// Index of the port in the rig.
        port: usize,
        /// The message; never clock or active sensing.
        message: Message,
        /// When it was read, by the ports' clock.
        at_us: u64,
    },
    /// Clock, active sensing or SysEx came from this input: not passed on, but it is alive.
    SignOfLife(usize),
    /// Messages from this input were lost: what it holds is no longer known.
    Overflow(usize),
    /// The input is gone.
    InLost(usize),
    /// The input is there (again).
    InReady(usize),
    /// The device for the input is plugged in, but could not be taken. Reported once until that
    /// changes.
    InRefused(usize, PortError),
    /// The output is gone.
    OutLost(usize),
    /// The output is there (again).
    OutReady(usize),
    /// The first scan is done: every port of the rig was looked for, and those found were
    /// reported.
    Surveyed,
    /// A `Waker` ended the wait; nothing came in.
    Woken,
}

/// What came in at one port since the start, by kind.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct InCounts {
    /// Messages passed on to the playing thread.
    pub messages: u64,
    /// Timing clock and active sensing messages, which are not passed on.
    pub pulses: u64,
    /// Bytes of SysEx, not passed on.
    pub exclusive_bytes: u64,
    /// Events that are no MIDI message, dropped.
    pub unknown: u64,
    /// Times that messages were lost for want of room.
    pub overflows: u64,
}

/// The playing thread's way in.
pub struct Intake {
    kind: Kind,
}

enum Kind {
    #[cfg(target_os = "linux")]
    Alsa(Box<super::alsa::AlsaIntake>),
    Channel(ChannelIntake),
}

impl Intake {
    #[cfg(target_os = "linux")]
    pub(super) fn alsa(intake: super::alsa::AlsaIntake) -> Self {
        Self {
            kind: Kind::Alsa(Box::new(intake)),
        }
    }

    pub(super) const fn channel(intake: ChannelIntake) -> Self {
        Self {
            kind: Kind::Channel(intake),
        }
    }

    /// Waits until something comes, somebody wakes it or the deadline (by the ports'
    /// clock) is there, then hands over all that is there, at most `READ_LIMIT` events.
    ///
    /// Without a deadline it waits for ever. It may return early with nothing, and up to
    /// 1 ms after the deadline.
    pub fn wait(&mut self, deadline_us: Option<u64>, sink: &mut dyn FnMut(Incoming)) {
        match &mut self.kind {
            #[cfg(target_os = "linux")]
            Kind::Alsa(intake) => intake.wait(deadline_us, sink),
            Kind::Channel(intake) => intake.wait(deadline_us, sink),
        }
    }

    /// What came in at a port so far.
    #[must_use]
    pub fn counts(&self, port: usize) -> InCounts {
        let ledger = match &self.kind {
            #[cfg(target_os = "linux")]
            Kind::Alsa(intake) => intake.ledger(),
            Kind::Channel(intake) => intake.ledger(),
        };
        ledger.counts(port)
    }
}

impl fmt::Debug for Intake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Intake").finish_non_exhaustive()
    }
}

/// Wakes the playing thread from any thread, without ever blocking.
#[derive(Clone)]
pub struct Waker {
    wake: Arc<dyn Fn() + Send + Sync>,
}

impl Waker {
    pub(super) fn new(wake: impl Fn() + Send + Sync + 'static) -> Self {
        Self {
            wake: Arc::new(wake),
        }
    }

    /// Wakes it. Several calls before it wakes count as one.
    pub fn wake(&self) {
        (self.wake)();
    }
}

impl fmt::Debug for Waker {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Waker").finish_non_exhaustive()
    }
}

/// The most events that one `wait` hands over, so that a flood cannot keep the engine
/// from its deadlines.
pub const READ_LIMIT: usize = 512;

/// Counts what comes in, and thins out what is only a sign of life.
#[derive(Debug)]
pub(super) struct Ledger {
    clock: Clock,
    ports: Vec<PortLedger>,
}

#[derive(Clone, Copy, Debug, Default)]
struct PortLedger {
    counts: InCounts,
    /// The next sign of life is passed on from this time on, in µs.
    quiet_until_us: u64,
}

impl Ledger {
    pub(super) fn new(clock: Clock, port_count: usize) -> Self {
        Self {
            clock,
            ports: vec![PortLedger::default(); port_count],
        }
    }

    /// Counts a message and passes it on, or the sign of life that it is.
    pub(super) fn take(&mut self, port: usize, message: Message, sink: &mut dyn FnMut(Incoming)) {
        if matches!(message, Message::Clock | Message::ActiveSensing) {
            self.count(port, |counts| counts.pulses += 1);
            self.pass_sign_of_life(port, sink);
            return;
        }
        self.count(port, |counts| counts.messages += 1);
        let at_us = self.clock.now_us();
        sink(Incoming::Message {
            port,
            message,
            at_us,
        });
    }

    /// Passes on what another thread read, counted as if it had been read here.
    pub(super) fn pass(&mut self, incoming: Incoming, sink: &mut dyn FnMut(Incoming)) {
        match incoming {
            Incoming::Message { port, message, .. } => self.take(port, message, sink),
            Incoming::Overflow(port) => self.take_overflow(port, sink),
            incoming => sink(incoming),
        }
    }

    /// Counts a piece of SysEx.
    pub(super) fn take_exclusive(
        &mut self,
        port: usize,
        bytes: usize,
        sink: &mut dyn FnMut(Incoming),
    ) {
        self.count(port, |counts| counts.exclusive_bytes += bytes as u64);
        self.pass_sign_of_life(port, sink);
    }

    /// Counts something that is no MIDI message.
    pub(super) fn take_unknown(&mut self, port: usize) {
        self.count(port, |counts| counts.unknown += 1);
    }

    /// Counts a loss and reports it.
    pub(super) fn take_overflow(&mut self, port: usize, sink: &mut dyn FnMut(Incoming)) {
        self.count(port, |counts| counts.overflows += 1);
        sink(Incoming::Overflow(port));
    }

    /// Counts and reports a loss at every port: what was discarded may belong to any of them.
    pub(super) fn take_overflows(&mut self, sink: &mut dyn FnMut(Incoming)) {
        for port in 0..self.ports.len() {
            self.take_overflow(port, sink);
        }
    }

    pub(super) fn counts(&self, port: usize) -> InCounts {
        self.ports
            .get(port)
            .map_or_else(InCounts::default, |p| p.counts)
    }

    pub(super) fn clock(&self) -> Clock {
        self.clock
    }

    pub(super) fn port_count(&self) -> usize {
        self.ports.len()
    }

    fn count(&mut self, port: usize, add: impl FnOnce(&mut InCounts)) {
        if let Some(ledger) = self.ports.get_mut(port) {
            add(&mut ledger.counts);
        }
    }

    fn pass_sign_of_life(&mut self, port: usize, sink: &mut dyn FnMut(Incoming)) {
        let now_us = self.clock.now_us();
        let Some(ledger) = self.ports.get_mut(port) else {
            return;
        };
        if now_us >= ledger.quiet_until_us {
            ledger.quiet_until_us = now_us + SIGN_OF_LIFE_US;
            sink(Incoming::SignOfLife(port));
        }
    }
}

/// Least time between two signs of life of one port.
const SIGN_OF_LIFE_US: u64 = 250_000;
