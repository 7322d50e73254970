//! What is needed to go on after a fault, or on another machine: fixed in size, versioned.

use super::cue_notes::{CueNotes, SoundingCue};
use super::limits::{MAX_CUE_NOTES, MAX_NOTES};
use super::machine::Machine;
use super::master::Master;
use super::notes::{NEUTRAL_RELEASE, Note};
use super::promptbook::{ControllerId, Leave, PositionId, Promptbook, SlotId};
use super::view::Counters;
use crate::midi::mpe::Leader;
use crate::midi::{Channel, Key, Value14};

/// Layout of `Checkpoint`. Changes when the meaning of a field does.
pub const CHECKPOINT_VERSION: u16 = 4;

/// A note that sounds, and the key that owns it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct HeldNote {
    /// The controller of the key.
    pub controller: ControllerId,
    /// The key as played.
    pub in_key: Key,
    /// The slot it sounds on.
    pub slot: SlotId,
    /// The key as sent.
    pub out_key: Key,
    /// Note Offs still to send; 0 if only a pedal holds it.
    pub offs: u16,
    /// The channel of its finger, on an MPE surface.
    pub finger: Option<Channel>,
    /// The member of an MPE zone that it sounds on; 0 is the slot's own channel.
    pub member: u8,
}

/// Where the show is and what sounds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Checkpoint {
    /// `CHECKPOINT_VERSION` of the program that made it.
    pub version: u16,
    /// Where the show is.
    pub position: PositionId,
    /// The page within the song.
    pub page: u16,
    /// No new notes.
    pub is_muted: bool,
    /// Everything is faded out, or on its way.
    pub is_faded: bool,
    /// Cues go out.
    pub sends_cues: bool,
    /// How many of `notes` count.
    pub note_count: u16,
    /// Notes that sound, oldest first.
    pub notes: [HeldNote; MAX_NOTES],
    /// Notes that cues struck.
    pub cue_notes: [Option<SoundingCue>; MAX_CUE_NOTES],
}

/// Why a checkpoint cannot be used.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CheckpointError {
    /// It was made by a program with another layout.
    Version(u16),
    /// Its position is not in this promptbook.
    Position(PositionId),
}

impl std::fmt::Display for CheckpointError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Version(version) => write!(
                f,
                "checkpoint has version {version}, this program reads {CHECKPOINT_VERSION}: \
                 start at a position instead"
            ),
            Self::Position(position) => write!(
                f,
                "checkpoint stands at position {}, which this show does not have: \
                 jump to a position",
                position.0
            ),
        }
    }
}

impl std::error::Error for CheckpointError {}

impl Default for Checkpoint {
    /// At the first position, with nothing that sounds.
    fn default() -> Self {
        Self {
            version: CHECKPOINT_VERSION,
            position: PositionId(0),
            page: 0,
            is_muted: false,
            is_faded: false,
            sends_cues: true,
            note_count: 0,
            notes: [HeldNote::default(); MAX_NOTES],
            cue_notes: [None; MAX_CUE_NOTES],
        }
    }
}

impl Machine {
    /// Brings a checkpoint up to date. Only what sounds, or sounded when it was brought up to
    /// date last, is written: the rest of the 10 KB stays untouched.
    pub(super) fn keep_checkpoint(&self, kept: &mut Checkpoint) {
        let sounded = usize::from(kept.note_count);
        let count = self.notes.len();
        for (held, note) in kept.notes.iter_mut().zip(&self.notes) {
            *held = HeldNote {
                controller: note.controller,
                in_key: note.in_key,
                slot: note.slot,
                out_key: note.out_key,
                offs: note.offs,
                finger: note.finger,
                member: note.member,
            };
        }
        if let Some(ended) = kept.notes.get_mut(count.min(sounded)..sounded) {
            ended.fill(HeldNote::default());
        }
        kept.version = CHECKPOINT_VERSION;
        kept.position = self.position;
        kept.page = self.page;
        kept.is_muted = self.is_muted;
        kept.is_faded = self.master.is_out();
        kept.sends_cues = self.sends_cues;
        kept.note_count = u16::try_from(count).unwrap_or(u16::MAX);
        kept.cue_notes = self.cue_notes.all();
    }

    /// Everything as new at the checkpoint's place, but ports, counters and the time, which
    /// go on. Nothing is assumed of pedals and wheels. Not heap-free: a new machine is made.
    pub(super) fn restore(
        &mut self,
        book: &Promptbook,
        checkpoint: &Checkpoint,
    ) -> Result<(), CheckpointError> {
        if checkpoint.version != CHECKPOINT_VERSION {
            return Err(CheckpointError::Version(checkpoint.version));
        }
        if checkpoint.position.index() >= book.positions.len() {
            return Err(CheckpointError::Position(checkpoint.position));
        }
        let mut fresh = Self::new(book, checkpoint.position);
        fresh.now_us = self.now_us;
        fresh.page = checkpoint.page;
        fresh.is_muted = checkpoint.is_muted;
        fresh.master = Master::settled(checkpoint.is_faded);
        fresh.sends_cues = checkpoint.sends_cues;
        fresh.counters = Counters { ..self.counters };
        fresh.moved = self.moved;
        fresh.priming.forbid();
        (fresh.rescue, fresh.wiring) = (self.rescue, self.wiring);
        fresh.outputs.copy_from_slice(&self.outputs);
        fresh.in_present.copy_from_slice(&self.in_present);
        fresh.cue_notes = CueNotes::restored(checkpoint.cue_notes);
        let count = usize::from(checkpoint.note_count);
        for held in checkpoint.notes.iter().take(count) {
            let Some(slot) = fresh.slots.find_mut(held.slot) else {
                continue;
            };
            slot.sounding.strike();
            fresh.notes.add(Note {
                controller: held.controller,
                in_key: held.in_key,
                slot: held.slot,
                out_key: held.out_key,
                offs: held.offs,
                is_latched: false,
                is_foreign: true,
                leave: Leave::Hold,
                velocity: NEUTRAL_RELEASE,
                position: checkpoint.position,
                finger: held.finger,
                member: held.member,
                leader: Leader::Last,
                base: Value14::CENTRE,
            });
            fresh.take_lead((held.slot, held.member));
        }
        *self = fresh;
        Ok(())
    }
}
