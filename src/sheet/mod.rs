//! Names, zone maps and words: what a screen or a watcher shows besides the engine's
//! view. Pure and serialisable; made by `plan` together with the promptbook, so its
//! indices are the promptbook's.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

use serde::{Deserialize, Serialize};

use crate::midi::Key;
use crate::midi::pitch::MiddleC;

/// The whole sheet.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Sheet {
    /// The show's name.
    pub show: String,
    /// The night's title.
    pub night: String,
    /// Planned start of the night, minutes past midnight.
    pub start_minute: Option<u16>,
    /// End of the night, minutes past midnight.
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

/// A controller.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ControllerLine {
    /// Its name.
    pub name: String,
    /// Lowest and highest key; none for a pedal box.
    pub keys: Option<(u8, u8)>,
    /// Index of its input port.
    pub port: usize,
}

/// A receiver.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct ReceiverLine {
    /// Its name.
    pub name: String,
    /// What it is, in a word: instrument, effects, pages, lights, playback.
    pub kind: String,
    /// Index of its output port.
    pub port: usize,
    /// Its slots in the promptbook: first and count.
    pub slots: (usize, usize),
    /// Channel of each of its slots, 1–16.
    pub channels: Vec<u8>,
    /// Last channel of each of its slots that are MPE zones; its own of others.
    #[serde(default)]
    pub last_channels: Vec<u8>,
    /// Names of patches by (bank MSB, bank LSB, program): to name what a slot holds.
    pub patches: Vec<PatchName>,
    /// Index of the receiver that it is the spare of.
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
    /// Its name.
    pub name: String,
    /// Index of the controller it belongs to.
    pub controller: usize,
    /// What it does, in a word or two.
    pub action: String,
    /// What it is told by: its controller's name, and what that sends.
    pub sends: String,
}

/// The name of a stored sound.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PatchName {
    /// Bank Select 0, if sent.
    pub bank_msb: Option<u8>,
    /// Bank Select 32, if sent.
    pub bank_lsb: Option<u8>,
    /// Program, wire value.
    pub program: u8,
    /// Its name.
    pub name: String,
}

/// A port.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct PortLine {
    /// Its name in the rig.
    pub name: String,
    /// Its kind in a word: USB, DIN, USB to DIN, software.
    pub kind: String,
}

/// A song of tonight.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SongLine {
    /// Semitones of its transposition that are tonight's alone.
    pub tonight: i8,
    /// Its title.
    pub title: String,
    /// First half of its call numbers.
    pub call: String,
    /// Beats a minute.
    pub tempo: Option<f32>,
    /// Beats a bar.
    pub beats: Option<u8>,
    /// Its key as written.
    pub key: String,
    /// Semitones tonight, song and night together.
    pub transpose: i16,
    /// Planned length in seconds.
    pub length_s: Option<u32>,
    /// First position and how many.
    pub positions: (usize, usize),
    /// Texts of its pages, empty where a page has none.
    pub pages: Vec<String>,
}

/// A scene.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct SceneLine {
    /// Its name.
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
    /// Velocity window.
    pub velocities: (u8, u8),
    /// Velocities at its low and high end over which it fades in and out; 0 is none.
    pub fades: (u8, u8),
    /// Name of its velocity curve.
    pub curve: String,
    /// Index of what velocities become, fades worked in, in the sheet's `curves`.
    pub played: usize,
    /// Semitones, all summed.
    pub transpose: i16,
    /// Level in dB, trims included.
    pub level_db: f32,
    /// Index of its sound within the scene.
    pub sound: usize,
}

/// A route as it is shown.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct RouteLine {
    /// Its name.
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

/// A position.
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
        /// Its title.
        title: String,
    },
    /// A break of so many seconds.
    Break(u32),
}
