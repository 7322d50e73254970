//! A scene's sounds: what a slot must be, with levels and parameter values worked out.

use std::collections::BTreeMap;

use super::rig::{GLOBAL_GROUP, Layout, seconds_us};
use crate::engine::promptbook::{
    BlobId, LevelChange, Patch, ReceiverId, Setting, SlotId, SoundEntry, Span,
};
use crate::midi::level::LevelLaw as Law;
use crate::midi::{Channel, Value7, Value14};
use crate::show::model::{
    self, BankBytes, LevelLaw, Night, ParameterKind, ParameterValue, Receiver, Scene, Show,
    TemplateByte, Zone,
};

/// A sound before it is put in the table.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Draft {
    pub(super) entry: SoundEntry,
    pub(super) settings: Vec<Setting>,
    pub(super) receiver: usize,
    pub(super) patch: Option<usize>,
}

/// What makes two sounds the same (DESIGN, "The plan"): everything but level, unless a
/// changed level asks for a slot of its own; and which of several alike in one scene.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct Likeness {
    receiver: usize,
    group: u8,
    patch: Patch,
    pan: Option<Value7>,
    bend_range: Option<Value7>,
    settings: Vec<Setting>,
    own_level: Option<Option<Value7>>,
    copy: usize,
}

/// Makes drafts and gives equal sounds equal identities over the whole night.
pub(super) struct Sounds<'a> {
    show: &'a Show,
    night: &'a Night,
    identities: BTreeMap<Likeness, u32>,
    blobs: Vec<Box<[u8]>>,
    blob_ids: BTreeMap<Box<[u8]>, u16>,
    blob_runs: BTreeMap<Vec<Box<[u8]>>, u16>,
}

impl<'a> Sounds<'a> {
    /// `blobs` are stored messages that have their numbers already.
    pub(super) fn new(show: &'a Show, night: &'a Night, blobs: &[Box<[u8]>]) -> Self {
        // Of equal ones the first, as `blob` has it.
        let mut blob_ids = BTreeMap::new();
        for (blob, id) in blobs.iter().zip(0..) {
            blob_ids.entry(blob.clone()).or_insert(id);
        }
        Self {
            show,
            night,
            identities: BTreeMap::new(),
            blob_runs: BTreeMap::new(),
            blobs: blobs.to_vec(),
            blob_ids,
        }
    }

    pub(super) fn into_blobs(self) -> Vec<Box<[u8]>> {
        self.blobs
    }

    /// A stored message's number; equal messages share the first, be it one of a run, so that
    /// a night planned anew gives the same.
    pub(super) fn blob(&mut self, bytes: &[u8]) -> BlobId {
        if let Some(id) = self.blob_ids.get(bytes) {
            return BlobId(*id);
        }
        let id = self.blobs.len() as u16;
        self.blobs.push(bytes.into());
        self.blob_ids.insert(bytes.into(), id);
        BlobId(id)
    }

    /// Messages of a template for `len` values in equal steps between two ends, stored one
    /// after the other; gives the first.
    pub(super) fn blob_run(
        &mut self,
        template: &[TemplateByte],
        channel: Option<Channel>,
        (low, high): (u16, u16),
        len: u16,
    ) -> BlobId {
        let channel = channel.unwrap_or_default();
        let messages: Vec<Box<[u8]>> = (0..u32::from(len))
            .map(|step| {
                let last = u32::from(len).saturating_sub(1).max(1);
                let value = u32::from(low) + (u32::from(high - low) * step + last / 2) / last;
                fill(template, channel, Value14::clamped(value as i32)).into()
            })
            .collect();
        // A night planned anew keeps the numbers of the one before.
        let known = self
            .blobs
            .windows(messages.len())
            .position(|own| own == messages);
        if let Some(known) = known {
            return BlobId(known as u16);
        }
        let id = self.blobs.len() as u16;
        let first = *self
            .blob_runs
            .entry(messages)
            .or_insert_with_key(|messages| {
                self.blobs.extend(messages.iter().cloned());
                for (message, id) in messages.iter().zip(id..) {
                    self.blob_ids.entry(message.clone()).or_insert(id);
                }
                id
            });
        BlobId(first)
    }

    /// The sound that a zone plays.
    pub(super) fn of_zone(&mut self, scene: &Scene, zone: &Zone, layout: &Layout) -> Option<Draft> {
        let receiver = self.show.rig.receivers.get(zone.receiver)?;
        let group = zone.group as u8;
        let channel = self.template_channel(zone.receiver, group, layout);
        let values = [&zone.settings, &scene.settings];
        let settings = self.settings(zone.receiver, receiver, false, channel, &values);
        let patch = zone
            .patch
            .and_then(|patch| receiver.patches.patches.get(patch));
        let trim = patch.map_or(0.0, |patch| patch.trim_db)
            + self.trim(zone.receiver, receiver.port, zone.patch);
        Some(Draft {
            entry: SoundEntry {
                receiver: ReceiverId(zone.receiver as u8),
                group,
                patch: patch_entry(receiver, patch),
                volume: volume(receiver.manners.level, zone.level_db + trim),
                pan: zone.pan,
                bend_range: zone
                    .bend_range
                    .map(|range| Value7::clamped(i32::from(range))),
                release_us: seconds_us(
                    patch
                        .and_then(|p| p.release_s)
                        .unwrap_or(receiver.manners.release_s),
                ),
                load_us: load_us(receiver, patch),
                settings: Span::default(),
                level_change: match zone.level_change {
                    model::LevelChange::Ride => LevelChange::Ride,
                    model::LevelChange::New => LevelChange::New,
                },
                identity: 0,
            },
            settings,
            receiver: zone.receiver,
            patch: zone.patch,
        })
    }

    /// The sounds without zones: what the scene sets on receivers that it does not play.
    /// A receiver whose only group has one slot takes its patch and parameters there, and
    /// a global channel takes the parameters of the whole receiver.
    pub(super) fn without_zones(&mut self, scene: &Scene, layout: &Layout) -> Vec<Draft> {
        let mut drafts = Vec::new();
        for (at, receiver) in self.show.rig.receivers.iter().enumerate() {
            // A spare is sent nothing before it takes over.
            if receiver.spare_of.is_some() {
                continue;
            }
            if receiver.global.is_some() {
                let channel = receiver.global;
                let settings = self.settings(at, receiver, true, channel, &[&scene.settings]);
                if !settings.is_empty() || is_routed(scene, at, receiver, true) {
                    drafts.push(silent(at, receiver, GLOBAL_GROUP, None, settings));
                }
            }
            let stated = scene.patches.iter().find(|patch| patch.receiver == at);
            let is_played = scene.zones.iter().any(|zone| zone.receiver == at);
            let is_single =
                receiver.groups.len() == 1 && receiver.groups.iter().all(|g| g.channels.len() == 1);
            if let Some(stated) = stated {
                let group = stated.group as u8;
                let channel = self.template_channel(at, group, layout);
                let settings = self.settings(at, receiver, false, channel, &[&scene.settings]);
                drafts.push(silent(at, receiver, group, Some(stated.patch), settings));
            } else if is_single && !is_played {
                let channel = self.template_channel(at, 0, layout);
                let settings = self.settings(at, receiver, false, channel, &[&scene.settings]);
                if !settings.is_empty() || is_routed(scene, at, receiver, false) {
                    drafts.push(silent(at, receiver, 0, None, settings));
                }
            }
        }
        drafts
    }

    /// Gives the drafts of one scene their identities.
    pub(super) fn identify(&mut self, drafts: &mut [Draft]) {
        let mut seen: BTreeMap<Likeness, usize> = BTreeMap::new();
        for draft in drafts {
            let mut likeness = likeness(draft);
            let copies = seen.entry(likeness.clone()).or_insert(0);
            likeness.copy = *copies;
            *copies += 1;
            let next = self.identities.len() as u32;
            draft.entry.identity = *self.identities.entry(likeness).or_insert(next);
        }
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

    /// The channel written into a System Exclusive template: a slot in a group of one is
    /// known ahead; in a larger group the slot is not, so such a template has none to give
    /// and takes the first.
    fn template_channel(&self, receiver: usize, group: u8, layout: &Layout) -> Option<Channel> {
        let slot: SlotId = layout.first_slot(receiver, group)?;
        layout.slots.get(slot.index()).map(|slot| slot.channel)
    }

    /// Values of all parameters that belong to the slot (or, `is_global`, to the receiver):
    /// the first list that names one wins, then its neutral; `Leave` sends nothing.
    fn settings(
        &mut self,
        at: usize,
        receiver: &Receiver,
        is_global: bool,
        channel: Option<Channel>,
        values: &[&Vec<ParameterValue>],
    ) -> Vec<Setting> {
        let mut settings = Vec::new();
        for (index, parameter) in receiver.parameters.iter().enumerate() {
            // Without a channel of its own the whole receiver is reached through its slot.
            if receiver.global.is_some() && parameter.is_global != is_global {
                continue;
            }
            let named = values.iter().find_map(|list| {
                list.iter()
                    .find(|v| v.receiver == at && v.parameter == index)
            });
            let value = named.map_or(parameter.neutral, |named| named.value);
            if let Some(value) = value {
                settings.push(self.setting(index, &parameter.kind, channel, value));
            }
        }
        settings
    }

    fn setting(
        &mut self,
        parameter: usize,
        kind: &ParameterKind,
        channel: Option<Channel>,
        value: u16,
    ) -> Setting {
        let narrow = Value7::clamped(i32::from(value));
        let wide = Value14::clamped(i32::from(value));
        match kind {
            ParameterKind::Control(number) => Setting::Control(*number, narrow),
            ParameterKind::Pair(number) => Setting::Pair(*number, wide),
            ParameterKind::Rpn(number) => Setting::Rpn(*number, wide),
            ParameterKind::Nrpn(number) => Setting::Nrpn(*number, wide),
            ParameterKind::Exclusive(template) => {
                let bytes = fill(template, channel.unwrap_or_default(), wide);
                Setting::Exclusive(parameter as u16, self.blob(&bytes))
            }
        }
    }
}

/// Whether a route of the scene moves a parameter of this receiver, of the whole of it or not.
fn is_routed(scene: &Scene, at: usize, receiver: &Receiver, is_global: bool) -> bool {
    scene.routes.iter().any(|route| {
        let parameter = match route.target.what {
            model::Moved::Parameter(index) => receiver.parameters.get(index),
            _ => None,
        };
        route.target.receiver == at
            && parameter.is_some_and(|p| receiver.global.is_none() || p.is_global == is_global)
    })
}

fn likeness(draft: &Draft) -> Likeness {
    let entry = &draft.entry;
    Likeness {
        receiver: draft.receiver,
        group: entry.group,
        patch: entry.patch,
        pan: entry.pan,
        bend_range: entry.bend_range,
        settings: draft.settings.clone(),
        own_level: (entry.level_change == LevelChange::New).then_some(entry.volume),
        copy: 0,
    }
}

/// A sound that no zone plays: its level is not ours to set.
fn silent(
    at: usize,
    receiver: &Receiver,
    group: u8,
    patch: Option<usize>,
    settings: Vec<Setting>,
) -> Draft {
    let item = patch.and_then(|patch| receiver.patches.patches.get(patch));
    Draft {
        entry: SoundEntry {
            receiver: ReceiverId(at as u8),
            group,
            patch: patch_entry(receiver, item),
            volume: None,
            pan: None,
            bend_range: None,
            release_us: 0,
            load_us: load_us(receiver, item),
            settings: Span::default(),
            level_change: LevelChange::Ride,
            identity: 0,
        },
        settings,
        receiver: at,
        patch,
    }
}

fn patch_entry(receiver: &Receiver, patch: Option<&model::PatchItem>) -> Patch {
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

fn load_us(receiver: &Receiver, patch: Option<&model::PatchItem>) -> u64 {
    let stated = patch.and_then(|patch| patch.load_ms);
    u64::from(stated.unwrap_or(receiver.manners.load_ms)) * 1000
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
fn fill(template: &[TemplateByte], channel: Channel, value: Value14) -> Vec<u8> {
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
