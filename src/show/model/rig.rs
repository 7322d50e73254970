//! Everything plugged in (`rig.ron`), as types.

use super::{ControllerItem, PageManner, PedalBinding, Site};
use crate::midi::pitch::MiddleC;
use crate::midi::{Channel, Controller, Message, MpeZone, Program, Value7, Value14};

/// Everything plugged in (`rig.ron`).
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Rig {
    /// What its panels, and its files, call key 60.
    pub middle_c: MiddleC,
    /// Ports, in the file's order.
    pub ports: Vec<Port>,
    /// Controllers.
    pub controllers: Vec<ControllerItem>,
    /// Receivers.
    pub receivers: Vec<Receiver>,
    /// Pedals and buttons that are commands.
    pub bindings: Vec<PedalBinding>,
    /// Velocity curves by name; `straight` is always there and first.
    pub curves: Vec<Curve>,
}

/// How fast and through what a port speaks. Same meaning as `wire::PortKind`.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum PortKind {
    /// USB all the way to the instrument.
    #[default]
    Usb,
    /// A 5-pin socket of this machine's own interface: 3125 bytes a second.
    Din,
    /// A USB box that ends in a 5-pin socket: DIN speed, full status bytes.
    UsbToDin,
    /// Another program.
    Software,
    /// No MIDI: a pedal that is a computer keyboard, taken at the device.
    Keys,
}

/// How a port is found among what is plugged in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PortMatch {
    /// USB vendor and product (hexadecimal), serial number if stated, and which MIDI port
    /// of the device (1 is the first).
    Usb {
        /// Vendor identity.
        vendor: u16,
        /// Product identity.
        product: u16,
        /// Serial number, as the device tells it.
        serial: Option<String>,
        /// USB location (such as `1-2.4`), for devices without a serial number.
        location: Option<String>,
        /// Port of the device, from 1.
        port: u8,
    },
    /// By name: the client's or the port's name, exactly.
    Name(String),
}

/// A MIDI connection, in and out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Port {
    /// Its name in the rig.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// How it is found.
    pub matches: PortMatch,
    /// Its kind.
    pub kind: PortKind,
}

/// A velocity curve: points (velocity in, velocity out), straight lines between.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Curve {
    /// Its name.
    pub name: String,
    /// Its points, rising in the first number.
    pub points: Vec<(Value7, Value7)>,
}

/// What a receiver is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum ReceiverKind {
    /// It sounds from keys.
    #[default]
    Instrument,
    /// Audio passes through it.
    Effects,
    /// It shows pages.
    Pages,
    /// It makes light.
    Lights,
    /// It plays back.
    Playback,
}

impl ReceiverKind {
    /// Whether it is heard.
    #[must_use]
    pub const fn sounds(self) -> bool {
        matches!(self, Self::Instrument | Self::Effects | Self::Playback)
    }
}

/// Anything that is sent to.
#[derive(Clone, PartialEq, Debug)]
pub struct Receiver {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// What it is.
    pub kind: ReceiverKind,
    /// Whether it is heard (so whether panic reaches it); by its kind unless stated.
    pub sounds: bool,
    /// Index of its port.
    pub port: usize,
    /// Groups of slots that are alike; a group with one channel is a fixed slot.
    pub groups: Vec<SlotGroup>,
    /// Channel for parameters of the whole receiver, if it has one.
    pub global: Option<Channel>,
    /// Its patch list.
    pub patches: PatchList,
    /// Its parameters.
    pub parameters: Vec<Parameter>,
    /// Its cues.
    pub cues: Vec<Cue>,
    /// Its manners.
    pub manners: Manners,
    /// How it is told pages.
    pub pages: Option<PageManner>,
    /// Index of the receiver whose audio this one passes on, for an effects unit.
    pub hears: Vec<usize>,
    /// How it belongs to a controller on the same port, if the rig says so.
    pub keyboard: Option<KeyboardLink>,
    /// Input of the mixer that it comes in on, from 1: the order of a line check.
    pub mixer: Option<u16>,
    /// What no message sets and a person looks at before doors.
    pub panel: Vec<String>,
    /// Index of the receiver that it is kept to stand in for. Its slots, patch list,
    /// parameters, cues and manners are then those of that receiver. No scene plays a spare.
    pub spare_of: Option<usize>,
}

/// What an instrument has to do with a controller on its port.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum KeyboardLink {
    /// They are one thing, a keyboard with sounds of its own: Local Off while the show runs.
    /// Index of the controller.
    Same(usize),
    /// They are two things on two sockets of one box: nothing that is sent comes back.
    Apart,
}

/// Slots that are alike.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SlotGroup {
    /// Its name (`main` unless the rig names groups).
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Its channels; of MPE zones the manager channels.
    pub channels: Vec<Channel>,
    /// The MPE zone that each of its slots is; empty if they are plain channels.
    pub mpe: Vec<MpeZone>,
}

impl SlotGroup {
    /// Its channels, members of its MPE zone included.
    pub fn all_channels(&self) -> impl Iterator<Item = Channel> + '_ {
        let members = self.mpe.iter().flat_map(|zone| zone.channels().skip(1));
        self.channels.iter().copied().chain(members)
    }
}

/// Stored sounds of a receiver.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct PatchList {
    /// Where it came from: a path, or `General MIDI`.
    pub origin: String,
    /// The patches, in order.
    pub patches: Vec<PatchItem>,
}

/// A stored sound.
#[derive(Clone, PartialEq, Debug)]
pub struct PatchItem {
    /// Its name.
    pub name: String,
    /// Bank Select 0.
    pub bank_msb: Option<Value7>,
    /// Bank Select 32.
    pub bank_lsb: Option<Value7>,
    /// Program, wire value.
    pub program: Program,
    /// Category, may be empty.
    pub category: String,
    /// Trim in dB, added to the level.
    pub trim_db: f32,
    /// Voices a note takes, if known.
    pub voices: Option<u8>,
    /// Release in seconds, if known.
    pub release_s: Option<f32>,
    /// Time to load in milliseconds, if known.
    pub load_ms: Option<u32>,
}

/// How a receiver takes what it is sent; DESIGN's manners. Unstated is bad.
#[derive(Clone, PartialEq, Debug)]
pub struct Manners {
    /// Bank bytes sent: `None`, `Msb`, `Lsb`, `Both`.
    pub bank: BankBytes,
    /// Whether the patch list and the panel count programs from 1 (the list is then read so).
    pub programs_from_1: bool,
    /// Wait after a program change, in milliseconds.
    pub load_ms: u32,
    /// A program change resets controllers.
    pub resets_controllers: bool,
    /// A program change cuts held notes.
    pub cuts_notes: bool,
    /// A silent slot may be primed.
    pub may_prime: bool,
    /// Voices it has, if known.
    pub polyphony: Option<u16>,
    /// Level law.
    pub level: LevelLaw,
    /// Release when the patch list does not say, in seconds.
    pub release_s: f32,
    /// Notes played while a patch loads are held back.
    pub holds_back: bool,
    /// Time to boot, in milliseconds.
    pub boot_ms: u32,
    /// Whether it heeds active sensing.
    pub heeds_sensing: bool,
}

impl Manners {
    /// What is assumed of a receiver that states nothing.
    #[must_use]
    pub const fn unstated() -> Self {
        Self {
            bank: BankBytes::Both,
            programs_from_1: false,
            load_ms: 100,
            resets_controllers: true,
            cuts_notes: true,
            may_prime: false,
            polyphony: None,
            level: LevelLaw::Gm,
            release_s: 2.0,
            holds_back: true,
            boot_ms: 10_000,
            heeds_sensing: true,
        }
    }

    /// The manners General MIDI 2 recommends (GM2 §3.2, §3.3.1): held notes keep their
    /// sound, nothing is reset, no wait.
    #[must_use]
    pub const fn gm2() -> Self {
        Self {
            bank: BankBytes::Both,
            programs_from_1: false,
            load_ms: 0,
            resets_controllers: false,
            cuts_notes: false,
            may_prime: true,
            polyphony: Some(32),
            level: LevelLaw::Gm,
            release_s: 2.0,
            holds_back: true,
            boot_ms: 2_000,
            heeds_sensing: true,
        }
    }
}

/// Which bank bytes a receiver heeds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum BankBytes {
    /// None.
    None,
    /// Bank Select 0 only.
    Msb,
    /// Bank Select 32 only.
    Lsb,
    /// Both.
    Both,
}

/// How volume values become level.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LevelLaw {
    /// 40·log10(v/127) (GM2 §3.3.4).
    Gm,
    /// 20·log10(v/127).
    Linear,
    /// Level is not set by volume: none is sent.
    Fixed,
}

/// A named parameter of a receiver.
#[derive(Clone, PartialEq, Debug)]
pub struct Parameter {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// How it is sent.
    pub kind: ParameterKind,
    /// Smallest and largest value allowed.
    pub range: (u16, u16),
    /// Its value when nobody names one: the rig's neutral.
    pub neutral: Option<u16>,
    /// It belongs to the whole receiver (sent on its `global` channel), not to a slot.
    pub is_global: bool,
    /// Values with names of their own, such as those of a switch: slow, fast, stop.
    pub states: Vec<(String, u16)>,
}

/// How a parameter is sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ParameterKind {
    /// A 7-bit controller.
    Control(Controller),
    /// A 14-bit controller pair.
    Pair(Controller),
    /// A registered parameter.
    Rpn(Value14),
    /// A non-registered parameter.
    Nrpn(Value14),
    /// A System Exclusive template: bytes with `vv` (7-bit value), `mm ll` (14-bit value,
    /// halves), `cc` (channel 0–15) and `ss` (sum checksum over the bytes since `[`), as
    /// read into parts.
    Exclusive(Vec<TemplateByte>),
}

/// A piece of a System Exclusive template.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TemplateByte {
    /// A byte as it is.
    Byte(u8),
    /// The value, 7 bits.
    Value,
    /// The value's upper seven bits.
    ValueMsb,
    /// The value's lower seven bits.
    ValueLsb,
    /// The slot's channel, 0–15.
    Channel,
    /// From here the checksum counts.
    SumStart,
    /// The checksum: what makes the sum since `SumStart` 0 modulo 128.
    Sum,
}

/// A message that must happen once.
#[derive(Clone, PartialEq, Debug)]
pub struct Cue {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// What is sent.
    pub message: CueMessage,
}

/// A note that a cue strikes.
pub type CueNote = crate::vocabulary::CueNote<CuePlace>;

/// Where the note of a cue sounds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum CuePlace {
    /// On the slot with this channel, one of its receiver's.
    Channel(Channel),
    /// On the slot that carries this patch in the scene: index into the patch list.
    Patch(usize),
}

/// What a cue sends.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum CueMessage {
    /// A short message.
    Short(Message),
    /// A note that ends by itself.
    Note(CueNote),
    /// System Exclusive, F0 to F7.
    Exclusive(Vec<u8>),
}
