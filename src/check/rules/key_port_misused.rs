//! A port that is a computer keyboard, taken for MIDI, or the other way round.

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{ControllerItem, PortKind, PortMatch, Show, Trigger};

pub(super) const RULE: Rule = Rule {
    id: "key-port-misused",
    level: Level::Error,
    says: "something of MIDI on a port of kind Keys, or a key's pedal on any other",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let rig = &show.rig;
    let is_keys = |port: usize| {
        rig.ports
            .get(port)
            .is_some_and(|port| port.kind == PortKind::Keys)
    };
    for port in rig.ports.iter().filter(|port| port.kind == PortKind::Keys) {
        if matches!(port.matches, PortMatch::Usb { port: 2.., .. }) {
            let message = format!("usb_port is for MIDI, and {} has keys", quoted(&port.name));
            told.add(
                port.site,
                message,
                "leave it out: all keys of the device are taken",
            );
        }
    }
    for receiver in rig.receivers.iter().filter(|item| is_keys(item.port)) {
        let message = format!(
            "nothing can be sent to the keys of {}",
            quoted(&receiver.name)
        );
        told.add(
            receiver.site,
            message,
            "a port of kind Keys is only read: name the receiver's own port",
        );
    }
    for controller in rig.controllers.iter().filter(|item| is_keys(item.port)) {
        if let Some(what) = played(controller) {
            let message = format!("the keys of {} have no {what}", quoted(&controller.name));
            told.add(
                controller.site,
                message,
                "a computer keyboard is a pedal box: leave out channel, keys and sources",
            );
        }
    }
    for pedal in &rig.bindings {
        let controller = rig.controllers.get(pedal.controller);
        let is_on_keys = controller.is_some_and(|controller| is_keys(controller.port));
        let sends_key = matches!(pedal.trigger, Trigger::Code(_));
        let (message, help) = match (is_on_keys, sends_key) {
            (true, false) => (
                "is on a computer keyboard, which sends keys only",
                "write sends: Key(\"PageDown\"), or the name or number of another key",
            ),
            (false, true) => (
                "waits for a computer's key from something that speaks MIDI",
                "give its controller a port of kind Keys, or say what MIDI message it sends",
            ),
            _ => continue,
        };
        told.add(
            pedal.site,
            format!("{} {message}", quoted(&pedal.name)),
            help,
        );
    }
}

/// What a controller has that only MIDI can mean.
fn played(controller: &ControllerItem) -> Option<&'static str> {
    if controller.keys.is_some() {
        Some("notes")
    } else if controller.channel.is_some() || controller.mpe.is_some() {
        Some("channel")
    } else {
        (!controller.sources.is_empty()).then_some("sources")
    }
}
