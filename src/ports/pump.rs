//! What is behind a gate's claim: the wire, the sink, and the message being written.

use std::panic::{AssertUnwindSafe, catch_unwind};

use super::error::PortError;
use super::gate::{BlobTable, INBOX_LIMIT};
use super::sink::{PIECE_BYTES, Sink};
use crate::midi::Bytes;
use crate::wire::{
    Item, LaneCount, Limits, Next, Payload, PortKind, Reading, Snapshot, Wall, Wire, cost_us,
};

/// What the playing thread puts into the inbox.
pub(super) enum Entry {
    /// A message to be sent.
    Item(Item),
    /// Drop all that waits.
    Clear,
    /// Drop what waits in the prime and bulk lanes.
    DropPrimeAndBulk,
}

/// What is left after a run.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Rest {
    /// Nothing is left: nothing waits.
    Idle,
    /// Something is left, which may go at this time, in µs.
    Until(u64),
}

/// Counters of an output, for the screen.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct GateReading {
    /// The wire: what waits, bytes, how busy the line is.
    pub wire: Reading,
    /// Counts by lane, in the order of `Lane::ALL`.
    pub lanes: [LaneCount; 4],
    /// Messages refused because the inbox was full.
    pub refused: u64,
    /// Messages that could not be written.
    pub failed: u64,
    /// Messages refused because they are show control that can injure people.
    pub barred: u64,
    /// The last error, and when it came, in µs.
    pub last_error: Option<(PortError, u64)>,
    /// When a byte was last written, in µs; None if none was.
    pub last_write_us: Option<u64>,
}

/// What a pump publishes of itself after each run.
#[derive(Clone, Copy, Debug)]
pub(super) struct Published {
    wire: Snapshot,
    failed: u64,
    barred: u64,
    last_error: Option<(PortError, u64)>,
    last_write_us: Option<u64>,
}

impl Published {
    /// Nothing has happened yet.
    pub(super) fn nothing() -> Self {
        Self {
            wire: Snapshot::idle(),
            failed: 0,
            barred: 0,
            last_error: None,
            last_write_us: None,
        }
    }

    /// The counters at this time; `refused` is the gate's.
    pub(super) fn read(&self, now_us: u64, refused: u64) -> GateReading {
        GateReading {
            wire: self.wire.read(now_us),
            lanes: self.wire.lanes(),
            refused,
            failed: self.failed,
            barred: self.barred,
            last_error: self.last_error,
            last_write_us: self.last_write_us,
        }
    }
}

/// One port's writer; whoever holds the claim runs it.
pub(super) struct Pump {
    /// When the sender will look again by itself, in µs; only the sender sets it.
    pub(super) sender_due_us: u64,
    kind: PortKind,
    wire: Wire,
    wall: Wall,
    sink: Box<dyn Sink>,
    blobs: BlobTable,
    inbox: rtrb::Consumer<Entry>,
    in_hand: Option<InHand>,
    /// Since when the sink has answered `Busy` without a break.
    busy_since_us: Option<u64>,
    /// The last write failed for good.
    is_failing: bool,
    has_losses: bool,
    failed: u64,
    /// Panics since the first of the last `PANIC_WINDOW_US`, and when that was.
    panics: (u32, u64),
    has_panicked: bool,
    last_error: Option<(PortError, u64)>,
    last_write_us: Option<u64>,
    published: triple_buffer::Input<Published>,
}

/// A message that the wire has handed out and that is not yet written in full.
#[derive(Clone, Copy, Debug)]
enum InHand {
    Short {
        bytes: Bytes,
        not_before_us: u64,
    },
    Exclusive {
        id: usize,
        written: usize,
        start_us: u64,
        not_before_us: u64,
    },
}

impl InHand {
    const fn not_before_us(&self) -> u64 {
        match self {
            Self::Short { not_before_us, .. } | Self::Exclusive { not_before_us, .. } => {
                *not_before_us
            }
        }
    }

    const fn put_off(&mut self, until_us: u64) {
        match self {
            Self::Short { not_before_us, .. } | Self::Exclusive { not_before_us, .. } => {
                *not_before_us = until_us;
            }
        }
    }
}

impl Pump {
    pub(super) fn new(
        kind: PortKind,
        sink: Box<dyn Sink>,
        blobs: BlobTable,
        inbox: rtrb::Consumer<Entry>,
        published: triple_buffer::Input<Published>,
        now_us: u64,
    ) -> Self {
        Self {
            sender_due_us: 0,
            kind,
            wire: Wire::new(kind, LIMITS, now_us),
            wall: Wall::default(),
            sink,
            blobs,
            inbox,
            in_hand: None,
            busy_since_us: None,
            is_failing: false,
            has_losses: false,
            failed: 0,
            panics: (0, 0),
            has_panicked: false,
            last_error: None,
            last_write_us: None,
            published,
        }
    }

    /// Writes all that may go now. A panic while writing is caught: writing goes on, and
    /// `take_losses` reports the loss, so that notes end and the state is sent again.
    pub(super) fn run(&mut self, now_us: u64) -> Rest {
        let written = catch_unwind(AssertUnwindSafe(|| self.write_all(now_us)));
        written.unwrap_or_else(|_| {
            self.recover(now_us);
            Rest::Idle
        })
    }

    /// Drops all that waits after a panic: any of it may have been the cause.
    fn recover(&mut self, now_us: u64) {
        self.wire = Wire::new(self.kind, LIMITS, now_us);
        self.busy_since_us = None;
        self.give_up(PortError::Panicked, now_us);
        if now_us.saturating_sub(self.panics.1) > PANIC_WINDOW_US {
            self.panics = (0, now_us);
        }
        self.panics.0 = self.panics.0.saturating_add(1);
        self.has_panicked = true;
        // If the state that is sent again panics each time, it would be sent for ever: then the
        // loss is reported only with the next message that gets through, as on a port that
        // refuses.
        self.is_failing = self.panics.0 > PANIC_LIMIT;
    }

    fn write_all(&mut self, now_us: u64) -> Rest {
        loop {
            // Taken in before each write: what came meanwhile may be more urgent.
            self.take_in(now_us);
            let Some(in_hand) = self.in_hand else {
                match self.wire.next(now_us) {
                    Next::Send(item) => self.in_hand = Some(take_up(item, now_us)),
                    Next::Wait(until_us) => return Rest::Until(until_us),
                    Next::Idle => return Rest::Idle,
                }
                continue;
            };
            if in_hand.not_before_us() > now_us {
                return Rest::Until(in_hand.not_before_us());
            }
            let result = self.write(in_hand, now_us);
            self.settle(result, now_us);
        }
    }

    /// Whether messages were lost; asking resets it.
    pub(super) const fn take_losses(&mut self) -> bool {
        std::mem::replace(&mut self.has_losses, false)
    }

    /// Whether writing panicked; asking resets it.
    pub(super) const fn take_panic(&mut self) -> bool {
        std::mem::replace(&mut self.has_panicked, false)
    }

    /// Whether the last write failed, so that the next one would probably fail as well.
    pub(super) const fn is_failing(&self) -> bool {
        self.is_failing
    }

    /// Publishes the counters for the screen, which never asks for the claim.
    pub(super) fn publish(&mut self) {
        self.published.write(Published {
            wire: self.wire.snapshot(),
            failed: self.failed,
            barred: self.wall.barred(),
            last_error: self.last_error,
            last_write_us: self.last_write_us,
        });
    }

    /// Empties the inbox into the wire. What a full lane refuses is lost, and the loss
    /// reported.
    fn take_in(&mut self, now_us: u64) {
        while let Ok(entry) = self.inbox.pop() {
            match entry {
                Entry::Item(item) => {
                    if self.wire.push(now_us, item).is_err() {
                        self.has_losses = true;
                    }
                }
                // The port is gone, so a SysEx under way need not be ended either.
                Entry::Clear => {
                    self.wire.clear();
                    self.in_hand = None;
                    self.busy_since_us = None;
                }
                Entry::DropPrimeAndBulk => {
                    self.wire.drop_prime_and_bulk();
                }
            }
        }
    }

    /// Writes a short message, or the next piece of a long one; says what is then left.
    fn write(&mut self, in_hand: InHand, now_us: u64) -> Result<Option<InHand>, PortError> {
        match in_hand {
            InHand::Short { bytes, .. } => {
                self.sink.write_short(bytes.as_slice())?;
                Ok(None)
            }
            InHand::Exclusive {
                id,
                written,
                start_us,
                ..
            } => {
                let mut blob: &[u8] = self.blobs.get(id).ok_or(PortError::Malformed)?;
                if written == 0 {
                    let passed = self.wall.pass(blob);
                    blob = passed.map_err(|barred| PortError::Barred(barred.0))?;
                }
                let end = blob.len().min(written + PIECE_BYTES);
                let piece = blob.get(written..end).ok_or(PortError::Malformed)?;
                self.sink.write_exclusive(piece)?;
                let byte_count = u32::try_from(end).unwrap_or(u32::MAX);
                Ok((end < blob.len()).then_some(InHand::Exclusive {
                    id,
                    written: end,
                    start_us,
                    // The next piece when the line has carried those before it.
                    not_before_us: (start_us + cost_us(self.kind, byte_count)).max(now_us),
                }))
            }
        }
    }

    /// Handles the result of a write.
    fn settle(&mut self, result: Result<Option<InHand>, PortError>, now_us: u64) {
        match result {
            Ok(left) => {
                self.in_hand = left;
                self.busy_since_us = None;
                self.is_failing = false;
                self.last_write_us = Some(now_us);
            }
            Err(PortError::Busy) => {
                let since_us = *self.busy_since_us.get_or_insert(now_us);
                if now_us.saturating_sub(since_us) < BUSY_LIMIT_US {
                    if let Some(in_hand) = &mut self.in_hand {
                        in_hand.put_off(now_us + BUSY_RETRY_US);
                    }
                } else {
                    // The port is stuck. What waits is stale by now and is dropped message by
                    // message, until one gets through.
                    self.give_up(PortError::Busy, now_us);
                }
            }
            Err(error) => self.give_up(error, now_us),
        }
    }

    fn give_up(&mut self, error: PortError, now_us: u64) {
        self.in_hand = None;
        // A malformed message is our own fault and would be one again, and a barred one never
        // leaves: nothing is gained by sending the state again.
        if !matches!(error, PortError::Malformed | PortError::Barred(_)) {
            self.is_failing = true;
            self.has_losses = true;
        }
        if !matches!(error, PortError::Barred(_)) {
            self.failed += 1;
        }
        self.last_error = Some((error, now_us));
    }
}

fn take_up(item: Item, now_us: u64) -> InHand {
    match item.payload {
        Payload::Short(bytes) => InHand::Short {
            bytes,
            not_before_us: now_us,
        },
        Payload::Blob { id, .. } => InHand::Exclusive {
            id: usize::from(id),
            written: 0,
            start_us: now_us,
            not_before_us: now_us,
        },
    }
}

/// Room in the lanes: all that one call of the engine can hand out fits into an empty
/// wire, so the state can always be sent again in full. For `live`, every note the engine
/// can hold is let go and struck again.
const LIMITS: Limits = Limits {
    realtime: Limits::REALTIME,
    live: 2_048,
    changeover: INBOX_LIMIT as u16,
    prime: INBOX_LIMIT as u16,
    bulk: Limits::BULK,
    burst_us: Limits::BURST_US,
};

/// How long a busy port is tried again with the same message.
const BUSY_LIMIT_US: u64 = 500_000;

/// The most panics within `PANIC_WINDOW_US` after which the state is sent again at once.
const PANIC_LIMIT: u32 = 8;

/// How long a panic counts: a minute.
const PANIC_WINDOW_US: u64 = 60_000_000;

/// How long until a busy port is tried again.
const BUSY_RETRY_US: u64 = 1_000;
