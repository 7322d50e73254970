//! What the playing thread shares with the others: its ends of the queues, and flags.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU8, AtomicU64};

use super::super::journal::Place;
use super::super::learning::Heard;
use super::super::notice::Notice;
use super::super::recorder::Taken;
use super::super::replanning::{Answer, Ask};
use super::super::takes::Takes;
use crate::engine::input::{Command, Origin};
use crate::engine::view::View;

/// Commands from the screen that may wait for the playing thread. When full, one more is
/// refused and the screen says so.
pub(in super::super) const COMMAND_LIMIT: usize = 256;

/// A command from the screen.
#[derive(Clone, Copy, Debug)]
pub(in super::super) struct Asked {
    /// The edition of the night that it was asked of.
    pub(in super::super) edition: u32,
    /// The wish of recording then: what was asked between two takes belongs to neither.
    pub(in super::super) wish: u64,
    /// What is to be done.
    pub(in super::super) command: Command,
    /// What asked for it.
    pub(in super::super) origin: Origin,
}

/// The playing thread's ends of what it shares with the others.
pub(in super::super) struct Ends {
    /// What the screen asks for.
    pub(in super::super) commands: rtrb::Consumer<Asked>,
    /// What whoever plans the night anew asks for.
    pub(in super::super) asks: rtrb::Consumer<Ask>,
    /// And is answered.
    pub(in super::super) answers: rtrb::Producer<Answer>,
    /// What happens, for the log.
    pub(in super::super) notices: rtrb::Producer<Notice>,
    /// What comes in and goes out, while a recording runs.
    pub(in super::super) takes: rtrb::Producer<Taken>,
    /// What comes in, while a control is learned.
    pub(in super::super) heard: rtrb::Producer<Heard>,
    /// The view, for the screen.
    pub(in super::super) views: triple_buffer::Input<View>,
    /// Where the show is, for the journal.
    pub(in super::super) places: triple_buffer::Input<Place>,
    /// Flags and counters.
    pub(in super::super) shared: Arc<Shared>,
}

/// Flags and counters that all threads see, and none waits for.
#[derive(Debug)]
pub(in super::super) struct Shared {
    /// Set when the show is to end.
    pub(in super::super) stop: AtomicBool,
    /// The show ends though nobody meant to end it, as when the terminal is gone: the next
    /// start comes back to its place.
    pub(in super::super) keeps_place: AtomicBool,
    /// Whether what is played is to be recorded, and how far that is.
    pub(in super::super) takes: Takes,
    /// A control is being learned: what comes in is to be looked at.
    pub(in super::super) is_learning: AtomicBool,
    /// Messages that found no room to be looked at.
    pub(in super::super) unheard: AtomicU64,
    /// What became of real-time priority: a `Realtime`.
    pub(in super::super) realtime: AtomicU8,
    /// Notices that found no room in their queue.
    pub(in super::super) notices_dropped: AtomicU64,
    /// How often each input port lost messages.
    pub(in super::super) overflows: Box<[AtomicU64]>,
}

impl Shared {
    /// Nothing has happened yet, at so many input ports.
    pub(in super::super) fn new(input_count: usize) -> Self {
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
pub(in super::super) enum Realtime {
    /// The thread has not started yet.
    Unknown,
    /// It has it.
    Granted,
    /// The system does not allow it.
    Refused,
}
