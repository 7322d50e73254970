//! Routes of made rigs: as a show has them, and what they must come to.

use std::collections::{BTreeMap, BTreeSet};

use segue::midi::{Channel, Controller};
use segue::show::model::{
    Join, Moved, ParameterKind, PickUp, Rig, Route, RouteCurve, RouteInput, RouteTarget, Shape,
    Site, Zone,
};
use segue::sim::{Parameter, ReceiverModel};

use crate::oracle::{BEND, PRESSURE, SourceName};
use crate::script::{Rt, Way};
use crate::world::{SLIDE, SOURCES};

/// The sources that a route of a script can name: a keyboard's wheel, expression, bend and
/// pressure. Feet are left to the pedals' own rules.
const LED: [usize; 4] = [0, 1, SOURCES.len(), SOURCES.len() + 1];

/// The routes of a scene, as far as its zones and their receivers have something to move. No
/// two of one scene move the same: `check` refuses that. What fingers do is theirs wherever
/// there are any: no route leads it elsewhere, or moves it.
pub(crate) fn routes(made: &[Rt], zones: &[Zone], rig: &Rig) -> Vec<Route> {
    let mut taken = BTreeSet::new();
    let mut routes = Vec::new();
    for (at, rt) in made.iter().enumerate() {
        let played: BTreeSet<usize> = zones.iter().map(|zone| zone.receiver).collect();
        let Some(receiver) = played.iter().nth(rt.receiver % played.len().max(1)) else {
            continue;
        };
        let parameters = rig.receivers[*receiver].parameters.len();
        let what = match rt.what % (parameters + 3) {
            0 => Moved::Level,
            1 => Moved::Bend,
            2 => Moved::Pressure,
            parameter => Moved::Parameter(parameter - 3),
        };
        if !taken.insert((*receiver, rt.what % (parameters + 3))) {
            continue;
        }
        let route = route(at, rt, (*receiver, what), rig);
        if !is_of_fingers(&route, rig) {
            routes.push(route);
        }
    }
    routes
}

fn is_of_fingers(route: &Route, rig: &Rig) -> bool {
    let has_surface = rig.controllers.iter().any(|item| item.mpe.is_some());
    let axes = [Place::Bend, Place::Pressure, Place::Control(SLIDE)];
    let is_axis = places(route, rig).iter().any(|place| axes.contains(place));
    let mut inputs = route.inputs.iter();
    let from_fingers = inputs.any(|input| {
        rig.controllers[input.controller].mpe.is_some() && input.source >= SOURCES.len()
    });
    has_surface && (is_axis || from_fingers)
}

fn route(at: usize, rt: &Rt, (receiver, what): (usize, Moved), rig: &Rig) -> Route {
    let keyboards = rig.controllers.len() - 1;
    let source = LED[rt.source % LED.len()];
    let last = if source == SOURCES.len() { 16_383 } else { 127 };
    let input = |keyboard: usize| RouteInput {
        controller: keyboard % keyboards,
        source,
        from: (0, last),
        site: Site::default(),
    };
    let mut inputs = vec![input(rt.keyboard)];
    if let Some(other) = rt.other.map(input).filter(|other| *other != inputs[0]) {
        inputs.push(other);
    }
    let value = |value: u8| {
        let value = i32::from(value & 0x7f);
        match what {
            Moved::Level => -value * 30,
            Moved::Bend => (value - 64) * 3,
            Moved::Parameter(at) if is_wide(&rig.receivers[receiver].parameters[at].kind) => {
                value * 129
            }
            Moved::Parameter(_) | Moved::Pressure => value,
        }
    };
    let middle = (last / 2 + 1, last / 2 + 1);
    let (low, high) = (value(rt.to.0), value(rt.to.1));
    Route {
        name: format!("route {at}"),
        site: Site::default(),
        inputs,
        target: RouteTarget {
            receiver,
            what,
            site: Site::default(),
        },
        zones: Vec::new(),
        shape: match rt.way {
            Way::Follow => Shape::Follow {
                to: (low, high),
                curve: RouteCurve::Linear,
            },
            Way::Curve => Shape::Follow {
                to: (low, high),
                curve: RouteCurve::S,
            },
            Way::Switch | Way::Toggle => Shape::Switch {
                to: (low, high),
                at: middle,
                is_toggle: rt.way == Way::Toggle,
            },
            Way::Steps => Shape::Steps {
                values: vec![low, high, value(64)],
                at: middle,
            },
            Way::Bands => Shape::Bands(vec![(0, low), (last / 3, high), (last / 2, value(64))]),
        },
        join: match rt.join % 3 {
            0 => Join::Last,
            1 => Join::Highest,
            _ => Join::Sum,
        },
        pick_up: match rt.pick_up % 5 {
            0 => PickUp::Wait,
            1 => PickUp::Scale,
            _ => PickUp::Jump,
        },
        smooth_ms: rt.smooth_ms,
        passes: rt.passes,
    }
}

const fn is_wide(kind: &ParameterKind) -> bool {
    matches!(
        kind,
        ParameterKind::Pair(_) | ParameterKind::Nrpn(_) | ParameterKind::Rpn(_)
    )
}

/// A place of a slot that a route moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Place {
    Control(u8),
    Numbered(Parameter),
    Bend,
    Pressure,
}

/// The places that a route moves on its receiver's slots.
pub(crate) fn places(route: &Route, rig: &Rig) -> Vec<Place> {
    match route.target.what {
        Moved::Level => vec![Place::Control(11)],
        Moved::Bend => vec![Place::Bend],
        Moved::Pressure => vec![Place::Pressure],
        Moved::Parameter(at) => match &rig.receivers[route.target.receiver].parameters[at].kind {
            ParameterKind::Control(number) => vec![Place::Control(number.get())],
            ParameterKind::Pair(number) => {
                vec![
                    Place::Control(number.get()),
                    Place::Control(number.get() + 32),
                ]
            }
            ParameterKind::Nrpn(number) => {
                vec![Place::Numbered(Parameter::NonRegistered(*number))]
            }
            ParameterKind::Rpn(number) => vec![Place::Numbered(Parameter::Registered(*number))],
            _ => Vec::new(),
        },
    }
}

/// Whether what a route comes to hangs on more than where its sources stand: it goes on with
/// a sound that stays, so that the way to a scene shows there. DESIGN allows it that.
pub(crate) const fn remembers(route: &Route) -> bool {
    let counts = matches!(
        route.shape,
        Shape::Steps { .. }
            | Shape::Switch {
                is_toggle: true,
                ..
            }
    );
    counts || !matches!(route.pick_up, PickUp::Jump)
}

/// What a route without memory must come to at rest, and the error it may have: nothing if
/// its source never moved, or if this is left to others to say.
pub(crate) fn comes_to(
    route: &Route,
    moved: &BTreeMap<SourceName, (u64, u16)>,
    bend_range: u8,
) -> Option<(i32, i32)> {
    let [input] = route.inputs[..] else {
        return None;
    };
    let name = match input.source {
        at if at < SOURCES.len() => SOURCES[at],
        at if at == SOURCES.len() => BEND,
        _ => PRESSURE,
    };
    let (_, position) = *moved.get(&(input.controller, name))?;
    // The centre of a source is half way (MIDI 1.0: 64 of 127, 8192 of 16383).
    let (middle, last) = if name == BEND {
        (8192.0, 16_383.0)
    } else {
        (64.0, 127.0)
    };
    let x = f64::from(position);
    let part = if x <= middle {
        x / middle / 2.0
    } else {
        0.5 + (x - middle) / (last - middle) / 2.0
    };
    let value = match &route.shape {
        Shape::Follow { to, curve } if *curve == RouteCurve::Linear => {
            f64::from(to.0) + f64::from(to.1 - to.0) * part
        }
        Shape::Switch { to, at, .. } => f64::from(if position >= at.1 { to.1 } else { to.0 }),
        Shape::Bands(bands) => {
            let band = bands.iter().rev().find(|(from, _)| *from <= position)?;
            f64::from(band.1)
        }
        Shape::Follow { .. } | Shape::Steps { .. } => return None,
    };
    match route.target.what {
        // From end to end in dB: 40·log10 (GM2 §3.3.4).
        // A foot on expression has its share of it too.
        Moved::Level if moved.keys().any(|(_, source)| *source == 11) => None,
        Moved::Level => Some(((127.0 * 10_f64.powf(value / 4_000.0)).round() as i32, 1)),
        Moved::Bend => {
            let steps = value / 100.0 / f64::from(bend_range.max(1)) * 8192.0;
            Some(((8192.0 + steps).round().clamp(0.0, 16_383.0) as i32, 1))
        }
        Moved::Pressure | Moved::Parameter(_) => Some((value.round() as i32, 1)),
    }
}

/// What a slot of a receiver is at.
pub(crate) fn stands_at(model: &ReceiverModel, channel: Channel, places: &[Place]) -> Option<i32> {
    let slot = model.slot(channel);
    let control = |number: u8| i32::from(slot.controller(Controller::clamped(number.into())).get());
    match *places {
        [Place::Control(number)] => Some(control(number)),
        [Place::Control(upper), Place::Control(lower)] => {
            Some(control(upper) * 128 + control(lower))
        }
        [Place::Bend] => Some(slot.bend.get().into()),
        [Place::Pressure] => Some(slot.pressure.get().into()),
        [Place::Numbered(parameter)] => Some(slot.parameter(parameter).get().into()),
        _ => None,
    }
}
