//! Names, zone maps and words: what a screen or a watcher shows besides the engine's
//! view. Pure and serialisable; made by `plan` together with the promptbook, so its
//! indices are the promptbook's.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

use serde::{Deserialize, Serialize};

use crate::midi::Key;
use crate::midi::pitch::MiddleC;
use crate::vocabulary::{PortKind, ReceiverKind};

/// All names and words of a night, beside the promptbook.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Sheet {
    /// Name of the show's folder.
    pub show: String,
    /// Title of the night.
    pub night: String,
    /// Planned start of the night, minutes past midnight; None if not stated.
    pub start_minute: Option<u16>,
    /// Planned end of the night, minutes past midnight; None if not stated.
    pub end_minute: Option<u16>,
    /// Octave number of key 60 (4 unless the rig says otherwise).
    pub middle_c_octave: i8,
    /// Controllers, as in the promptbook.
    pub controllers: Vec<ControllerLine>,
    /// Receivers, as in the promptbook.
    pub receivers: Vec<ReceiverLine>,
    /// Pedals and buttons that are commands, as the promptbook's bindings.
    pub pedals: Vec<PedalLine>,
    /// Input ports, as in the promptbook.
    pub in_ports: Vec<PortLine>,
    /// Output ports, as in the promptbook.
    pub out_ports: Vec<PortLine>,
    /// Songs, as in the promptbook.
    pub songs: Vec<SongLine>,
    /// Scenes, as in the promptbook.
    pub scenes: Vec<SceneLine>,
    /// What each of the 128 velocities becomes, as in the promptbook.
    pub curves: Vec<Vec<u8>>,
    /// Positions, as in the promptbook.
    pub positions: Vec<PositionLine>,
    /// The night's line with breaks: what the running order lists. One line for each entry
    /// of the night's order.
    pub order: Vec<OrderLine>,
    /// Warnings and notes about the plan (a change that cuts, a slot shared).
    pub remarks: Vec<RemarkLine>,
}

impl Sheet {
    /// The name of a key as the rig counts octaves, such as `F#3`; keys above 127 count as 127.
    #[must_use]
    pub fn key_name(&self, key: u8) -> String {
        MiddleC::of_octave(self.middle_c_octave).name(Key::clamped(i32::from(key)))
    }
}

/// Something to know about the plan.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct RemarkLine {
    /// Index of the position stepped to when it matters.
    pub position: usize,
    /// What: its call number first.
    pub words: String,
}

/// A controller, as screens name it.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ControllerLine {
    /// Its name in the rig.
    pub name: String,
    /// Lowest and highest key; none for a pedal box.
    pub keys: Option<(u8, u8)>,
    /// Index of its input port.
    pub port: usize,
}

/// A receiver, as screens name it.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ReceiverLine {
    /// Its name in the rig.
    pub name: String,
    /// What it is, in a word: instrument, effects, pages, lights, playback.
    pub kind: ReceiverKind,
    /// Index of its output port.
    pub port: usize,
    /// Its slots in the promptbook: index of the first, and how many.
    pub slots: (usize, usize),
    /// Channel of each of its slots, 1–16.
    pub channels: Vec<u8>,
    /// Last channel of each of its slots, 1–16: for an MPE zone its last member, else the
    /// slot's own channel.
    #[serde(default)]
    pub last_channels: Vec<u8>,
    /// Names of patches by (bank MSB, bank LSB, program): to name what a slot holds.
    pub patches: Vec<PatchName>,
    /// Index of the receiver that it is a spare for; None if it is no spare.
    pub spare_of: Option<usize>,
    /// Whether it has a level of its own that the program sets.
    pub has_level: bool,
}

impl ReceiverLine {
    /// The channels of a slot, by its place among its receiver's: `3`, or `1-8` for an MPE
    /// zone with its members.
    #[must_use]
    pub fn channel_words(&self, at: usize) -> Option<String> {
        let channel = self.channels.get(at)?;
        Some(match self.last_channels.get(at) {
            Some(last) if last != channel => format!("{channel}-{last}"),
            _ => channel.to_string(),
        })
    }
}

/// A pedal or button that is a command.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PedalLine {
    /// Its name in the rig.
    pub name: String,
    /// Index of the controller it belongs to.
    pub controller: usize,
    /// The command that it gives, in a word or two.
    pub action: String,
    /// The message that it sends: its controller's name, then the kind and number.
    pub sends: String,
}

/// The name of a stored sound.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PatchName {
    /// Bank Select MSB (controller 0); None if it is not sent.
    pub bank_msb: Option<u8>,
    /// Bank Select LSB (controller 32); None if it is not sent.
    pub bank_lsb: Option<u8>,
    /// Program as sent, 0–127.
    pub program: u8,
    /// The name that the patch list gives it.
    pub name: String,
}

/// A port, as screens name it.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PortLine {
    /// Its name in the rig.
    pub name: String,
    /// Its kind in a word: USB, DIN, USB to DIN, software.
    pub kind: PortKind,
}

/// A song of tonight.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SongLine {
    /// The part of `transpose` that the night adds, in semitones.
    pub tonight: i8,
    /// The title shown on the screen.
    pub title: String,
    /// First half of its call numbers.
    pub call: String,
    /// Tempo in beats per minute; None if not stated.
    pub tempo: Option<f32>,
    /// Beats per bar; None if not stated.
    pub beats: Option<u8>,
    /// Its key as written.
    pub key: String,
    /// Transposition tonight in semitones: the song's and the night's added.
    pub transpose: i16,
    /// Planned length in seconds.
    pub length_s: Option<u32>,
    /// Its positions: index of the first, and how many.
    pub positions: (usize, usize),
    /// Texts of its pages, empty where a page has none.
    pub pages: Vec<String>,
}

/// A scene: its zones, sounds and routes by name, and its words.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SceneLine {
    /// Its name within the song.
    pub name: String,
    /// Its zones, in the promptbook's order.
    pub zones: Vec<ZoneLine>,
    /// Names of its sounds, in the promptbook's order.
    pub sounds: Vec<SoundLine>,
    /// Its routes, in the promptbook's order.
    pub routes: Vec<RouteLine>,
    /// Words for the player.
    pub player: String,
    /// Words for the technician.
    pub technician: String,
    /// When to press for the next, in words: `bar 9 beat 3`, `on “home”`; may be empty.
    pub when: String,
    /// A second press within 250 ms is a step here.
    pub is_brief: bool,
}

/// A zone as it is drawn.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct ZoneLine {
    /// Index of the controller.
    pub controller: usize,
    /// Lowest and highest key, as played.
    pub keys: (u8, u8),
    /// Lowest and highest velocity that plays it, 1–127.
    pub velocities: (u8, u8),
    /// How many velocities it fades in over at the low end, and out over at the high end; 0 is
    /// no fade.
    pub fades: (u8, u8),
    /// Name of its velocity curve.
    pub curve: String,
    /// Index in the sheet's `curves` of its velocity curve with the fades applied.
    pub played: usize,
    /// Transposition in semitones: zone, song and night added.
    pub transpose: i16,
    /// Level in dB, trims included.
    pub level_db: f32,
    /// Index of its sound within the scene.
    pub sound: usize,
}

/// A route as it is shown.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct RouteLine {
    /// Its name in the show.
    pub name: String,
    /// Values of what it moves that have names, such as those of a switch.
    pub states: Vec<(String, i32)>,
    /// It is one of several routes of this name: only the first of them is shown.
    pub is_repeated: bool,
}

/// A sound as it is named.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct SoundLine {
    /// Name of the patch.
    pub patch: String,
    /// Index of the receiver.
    pub receiver: usize,
}

/// A position: one scene at one place of the night's order.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PositionLine {
    /// Its call number, such as `7.3`.
    pub call: String,
    /// Index of its scene.
    pub scene: usize,
    /// Index of its song.
    pub song: usize,
}

/// A line of the running order.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub enum OrderLine {
    /// A song of tonight, by index.
    Song(usize),
    /// A song left out tonight.
    Skipped {
        /// First half of its call numbers.
        call: String,
        /// The title of the song.
        title: String,
    },
    /// A break, with its length in seconds.
    Break(u32),
}
