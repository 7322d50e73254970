//! A note cue that names a patch which its scene does not play: it would not be heard.

use crate::check::{Rule, Told, walk::scenes};
use crate::show::finding::{Level, quoted};
use crate::show::model::{CueMessage, CuePlace, Scene, Show};

pub(super) const RULE: Rule = Rule {
    id: "cue-without-sound",
    level: Level::Error,
    says: "a note cue with a patch that its scene does not play",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (_, scene) in scenes(show) {
        for cue in &scene.cues {
            let Some(receiver) = show.rig.receivers.get(cue.receiver) else {
                continue;
            };
            let message = receiver.cues.get(cue.cue).map(|cue| &cue.message);
            let Some(CueMessage::Note(note)) = message else {
                continue;
            };
            let CuePlace::Patch(patch) = note.place else {
                continue;
            };
            if plays(scene, cue.receiver, patch) {
                continue;
            }
            let name = receiver.patches.patches.get(patch);
            let name = name.map_or("", |patch| patch.name.as_str());
            let message = format!(
                "the note of this cue sounds with {}, which the scene does not play on {}",
                quoted(name),
                quoted(&receiver.name)
            );
            told.add(
                cue.site,
                message,
                "give the scene a zone with that patch, or let the cue name a slot",
            );
        }
    }
}

/// Whether a scene gives a receiver this patch, for a zone or without one.
fn plays(scene: &Scene, receiver: usize, patch: usize) -> bool {
    let mut zones = scene.zones.iter();
    let mut stated = scene.patches.iter();
    zones.any(|zone| zone.receiver == receiver && zone.patch == Some(patch))
        || stated.any(|stated| stated.receiver == receiver && stated.patch == patch)
}
