//! Hold, sostenuto and soft on one slot, with a value from each controller.

use crate::engine::limits::MAX_CONTROLLERS;
use crate::engine::pedals::{DOWN, PEDALS, SOSTENUTO};
use crate::engine::promptbook::ControllerId;
use crate::engine::slots::bit;

/// Which controllers' pedals a slot follows, and where each has its pedal.
///
/// What the slot is sent is the highest of all values, so a shared slot's pedal is down while
/// any controller holds it. `is_down` is what notes go by: whether a pedal was down, all
/// controllers together, when it was last compared with what the slot holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::engine) struct SlotPedals {
    /// For each pedal: controllers whose pedal is followed, one bit each.
    linked: [u16; 3],
    /// For each controller: its value for each pedal.
    values: [[u8; 3]; MAX_CONTROLLERS],
    is_down: [bool; 3],
    /// A note was ended here by `cut` or `fade` while a pedal that others need stayed down,
    /// and may sound on until that comes up.
    holds_ended: bool,
    /// Pedals that came up while a patch loaded, and that the slot has yet to be sent: what
    /// they held rings from then on.
    rises_late: [bool; 3],
}

impl SlotPedals {
    /// All up, and no controller is followed.
    pub(in crate::engine) const UP: Self = Self {
        linked: [0; 3],
        values: [[0; 3]; MAX_CONTROLLERS],
        is_down: [false; 3],
        holds_ended: false,
        rises_late: [false; 3],
    };

    /// What the slot is to be sent for this pedal: the highest value of all controllers.
    pub(in crate::engine) fn value(&self, pedal: usize) -> u8 {
        let values = self.values.iter().filter_map(|values| values.get(pedal));
        values.copied().max().unwrap_or(0)
    }

    fn value_of(&self, controller: ControllerId, pedal: usize) -> u8 {
        let values = self.values.get(controller.index());
        let value = values.and_then(|values| values.get(pedal));
        value.copied().unwrap_or(0)
    }

    fn set(&mut self, controller: ControllerId, pedal: usize, value: u8) {
        let values = self.values.get_mut(controller.index());
        if let Some(kept) = values.and_then(|values| values.get_mut(pedal)) {
            *kept = value;
        }
    }

    fn is_linked(&self, controller: ControllerId, pedal: usize) -> bool {
        let linked = self.linked.get(pedal);
        linked.is_some_and(|linked| linked & bit(controller) != 0)
    }

    fn set_linked(&mut self, controller: ControllerId, pedal: usize, is_linked: bool) {
        if let Some(linked) = self.linked.get_mut(pedal) {
            if is_linked {
                *linked |= bit(controller);
            } else {
                *linked &= !bit(controller);
            }
        }
    }

    /// Whether a pedal holds what is let go.
    pub(in crate::engine) fn is_down(&self, pedal: usize) -> bool {
        self.is_down.get(pedal).copied().unwrap_or(false)
    }

    /// Whether any pedal is down.
    pub(in crate::engine) fn any_down(&self) -> bool {
        self.is_down.contains(&true)
    }

    /// A controller's pedal moves to `value`; whether the slot takes anything from it.
    ///
    /// `plays`: the controller has a zone on the slot's sound, and the scene leads its pedal
    /// nowhere else. `may_hold`: a fresh press may hold what is held over here. `is_fresh`:
    /// the pedal goes down now.
    pub(in crate::engine) fn follow(
        &mut self,
        (controller, pedal): (ControllerId, usize),
        value: u8,
        plays: bool,
        (is_fresh, may_hold): (bool, bool),
    ) -> bool {
        let before = self.value_of(controller, pedal);
        if plays && value < DOWN {
            self.set_linked(controller, pedal, true);
        }
        let taken = match value {
            _ if plays => self.is_linked(controller, pedal).then_some(value),
            // Its scene was left, or leads it elsewhere: the way up only, then no more,
            // unless a fresh press may hold what is held over here.
            DOWN.. if may_hold && (is_fresh || before >= DOWN) => Some(value),
            _ if before == 0 => None,
            0..DOWN => Some(0),
            _ => (value < before).then_some(value),
        };
        if let Some(taken) = taken {
            self.set(controller, pedal, taken);
        }
        taken.is_some()
    }

    /// Links a controller that is new to this slot: its pedal counts from the next fresh
    /// press, unless it is up now, counted here before, or the zone catches it. Sostenuto
    /// holds what is down as it goes down: where no note is held there is nothing to catch,
    /// and sent later, when a patch has loaded, it would hold what was struck after it.
    pub(in crate::engine) fn link(
        &mut self,
        controller: ControllerId,
        values: [u8; 3],
        catches: bool,
        has_notes: bool,
    ) {
        for (pedal, value) in values.into_iter().enumerate() {
            let catches = catches && (pedal != SOSTENUTO || has_notes);
            let counts = value < DOWN || catches || self.value_of(controller, pedal) >= DOWN;
            self.set_linked(controller, pedal, counts);
            if counts {
                self.set(controller, pedal, value);
            }
        }
    }

    /// One pedal is up here, and each controller's counts from its next fresh press.
    pub(in crate::engine) fn unlink(&mut self, pedal: usize) {
        self.let_go(pedal);
        if let Some(linked) = self.linked.get_mut(pedal) {
            *linked = 0;
        }
    }

    /// The same for all three.
    pub(in crate::engine) fn unlink_all(&mut self) {
        for pedal in 0..PEDALS.len() {
            self.unlink(pedal);
        }
    }

    /// One pedal is up here for all controllers; they stay linked.
    pub(in crate::engine) fn let_go(&mut self, pedal: usize) {
        let values = self.values.iter_mut();
        for value in values.filter_map(|values| values.get_mut(pedal)) {
            *value = 0;
        }
    }

    /// All pedals are up here for all controllers; they stay linked.
    pub(in crate::engine) const fn let_go_all(&mut self) {
        self.values = [[0; 3]; MAX_CONTROLLERS];
    }

    /// Whether a pedal was down and whether it is now: notes go by the new state from here.
    pub(in crate::engine) fn take_edge(&mut self, pedal: usize) -> (bool, bool) {
        let is_down = self.value(pedal) >= DOWN;
        let before = self.is_down.get_mut(pedal);
        let was_down = before.is_some_and(|before| std::mem::replace(before, is_down));
        (was_down, is_down)
    }

    /// Whether a pedal was down, and whether it is now, when nothing goes by it yet.
    pub(in crate::engine) fn edge(&self, pedal: usize) -> (bool, bool) {
        (self.is_down(pedal), self.value(pedal) >= DOWN)
    }

    /// Notes go by the pedals as they stand, and nothing follows from that: a slot that was
    /// just taken holds none.
    pub(in crate::engine) fn skip_edges(&mut self) {
        for pedal in 0..PEDALS.len() {
            self.take_edge(pedal);
        }
    }

    /// Notes go by a pedal as if it was up, whatever the controllers say.
    pub(in crate::engine) fn ignore(&mut self, pedal: usize) {
        self.let_go(pedal);
        if let Some(is_down) = self.is_down.get_mut(pedal) {
            *is_down = false;
        }
    }

    /// Its receiver is gone: all is up, and nobody is linked.
    pub(in crate::engine) fn lose(&mut self) {
        self.unlink_all();
        self.is_down = [false; 3];
    }

    /// Notes were ended by `cut` or `fade`: a pedal that is down may hold them on.
    pub(in crate::engine) fn note_ended(&mut self) {
        self.holds_ended = self.any_down();
    }

    /// Whether a pedal may hold on what `cut` or `fade` ended.
    pub(in crate::engine) const fn holds_ended(&self) -> bool {
        self.holds_ended
    }

    /// Nothing that was ended sounds on any more.
    pub(in crate::engine) const fn forget_ended(&mut self) {
        self.holds_ended = false;
    }

    /// A pedal came up while a patch loads: the slot is sent it later.
    pub(in crate::engine) fn rise_late(&mut self, pedal: usize) {
        if let Some(late) = self.rises_late.get_mut(pedal) {
            *late = true;
        }
    }

    /// Whether a pedal came up while a patch loaded; once.
    pub(in crate::engine) fn take_late_rise(&mut self, pedal: usize) -> bool {
        let late = self.rises_late.get_mut(pedal);
        late.is_some_and(std::mem::take)
    }

    /// Two slots change their channels: what a channel was not sent belongs to the channel.
    pub(in crate::engine) const fn exchange_late_rises(&mut self, other: &mut Self) {
        std::mem::swap(&mut self.rises_late, &mut other.rises_late);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::pedals::HOLD;

    const ONE: ControllerId = ControllerId(0);
    const OTHER: ControllerId = ControllerId(1);
    const PRESS: (bool, bool) = (true, false);

    #[test]
    fn a_shared_pedal_is_down_while_any_controller_holds_it() {
        let mut pedals = SlotPedals::UP;
        for controller in [ONE, OTHER] {
            pedals.link(controller, [0; 3], false, false);
            assert!(pedals.follow((controller, HOLD), 127, true, PRESS));
        }
        assert_eq!(pedals.take_edge(HOLD), (false, true));
        assert!(pedals.follow((ONE, HOLD), 0, true, PRESS));
        assert_eq!(pedals.take_edge(HOLD), (true, true));
        assert!(pedals.follow((OTHER, HOLD), 0, true, PRESS));
        assert_eq!(pedals.take_edge(HOLD), (true, false));
    }

    #[test]
    fn a_pedal_that_is_down_counts_from_its_next_press_unless_it_is_caught() {
        let mut pedals = SlotPedals::UP;
        pedals.link(ONE, [127; 3], false, true);
        assert!(!pedals.follow((ONE, HOLD), 120, true, PRESS));
        assert!(pedals.follow((ONE, HOLD), 0, true, PRESS));
        assert!(pedals.follow((ONE, HOLD), 120, true, PRESS));
        pedals.link(OTHER, [127; 3], true, false);
        assert_eq!(pedals.value(HOLD), 127);
        assert_eq!(pedals.value(SOSTENUTO), 0, "no note is there to catch");
    }

    #[test]
    fn a_slot_that_was_left_takes_the_way_up_and_no_more() {
        let mut pedals = SlotPedals::UP;
        pedals.link(ONE, [0; 3], false, false);
        assert!(pedals.follow((ONE, HOLD), 127, true, PRESS));
        assert!(pedals.follow((ONE, HOLD), 90, false, (false, false)));
        assert!(!pedals.follow((ONE, HOLD), 100, false, (false, false)));
        assert!(pedals.follow((ONE, HOLD), 20, false, (false, false)));
        assert_eq!(pedals.value(HOLD), 0);
        assert!(!pedals.follow((ONE, HOLD), 127, false, PRESS));
        assert!(pedals.follow((ONE, HOLD), 127, false, (true, true)));
    }

    #[test]
    fn a_rise_while_a_patch_loads_is_remembered_once() {
        let mut pedals = SlotPedals::UP;
        pedals.rise_late(HOLD);
        assert!(pedals.take_late_rise(HOLD));
        assert!(!pedals.take_late_rise(HOLD));
    }
}
