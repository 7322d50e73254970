//! Levels on the move: a sound that stays and rides, and a sound that fades out.

use super::known::UNKNOWN;
use super::machine::{Call, Machine};
use super::promptbook::SlotId;
use crate::midi::{Value7, cc};

/// How long a level rides to its new value (DESIGN: Levels), in microseconds.
pub(super) const RIDE_US: u64 = 50_000;
/// Time between two steps of a level: 3 bytes in 10 ms leave a DIN port nine tenths free.
const RAMP_STEP_US: u64 = 10_000;

/// A level on its way.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Ramp {
    from: u8,
    to: u8,
    start_us: u64,
    duration_us: u64,
    /// When the next value is due.
    pub(super) next_us: u64,
    /// Its notes end when it has arrived.
    pub(super) is_fade: bool,
}

impl Ramp {
    const fn end_us(self) -> u64 {
        self.start_us.saturating_add(self.duration_us)
    }

    /// The value at a time: a straight line in controller values.
    fn value_at(self, now_us: u64) -> Value7 {
        let passed = now_us.saturating_sub(self.start_us).min(self.duration_us);
        let span = i64::from(self.to) - i64::from(self.from);
        let duration = i64::try_from(self.duration_us.max(1)).unwrap_or(i64::MAX);
        let passed = i64::try_from(passed).unwrap_or(0);
        let value = i64::from(self.from) + span * passed / duration;
        Value7::clamped(i32::try_from(value).unwrap_or(0))
    }
}

impl Machine {
    /// Moves a slot's level to `volume`: over 50 ms if something sounds, at once if not.
    pub(super) fn ride(&mut self, call: &mut Call<'_>, slot: SlotId, volume: Value7) {
        let state = self.slots.at_mut(slot);
        state.ramp = None;
        let from = state.known.control(cc::VOLUME);
        if from == volume.get() || state.loads_until_us.is_some() {
            return;
        }
        if from == UNKNOWN || state.is_silent(call.now_us) {
            self.tell_control(call, slot, cc::VOLUME, volume);
            return;
        }
        state.ramp = Some(Ramp {
            from,
            to: volume.get(),
            start_us: call.now_us,
            duration_us: RIDE_US,
            next_us: call.now_us.saturating_add(RAMP_STEP_US),
            is_fade: false,
        });
    }

    /// Takes a slot's level to silence over `fade_ms`, then ends its notes.
    pub(super) fn fade(&mut self, call: &mut Call<'_>, slot: SlotId, fade_ms: u16) {
        let state = self.slots.at_mut(slot);
        let duration_us = u64::from(fade_ms) * 1_000;
        let from = state.known.control(cc::VOLUME);
        if from == UNKNOWN || duration_us == 0 || state.loads_until_us.is_some() {
            self.end_notes(call, |note| note.slot == slot);
            self.lift_idle_pedals(call, slot);
            return;
        }
        state.ramp = Some(Ramp {
            from,
            to: 0,
            start_us: call.now_us,
            duration_us,
            next_us: call.now_us.saturating_add(RAMP_STEP_US.min(duration_us)),
            is_fade: true,
        });
    }

    /// Sends the values that are due. Late calls skip values, never the last one.
    pub(super) fn run_ramps(&mut self, call: &mut Call<'_>) {
        for slot in self.slot_ids() {
            let state = self.slots.at_mut(slot);
            let Some(mut ramp) = state.ramp.filter(|ramp| ramp.next_us <= call.now_us) else {
                continue;
            };
            let is_over = ramp.end_us() <= call.now_us;
            while ramp.next_us <= call.now_us && !is_over {
                ramp.next_us = ramp.next_us.saturating_add(RAMP_STEP_US).min(ramp.end_us());
            }
            state.ramp = (!is_over).then_some(ramp);
            self.tell_control(call, slot, cc::VOLUME, ramp.value_at(call.now_us));
            if is_over && ramp.is_fade {
                self.end_notes(call, |note| note.slot == slot);
                self.lift_idle_pedals(call, slot);
            }
        }
    }
}
