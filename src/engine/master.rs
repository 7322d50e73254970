//! The master fade: everything that sounds goes out over four seconds, and comes back.
//!
//! It is a part of expression, like a route to a sound's level, so that volume stays the
//! mix and comes back as it was. By the level law its share in dB adds to all others (GM2
//! §3.3.6). It belongs to the session: steps, resends and returns leave it where it is.
//! Notes held over from scenes that were left go out too. A sound whose scene states
//! expression itself, as a parameter, is left alone.

use super::known::UNKNOWN;
use super::machine::{Call, Machine};
use super::promptbook::SlotId;
use crate::midi::{Controller, Message, Value7, cc};

/// How long the whole way takes, in microseconds.
const WAY_US: u64 = 4_000_000;
/// Time between two steps, in microseconds: 127 steps in four seconds need no more.
const STEP_US: u64 = 30_000;
/// All of it.
const WHOLE: u8 = 127;

/// Where the master fade stands. Its level goes one way, from where it was, until it is there.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Master {
    /// The part of each expression that is left, 127 being all of it.
    level: u8,
    /// It goes out, or is out.
    is_out: bool,
    from: u8,
    start_us: u64,
    /// When the next step is due.
    next_us: Option<u64>,
}

impl Master {
    /// Everything is heard.
    pub(super) const fn new() -> Self {
        Self {
            level: WHOLE,
            is_out: false,
            from: WHOLE,
            start_us: 0,
            next_us: None,
        }
    }

    /// The part of each expression that is left, 127 being all of it.
    pub(super) const fn level(self) -> u8 {
        self.level
    }

    /// Whether it goes out, or is out.
    pub(super) const fn is_out(self) -> bool {
        self.is_out
    }

    /// When the next step is due.
    pub(super) const fn deadline(self) -> Option<u64> {
        self.next_us
    }

    /// Faded out already, or not at all.
    pub(super) const fn settled(is_out: bool) -> Self {
        let level = if is_out { 0 } else { WHOLE };
        Self {
            level,
            is_out,
            ..Self::new()
        }
    }

    /// An expression as the fade leaves it.
    pub(super) fn part_of(self, value: Value7) -> Value7 {
        let whole = i32::from(WHOLE);
        Value7::clamped((i32::from(value.get()) * i32::from(self.level) + whole / 2) / whole)
    }

    fn level_at(self, now_us: u64) -> u8 {
        let goal = if self.is_out { 0 } else { WHOLE };
        let passed_us = now_us.saturating_sub(self.start_us);
        let steps = u8::try_from(passed_us * u64::from(WHOLE) / WAY_US).unwrap_or(WHOLE);
        if self.is_out {
            self.from.saturating_sub(steps)
        } else {
            self.from.saturating_add(steps).min(goal)
        }
    }
}

impl Machine {
    /// Begins to go out, or to come back, from wherever it is.
    pub(super) fn fade_all(&mut self, call: &mut Call<'_>, is_out: bool) {
        if self.master.is_out == is_out {
            return;
        }
        self.master = Master {
            is_out,
            from: self.master.level,
            start_us: call.now_us,
            next_us: Some(call.now_us),
            ..self.master
        };
        self.run_master(call);
    }

    /// Takes the step that is due.
    pub(super) fn run_master(&mut self, call: &mut Call<'_>) {
        if self.master.next_us.is_none_or(|due| due > call.now_us) {
            return;
        }
        let before = self.master;
        let level = before.level_at(call.now_us);
        let is_there = level == if before.is_out { 0 } else { WHOLE };
        self.master.level = level;
        self.master.next_us = (!is_there).then(|| call.now_us.saturating_add(STEP_US));
        if level == before.level {
            return;
        }
        for slot in self.slot_ids() {
            self.tell_master(call, slot, before);
        }
    }

    /// At the end nothing that is silent stays dark for whoever plays it next.
    pub(super) fn end_master(&mut self, call: &mut Call<'_>) {
        let before = std::mem::replace(&mut self.master, Master::new());
        if before.level == WHOLE {
            return;
        }
        for slot in self.slot_ids() {
            let rings = |state: &super::slots::SlotState| !state.sounding.is_silent(call.now_us);
            if !rings(self.slots.at(slot)) {
                self.tell_master(call, slot, before);
            }
        }
    }

    fn tell_master(&mut self, call: &mut Call<'_>, slot: SlotId, before: Master) {
        let state = self.slots.at(slot);
        let known = state.known.control(cc::EXPRESSION);
        let is_idle = state.sound.is_none() && state.sounding.is_silent(call.now_us);
        if !state.usage.is_played || is_idle || known == UNKNOWN {
            return;
        }
        let value = if self.own_sound(call.book, state).is_some() {
            if self.states_expression(call, state.voiced) {
                return;
            }
            self.present_control(call.book, state, cc::EXPRESSION)
        } else {
            let unfaded = state.level.unfaded(known);
            let whole = unfaded.unwrap_or_else(|| whole_of(known, before.level));
            let value = self.master.part_of(Value7::clamped(whole.into()));
            self.slots.at_mut(slot).level.note_faded(whole, value);
            value
        };
        if value.get() != known {
            let number: Controller = cc::EXPRESSION;
            self.pass(call, slot, |ch| Message::Control(ch, number, value));
        }
    }

    /// Whether a sound's scene states its expression, and so has the say.
    fn states_expression(&self, call: &Call<'_>, voiced: Option<usize>) -> bool {
        let sound = voiced.and_then(|index| call.book.sounds.get(index));
        let settings = sound.map_or(&[][..], |sound| sound.settings.of(&call.book.settings));
        settings
            .iter()
            .any(|setting| super::voicing::sets(*setting, cc::EXPRESSION))
    }
}

/// What an expression would be without a fade that left `level` of it; all of it if nothing
/// was left.
fn whole_of(known: u8, level: u8) -> u8 {
    let whole = u32::from(WHOLE);
    let value = (u32::from(known) * whole + u32::from(level) / 2).checked_div(level.into());
    u8::try_from(value.unwrap_or(whole).min(whole)).unwrap_or(WHOLE)
}
