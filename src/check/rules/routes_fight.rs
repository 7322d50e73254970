//! Two routes of one scene that move the same thing of the same sound: only the first is
//! obeyed. Two sources on one thing are one route with two sources.

use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Route, Scene, Show};

pub(super) const RULE: Rule = Rule {
    id: "routes-fight",
    level: Level::Error,
    says: "two routes of one scene that move the same thing of one sound",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene) in scenes(show) {
        for (index, route) in scene.routes.iter().enumerate() {
            let earlier = scene.routes.iter().take(index);
            if let Some(other) = earlier.into_iter().find(|other| fight(scene, route, other)) {
                let message = format!(
                    "the routes {} and {} of {} move the same thing",
                    quoted(&other.name),
                    quoted(&route.name),
                    scene_words(song, scene)
                );
                let help = "make one route of them with both sources in from: and a join:, or name different zones:";
                told.add(route.site, message, help);
            }
        }
    }
}

fn fight(scene: &Scene, a: &Route, b: &Route) -> bool {
    let is_same = a.target.receiver == b.target.receiver && a.target.what == b.target.what;
    let reach = |route: &Route| -> Vec<usize> {
        if route.zones.is_empty() {
            (0..scene.zones.len()).collect()
        } else {
            route.zones.clone()
        }
    };
    let both = reach(b);
    let meets =
        a.zones.is_empty() && b.zones.is_empty() || reach(a).iter().any(|zone| both.contains(zone));
    is_same && meets
}
