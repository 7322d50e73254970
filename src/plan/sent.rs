//! What of a zone's sound is sent: the one place where what is written becomes what it
//! comes to.
//!
//! Planner and check compare sounds by [`Sent`] alone. A default that is stated is the
//! default: two writings that come to the same bytes are one sound.

use std::collections::{BTreeMap, BTreeSet};

use crate::engine::promptbook::{LevelChange, Patch};
use crate::midi::level::LevelLaw as Law;
use crate::midi::{Channel, Controller, Value7, Value14, cc};
use crate::show::model::{
    BankBytes, LevelLaw, Night, ParameterKind, ParameterValue, PatchItem, Receiver, ReceiverPatch,
    Scene, Show, SourceKind, TemplateByte, Zone,
};

/// All that is sent to a slot so that it has this sound.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Sent {
    /// Index of the receiver.
    pub receiver: usize,
    /// Index of the slot group.
    pub group: usize,
    /// Bank bytes that the receiver responds to, and program.
    pub patch: Patch,
    /// Pan as controller value; None if it is not sent.
    pub pan: Option<Value7>,
    /// Bend range in semitones; None if it is not sent.
    pub bend_range: Option<Value7>,
    /// Parameters, in the order of the receiver's.
    pub settings: Vec<SentSetting>,
    /// Volume; None if the receiver's level law is `Fixed`.
    pub volume: Option<Value7>,
    /// Whether a changed level takes another slot. Always `false` if the sound has one level in
    /// the whole show.
    pub takes_new_level: bool,
}

/// A parameter as it is sent.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum SentSetting {
    /// A 7-bit controller, and its value.
    Control(Controller, Value7),
    /// A 14-bit pair by its MSB controller, and its value.
    Pair(Controller, Value14),
    /// A registered parameter (RPN) by its number, and its value.
    Rpn(Value14, Value14),
    /// A non-registered parameter (NRPN) by its number, and its value.
    Nrpn(Value14, Value14),
    /// A System Exclusive message, with the index of its parameter.
    Exclusive(usize, Vec<u8>),
}

/// What makes sounds equal apart from their level.
type Family = (
    (usize, usize),
    Patch,
    (Option<Value7>, Option<Value7>),
    Vec<SentSetting>,
);

/// When a value that zones may leave unstated is sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum Telling {
    /// No zone of the group states it: it is never sent.
    #[default]
    Never,
    /// Some zone states it: sounds that do not get the neutral value.
    Always,
    /// A source or a parameter moves it too: it is only sent where a zone states it.
    AsStated,
}

impl Telling {
    fn of(is_moved: bool, is_stated: bool) -> Self {
        match (is_moved, is_stated) {
            (true, _) => Self::AsStated,
            (false, true) => Self::Always,
            (false, false) => Self::Never,
        }
    }

    fn resolve(self, stated: Option<Value7>, neutral: Value7) -> Option<Value7> {
        match self {
            Self::Never | Self::AsStated => stated,
            Self::Always => Some(stated.unwrap_or(neutral)),
        }
    }
}

/// Pan and bend range of a group.
#[derive(Clone, Copy, Debug, Default)]
struct Tellings {
    pan: Telling,
    bend_range: Telling,
}

/// The levels that a family has in the show.
#[derive(Clone, Debug, Default)]
struct Levels {
    all: BTreeSet<Option<Value7>>,
    riding: BTreeSet<Option<Value7>>,
}

/// Pan at power-on (GM2 §3.3.5): the centre.
const NEUTRAL_PAN: Value7 = Value7::clamped(64);
/// Bend range at power-on, in semitones (GM2 §3.4.1).
const NEUTRAL_BEND_RANGE: Value7 = Value7::clamped(2);

/// Resolves the sounds of a show on one night.
#[derive(Clone, Debug)]
pub struct Resolver<'a> {
    show: &'a Show,
    night: &'a Night,
    groups: BTreeMap<(usize, usize), Tellings>,
    families: BTreeMap<Family, Levels>,
}

impl<'a> Resolver<'a> {
    /// Looks at the whole show: what one zone leaves unstated depends on what others state.
    /// Of the night only the trims matter.
    #[must_use]
    pub fn new(show: &'a Show, night: &'a Night) -> Self {
        let mut resolver = Self {
            show,
            night,
            groups: tellings(show),
            families: BTreeMap::new(),
        };
        let zones = || {
            let scenes = show.songs.iter().flat_map(|song| &song.scenes);
            scenes.flat_map(|scene| scene.zones.iter().map(move |zone| (scene, zone)))
        };
        // Levels only matter if some zone asks for a new slot at a new level.
        if zones().any(|(_, zone)| zone.level_change == LevelChange::New) {
            let mut families: BTreeMap<Family, Levels> = BTreeMap::new();
            for sent in zones().filter_map(|(scene, zone)| resolver.in_scene(scene, zone)) {
                let levels = families.entry(family(&sent)).or_default();
                levels.all.insert(sent.volume);
                if !sent.takes_new_level {
                    levels.riding.insert(sent.volume);
                }
            }
            resolver.families = families;
        }
        resolver
    }

    /// What is sent for the sound of a zone; None if its receiver is not in the rig.
    #[must_use]
    pub fn sound(&self, scene: &Scene, zone: &Zone) -> Option<Sent> {
        let mut sent = self.in_scene(scene, zone)?;
        if let Some(levels) = self.families.get(&family(&sent)) {
            // One level never changes. If those that ride have one, none of them ever rides.
            sent.takes_new_level =
                levels.all.len() > 1 && (sent.takes_new_level || levels.riding.len() <= 1);
        }
        Some(sent)
    }

    /// What is sent for a patch that a scene gives a receiver without a zone.
    #[must_use]
    pub fn patch(&self, stated: &ReceiverPatch) -> Patch {
        let receiver = self.show.rig.receivers.get(stated.receiver);
        receiver.map_or_else(Patch::default, |receiver| {
            patch_of(receiver, receiver.patches.patches.get(stated.patch))
        })
    }

    /// Pan and bend range of a sound of this group that states none.
    pub(super) fn unstated(&self, receiver: usize, group: usize) -> [Option<Value7>; 2] {
        let tellings = self.tellings(receiver, group);
        [
            tellings.pan.resolve(None, NEUTRAL_PAN),
            tellings.bend_range.resolve(None, NEUTRAL_BEND_RANGE),
        ]
    }

    fn tellings(&self, receiver: usize, group: usize) -> Tellings {
        let known = self.groups.get(&(receiver, group)).copied();
        known.unwrap_or_default()
    }

    /// Resolves everything except whether the level varies in the show. Zones of one scene with
    /// the same values, level included, play one sound: it takes a new level if any of them
    /// says so.
    fn in_scene(&self, scene: &Scene, zone: &Zone) -> Option<Sent> {
        let mut sent = self.as_written(scene, zone)?;
        if !sent.takes_new_level {
            let is_new = |other: &&Zone| other.level_change == LevelChange::New;
            let mut others = scene.zones.iter().filter(is_new);
            sent.takes_new_level = others.any(|other| {
                self.as_written(scene, other).is_some_and(|other| {
                    family(&other) == family(&sent) && other.volume == sent.volume
                })
            });
        }
        Some(sent)
    }

    /// The values that a zone states, resolved.
    fn as_written(&self, scene: &Scene, zone: &Zone) -> Option<Sent> {
        let receiver = self.show.rig.receivers.get(zone.receiver)?;
        let group = receiver.groups.get(zone.group);
        let patch = zone
            .patch
            .and_then(|patch| receiver.patches.patches.get(patch));
        let trim = patch.map_or(0.0, |patch| patch.trim_db)
            + self.trim(zone.receiver, receiver.port, zone.patch);
        let tellings = self.tellings(zone.receiver, zone.group);
        let stated_range = zone
            .bend_range
            .map(|range| Value7::clamped(i32::from(range)));
        let channel = group.and_then(|group| group.channels.first().copied());
        let values = [&zone.settings, &scene.settings];
        Some(Sent {
            receiver: zone.receiver,
            group: zone.group,
            patch: patch_of(receiver, patch),
            pan: tellings.pan.resolve(zone.pan, NEUTRAL_PAN),
            bend_range: tellings
                .bend_range
                .resolve(stated_range, NEUTRAL_BEND_RANGE),
            settings: settings(zone.receiver, receiver, false, channel, &values),
            volume: volume(receiver.manners.level, zone.level_db + trim),
            takes_new_level: zone.level_change == LevelChange::New,
        })
    }

    /// Tonight's trims for this patch, its instrument and its port, in dB.
    fn trim(&self, receiver: usize, port: usize, patch: Option<usize>) -> f32 {
        let trims = &self.night.trims;
        let by_patch = trims
            .patches
            .iter()
            .filter(|(r, p, _)| *r == receiver && Some(*p) == patch);
        let by_instrument = trims.instruments.iter().filter(|(r, _)| *r == receiver);
        let by_port = trims.ports.iter().filter(|(p, _)| *p == port);
        by_patch.map(|t| t.2).sum::<f32>()
            + by_instrument.map(|t| t.1).sum::<f32>()
            + by_port.map(|t| t.1).sum::<f32>()
    }
}

impl Sent {
    pub(super) const fn level_change(&self) -> LevelChange {
        if self.takes_new_level {
            LevelChange::New
        } else {
            LevelChange::Ride
        }
    }
}

fn family(sent: &Sent) -> Family {
    (
        (sent.receiver, sent.group),
        sent.patch,
        (sent.pan, sent.bend_range),
        sent.settings.clone(),
    )
}

/// For each group that the show plays, when pan and bend range are sent.
fn tellings(show: &Show) -> BTreeMap<(usize, usize), Tellings> {
    #[derive(Clone, Copy, Default)]
    struct Seen {
        states_pan: bool,
        states_range: bool,
        has_pan_source: bool,
    }
    let mut seen: BTreeMap<(usize, usize), Seen> = BTreeMap::new();
    let scenes = show.songs.iter().flat_map(|song| &song.scenes);
    for zone in scenes.flat_map(|scene| &scene.zones) {
        let group = seen.entry((zone.receiver, zone.group)).or_default();
        group.states_pan |= zone.pan.is_some();
        group.states_range |= zone.bend_range.is_some();
        let controller = show.rig.controllers.get(zone.controller);
        group.has_pan_source |= controller
            .is_some_and(|controller| controller.sources.iter().any(|source| is_pan(source.kind)));
    }
    let told = |((receiver, group), seen): ((usize, usize), Seen)| {
        let parameters = show
            .rig
            .receivers
            .get(receiver)
            .map_or(&[][..], |receiver| &receiver.parameters);
        let sets_pan = parameters.iter().any(|parameter| {
            matches!(parameter.kind, ParameterKind::Control(n) | ParameterKind::Pair(n) if n == cc::PAN)
        });
        let sets_range = parameters
            .iter()
            .any(|parameter| parameter.kind == ParameterKind::Rpn(Value14::clamped(0)));
        let tellings = Tellings {
            pan: Telling::of(sets_pan || seen.has_pan_source, seen.states_pan),
            bend_range: Telling::of(sets_range, seen.states_range),
        };
        ((receiver, group), tellings)
    };
    seen.into_iter().map(told).collect()
}

fn is_pan(kind: SourceKind) -> bool {
    matches!(kind, SourceKind::Control(n) | SourceKind::Switch(n) | SourceKind::Pair(n) if n == cc::PAN)
}

/// The patch without the bank bytes that the receiver ignores.
pub(super) fn patch_of(receiver: &Receiver, patch: Option<&PatchItem>) -> Patch {
    let bank = receiver.manners.bank;
    patch.map_or_else(Patch::default, |patch| Patch {
        bank_msb: patch
            .bank_msb
            .filter(|_| matches!(bank, BankBytes::Msb | BankBytes::Both)),
        bank_lsb: patch
            .bank_lsb
            .filter(|_| matches!(bank, BankBytes::Lsb | BankBytes::Both)),
        program: Some(patch.program),
    })
}

/// Values of all parameters that belong to the slot (or, `is_global`, to the receiver):
/// the first list that names one wins, then its neutral; `Leave` sends nothing. `channel` is
/// written into System Exclusive templates: a slot in a group of one is known ahead; in a
/// larger group the slot is not, so such a template takes the first.
pub(super) fn settings(
    at: usize,
    receiver: &Receiver,
    is_global: bool,
    channel: Option<Channel>,
    values: &[&Vec<ParameterValue>],
) -> Vec<SentSetting> {
    let mut settings = Vec::new();
    for (index, parameter) in receiver.parameters.iter().enumerate() {
        // A receiver without a global channel takes global parameters on its slot.
        if receiver.global.is_some() && parameter.is_global != is_global {
            continue;
        }
        let named = values.iter().find_map(|list| {
            list.iter()
                .find(|v| v.receiver == at && v.parameter == index)
        });
        let value = named.map_or(parameter.neutral, |named| named.value);
        settings.extend(value.map(|value| setting(index, &parameter.kind, channel, value)));
    }
    settings
}

fn setting(
    parameter: usize,
    kind: &ParameterKind,
    channel: Option<Channel>,
    value: u16,
) -> SentSetting {
    let narrow = Value7::clamped(i32::from(value));
    let wide = Value14::clamped(i32::from(value));
    match kind {
        ParameterKind::Control(number) => SentSetting::Control(*number, narrow),
        ParameterKind::Pair(number) => SentSetting::Pair(*number, wide),
        ParameterKind::Rpn(number) => SentSetting::Rpn(*number, wide),
        ParameterKind::Nrpn(number) => SentSetting::Nrpn(*number, wide),
        ParameterKind::Exclusive(template) => {
            SentSetting::Exclusive(parameter, fill(template, channel.unwrap_or_default(), wide))
        }
    }
}

fn volume(law: LevelLaw, db: f32) -> Option<Value7> {
    match law {
        LevelLaw::Gm => Some(Law::Gm.volume_for(db)),
        LevelLaw::Linear => Some(Law::Linear.volume_for(db)),
        LevelLaw::Fixed => None,
    }
}

/// A template with its value, channel and checksum filled in (modulo-128 complement:
/// common practice, no source; `40 00 7F 00` gives 41).
pub(super) fn fill(template: &[TemplateByte], channel: Channel, value: Value14) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(template.len());
    let mut sum_from = 0;
    for part in template {
        match part {
            TemplateByte::Byte(byte) => bytes.push(*byte),
            TemplateByte::Value => bytes.push(value.lsb().get()),
            TemplateByte::ValueMsb => bytes.push(value.msb().get()),
            TemplateByte::ValueLsb => bytes.push(value.lsb().get()),
            TemplateByte::Channel => bytes.push(channel.get()),
            TemplateByte::SumStart => sum_from = bytes.len(),
            TemplateByte::Sum => {
                let sum: u32 = bytes
                    .iter()
                    .skip(sum_from)
                    .map(|byte| u32::from(*byte))
                    .sum();
                bytes.push(((128 - sum % 128) % 128) as u8);
            }
        }
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bytes(list: &[u8]) -> Vec<TemplateByte> {
        list.iter().map(|byte| TemplateByte::Byte(*byte)).collect()
    }

    /// The checksum's check values: modulo-128 complement, common practice, no source;
    /// the arithmetic worked by hand.
    #[test]
    fn a_template_ends_in_its_checksum() {
        for (data, sum) in [
            (&[0x40, 0x00, 0x7f, 0x00][..], 0x41),
            (&[0x10, 0, 0, 1, 0x7f], 0x70),
            (&[0, 0], 0),
        ] {
            let mut template = bytes(&[0xf0, 0x7d]);
            template.push(TemplateByte::SumStart);
            template.extend(bytes(data));
            template.extend([TemplateByte::Sum, TemplateByte::Byte(0xf7)]);
            let filled = fill(&template, Channel::MIN, Value14::CENTRE);
            assert_eq!(filled[filled.len() - 2..], [sum, 0xf7]);
        }
    }

    #[test]
    fn a_template_takes_value_halves_and_channel() {
        let template = [
            TemplateByte::Byte(0xf0),
            TemplateByte::Channel,
            TemplateByte::ValueMsb,
            TemplateByte::ValueLsb,
            TemplateByte::Byte(0xf7),
        ];
        let filled = fill(
            &template,
            Channel::new(9).unwrap(),
            Value14::new(128).unwrap(),
        );
        assert_eq!(filled, [0xf0, 9, 1, 0, 0xf7]);
    }
}
