//! The embedded rig: model receivers in place of everything the show's rig names.

use std::sync::{Arc, Mutex, PoisonError};

use crate::ports::{Clock, ModelEar};
use crate::show::model::{self, BankBytes, ReceiverKind, Rig};
use crate::sim::{
    HeldNotes, Kind, LevelLaw, LoadingControllers, LoadingNotes, ModelManners, Patch, PatchSpec,
    ProgramResets, ReceiverModel, ReceiverSpec,
};

/// Model receivers, each on its port of the rig.
#[derive(Clone, Debug)]
pub(super) struct ModelRig {
    receivers: Arc<[Mutex<ReceiverModel>]>,
    ports: Arc<[usize]>,
}

impl ModelRig {
    /// One model for each receiver of the rig, with the manners that the rig states.
    pub(super) fn new(rig: &Rig) -> Self {
        Self {
            receivers: rig
                .receivers
                .iter()
                .map(|item| Mutex::new(ReceiverModel::new(spec(item))))
                .collect(),
            ports: rig.receivers.iter().map(|item| item.port).collect(),
        }
    }

    /// What hears the rig's outputs.
    pub(super) fn ear(&self, clock: Clock) -> ModelEar {
        let rig = self.clone();
        Arc::new(move |port, bytes| {
            for (receiver, at) in rig.receivers.iter().zip(rig.ports.iter()) {
                if *at == port {
                    let mut receiver = receiver.lock().unwrap_or_else(PoisonError::into_inner);
                    receiver.feed(clock.now_us(), bytes);
                }
            }
        })
    }

    /// How many voices each receiver sounds now.
    pub(super) fn voices(&self, now_us: u64) -> Vec<usize> {
        self.receivers
            .iter()
            .map(|receiver| {
                let mut receiver = receiver.lock().unwrap_or_else(PoisonError::into_inner);
                receiver.advance(now_us);
                receiver.voices().count()
            })
            .collect()
    }
}

/// A receiver of the rig as a model.
fn spec(item: &model::Receiver) -> ReceiverSpec {
    let mut listens = 0_u16;
    let mut groups = [0_u8; 16];
    let channels = item
        .groups
        .iter()
        .enumerate()
        .flat_map(|(at, group)| group.all_channels().map(move |channel| (at, channel)));
    for (group, channel) in channels {
        listens |= 1 << channel.get();
        if let Some(place) = groups.get_mut(usize::from(channel.get())) {
            *place = group as u8;
        }
    }
    if let Some(channel) = item.global {
        listens |= 1 << channel.get();
    }
    ReceiverSpec {
        kind: match item.kind {
            ReceiverKind::Instrument => Kind::Instrument,
            ReceiverKind::Effects => Kind::Effects,
            ReceiverKind::Pages | ReceiverKind::Lights | ReceiverKind::Playback => Kind::Silent,
        },
        listens,
        groups,
        fixed: Vec::new(),
        patches: item
            .patches
            .patches
            .iter()
            .map(|patch| patch_spec(patch, &item.manners))
            .collect(),
        knows_zones: item.groups.iter().any(|group| !group.mpe.is_empty()),
        manners: manners(&item.manners),
    }
}

fn patch_spec(patch: &model::PatchItem, manners: &model::Manners) -> PatchSpec {
    let number = |value: Option<crate::midi::Value7>| value.map_or(0, crate::midi::Value7::get);
    let release_s = patch.release_s.unwrap_or(manners.release_s);
    PatchSpec {
        patch: Patch::of(
            number(patch.bank_msb),
            number(patch.bank_lsb),
            patch.program.get(),
        ),
        release_us: (f64::from(release_s.max(0.0)) * 1e6) as u64,
        voices: patch.voices.map_or(1, u16::from),
        load_us: patch.load_ms.map(|ms| u64::from(ms) * 1000),
    }
}

fn manners(stated: &model::Manners) -> ModelManners {
    ModelManners {
        heeds_bank_msb: matches!(stated.bank, BankBytes::Msb | BankBytes::Both),
        heeds_bank_lsb: matches!(stated.bank, BankBytes::Lsb | BankBytes::Both),
        load_us: u64::from(stated.load_ms) * 1000,
        loading_controllers: LoadingControllers::Ignored,
        loading_notes: LoadingNotes::Taken,
        program_resets: if stated.resets_controllers {
            ProgramResets::Played
        } else {
            ProgramResets::Nothing
        },
        held_notes: if stated.cuts_notes {
            HeldNotes::Cut
        } else {
            HeldNotes::Keep
        },
        polyphony: stated.polyphony.unwrap_or(ModelManners::gm2().polyphony),
        release_us: (f64::from(stated.release_s.max(0.0)) * 1e6) as u64,
        level_law: match stated.level {
            model::LevelLaw::Linear => LevelLaw::Linear,
            model::LevelLaw::Gm | model::LevelLaw::Fixed => LevelLaw::Square,
        },
        boot_us: u64::from(stated.boot_ms) * 1000,
        heeds_sensing: stated.heeds_sensing,
        ..ModelManners::gm2()
    }
}
