//! A scene's sounds: all that a slot must be set to, with levels and parameter values computed.

use std::collections::BTreeMap;

use super::rig::{GLOBAL_GROUP, Layout, seconds_us};
use super::sent::{self, Resolver, SentSetting, fill};
use crate::engine::promptbook::{
    BlobId, LevelChange, Patch, ReceiverId, Setting, SlotId, SoundEntry, Span,
};
use crate::midi::{Channel, Value7, Value14};
use crate::show::model::{self, Night, ParameterValue, Receiver, Scene, Show, TemplateByte, Zone};

/// A sound before it is put in the table.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Draft {
    pub(super) entry: SoundEntry,
    pub(super) settings: Vec<Setting>,
    pub(super) receiver: usize,
    pub(super) patch: Option<usize>,
}

impl Draft {
    /// Merges another sound of the scene into this one if the same is sent for both. The first
    /// name of the patch stays, and the longest times.
    pub(super) fn takes_in(&mut self, other: &Self) -> bool {
        let (own, others) = (&mut self.entry, &other.entry);
        let is_same = (own.receiver, own.group) == (others.receiver, others.group)
            && own.patch == others.patch
            && (own.volume, own.level_change) == (others.volume, others.level_change)
            && (own.pan, own.bend_range) == (others.pan, others.bend_range)
            && self.settings == other.settings;
        if is_same {
            own.release_us = own.release_us.max(others.release_us);
            own.load_us = own.load_us.max(others.load_us);
        }
        is_same
    }
}

/// What makes two sounds equal: everything but level, unless a changed level asks for a slot of
/// its own; and the number among equal sounds of one scene.
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
    identities: BTreeMap<Likeness, u32>,
    resolver: Resolver<'a>,
    blobs: Vec<Box<[u8]>>,
    blob_ids: BTreeMap<Box<[u8]>, u16>,
    blob_runs: BTreeMap<Vec<Box<[u8]>>, u16>,
}

impl<'a> Sounds<'a> {
    /// `blobs` are stored messages that have their numbers already.
    pub(super) fn new(show: &'a Show, night: &'a Night, blobs: &[Box<[u8]>]) -> Self {
        // Of equal messages the first counts, as in `blob`.
        let mut blob_ids = BTreeMap::new();
        for (blob, id) in blobs.iter().zip(0..) {
            blob_ids.entry(blob.clone()).or_insert(id);
        }
        Self {
            show,
            resolver: Resolver::new(show, night),
            identities: BTreeMap::new(),
            blob_runs: BTreeMap::new(),
            blobs: blobs.to_vec(),
            blob_ids,
        }
    }

    pub(super) fn into_blobs(self) -> Vec<Box<[u8]>> {
        self.blobs
    }

    /// The number of a stored message. Equal messages share the first, even one of a run, so
    /// that a night planned anew gives the same numbers.
    pub(super) fn blob(&mut self, bytes: &[u8]) -> BlobId {
        if let Some(id) = self.blob_ids.get(bytes) {
            return BlobId(*id);
        }
        let id = self.blobs.len() as u16;
        self.blobs.push(bytes.into());
        self.blob_ids.insert(bytes.into(), id);
        BlobId(id)
    }

    /// Stores the messages of a template for `len` values in equal steps between two ends, one
    /// after the other; returns the number of the first.
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
    pub(super) fn of_zone(&mut self, scene: &Scene, zone: &Zone) -> Option<Draft> {
        let receiver = self.show.rig.receivers.get(zone.receiver)?;
        let sent = self.resolver.sound(scene, zone)?;
        let patch = zone
            .patch
            .and_then(|patch| receiver.patches.patches.get(patch));
        Some(Draft {
            entry: SoundEntry {
                receiver: ReceiverId(zone.receiver as u8),
                group: zone.group as u8,
                patch: sent.patch,
                volume: sent.volume,
                pan: sent.pan,
                bend_range: sent.bend_range,
                release_us: seconds_us(
                    patch
                        .and_then(|p| p.release_s)
                        .unwrap_or(receiver.manners.release_s),
                ),
                load_us: load_us(receiver, patch),
                settings: Span::default(),
                level_change: sent.level_change(),
                identity: 0,
            },
            settings: self.stored(sent.settings),
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
                let draft = silent(at, receiver, group, Some(stated.patch), settings);
                drafts.push(self.told_neutrals(draft));
            } else if is_single && !is_played {
                let channel = self.template_channel(at, 0, layout);
                let settings = self.settings(at, receiver, false, channel, &[&scene.settings]);
                if !settings.is_empty() || is_routed(scene, at, receiver, false) {
                    let draft = silent(at, receiver, 0, None, settings);
                    drafts.push(self.told_neutrals(draft));
                }
            }
        }
        drafts
    }

    /// Adds neutral pan and bend range to a sound that states none, in a group that is sent
    /// them.
    fn told_neutrals(&self, mut draft: Draft) -> Draft {
        let group = usize::from(draft.entry.group);
        [draft.entry.pan, draft.entry.bend_range] = self.resolver.unstated(draft.receiver, group);
        draft
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

    /// The channel written into a System Exclusive template: a slot in a group of one is
    /// known ahead; in a larger group the slot is not, so such a template has none to give
    /// and takes the first.
    fn template_channel(&self, receiver: usize, group: u8, layout: &Layout) -> Option<Channel> {
        let slot: SlotId = layout.first_slot(receiver, group)?;
        layout.slots.get(slot.index()).map(|slot| slot.channel)
    }

    /// Settings that a scene states without a zone.
    fn settings(
        &mut self,
        at: usize,
        receiver: &Receiver,
        is_global: bool,
        channel: Option<Channel>,
        values: &[&Vec<ParameterValue>],
    ) -> Vec<Setting> {
        let sent = sent::settings(at, receiver, is_global, channel, values);
        self.stored(sent)
    }

    /// Settings with their messages stored.
    fn stored(&mut self, settings: Vec<SentSetting>) -> Vec<Setting> {
        let stored = |setting| match setting {
            SentSetting::Control(number, value) => Setting::Control(number, value),
            SentSetting::Pair(number, value) => Setting::Pair(number, value),
            SentSetting::Rpn(number, value) => Setting::Rpn(number, value),
            SentSetting::Nrpn(number, value) => Setting::Nrpn(number, value),
            SentSetting::Exclusive(parameter, bytes) => {
                Setting::Exclusive(parameter as u16, self.blob(&bytes))
            }
        };
        settings.into_iter().map(stored).collect()
    }
}

/// Whether a route of the scene moves a parameter of this receiver: a global one, or one of a
/// slot.
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

/// A sound that no zone plays: no level is sent for it.
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
            patch: sent::patch_of(receiver, item),
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

fn load_us(receiver: &Receiver, patch: Option<&model::PatchItem>) -> u64 {
    let stated = patch.and_then(|patch| patch.load_ms);
    u64::from(stated.unwrap_or(receiver.manners.load_ms)) * 1000
}
