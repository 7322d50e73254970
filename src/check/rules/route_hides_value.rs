//! A value that a scene states for what a route moves at once: it is heard only until the
//! source has moved for the first time that night.

use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Moved, PickUp, Route, Scene, Shape, Show};

pub(super) const RULE: Rule = Rule {
    id: "route-hides-value",
    level: Level::Warning,
    says: "a scene's value for a parameter that a route takes over at once",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene) in scenes(show) {
        for route in &scene.routes {
            let Moved::Parameter(number) = route.target.what else {
                continue;
            };
            // A switch that is up is what the scene says, and steps begin from there.
            let takes_over = matches!(route.shape, Shape::Follow { .. } | Shape::Bands(_));
            if !takes_over || route.pick_up != PickUp::Jump || !states(scene, route, number) {
                continue;
            }
            let receiver = show.rig.receivers.get(route.target.receiver);
            let Some(parameter) = receiver.and_then(|r| r.parameters.get(number)) else {
                continue;
            };
            let message = format!(
                "{} sets {}, and the route {} takes it over at once",
                scene_words(song, scene),
                quoted(&parameter.name),
                quoted(&route.name)
            );
            let help = "add pick_up: Wait or pick_up: Scale to the route, or leave the value to its neutral";
            told.add(route.site, message, help);
        }
    }
}

fn states(scene: &Scene, route: &Route, parameter: usize) -> bool {
    let zones = scene.zones.iter().enumerate().filter(|(index, zone)| {
        zone.receiver == route.target.receiver
            && (route.zones.is_empty() || route.zones.contains(index))
    });
    let of_zones = zones.flat_map(|(_, zone)| &zone.settings);
    scene.settings.iter().chain(of_zones).any(|value| {
        value.receiver == route.target.receiver
            && value.parameter == parameter
            && value.value.is_some()
    })
}
