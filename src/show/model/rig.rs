//! Everything plugged in (`rig.ron`), as types.

use super::{ControllerItem, PageManner, PedalBinding, PortKind, ReceiverKind, Site};
use crate::midi::pitch::MiddleC;
use crate::midi::{Channel, Controller, Message, MpeZone, Program, Value7, Value14};

/// Everything plugged in (`rig.ron`).
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Rig {
    /// The name of key 60 on its panels and in its files: C3, C4 or C5.
    pub middle_c: MiddleC,
    /// Ports, in the file's order.
    pub ports: Vec<Port>,
    /// Controllers, in the file's order; zones and pedals refer to them by index.
    pub controllers: Vec<ControllerItem>,
    /// Receivers, in the file's order; zones and cues refer to them by index.
    pub receivers: Vec<Receiver>,
    /// Pedals and buttons that are commands.
    pub bindings: Vec<PedalBinding>,
    /// Velocity curves by name; `straight` is always there and first.
    pub curves: Vec<Curve>,
}

/// How a port is found among what is plugged in.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PortMatch {
    /// USB vendor and product (hexadecimal), serial number if stated, and which MIDI port
    /// of the device (1 is the first).
    Usb {
        /// USB vendor ID (`idVendor`).
        vendor: u16,
        /// USB product ID (`idProduct`).
        product: u16,
        /// Serial number as the device reports it; None accepts any.
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
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// How it is found among what is plugged in.
    pub matches: PortMatch,
    /// What kind of connection it is, which sets its speed.
    pub kind: PortKind,
}

/// A velocity curve: points (velocity in, velocity out), straight lines between.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Curve {
    /// The name that zones use.
    pub name: String,
    /// Its points, rising in the first number.
    pub points: Vec<(Value7, Value7)>,
}

/// Anything that MIDI is sent to: an instrument, effects unit, tablet, light desk or playback
/// rig.
#[derive(Clone, PartialEq, Debug)]
pub struct Receiver {
    /// The name that songs use; unique among the receivers.
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// What it is used for; sets the default of `sounds`.
    pub kind: ReceiverKind,
    /// Whether it is heard (so whether panic reaches it); by its kind unless stated.
    pub sounds: bool,
    /// Index of its port in `Rig::ports`.
    pub port: usize,
    /// Groups of slots that are alike; a group with one channel is a fixed slot.
    pub groups: Vec<SlotGroup>,
    /// Channel for parameters of the whole receiver (those with `is_global`); None if it has
    /// none.
    pub global: Option<Channel>,
    /// The patches that songs may name; empty if the rig names no list.
    pub patches: PatchList,
    /// Its named parameters, in the file's order.
    pub parameters: Vec<Parameter>,
    /// Its named cues, in the file's order.
    pub cues: Vec<Cue>,
    /// How it behaves at program changes, in level and in timing.
    pub manners: Manners,
    /// How page turns are sent to it; None if it shows no pages.
    pub pages: Option<PageManner>,
    /// For an effects unit: indices of the receivers whose audio it processes.
    pub hears: Vec<usize>,
    /// How it belongs to a controller on the same port, if the rig says so.
    pub keyboard: Option<KeyboardLink>,
    /// Mixer input that it is plugged into, 1–512: the order of a line check.
    pub mixer: Option<u16>,
    /// Panel settings that no message can set: a person checks them before doors open.
    pub panel: Vec<String>,
    /// Index of the receiver that this one is a spare for; None if it is no spare. A spare has
    /// the slots, patch list, parameters, cues and manners of that receiver, and no scene plays
    /// it.
    pub spare_of: Option<usize>,
}

/// What an instrument has to do with a controller on its port.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum KeyboardLink {
    /// Receiver and controller are one keyboard with sounds of its own: it is set to Local Off
    /// while the show runs. Holds the index of the controller.
    Same(usize),
    /// They are two devices on two sockets of one box: what is sent to one does not come back
    /// from the other.
    Apart,
}

/// Slots that are alike.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SlotGroup {
    /// Its name (`main` unless the rig names groups).
    pub name: String,
    /// Where the group stands in the show's files, for findings.
    pub site: Site,
    /// Its channels; of MPE zones the manager channels.
    pub channels: Vec<Channel>,
    /// The MPE zone of each slot, if slots are MPE zones; empty if they are single channels.
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

/// A sound stored in a receiver, called up by bank and program.
#[derive(Clone, PartialEq, Debug)]
pub struct PatchItem {
    /// The name that songs use.
    pub name: String,
    /// Bank Select MSB (controller 0); None if the list leaves it empty: it is not sent.
    pub bank_msb: Option<Value7>,
    /// Bank Select LSB (controller 32); None if the list leaves it empty: it is not sent.
    pub bank_lsb: Option<Value7>,
    /// Program as sent, 0–127, whatever the panel counts from.
    pub program: Program,
    /// Category from the list, such as `Strings`; may be empty.
    pub category: String,
    /// Trim in dB, added to the level.
    pub trim_db: f32,
    /// Voices that one note takes, 1–255; None if unknown.
    pub voices: Option<u8>,
    /// How long it rings after a note-off, in seconds, 0–60; None: the receiver's manners say.
    pub release_s: Option<f32>,
    /// Time to load after a program change, in milliseconds; None: the receiver's manners say.
    pub load_ms: Option<u32>,
}

/// How a receiver responds to what it is sent. What the rig leaves out is assumed to be the
/// worst case (`unstated`).
#[derive(Clone, PartialEq, Debug)]
pub struct Manners {
    /// Which bank bytes are sent before a program change.
    pub bank: BankBytes,
    /// Whether the patch list and the panel count programs from 1 (the list is then read so).
    pub programs_from_1: bool,
    /// Time that a patch takes to load after a program change, in milliseconds.
    pub load_ms: u32,
    /// A program change resets the channel's controllers.
    pub resets_controllers: bool,
    /// A program change cuts the channel's held notes.
    pub cuts_notes: bool,
    /// A silent slot may be preloaded with the patch of a later scene.
    pub may_prime: bool,
    /// Voices it can sound at once, 1–4096; None if unknown.
    pub polyphony: Option<u16>,
    /// How its volume values become level.
    pub level: LevelLaw,
    /// Release of a patch whose list does not state one, in seconds, 0–60.
    pub release_s: f32,
    /// Notes played while a patch loads are delayed until it is loaded.
    pub holds_back: bool,
    /// Time from power-on until it responds, in milliseconds.
    pub boot_ms: u32,
    /// Whether it responds to active sensing: it goes silent when the sender stops.
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
    /// No bank bytes: programs only.
    None,
    /// Bank Select MSB (controller 0) only.
    Msb,
    /// Bank Select LSB (controller 32) only.
    Lsb,
    /// Bank Select 0, then Bank Select 32.
    Both,
}

/// How volume values become level.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum LevelLaw {
    /// Level in dB is 40·log10(v/127) (GM2 §3.3.4).
    Gm,
    /// Level in dB is 20·log10(v/127).
    Linear,
    /// Level is not set by volume: none is sent.
    Fixed,
}

/// A named parameter of a receiver.
#[derive(Clone, PartialEq, Debug)]
pub struct Parameter {
    /// The name that scenes use.
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// How it is sent.
    pub kind: ParameterKind,
    /// Smallest and largest value allowed.
    pub range: (u16, u16),
    /// The value sent when neither scene, song nor zone states one; None: nothing is sent then.
    pub neutral: Option<u16>,
    /// It belongs to the whole receiver (sent on its `global` channel), not to a slot.
    pub is_global: bool,
    /// Values with names of their own, such as those of a switch: slow, fast, stop.
    pub states: Vec<(String, u16)>,
}

/// How a parameter is sent.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum ParameterKind {
    /// A 7-bit controller, 0–119.
    Control(Controller),
    /// A 14-bit pair: this controller (0–31) is the MSB, 32 above it the LSB.
    Pair(Controller),
    /// A registered parameter, by its 14-bit number.
    Rpn(Value14),
    /// A non-registered parameter, by its 14-bit number.
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
    /// The upper seven bits of a 14-bit value.
    ValueMsb,
    /// The lower seven bits of a 14-bit value.
    ValueLsb,
    /// The slot's channel, 0–15.
    Channel,
    /// The checksum is computed over the bytes from here on.
    SumStart,
    /// The checksum: what makes the sum since `SumStart` 0 modulo 128.
    Sum,
}

/// A message that is sent once, when its scene comes in.
#[derive(Clone, PartialEq, Debug)]
pub struct Cue {
    /// The name that scenes use.
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// The message sent when it fires.
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
    /// A message of one to three bytes: a channel message, or Start, Continue or Stop.
    Short(Message),
    /// A note that ends by itself.
    Note(CueNote),
    /// System Exclusive, F0 to F7.
    Exclusive(Vec<u8>),
}
