//! A scene that plays, loads or cues a spare: what it takes over from would not be heard.

use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Scene, Show, Site};

pub(super) const RULE: Rule = Rule {
    id: "spare-played",
    level: Level::Error,
    says: "a scene that names a spare, which only stands in for another receiver",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene) in scenes(show) {
        let mut names = named(scene);
        let found = names.find_map(|(receiver, site)| {
            let spare = show.rig.receivers.get(receiver)?;
            let main = show.rig.receivers.get(spare.spare_of?)?;
            Some((spare, main, site))
        });
        if let Some((spare, main, site)) = found {
            let message = format!(
                "{} uses {}, which is the spare of {}",
                scene_words(song, scene),
                quoted(&spare.name),
                quoted(&main.name)
            );
            let help = format!(
                "write {}: the spare follows it by itself",
                quoted(&main.name)
            );
            told.add(site, message, help);
        }
    }
}

/// The receivers that a scene names, and where.
fn named(scene: &Scene) -> impl Iterator<Item = (usize, Site)> {
    let zones = scene.zones.iter().map(|zone| (zone.receiver, zone.site));
    let patches = scene
        .patches
        .iter()
        .map(|patch| (patch.receiver, patch.site));
    let settings = scene
        .settings
        .iter()
        .map(|value| (value.receiver, value.site));
    let cues = scene.cues.iter().map(|cue| (cue.receiver, cue.site));
    zones.chain(patches).chain(settings).chain(cues)
}
