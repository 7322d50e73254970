//! The document, valid by construction: what reading a show folder yields.
//!
//! Names are resolved (a zone holds the index of its controller, not its name), `like`
//! and defaults are applied, and everything knows its place, so that a later finding can
//! point at it. What could not be made valid is not here: it is a finding.

use std::collections::BTreeMap;

use crate::midi::{Channel, Controller, Key, Message, Program, Value7, Value14};
use crate::show::finding::{Place, Span};
use crate::show::tree::LineIndex;

/// A file of the show folder, as it was read.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct SourceFile {
    /// Path relative to the show folder, with `/`.
    pub path: String,
    /// Its text.
    pub text: String,
}

/// Where something stands: a file and a stretch of bytes in it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Site {
    /// Index into `Show::files`.
    pub file: u16,
    /// First byte.
    pub start: u32,
    /// Past the last byte.
    pub end: u32,
}

/// A show: a folder with a rig, songs and nights.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Show {
    /// The folder's name.
    pub name: String,
    /// All files read.
    pub files: Vec<SourceFile>,
    /// Everything plugged in.
    pub rig: Rig,
    /// All songs that could be read, by file name.
    pub songs: Vec<Song>,
    /// All nights. With no file under `nights/` there is one, called `all`, with every
    /// song in the order of their file names.
    pub nights: Vec<Night>,
    /// Page texts by path relative to the show folder.
    pub page_texts: BTreeMap<String, String>,
}

impl Show {
    /// Where in the show folder a site is, as a finding tells it.
    #[must_use]
    pub fn place(&self, site: Site) -> Place {
        place_in(&self.files, site)
    }
}

/// Where among these files a site is, as a finding tells it.
#[must_use]
pub fn place_in(files: &[SourceFile], site: Site) -> Place {
    match files.get(usize::from(site.file)) {
        Some(file) => {
            let span = Span::new(site.start as usize, site.end as usize);
            LineIndex::new(&file.text).place(&file.text, &file.path, span)
        }
        None => Place::default(),
    }
}

/// Everything plugged in (`rig.ron`).
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Rig {
    /// Number that the rig's files call C4; middle C is 60 unless the rig says otherwise.
    /// Octave number of key 60: 4 (default), 3 or 5.
    pub middle_c_octave: i8,
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

/// Something touched.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ControllerItem {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Index of its port.
    pub port: usize,
    /// Its channel; none is any.
    pub channel: Option<Channel>,
    /// Lowest and highest key; none for a pedal box.
    pub keys: Option<(Key, Key)>,
    /// Its named sources, in the file's order. `hold`, `bend` and `pressure` are there
    /// unless the rig lists sources itself.
    pub sources: Vec<Source>,
}

/// A named source of a controller.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Source {
    /// Its name (`wheel`, `ribbon`, `stick-y`, `hold`).
    pub name: String,
    /// Its place.
    pub site: Site,
    /// What it sends.
    pub kind: SourceKind,
}

/// What a source sends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SourceKind {
    /// A controller number.
    Control(Controller),
    /// Pitch bend.
    Bend,
    /// Channel pressure.
    Pressure,
    /// Pressure by key.
    PolyPressure,
}

/// A pedal or button that is a command.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PedalBinding {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Index of the controller it belongs to.
    pub controller: usize,
    /// What it speaks.
    pub trigger: Trigger,
    /// What it does.
    pub action: Action,
    /// Latching: each edge is a press.
    pub is_latching: bool,
    /// Pressed below 64.
    pub is_inverted: bool,
}

/// What a pedal or button does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Action {
    /// To the next position.
    Step,
    /// To the position before.
    Back,
    /// To the next song.
    SongDown,
    /// To this song's start, or the song before.
    SongUp,
    /// Next page.
    PageNext,
    /// Page before.
    PageBack,
    /// Silence everything.
    Panic,
    /// Send the state of this position again.
    Resend,
    /// Mute, and unmute.
    Mute,
}

/// What kind of message a pedal speaks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Trigger {
    /// A controller: pressed at 64 and above.
    Control(Controller),
    /// A key: pressed by Note On.
    Note(Key),
    /// A program change (wire value): each one is a press.
    Program(Program),
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

/// How a page tablet is told a page.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PageManner {
    /// By program change.
    Program,
    /// By the value of a controller.
    Control(Controller),
}

/// Slots that are alike.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SlotGroup {
    /// Its name (`main` unless the rig names groups).
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Its channels.
    pub channels: Vec<Channel>,
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

/// What a cue sends.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum CueMessage {
    /// A short message.
    Short(Message),
    /// System Exclusive, F0 to F7.
    Exclusive(Vec<u8>),
}

/// A song (`songs/NAME.ron`).
#[derive(Clone, PartialEq, Debug)]
pub struct Song {
    /// The file's name without its ending: what a night calls it.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Its title.
    pub title: String,
    /// Beats a minute.
    pub tempo: Option<f32>,
    /// Beats a bar.
    pub beats: Option<u8>,
    /// Its key, as the player would write it.
    pub key: String,
    /// Semitones, added to every zone that may be transposed.
    pub transpose: i8,
    /// Planned length in seconds.
    pub length_s: Option<u32>,
    /// Its pages.
    pub pages: Vec<Page>,
    /// Its scenes, in the file's order.
    pub scenes: Vec<Scene>,
    /// Indices into `scenes`, in order of playing.
    pub order: Vec<OrderEntry>,
}

/// One entry of a song's order.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct OrderEntry {
    /// Index into the song's scenes.
    pub scene: usize,
    /// The second half of the call number; its place in the file unless stated.
    pub call: String,
    /// Its place.
    pub site: Site,
}

/// A page of a song.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Page {
    /// Number sent to the tablet, wire value.
    pub number: Option<u16>,
    /// Path of its text, relative to the show folder.
    pub text: Option<String>,
    /// Its place.
    pub site: Site,
}

/// A scene, with `like` and defaults applied.
#[derive(Clone, PartialEq, Debug)]
pub struct Scene {
    /// Its name within the song.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Its zones, in order.
    pub zones: Vec<Zone>,
    /// Patches of receivers that play no zone (an effects unit).
    pub patches: Vec<ReceiverPatch>,
    /// Snapshot of named parameters: the scene's values, then the song's for what the
    /// scene does not name. (Neutrals of the rig are applied by `plan`.)
    pub settings: Vec<ParameterValue>,
    /// Cues.
    pub cues: Vec<SceneCue>,
    /// Page to turn to (from 1, within the song).
    pub page: Option<u16>,
    /// Where the page is written; the scene itself if it is not.
    pub page_site: Site,
    /// Words for the player.
    pub player: String,
    /// Words for the technician.
    pub technician: String,
    /// When to press for the next.
    pub when: When,
    /// A second press within 250 ms is a step here.
    pub is_brief: bool,
}

/// When to press for the next scene.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct When {
    /// Bar, from 1.
    pub bar: Option<u16>,
    /// Beat, from 1.
    pub beat: Option<u8>,
    /// The sung word.
    pub word: Option<String>,
}

/// A receiver's patch in a scene, without a zone.
#[derive(Clone, PartialEq, Debug)]
pub struct ReceiverPatch {
    /// Index of the receiver.
    pub receiver: usize,
    /// Index into its patch list.
    pub patch: usize,
    /// Index of the slot group.
    pub group: usize,
    /// Its place.
    pub site: Site,
}

/// A parameter's value in a scene.
#[derive(Clone, PartialEq, Debug)]
pub struct ParameterValue {
    /// Index of the receiver.
    pub receiver: usize,
    /// Index into its parameters.
    pub parameter: usize,
    /// The value; none is `Leave`: whatever it is, it stays.
    pub value: Option<u16>,
    /// Its place.
    pub site: Site,
}

/// A cue in a scene.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SceneCue {
    /// Index of the receiver.
    pub receiver: usize,
    /// Index into its cues.
    pub cue: usize,
    /// Fires on a jump too.
    pub on_jump: bool,
    /// Its place.
    pub site: Site,
}

/// A zone, complete.
#[derive(Clone, PartialEq, Debug)]
pub struct Zone {
    /// Its name within the scene.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Index of the controller.
    pub controller: usize,
    /// Keys as played.
    pub keys: (Key, Key),
    /// Where the keys are written (for findings); the zone itself if by default.
    pub keys_site: Site,
    /// Velocities that play it, 1–127.
    pub velocities: (Value7, Value7),
    /// Index of the velocity curve.
    pub curve: usize,
    /// Index of the receiver.
    pub receiver: usize,
    /// Index of the slot group.
    pub group: usize,
    /// Index into the receiver's patch list; none plays whatever the fixed slot holds.
    pub patch: Option<usize>,
    /// Level in dB; 0 dB is volume 100.
    pub level_db: f32,
    /// Where the level is written (for findings); the zone itself if by default.
    pub level_site: Site,
    /// Pan, -64 to +63 in the file, as controller value here.
    pub pan: Option<Value7>,
    /// Bend range in semitones.
    pub bend_range: Option<u8>,
    /// Semitones of this zone alone.
    pub transpose: i8,
    /// The song's and night's transposition leaves this zone alone.
    pub is_never_transposed: bool,
    /// A pedal already down counts.
    pub catches: bool,
    /// What happens to held notes when the scene is left.
    pub leave: Leave,
    /// What happens when only the level changes.
    pub level_change: LevelChange,
    /// Parameter values of this zone's sound.
    pub settings: Vec<ParameterValue>,
}

/// What happens to held notes when the scene is left.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Leave {
    /// They go on.
    #[default]
    Hold,
    /// They end.
    Cut,
    /// They fade over this many milliseconds.
    Fade(u16),
}

/// What happens when only the level of a sound that stays differs.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum LevelChange {
    /// The level moves over 50 ms.
    #[default]
    Ride,
    /// Another slot takes the new level.
    New,
}

/// Tonight (`nights/NAME.ron`).
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Night {
    /// The file's name without its ending.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Its title.
    pub title: String,
    /// The order of the night.
    pub order: Vec<NightEntry>,
    /// Trims in dB.
    pub trims: Trims,
    /// When the night must end, minutes past midnight.
    pub end_minute: Option<u16>,
    /// When it starts, minutes past midnight.
    pub start_minute: Option<u16>,
}

/// An entry of a night's order.
#[derive(Clone, PartialEq, Debug)]
pub enum NightEntry {
    /// A song.
    Song {
        /// Index of the song.
        song: usize,
        /// First half of its call numbers; its place in the order unless stated.
        call: String,
        /// Semitones tonight, added to the song's.
        transpose: i8,
        /// Left out tonight.
        is_skipped: bool,
        /// Names of scenes left out tonight.
        skipped_scenes: Vec<String>,
        /// Its place.
        site: Site,
    },
    /// A break.
    Break {
        /// Planned length in seconds.
        length_s: u32,
        /// Its place.
        site: Site,
    },
}

/// Trims in dB: tonight's additions to levels.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Trims {
    /// By receiver and patch index.
    pub patches: Vec<(usize, usize, f32)>,
    /// By receiver.
    pub instruments: Vec<(usize, f32)>,
    /// By port.
    pub ports: Vec<(usize, f32)>,
}
