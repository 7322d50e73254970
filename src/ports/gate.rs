//! The way from the playing thread to one output: who writes, and when.
//!
//! Behind each gate are the port's wire (what is sent next, at what pace) and its sink, both
//! under one claim, so there is one writer at any time and the order is the wire's. The
//! playing thread puts messages into a bounded inbox and tries the claim. It mostly gets it:
//! then it writes at once, on its own thread, what may be sent at once, since a hand-over
//! would cost a third of the latency. What must wait for the line, or could not be written
//! because another had the claim, is written by the port's own sender thread.
//!
//! No wake-up is lost: a thread that fails to get the claim raises a flag and unparks the
//! sender *after* putting the message into the inbox, and the sender checks the flag after it
//! has released the claim and before it parks. (The unpark alone would not do: a sink that
//! waits for something of its own may use it up.)
//!
//! A panic while a message is written is caught at the pump, so no sender ends by it: what
//! waited for that port is lost, and `take_panic` reports it to the playing thread.
//!
//! Once messages have been refused or have failed, what the receivers hold is unknown.
//! `take_overflow` reports it to the playing thread only when the port takes messages again:
//! sending the state into a port that is still stuck would only fail again.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, TryLockError};
use std::thread::{JoinHandle, Thread};
use std::time::Duration;

use super::clock::Clock;
use super::error::OpenError;
use super::intake::Waker;
use super::pump::{Entry, GateReading, Published, Pump, Rest};
use super::realtime;
use super::sink::Sink;
use super::sounding::Sounding;
use crate::midi::Message;
use crate::wire::{Item, Lane, Payload, PortKind};

/// The stored SysEx messages of a show, by number; each whole, F0 to F7.
pub type BlobTable = Arc<[Box<[u8]>]>;

/// What a gate is made of.
pub struct GateParts {
    /// The port's name in the rig, for the thread's name.
    pub name: String,
    /// What kind of line it is.
    pub kind: PortKind,
    /// Writes the bytes to the device.
    pub sink: Box<dyn Sink>,
    /// The show's stored SysEx messages, by number.
    pub blobs: BlobTable,
    /// The clock that all ports share, in microseconds.
    pub clock: Clock,
    /// Wakes the playing thread when there is something for `take_overflow`.
    pub waker: Waker,
}

/// The playing thread's end of one output.
pub struct Gate {
    inbox: rtrb::Producer<Entry>,
    shared: Arc<Shared>,
    sounding: Sounding,
    sender: Thread,
    thread: Option<JoinHandle<bool>>,
    /// The screen's end of what the pump publishes, until somebody asks for the meter.
    published: Option<triple_buffer::Output<Published>>,
}

/// The inbox was full; here is the item back. It is counted, and `take_overflow` reports when
/// the port takes messages again.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Refused(pub Item);

/// What playing thread, sender and meter share.
struct Shared {
    clock: Clock,
    pump: Mutex<Pump>,
    /// Messages were lost, and the port takes messages again: reported by `take_overflow`.
    has_overflowed: AtomicBool,
    /// Writing panicked since `take_panic` was last called.
    has_panicked: AtomicBool,
    /// Messages were refused since the last loss was reported.
    is_refusing: AtomicBool,
    refused: AtomicU64,
    /// The sender must look again before it parks.
    is_sender_asked: AtomicBool,
    /// When the sender ends, done or not; `NEVER` while the gate is in use.
    over_by_us: AtomicU64,
    waker: Waker,
}

impl Gate {
    /// Opens a gate and starts its sender thread.
    ///
    /// # Errors
    /// If the system has no thread left.
    pub fn open(parts: GateParts) -> Result<Self, OpenError> {
        let (producer, consumer) = rtrb::RingBuffer::new(INBOX_LIMIT);
        let (input, published) = triple_buffer::triple_buffer(&Published::nothing());
        let pump = Pump::new(
            parts.kind,
            parts.sink,
            parts.blobs,
            consumer,
            input,
            parts.clock.now_us(),
        );
        let shared = Arc::new(Shared {
            clock: parts.clock,
            pump: Mutex::new(pump),
            has_overflowed: AtomicBool::new(false),
            has_panicked: AtomicBool::new(false),
            is_refusing: AtomicBool::new(false),
            refused: AtomicU64::new(0),
            is_sender_asked: AtomicBool::new(false),
            over_by_us: AtomicU64::new(NEVER),
            waker: parts.waker,
        });
        let theirs = Arc::clone(&shared);
        let thread = std::thread::Builder::new()
            .name(format!("send {}", parts.name))
            .spawn(move || theirs.send_until_over())
            .map_err(|error| OpenError::System(error.raw_os_error().unwrap_or_default()))?;
        Ok(Self {
            inbox: producer,
            shared,
            sounding: Sounding::new(),
            sender: thread.thread().clone(),
            thread: Some(thread),
            published: Some(published),
        })
    }

    /// Puts a message into the inbox; `flush` sends it on its way. A changeover is put in
    /// whole before it is flushed.
    ///
    /// # Errors
    /// Gives the item back if the inbox is full.
    pub fn push(&mut self, item: Item) -> Result<(), Refused> {
        if self.inbox.push(Entry::Item(item)).is_ok() {
            if let Payload::Short(bytes) = item.payload {
                self.sounding.note(bytes.as_slice());
            }
            return Ok(());
        }
        self.shared.refused.fetch_add(1, Ordering::Relaxed);
        self.shared.is_refusing.store(true, Ordering::Release);
        Err(Refused(item))
    }

    /// Writes what may go now, if nobody else is writing, and leaves the rest to the
    /// sender thread. Never blocks.
    pub fn flush(&self) {
        match self.shared.pump.try_lock() {
            Ok(mut pump) => self.shared.run(&mut pump, Writer::Player(&self.sender)),
            Err(TryLockError::Poisoned(poisoned)) => {
                let mut pump = poisoned.into_inner();
                self.shared.run(&mut pump, Writer::Player(&self.sender));
            }
            Err(TryLockError::WouldBlock) => self.shared.ask(&self.sender),
        }
    }

    /// Whether a note-on was put in whose note-off was not.
    #[must_use]
    pub fn is_sounding(&self) -> bool {
        self.sounding.is_any()
    }

    /// Ends every note that was put in and not ended, and flushes: for when the engine that
    /// decides what sounds has failed. What the port cannot take is counted as refused.
    pub fn end_notes(&mut self) {
        let sounding = std::mem::replace(&mut self.sounding, Sounding::new());
        self.push_all(|pass| sounding.end_notes(pass));
    }

    /// Ends the notes, raises the pedals and silences each channel that was used.
    pub fn silence(&mut self) {
        let sounding = std::mem::replace(&mut self.sounding, Sounding::new());
        self.push_all(|pass| {
            sounding.end_notes(pass);
            sounding.silence(pass);
        });
    }

    fn push_all(&mut self, each: impl FnOnce(&mut dyn FnMut(Message))) {
        each(&mut |message| {
            let item = Item::message(Lane::Live, message);
            if self.push(item).is_err() {
                // Try again, now that the inbox has been emptied.
                self.flush();
                let _ = self.push(item);
            }
        });
        self.flush();
    }

    /// Drops all that waits, as when the port is gone. `false` if the inbox is full: call it
    /// again later.
    pub fn clear(&mut self) -> bool {
        self.inbox.push(Entry::Clear).is_ok()
    }

    /// Drops what waits in the prime and bulk lanes, as at a step: it was for a scene that is
    /// past. `false` if the inbox is full.
    pub fn drop_prime_and_bulk(&mut self) -> bool {
        self.inbox.push(Entry::DropPrimeAndBulk).is_ok()
    }

    /// Whether messages were refused or failed, and the way is open again; asking resets it.
    #[must_use]
    pub fn take_overflow(&self) -> bool {
        self.shared.has_overflowed.swap(false, Ordering::AcqRel)
    }

    /// Whether writing panicked, on any thread; asking resets it. What waited for the port is
    /// then lost, which `take_overflow` reports as any loss.
    #[must_use]
    pub fn take_panic(&self) -> bool {
        self.shared.has_panicked.swap(false, Ordering::AcqRel)
    }

    /// The meter for the screen. There is one: the first caller gets it, later ones None.
    pub fn meter(&mut self) -> Option<GateMeter> {
        let published = self.published.take()?;
        Some(GateMeter {
            shared: Arc::clone(&self.shared),
            published,
        })
    }

    /// Ends the sender once all is written, at the latest after `limit`, and waits for it.
    /// Returns whether everything was written. For the end of the program, when nothing is
    /// played any more.
    pub fn close(mut self, limit: Duration) -> bool {
        let limit_us = u64::try_from(limit.as_micros()).unwrap_or(NEVER);
        let over_by_us = self.shared.clock.now_us().saturating_add(limit_us);
        self.shared.over_by_us.store(over_by_us, Ordering::Release);
        self.shared.ask(&self.sender);
        // A panic while it writes is caught where it writes (`Pump::run`).
        self.thread
            .take()
            .is_some_and(|thread| thread.join().unwrap_or(false))
    }
}

impl Drop for Gate {
    /// Without `close` the sender ends at once, and nobody waits for it.
    fn drop(&mut self) {
        if self.thread.is_some() {
            self.shared.over_by_us.store(0, Ordering::Release);
            self.shared.ask(&self.sender);
        }
    }
}

impl std::fmt::Debug for Gate {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Gate").finish_non_exhaustive()
    }
}

/// Who runs the pump.
enum Writer<'a> {
    /// The playing thread, which leaves what must wait to this sender.
    Player(&'a Thread),
    Sender,
}

impl Shared {
    /// Runs the pump, reports panics and losses to the playing thread, and wakes the sender in
    /// time for what is left.
    fn run(&self, pump: &mut Pump, writer: Writer<'_>) {
        let now_us = self.clock.now_us();
        let rest = pump.run(now_us);
        if pump.take_panic() {
            self.has_panicked.store(true, Ordering::Release);
            self.waker.wake();
        }
        // Reported once nothing waits, so that there is room for the state that is then sent
        // again.
        if rest == Rest::Idle && !pump.is_failing() {
            let has_refused = self.is_refusing.swap(false, Ordering::AcqRel);
            if pump.take_losses() || has_refused {
                self.has_overflowed.store(true, Ordering::Release);
                self.waker.wake();
            }
        }
        let due_us = match rest {
            Rest::Idle => NEVER,
            Rest::Until(time_us) => time_us,
        };
        match writer {
            Writer::Player(sender) => {
                if due_us < pump.sender_due_us {
                    self.ask(sender);
                }
            }
            Writer::Sender => pump.sender_due_us = due_us,
        }
        pump.publish();
    }

    /// Makes the sender look again, now or as soon as it is done.
    fn ask(&self, sender: &Thread) {
        self.is_sender_asked.store(true, Ordering::Release);
        sender.unpark();
    }

    /// The loop of the sender thread. Returns whether everything was written at its end.
    fn send_until_over(&self) -> bool {
        // The sender needs the playing thread's priority, a little below it. Without it pacing
        // is only less exact.
        let _ = realtime::try_priority(realtime::SENDER_PRIORITY);
        loop {
            // Read first: what was put into the inbox before the end was asked for is
            // then seen by this very run.
            let over_by_us = self.over_by_us.load(Ordering::Acquire);
            let mut pump = self.lock();
            self.run(&mut pump, Writer::Sender);
            let due_us = pump.sender_due_us;
            drop(pump);
            let is_asked_to_end = over_by_us != NEVER;
            if is_asked_to_end && (due_us == NEVER || self.clock.now_us() >= over_by_us) {
                return due_us == NEVER;
            }
            if self.is_sender_asked.swap(false, Ordering::AcqRel) {
                continue;
            }
            match due_us.min(over_by_us) {
                NEVER => std::thread::park(),
                wake_us => std::thread::park_timeout(self.clock.until(wake_us)),
            }
        }
    }

    fn lock(&self) -> MutexGuard<'_, Pump> {
        self.pump.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Reads a port's counters for the screen.
pub struct GateMeter {
    shared: Arc<Shared>,
    published: triple_buffer::Output<Published>,
}

impl GateMeter {
    /// The counters as they were published last. Reading neither waits nor claims the port, so
    /// it never delays a writer.
    pub fn read(&mut self) -> GateReading {
        let refused = self.shared.refused.load(Ordering::Relaxed);
        let now_us = self.shared.clock.now_us();
        self.published.read().read(now_us, refused)
    }
}

impl std::fmt::Debug for GateMeter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("GateMeter").finish_non_exhaustive()
    }
}

/// Messages that may wait in the inbox: as many as one call of the engine hands out.
pub const INBOX_LIMIT: usize = 4096;

/// Stands for no end in `over_by_us`.
const NEVER: u64 = u64::MAX;
