//! What the judge expects: the notes that were asked for, what holds them, and which changes
//! are allowed.

use crate::midi::num::{Key, Program, Value7};

use super::voice::Voice;

/// What the judge demands of every note.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct JudgeRules {
    /// A note must sound this long after its press at the latest, in microseconds.
    pub wait_us: u64,
    /// A note must be let go this long after its last owner left, in microseconds.
    pub grace_us: u64,
    /// Whether a press may go without a note-on of its own while another press holds the same
    /// note.
    pub may_share_strike: bool,
    /// Whether a note may be stolen at the receiver's limit of polyphony.
    pub may_be_stolen: bool,
}

/// The number of an expectation.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct ExpectId(pub u64);

/// The patch asked for; what is not stated is not compared.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Wanted {
    /// Bank Select MSB (controller 0); None: any.
    pub bank_msb: Option<Value7>,
    /// Bank Select LSB (controller 32); None: any.
    pub bank_lsb: Option<Value7>,
    /// Program as sent, 0–127; None: any.
    pub program: Option<Program>,
    /// Group of the slot, as in `ReceiverSpec::groups`; None: any.
    pub group: Option<u8>,
}

/// One note that one key press asks for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Expect {
    /// When the key went down, in microseconds.
    pub down_us: u64,
    /// Index of the receiver, as the driver numbers them.
    pub receiver: usize,
    /// The patch that it must sound with.
    pub wanted: Wanted,
    /// The key as it must arrive, transposed.
    pub key: Key,
    /// Lowest and highest velocity it may arrive with.
    pub velocities: (Value7, Value7),
}

/// What holds a note.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Holder {
    /// Its key is down.
    Key,
    /// The hold pedal is down (controller 64).
    Hold,
    /// The sostenuto pedal latched it (controller 66).
    Sostenuto,
}

/// A change that a sounding note may undergo. While its scene is present, all but `Cut`,
/// `Revoice` and `Passage` are allowed; once it is held over, only `Pressure`, and that while
/// it is held.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Change {
    /// Its end: the scene says `cut` or `fade`, or the rig is short of slots.
    Cut,
    /// Its voice goes over to another patch.
    Revoice,
    /// Its level changes: volume, expression or master volume.
    Level,
    /// Its pitch changes: bend, bend range or tuning.
    Bend,
    /// Its pan changes (controller 10).
    Pan,
    /// Its pressure changes: of the channel or of its key.
    Pressure,
    /// Any other controller that it responds to changes.
    Control,
    /// An effects unit that it passes through is interrupted.
    Passage,
}

/// An expectation and what became of it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Entry {
    pub(super) expect: Expect,
    /// What holds it: bits of `Holder`; 0 once it is let go.
    pub(super) holders: u8,
    pub(super) let_go_us: u64,
    /// The changes allowed now: bits of `Change`.
    pub(super) allowed: u8,
    pub(super) is_struck: bool,
    /// Whether a voice carries it now.
    pub(super) is_carried: bool,
    /// When it must sound at the latest, once that is known.
    pub(super) sound_by_us: Option<u64>,
    /// When it must be let go at the latest, once that is known.
    pub(super) end_by_us: Option<u64>,
}

impl Entry {
    /// A key is down and nothing sounds yet; the scene is there.
    pub(super) const fn new(expect: Expect) -> Self {
        Self {
            expect,
            holders: bit(Holder::Key as u8),
            let_go_us: 0,
            allowed: ALLOWED_IN_SCENE,
            is_struck: false,
            is_carried: false,
            sound_by_us: None,
            end_by_us: None,
        }
    }

    pub(super) const fn hold(&mut self, holder: Holder) {
        self.holders |= bit(holder as u8);
        self.end_by_us = None;
    }

    pub(super) const fn let_go(&mut self, holder: Holder, now_us: u64) {
        if self.is_holding() {
            self.holders &= !bit(holder as u8);
            self.let_go_us = now_us;
        }
    }

    /// Gives the note up: it need only end, and everything is allowed.
    pub(super) const fn give_up(&mut self, now_us: u64) {
        if self.is_holding() {
            self.let_go_us = now_us;
        }
        self.holders = 0;
        self.end_by_us = None;
        self.allowed = u8::MAX;
        self.is_struck = true;
    }

    /// Its scene was left: from now on only pressure may change.
    pub(super) const fn leave(&mut self) {
        self.allowed = bit(Change::Pressure as u8);
    }

    pub(super) const fn allow(&mut self, change: Change) {
        self.allowed |= bit(change as u8);
    }

    pub(super) const fn forbid(&mut self, change: Change) {
        self.allowed &= !bit(change as u8);
    }

    pub(super) const fn is_holding(&self) -> bool {
        self.holders != 0
    }

    pub(super) const fn allows(&self, change: Change) -> bool {
        self.allowed & bit(change as u8) != 0
    }

    /// Whether this voice is the note it waits for.
    pub(super) fn waits_for(&self, receiver: usize, voice: &Voice, wait_us: u64) -> bool {
        let expect = &self.expect;
        !self.is_struck
            && expect.receiver == receiver
            && expect.asks_for(voice)
            && (expect.velocities.0..=expect.velocities.1).contains(&voice.velocity)
            && (expect.down_us..=expect.down_us.saturating_add(wait_us)).contains(&voice.start_us)
    }

    /// Whether nothing sounded for it in time.
    pub(super) const fn is_missing(&self, now_us: u64, wait_us: u64) -> bool {
        !self.is_struck && !self.is_carried && self.expect.down_us.saturating_add(wait_us) < now_us
    }
}

impl Expect {
    /// Whether a voice is this note, velocity and time aside.
    pub(super) fn asks_for(&self, voice: &Voice) -> bool {
        let wanted = &self.wanted;
        voice.key == self.key
            && wanted
                .bank_msb
                .is_none_or(|msb| msb == voice.patch.bank_msb)
            && wanted
                .bank_lsb
                .is_none_or(|lsb| lsb == voice.patch.bank_lsb)
            && wanted
                .program
                .is_none_or(|program| program == voice.patch.program)
            && wanted.group.is_none_or(|group| group == voice.group)
    }
}

const fn bit(number: u8) -> u8 {
    1 << number
}

/// Changes that the player may cause while the note's scene is present.
const ALLOWED_IN_SCENE: u8 = bit(Change::Level as u8)
    | bit(Change::Bend as u8)
    | bit(Change::Pan as u8)
    | bit(Change::Pressure as u8)
    | bit(Change::Control as u8);
