//! A command on a message that its controller also plays with: it is taken out of the playing.

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{ControllerItem, PedalBinding, Show, SourceKind, Trigger};

pub(super) const RULE: Rule = Rule {
    id: "pedal-hides-source",
    level: Level::Warning,
    says: "a command on a key or source of its controller, which then no longer plays",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for binding in &show.rig.bindings {
        let Some(controller) = show.rig.controllers.get(binding.controller) else {
            continue;
        };
        if let Some(hidden) = hidden(binding, controller) {
            let message = format!(
                "{} takes {hidden} of {} away from the playing",
                quoted(&binding.name),
                quoted(&controller.name)
            );
            told.add(
                binding.site,
                message,
                "let the pedal send something else, or leave that out of the controller",
            );
        }
    }
}

fn hidden(binding: &PedalBinding, controller: &ControllerItem) -> Option<String> {
    match binding.trigger {
        Trigger::Control(number) => {
            let source = controller.sources.iter().find(|source| {
                let (kind, control) = (source.kind, SourceKind::Control(number));
                kind == control || kind == SourceKind::Switch(number)
            })?;
            Some(format!("the source {}", quoted(&source.name)))
        }
        Trigger::Note(key) => {
            let (low, high) = controller.keys?;
            (low..=high).contains(&key).then(|| "a key".to_owned())
        }
        Trigger::Program(_) | Trigger::Code(_) => None,
    }
}
