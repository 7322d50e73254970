//! Pedals, buttons and keys that are commands: edges, bounce and double presses.
//!
//! A key of the computer's keyboard that steps is held to the rules of a pedal: a page-turn
//! pedal may be behind it, and a stray key is no better than a stray foot. Where the keyboard
//! does not tell that a key repeats, a key that is held looks like one that is pressed again
//! and again:
//!
//! ```text
//!  press        first repeat   others
//!  |            |   |   |   |   |   |      one press, held
//!  |            |                          two presses
//!  0            250-700 ms     under 100 ms apart
//! ```
//!
//! So a press under 100 ms after the last of that key is its repeat, and one under 700 ms
//! after it waits 100 ms, whether another follows. What is chosen or typed on a screen is
//! meant each time.

use super::input::{Command, KeyPress, Origin};
use super::machine::{Call, Machine};
use super::promptbook::{Action, Binding, ControllerId, Trigger};
use super::view::Swallowed;
use crate::midi::{KeyCode, Message};

/// Edges this close to the last accepted one are bounce (common practice: 5–50 ms).
const BOUNCE_US: u64 = 40_000;
/// A second step by pedal or key sooner than this is not meant (DESIGN: live rules).
const DOUBLE_PRESS_US: u64 = 250_000;
/// Keyboards repeat a key that is held at shorter times than this (common practice, no
/// source: 20 to 92 ms), and no finger does.
const REPEAT_US: u64 = 100_000;
/// And begin to before so long (common practice, no source: 250 to 660 ms).
const FIRST_REPEAT_US: u64 = 700_000;
/// A pedal's controller is down from here (GM2 §3.3.7).
const PRESSED_FROM: u8 = 64;

/// A binding at run time.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Press {
    is_down: bool,
    accepted_us: Option<u64>,
}

/// What the computer's keyboard is in the middle of.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct KeyState {
    /// The key that stepped or was swallowed last, and when.
    last: Option<(u32, u64)>,
    /// A press that may be the first repeat of a key that is held: a step or a back, and
    /// until when it waits.
    waiting: Option<(Command, KeyPress, u64)>,
}

impl KeyState {
    /// When a press has waited long enough.
    pub(super) fn deadline(&self) -> Option<u64> {
        self.waiting.map(|(_, _, due_us)| due_us)
    }
}

/// What a message says about a binding.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Edge {
    Down,
    Up,
    /// A press that has no release.
    Tap,
}

impl Binding {
    /// Whether this message is a press of it, whatever came before.
    #[must_use]
    pub fn is_pressed_by(&self, message: Message) -> bool {
        matches!(edge_of(self, message), Some(Edge::Down | Edge::Tap))
    }
}

impl Machine {
    /// Whether a binding takes this message; if it is a press, does what it says.
    pub(super) fn take_press(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        message: Message,
    ) -> bool {
        let book = call.book;
        let mut is_taken = false;
        for (index, binding) in book.bindings.iter().enumerate() {
            if binding.controller != controller {
                continue;
            }
            let Some(edge) = edge_of(binding, message) else {
                continue;
            };
            is_taken = true;
            if !self.is_press(call.now_us, index, binding, edge) {
                continue;
            }
            if self.rescue.ignores_binding(index) {
                self.swallow(call.now_us, Swallowed::Ignored);
            } else if self.rescue.locks(binding.action) {
                self.swallow(call.now_us, Swallowed::Locked);
            } else {
                // A book has fewer bindings than that.
                call.origin = Origin::Pedal(u16::try_from(index).unwrap_or(u16::MAX));
                self.act(call, binding.action);
                call.origin = Origin::Program;
            }
        }
        is_taken
    }

    /// Follows the pedal and says whether this edge is a press that counts.
    fn is_press(&mut self, now_us: u64, index: usize, binding: &Binding, edge: Edge) -> bool {
        let Some(press) = self.presses.get_mut(index) else {
            return false;
        };
        let is_down = edge != Edge::Up;
        if press.is_down == is_down && edge != Edge::Tap {
            return false;
        }
        press.is_down = edge == Edge::Down;
        let would_count = is_down || binding.is_latching;
        let is_bounce = press
            .accepted_us
            .is_some_and(|last| now_us.saturating_sub(last) < BOUNCE_US);
        if is_bounce {
            if would_count {
                self.swallow(now_us, Swallowed::Bounce);
            }
            return false;
        }
        press.accepted_us = Some(now_us);
        would_count
    }

    fn act(&mut self, call: &mut Call<'_>, action: Action) {
        if matches!(action, Action::Step | Action::Back) && self.is_double(call) {
            self.swallow(call.now_us, Swallowed::TooSoon);
            return;
        }
        let steps = self.counters.steps;
        match action {
            Action::Step => self.step(call),
            Action::Back => self.back(call),
            Action::SongDown => self.song_down(call),
            Action::SongUp => self.song_up(call),
            Action::PageNext => self.turn_page(call, 1),
            Action::PageBack => self.turn_page(call, -1),
            Action::Panic => self.panic(call, None),
            Action::Resend => {
                // A second press, while slots are still spared, forces them.
                let is_forced = self.slots.iter().any(|slot| slot.debts.owes_everything());
                self.resend(call, None, is_forced);
                self.report_resend(call, None);
            }
            Action::Mute => self.is_muted = !self.is_muted,
            Action::Fade => self.fade_all(call, !self.master.is_out()),
        }
        if self.counters.steps != steps {
            self.pressed_step_us = Some(call.now_us);
        }
    }

    /// Whether a step now comes so soon after the last one that it is not meant.
    fn is_double(&self, call: &Call<'_>) -> bool {
        let is_brief = self.scene(call.book).is_some_and(|scene| scene.is_brief);
        let since_us = self
            .pressed_step_us
            .map(|last| call.now_us.saturating_sub(last));
        since_us.is_some_and(|us| us == 0 || us < DOUBLE_PRESS_US && !is_brief)
    }

    /// A command, and what asked for it.
    pub(super) fn obey_asked(&mut self, call: &mut Call<'_>, command: Command, origin: Origin) {
        match (origin, command) {
            (Origin::Key(press), Command::Step | Command::Back) => {
                self.press_step_key(call, command, press);
            }
            _ => self.obey_by(call, command, origin),
        }
    }

    fn obey_by(&mut self, call: &mut Call<'_>, command: Command, origin: Origin) {
        call.origin = origin;
        self.obey(call, command);
        call.origin = Origin::Program;
    }

    /// A key that steps, or goes back.
    fn press_step_key(&mut self, call: &mut Call<'_>, command: Command, press: KeyPress) {
        let now_us = call.now_us;
        let last = self.keys.last.replace((press.key, now_us));
        let since_us = last
            .filter(|(key, _)| *key == press.key)
            .map(|(_, last_us)| now_us.saturating_sub(last_us));
        let is_within = |limit_us| since_us.is_some_and(|us| us < limit_us);
        if !press.is_certain && is_within(REPEAT_US) {
            // What waited was a repeat too.
            self.keys.waiting = None;
            self.swallow(now_us, Swallowed::Repeat);
        } else if is_within(BOUNCE_US) {
            self.swallow(now_us, Swallowed::Bounce);
        } else {
            if let Some((command, press, _)) = self.keys.waiting.take() {
                // Another key is pressed: that one was not held.
                self.step_by_key(call, command, press);
            }
            if !press.is_certain && is_within(FIRST_REPEAT_US) && !self.is_double(call) {
                let due_us = now_us.saturating_add(REPEAT_US);
                self.keys.waiting = Some((command, press, due_us));
            } else {
                self.step_by_key(call, command, press);
            }
        }
    }

    fn step_by_key(&mut self, call: &mut Call<'_>, command: Command, press: KeyPress) {
        if self.is_double(call) {
            self.swallow(call.now_us, Swallowed::TooSoon);
            return;
        }
        let steps = self.counters.steps;
        self.obey_by(call, command, Origin::Key(press));
        if self.counters.steps != steps {
            self.pressed_step_us = Some(call.now_us);
        }
    }

    /// A press of a key that no repeat has followed is one.
    pub(super) fn run_keys(&mut self, call: &mut Call<'_>) {
        if let Some((command, press, _)) = self
            .keys
            .waiting
            .take_if(|(_, _, due_us)| *due_us <= call.now_us)
        {
            self.step_by_key(call, command, press);
        }
    }

    /// Counts a press that does nothing, and shows it.
    pub(super) fn swallow(&mut self, now_us: u64, reason: Swallowed) {
        self.counters.swallowed = self.counters.swallowed.saturating_add(1);
        self.swallowed = Some((now_us, reason));
    }

    /// The pedals of a lost controller: up, without doing anything. Latching ones stay.
    pub(super) fn lift_presses(&mut self, call: &Call<'_>, controller: ControllerId) {
        for (press, binding) in self.presses.iter_mut().zip(&call.book.bindings) {
            if binding.controller == controller && !binding.is_latching {
                press.is_down = false;
            }
        }
    }
}

fn edge_of(binding: &Binding, message: Message) -> Option<Edge> {
    let is_down = match (binding.trigger, message) {
        (Trigger::Control(wanted), Message::Control(_, number, value)) if wanted == number => {
            value.get() >= PRESSED_FROM
        }
        (Trigger::Note(wanted), Message::NoteOn(_, key, velocity)) if wanted == key => {
            velocity.get() > 0
        }
        (Trigger::Note(wanted), Message::NoteOff(_, key, _)) if wanted == key => false,
        (Trigger::Program(wanted), Message::Program(_, program)) => {
            return (wanted == program).then_some(Edge::Tap);
        }
        (Trigger::Code(wanted), message) => match KeyCode::of(message) {
            Some((code, is_down)) if code == wanted => is_down,
            _ => return None,
        },
        _ => return None,
    };
    Some(if is_down != binding.is_inverted {
        Edge::Down
    } else {
        Edge::Up
    })
}
