//! Two commands on one pedal: only one of them can be meant.

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "pedal-bound-twice",
    level: Level::Error,
    says: "two commands on the same message of the same controller",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let bindings = &show.rig.bindings;
    for (index, later) in bindings.iter().enumerate() {
        let earlier = bindings.iter().take(index).find(|earlier| {
            earlier.controller == later.controller && earlier.trigger == later.trigger
        });
        if let Some(earlier) = earlier {
            let message = format!(
                "{} and {} are the same pedal",
                quoted(&earlier.name),
                quoted(&later.name)
            );
            told.add(
                later.site,
                message,
                "give each what it sends itself, or keep one of the two",
            );
        }
    }
}
