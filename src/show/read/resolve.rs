//! From scenes in names to scenes in indices: each name looked up in the rig, once and for all.

use super::draft::{
    CueDraft, PatchDraft, SceneDraft, Setting, Settings, Transpose, Written, ZoneDraft,
};
use super::merge::all_settings_over;
use super::names::{Found, Log, Names, Placed};
use super::receivers::ReceiverNames;
use super::rig::RigRead;
use super::routes::{RouteDrafts, routes_over};
use super::routing::Router;
use crate::midi::{Key, Value7};
use crate::show::finding::quoted;
use crate::show::model::{
    ControllerItem, ParameterValue, Receiver, ReceiverPatch, Scene, SceneCue, Site, Zone,
};

/// Resolves the scenes of one song.
pub(super) struct Resolver<'r, 'l, 'a> {
    rig: &'r RigRead,
    defaults: &'r ZoneDraft,
    parameters: &'r [Settings],
    routes: &'r RouteDrafts,
    log: &'l mut Log<'a>,
    /// `like` of the present scene names one that does not exist: what it lacks is not
    /// reported.
    is_base_unknown: bool,
}

/// A receiver that was found.
#[derive(Clone, Copy)]
struct Target<'r> {
    index: usize,
    receiver: &'r Receiver,
    names: &'r ReceiverNames,
}

impl<'r, 'l, 'a> Resolver<'r, 'l, 'a> {
    /// A resolver for a song with these defaults and parameters.
    pub(super) fn new(
        rig: &'r RigRead,
        defaults: &'r ZoneDraft,
        parameters: &'r [Settings],
        routes: &'r RouteDrafts,
        log: &'l mut Log<'a>,
    ) -> Self {
        Self {
            rig,
            defaults,
            parameters,
            routes,
            log,
            is_base_unknown: false,
        }
    }

    /// Resolves a scene. A zone, patch, parameter or cue that names something unknown is
    /// reported and left out.
    pub(super) fn scene(&mut self, draft: &SceneDraft) -> Scene {
        let settings = all_settings_over(&draft.parameters, self.parameters);
        self.is_base_unknown = draft.is_base_unknown;
        let zones: Vec<Zone> = draft
            .zones
            .iter()
            .filter_map(|(name, zone)| self.zone(name, zone))
            .map(|zone| Zone {
                // The scene's level is added to the level of each of its zones.
                level_db: zone.level_db + draft.level.as_ref().map_or(0.0, |level| level.value),
                ..zone
            })
            .collect();
        let mut router = Router::new(self.rig, &zones, self.log);
        let routes = routes_over(&draft.routes, self.routes)
            .iter()
            .filter_map(|(name, route)| router.route(name, route))
            .collect();
        Scene {
            name: draft.name.clone(),
            site: draft.site,
            zones,
            routes,
            patches: draft
                .patches
                .iter()
                .filter_map(|patch| self.patch_of(patch))
                .collect(),
            settings: settings
                .iter()
                .flat_map(|settings| self.settings_of(settings))
                .collect(),
            cues: draft.cues.iter().filter_map(|cue| self.cue(cue)).collect(),
            page: draft.page.as_ref().map(|page| page.value),
            page_site: draft.page.as_ref().map_or(draft.site, |page| page.site),
            player: draft.player.clone(),
            technician: draft.technician.clone(),
            when: draft.when.clone(),
            is_brief: draft.is_brief,
        }
    }

    fn zone(&mut self, name: &Placed<String>, draft: &ZoneDraft) -> Option<Zone> {
        let draft = draft.over(self.defaults);
        // All names are looked up before a missing one ends it, so that every mistake is
        // reported.
        let controller = self
            .named(name, "from", draft.from.as_ref())
            .and_then(|from| self.log.index(&self.rig.controllers, from, "controller"));
        let target = self
            .named(name, "to", draft.to.as_ref())
            .and_then(|to| self.receiver(to));
        let curve = match &draft.curve {
            Some(curve) => self.log.index(&self.rig.curves, curve, "curve"),
            None => Some(0),
        };
        let target = target?;
        let group = self.group(target, draft.group.as_ref(), name.site);
        let patch = draft.patch.as_ref().map(|patch| self.patch(target, patch));
        let settings = self.settings(target, &draft.parameters);
        let item = self.rig.rig.controllers.get(controller?)?;
        let keys = self.keys(item, &draft, name)?;
        let group = group?;
        let patch = match patch {
            Some(found) => Some(found?),
            None => self.fixed(target, group, name)?,
        };
        let (transpose, is_never_transposed) =
            match draft.transpose.map(|transpose| transpose.value) {
                Some(Transpose::By(semitones)) => (semitones, false),
                Some(Transpose::Never) => (0, true),
                None => (0, false),
            };
        Some(Zone {
            name: name.value.clone(),
            site: name.site,
            controller: controller?,
            keys,
            keys_site: draft.keys.map_or(name.site, |keys| keys.site),
            velocities: draft
                .velocity
                .map_or((Value7::clamped(1), Value7::MAX), |velocity| velocity.value),
            velocity_fades: draft.velocity_fade.map_or((0, 0), |fade| fade.value),
            curve: curve?,
            receiver: target.index,
            group,
            patch,
            level_db: draft.level.as_ref().map_or(0.0, |level| level.value),
            level_site: draft.level.map_or(name.site, |level| level.site),
            pan: draft.pan.map(|pan| pan.value),
            bend_range: draft.bend_range.map(|range| range.value),
            transpose,
            is_never_transposed,
            catches: draft.catch.is_some_and(|catch| catch.value),
            leave: draft.leave.map(|leave| leave.value).unwrap_or_default(),
            level_change: draft
                .level_change
                .map(|change| change.value)
                .unwrap_or_default(),
            finger: draft.finger.map(|finger| finger.value).unwrap_or_default(),
            settings,
        })
    }

    /// Reports a missing field, unless an unknown `like` might have stated it.
    fn missing(&mut self, site: Site, message: String, help: String) {
        if !self.is_base_unknown {
            self.log.error("missing-field", site, message, help);
        }
    }

    /// A name that a zone must have, from itself or from defaults.
    fn named<'d>(
        &mut self,
        zone: &Placed<String>,
        field: &str,
        name: Option<&'d Placed<String>>,
    ) -> Option<&'d Placed<String>> {
        if name.is_none() {
            let message = format!("the zone {} has no {}", quoted(&zone.value), quoted(field));
            let help = format!("write {field}: in the zone, or once in the song's defaults");
            self.missing(zone.site, message, help);
        }
        name
    }

    fn keys(
        &mut self,
        item: &ControllerItem,
        draft: &ZoneDraft,
        name: &Placed<String>,
    ) -> Option<(Key, Key)> {
        let keys = draft.keys.as_ref().map(|keys| keys.value).or(item.keys);
        if keys.is_none() {
            let message = format!(
                "{} has no keys to play the zone {}",
                quoted(&item.name),
                quoted(&name.value)
            );
            let site = draft.from.as_ref().map_or(name.site, |from| from.site);
            let help = "give the controller its keys in the rig, or take another one";
            self.missing(site, message, help.into());
        }
        keys
    }

    /// A zone without a patch plays what a fixed slot holds: only there is that one thing.
    #[allow(
        clippy::option_option,
        reason = "refused, and played as it is, are two answers"
    )]
    fn fixed(
        &mut self,
        target: Target<'_>,
        group: usize,
        name: &Placed<String>,
    ) -> Option<Option<usize>> {
        let slots = target
            .receiver
            .groups
            .get(group)
            .map_or(0, |group| group.channels.len());
        if slots <= 1 {
            return Some(None);
        }
        let message = format!("the zone {} names no patch", quoted(&name.value));
        let help = "only a fixed slot can be played as it is: add patch: …";
        self.missing(name.site, message, help.into());
        None
    }

    fn receiver(&mut self, name: &Placed<String>) -> Option<Target<'r>> {
        let index = self.log.index(&self.rig.receivers, name, "receiver")?;
        let receiver = self.rig.rig.receivers.get(index)?;
        Some(Target {
            index,
            receiver,
            names: self.rig.inside.get(index)?,
        })
    }

    fn group(
        &mut self,
        target: Target<'_>,
        name: Option<&Placed<String>>,
        site: Site,
    ) -> Option<usize> {
        if let Some(name) = name {
            return self.log.index_in(
                &target.names.groups,
                name,
                "slot group",
                &target.receiver.name,
            );
        }
        match target.receiver.groups.len() {
            1 => Some(0),
            // Its slots are wrong in the rig, where they were reported.
            _ if target.names.groups.is_partial() => None,
            0 => {
                let message = format!("{} has no slots to play on", quoted(&target.receiver.name));
                self.missing(site, message, "give it slots: in the rig".into());
                None
            }
            _ => {
                let message = format!(
                    "{} has several slot groups, and none is named",
                    quoted(&target.receiver.name)
                );
                let help = format!("add group: …; {}", target.names.groups.help(""));
                self.missing(site, message, help);
                None
            }
        }
    }

    fn patch(&mut self, target: Target<'_>, name: &Placed<String>) -> Option<usize> {
        match target.names.patches.find(&name.value) {
            Found::Known(index) => Some(index),
            Found::Told => None,
            Found::Unknown => {
                self.log.error_with("patch-not-in-list", name.site, || {
                    let message = format!(
                        "no patch {} in the list of {}",
                        quoted(&name.value),
                        quoted(&target.receiver.name)
                    );
                    (message, target.names.patches.help(&name.value))
                });
                None
            }
        }
    }

    fn patch_of(&mut self, draft: &PatchDraft) -> Option<ReceiverPatch> {
        let target = self.receiver(&draft.receiver)?;
        let group = self.group(target, draft.group.as_ref(), draft.receiver.site);
        let patch = self.patch(target, &draft.patch);
        Some(ReceiverPatch {
            receiver: target.index,
            patch: patch?,
            group: group?,
            site: draft.patch.site,
        })
    }

    fn settings_of(&mut self, draft: &Settings) -> Vec<ParameterValue> {
        match self.receiver(&draft.receiver) {
            Some(target) => self.settings(target, &draft.settings),
            None => Vec::new(),
        }
    }

    /// The settings that fit a receiver; the others are reported.
    pub(super) fn sound(&mut self, draft: &Settings) -> Vec<Setting> {
        let Some(target) = self.receiver(&draft.receiver) else {
            return Vec::new();
        };
        let all = draft.settings.iter();
        all.filter(|setting| self.setting(target, setting).is_some())
            .cloned()
            .collect()
    }

    fn settings(&mut self, target: Target<'_>, settings: &[Setting]) -> Vec<ParameterValue> {
        settings
            .iter()
            .filter_map(|setting| self.setting(target, setting))
            .collect()
    }

    fn setting(&mut self, target: Target<'_>, setting: &Setting) -> Option<ParameterValue> {
        let index = self.log.index_in(
            &target.names.parameters,
            &setting.parameter,
            "parameter",
            &target.receiver.name,
        )?;
        let parameter = target.receiver.parameters.get(index)?;
        let (low, high) = parameter.range;
        let value = match &setting.value.value {
            None => None,
            Some(Written::State(state)) => {
                let states = &parameter.states;
                let Some((_, value)) = states.iter().find(|(name, _)| name == state) else {
                    let mut names = Names::default();
                    states.iter().for_each(|(name, _)| names.add(name, None));
                    let message = format!(
                        "{} of {} has no state {}",
                        quoted(&parameter.name),
                        quoted(&target.receiver.name),
                        quoted(state)
                    );
                    let site = setting.value.site;
                    self.log
                        .error("unknown-name", site, message, names.help(state));
                    return None;
                };
                Some(*value)
            }
            Some(Written::Number(written)) => match u16::try_from(*written) {
                Ok(value) if (low..=high).contains(&value) => Some(value),
                _ => {
                    let message = format!(
                        "{} of {} goes from {low} to {high}, not {written}",
                        quoted(&parameter.name),
                        quoted(&target.receiver.name)
                    );
                    let help = "choose a value in its range, or widen the range in the rig";
                    self.log.error(
                        "parameter-out-of-range",
                        setting.value.site,
                        message,
                        help.into(),
                    );
                    return None;
                }
            },
        };
        Some(ParameterValue {
            receiver: target.index,
            parameter: index,
            value,
            site: setting.parameter.site,
        })
    }

    fn cue(&mut self, draft: &CueDraft) -> Option<SceneCue> {
        let target = self.receiver(&draft.to)?;
        let cue =
            self.log
                .index_in(&target.names.cues, &draft.cue, "cue", &target.receiver.name)?;
        Some(SceneCue {
            receiver: target.index,
            cue,
            on_jump: draft.on_jump,
            site: draft.site,
        })
    }
}
