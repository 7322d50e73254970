//! `sources` of a controller: wheels, sticks, ribbons, pedals, knobs and buttons by name.

use super::names::{Source, parsed};
use super::parameters::{pair_number, parameter_number};
use super::rig::control_number;
use super::values;
use crate::show::model::{Site, Source as TouchSource, SourceKind};
use crate::show::tree::readers::{inner, switch, variant, whole};
use crate::show::tree::{Fields, Kind, Node, Problem, Report, Spanned};

/// What every keyboard has, unless the rig lists its sources itself; an MPE surface has its
/// third axis besides.
pub(super) fn usual(site: Site, is_surface: bool) -> Vec<TouchSource> {
    let source = |name: &str, kind| TouchSource {
        name: name.into(),
        site,
        kind,
        is_inverted: false,
        bend_range: None,
    };
    let slide = source("slide", SourceKind::Control(crate::midi::cc::SLIDE));
    let mut sources = vec![
        source("hold", SourceKind::Control(crate::midi::cc::HOLD)),
        source("bend", SourceKind::Bend),
        source("pressure", SourceKind::Pressure),
    ];
    sources.extend(is_surface.then_some(slide));
    sources
}

/// Reads one source: what it sends, or `(sends: …, inverted: …, bend_range: …)`.
pub(super) fn source(
    name: &Spanned<String>,
    node: &Node,
    source: Source,
    report: &mut Report<'_>,
) -> Option<TouchSource> {
    let mut touch = TouchSource {
        name: name.value.clone(),
        site: source.site(name.span),
        kind: SourceKind::Bend,
        is_inverted: false,
        bend_range: None,
    };
    if !matches!(node.kind, Kind::Struct { name: None, .. }) {
        touch.kind = kind(node, source, report)?;
        return Some(touch);
    }
    let mut fields = Fields::open(node, "source", report)?;
    let kind = fields.required("sends", |node, report| kind(node, source, report));
    let inverted = fields.optional("inverted", switch);
    let bend_range = fields.optional("bend_range", whole(1..=96u8));
    let found = kind.as_ref().map(|kind| kind.value);
    if let Some(inverted) = &inverted
        && matches!(
            found,
            Some(SourceKind::Pressure | SourceKind::PolyPressure | SourceKind::Note(_))
        )
    {
        let message = "pressure and keys are at rest at 0, and cannot be turned round";
        fields.report().add(
            Problem::error("bad-value", inverted.span, message)
                .help("turn the route round instead: inverted: true there"),
        );
    }
    if let Some(range) = &bend_range
        && found.is_some_and(|kind| kind != SourceKind::Bend)
    {
        let message = "only a source that sends Bend has a bend range of its own";
        fields.report().add(
            Problem::error("bad-value", range.span, message)
                .help("lead it to the bend with a route: set: Bend, range: \"-12..12\""),
        );
    }
    fields.finish();
    touch.kind = kind?.value;
    touch.is_inverted = inverted.is_some_and(|inverted| inverted.value);
    touch.bend_range = bend_range.map(|range| range.value);
    Some(touch)
}

fn kind(node: &Node, source: Source, report: &mut Report<'_>) -> Option<SourceKind> {
    const KINDS: &[&str] = &[
        "Control",
        "Switch",
        "Pair",
        "Nrpn",
        "Note",
        "Bend",
        "Pressure",
        "PolyPressure",
    ];
    Some(match variant("source", KINDS)(node, report)? {
        "Control" => SourceKind::Control(inner(node, report, control_number)?.value),
        "Switch" => SourceKind::Switch(inner(node, report, control_number)?.value),
        "Pair" => SourceKind::Pair(inner(node, report, pair_number)?.value),
        "Nrpn" => SourceKind::Nrpn(parameter_number(node, report)?),
        "Note" => {
            let key = parsed(|text| values::key(text, source.middle_c));
            SourceKind::Note(inner(node, report, key)?.value)
        }
        "Bend" => SourceKind::Bend,
        "Pressure" => SourceKind::Pressure,
        _ => SourceKind::PolyPressure,
    })
}
