//! A level that, with all trims, is above what the receiver's volume can give.

use crate::check::walk::nights_by_song;
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{LevelLaw, Night, Show, Zone};

pub(super) const RULE: Rule = Rule {
    id: "level-beyond-range",
    level: Level::Warning,
    says: "a level that, with all trims, is above the headroom over 0 dB",
    run,
};

/// Rounding in dB that nobody hears.
const TOLERANCE_DB: f32 = 0.01;

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, nights) in show.songs.iter().zip(nights_by_song(show)) {
        for zone in song.scenes.iter().flat_map(|scene| &scene.zones) {
            alone(show, zone, told);
            for (night, _) in &nights {
                tonight(show, zone, night, told);
            }
        }
    }
}

fn alone(show: &Show, zone: &Zone, told: &mut Told<'_, '_>) {
    let Some(headroom_db) = headroom_db(show, zone) else {
        if zone.level_db != 0.0 {
            let message = format!(
                "the level of {} does nothing: its receiver's level is Fixed",
                quoted(&zone.name)
            );
            told.add(
                zone.level_site,
                message,
                "leave the level out, or give the receiver another level law",
            );
        }
        return;
    };
    let level_db = zone.level_db + patch_trim_db(show, zone);
    if level_db > headroom_db + TOLERANCE_DB {
        let message = format!(
            "{} comes to {level_db:+.2} dB with its patch's trim, and there is no more than {headroom_db:+.2}",
            quoted(&zone.name)
        );
        told.add(
            zone.level_site,
            message,
            "lower it, or lower everything else",
        );
    }
}

fn tonight(show: &Show, zone: &Zone, night: &Night, told: &mut Told<'_, '_>) {
    let Some(headroom_db) = headroom_db(show, zone) else {
        return;
    };
    let level_db = zone.level_db + patch_trim_db(show, zone) + night_trim_db(show, zone, night);
    if level_db > headroom_db + TOLERANCE_DB {
        let message = format!(
            "{} comes to {level_db:+.2} dB with the trims of the night {}, and there is no more than {headroom_db:+.2}",
            quoted(&zone.name),
            quoted(&night.name)
        );
        told.add(
            zone.level_site,
            message,
            "lower the night's trims, or trim everything else down",
        );
    }
}

/// How far above 0 dB (volume 100) volume 127 is: 40·log10(127/100) by GM2 §3.3.4; none if
/// volume does not set the level.
fn headroom_db(show: &Show, zone: &Zone) -> Option<f32> {
    let ratio = (127.0f32 / 100.0).log10();
    match show.rig.receivers.get(zone.receiver)?.manners.level {
        LevelLaw::Gm => Some(40.0 * ratio),
        LevelLaw::Linear => Some(20.0 * ratio),
        LevelLaw::Fixed => None,
    }
}

fn patch_trim_db(show: &Show, zone: &Zone) -> f32 {
    let patches = show
        .rig
        .receivers
        .get(zone.receiver)
        .map(|receiver| &receiver.patches.patches);
    patches
        .zip(zone.patch)
        .and_then(|(patches, patch)| patches.get(patch))
        .map_or(0.0, |patch| patch.trim_db)
}

fn night_trim_db(show: &Show, zone: &Zone, night: &Night) -> f32 {
    let trims = &night.trims;
    let port = show
        .rig
        .receivers
        .get(zone.receiver)
        .map(|receiver| receiver.port);
    let patch = trims
        .patches
        .iter()
        .filter(|(receiver, patch, _)| *receiver == zone.receiver && Some(*patch) == zone.patch);
    let instrument = trims
        .instruments
        .iter()
        .filter(|(receiver, _)| *receiver == zone.receiver);
    let ports = trims
        .ports
        .iter()
        .filter(|(trimmed, _)| Some(*trimmed) == port);
    patch
        .map(|trim| trim.2)
        .chain(instrument.map(|trim| trim.1))
        .chain(ports.map(|trim| trim.1))
        .sum()
}
