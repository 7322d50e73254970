//! An intake fed by other threads: for the portable library's callbacks and the model rig.
//!
//! One bounded queue for all ports. What does not fit is refused and flagged, and the
//! playing thread is told of the loss at its next wait: the flag is beside the queue, so
//! a full queue cannot swallow it.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};

use super::clock::Clock;
use super::intake::{Incoming, Ledger, READ_LIMIT, Waker};

/// Messages that may wait for the playing thread: more than two seconds of a whole DIN
/// line (1 000 messages a second).
const QUEUE_LIMIT: usize = 4096;

/// The playing thread's end.
pub(super) struct ChannelIntake {
    queue: Receiver<Fed>,
    is_lossy: Arc<[AtomicBool]>,
    ledger: Ledger,
}

/// The other threads' end.
#[derive(Clone)]
pub(super) struct Feed {
    queue: SyncSender<Fed>,
    is_lossy: Arc<[AtomicBool]>,
}

/// What other threads put into the queue.
#[derive(Clone, Copy, Debug)]
pub(super) enum Fed {
    /// Handed to the playing thread as it is.
    Tell(Incoming),
    /// A piece of SysEx, only counted: the port, and how many bytes.
    Exclusive(usize, usize),
}

/// Makes the queue, and returns both of its ends.
pub(super) fn channel(clock: Clock, port_count: usize) -> (Feed, ChannelIntake) {
    let (sender, receiver) = sync_channel(QUEUE_LIMIT);
    let is_lossy: Arc<[AtomicBool]> = (0..port_count).map(|_| AtomicBool::new(false)).collect();
    let feed = Feed {
        queue: sender,
        is_lossy: Arc::clone(&is_lossy),
    };
    let intake = ChannelIntake {
        queue: receiver,
        is_lossy,
        ledger: Ledger::new(clock, port_count),
    };
    (feed, intake)
}

impl Feed {
    /// Queues something that a port sent. Without room it is lost, and the port is flagged.
    pub(super) fn send(&self, port: usize, fed: Fed) {
        if self.queue.try_send(fed).is_err()
            && let Some(flag) = self.is_lossy.get(port)
        {
            flag.store(true, Ordering::Release);
        }
    }

    /// Queues a report of plugging or unplugging; `false` if there is no room: try again later.
    pub(super) fn tell(&self, incoming: Incoming) -> bool {
        match self.queue.try_send(Fed::Tell(incoming)) {
            Ok(()) => true,
            // The playing thread has ended: nobody needs the report.
            Err(TrySendError::Disconnected(_)) => true,
            Err(TrySendError::Full(_)) => false,
        }
    }

    /// What wakes the playing thread. With a full queue it is awake already.
    pub(super) fn waker(&self) -> Waker {
        let queue = self.queue.clone();
        Waker::new(move || {
            let _ = queue.try_send(Fed::Tell(Incoming::Woken));
        })
    }
}

impl ChannelIntake {
    pub(super) fn wait(&mut self, deadline_us: Option<u64>, sink: &mut dyn FnMut(Incoming)) {
        let first = match deadline_us {
            Some(deadline_us) => {
                let timeout = self.ledger.clock().until(deadline_us);
                self.queue.recv_timeout(timeout).ok()
            }
            None => self.queue.recv().ok(),
        };
        if let Some(fed) = first {
            self.hand_over(fed, sink);
        }
        for _ in 1..READ_LIMIT {
            let Ok(fed) = self.queue.try_recv() else {
                break;
            };
            self.hand_over(fed, sink);
        }
        for port in 0..self.ledger.port_count() {
            let flag = self.is_lossy.get(port);
            if flag.is_some_and(|flag| flag.swap(false, Ordering::AcqRel)) {
                self.ledger.take_overflow(port, sink);
            }
        }
    }

    pub(super) const fn ledger(&self) -> &Ledger {
        &self.ledger
    }

    fn hand_over(&mut self, fed: Fed, sink: &mut dyn FnMut(Incoming)) {
        match fed {
            Fed::Tell(incoming) => self.ledger.pass(incoming, sink),
            Fed::Exclusive(port, bytes) => self.ledger.take_exclusive(port, bytes, sink),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Channel, Key, Message, Value7};

    fn note(key: u8) -> Incoming {
        Incoming::Message {
            port: 0,
            message: Message::NoteOn(Channel::MIN, Key::clamped(key.into()), Value7::MAX),
            at_us: 0,
        }
    }

    fn read(intake: &mut ChannelIntake) -> Vec<Incoming> {
        let mut all = Vec::new();
        intake.wait(Some(0), &mut |incoming| all.push(incoming));
        all
    }

    #[test]
    fn a_full_queue_is_told_as_a_loss_at_that_port_only() {
        let (feed, mut intake) = channel(Clock::start(), 2);
        for _ in 0..=QUEUE_LIMIT {
            feed.send(0, Fed::Tell(note(60)));
        }
        let mut losses = Vec::new();
        let mut notes = 0;
        for _ in 0..QUEUE_LIMIT {
            for incoming in read(&mut intake) {
                match incoming {
                    Incoming::Message { .. } => notes += 1,
                    other => losses.push(other),
                }
            }
        }
        assert_eq!(notes, QUEUE_LIMIT);
        assert_eq!(losses, [Incoming::Overflow(0)]);
        assert_eq!(intake.ledger().counts(0).overflows, 1);
        assert_eq!(intake.ledger().counts(1).overflows, 0);
    }

    #[test]
    fn pulses_are_counted_and_thinned_out() {
        let (feed, mut intake) = channel(Clock::start(), 1);
        for message in [Message::Clock, Message::ActiveSensing, Message::Start] {
            feed.send(
                0,
                Fed::Tell(Incoming::Message {
                    port: 0,
                    message,
                    at_us: 0,
                }),
            );
        }
        feed.send(0, Fed::Exclusive(0, 300));
        let all = read(&mut intake);
        let signs = all
            .iter()
            .filter(|&&incoming| incoming == Incoming::SignOfLife(0))
            .count();
        assert_eq!(all.len() - signs, 1, "only Start is passed on: {all:?}");
        assert!(signs < 3, "{all:?}");
        let counts = intake.ledger().counts(0);
        assert_eq!((counts.pulses, counts.exclusive_bytes), (2, 300));
        assert_eq!(counts.messages, 1);
    }

    #[test]
    fn a_waker_ends_the_wait() {
        let (feed, mut intake) = channel(Clock::start(), 1);
        feed.waker().wake();
        assert_eq!(read(&mut intake), [Incoming::Woken]);
    }
}
