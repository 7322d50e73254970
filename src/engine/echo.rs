//! Loops: what was just sent and comes back as played.
//!
//! A device that hands on what it is sent, or two cables that make a ring, would feed the
//! engine with itself, faster with every round if a message goes to several slots. A
//! message that equals one sent within the last 30 ms is an echo; hands repeat nothing so
//! exactly so fast. Eight of them within a second are a loop: from then on echoes are
//! dropped, until for two seconds none came. Each loop is counted, once.

use super::machine::{Call, Machine};
use crate::midi::Message;

/// How long what was sent is remembered, in microseconds: longer than any round trip, shorter
/// than hands repeat a key.
const MEMORY_US: u64 = 30_000;
/// Messages remembered: what a loop of one message on every slot hands out.
const MEMORY: usize = 128;
/// Echoes within `WINDOW_US` that are a loop.
const ECHOES: u8 = 8;
/// See `ECHOES`.
const WINDOW_US: u64 = 1_000_000;
/// How long no echo came when a loop is over.
const OVER_US: u64 = 2_000_000;

/// What was played out lately, and how much of it came back.
#[derive(Clone, Debug)]
pub(super) struct Echo {
    sent: [Option<(Message, u64)>; MEMORY],
    next: usize,
    echoes: u8,
    window_us: u64,
    last_us: u64,
    is_loop: bool,
}

impl Echo {
    pub(super) const fn new() -> Self {
        Self {
            sent: [None; MEMORY],
            next: 0,
            echoes: 0,
            window_us: 0,
            last_us: 0,
            is_loop: false,
        }
    }

    /// Remembers what was sent.
    pub(super) fn sent(&mut self, message: Message, now_us: u64) {
        if let Some(place) = self.sent.get_mut(self.next) {
            *place = Some((message, now_us));
        }
        self.next = (self.next + 1) % MEMORY;
    }

    /// Looks at what came in; true if it is to be dropped, and whether that is news.
    fn hear(&mut self, message: Message, now_us: u64) -> (bool, bool) {
        let echo = self.sent.iter_mut().find(|sent| {
            sent.is_some_and(|(own, at_us)| {
                own == message && now_us.saturating_sub(at_us) <= MEMORY_US
            })
        });
        let Some(echo) = echo else {
            return (false, false);
        };
        // What was sent once comes back once.
        *echo = None;
        if self.is_loop && now_us.saturating_sub(self.last_us) > OVER_US {
            self.is_loop = false;
            self.echoes = 0;
        }
        self.last_us = now_us;
        if self.is_loop {
            return (true, false);
        }
        if now_us.saturating_sub(self.window_us) > WINDOW_US {
            self.window_us = now_us;
            self.echoes = 0;
        }
        self.echoes = self.echoes.saturating_add(1);
        self.is_loop = self.echoes >= ECHOES;
        (self.is_loop, self.is_loop)
    }
}

impl Machine {
    /// Whether what came in is our own voice in a loop, which is broken here.
    pub(super) fn is_own_voice(&mut self, call: &Call<'_>, message: Message) -> bool {
        let (is_dropped, is_news) = self.echo.hear(message, call.now_us);
        if is_news {
            self.counters.loops = self.counters.loops.saturating_add(1);
        }
        // What was struck must end: a Note Off is never dropped, and what follows from one
        // that nobody owns is nothing.
        is_dropped
            && !matches!(message, Message::NoteOff(..))
            && !matches!(message, Message::NoteOn(_, _, velocity) if velocity.get() == 0)
    }
}
