//! A parameter that some scene sets, some other does not, and that has no neutral value: what
//! it is then depends on the way the player came.

use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Moved, Scene, Show};

pub(super) const RULE: Rule = Rule {
    id: "missing-neutral",
    level: Level::Warning,
    says: "a parameter that one scene sets and another leaves to chance, with no neutral value",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (index, receiver) in show.rig.receivers.iter().enumerate() {
        for (number, parameter) in receiver.parameters.iter().enumerate() {
            if parameter.neutral.is_some() {
                continue;
            }
            let setter = scenes(show).find(|(_, scene)| sets(scene, index, number));
            let leaver = scenes(show)
                .find(|(_, scene)| leaves_open(scene, index, number, parameter.is_global));
            if let (Some((song, scene)), Some((other_song, other))) = (setter, leaver) {
                let message = format!(
                    "{} of {} is set in {}, and has no value in {}",
                    quoted(&parameter.name),
                    quoted(&receiver.name),
                    scene_words(song, scene),
                    scene_words(other_song, other)
                );
                told.add(
                    parameter.site,
                    message,
                    "give it neutral: and a value, or say Leave where it shall stay",
                );
            }
        }
    }
}

/// Whether a scene gives the parameter a value, or leads something to it.
fn sets(scene: &Scene, receiver: usize, parameter: usize) -> bool {
    let is_routed = scene.routes.iter().any(|route| {
        route.target.receiver == receiver && route.target.what == Moved::Parameter(parameter)
    });
    if is_routed {
        return true;
    }
    let zones = scene.zones.iter().flat_map(|zone| &zone.settings);
    scene.settings.iter().chain(zones).any(|value| {
        value.receiver == receiver && value.parameter == parameter && value.value.is_some()
    })
}

/// Whether a scene uses the receiver and says nothing of the parameter, not even `Leave`.
fn leaves_open(scene: &Scene, receiver: usize, parameter: usize, is_global: bool) -> bool {
    if scene
        .settings
        .iter()
        .any(|value| value.receiver == receiver && value.parameter == parameter)
    {
        return false;
    }
    let mut zones = scene
        .zones
        .iter()
        .filter(|zone| zone.receiver == receiver)
        .peekable();
    if zones.peek().is_none() {
        return is_global || scene.patches.iter().any(|patch| patch.receiver == receiver);
    }
    zones.any(|zone| {
        !zone
            .settings
            .iter()
            .any(|value| value.parameter == parameter)
    })
}
