//! A receiver and a controller on one port and channel: what is sent may come back as played.
//!
//! A keyboard with sounds of its own is safe once it is said to be one thing (`keyboard:
//! "upper"`: Local Off while the show runs); two things on two sockets of one box are safe once
//! that is said (`keyboard: Apart`). Unsaid, nobody has thought about it yet.

use super::feedback_loop;
use crate::check::walk::channels;
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{ControllerItem, KeyboardLink, Receiver, Show};

pub(super) const RULE: Rule = Rule {
    id: "output-feeds-input",
    level: Level::Warning,
    says: "a receiver and a controller on one port and channel that may be a loop",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (at, receiver) in show.rig.receivers.iter().enumerate() {
        for (index, controller) in show.rig.controllers.iter().enumerate() {
            // One that is played round is told as what it is.
            let is_worse = || feedback_loop::is_played(show, index, at);
            if is_loop(receiver, index, controller) && !is_worse() {
                let message = format!(
                    "what {} is sent may come back as played on {}: they share a port and a channel",
                    quoted(&receiver.name),
                    quoted(&controller.name)
                );
                let help = format!(
                    "if they are one keyboard, add keyboard: {} to the receiver; if not, keyboard: Apart",
                    quoted(&controller.name)
                );
                told.add(receiver.site, message, help);
            }
        }
    }
}

/// Whether what the receiver is sent may come back as played on the controller.
pub(super) fn is_loop(receiver: &Receiver, index: usize, controller: &ControllerItem) -> bool {
    let is_said = match receiver.keyboard {
        Some(KeyboardLink::Apart) => true,
        Some(KeyboardLink::Same(same)) => same == index,
        None => false,
    };
    let hears = |channel| controller.has_channel(channel);
    !is_said && receiver.port == controller.port && channels(receiver).any(hears)
}
