//! `parameters` of a receiver: how a named value is sent, its range and its neutral.

use super::names::{Source, items, parsed};
use super::rig::{control_number, value7};
use super::values;
use crate::midi::{Channel, Controller, Value14};
use crate::show::finding::quoted;
use crate::show::model::{Parameter, ParameterKind, TemplateByte};
use crate::show::tree::readers::{self, inner, map, switch, variant, whole};
use crate::show::tree::{Fields, Node, Problem, Report, Spanned};

/// Reads one parameter; `global` is the receiver's channel for those of the whole receiver.
pub(super) fn parameter(
    name: &Spanned<String>,
    node: &Node,
    source: Source,
    global: Option<Channel>,
    report: &mut Report<'_>,
) -> Option<Parameter> {
    let mut fields = Fields::open(node, "parameter", report)?;
    let kind = fields
        .required("sends", parameter_kind)
        .map(|kind| kind.value);
    let most = kind.as_ref().map_or(0, largest);
    let range = fields.optional("range", parsed(values::range));
    let has_range = fields.has("range");
    let neutral = fields.optional("neutral", whole(0..=16_383u16));
    let is_global = fields
        .optional("global", switch)
        .is_some_and(|read| read.value);
    if let Some(range) = range.filter(|range| range.value.1 > most && kind.is_some()) {
        let message = format!("this parameter carries values up to {most}");
        fields.report().add(
            Problem::error("bad-value", range.span, message)
                .help("lower the range, or send 14 bits"),
        );
    }
    let (low, high) = range.map_or((0, most), |range| range.value);
    if let Some(neutral) =
        neutral.filter(|neutral| !(low..=high).contains(&neutral.value) && kind.is_some())
    {
        let message = format!("the neutral value {} leaves {low} to {high}", neutral.value);
        fields.report().add(
            Problem::error("parameter-out-of-range", neutral.span, message)
                .help("choose one in the range"),
        );
    }
    let states = read_states(&mut fields, (low, high), kind.is_some());
    let needs_channel = kind.as_ref().is_some_and(uses_channel);
    if is_global && needs_channel && global.is_none() {
        let message = "this parameter is global, and its receiver has no channel for that";
        let span = fields.span();
        fields.report().add(
            Problem::error("missing-field", span, message)
                .help("give the receiver global: and a channel"),
        );
    }
    fields.finish();
    if has_range && range.is_none() {
        return None;
    }
    let range = (low, high.min(most));
    let neutral = neutral.map(|neutral| neutral.value);
    Some(Parameter {
        name: name.value.clone(),
        site: source.site(name.span),
        kind: kind?,
        range,
        neutral,
        is_global,
        states,
    })
}

/// The named values of a parameter. Those out of its range are reported if its kind is known.
fn read_states(
    fields: &mut Fields<'_, '_, '_>,
    (low, high): (u16, u16),
    is_known: bool,
) -> Vec<(String, u16)> {
    let states = fields
        .optional("states", map(readers::name, whole(0..=16_383u16)))
        .map(|states| states.value)
        .unwrap_or_default();
    for (state, value) in &states {
        if !(low..=high).contains(&value.value) && is_known {
            let message = format!("the state {} leaves {low} to {high}", quoted(&state.value));
            fields.report().add(
                Problem::error("parameter-out-of-range", value.span, message)
                    .help("choose a value in the range"),
            );
        }
    }
    let plain = states.into_iter();
    plain
        .map(|(state, value)| (state.value, value.value))
        .collect()
}

/// The largest value that a parameter can carry.
fn largest(kind: &ParameterKind) -> u16 {
    match kind {
        ParameterKind::Control(_) => 127,
        ParameterKind::Pair(_) | ParameterKind::Rpn(_) | ParameterKind::Nrpn(_) => 16_383,
        ParameterKind::Exclusive(parts) if parts.contains(&TemplateByte::ValueMsb) => 16_383,
        ParameterKind::Exclusive(_) => 127,
    }
}

fn uses_channel(kind: &ParameterKind) -> bool {
    match kind {
        ParameterKind::Exclusive(parts) => parts.contains(&TemplateByte::Channel),
        _ => true,
    }
}

fn parameter_kind(node: &Node, report: &mut Report<'_>) -> Option<ParameterKind> {
    const KNOWN: &[&str] = &["Control", "Pair", "Rpn", "Nrpn", "Exclusive"];
    Some(
        match variant("way to send a parameter", KNOWN)(node, report)? {
            "Control" => ParameterKind::Control(inner(node, report, control_number)?.value),
            "Pair" => ParameterKind::Pair(inner(node, report, pair_number)?.value),
            "Rpn" => ParameterKind::Rpn(parameter_number(node, report)?),
            "Nrpn" => ParameterKind::Nrpn(parameter_number(node, report)?),
            _ => ParameterKind::Exclusive(inner(node, report, value_template)?.value),
        },
    )
}

/// The upper half of a pair: controllers 0–31 have their lower half at + 32 (MIDI 1.0).
pub(super) fn pair_number(node: &Node, report: &mut Report<'_>) -> Option<Controller> {
    whole(0..=31u8)(node, report).and_then(Controller::new)
}

/// The number of an (N)RPN: its two halves `(msb, lsb)`, as manuals print them.
pub(super) fn parameter_number(node: &Node, report: &mut Report<'_>) -> Option<Value14> {
    let [msb, lsb] = items(node, 2, report)? else {
        return None;
    };
    let (msb, lsb) = (value7(msb, report), value7(lsb, report));
    Some(Value14::from_parts(msb?, lsb?))
}

/// A template must carry a value, and 14 bits need both halves.
fn value_template(node: &Node, report: &mut Report<'_>) -> Option<Vec<TemplateByte>> {
    let parts = parsed(values::template)(node, report)?;
    let has = |part| parts.contains(&part);
    let is_whole = has(TemplateByte::ValueMsb) == has(TemplateByte::ValueLsb);
    let is_one = has(TemplateByte::Value) != has(TemplateByte::ValueMsb);
    if is_whole && is_one {
        return Some(parts);
    }
    let message = "a parameter's message carries its value once, as 7 or as 14 bits";
    report.add(
        Problem::error("bad-value", node.span, message)
            .help("put vv where the value goes, or mm and ll"),
    );
    None
}
