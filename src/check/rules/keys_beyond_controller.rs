//! A zone on keys that its controller does not have.

use crate::check::walk::zones;
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "keys-beyond-controller",
    level: Level::Warning,
    says: "a zone on keys that its controller does not have",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let middle_c = show.rig.middle_c;
    for (_, _, zone) in zones(show) {
        let Some(controller) = show.rig.controllers.get(zone.controller) else {
            continue;
        };
        let Some((low, high)) = controller.keys else {
            continue;
        };
        if zone.keys.0 < low || zone.keys.1 > high {
            let message = format!(
                "the zone {} goes from {} to {}, and {} from {} to {}",
                quoted(&zone.name),
                middle_c.name(zone.keys.0),
                middle_c.name(zone.keys.1),
                quoted(&controller.name),
                middle_c.name(low),
                middle_c.name(high),
            );
            told.add(
                zone.keys_site,
                message,
                "keep to the keys that are there, or correct the controller's in the rig",
            );
        }
    }
}
