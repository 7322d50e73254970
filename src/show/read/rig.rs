//! `rig.ron`: ports, controllers, pedals, curves; receivers are read in their own file.

use crate::midi::pitch::MiddleC;
use std::collections::{BTreeMap, BTreeSet};

use super::draft::{ZoneDraft, zone_draft};
use super::mpe;
use super::names::{Names, Source, items, named, parsed};
use super::pedals;
use super::receivers::{self, ReceiverNames};
use super::routes::{RouteDrafts, route_drafts};
use super::sources;
use super::spares;
use super::values::{self, Wrong};
use crate::midi::{Channel, Controller, MpeZone, Program, Value7};
use crate::show::finding::quoted;
use crate::show::model::{
    ControllerItem, Curve, Port, PortKind, PortMatch, Receiver, Rig, SourceFile,
};
use crate::show::tree::readers::{expected, list, name, text, whole, word};
use crate::show::tree::{Fields, Kind, Node, Problem, Report, Spanned};

/// The rig as read, and what songs may call its items.
#[derive(Debug, Default)]
pub(super) struct RigRead {
    /// The rig as far as it could be read.
    pub(super) rig: Rig,
    pub(super) ports: Names,
    pub(super) controllers: Names,
    pub(super) receivers: Names,
    /// Names within each receiver.
    pub(super) inside: Vec<ReceiverNames>,
    pub(super) curves: Names,
    /// What zones of all songs start from.
    pub(super) defaults: ZoneDraft,
    /// What routes of all songs start from.
    pub(super) routes: RouteDrafts,
}

/// Files that the rig names: paths and their place among the show's files.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lists<'s> {
    /// Index of a file in `files`, by its path.
    pub(super) paths: &'s BTreeMap<String, u16>,
    /// The show's files, patch lists among them.
    pub(super) files: &'s [SourceFile],
    /// Paths that could not be read.
    pub(super) unread: &'s BTreeSet<String>,
}

/// Reads version 1 of `rig.ron`. Findings about patch lists come back beside the rig, with
/// the index of their file.
pub(super) fn rig(
    node: &Node,
    report: &mut Report<'_>,
    file: u16,
    lists: Lists<'_>,
) -> (RigRead, Vec<(u16, Problem)>) {
    let mut read = RigRead::default();
    let mut problems = Vec::new();
    let mut source = Source {
        file,
        middle_c: MiddleC::default(),
    };
    let Some(mut fields) = Fields::open(node, "rig", report) else {
        return (read, problems);
    };
    fields.skip("version");
    if let Some(name) = fields.optional("middle_c", parsed(middle_c)) {
        source.middle_c = name.value;
    }
    let ports = fields.optional("ports", named);
    let controllers = fields.optional("controllers", named);
    let pedals = fields.optional("pedals", named);
    let curves = fields.optional("curves", named);
    let receivers = fields.optional("receivers", named);
    let defaults = fields.optional("defaults", |node, report| {
        zone_draft(node, "defaults", source, report)
    });
    let routes = fields.optional("routes", |node, report| route_drafts(node, source, report));
    fields.finish();

    read.routes = routes.map(|routes| routes.value).unwrap_or_default();
    read.rig.middle_c = source.middle_c;
    read.defaults = defaults.map_or_else(ZoneDraft::default, |draft| draft.value);
    (read.rig.ports, read.ports) = things(ports, report, |name, node, report| {
        port(name, node, source, report)
    });
    let known = &read.ports;
    (read.rig.controllers, read.controllers) = things(controllers, report, |name, node, report| {
        controller(name, node, source, known, report)
    });
    let known = &read.controllers;
    (read.rig.bindings, _) = things(pedals, report, |name, node, report| {
        pedals::pedal(name, node, source, known, report)
    });
    (read.rig.curves, read.curves) = all_curves(curves, report);
    (read.rig.receivers, read.receivers, read.inside) =
        all_receivers(receivers, &read, source, lists, report, &mut problems);
    (read, problems)
}

type NamedNodes<'n> = Option<Spanned<Vec<(Spanned<String>, &'n Node)>>>;

/// Reads all entries of a map. One that cannot be read leaves its name behind, so that
/// references to it are not reported as unknown.
fn things<T>(
    nodes: NamedNodes<'_>,
    report: &mut Report<'_>,
    read: impl Fn(&Spanned<String>, &Node, &mut Report<'_>) -> Option<T>,
) -> (Vec<T>, Names) {
    let (mut things, mut names) = (Vec::new(), Names::default());
    for (name, node) in nodes.map(|nodes| nodes.value).unwrap_or_default() {
        let thing = read(&name, node, report);
        names.add(&name.value, thing.is_some().then_some(things.len()));
        things.extend(thing);
    }
    (things, names)
}

fn all_receivers(
    nodes: NamedNodes<'_>,
    read: &RigRead,
    source: Source,
    lists: Lists<'_>,
    report: &mut Report<'_>,
    problems: &mut Vec<(u16, Problem)>,
) -> (Vec<Receiver>, Names, Vec<ReceiverNames>) {
    let (mut all, mut names, mut inside) = (Vec::new(), Names::default(), Vec::new());
    let (mut links, mut spares) = (Vec::new(), Vec::new());
    for (name, node) in nodes.map(|nodes| nodes.value).unwrap_or_default() {
        let desk = receivers::Around {
            source,
            ports: &read.ports,
            controllers: &read.controllers,
            lists,
        };
        let receiver = receivers::receiver(&name, node, desk, report, problems);
        names.add(&name.value, receiver.is_some().then_some(all.len()));
        if let Some(found) = receiver {
            links.push(found.hears);
            spares.push(found.spare_of);
            inside.push(found.names);
            all.push(found.receiver);
        }
    }
    // Only now are all names known that an effects unit may hear, or a spare stand in for.
    for (receiver, hears) in all.iter_mut().zip(links) {
        receiver.hears = hears
            .iter()
            .filter_map(|name| names.index(name, "receiver", report))
            .collect();
    }
    spares::fill(&mut all, &mut inside, &spares, &names, report);
    (all, names, inside)
}

fn middle_c(text: &str) -> values::Parsed<MiddleC> {
    match text {
        "C3" => Ok(MiddleC::C3),
        "C4" => Ok(MiddleC::C4),
        "C5" => Ok(MiddleC::C5),
        _ => Err(Wrong {
            message: format!("{} is no name for middle C", quoted(text)),
            help: "it is \"C4\", \"C3\" or \"C5\": what the instruments' panels call key 60".into(),
        }),
    }
}

fn port(
    name: &Spanned<String>,
    node: &Node,
    source: Source,
    report: &mut Report<'_>,
) -> Option<Port> {
    const KINDS: &[(&str, PortKind)] = &[
        ("Usb", PortKind::Usb),
        ("Din", PortKind::Din),
        ("UsbToDin", PortKind::UsbToDin),
        ("Software", PortKind::Software),
        ("Keys", PortKind::Keys),
    ];
    let mut fields = Fields::open(node, "port", report)?;
    let is_usb = fields.has("usb");
    let matches = match (is_usb, fields.has("name")) {
        (true, false) => usb_match(&mut fields),
        (false, true) => fields
            .optional("name", text)
            .map(|name| PortMatch::Name(name.value)),
        (is_both, _) => {
            fields.skip("usb");
            fields.skip("name");
            let start = fields.span();
            let message = match is_both {
                true => format!("the port {} is found in two ways", quoted(&name.value)),
                false => format!("nothing says how the port {} is found", quoted(&name.value)),
            };
            let help = "write usb: \"vendor:product\", or name: \"…\"; `segue ports` prints both";
            let id = if is_both {
                "bad-value"
            } else {
                "missing-field"
            };
            fields
                .report()
                .add(Problem::error(id, start, message).help(help));
            None
        }
    };
    let kind = fields
        .optional("kind", word("kind of port", KINDS))
        .map(|kind| kind.value)
        .unwrap_or_default();
    fields.finish();
    Some(Port {
        name: name.value.clone(),
        site: source.site(name.span),
        matches: matches?,
        kind,
    })
}

fn usb_match(fields: &mut Fields<'_, '_, '_>) -> Option<PortMatch> {
    let usb = fields.required("usb", parsed(values::usb_identity));
    let serial = fields.optional("serial", text).map(|serial| serial.value);
    let location = fields
        .optional("location", text)
        .map(|location| location.value);
    let port = fields
        .optional("usb_port", whole(1..=16u8))
        .map_or(1, |port| port.value);
    let (vendor, product) = usb?.value;
    Some(PortMatch::Usb {
        vendor,
        product,
        serial,
        location,
        port,
    })
}

fn controller(
    name: &Spanned<String>,
    node: &Node,
    source: Source,
    ports: &Names,
    report: &mut Report<'_>,
) -> Option<ControllerItem> {
    let mut fields = Fields::open(node, "controller", report)?;
    let port = fields.required("port", self::name);
    let heard = fields
        .optional("channel", controller_channel)
        .map_or((None, None), |heard| heard.value);
    let keys = fields.optional("keys", parsed(|text| values::keys(text, source.middle_c)));
    let sources = fields.optional("sources", named);
    let is_keyboard = fields.has("keys");
    fields.finish();
    let sources = match sources {
        Some(nodes) => {
            things(Some(nodes), report, |name, node, report| {
                sources::source(name, node, source, report)
            })
            .0
        }
        None if is_keyboard => sources::usual(source.site(name.span), heard.1.is_some()),
        None => Vec::new(),
    };
    let port = ports.index(&port?, "port", report)?;
    if is_keyboard && keys.is_none() {
        return None;
    }
    Some(ControllerItem {
        name: name.value.clone(),
        site: source.site(name.span),
        port,
        channel: heard.0,
        mpe: heard.1,
        keys: keys.map(|keys| keys.value),
        sources,
    })
}

/// A channel, or `Mpe(…)`: an MPE surface, whose own channel is its zone's manager.
fn controller_channel(
    node: &Node,
    report: &mut Report<'_>,
) -> Option<(Option<Channel>, Option<MpeZone>)> {
    if mpe::is_written(node) {
        let zone = mpe::zone(node, report)?;
        return Some((Some(zone.manager()), Some(zone)));
    }
    let channel = whole(1..=16u8)(node, report)?;
    Some((values::channel(channel.into()), None))
}

/// A controller number that may be named: 120–127 are channel mode messages (MIDI 1.0).
pub(super) fn control_number(node: &Node, report: &mut Report<'_>) -> Option<Controller> {
    whole(0..=119u8)(node, report).and_then(Controller::new)
}

/// A program, counted from `first`.
pub(super) fn program(node: &Node, first: u8, report: &mut Report<'_>) -> Option<Program> {
    whole(first..=127 + first)(node, report).and_then(|number| Program::new(number - first))
}

/// A value of 7 bits.
pub(super) fn value7(node: &Node, report: &mut Report<'_>) -> Option<Value7> {
    whole(0..=127u8)(node, report).and_then(Value7::new)
}

/// The name of the curve that leaves velocities as they are.
pub(super) const STRAIGHT: &str = "straight";

fn all_curves(nodes: NamedNodes<'_>, report: &mut Report<'_>) -> (Vec<Curve>, Names) {
    let mut curves = vec![Curve {
        name: STRAIGHT.into(),
        points: vec![(Value7::MIN, Value7::MIN), (Value7::MAX, Value7::MAX)],
    }];
    let mut names = Names::default();
    names.add(STRAIGHT, Some(0));
    for (name, node) in nodes.map(|nodes| nodes.value).unwrap_or_default() {
        if name.value == STRAIGHT {
            let message = "the curve \"straight\" is always there";
            report.add(
                Problem::error("duplicate-name", name.span, message)
                    .help("give this one another name"),
            );
            continue;
        }
        let points = curve(node, report);
        names.add(&name.value, points.is_some().then_some(curves.len()));
        curves.extend(points.map(|points| Curve {
            name: name.value,
            points,
        }));
    }
    (curves, names)
}

fn curve(node: &Node, report: &mut Report<'_>) -> Option<Vec<(Value7, Value7)>> {
    let points = list(point)(node, report)?;
    let is_rising = points
        .windows(2)
        .all(|pair| matches!(pair, [a, b] if a.value.0 < b.value.0));
    if points.len() < 2 || !is_rising {
        let message = "a curve has at least two points, each further right than the one before";
        report.add(
            Problem::error("bad-value", node.span, message)
                .help("such as [(1, 1), (64, 90), (127, 127)]"),
        );
        return None;
    }
    Some(points.into_iter().map(|point| point.value).collect())
}

fn point(node: &Node, report: &mut Report<'_>) -> Option<(Value7, Value7)> {
    let [x, y] = items(node, 2, report)? else {
        return None;
    };
    let velocity =
        |node, report: &mut Report<'_>| whole(1..=127u8)(node, report).and_then(Value7::new);
    let (x, y) = (velocity(x, report), velocity(y, report));
    x.zip(y)
}

/// One text or a list of them.
pub(super) fn names_of(node: &Node, report: &mut Report<'_>) -> Option<Vec<Spanned<String>>> {
    match node.kind {
        Kind::List(_) => list(name)(node, report),
        Kind::Text(_) => name(node, report).map(|read| vec![Spanned::new(read, node.span)]),
        _ => expected("a name, or a list of names", node, report),
    }
}
