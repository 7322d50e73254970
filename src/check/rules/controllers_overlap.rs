//! Two controllers that hear the same keys or sources: what is played would count twice.

use crate::check::{Rule, Told};
use crate::midi::Channel;
use crate::show::finding::{Level, quoted};
use crate::show::model::{ControllerItem, Show};

pub(super) const RULE: Rule = Rule {
    id: "controllers-overlap",
    level: Level::Warning,
    says: "two controllers on one port that hear the same keys or sources",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let controllers = &show.rig.controllers;
    for (index, later) in controllers.iter().enumerate() {
        for earlier in controllers.iter().take(index) {
            if earlier.port == later.port
                && share_channel(earlier, later)
                && share_touch(earlier, later)
            {
                let message = format!(
                    "{} and {} hear the same messages: what one sends, both play",
                    quoted(&earlier.name),
                    quoted(&later.name)
                );
                told.add(
                    later.site,
                    message,
                    "give each a channel of its own, on the devices and here",
                );
            }
        }
    }
}

fn share_channel(a: &ControllerItem, b: &ControllerItem) -> bool {
    (0..16)
        .map(Channel::clamped)
        .any(|channel| a.has_channel(channel) && b.has_channel(channel))
}

fn share_touch(a: &ControllerItem, b: &ControllerItem) -> bool {
    let share_keys = a
        .keys
        .zip(b.keys)
        .is_some_and(|(a, b)| a.0 <= b.1 && b.0 <= a.1);
    share_keys
        || a.sources
            .iter()
            .any(|source| b.sources.iter().any(|other| other.kind == source.kind))
}
