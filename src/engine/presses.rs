//! Pedals and buttons that are commands: edges, bounce and double presses.
//!
//! The 250 ms rule is for feet: a command from a screen is meant each time.

use super::machine::{Call, Machine};
use super::promptbook::{Action, Binding, ControllerId, Trigger};
use super::slots::Owed;
use super::view::Swallowed;
use crate::midi::{KeyCode, Message};

/// Edges this close to the last accepted one are bounce (common practice: 5–50 ms).
const BOUNCE_US: u64 = 40_000;
/// A second step by pedal sooner than this is not meant (DESIGN: live rules).
const DOUBLE_PRESS_US: u64 = 250_000;
/// A pedal's controller is down from here (GM2 §3.3.7).
const PRESSED_FROM: u8 = 64;

/// A binding at run time.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Press {
    is_down: bool,
    accepted_us: Option<u64>,
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
                self.act(call, binding.action);
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
        if matches!(action, Action::Step | Action::Back) {
            let is_brief = self.scene(call.book).is_some_and(|scene| scene.is_brief);
            let is_soon = self
                .pedal_step_us
                .is_some_and(|last| call.now_us.saturating_sub(last) < DOUBLE_PRESS_US);
            if is_soon && !is_brief {
                self.swallow(call.now_us, Swallowed::TooSoon);
                return;
            }
        }
        let position = self.position;
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
                let is_forced = self.slots.iter().any(|slot| slot.owed == Owed::Everything);
                self.resend(call, None, is_forced);
                self.report_resend(call, None);
            }
            Action::Mute => self.is_muted = !self.is_muted,
            Action::Fade => self.fade_all(call, !self.master.is_out),
        }
        if self.position != position {
            self.pedal_step_us = Some(call.now_us);
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
