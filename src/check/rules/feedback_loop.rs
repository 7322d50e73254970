//! What a scene plays goes to the very port and channel it is played from, and nothing says
//! what the two have to do with each other: if the device hands on what it is sent, each
//! note and each movement comes back and is sent again.

use super::output_feeds_input;
use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Scene, Show, Site};

pub(super) const RULE: Rule = Rule {
    id: "feedback-loop",
    level: Level::Error,
    says: "a zone or route that sends to the port and channel it comes from",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene) in scenes(show) {
        for (site, controller, receiver) in ways(scene) {
            if is_loop(show, controller, receiver) {
                tell(
                    show,
                    told,
                    site,
                    controller,
                    receiver,
                    &scene_words(song, scene),
                );
            }
        }
    }
}

fn tell(
    show: &Show,
    told: &mut Told<'_, '_>,
    site: Site,
    controller: usize,
    receiver: usize,
    scene: &str,
) {
    let (Some(controller), Some(receiver)) = (
        show.rig.controllers.get(controller),
        show.rig.receivers.get(receiver),
    ) else {
        return;
    };
    let message = format!(
        "{scene} sends what {} plays to {} on the same port and channel: it would come back and be sent again",
        quoted(&controller.name),
        quoted(&receiver.name)
    );
    let help = format!(
        "if they are one keyboard, add keyboard: {} to the receiver; if the device sends nothing back, keyboard: Apart; else use another channel",
        quoted(&controller.name)
    );
    told.add(site, message, help);
}

fn is_loop(show: &Show, at: usize, receiver: usize) -> bool {
    let rig = &show.rig;
    let ends = rig.controllers.get(at).zip(rig.receivers.get(receiver));
    ends.is_some_and(|(controller, receiver)| output_feeds_input::is_loop(receiver, at, controller))
}

/// Whether some scene plays the receiver from the controller.
pub(super) fn is_played(show: &Show, at: usize, receiver: usize) -> bool {
    scenes(show).any(|(_, scene)| ways(scene).any(|(_, from, to)| (from, to) == (at, receiver)))
}

/// From which controllers a scene plays which receivers, and where it says so.
fn ways(scene: &Scene) -> impl Iterator<Item = (Site, usize, usize)> {
    let zones = scene
        .zones
        .iter()
        .map(|zone| (zone.site, zone.controller, zone.receiver));
    let routes = scene.routes.iter().flat_map(|route| {
        let to = route.target.receiver;
        let inputs = route.inputs.iter();
        inputs.map(move |input| (route.site, input.controller, to))
    });
    zones.chain(routes)
}
