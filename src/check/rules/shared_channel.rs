//! Two receivers on one port that listen to one channel: each would play what is the other's.

use crate::check::walk::{channels, shown};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "shared-channel",
    level: Level::Error,
    says: "two receivers on one port with one channel",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let receivers = &show.rig.receivers;
    for (index, later) in receivers.iter().enumerate() {
        for earlier in receivers
            .iter()
            .take(index)
            .filter(|earlier| earlier.port == later.port)
        {
            let shared =
                channels(later).find(|channel| channels(earlier).any(|other| other == *channel));
            if let Some(channel) = shared {
                let port = show.rig.ports.get(later.port).map_or("", |port| &port.name);
                let message = format!(
                    "{} and {} both listen to channel {} of the port {}",
                    quoted(&earlier.name),
                    quoted(&later.name),
                    shown(channel),
                    quoted(port)
                );
                told.add(
                    later.site,
                    message,
                    "give each channels of its own, on the devices and here",
                );
            }
        }
    }
}
