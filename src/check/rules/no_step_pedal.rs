//! No pedal that steps: both hands are busy.

use crate::check::{Rule, Told};
use crate::show::finding::Level;
use crate::show::model::{Action, Show};

pub(super) const RULE: Rule = Rule {
    id: "no-step-pedal",
    level: Level::Warning,
    says: "no pedal or button of the rig steps to the next scene",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let has_step = show
        .rig
        .bindings
        .iter()
        .any(|binding| binding.action == Action::Step);
    if !has_step && told.is_rig_whole() {
        told.add_file(
            "rig.ron",
            "no pedal steps to the next scene, so only the computer's keyboard can",
            "add one to pedals: {\"right foot\": (on: …, sends: Control(80), does: Step)}",
        );
    }
}
