//! An MPE zone of a receiver over channels that the receiver has elsewhere too: members
//! belong to their zone alone.

use crate::check::walk::shown;
use crate::check::{Rule, Told};
use crate::midi::Channel;
use crate::show::finding::{Level, quoted};
use crate::show::model::{Receiver, Show, SlotGroup};

pub(super) const RULE: Rule = Rule {
    id: "mpe-zone-overlaps",
    level: Level::Error,
    says: "an MPE zone over channels of another slot of its receiver",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let receivers = show.rig.receivers.iter();
    for receiver in receivers.filter(|receiver| receiver.spare_of.is_none()) {
        for (index, group) in receiver.groups.iter().enumerate() {
            if let Some((channel, whose)) = overlap(receiver, index, group) {
                let message = format!(
                    "the MPE zone of {} has channel {}, and so has {whose}",
                    quoted(&receiver.name),
                    shown(channel),
                );
                told.add(
                    group.site,
                    message,
                    "fewer members, or other channels, on the device and here",
                );
            }
        }
    }
}

/// A channel of a group that something else of its receiver has too, and what. Of two MPE
/// zones the later one is told.
fn overlap(receiver: &Receiver, index: usize, group: &SlotGroup) -> Option<(Channel, String)> {
    if group.mpe.is_empty() {
        return None;
    }
    if let [one, other] = group.mpe.as_slice()
        && let Some(channel) = one.channels().find(|own| other.member(*own).is_some())
    {
        return Some((channel, "the other one of its group".to_owned()));
    }
    let others = receiver.groups.iter().enumerate();
    let others = others.filter(|(at, other)| *at < index || (*at > index && other.mpe.is_empty()));
    for (_, other) in others {
        let shared = group
            .all_channels()
            .find(|channel| other.all_channels().any(|own| own == *channel));
        if let Some(channel) = shared {
            return Some((channel, format!("its group {}", quoted(&other.name))));
        }
    }
    let global = receiver.global?;
    group
        .all_channels()
        .any(|channel| channel == global)
        .then(|| (global, "what is global to it".to_owned()))
}
