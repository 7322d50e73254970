//! A finger of an MPE surface that bends further than what it plays: beyond that it is
//! heard at the end of the range.

use crate::check::walk::{finger_zones, scene_words};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "mpe-bend-beyond",
    level: Level::Warning,
    says: "an MPE surface whose fingers bend further than what they play",
    run,
};

/// Bend range of a sound that states none (General MIDI 2 §3.4.1).
const USUAL: u8 = 2;

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene, zone, surface, of_slot) in finger_zones(show) {
        let (range, help) = match of_slot {
            Some(of_slot) => (
                of_slot.bend_range,
                "give both the same bend_range, on the devices and in the rig",
            ),
            None => (
                zone.bend_range.unwrap_or(USUAL),
                "widen bend_range: of the zone, as far as fingers slide",
            ),
        };
        if surface.bend_range > range {
            let message = format!(
                "fingers bend {} semitones, and the zone {} in {} only {range}",
                surface.bend_range,
                quoted(&zone.name),
                scene_words(song, scene),
            );
            told.add(zone.site, message, help);
        }
    }
}
