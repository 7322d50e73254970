//! The fingers of MPE surfaces that play a slot, and the members of its zone.

use crate::engine::mpe::Lead;
use crate::engine::promptbook::ControllerId;
use crate::midi::Value14;
use crate::midi::mpe::MAX_MEMBERS;

/// A member of an MPE zone.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Member {
    lead: Option<Lead>,
    /// When it became free, counted.
    freed: u32,
}

impl Member {
    const FREE: Self = Self {
        lead: None,
        freed: 0,
    };
}

/// Which finger is heard on each channel of a slot: its own (0), or a member of its MPE zone
/// (1–15). One at a time is heard on each.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::engine) struct Fingers {
    lead: Option<Lead>,
    members: [Member; MAX_MEMBERS],
    /// Counts members that became free.
    frees: u32,
}

impl Fingers {
    /// No finger is down.
    pub(in crate::engine) const NONE: Self = Self {
        lead: None,
        members: [Member::FREE; MAX_MEMBERS],
        frees: 0,
    };

    /// The finger that is heard on the slot's own channel.
    pub(in crate::engine) const fn lead(&self) -> Option<Lead> {
        self.lead
    }

    /// The finger that is heard on a channel; 0 is the slot's own.
    pub(in crate::engine) fn lead_on(&self, member: u8) -> Option<Lead> {
        match member.checked_sub(1) {
            None => self.lead,
            Some(index) => self.members.get(usize::from(index))?.lead,
        }
    }

    /// Another finger is heard on a channel, or none.
    pub(in crate::engine) fn set_lead(&mut self, member: u8, lead: Option<Lead>) {
        match member.checked_sub(1) {
            None => self.lead = lead,
            Some(index) => {
                if let Some(member) = self.members.get_mut(usize::from(index)) {
                    member.lead = lead;
                }
            }
        }
    }

    /// The bend of a surface as a whole moved: it counts for the finger on the own channel.
    pub(in crate::engine) fn move_base(&mut self, controller: ControllerId, base: Value14) {
        if let Some(lead) = &mut self.lead
            && lead.controller == controller
        {
            lead.base = base;
        }
    }

    /// The last note on a member ended: it is free from now on.
    pub(in crate::engine) fn free(&mut self, member: u8) {
        let index = member.checked_sub(1).map(usize::from);
        if let Some(member) = index.and_then(|index| self.members.get_mut(index)) {
            self.frees = self.frees.wrapping_add(1);
            member.freed = self.frees;
        }
    }

    /// When a member became free, as a count: the lower, the longer ago.
    pub(in crate::engine) fn freed(&self, member: u8) -> u32 {
        let index = member.checked_sub(1).map(usize::from);
        let member = index.and_then(|index| self.members.get(index));
        member.map_or(0, |member| member.freed)
    }

    /// Nothing is held any more; which member was free longest is forgotten too.
    pub(in crate::engine) const fn lose(&mut self) {
        self.lead = None;
        self.members = [Member::FREE; MAX_MEMBERS];
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::Channel;

    #[test]
    fn each_channel_hears_one_finger_and_the_longest_free_member_is_known() {
        let mut fingers = Fingers::NONE;
        let lead = Lead {
            controller: ControllerId(2),
            finger: Channel::MIN,
            base: Value14::CENTRE,
        };
        fingers.set_lead(3, Some(lead));
        assert_eq!(fingers.lead_on(3), Some(lead));
        assert_eq!((fingers.lead(), fingers.lead_on(16)), (None, None));
        fingers.free(3);
        fingers.free(1);
        assert!(fingers.freed(3) < fingers.freed(1));
        assert_eq!(fingers.freed(0), 0);
        fingers.set_lead(0, Some(lead));
        fingers.move_base(ControllerId(1), Value14::clamped(1));
        fingers.move_base(ControllerId(2), Value14::clamped(2));
        assert_eq!(fingers.lead().map(|lead| lead.base.get()), Some(2));
        fingers.lose();
        assert_eq!((fingers.lead(), fingers.lead_on(3)), (None, None));
    }
}
