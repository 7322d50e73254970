//! The engine's view: a small copy without text, published after each call.
//!
//! Names, zone maps and words are in `sheet`; a screen reads both. Fixed in size and
//! `Copy`, so that publishing it allocates nothing and waits for nobody.

use super::input::Origin;
use super::limits::{MAX_CONTROLLERS, MAX_HELD_SHOWN, MAX_PORTS, MAX_RECEIVERS, MAX_SLOTS};
use super::promptbook::{ControllerId, PositionId, SlotId};
pub use super::rescue::{Deed, PedalId};
use crate::midi::Value7;
use crate::midi::level::gain_db;

/// 128 keys, one bit each.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct KeySet(u128);

impl KeySet {
    /// Adds a key (0–127; higher ones are ignored).
    pub const fn insert(&mut self, key: u8) {
        if key < 128 {
            self.0 |= 1 << key;
        }
    }

    /// Whether the key is in the set.
    #[must_use]
    pub const fn contains(&self, key: u8) -> bool {
        key < 128 && self.0 >> key & 1 == 1
    }

    /// Whether no key is in the set.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.0 == 0
    }

    /// How many keys are in the set.
    #[must_use]
    pub const fn len(&self) -> u32 {
        self.0.count_ones()
    }
}

/// One controller, as the engine sees it.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct ControllerView {
    /// Its port is there.
    pub is_present: bool,
    /// Keys that are down and sound in this scene.
    pub keys_down: KeySet,
    /// Keys whose notes are held over from an earlier scene (by key or pedal).
    pub held_over: KeySet,
    /// Hold pedal is down.
    pub hold: bool,
    /// Hold, sostenuto and soft pedals that are ignored.
    pub ignored: [bool; 3],
    /// The key struck last, and its velocity as struck.
    pub struck: Option<(u8, u8)>,
    /// Messages received.
    pub received: u64,
    /// Notes that no zone wanted.
    pub unwanted: u64,
}

/// A slot, as the engine believes it to be.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SlotView {
    /// Program on the slot; none if unknown.
    pub program: Option<u8>,
    /// Bank bytes; none if unknown or unused.
    pub bank: (Option<u8>, Option<u8>),
    /// Volume; none if unknown.
    pub volume: Option<u8>,
    /// Notes that are held on it, by key or pedal.
    pub notes: u16,
    /// It carries a sound of the present scene (its number within the scene).
    pub sound: Option<u8>,
    /// It is being loaded.
    pub is_loading: bool,
}

/// A note that is held: who holds it, where, and by what.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct HeldView {
    /// The controller that struck it.
    pub controller: ControllerId,
    /// The key as played.
    pub in_key: u8,
    /// The slot it sounds on.
    pub slot: SlotId,
    /// The key as sent.
    pub out_key: u8,
    /// Where the show was when it was struck; none if the night was changed since.
    pub position: Option<PositionId>,
    /// Its key is down; otherwise a pedal holds it.
    pub is_key_down: bool,
    /// The sostenuto pedal has it.
    pub is_latched: bool,
    /// Its sound has left the scene.
    pub is_foreign: bool,
}

/// What is known of a receiver beside its port.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct ReceiverView {
    /// It is a spare, or replaced by its spare: kept in the same state, and not played.
    pub stands_by: bool,
    /// It takes no new notes.
    pub is_muted: bool,
    /// Something was sent to it since its port came.
    pub is_told: bool,
}

/// How far a receiver's port can be trusted.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Presence {
    /// The port is not there.
    #[default]
    Absent,
    /// The port is there, nothing is sent until the show is taken up. The engine never says
    /// this: it is set in the view by whoever keeps the port from the engine.
    Waiting,
    /// The port is back, the receiver may still be starting.
    Starting,
    /// The port is there and the state was sent; nothing was heard from it.
    NotVerified,
    /// The port is there and something was heard from it.
    Verified,
}

/// Why a press did not step.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Swallowed {
    /// Within 40 ms of the last edge: the pedal, or a key, bounced.
    Bounce,
    /// The key is held down, and its keyboard repeats it.
    Repeat,
    /// Within 250 ms of the last step, in a scene that is not `brief`.
    TooSoon,
    /// There is no next position.
    AtEnd,
    /// There is no position before.
    AtStart,
    /// The technician has locked the pedals that step.
    Locked,
    /// The technician has this pedal ignored.
    Ignored,
}

/// How the show came to its place.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum MoveKind {
    /// To the next position.
    Step,
    /// To the position before.
    Back,
    /// To a position that was named, or to another song.
    Jump,
    /// By a step, round a loop.
    Loop,
}

/// A move that was carried out, and what asked for it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Move {
    /// How.
    pub kind: MoveKind,
    /// By what.
    pub origin: Origin,
}

/// Counters: each only grows.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counters {
    /// Steps, backs and jumps carried out.
    pub steps: u64,
    /// Presses swallowed.
    pub swallowed: u64,
    /// Notes struck.
    pub notes: u64,
    /// Notes refused because the table of notes was full.
    pub notes_refused: u64,
    /// Notes whose key left 0–127 by transposition.
    pub notes_out_of_range: u64,
    /// Notes that no zone wanted.
    pub unwanted: u64,
    /// Sounds that could not take their planned slot and took another.
    pub detours: u64,
    /// Sounds that had to take a slot on which notes were still held.
    pub harmed: u64,
    /// Held-back notes that went out before their slot had loaded.
    pub held_back_early: u64,
    /// Notes of cues that ended early because too many sounded.
    pub cue_notes_cut: u64,
    /// Messages refused by a full outbox.
    pub out_refused: u64,
    /// Loops broken: what was sent came back as played.
    pub loops: u64,
    /// Slots that were loaded ahead, whole.
    pub primed: u64,
    /// Slots that were being loaded ahead when the position changed.
    pub primes_abandoned: u64,
    /// Broken inner rules met in release (each is a fault to report).
    pub faults: u64,
}

/// What a step would send to one port now.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct PressView {
    /// Bytes, with every status byte.
    pub bytes: u32,
    /// How long they occupy the line, in microseconds; 0 where that does not matter.
    pub us: u32,
}

/// What a step would send now, if all was silent.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct NextView {
    /// Where a step leads; none at the night's end, and until it is made out.
    pub position: Option<PositionId>,
    /// Sounds of that position.
    pub sounds: u8,
    /// Those for which nothing is left to send.
    pub ready: u8,
    /// How long after the press the scene can be played in full, in microseconds: until the
    /// last byte has left its line, and the last patch that the press changes has loaded.
    pub ready_us: u32,
    /// How long before its patch has loaded a note may sound that is played with the press,
    /// in microseconds: 0 if none does. A receiver's manners say whether notes are held back
    /// for a patch, at most 30 ms, or sent at once.
    pub early_us: u32,
    /// Output ports, as many as the promptbook has.
    pub ports: [PressView; MAX_PORTS],
}

/// Everything a screen needs from the engine.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct View {
    /// Time of the last call, in microseconds.
    pub now_us: u64,
    /// How many other promptbooks were taken since the start: indices here are those of
    /// the last one, and of its sheet.
    pub edition: u32,
    /// Where the show is.
    pub position: PositionId,
    /// The page within the song.
    pub page: u16,
    /// No new notes.
    pub is_muted: bool,
    /// What the master fade leaves of everything, 0–127; 127 is all of it.
    pub master: u8,
    /// The master fade goes out, or is out.
    pub is_faded: bool,
    /// Cues go out (not rehearsal).
    pub sends_cues: bool,
    /// Time and reason of the last swallowed press.
    pub swallowed: Option<(u64, Swallowed)>,
    /// Time of the last panic.
    pub panic_us: Option<u64>,
    /// Time of the last step.
    pub step_us: Option<u64>,
    /// The last move; none since the start. `Counters::steps` numbers them.
    pub moved: Option<Move>,
    /// Controllers, as many as the promptbook has.
    pub controllers: [ControllerView; MAX_CONTROLLERS],
    /// Slots, as many as the promptbook has.
    pub slots: [SlotView; MAX_SLOTS],
    /// Receivers, as many as the promptbook has.
    pub receivers: [Presence; MAX_RECEIVERS],
    /// What else is known of them.
    pub duties: [ReceiverView; MAX_RECEIVERS],
    /// Input ports: present or not.
    pub in_ports: [bool; MAX_PORTS],
    /// Slot of each sound of the present scene.
    pub seats: [Option<SlotId>; super::limits::MAX_SOUNDS],
    /// Values of the present scene's routes, in the promptbook's order and in the units of
    /// what they move; none if nobody has said one yet.
    pub routes: [Option<i32>; super::limits::MAX_ROUTES],
    /// Routes whose source has not yet passed the scene's value, one bit each.
    pub waiting: u64,
    /// What a step would send now.
    pub next: NextView,
    /// Counters.
    pub counters: Counters,
    /// Notes held by key or pedal, oldest first, as many as fit; `held_count` tells them all.
    pub held: [HeldView; MAX_HELD_SHOWN],
    /// How many there are.
    pub held_count: u16,
    /// Positions that steps go round.
    pub stretch: Option<(PositionId, PositionId)>,
    /// Pedals do not step.
    pub is_locked: bool,
    /// Pedals that are commands and are ignored: one bit for each binding, the first 64.
    pub ignored_bindings: u64,
    /// What the technician's last command did, with its number.
    pub deed: Option<(u64, Deed)>,
}

impl View {
    /// What the master fade takes off the level, in dB: 0 or less, without end when it is
    /// out (GM2 §3.3.6).
    #[must_use]
    pub fn fade_db(&self) -> f64 {
        gain_db(Value7::MAX, Value7::clamped(self.master.into()))
    }
}

impl Default for View {
    /// The view before the first call.
    fn default() -> Self {
        Self {
            now_us: 0,
            edition: 0,
            position: PositionId(0),
            page: 0,
            is_muted: false,
            master: 127,
            is_faded: false,
            sends_cues: true,
            swallowed: None,
            panic_us: None,
            step_us: None,
            moved: None,
            controllers: [ControllerView::default(); MAX_CONTROLLERS],
            slots: [SlotView::default(); MAX_SLOTS],
            receivers: [Presence::default(); MAX_RECEIVERS],
            duties: [ReceiverView::default(); MAX_RECEIVERS],
            in_ports: [false; MAX_PORTS],
            seats: [None; super::limits::MAX_SOUNDS],
            routes: [None; super::limits::MAX_ROUTES],
            waiting: 0,
            next: NextView::default(),
            counters: Counters::default(),
            held: [HeldView::default(); MAX_HELD_SHOWN],
            held_count: 0,
            stretch: None,
            is_locked: false,
            ignored_bindings: 0,
            deed: None,
        }
    }
}
