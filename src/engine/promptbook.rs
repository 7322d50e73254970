//! The show compiled into flat tables of numbers: what the engine reads.
//!
//! A promptbook is made by `plan` and never changes while it is played. All indices
//! are positions in the tables here; `sheet` holds the names that belong to them.
//! Tables that hang on one scene or position lie end to end, cut by `Span`.

pub use super::route_tables::*;
use super::table::Id;
use crate::midi::mpe::Leader;
use crate::midi::{Channel, Controller, Key, Message, MpeZone, Program, Value7, Value14};
pub use crate::vocabulary::{Action, Leave, LevelChange, PageManner, Trigger};

/// A stretch of one of the flat tables.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Span {
    /// Index of the first item.
    pub start: u32,
    /// How many items.
    pub len: u32,
}

impl Span {
    /// The items of `table` that this span names; none if it does not fit.
    #[must_use]
    pub fn of<T>(self, table: &[T]) -> &[T] {
        let start = self.start as usize;
        table
            .get(start..start.saturating_add(self.len as usize))
            .unwrap_or(&[])
    }
}

macro_rules! index {
    ($($(#[$doc:meta])* $name:ident($int:ty);)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
        pub struct $name(pub $int);

        impl $name {
            /// As an index into the table.
            #[must_use]
            pub const fn index(self) -> usize {
                self.0 as usize
            }
        }

        impl Id for $name {
            fn nth(index: usize) -> Self {
                Self(<$int>::try_from(index).unwrap_or(<$int>::MAX))
            }

            fn place(self) -> usize {
                self.index()
            }
        }
    )*};
}

index! {
    /// An input port.
    InPort(u8);
    /// An output port.
    OutPort(u8);
    /// A controller.
    ControllerId(u8);
    /// A receiver.
    ReceiverId(u8);
    /// A slot: one channel of an instrument (or the one channel of another receiver).
    SlotId(u8);
    /// A scene as compiled (a song's scene under one transposition).
    SceneId(u32);
    /// A song in tonight's order.
    SongId(u16);
    /// A place in the night's line of scenes.
    PositionId(u32);
    /// A sound of a scene, counted within the scene.
    SoundId(u8);
    /// A stored System Exclusive message.
    BlobId(u16);
}

/// The whole show, ready to play.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Promptbook {
    /// Input ports, in the rig's order.
    pub in_ports: Box<[InPortEntry]>,
    /// Output ports, in the rig's order.
    pub out_ports: Box<[OutPortEntry]>,
    /// Controllers.
    pub controllers: Box<[ControllerEntry]>,
    /// Named sources of all controllers.
    pub sources: Box<[SourceEntry]>,
    /// Pedals and buttons that are commands.
    pub bindings: Box<[Binding]>,
    /// Receivers.
    pub receivers: Box<[ReceiverEntry]>,
    /// Slots.
    pub slots: Box<[SlotEntry]>,
    /// Scenes.
    pub scenes: Box<[SceneEntry]>,
    /// Zones of all scenes.
    pub zones: Box<[ZoneEntry]>,
    /// Sounds of all scenes.
    pub sounds: Box<[SoundEntry]>,
    /// Parameter values of all sounds and receivers.
    pub settings: Box<[Setting]>,
    /// Routes of all scenes.
    pub routes: Box<[RouteEntry]>,
    /// Sources of all routes.
    pub route_inputs: Box<[RouteInput]>,
    /// Values of steps and bands of all routes.
    pub route_values: Box<[RouteValue]>,
    /// Curves of routes.
    pub route_curves: Box<[RouteCurve]>,
    /// Cues of all scenes.
    pub cues: Box<[CueEntry]>,
    /// Songs, in tonight's order.
    pub songs: Box<[SongEntry]>,
    /// Numbers sent to the page tablet, page by page, song by song.
    pub pages: Box<[u16]>,
    /// The night's line.
    pub positions: Box<[PositionEntry]>,
    /// Planned slots of all positions, one for each sound of the position's scene.
    pub seats: Box<[SlotId]>,
    /// Velocity curves: what each velocity becomes. Index 0 is the straight one.
    pub curves: Box<[[u8; 128]]>,
    /// Stored System Exclusive messages, whole, F0 to F7.
    pub blobs: Box<[Box<[u8]>]>,
}

/// One input port.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct InPortEntry {
    /// Nothing to know yet but that it exists.
    pub is_keyboard_pedal: bool,
}

/// One output port.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct OutPortEntry {
    /// How long after its return before its receivers listen, in microseconds.
    /// The longest boot time of its receivers.
    pub boot_us: u64,
    /// How long a byte occupies its line, in microseconds; 0 where that does not matter.
    pub byte_us: u64,
}

/// A controller: where it comes in and what of it may pass.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ControllerEntry {
    /// The port it comes in on.
    pub port: InPort,
    /// Its channel; none takes every channel of the port. That of an MPE surface is its
    /// manager channel.
    pub channel: Option<Channel>,
    /// Its MPE zone as the rig has it, if it is an MPE surface.
    pub mpe: Option<MpeZone>,
    /// Its lowest and highest key.
    pub keys: (Key, Key),
    /// Controllers that pass: the named sources. Bit n of word n/64.
    /// Bank (0, 32), volume (7) and 120–127 pass only if named; 120–127 never do.
    pub passes: [u64; 2],
    /// Whether channel pressure passes.
    pub passes_pressure: bool,
    /// Whether pitch bend passes.
    pub passes_bend: bool,
    /// Its named sources: a stretch of `sources`.
    pub sources: Span,
}

impl ControllerEntry {
    /// Whether it may speak on this channel.
    #[must_use]
    pub fn has_channel(&self, channel: Channel) -> bool {
        match self.mpe {
            Some(zone) => zone.member(channel).is_some(),
            None => self.channel.is_none_or(|own| own == channel),
        }
    }

    /// Whether this controller number is one of its named sources.
    #[must_use]
    pub fn passes_control(&self, number: Controller) -> bool {
        let n = number.get();
        self.passes
            .get(usize::from(n / 64))
            .is_some_and(|word| word >> (n % 64) & 1 == 1)
    }
}

/// One pedal or button, taken out of the played messages.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Binding {
    /// The controller it belongs to.
    pub controller: ControllerId,
    /// What it speaks.
    pub trigger: Trigger,
    /// What it does.
    pub action: Action,
    /// Latching: each edge is a press.
    pub is_latching: bool,
    /// Turned round: pressed below 64.
    pub is_inverted: bool,
}

/// How a receiver takes what it is sent. An unstated manner is assumed bad.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Manners {
    /// Which bank bytes are sent before a program change.
    pub sends_bank_msb: bool,
    /// See `sends_bank_msb`.
    pub sends_bank_lsb: bool,
    /// Time it needs after a program change, in microseconds; controllers sent before may be lost.
    pub load_us: u64,
    /// Whether a program change resets controllers (they are then sent again).
    pub resets_controllers: bool,
    /// Whether a program change cuts held notes.
    pub cuts_notes: bool,
    /// Whether a silent slot may be primed.
    pub may_prime: bool,
    /// How long a note may ring after it is let go, in microseconds.
    pub release_us: u64,
    /// Whether notes played while a patch loads are held back (up to 30 ms) rather than sent.
    pub holds_back: bool,
    /// Time from power to listening, in microseconds.
    pub boot_us: u64,
    /// Whether it stops sounding when active sensing stops.
    pub heeds_sensing: bool,
}

/// A receiver.
#[derive(Clone, PartialEq, Debug)]
pub struct ReceiverEntry {
    /// The port it is on.
    pub port: OutPort,
    /// Whether it makes sound; only these are silenced.
    pub sounds: bool,
    /// Its slots: consecutive in `slots`.
    pub slots: Span,
    /// Its manners.
    pub manners: Manners,
    /// Set if pages are sent to it.
    pub pages: Option<PageManner>,
    /// Set if it is a keyboard with sounds of its own.
    pub local: Option<LocalControl>,
    /// The receiver that it is kept to stand in for: it has the same slots in the same order.
    pub spare_of: Option<ReceiverId>,
}

/// Where a keyboard with sounds of its own is told Local Off and On.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct LocalControl {
    /// The channel its keys play on; none is each of its slots'.
    pub channel: Option<Channel>,
}

/// A slot.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SlotEntry {
    /// Its receiver.
    pub receiver: ReceiverId,
    /// The receiver's port, repeated for speed.
    pub port: OutPort,
    /// Its channel; of an MPE zone the manager channel.
    pub channel: Channel,
    /// The MPE zone that it is, if it is one.
    pub mpe: Option<MpeZone>,
    /// Slots of one receiver with the same group number may be swapped.
    pub group: u8,
}

impl SlotEntry {
    /// The channel of a member of its MPE zone; 0 is its own channel.
    #[must_use]
    pub fn member_channel(&self, member: u8) -> Channel {
        match self.mpe {
            Some(zone) if member > 0 => zone.channel(member),
            _ => self.channel,
        }
    }
}

/// Bank and program.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Patch {
    /// Bank Select 0, if the patch list states it.
    pub bank_msb: Option<Value7>,
    /// Bank Select 32, if the patch list states it.
    pub bank_lsb: Option<Value7>,
    /// Program, wire value; none for a slot that is never revoiced.
    pub program: Option<Program>,
}

/// A sound: what a slot must be for one scene.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SoundEntry {
    /// The receiver that plays it.
    pub receiver: ReceiverId,
    /// Group of slots it may use.
    pub group: u8,
    /// Its patch.
    pub patch: Patch,
    /// Volume (controller 7); none if the receiver's level is not ours to set.
    pub volume: Option<Value7>,
    /// Pan (controller 10), if stated.
    pub pan: Option<Value7>,
    /// Bend range in semitones (RPN 0), if stated.
    pub bend_range: Option<Value7>,
    /// How long it may ring, in microseconds.
    pub release_us: u64,
    /// Time it needs to load, in microseconds.
    pub load_us: u64,
    /// Parameter values of the slot.
    pub settings: Span,
    /// What happens when only the level differs from the scene before.
    pub level_change: LevelChange,
    /// Equal for sounds that are the same (DESIGN: same instrument, patch, pan, bend range
    /// and parameters); such a sound stays on its slot over a step.
    pub identity: u32,
}

/// One parameter and the value it takes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Setting {
    /// A 7-bit controller.
    Control(Controller, Value7),
    /// A 14-bit pair: controller n (0–31) and n + 32.
    Pair(Controller, Value14),
    /// A registered parameter, followed by null.
    Rpn(Value14, Value14),
    /// A non-registered parameter, followed by null.
    Nrpn(Value14, Value14),
    /// A templated System Exclusive message, already made; the first number names the
    /// parameter (equal for all values of one parameter of one slot), the second the message.
    Exclusive(u16, BlobId),
}

/// A zone: keys of a controller that play a sound.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ZoneEntry {
    /// The controller.
    pub controller: ControllerId,
    /// Lowest and highest key, as played.
    pub keys: (Key, Key),
    /// Lowest and highest velocity, 1–127.
    pub velocities: (Value7, Value7),
    /// Semitones added to the key, all transpositions summed.
    pub transpose: i16,
    /// Index of the velocity curve.
    pub curve: u16,
    /// The sound, within the scene.
    pub sound: SoundId,
    /// A pedal already down when the scene comes counts for this zone's sound.
    pub catches: bool,
    /// What happens to its held notes when the scene is left.
    pub leave: Leave,
    /// Which finger of an MPE surface its sound hears, if it is none of an MPE zone.
    pub finger: Leader,
}

/// A message that must go out once, on a forward step.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CueEntry {
    /// The receiver it goes to.
    pub receiver: ReceiverId,
    /// What goes out.
    pub message: CueMessage,
    /// Whether a jump to the position fires it too.
    pub on_jump: bool,
}

/// What a cue sends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CueMessage {
    /// A short message.
    Short(Message),
    /// A note, and when it ends.
    Note(CueNote),
    /// A stored System Exclusive message.
    Blob(BlobId),
}

/// A note that a cue strikes.
pub type CueNote = crate::vocabulary::CueNote<CuePlace>;

/// Where the note of a cue sounds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CuePlace {
    /// On this slot.
    Slot(SlotId),
    /// On the slot that carries this sound of the scene.
    Sound(SoundId),
}

/// A scene.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SceneEntry {
    /// Its zones; sorted by controller, then key.
    pub zones: Span,
    /// Its sounds. A receiver that plays no zone but is given a patch or parameters (an
    /// effects unit, a global channel) is a sound too, without zones.
    pub sounds: Span,
    /// Its routes.
    pub routes: Span,
    /// Its cues.
    pub cues: Span,
    /// A second press within 250 ms is a step here.
    pub is_brief: bool,
}

/// A song in tonight's order.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct SongEntry {
    /// Its positions: a stretch of `positions`.
    pub positions: Span,
    /// Its pages: a stretch of `pages`, the numbers sent to the tablet.
    pub pages: Span,
}

/// A place in the night's line.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct PositionEntry {
    /// Its scene.
    pub scene: SceneId,
    /// Its song.
    pub song: SongId,
    /// Planned slots: a stretch of `seats`, one for each sound of the scene.
    pub seats: Span,
    /// The page this position turns to (within the song), if it says so.
    pub page: Option<u16>,
}
