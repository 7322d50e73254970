//! An MPE zone with fewer members than the surface that plays it: the fingers beyond share
//! one, and with it their bend, pressure and slide.

use crate::check::walk::{finger_zones, scene_words};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "mpe-members-short",
    level: Level::Warning,
    says: "an MPE zone with fewer members than the surface that plays it",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene, zone, surface, of_slot) in finger_zones(show) {
        let Some(of_slot) = of_slot.filter(|of_slot| of_slot.members < surface.members) else {
            continue;
        };
        let message = format!(
            "the zone {} in {} is played by {} fingers on {} members: they are given out, \
             the one free longest first, and shared when none is free",
            quoted(&zone.name),
            scene_words(song, scene),
            surface.members,
            of_slot.members
        );
        told.add(
            zone.site,
            message,
            "give the instrument as many members as the surface, on the devices and in the rig",
        );
    }
}
