//! Pedals of `rig.ron`: what they send, and what they do.

use super::names::{Names, Source, parsed};
use super::rig::{control_number, program};
use super::values;
use crate::midi::KeyCode;
use crate::show::finding::quoted;
use crate::show::model::{Action, PedalBinding, Trigger};
use crate::show::nearest::nearest;
use crate::show::tree::readers::{inner, name, switch, variant, whole, word};
use crate::show::tree::{Fields, Kind, Node, Problem, Report, Spanned};

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

/// Reads one entry of `pedals`; None, with a finding, if it cannot be a pedal.
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
        match variant("message of a pedal", &["Control", "Note", "Program", "Key"])(node, report)? {
            "Control" => Trigger::Control(inner(node, report, control_number)?.value),
            "Note" => Trigger::Note(
                inner(
                    node,
                    report,
                    parsed(|text| values::key(text, source.middle_c)),
                )?
                .value,
            ),
            "Key" => Trigger::Code(inner(node, report, key_code)?.value),
            _ => Trigger::Program(
                inner(node, report, |node, report| program(node, 0, report))?.value,
            ),
        },
    )
}

/// A key of a computer keyboard: its name, or its number under Linux.
fn key_code(node: &Node, report: &mut Report<'_>) -> Option<KeyCode> {
    if let Kind::Text(text) = &node.kind {
        let found = KeyCode::named(text);
        if found.is_none() {
            let message = format!("{} is the name of no key", quoted(text));
            let help = match nearest(text, KeyCode::names()) {
                Some(name) => format!("the nearest is {}", quoted(name)),
                None => {
                    "write a name such as \"PageDown\", or the number that Linux gives it".into()
                }
            };
            report.add(Problem::error("bad-value", node.span, message).help(help));
        }
        return found;
    }
    whole(1..=KeyCode::MAX)(node, report).and_then(KeyCode::new)
}
