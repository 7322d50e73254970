//! Loops: what was just sent and comes back as played.
//!
//! A device that hands on what it is sent, or two cables that make a ring, would feed the
//! engine with itself, faster with every round if a message goes to several slots. A
//! message that equals one sent within the last 30 ms is an echo; hands repeat nothing so
//! exactly so fast. 32 of them within a second are a loop: from then on echoes are dropped,
//! until for two seconds none came. A noisy pedal says the same two values in turn, though:
//! an echo that puts its source elsewhere waits until none came for 30 ms, and the last of
//! them is played. Each loop is counted, once. What a step, a panic or
//! a return sends is not played, and nothing that comes in is its echo.

use super::machine::{Call, Machine};
use super::promptbook::ControllerId;
use crate::midi::Message;

/// How long what was sent is remembered, in microseconds: longer than any round trip, shorter
/// than hands repeat a key.
const MEMORY_US: u64 = 30_000;
/// Messages remembered: what a loop of one message on every slot hands out.
const MEMORY: usize = 128;
/// Echoes within `WINDOW_US` that are a loop.
const ECHOES: u8 = 32;
/// See `ECHOES`.
const WINDOW_US: u64 = 1_000_000;
/// Sources whose last echo is kept; those of more are played.
const PARKED: usize = 16;
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
    /// The last echo of each source that would put it elsewhere.
    parked: [Option<(ControllerId, Message)>; PARKED],
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
            parked: [None; PARKED],
        }
    }

    /// When what is parked is due.
    pub(super) fn deadline(&self) -> Option<u64> {
        let is_parked = self.parked.iter().any(Option::is_some);
        is_parked.then(|| self.last_us.saturating_add(MEMORY_US))
    }

    fn forget(&mut self, controller: ControllerId, message: Message, is_surface: bool) {
        for place in &mut self.parked {
            place.take_if(|(own, parked)| {
                // Fingers of a surface are told apart by their channels.
                *own == controller
                    && is_of_one_source(*parked, message)
                    && (!is_surface || parked.channel() == message.channel())
            });
        }
    }

    /// Keeps an echo; false if there is no place for it.
    fn park(&mut self, controller: ControllerId, message: Message) -> bool {
        match self.parked.iter_mut().find(|place| place.is_none()) {
            Some(free) => {
                *free = Some((controller, message));
                true
            }
            None => false,
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

/// Whether two messages are about the same source.
fn is_of_one_source(one: Message, other: Message) -> bool {
    match (one, other) {
        (Message::Control(_, a, _), Message::Control(_, b, _)) => a == b,
        (Message::Bend(..), Message::Bend(..)) | (Message::Pressure(..), Message::Pressure(..)) => {
            true
        }
        (Message::PolyPressure(_, a, _), Message::PolyPressure(_, b, _)) => a == b,
        _ => false,
    }
}

impl Machine {
    /// Whether what came in is our own voice in a loop, which is broken here.
    pub(super) fn is_own_voice(
        &mut self,
        call: &Call<'_>,
        controller: ControllerId,
        message: Message,
    ) -> bool {
        let (is_loop, is_news) = self.echo.hear(message, call.now_us);
        if is_news {
            self.counters.loops = self.counters.loops.saturating_add(1);
        }
        // What this source says last is what counts.
        let is_surface = self.controllers.at(controller).mpe.is_some();
        self.echo.forget(controller, message, is_surface);
        if !is_loop {
            return false;
        }
        match message {
            // What was struck must end, and an end of nothing is handed on to nobody.
            Message::NoteOff(..) => false,
            Message::NoteOn(_, _, velocity) => velocity.get() > 0,
            _ if self.says_nothing_new(controller, message) => true,
            _ => self.echo.park(controller, message),
        }
    }

    /// Whether a source stands already where a message puts it.
    fn says_nothing_new(&self, controller: ControllerId, message: Message) -> bool {
        let state = self.controllers.at(controller);
        if let Some(finger) = self.finger_on(controller, message.channel()) {
            let finger = self.finger(controller, finger);
            return finger.is_some_and(|finger| finger.stands_at(message));
        }
        match message {
            Message::Control(_, number, value) => state.stands_at(number, value),
            Message::Bend(_, value) => state.is_bent_to(value),
            Message::Pressure(_, value) => state.is_pressed_to(value),
            _ => false,
        }
    }

    /// What was taken for an echo and was the last that its source said is played after all.
    pub(super) fn run_parked(&mut self, call: &mut Call<'_>) {
        if self.echo.deadline().is_none_or(|due| due > call.now_us) {
            return;
        }
        for index in 0..PARKED {
            let parked = self.echo.parked.get_mut(index).and_then(Option::take);
            if let Some((controller, message)) = parked
                && !self.says_nothing_new(controller, message)
            {
                self.receive_from(call, controller, message);
            }
        }
    }
}
