//! What a model receiver is: its kind, its slots and its manners.
//!
//! A manner here is how the receiver behaves, whether or not the rig states it rightly.
//! Manners that change nothing on the wire (programs shown from 0 or from 1) are left out.

use crate::midi::num::{Channel, Program, Value7};

/// A patch as the receiver has it in force.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Patch {
    /// Bank Select MSB (controller 0), as in force.
    pub bank_msb: Value7,
    /// Bank Select LSB (controller 32), as in force.
    pub bank_lsb: Value7,
    /// Program as sent, 0–127.
    pub program: Program,
}

impl Patch {
    /// A patch from its three numbers; each above 127 counts as 127.
    #[must_use]
    pub const fn of(bank_msb: u8, bank_lsb: u8, program: u8) -> Self {
        Self {
            bank_msb: Value7::clamped(bank_msb as i32),
            bank_lsb: Value7::clamped(bank_lsb as i32),
            program: Program::clamped(program as i32),
        }
    }
}

/// What sort of receiver it is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Kind {
    /// Makes sound from notes.
    Instrument,
    /// Changes sound that passes through it: a program change interrupts the passage,
    /// a controller changes how much of the effect is heard. Notes make no sound.
    Effects,
    /// Makes no sound and lets none pass: a page tablet, lights, a playback rig.
    Silent,
}

/// What is known of one patch.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PatchSpec {
    /// The patch that this describes.
    pub patch: Patch,
    /// How long a note rings after it is let go, in microseconds.
    pub release_us: u64,
    /// Voices that one note takes, at least 1.
    pub voices: u16,
    /// Time this patch needs to load, in microseconds; none takes the receiver's.
    pub load_us: Option<u64>,
}

/// A model receiver, described.
#[derive(Clone, PartialEq, Debug)]
pub struct ReceiverSpec {
    /// Whether it makes sound, changes sound, or neither.
    pub kind: Kind,
    /// Channels it listens to: bit n is channel n (0–15).
    pub listens: u16,
    /// Group of each slot: slots with different numbers are not alike.
    pub groups: [u8; 16],
    /// Slots whose patch never changes; bank and program are ignored there.
    pub fixed: Vec<(Channel, Patch)>,
    /// Patches whose ring, size or load time differs from the manners.
    pub patches: Vec<PatchSpec>,
    /// Whether it can be set up for MPE zones.
    pub knows_zones: bool,
    /// How it responds to what it receives.
    pub manners: ModelManners,
}

impl ReceiverSpec {
    /// A General MIDI 2 instrument with 16 slots; the tenth is the rhythm slot and in a
    /// group of its own (GM2 §2.4).
    #[must_use]
    pub fn gm2() -> Self {
        let mut groups = [0; 16];
        groups[9] = 1;
        Self {
            kind: Kind::Instrument,
            listens: 0xffff,
            groups,
            fixed: Vec::new(),
            patches: Vec::new(),
            knows_zones: false,
            manners: ModelManners::gm2(),
        }
    }

    /// A receiver of another kind on one channel, with the best of manners.
    #[must_use]
    pub fn single(kind: Kind, channel: Channel) -> Self {
        Self {
            kind,
            listens: 1 << channel.get(),
            groups: [0; 16],
            ..Self::gm2()
        }
    }

    /// Whether the receiver hears this channel.
    #[must_use]
    pub const fn hears(&self, channel: Channel) -> bool {
        self.listens >> channel.get() & 1 == 1
    }

    /// The patch a slot is tied to, if it is.
    #[must_use]
    pub fn fixed_patch(&self, channel: Channel) -> Option<Patch> {
        self.fixed
            .iter()
            .find(|(fixed, _)| *fixed == channel)
            .map(|(_, patch)| *patch)
    }

    /// How long a note of this patch rings, in microseconds.
    #[must_use]
    pub fn release_us(&self, patch: Patch) -> u64 {
        self.known(patch)
            .map_or(self.manners.release_us, |known| known.release_us)
    }

    /// How many voices a note of this patch takes.
    #[must_use]
    pub fn voices(&self, patch: Patch) -> u16 {
        self.known(patch).map_or(1, |known| known.voices.max(1))
    }

    /// How long this patch takes to load, in microseconds.
    #[must_use]
    pub fn load_us(&self, patch: Patch) -> u64 {
        self.known(patch)
            .and_then(|known| known.load_us)
            .unwrap_or(self.manners.load_us)
    }

    fn known(&self, patch: Patch) -> Option<&PatchSpec> {
        self.patches.iter().find(|known| known.patch == patch)
    }
}

/// What becomes of controllers, bend and pressure that come while a patch loads.
/// Bank Select, Program Change and the mode messages 120–127 are always taken.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LoadingControllers {
    /// They count at once.
    Taken,
    /// They are lost: the values do not change.
    Ignored,
    /// They count when the patch is loaded.
    Delayed,
}

/// What becomes of notes struck while a patch loads.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LoadingNotes {
    /// They sound at once with the new patch.
    Taken,
    /// They sound at once with the patch before.
    OldPatch,
    /// They are lost: they never sound.
    Ignored,
    /// They sound when the patch is loaded.
    Delayed,
}

/// What a program change does to notes that sound.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum HeldNotes {
    /// They keep their sound until they end (GM2 §3.2, recommended).
    Keep,
    /// They end at once, rings too.
    Cut,
    /// They go on with the new patch.
    Revoice,
}

/// Which controllers of its slot a program change resets.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ProgramResets {
    /// None (GM2 §3.2, recommended).
    Nothing,
    /// Those that Reset All Controllers resets (RP-015).
    Played,
    /// All of them, to their values at power-on, level, pan and bend range included.
    Everything,
}

/// What a second Note On for a key of a slot does while the first still sounds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Restrike {
    /// Both sound; each Note Off ends one, the oldest first.
    Stack,
    /// The new one takes the place of the old one; one Note Off ends it.
    Replace,
}

/// How volume and expression become level.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LevelLaw {
    /// 40 log10 of each (GM2 §3.3.4, §3.3.6).
    Square,
    /// 20 log10 of each: the amplitude follows the number (common practice, no source).
    Linear,
}

/// How a receiver behaves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ModelManners {
    /// Whether Bank Select 0 is heeded.
    pub heeds_bank_msb: bool,
    /// Whether Bank Select 32 is heeded.
    pub heeds_bank_lsb: bool,
    /// Whether Bank Select revoices at once rather than at the next program change.
    pub bank_at_once: bool,
    /// Time a patch loads after a program change, in microseconds.
    pub load_us: u64,
    /// What happens to controllers, bend and pressure that come while a patch loads.
    pub loading_controllers: LoadingControllers,
    /// What happens to notes struck while a patch loads.
    pub loading_notes: LoadingNotes,
    /// What a program change resets.
    pub program_resets: ProgramResets,
    /// What a program change does to notes that sound.
    pub held_notes: HeldNotes,
    /// Whether a program change moves the display or the edit focus to its slot.
    pub moves_focus: bool,
    /// Voices that can sound at once; past it the oldest note is stolen.
    pub polyphony: u16,
    /// How long a note rings after it is let go, in microseconds.
    pub release_us: u64,
    /// What a Note On does for a key that still sounds.
    pub restrike: Restrike,
    /// How volume and expression become level.
    pub level_law: LevelLaw,
    /// Time from power to listening, in microseconds.
    pub boot_us: u64,
    /// Whether it falls silent when active sensing stops.
    pub heeds_sensing: bool,
    /// Whether All Sound Off (120) is heeded.
    pub heeds_all_sound_off: bool,
    /// Whether Reset All Controllers (121) is heeded.
    pub heeds_reset_all: bool,
    /// Whether All Notes Off (123) and with it 124–127 are heeded; a receiver with Omni on
    /// ignores 123 and 121 (MIDI 1.0, quoted in RP-015).
    pub heeds_all_notes_off: bool,
    /// Whether an Identity Request is answered.
    pub answers_identity: bool,
}

impl ModelManners {
    /// General MIDI 2: held notes keep their sound, nothing is reset, no wait
    /// (GM2 §3.2, §3.3.1); 32 voices (GM2 §2.2, from memory).
    #[must_use]
    pub const fn gm2() -> Self {
        Self {
            heeds_bank_msb: true,
            heeds_bank_lsb: true,
            bank_at_once: false,
            load_us: 0,
            loading_controllers: LoadingControllers::Taken,
            loading_notes: LoadingNotes::Taken,
            program_resets: ProgramResets::Nothing,
            held_notes: HeldNotes::Keep,
            moves_focus: false,
            polyphony: 32,
            release_us: 0,
            restrike: Restrike::Stack,
            level_law: LevelLaw::Square,
            boot_us: 0,
            heeds_sensing: true,
            heeds_all_sound_off: true,
            heeds_reset_all: true,
            heeds_all_notes_off: true,
            answers_identity: true,
        }
    }

    /// The manners a rig must assume when none is stated: a program change cuts, resets and
    /// takes 100 ms, and what comes meanwhile is lost.
    #[must_use]
    pub const fn bad() -> Self {
        Self {
            load_us: 100_000,
            loading_controllers: LoadingControllers::Ignored,
            loading_notes: LoadingNotes::Ignored,
            program_resets: ProgramResets::Everything,
            held_notes: HeldNotes::Cut,
            moves_focus: true,
            restrike: Restrike::Replace,
            answers_identity: false,
            ..Self::gm2()
        }
    }
}
