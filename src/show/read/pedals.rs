//! Pedals of `rig.ron`: what they send, and what they do.

use super::names::{Names, Source, parsed};
use super::rig::{control_number, program};
use super::values;
use crate::show::model::{Action, PedalBinding, Trigger};
use crate::show::tree::readers::{inner, name, switch, variant, word};
use crate::show::tree::{Fields, Node, Report, Spanned};

/// The actions of a pedal, as the file calls them.
const ACTIONS: &[(&str, Action)] = &[
    ("Step", Action::Step),
    ("Back", Action::Back),
    ("SongDown", Action::SongDown),
    ("SongUp", Action::SongUp),
    ("PageNext", Action::PageNext),
    ("PageBack", Action::PageBack),
    ("Panic", Action::Panic),
    ("Resend", Action::Resend),
    ("Mute", Action::Mute),
    ("Fade", Action::Fade),
];

/// Reads one.
pub(super) fn pedal(
    name: &Spanned<String>,
    node: &Node,
    source: Source,
    controllers: &Names,
    report: &mut Report<'_>,
) -> Option<PedalBinding> {
    let mut fields = Fields::open(node, "pedal", report)?;
    let on = fields.required("on", self::name);
    let trigger = fields.required("sends", |node, report| trigger(node, source, report));
    let action = fields.required("does", word("action", ACTIONS));
    let is_latching = fields
        .optional("latching", switch)
        .is_some_and(|read| read.value);
    let is_inverted = fields
        .optional("inverted", switch)
        .is_some_and(|read| read.value);
    fields.finish();
    let controller = controllers.index(&on?, "controller", report)?;
    Some(PedalBinding {
        name: name.value.clone(),
        site: source.site(name.span),
        controller,
        trigger: trigger?.value,
        action: action?.value,
        is_latching,
        is_inverted,
    })
}

fn trigger(node: &Node, source: Source, report: &mut Report<'_>) -> Option<Trigger> {
    Some(
        match variant("message of a pedal", &["Control", "Note", "Program"])(node, report)? {
            "Control" => Trigger::Control(inner(node, report, control_number)?.value),
            "Note" => Trigger::Note(
                inner(
                    node,
                    report,
                    parsed(|text| values::key(text, source.middle_c)),
                )?
                .value,
            ),
            _ => Trigger::Program(
                inner(node, report, |node, report| program(node, 0, report))?.value,
            ),
        },
    )
}
