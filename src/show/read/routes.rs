//! Routes as they are written: of the rig, a song or a scene, each by name. What is left out
//! comes down from the route of the same name above it; `Off` takes one away.
//!
//! ```ron
//! routes: {
//!     "brightness": (
//!         from: ("lower", "wheel"),         // a controller and its source; or a list of them
//!         to: "main", set: "cutoff",        // a parameter, or Bend, Pressure, Level
//!         range: "20..110",                 // values at the source's ends; all of them unless stated
//!         curve: S,                         // Linear, Exponential, S, or [(0, 0), (64, 100), (127, 127)]
//!         pick_up: Wait,                    // Jump, Wait, Scale
//!         smooth_ms: 50,                    // the least time that the whole way takes
//!     ),
//!     "rotary": (
//!         from: ("lower", "stick"), to: "main", set: "rotary", zones: ["organ"],
//!         mode: Bands([(0, "stop"), (43, "slow"), (86, "fast")]),
//!     ),
//!     "strings": (
//!         from: [("lower", "bar"), (on: "feet", source: "foot", range: "10..120")],
//!         join: Highest,                    // Last (the one that moved last), Highest, Sum
//!         to: "main", set: Level, zones: ["strings"], inverted: true,
//!     ),
//!     "dive": (from: ("lower", "ribbon"), to: "main", set: Bend, range: "-12..0"),
//! }
//! ```
//!
//! **`set`**: a parameter moves in its own values, `Bend` in semitones (it needs a `range`),
//! `Pressure` from 0 to 127, `Level` in dB below the level of the zone; without a range it goes
//! from silence to all of it as the receiver's own law has it.
//!
//! **`mode`**: `Follow` is a way from end to end. `Momentary` and `Toggle` take the two ends of
//! `range`, up and down; `(at: "60..64")` is down from the second and up below the first.
//! `Steps([…])` takes the next value at each press, `Bands([(from, value), …])` one for each
//! stretch of the source. Values may be names of the parameter's states.
//!
//! **`zones`** names the zones whose sounds are moved; without it a route moves every sound of
//! its receiver. A source that is led somewhere no longer goes its own way in that scene,
//! unless the route says `pass: true`.
//!
//! **`pick_up`** says what holds when a scene comes in which the source stands elsewhere than
//! the scene's value: `Jump`, the position; `Wait`, the scene's value until the source passes
//! it; `Scale`, the scene's value, and what is left of the way leads from there to both ends.

use super::merge::merged;
use super::names::{Placed, Source, named, parsed};
use super::values;
use crate::show::model::{Join, PickUp, RouteCurve, Site};
use crate::show::tree::readers::{expected, list, name, switch, text, variant, whole, word};
use crate::show::tree::{Fields, Kind, Node, Number, Problem, Report, Spanned};

/// A route as written.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct RouteDraft {
    /// The route is `Off`: a route of that name from the song or the rig ends here.
    pub(super) is_off: bool,
    pub(super) from: Option<Vec<InputDraft>>,
    pub(super) to: Option<Placed<String>>,
    pub(super) set: Option<Placed<TargetDraft>>,
    pub(super) zones: Option<Vec<Placed<String>>>,
    /// The zones are named in the scene itself, so each of them must be there.
    pub(super) has_own_zones: bool,
    pub(super) range: Option<Placed<String>>,
    pub(super) curve: Option<Placed<RouteCurve>>,
    pub(super) mode: Option<Placed<ModeDraft>>,
    pub(super) inverted: Option<Placed<bool>>,
    pub(super) join: Option<Placed<Join>>,
    pub(super) pick_up: Option<Placed<PickUp>>,
    pub(super) smooth_ms: Option<Placed<u16>>,
    pub(super) pass: Option<Placed<bool>>,
}

/// A source by its names.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct InputDraft {
    pub(super) controller: Placed<String>,
    pub(super) source: Placed<String>,
    pub(super) range: Option<Placed<(u16, u16)>>,
    pub(super) site: Site,
}

/// What of a receiver is moved.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum TargetDraft {
    Parameter(String),
    Bend,
    Pressure,
    Level,
}

/// The `mode` of a route as written: how positions become values.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum ModeDraft {
    Follow,
    Momentary(Option<Placed<(u16, u16)>>),
    Toggle(Option<Placed<(u16, u16)>>),
    Steps(Vec<Placed<ValueDraft>>),
    Bands(Vec<(u16, Placed<ValueDraft>)>),
}

/// A value: a number, or the name of a parameter's state.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum ValueDraft {
    Number(f64),
    State(String),
}

/// Routes with their names, as a rig, song or scene writes them.
pub(super) type RouteDrafts = Vec<(Placed<String>, RouteDraft)>;

impl RouteDraft {
    /// This route, with what it leaves out taken from another.
    fn over(&self, under: &Self) -> Self {
        fn or<T: Clone>(over: &Option<T>, under: &Option<T>) -> Option<T> {
            over.clone().or_else(|| under.clone())
        }
        Self {
            is_off: self.is_off,
            from: or(&self.from, &under.from),
            to: or(&self.to, &under.to),
            set: or(&self.set, &under.set),
            zones: or(&self.zones, &under.zones),
            has_own_zones: self.zones.is_some() && self.has_own_zones,
            range: or(&self.range, &under.range),
            curve: or(&self.curve, &under.curve),
            mode: or(&self.mode, &under.mode),
            inverted: or(&self.inverted, &under.inverted),
            join: or(&self.join, &under.join),
            pick_up: or(&self.pick_up, &under.pick_up),
            smooth_ms: or(&self.smooth_ms, &under.smooth_ms),
            pass: or(&self.pass, &under.pass),
        }
    }
}

/// Routes of one place over those of the place above it.
pub(super) fn routes_over(over: &RouteDrafts, under: &RouteDrafts) -> RouteDrafts {
    merged(
        over,
        under,
        |(name, _)| &name.value,
        |(name, over), (_, under)| (name.clone(), over.over(under)),
    )
}

/// Routes that come down to another scene: zones that are not there are nobody's mistake.
pub(super) fn handed_down(routes: &RouteDrafts) -> RouteDrafts {
    let mut routes = routes.clone();
    for (_, route) in &mut routes {
        route.has_own_zones = false;
    }
    routes
}

/// Reads routes by name.
pub(super) fn route_drafts(
    node: &Node,
    source: Source,
    report: &mut Report<'_>,
) -> Option<RouteDrafts> {
    let mut read = Vec::new();
    for (name, node) in named(node, report)? {
        if let Some(route) = route_draft(node, source, report) {
            read.push((source.place(name), route));
        }
    }
    Some(read)
}

fn route_draft(node: &Node, source: Source, report: &mut Report<'_>) -> Option<RouteDraft> {
    const JOINS: &[(&str, Join)] = &[
        ("Last", Join::Last),
        ("Highest", Join::Highest),
        ("Sum", Join::Sum),
    ];
    const PICK_UPS: &[(&str, PickUp)] = &[
        ("Jump", PickUp::Jump),
        ("Wait", PickUp::Wait),
        ("Scale", PickUp::Scale),
    ];
    if let Kind::Word(_) = node.kind {
        variant("route", &["Off"])(node, report)?;
        return Some(RouteDraft {
            is_off: true,
            ..RouteDraft::default()
        });
    }
    let mut fields = Fields::open(node, "route", report)?;
    let zones = fields.optional("zones", list(name));
    let draft = RouteDraft {
        is_off: false,
        from: fields
            .optional("from", |node, report| inputs(node, source, report))
            .map(|from| from.value),
        to: place(source, fields.optional("to", name)),
        set: place(source, fields.optional("set", target)),
        has_own_zones: zones.is_some(),
        zones: zones.map(|zones| {
            let names = zones.value.into_iter();
            names.map(|name| source.place(name)).collect()
        }),
        range: place(source, fields.optional("range", text)),
        curve: place(source, fields.optional("curve", curve)),
        mode: place(
            source,
            fields.optional("mode", |node, report| mode(node, source, report)),
        ),
        inverted: place(source, fields.optional("inverted", switch)),
        join: place(source, fields.optional("join", word("join", JOINS))),
        pick_up: place(
            source,
            fields.optional("pick_up", word("way to pick up", PICK_UPS)),
        ),
        // Slower than ten seconds is no longer a hand.
        smooth_ms: place(source, fields.optional("smooth_ms", whole(0..=10_000u16))),
        pass: place(source, fields.optional("pass", switch)),
    };
    fields.finish();
    Some(draft)
}

fn place<T>(source: Source, read: Option<Spanned<T>>) -> Option<Placed<T>> {
    read.map(|read| source.place(read))
}

/// One source or a list of them.
fn inputs(node: &Node, source: Source, report: &mut Report<'_>) -> Option<Vec<InputDraft>> {
    match node.kind {
        Kind::List(_) => Some(
            list(|node, report: &mut Report<'_>| input(node, source, report))(node, report)?
                .into_iter()
                .map(|input| input.value)
                .collect(),
        ),
        _ => input(node, source, report).map(|input| vec![input]),
    }
}

/// `("upper", "wheel")`, or `(on: "upper", source: "wheel", range: "0..64")`.
fn input(node: &Node, source: Source, report: &mut Report<'_>) -> Option<InputDraft> {
    let site = source.site(node.span);
    match &node.kind {
        Kind::Tuple { items, name: None } if items.len() == 2 => {
            let [on, of] = &items[..] else { return None };
            let names = (name(on, report), name(of, report));
            Some(InputDraft {
                controller: source.place(Spanned::new(names.0?, on.span)),
                source: source.place(Spanned::new(names.1?, of.span)),
                range: None,
                site,
            })
        }
        Kind::Struct { .. } => {
            let mut fields = Fields::open(node, "source", report)?;
            let on = fields.required("on", name);
            let of = fields.required("source", name);
            let range = fields.optional("range", parsed(values::range));
            fields.finish();
            Some(InputDraft {
                controller: source.place(on?),
                source: source.place(of?),
                range: place(source, range),
                site,
            })
        }
        _ => expected("a controller and its source: (\"…\", \"…\")", node, report),
    }
}

fn target(node: &Node, report: &mut Report<'_>) -> Option<TargetDraft> {
    match node.kind {
        Kind::Text(_) => name(node, report).map(TargetDraft::Parameter),
        _ => Some(
            match variant("parameter", &["Bend", "Pressure", "Level"])(node, report)? {
                "Bend" => TargetDraft::Bend,
                "Pressure" => TargetDraft::Pressure,
                _ => TargetDraft::Level,
            },
        ),
    }
}

fn curve(node: &Node, report: &mut Report<'_>) -> Option<RouteCurve> {
    if matches!(node.kind, Kind::Word(_)) {
        return Some(
            match variant("curve", &["Linear", "Exponential", "S"])(node, report)? {
                "Linear" => RouteCurve::Linear,
                "Exponential" => RouteCurve::Exponential,
                _ => RouteCurve::S,
            },
        );
    }
    let points = list(point)(node, report)?;
    let is_rising = points
        .windows(2)
        .all(|pair| matches!(pair, [a, b] if a.value.0 < b.value.0));
    if points.len() < 2 || !is_rising {
        let message = "a curve has at least two points, each further right than the one before";
        report.add(
            Problem::error("bad-value", node.span, message)
                .help("such as [(0, 0), (64, 100), (127, 127)]; or Linear, Exponential, S"),
        );
        return None;
    }
    let points = points.into_iter().map(|point| point.value);
    Some(RouteCurve::Table(points.collect()))
}

fn point(node: &Node, report: &mut Report<'_>) -> Option<(u8, u8)> {
    let [x, y] = super::names::items(node, 2, report)? else {
        return None;
    };
    let (x, y) = (whole(0..=127u8)(x, report), whole(0..=127u8)(y, report));
    x.zip(y)
}

fn mode(node: &Node, source: Source, report: &mut Report<'_>) -> Option<ModeDraft> {
    const MODES: &[&str] = &["Follow", "Momentary", "Toggle", "Steps", "Bands"];
    let found = variant("mode of a route", MODES)(node, report)?;
    let mut one_list = |what: &str| match &node.kind {
        Kind::Tuple { items, .. } if items.len() == 1 => items.first(),
        _ => expected(&format!("{found}([{what}])"), node, report),
    };
    Some(match found {
        "Follow" => ModeDraft::Follow,
        "Momentary" => ModeDraft::Momentary(threshold(node, source, report)),
        "Toggle" => ModeDraft::Toggle(threshold(node, source, report)),
        "Steps" => {
            let node = one_list("0, 64, 127")?;
            let values = list(value)(node, report)?.into_iter();
            ModeDraft::Steps(values.map(|value| source.place(value)).collect())
        }
        _ => {
            let node = one_list("(0, 0), (64, 127)")?;
            let bands = list(|node, report: &mut Report<'_>| band(node, source, report));
            let bands = bands(node, report)?.into_iter();
            ModeDraft::Bands(bands.map(|band| band.value).collect())
        }
    })
}

/// `(at: "60..64")`: down from the second, up below the first.
fn threshold(node: &Node, source: Source, report: &mut Report<'_>) -> Option<Placed<(u16, u16)>> {
    let mut fields = Fields::of_variant(node, "switch", report)?;
    let at = fields.optional("at", parsed(values::range));
    fields.finish();
    place(source, at)
}

fn band(node: &Node, source: Source, report: &mut Report<'_>) -> Option<(u16, Placed<ValueDraft>)> {
    let [from, to] = super::names::items(node, 2, report)? else {
        return None;
    };
    let read = (whole(0..=16_383u16)(from, report), value(to, report));
    Some((read.0?, source.place(Spanned::new(read.1?, to.span))))
}

/// A number, or the name of a state.
fn value(node: &Node, report: &mut Report<'_>) -> Option<ValueDraft> {
    match &node.kind {
        Kind::Number(Number::Int(value)) => Some(ValueDraft::Number(*value as f64)),
        Kind::Number(Number::Float(value)) => Some(ValueDraft::Number(*value)),
        Kind::Text(_) => name(node, report).map(ValueDraft::State),
        _ => expected("a number, or the name of a state", node, report),
    }
}
