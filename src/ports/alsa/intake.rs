//! All inputs of the rig on one client, read by the playing thread alone.
//!
//! Each port of the rig is a port of this client, so an event's destination says where it
//! came in. Anybody may connect to these ports by hand as well.

use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::Arc;
use std::time::Duration;

use ::alsa::Direction;
use ::alsa::poll::{Descriptors, Flags, poll, pollfd};
use ::alsa::seq::{Addr, EventType, PortCap, Seq};
use rustix::event::{EventfdFlags, eventfd};

use super::super::clock::Clock;
use super::super::error::OpenError;
use super::super::intake::{Incoming, Ledger, READ_LIMIT, Waker};
use super::super::matching::PortWanted;
use super::coding;
use super::sink::EAGAIN;

/// The playing thread's end.
pub(crate) struct AlsaIntake {
    seq: Seq,
    client: i32,
    /// Port of the rig by number of our client's port.
    rig_ports: Vec<Option<usize>>,
    /// Number of our client's port by port of the rig.
    own_ports: Vec<i32>,
    /// Keys of pedals that are computer keyboards, from the thread that reads them.
    keys: rtrb::Consumer<Incoming>,
    notices: rtrb::Consumer<Incoming>,
    bell: Arc<OwnedFd>,
    /// What `poll` waits on: the bell's entry first, then those of the sequencer.
    fds: Vec<pollfd>,
    /// The last wait ended by `READ_LIMIT`: events may lie in the library's own buffer,
    /// where the kernel does not see them.
    is_unfinished: bool,
    faults: ReadFaults,
    ledger: Ledger,
}

/// Keeps a lasting error of the sequencer from spinning at real-time priority: after
/// `FAULT_LIMIT` errors with no event between them nothing is read for a while.
#[derive(Default)]
struct ReadFaults {
    /// Errors since the last event.
    count: u32,
    /// No event is read before this time, in µs; 0 where reading goes on.
    paused_until_us: u64,
}

impl ReadFaults {
    /// Call when an event was read: the count starts again.
    const fn end(&mut self) {
        self.count = 0;
    }

    /// Counts one more error. True if reading pauses from this one on: what the inputs hold is
    /// then to be released.
    const fn add(&mut self, now_us: u64) -> bool {
        self.count = self.count.saturating_add(1);
        if self.count >= FAULT_LIMIT {
            self.paused_until_us = now_us + FAULT_PAUSE_US;
        }
        self.count == FAULT_LIMIT
    }

    const fn is_paused(&self, now_us: u64) -> bool {
        now_us < self.paused_until_us
    }
}

/// Another thread's end: reports what was plugged in or out, and which keys were pressed.
pub(super) struct Teller {
    notices: rtrb::Producer<Incoming>,
    bell: Arc<OwnedFd>,
}

/// Opens the client with one port for each port of the rig. The tellers are for the watching
/// thread and for the one that reads keys.
pub(super) fn open(
    clock: Clock,
    wanted: &[PortWanted],
) -> Result<(AlsaIntake, [Teller; 2]), OpenError> {
    let seq = super::open_client("segue", Some(Direction::Capture))?;
    let client = seq.client_id().map_err(super::open_error)?;
    // The most that the kernel allows; a request above it is ignored.
    seq.set_client_pool_input(POOL_LIMIT)
        .map_err(super::open_error)?;
    let mut rig_ports = Vec::new();
    let mut own_ports = Vec::new();
    for (rig_port, wanted) in wanted.iter().enumerate() {
        // Writable by subscription, so that the control client may connect it.
        let caps = PortCap::WRITE | PortCap::SUBS_WRITE;
        let own = super::create_port(&seq, &wanted.name, caps)?;
        let at = usize::try_from(own).unwrap_or_default();
        if rig_ports.len() <= at {
            rig_ports.resize(at + 1, None);
        }
        if let Some(entry) = rig_ports.get_mut(at) {
            *entry = Some(rig_port);
        }
        own_ports.push(own);
    }
    let bell = eventfd(0, EventfdFlags::NONBLOCK | EventfdFlags::CLOEXEC)
        .map_err(|error| OpenError::System(error.raw_os_error()))?;
    let mut fds = vec![pollfd {
        fd: bell.as_raw_fd(),
        events: Flags::IN.bits(),
        revents: 0,
    }];
    let seq_fds = (&seq, Some(Direction::Capture)).get();
    fds.extend(seq_fds.map_err(super::open_error)?);
    let (sender, receiver) = rtrb::RingBuffer::new(NOTICE_LIMIT);
    let (key_sender, key_receiver) = rtrb::RingBuffer::new(KEY_LIMIT);
    let bell = Arc::new(bell);
    let tellers = [sender, key_sender].map(|notices| Teller {
        notices,
        bell: Arc::clone(&bell),
    });
    let intake = AlsaIntake {
        seq,
        client,
        rig_ports,
        own_ports,
        keys: key_receiver,
        notices: receiver,
        bell,
        fds,
        is_unfinished: false,
        faults: ReadFaults::default(),
        ledger: Ledger::new(clock, wanted.len()),
    };
    Ok((intake, tellers))
}

impl Teller {
    /// Queues a report for the playing thread; `false` if there is no room: try again later.
    pub(super) fn tell(&mut self, incoming: Incoming) -> bool {
        let is_told = self.notices.push(incoming).is_ok();
        ring(&self.bell);
        is_told
    }

    /// What wakes the playing thread.
    pub(super) fn waker(&self) -> Waker {
        let bell = Arc::clone(&self.bell);
        Waker::new(move || ring(&bell))
    }
}

/// The counter is full only after 2^64 - 2 rings, and has rung then, so the result does not
/// matter.
fn ring(bell: &OwnedFd) {
    let _ = rustix::io::write(bell, &1_u64.to_ne_bytes());
}

impl AlsaIntake {
    /// Waits, then hands over what is there.
    pub(crate) fn wait(&mut self, deadline_us: Option<u64>, sink: &mut dyn FnMut(Incoming)) {
        let now_us = self.ledger.clock().now_us();
        let is_paused = self.faults.is_paused(now_us);
        let deadline_us = if is_paused {
            // While reading pauses only the bell is waited on, so that commands still come
            // through.
            let until_us = self.faults.paused_until_us;
            Some(deadline_us.map_or(until_us, |due| due.min(until_us)))
        } else {
            deadline_us
        };
        let timeout_ms = self.timeout_ms(deadline_us);
        let heard = if is_paused { 1 } else { self.fds.len() };
        let Some(fds) = self.fds.get_mut(..heard) else {
            return;
        };
        if let Err(error) = poll(fds, timeout_ms) {
            // An interrupted wait is an early return, which callers expect anyway.
            if error.errno() != EINTR {
                if self.faults.add(now_us) {
                    self.ledger.take_overflows(sink);
                }
                std::thread::sleep(FAULT_SLEEP);
            }
            return;
        }
        if is_paused {
            // These entries were not polled and may hold results of the wait before: clear
            // them.
            self.fds
                .iter_mut()
                .skip(1)
                .for_each(|entry| entry.revents = 0);
        }
        let is_readable = |entry: &pollfd| entry.revents != 0;
        let is_rung = self.fds.first().is_some_and(is_readable);
        let has_events = self.fds.iter().skip(1).any(is_readable);
        if has_events || self.is_unfinished {
            self.read_events(sink);
        }
        if is_rung {
            let mut rings = [0; 8];
            let _ = rustix::io::read(&*self.bell, &mut rings);
            while let Ok(incoming) = self.keys.pop() {
                self.ledger.pass(incoming, sink);
            }
            while let Ok(incoming) = self.notices.pop() {
                sink(incoming);
            }
            sink(Incoming::Woken);
        }
    }

    pub(crate) const fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    /// Address of our port that reads a port of the rig, for the control client.
    pub(super) fn address_of(&self, rig_port: usize) -> Result<Addr, OpenError> {
        let port = self.own_ports.get(rig_port).copied();
        Ok(Addr {
            client: self.client,
            port: port.ok_or(OpenError::System(0))?,
        })
    }

    /// `poll` counts in milliseconds. Rounded up: waking before the deadline would only
    /// mean waiting again.
    fn timeout_ms(&self, deadline_us: Option<u64>) -> i32 {
        if self.is_unfinished {
            return 0;
        }
        let Some(deadline_us) = deadline_us else {
            return -1;
        };
        let wait_us = deadline_us.saturating_sub(self.ledger.clock().now_us());
        i32::try_from(wait_us.div_ceil(1_000)).unwrap_or(i32::MAX)
    }

    fn read_events(&mut self, sink: &mut dyn FnMut(Incoming)) {
        self.is_unfinished = true;
        let mut input = self.seq.input();
        for _ in 0..READ_LIMIT {
            let event = match input.event_input() {
                Ok(event) => {
                    self.faults.end();
                    event
                }
                Err(error) if error.errno() == EAGAIN => {
                    self.is_unfinished = false;
                    return;
                }
                Err(error) if error.errno() == ENOSPC => {
                    // The kernel has thrown away all that was waiting, from every port.
                    self.ledger.take_overflows(sink);
                    continue;
                }
                // Newer kernels send kinds of event that the library does not know, one error
                // each. An error that lasts is reported as a loss at every input.
                Err(_) => {
                    let now_us = self.ledger.clock().now_us();
                    if self.faults.add(now_us) {
                        self.ledger.take_overflows(sink);
                    }
                    if self.faults.is_paused(now_us) {
                        self.is_unfinished = false;
                        return;
                    }
                    continue;
                }
            };
            let own_port = usize::try_from(event.get_dest().port).unwrap_or(usize::MAX);
            let Some(port) = self.rig_ports.get(own_port).copied().flatten() else {
                continue;
            };
            match event.get_type() {
                EventType::Sysex => {
                    let len = event.get_ext().map_or(0, <[u8]>::len);
                    self.ledger.take_exclusive(port, len, sink);
                }
                // The watching thread handles these.
                EventType::PortSubscribed | EventType::PortUnsubscribed => {}
                _ => {
                    let ledger = &mut self.ledger;
                    let pass = &mut |message| ledger.take(port, message, sink);
                    if !coding::decode(&event, pass) {
                        self.ledger.take_unknown(port);
                    }
                }
            }
        }
    }
}

/// Events that the kernel keeps for this client: SNDRV_SEQ_MAX_CLIENT_EVENTS.
const POOL_LIMIT: u32 = 2_000;

/// Notices of plugging that may wait: both directions of every port, lost and back, twice.
const NOTICE_LIMIT: usize = 256;

/// Keys of pedals that may wait: far more than feet press while the playing thread is busy.
/// When full, the loss is reported as for any input.
const KEY_LIMIT: usize = 256;

/// Linux error number: the queue has overflowed.
const ENOSPC: i32 = 28;

/// Linux error number: a signal interrupted the call.
const EINTR: i32 = 4;

/// Errors in a row after which reading pauses.
const FAULT_LIMIT: u32 = 64;

/// How long reading pauses then.
const FAULT_PAUSE_US: u64 = 20_000;

/// How long the thread gives up the processor when even waiting fails.
const FAULT_SLEEP: Duration = Duration::from_millis(5);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_error_that_lasts_pauses_reading_and_is_told_once() {
        let mut faults = ReadFaults::default();
        let told: Vec<bool> = (0..FAULT_LIMIT + 9).map(|_| faults.add(1_000)).collect();
        assert_eq!(told.iter().filter(|is_told| **is_told).count(), 1);
        assert!(told[FAULT_LIMIT as usize - 1]);
        assert!(faults.is_paused(1_000) && faults.is_paused(1_000 + FAULT_PAUSE_US - 1));
        assert!(!faults.is_paused(1_000 + FAULT_PAUSE_US));
    }

    #[test]
    fn single_errors_between_events_pause_nothing() {
        let mut faults = ReadFaults::default();
        for _ in 0..10 * FAULT_LIMIT {
            assert!(!faults.add(0));
            faults.end();
        }
        assert!(!faults.is_paused(0));
    }
}
