//! MPE zones: a manager channel, and member channels of which each carries one finger
//! (MIDI Polyphonic Expression).
//!
//! The text of the standard was not opened. Channels, counts and the truncation of the
//! older zone are those of a general-purpose library that was read; the rest is from
//! second sources.

use super::num::{Channel, Value14};

/// The most member channels of a zone.
pub const MAX_MEMBERS: usize = 15;
/// The most member channels of both zones of a port together.
const MAX_TOGETHER: u8 = 14;
/// Default bend range of member channels, in semitones.
pub const MEMBER_BEND_RANGE: u8 = 48;
/// Default bend range of a manager channel, in semitones.
pub const MANAGER_BEND_RANGE: u8 = 2;
/// RPN 6, which sets the number of member channels on a manager channel.
pub const CONFIGURATION: Value14 = Value14::clamped(6);

/// The end of the sixteen channels at which a zone begins.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Side {
    /// Manager channel 1, members from 2 upwards.
    Lower,
    /// Manager channel 16, members from 15 downwards.
    Upper,
}

/// Which finger's bend and pressure a sound follows that has one channel for all fingers.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub enum Leader {
    /// The finger that was put down last.
    #[default]
    Last,
    /// The finger on the highest key.
    Highest,
}

/// An MPE zone: a manager channel and the member channels beside it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct MpeZone {
    /// The end of the sixteen channels that it begins at, which sets its manager channel.
    pub side: Side,
    /// Number of member channels, 0–15; 0 means that there is no zone.
    pub members: u8,
    /// Bend range of its members in semitones, 0–96.
    pub bend_range: u8,
}

impl MpeZone {
    /// A zone as RPN 6 sets it up: members have a bend range of 48 semitones.
    #[must_use]
    pub const fn new(side: Side, members: u8) -> Self {
        Self {
            side,
            members,
            bend_range: MEMBER_BEND_RANGE,
        }
    }

    /// The zone that a manager channel belongs to, if it is one.
    #[must_use]
    pub const fn side_of(channel: Channel) -> Option<Side> {
        match channel.get() {
            0 => Some(Side::Lower),
            15 => Some(Side::Upper),
            _ => None,
        }
    }

    /// Its manager channel: 1 for a lower zone, 16 for an upper one.
    #[must_use]
    pub const fn manager(self) -> Channel {
        self.channel(0)
    }

    /// The channel of a member, 1–15; 0 is the manager.
    #[must_use]
    pub const fn channel(self, member: u8) -> Channel {
        match self.side {
            Side::Lower => Channel::clamped(member as i32),
            Side::Upper => Channel::clamped(15 - member as i32),
        }
    }

    /// Which of its members a channel is; 0 for its manager.
    #[must_use]
    pub const fn member(self, channel: Channel) -> Option<u8> {
        let member = match self.side {
            Side::Lower => channel.get(),
            Side::Upper => 15 - channel.get(),
        };
        if member <= self.members && self.members > 0 {
            Some(member)
        } else {
            None
        }
    }

    /// Its channels, the manager first.
    pub fn channels(self) -> impl Iterator<Item = Channel> {
        (0..=self.members)
            .filter(move |_| self.members > 0)
            .map(move |member| self.channel(member))
    }

    /// What is left of this zone after `newer` was set up beside it: the newer one keeps its
    /// members.
    #[must_use]
    pub fn beside(self, newer: Self) -> Self {
        let is_alone = newer.members == 0 || newer.side == self.side;
        let room = MAX_TOGETHER.saturating_sub(newer.members);
        Self {
            members: if is_alone {
                self.members
            } else {
                self.members.min(room)
            },
            ..self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channels(zone: MpeZone) -> Vec<u8> {
        // As written on paper.
        zone.channels().map(|channel| channel.get() + 1).collect()
    }

    /// Lower: manager 1, members 2 upwards; upper: manager 16, members 15 downwards (read in
    /// a general-purpose library; the standard was not opened).
    #[test]
    fn zones_begin_at_the_ends() {
        assert_eq!(channels(MpeZone::new(Side::Lower, 3)), [1, 2, 3, 4]);
        assert_eq!(channels(MpeZone::new(Side::Upper, 3)), [16, 15, 14, 13]);
        assert_eq!(channels(MpeZone::new(Side::Upper, 15)).last(), Some(&1));
        assert_eq!(channels(MpeZone::new(Side::Lower, 0)), [0_u8; 0]);
    }

    #[test]
    fn a_channel_is_the_member_that_has_it() {
        for side in [Side::Lower, Side::Upper] {
            let zone = MpeZone::new(side, 6);
            for member in 0..=6 {
                assert_eq!(zone.member(zone.channel(member)), Some(member));
            }
            assert_eq!(zone.member(zone.channel(7)), None);
            assert_eq!(MpeZone::side_of(zone.manager()), Some(side));
        }
        let none = MpeZone::new(Side::Lower, 0);
        assert_eq!(none.member(none.manager()), None);
    }

    /// Both zones have 14 members together at most, and the older one gives way (read in a
    /// general-purpose library; the standard was not opened).
    #[test]
    fn the_older_zone_gives_way() {
        for (older, newer, left) in [(7, 7, 7), (10, 7, 7), (10, 14, 0), (10, 15, 0), (5, 0, 5)] {
            let upper = MpeZone::new(Side::Upper, older);
            let lower = MpeZone::new(Side::Lower, newer);
            assert_eq!(upper.beside(lower).members, left, "{older} beside {newer}");
        }
    }
}
