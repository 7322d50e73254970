//! Two MPE surfaces that play one MPE zone in one scene: their members are given out, but
//! what either says of the whole (its bend, its pedals) reaches the other's fingers.

use crate::check::walk::{finger_zones, scene_words};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "mpe-two-surfaces",
    level: Level::Warning,
    says: "two MPE surfaces that play one MPE zone in one scene",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let all: Vec<_> = finger_zones(show)
        .filter(|(.., of_slot)| of_slot.is_some())
        .collect();
    for (index, (song, scene, later, ..)) in all.iter().enumerate() {
        let clash = all.iter().take(index).any(|(_, other, earlier, ..)| {
            std::ptr::eq(*other, *scene)
                && (earlier.receiver, earlier.group) == (later.receiver, later.group)
                && earlier.controller != later.controller
        });
        if clash {
            let message = format!(
                "the zone {} in {} brings a second MPE surface to one MPE zone",
                quoted(&later.name),
                scene_words(song, scene)
            );
            told.add(
                later.site,
                message,
                "let each surface play an MPE zone of its own",
            );
        }
    }
}
