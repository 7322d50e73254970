//! Routes, each compiled once for each sound that it moves, in the target's units.

use std::collections::BTreeMap;

use super::rig::{GLOBAL_GROUP, Layout};
use super::scenes::extend;
use super::sounds::{Draft, Sounds};
use crate::engine::promptbook::{
    Address, CURVE_KNOTS, Edges, Join, PickUp, RouteEntry, RouteInput, RouteValue, Shape, SoundId,
    ZoneEntry,
};
use crate::engine::promptbook::{RouteCurve as Knots, Span};
use crate::midi::{Value7, scale};
use crate::show::model::{
    self, LevelLaw, Moved, ParameterKind, Receiver, Route, RouteCurve, Scene, Show, Zone,
};

/// The routes' share of the promptbook.
#[derive(Default)]
pub(super) struct Routes {
    pub(super) entries: Vec<RouteEntry>,
    pub(super) inputs: Vec<RouteInput>,
    pub(super) values: Vec<RouteValue>,
    pub(super) curves: Vec<Knots>,
    curve_ids: BTreeMap<Knots, u16>,
    input_runs: BTreeMap<Vec<RouteInput>, Span>,
    value_runs: BTreeMap<Vec<RouteValue>, (u32, u32)>,
    identities: BTreeMap<Sameness, u32>,
}

/// What makes two compiled routes the same: their sound, and all that they do to it.
type Sameness = (
    u32,
    Address,
    Vec<RouteInput>,
    Shape,
    (Join, PickUp, u64),
    Option<i32>,
);

/// What compiling routes needs of a scene.
pub(super) struct Around<'a> {
    pub(super) show: &'a Show,
    pub(super) layout: &'a Layout,
    pub(super) scene: &'a Scene,
    pub(super) zones: &'a [(&'a Zone, ZoneEntry)],
    pub(super) drafts: &'a [Draft],
}

/// A sound that a route moves, and the value that its scene states there.
struct Aim {
    sound: usize,
    address: Address,
    snapshot: Option<i32>,
}

impl Routes {
    /// Compiles the routes of a scene; a route that moves nothing is left out. Returns the
    /// range of `entries`, and for each entry the index of its route in the scene.
    pub(super) fn scene(&mut self, around: &Around<'_>, sounds: &mut Sounds<'_>) -> Vec<usize> {
        let mut made = Vec::new();
        let start = self.entries.len();
        for (index, route) in around.scene.routes.iter().enumerate() {
            let Some(receiver) = around.show.rig.receivers.get(route.target.receiver) else {
                continue;
            };
            for aim in aims(around, route, receiver, sounds) {
                let entry = self.entry(around, route, receiver, &aim);
                let is_taken = self.entries.get(start..).is_some_and(|own| {
                    own.iter()
                        .any(|other| other.sound == entry.sound && other.address == entry.address)
                });
                // Of two routes to one target the first counts; `check` reports the other.
                if !is_taken {
                    self.entries.push(entry);
                    made.push(index);
                }
            }
        }
        made
    }

    fn entry(
        &mut self,
        around: &Around<'_>,
        route: &Route,
        receiver: &Receiver,
        aim: &Aim,
    ) -> RouteEntry {
        let inputs = inputs(around, route);
        let shape = self.shape(around.show, route, receiver);
        let entry = RouteEntry {
            sound: SoundId(aim.sound as u8),
            address: aim.address,
            inputs: self.input_run(&inputs),
            shape,
            join: route.join,
            pick_up: route.pick_up,
            smooth_us: u64::from(route.smooth_ms) * 1000,
            snapshot: aim.snapshot,
            identity: 0,
        };
        let sound = around
            .drafts
            .get(aim.sound)
            .map_or(0, |draft| draft.entry.identity);
        let sameness = (
            sound,
            entry.address,
            inputs,
            entry.shape,
            (entry.join, entry.pick_up, entry.smooth_us),
            entry.snapshot,
        );
        let next = self.identities.len() as u32;
        RouteEntry {
            identity: *self.identities.entry(sameness).or_insert(next),
            ..entry
        }
    }

    fn input_run(&mut self, inputs: &[RouteInput]) -> Span {
        if let Some(run) = self.input_runs.get(inputs) {
            return *run;
        }
        let run = extend(&mut self.inputs, inputs.iter().copied());
        self.input_runs.insert(inputs.to_vec(), run);
        run
    }

    fn value_run(&mut self, values: Vec<RouteValue>) -> (u32, u32) {
        if let Some(run) = self.value_runs.get(&values) {
            return *run;
        }
        let run = extend(&mut self.values, values.iter().copied());
        let run = (run.start, run.len);
        self.value_runs.insert(values, run);
        run
    }

    fn curve(&mut self, knots: Knots) -> u16 {
        let curves = &mut self.curves;
        *self.curve_ids.entry(knots).or_insert_with(|| {
            curves.push(knots);
            (curves.len() - 1) as u16
        })
    }

    fn shape(&mut self, show: &Show, route: &Route, receiver: &Receiver) -> Shape {
        let law = receiver.manners.level;
        let what = route.target.what;
        let at = |at: u16| position(show, route, at);
        let edges = |(up_below, down_from): (u16, u16)| Edges {
            up_below: at(up_below),
            down_from: at(down_from),
        };
        match &route.shape {
            model::Shape::Follow { to, curve } => self.follow(what, law, *to, curve),
            model::Shape::Switch {
                to,
                at: threshold,
                is_toggle,
            } => Shape::Switch {
                up: unit(what, law, to.0),
                down: unit(what, law, to.1),
                edges: edges(*threshold),
                is_toggle: *is_toggle,
            },
            model::Shape::Steps {
                values,
                at: threshold,
            } => {
                let values = values.iter().map(|value| RouteValue {
                    from: 0,
                    value: unit(what, law, *value),
                });
                Shape::Steps {
                    values: self.value_run(values.collect()),
                    edges: edges(*threshold),
                }
            }
            model::Shape::Bands(bands) => {
                let values = bands.iter().map(|(from, value)| RouteValue {
                    from: at(*from),
                    value: unit(what, law, *value),
                });
                Shape::Bands {
                    values: self.value_run(values.collect()),
                }
            }
        }
    }

    fn follow(&mut self, what: Moved, law: LevelLaw, to: (i32, i32), curve: &RouteCurve) -> Shape {
        let is_whole_level = what == Moved::Level && matches!(to, (LOWEST, 0) | (0, LOWEST));
        if what == Moved::Level && !is_whole_level {
            // The curve runs in dB from end to end, so the level law is applied to its points.
            let knots = knots(|x| {
                let db = f64::from(to.0) + f64::from(to.1 - to.0) * part(curve, x);
                gain(law, db / 100.0)
            });
            return Shape::Follow {
                low: 0,
                high: 127,
                curve: Some(self.curve(knots)),
            };
        }
        let curve = (*curve != RouteCurve::Linear).then(|| self.curve(knots(|x| part(curve, x))));
        Shape::Follow {
            low: unit(what, law, to.0),
            high: unit(what, law, to.1),
            curve,
        }
    }
}

/// The level that means silence at the end of a route, in hundredths of a dB.
const LOWEST: i32 = -9_000;

/// A value of the file in the engine's unit.
fn unit(what: Moved, law: LevelLaw, value: i32) -> i32 {
    match what {
        Moved::Parameter(_) | Moved::Pressure => value,
        Moved::Bend => value * 100,
        Moved::Level => (gain(law, f64::from(value) / 100.0) * 127.0).round() as i32,
    }
}

/// A level in dB as a share of expression, 0–1 (GM2 §3.3.4 and §3.3.6: 40·log10).
fn gain(law: LevelLaw, db: f64) -> f64 {
    if db * 100.0 <= f64::from(LOWEST) {
        return 0.0;
    }
    let slope = match law {
        LevelLaw::Gm | LevelLaw::Fixed => 40.0,
        LevelLaw::Linear => 20.0,
    };
    10_f64.powf(db / slope).min(1.0)
}

fn knots(at: impl Fn(f64) -> f64) -> Knots {
    let mut knots = [0; CURVE_KNOTS];
    for (index, knot) in knots.iter_mut().enumerate() {
        let x = index as f64 / (CURVE_KNOTS - 1) as f64;
        *knot = (at(x).clamp(0.0, 1.0) * 16_383.0).round() as u16;
    }
    knots
}

/// The value of a curve at `x`, both 0–1. The exponential curve grows by the same factor in
/// equal parts, 32 over all; S is the smooth cubic.
fn part(curve: &RouteCurve, x: f64) -> f64 {
    match curve {
        RouteCurve::Linear => x,
        RouteCurve::Exponential => (32_f64.powf(x) - 1.0) / 31.0,
        RouteCurve::S => x * x * (3.0 - 2.0 * x),
        RouteCurve::Table(points) => {
            let x = x * 127.0;
            let of = |point: &(u8, u8)| (f64::from(point.0), f64::from(point.1) / 127.0);
            let after = points.iter().map(of).find(|point| point.0 >= x);
            let before = points.iter().map(of).take_while(|point| point.0 < x).last();
            match (before, after) {
                (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (x - a.0) / (b.0 - a.0),
                (Some(a), None) => a.1,
                (None, Some(b)) => b.1,
                (None, None) => x / 127.0,
            }
        }
    }
}

fn source_entry(show: &Show, input: &model::RouteInput) -> Option<model::SourceKind> {
    let item = show.rig.controllers.get(input.controller)?;
    Some(item.sources.get(input.source)?.kind)
}

/// A value of a source as its position.
fn widened(kind: model::SourceKind, value: u16) -> u16 {
    if kind.largest() > 127 {
        return value.min(16_383);
    }
    scale::widen(Value7::clamped(i32::from(value))).get()
}

/// The position, within the range that counts, of a value of the route's first source.
fn position(show: &Show, route: &Route, value: u16) -> u16 {
    let Some(first) = route.inputs.first() else {
        return value;
    };
    let Some(kind) = source_entry(show, first) else {
        return value;
    };
    let from = (widened(kind, first.from.0), widened(kind, first.from.1));
    on_way(widened(kind, value), from)
}

/// Scales a position within the range that counts to a full position.
fn on_way(position: u16, from: (u16, u16)) -> u16 {
    if from == (0, 16_383) {
        return position;
    }
    let run = u32::from(from.1.saturating_sub(from.0)).max(1);
    let into = u32::from(position.clamp(from.0, from.1) - from.0);
    ((into * 16_383 + run / 2) / run) as u16
}

fn inputs(around: &Around<'_>, route: &Route) -> Vec<RouteInput> {
    let inputs = route.inputs.iter().filter_map(|input| {
        let kind = source_entry(around.show, input)?;
        Some(RouteInput {
            source: around.layout.source(input.controller, input.source)?,
            from: (widened(kind, input.from.0), widened(kind, input.from.1)),
            passes: route.passes,
        })
    });
    inputs.collect()
}

/// The sounds that a route moves in its scene.
fn aims(
    around: &Around<'_>,
    route: &Route,
    receiver: &Receiver,
    sounds: &mut Sounds<'_>,
) -> Vec<Aim> {
    let at = route.target.receiver;
    let mut aims: Vec<Aim> = Vec::new();
    let own_zones = around.zones.iter().filter(|(zone, _)| {
        let is_named = route.zones.is_empty()
            || route.zones.iter().any(|named| {
                let named = around.scene.zones.get(*named);
                named.is_some_and(|named| named.site == zone.site && named.name == zone.name)
            });
        zone.receiver == at && is_named
    });
    let is_global = matches!(route.target.what, Moved::Parameter(index)
        if receiver.global.is_some()
            && receiver.parameters.get(index).is_some_and(|p| p.is_global));
    if !is_global {
        for (zone, entry) in own_zones {
            let sound = usize::from(entry.sound.0);
            if aims.iter().any(|aim| aim.sound == sound) {
                continue;
            }
            let values = [&zone.settings, &around.scene.settings];
            aims.extend(aim(around, route, receiver, sound, &values, sounds));
        }
    }
    let is_parameter = matches!(route.target.what, Moved::Parameter(_));
    if aims.is_empty() && route.zones.is_empty() && is_parameter {
        let wanted = |draft: &Draft| {
            draft.receiver == at && (draft.entry.group == GLOBAL_GROUP) == is_global
        };
        for (sound, draft) in around.drafts.iter().enumerate() {
            if wanted(draft) {
                let values = [&around.scene.settings];
                aims.extend(aim(around, route, receiver, sound, &values, sounds));
            }
        }
    }
    aims
}

fn aim(
    around: &Around<'_>,
    route: &Route,
    receiver: &Receiver,
    sound: usize,
    values: &[&Vec<model::ParameterValue>],
    sounds: &mut Sounds<'_>,
) -> Option<Aim> {
    let draft = around.drafts.get(sound)?;
    let (address, snapshot) = match route.target.what {
        Moved::Bend => (Address::Bend, None),
        Moved::Pressure => (Address::Pressure, None),
        Moved::Level => (Address::Level, None),
        Moved::Parameter(index) => {
            let parameter = receiver.parameters.get(index)?;
            let named = values.iter().find_map(|list| {
                list.iter()
                    .find(|v| v.receiver == route.target.receiver && v.parameter == index)
            });
            let stated = named.map_or(parameter.neutral, |named| named.value);
            let address = match &parameter.kind {
                ParameterKind::Control(number) => Address::Control(*number),
                ParameterKind::Pair(number) => Address::Pair(*number),
                ParameterKind::Rpn(number) => Address::Rpn(*number),
                ParameterKind::Nrpn(number) => Address::Nrpn(*number),
                ParameterKind::Exclusive(template) => {
                    let (low, high) = parameter.range;
                    let len = (high - low).min(127) + 1;
                    let channel = around
                        .layout
                        .first_slot(route.target.receiver, draft.entry.group)
                        .and_then(|slot| around.layout.slots.get(slot.index()))
                        .map(|slot| slot.channel);
                    Address::Exclusive {
                        name: index as u16,
                        first: sounds.blob_run(template, channel, (low, high), len),
                        len,
                        low,
                        high,
                    }
                }
            };
            (address, stated.map(i32::from))
        }
    };
    Some(Aim {
        sound,
        address,
        snapshot,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn curves_go_from_end_to_end_and_never_fall() {
        for curve in [
            RouteCurve::Linear,
            RouteCurve::Exponential,
            RouteCurve::S,
            RouteCurve::Table(vec![(0, 0), (64, 100), (127, 127)]),
        ] {
            let knots = knots(|x| part(&curve, x));
            assert_eq!((knots[0], knots[CURVE_KNOTS - 1]), (0, 16_383), "{curve:?}");
            assert!(knots.is_sorted(), "{curve:?}");
        }
    }

    /// Worked by hand: (√32 − 1) / 31 = 0.1502; 3·0.25 − 2·0.125 = 0.5, and at a quarter
    /// 3/16 − 2/64 = 0.15625; 100/127 = 0.7874.
    #[test]
    fn curves_pass_where_they_should() {
        let near = |curve: &RouteCurve, x: f64, y: f64| {
            let part = part(curve, x);
            assert!((part - y).abs() < 5e-4, "{curve:?} {x} {part}");
        };
        near(&RouteCurve::Exponential, 0.5, 0.1502);
        near(&RouteCurve::S, 0.5, 0.5);
        near(&RouteCurve::S, 0.25, 0.15625);
        let table = RouteCurve::Table(vec![(0, 0), (64, 100), (127, 127)]);
        near(&table, 64.0 / 127.0, 0.7874);
        near(&table, 32.0 / 127.0, 0.3937);
    }

    /// GM2 v1.2a §3.3.4: 64 is −11.9 dB, 96 is −4.9 dB, 32 is −23.9 dB and 16 is −36.0 dB
    /// of 127; 0.1 dB is the tolerance.
    #[test]
    fn levels_follow_the_law_within_a_tenth_of_a_db() {
        for (db, value) in [
            (-11.9, 64),
            (-4.9, 96),
            (-23.9, 32),
            (-36.0, 16),
            (0.0, 127),
        ] {
            let made = unit(Moved::Level, LevelLaw::Gm, (db * 100.0_f64) as i32);
            assert_eq!(made, value, "{db}");
        }
        // As fine as seven bits allow: within 0.1 dB as far down as a step is that small.
        for hundredths in (-120..=0).map(|tenths| tenths * 10) {
            let value = unit(Moved::Level, LevelLaw::Gm, hundredths);
            let heard = 40.0 * (f64::from(value) / 127.0).log10();
            let step = 40.0 * (f64::from(value) / f64::from(value - 1)).log10();
            let tolerance = (step / 2.0).max(0.1);
            assert!(
                (heard - f64::from(hundredths) / 100.0).abs() <= tolerance,
                "{hundredths}"
            );
        }
        assert_eq!(unit(Moved::Level, LevelLaw::Gm, LOWEST), 0);
    }

    #[test]
    fn the_stretch_that_counts_fills_the_way() {
        assert_eq!(on_way(8_192, (0, 16_383)), 8_192);
        assert_eq!(on_way(0, (0, 8_192)), 0);
        assert_eq!(on_way(8_192, (0, 8_192)), 16_383);
        assert_eq!(on_way(16_000, (0, 8_192)), 16_383);
        assert_eq!(on_way(4_096, (0, 8_192)), 8_192);
    }
}
