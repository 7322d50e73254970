//! From routes in names to routes in indices: sources, receivers, parameters and zones looked
//! up, and values judged by what they are led to.

use super::names::{Log, Names, Placed};
use super::receivers::ReceiverNames;
use super::rig::RigRead;
use super::routes::{InputDraft, ModeDraft, RouteDraft, TargetDraft, ValueDraft};
use crate::show::finding::quoted;
use crate::show::model::{
    Moved, Receiver, Route, RouteCurve, RouteInput, RouteTarget, Shape, Site, SourceKind, Zone,
};

/// Resolves the routes of one scene.
pub(super) struct Router<'r, 'l, 'a> {
    rig: &'r RigRead,
    zones: &'r [Zone],
    log: &'l mut Log<'a>,
}

/// The target of a route, and the values that it may have.
struct Aim<'r> {
    target: RouteTarget,
    receiver: &'r Receiver,
    /// Smallest and largest value.
    range: (i32, i32),
    /// How findings name the target.
    name: String,
}

/// The widest bend of a route, in hundredths of a semitone (RPN 0 reaches 96 semitones in
/// MPE).
const BEND_CENTS: i32 = 9_600;
/// The lowest level a route names, in hundredths of a dB; what is lower is silence.
const LOWEST_LEVEL: i32 = -9_000;

impl<'r, 'l, 'a> Router<'r, 'l, 'a> {
    /// A router for a scene with these zones.
    pub(super) fn new(rig: &'r RigRead, zones: &'r [Zone], log: &'l mut Log<'a>) -> Self {
        Self { rig, zones, log }
    }

    /// Resolves a route; None, with findings, if it cannot be one.
    pub(super) fn route(&mut self, name: &Placed<String>, draft: &RouteDraft) -> Option<Route> {
        if draft.is_off {
            return None;
        }
        let inputs: Vec<RouteInput> = match &draft.from {
            Some(from) => from.iter().filter_map(|input| self.input(input)).collect(),
            None => {
                self.missing(name, "from");
                return None;
            }
        };
        let aim = self.aim(name, draft);
        let zones = self.zones(draft);
        let first = *inputs.first()?;
        let aim = aim?;
        let shape = self.shape(name, draft, &aim, first)?;
        Some(Route {
            name: name.value.clone(),
            site: name.site,
            inputs,
            target: aim.target,
            zones: zones?,
            shape,
            join: draft
                .join
                .as_ref()
                .map(|join| join.value)
                .unwrap_or_default(),
            pick_up: draft
                .pick_up
                .as_ref()
                .map(|pick_up| pick_up.value)
                .unwrap_or_default(),
            smooth_ms: draft.smooth_ms.as_ref().map_or(0, |ms| ms.value),
            passes: draft.pass.as_ref().is_some_and(|pass| pass.value),
        })
    }

    fn missing(&mut self, name: &Placed<String>, field: &str) {
        let message = format!("the route {} has no {}", quoted(&name.value), quoted(field));
        let help =
            format!("add {field}: here, or in the route of that name in the song or the rig");
        self.log.error("missing-field", name.site, message, help);
    }

    fn wrong(&mut self, site: Site, message: String, help: &str) {
        self.log.error("bad-value", site, message, help.into());
    }

    fn input(&mut self, draft: &InputDraft) -> Option<RouteInput> {
        let at = self
            .log
            .index(&self.rig.controllers, &draft.controller, "controller")?;
        let item = self.rig.rig.controllers.get(at)?;
        let mut names = Names::default();
        for (index, source) in item.sources.iter().enumerate() {
            names.add(&source.name, Some(index));
        }
        let source = self
            .log
            .index_in(&names, &draft.source, "source", &item.name)?;
        let most = item.sources.get(source)?.kind.largest();
        let from = match &draft.range {
            Some(range) if range.value.1 > most || range.value.0 == range.value.1 => {
                let message = format!("{} goes from 0 to {most}", quoted(&draft.source.value));
                self.wrong(range.site, message, "name two different ends on its way");
                return None;
            }
            Some(range) => range.value,
            None => (0, most),
        };
        Some(RouteInput {
            controller: at,
            source,
            from,
            site: draft.site,
        })
    }

    fn aim(&mut self, name: &Placed<String>, draft: &RouteDraft) -> Option<Aim<'r>> {
        for (is_there, field) in [(draft.to.is_some(), "to"), (draft.set.is_some(), "set")] {
            if !is_there {
                self.missing(name, field);
            }
        }
        let (to, set) = (draft.to.as_ref()?, draft.set.as_ref()?);
        let index = self.log.index(&self.rig.receivers, to, "receiver")?;
        let receiver = self.rig.rig.receivers.get(index)?;
        let inside: &ReceiverNames = self.rig.inside.get(index)?;
        let (what, range, words) = match &set.value {
            TargetDraft::Parameter(parameter) => {
                let placed = Placed {
                    value: parameter.clone(),
                    site: set.site,
                };
                let at =
                    self.log
                        .index_in(&inside.parameters, &placed, "parameter", &receiver.name)?;
                let (low, high) = receiver.parameters.get(at)?.range;
                let range = (i32::from(low), i32::from(high));
                (Moved::Parameter(at), range, quoted(parameter))
            }
            TargetDraft::Bend => (Moved::Bend, (-BEND_CENTS, BEND_CENTS), "the bend".into()),
            TargetDraft::Pressure => (Moved::Pressure, (0, 127), "the pressure".into()),
            TargetDraft::Level => (Moved::Level, (LOWEST_LEVEL, 0), "the level".into()),
        };
        Some(Aim {
            target: RouteTarget {
                receiver: index,
                what,
                site: set.site,
            },
            receiver,
            range,
            name: words,
        })
    }

    fn zones(&mut self, draft: &RouteDraft) -> Option<Vec<usize>> {
        let Some(named) = &draft.zones else {
            return Some(Vec::new());
        };
        let mut found = Vec::new();
        for name in named {
            let at = self.zones.iter().position(|zone| zone.name == name.value);
            if at.is_none() && draft.has_own_zones {
                let mut names = Names::default();
                for zone in self.zones {
                    names.add(&zone.name, None);
                }
                let message = format!("this scene has no zone {}", quoted(&name.value));
                self.log
                    .error("unknown-name", name.site, message, names.help(&name.value));
            }
            found.extend(at);
        }
        // A route that comes down to a scene with none of its zones moves nothing there.
        (!found.is_empty()).then_some(found)
    }

    fn shape(
        &mut self,
        name: &Placed<String>,
        draft: &RouteDraft,
        aim: &Aim<'_>,
        first: RouteInput,
    ) -> Option<Shape> {
        let is_inverted = draft.inverted.as_ref().is_some_and(|read| read.value);
        let kind = self.kind(first)?;
        let is_open = matches!(
            draft.mode.as_ref().map(|mode| &mode.value),
            None | Some(ModeDraft::Follow | ModeDraft::Momentary(_) | ModeDraft::Toggle(_))
        );
        let to = if is_open {
            self.ends(name, draft, aim)?
        } else {
            (0, 0)
        };
        let to = if is_inverted { (to.1, to.0) } else { to };
        Some(match draft.mode.as_ref().map(|mode| &mode.value) {
            None | Some(ModeDraft::Follow) => Shape::Follow {
                to,
                curve: draft
                    .curve
                    .as_ref()
                    .map_or(RouteCurve::Linear, |curve| curve.value.clone()),
            },
            Some(ModeDraft::Momentary(at)) => Shape::Switch {
                to,
                at: self.threshold(at.as_ref(), kind)?,
                is_toggle: false,
            },
            Some(ModeDraft::Toggle(at)) => Shape::Switch {
                to,
                at: self.threshold(at.as_ref(), kind)?,
                is_toggle: true,
            },
            Some(ModeDraft::Steps(values)) => Shape::Steps {
                values: self.values(name, values.iter(), aim)?,
                at: self.threshold(None, kind)?,
            },
            Some(ModeDraft::Bands(bands)) => {
                let values = self.values(name, bands.iter().map(|(_, value)| value), aim)?;
                let is_rising = bands
                    .windows(2)
                    .all(|pair| matches!(pair, [a, b] if a.0 < b.0));
                let is_inside = bands.iter().all(|(from, _)| *from <= kind.largest());
                if !is_rising || !is_inside || bands.first().is_some_and(|band| band.0 != 0) {
                    let message = format!(
                        "the bands of the route {} do not go up from 0 to at most {}",
                        quoted(&name.value),
                        kind.largest()
                    );
                    self.wrong(name.site, message, "such as Bands([(0, 0), (64, 127)])");
                    return None;
                }
                Shape::Bands(bands.iter().map(|band| band.0).zip(values).collect())
            }
        })
    }

    fn kind(&self, input: RouteInput) -> Option<SourceKind> {
        let item = self.rig.rig.controllers.get(input.controller)?;
        Some(item.sources.get(input.source)?.kind)
    }

    /// Thresholds (release, press). Unless stated, the press is at the middle (MIDI 1.0: 64)
    /// and the release a little below it, so that a foot resting there does not flutter.
    fn threshold(
        &mut self,
        at: Option<&Placed<(u16, u16)>>,
        kind: SourceKind,
    ) -> Option<(u16, u16)> {
        let most = kind.largest();
        let Some(at) = at else {
            // A key is down at any velocity above 0.
            return Some(match kind {
                SourceKind::Note(_) => (1, 1),
                _ => (most / 2 + 1 - most / 32, most / 2 + 1),
            });
        };
        if at.value.1 > most || at.value.0 == 0 {
            let message = format!("the source goes from 0 to {most}, and must be able to be up");
            self.wrong(at.site, message, "write two values above 0: at: \"60..64\"");
            return None;
        }
        Some(at.value)
    }

    /// The values at the two ends.
    fn ends(
        &mut self,
        name: &Placed<String>,
        draft: &RouteDraft,
        aim: &Aim<'_>,
    ) -> Option<(i32, i32)> {
        let Some(range) = &draft.range else {
            return match aim.target.what {
                Moved::Bend => {
                    let message = format!(
                        "the route {} bends, and does not say how far",
                        quoted(&name.value)
                    );
                    let help = "add range: and two ends in semitones: \"-2..2\"";
                    self.log
                        .error("missing-field", name.site, message, help.into());
                    None
                }
                _ => Some(aim.range),
            };
        };
        let (low, high) = range.value.split_once("..").unwrap_or_default();
        let read = |text: &str| match text.trim().parse::<f64>() {
            Ok(number) => ValueDraft::Number(number),
            Err(_) => ValueDraft::State(text.trim().into()),
        };
        if low.trim().is_empty() || high.trim().is_empty() {
            let message = format!("{} is not a range", quoted(&range.value));
            self.wrong(range.site, message, "write two values: \"0..127\"");
            return None;
        }
        let low = self.value(range.site, &read(low), aim);
        let high = self.value(range.site, &read(high), aim);
        low.zip(high)
    }

    fn values<'d>(
        &mut self,
        name: &Placed<String>,
        written: impl Iterator<Item = &'d Placed<ValueDraft>>,
        aim: &Aim<'_>,
    ) -> Option<Vec<i32>> {
        let mut values = Vec::new();
        for value in written {
            values.push(self.value(value.site, &value.value, aim)?);
        }
        if !(2..=MAX_VALUES).contains(&values.len()) {
            let message = format!(
                "the route {} takes 2 to {MAX_VALUES} values",
                quoted(&name.value)
            );
            self.wrong(name.site, message, "such as Steps([0, 127])");
            return None;
        }
        Some(values)
    }

    fn value(&mut self, site: Site, written: &ValueDraft, aim: &Aim<'_>) -> Option<i32> {
        let hundredths = matches!(aim.target.what, Moved::Bend | Moved::Level);
        let number = match written {
            ValueDraft::Number(number) => *number,
            ValueDraft::State(state) => self.state(site, state, aim)?,
        };
        let value = if hundredths { number * 100.0 } else { number }.round();
        let (low, high) = aim.range;
        if !(f64::from(low)..=f64::from(high)).contains(&value) {
            let scale = if hundredths { 100 } else { 1 };
            let message = format!(
                "{} of {} goes from {} to {}, not {number}",
                aim.name,
                quoted(&aim.receiver.name),
                low / scale,
                high / scale
            );
            let help = "choose values in its range";
            self.log
                .error("parameter-out-of-range", site, message, help.into());
            return None;
        }
        Some(value as i32)
    }

    fn state(&mut self, site: Site, state: &str, aim: &Aim<'_>) -> Option<f64> {
        let states = match aim.target.what {
            Moved::Parameter(at) => aim
                .receiver
                .parameters
                .get(at)
                .map_or(&[][..], |parameter| &parameter.states),
            _ => &[],
        };
        let found = states.iter().find(|(name, _)| name == state);
        if found.is_none() {
            let mut names = Names::default();
            for (name, _) in states {
                names.add(name, None);
            }
            let message = format!("{} has no state {}", aim.name, quoted(state));
            self.log
                .error("unknown-name", site, message, names.help(state));
        }
        found.map(|(_, value)| f64::from(*value))
    }
}

/// The most values that a route steps through.
const MAX_VALUES: usize = 16;
