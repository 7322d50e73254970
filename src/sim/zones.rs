//! MPE zones of a model receiver: which channels belong together, and what counts where.
//!
//! The text of the standard was not opened. Channels, counts, truncation, ranges and the
//! sum of bends are those of a general-purpose library that was read; what members ignore,
//! and that per-note control ends with the Note Off, is from second sources. Pressure and
//! controller 74 of the manager reach all members and last until they say otherwise, as
//! that library has it.

use crate::midi::num::{Channel, Controller, Value7, cc};

use super::heard::Ended;
use super::receiver::ReceiverModel;
use super::slot::{Parameter, SlotState};

/// Controller 74, the third axis.
const SLIDE: Controller = Controller::clamped(74);

/// Members of the lower zone (manager 1, members upwards) and of the upper one (manager
/// 16, members downwards).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Zones {
    /// Members of the lower zone; 0 is none.
    pub lower: u8,
    /// Members of the upper zone; 0 is none.
    pub upper: u8,
}

impl Zones {
    /// The manager of a member channel.
    fn manager_of(self, channel: u8) -> Option<u8> {
        if (1..=self.lower).contains(&channel) {
            Some(0)
        } else if channel < 15 && channel >= 15 - self.upper.min(15) && self.upper > 0 {
            Some(15)
        } else {
            None
        }
    }

    /// Members of a manager channel.
    fn members_of(self, channel: u8) -> std::ops::Range<u8> {
        match channel {
            0 => 1..self.lower + 1,
            15 => 15 - self.upper..15,
            _ => 0..0,
        }
    }

    /// The zones after one was set up: the new one gets its members, the other keeps what is
    /// left of 14.
    fn set(self, manager: u8, members: u8) -> Self {
        let members = members.min(15);
        let rest = |other: u8| {
            if members == 0 {
                other
            } else {
                other.min(14_u8.saturating_sub(members))
            }
        };
        if manager == 0 {
            Self {
                lower: members,
                upper: rest(self.upper),
            }
        } else {
            Self {
                lower: rest(self.lower),
                upper: members,
            }
        }
    }
}

impl ReceiverModel {
    /// MPE zones as they are set up now.
    #[must_use]
    pub const fn zones(&self) -> Zones {
        self.zones
    }

    /// The channel whose patch, level and pedals count on `channel`.
    pub(super) fn ruling(&self, channel: Channel) -> Channel {
        let manager = self.zones.manager_of(channel.get());
        manager.map_or(channel, |manager| Channel::clamped(manager.into()))
    }

    /// Whether a channel is a member of a zone.
    pub(super) fn is_member(&self, channel: Channel) -> bool {
        self.ruling(channel) != channel
    }

    /// All channels on which what happens on `channel` is heard, itself first.
    pub(super) fn reach(&self, channel: Channel) -> Vec<Channel> {
        let members = self.zones.members_of(channel.get());
        let members = members.map(|member| Channel::clamped(member.into()));
        std::iter::once(channel).chain(members).collect()
    }

    /// Whether a message is ignored because it comes on a member channel.
    pub(super) fn is_left_out(&self, channel: Channel, status: u8, first: u8) -> bool {
        let counts = match status & 0xf0 {
            0xb0 => matches!(first, 6 | 38 | 74 | 96..=101),
            0xa0 | 0xc0 => false,
            _ => true,
        };
        self.is_member(channel) && !counts
    }

    /// Bend and tuning on a channel, in cents: a member's bend is added to its manager's.
    pub(super) fn pitch_on(&self, channel: Channel) -> f64 {
        let ruling = self.ruling(channel);
        let whole = self.slots[ruling.index()].pitch_cents();
        if ruling == channel {
            return whole;
        }
        let slot = &self.slots[channel.index()];
        whole + super::law::bend_cents(slot.bend, slot.bend_range_cents())
    }

    /// What a data entry means for zones: RPN 6 on a manager channel sets one up, RPN 0 on
    /// a member is the range of all members.
    pub(super) fn enter_zone(&mut self, channel: Channel, number: Controller, value: Value7) {
        if !self.spec.knows_zones || !matches!(number, cc::DATA_MSB | cc::DATA_LSB) {
            return;
        }
        let selected = self.slots[channel.index()].selected();
        if selected == Some(Parameter::ZONE) && number == cc::DATA_MSB {
            if matches!(channel.get(), 0 | 15) && !self.is_member(channel) {
                self.set_up(channel, value.get());
            }
        } else if selected == Some(Parameter::BEND_RANGE) && self.is_member(channel) {
            let range = self.slots[channel.index()].parameter(Parameter::BEND_RANGE);
            for member in self.zones.members_of(self.ruling(channel).get()) {
                let member = Channel::clamped(member.into());
                self.change_slot(member, |slot| {
                    slot.set_parameter(Parameter::BEND_RANGE, range)
                });
            }
        }
    }

    fn set_up(&mut self, manager: Channel, members: u8) {
        let before = self.zones;
        self.zones = before.set(manager.get(), members);
        let after = self.zones;
        for number in 0..16_u8 {
            let channel = Channel::clamped(number.into());
            if before.manager_of(number) == after.manager_of(number) {
                continue;
            }
            // Channels that enter or leave a zone fall silent, and their controllers are reset.
            self.voices
                .end_where(self.now_us, Ended::ZoneChanged, &mut self.log, |voice| {
                    voice.channel == channel
                });
            self.slots[channel.index()].reset_played();
        }
        let range = |semitones: i32| crate::midi::num::Value14::clamped(semitones << 7);
        self.slots[manager.index()].set_parameter(Parameter::BEND_RANGE, range(2));
        for member in after.members_of(manager.get()) {
            self.slots[usize::from(member)].set_parameter(Parameter::BEND_RANGE, range(48));
        }
    }

    /// Applies pressure and controller 74 of a manager channel to its members too.
    pub(super) fn spread(&mut self, channel: Channel, change: impl Fn(&mut SlotState)) {
        for member in self.reach(channel).into_iter().skip(1) {
            self.change_slot(member, &change);
        }
    }

    /// The same for a controller.
    pub(super) fn spread_control(&mut self, channel: Channel, number: Controller, value: Value7) {
        if number == SLIDE {
            self.spread(channel, |slot| slot.controllers[SLIDE.index()] = value);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::heard::Heard;
    use super::super::spec::ReceiverSpec;
    use super::*;

    fn surface() -> ReceiverModel {
        ReceiverModel::new(ReceiverSpec {
            knows_zones: true,
            ..ReceiverSpec::gm2()
        })
    }

    /// The bytes that set up a lower zone of seven members (a general-purpose library's own
    /// test; the standard was not opened).
    const LOWER_SEVEN: [u8; 27] = [
        0xb0, 0x64, 0x06, 0xb0, 0x65, 0x00, 0xb0, 0x06, 0x07, 0xb1, 0x64, 0x00, 0xb1, 0x65, 0x00,
        0xb1, 0x06, 0x30, 0xb0, 0x64, 0x00, 0xb0, 0x65, 0x00, 0xb0, 0x06, 0x02,
    ];

    fn zones(lower: u8, upper: u8) -> Zones {
        Zones { lower, upper }
    }

    fn range_of(model: &ReceiverModel, channel: i32) -> u32 {
        model.slot(Channel::clamped(channel)).bend_range_cents()
    }

    fn pitches(model: &ReceiverModel) -> Vec<f64> {
        let bent = |event: &super::super::Event| match event.heard {
            Heard::BendChanged { to_cents, .. } => Some(to_cents.round()),
            _ => None,
        };
        model.events_since(0).filter_map(bent).collect()
    }

    #[test]
    fn a_zone_is_set_up_by_the_bytes_of_the_example() {
        let mut model = surface();
        model.feed(0, &LOWER_SEVEN);
        assert_eq!(model.zones(), zones(7, 0));
        assert_eq!(range_of(&model, 0), 200);
        for member in 1..=7 {
            assert_eq!(range_of(&model, member), 4_800, "member {member}");
        }
        assert_eq!(range_of(&model, 8), 200);
    }

    fn set_up(model: &mut ReceiverModel, manager: u8, members: u8) {
        let status = 0xb0 | manager;
        model.feed(0, &[status, 101, 0, 100, 6, 6, members, 101, 127, 100, 127]);
    }

    #[test]
    fn the_newest_zone_counts_and_the_other_gives_way() {
        let mut model = surface();
        for (manager, members, expected) in [
            (15, 10, zones(0, 10)),
            (0, 7, zones(7, 7)),
            (15, 14, zones(0, 14)),
            (0, 3, zones(3, 11)),
            (0, 15, zones(15, 0)),
            (15, 0, zones(15, 0)),
            (0, 0, zones(0, 0)),
        ] {
            set_up(&mut model, manager, members);
            assert_eq!(model.zones(), expected, "{members} on {manager}");
        }
        // Only on a channel that can be a manager's.
        set_up(&mut model, 3, 5);
        assert_eq!(model.zones(), zones(0, 0));
        // And only where zones are known at all.
        let mut plain = ReceiverModel::new(ReceiverSpec::gm2());
        set_up(&mut plain, 0, 5);
        assert_eq!(plain.zones(), zones(0, 0));
    }

    #[test]
    fn what_enters_a_zone_falls_silent() {
        let mut model = surface();
        model.feed(0, &[0x90, 60, 1, 0x93, 60, 1, 0x95, 60, 1, 0xe3, 0, 0]);
        set_up(&mut model, 0, 3);
        let left: Vec<u8> = model.voices().map(|voice| voice.channel.get()).collect();
        assert_eq!(left, [0, 5]);
        assert_eq!(model.slot(Channel::clamped(3)).bend.get(), 8_192);
        // The same again changes nothing.
        model.feed(1, &[0x92, 60, 1]);
        set_up(&mut model, 0, 3);
        assert_eq!(model.voices().count(), 3);
    }

    #[test]
    fn bends_of_manager_and_member_add_up() {
        let mut model = surface();
        set_up(&mut model, 0, 3);
        model.feed(0, &[0x91, 60, 1]);
        // +1 of 2 semitones for all, then +12 of 48 for this one (values of MIDI 1.0).
        model.feed(1, &[0xe0, 0x00, 0x60, 0xe1, 0x00, 0x50, 0xe2, 0x00, 0x50]);
        assert_eq!(pitches(&model), [100.0, 1_300.0]);
    }

    #[test]
    fn one_range_holds_for_all_members() {
        let mut model = surface();
        set_up(&mut model, 15, 4);
        model.feed(0, &[0xbd, 101, 0, 100, 0, 6, 24, 101, 127, 100, 127]);
        for member in 11..=14 {
            assert_eq!(range_of(&model, member), 2_400);
        }
        assert_eq!(range_of(&model, 15), 200);
        assert_eq!(range_of(&model, 10), 200);
    }

    #[test]
    fn patch_level_and_pedals_are_the_managers() {
        let mut model = surface();
        set_up(&mut model, 0, 3);
        model.feed(1, &[0xc0, 9, 0xb0, 7, 50, 64, 127, 0x92, 60, 1]);
        // None of this counts on a member.
        model.feed(
            2,
            &[0xc2, 5, 0xb2, 7, 1, 0xb2, 64, 0, 0xa2, 60, 99, 0xb2, 120, 0],
        );
        let voice = *model.voices().next().unwrap();
        assert_eq!(voice.patch.program.get(), 9);
        assert!((voice.level_db - model.level_db(Channel::clamped(0))).abs() < 1e-9);
        assert_eq!(model.counters().left_out, 5);
        model.feed(3, &[0x82, 60, 64]);
        assert!(model.voices().next().unwrap().is_held(), "by the pedal");
        model.feed(4, &[0xb0, 64, 0]);
        assert_eq!(model.voices().count(), 0);
        model.feed(5, &[0x91, 60, 1, 0x93, 62, 1, 0xb0, 123, 0]);
        assert_eq!(model.voices().count(), 0, "all members at once");
    }

    /// Per-note control ends with the note-off, even if the sound rings on.
    #[test]
    fn what_rings_hears_its_finger_no_more() {
        let mut model = surface();
        model.spec.manners.release_us = 1_000;
        set_up(&mut model, 0, 3);
        model.feed(1, &[0x91, 60, 1, 0x81, 60, 1, 0xe1, 0, 0x50, 0xd1, 90]);
        assert_eq!(pitches(&model), [0.0_f64; 0]);
        // The next note starts from there.
        model.feed(2, &[0x91, 62, 1]);
        assert!((model.voices().last().unwrap().pitch_cents - 1_200.0).abs() < 0.01);
    }

    #[test]
    fn pressure_of_the_manager_reaches_all_members() {
        let mut model = surface();
        set_up(&mut model, 0, 2);
        model.feed(
            1,
            &[0x91, 60, 1, 0x92, 64, 1, 0xd1, 30, 0xd0, 80, 0xb0, 74, 10],
        );
        for member in [1, 2] {
            let slot = model.slot(Channel::clamped(member));
            assert_eq!((slot.pressure.get(), slot.controllers[74].get()), (80, 10));
        }
    }
}
