//! Songs (`songs/NAME.ron`): scenes, zones and what hangs on them, as types.

use super::{Leave, LevelChange, Route, Site};
use crate::midi::mpe::Leader;
use crate::midi::{Key, Value7};

/// A song (`songs/NAME.ron`): scenes, their order, and pages.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Song {
    /// The file's name without its ending: what a night calls it.
    pub name: String,
    /// Where the song stands in the show's files, for findings.
    pub site: Site,
    /// The title shown on the screen.
    pub title: String,
    /// Tempo in beats per minute, 1–999; None if not stated.
    pub tempo: Option<f32>,
    /// Beats per bar, 1–64; None if not stated.
    pub beats: Option<u8>,
    /// Its key, as the player would write it.
    pub key: String,
    /// Semitones, added to every zone that may be transposed.
    pub transpose: i8,
    /// Planned length in seconds.
    pub length_s: Option<u32>,
    /// The pages of the player's notes, in order; scenes number them from 1.
    pub pages: Vec<Page>,
    /// Its scenes, in the file's order.
    pub scenes: Vec<Scene>,
    /// Indices into `scenes`, in order of playing.
    pub order: Vec<OrderEntry>,
    /// Where the order is written, for findings; the song's own site if it is not.
    pub order_site: Site,
}

impl Song {
    /// A song that plays each of its scenes once, in the order given, called by number.
    #[must_use]
    pub fn straight(name: impl Into<String>, scenes: Vec<Scene>) -> Self {
        let order = (0..scenes.len())
            .map(|scene| OrderEntry {
                scene,
                call: (scene + 1).to_string(),
                site: Site::default(),
            })
            .collect();
        Self {
            name: name.into(),
            scenes,
            order,
            ..Self::default()
        }
    }
}

/// One entry of a song's order.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct OrderEntry {
    /// Index into the song's scenes.
    pub scene: usize,
    /// Second half of its call number: unless stated, its place in the order as written, from
    /// 1.
    pub call: String,
    /// Where the entry stands in the show's files, for findings.
    pub site: Site,
}

/// A page of a song.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Page {
    /// Number sent to the tablet, 0–127 as sent; None if it is not sent.
    pub number: Option<u16>,
    /// Path of its text, relative to the show folder.
    pub text: Option<String>,
    /// Where the page stands in the show's files, for findings.
    pub site: Site,
}

/// A scene, with `like` and defaults applied.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Scene {
    /// Its name within the song.
    pub name: String,
    /// Where the scene's name stands in the show's files, for findings.
    pub site: Site,
    /// Its zones, in order.
    pub zones: Vec<Zone>,
    /// Patches of receivers that play no zone (an effects unit).
    pub patches: Vec<ReceiverPatch>,
    /// Snapshot of named parameters: the scene's values, then the song's for what the
    /// scene does not name. (Neutrals of the rig are applied by `plan`.)
    pub settings: Vec<ParameterValue>,
    /// Its routes: what wheels, pedals and other sources move in this scene.
    pub routes: Vec<Route>,
    /// Cues that fire when the scene comes in.
    pub cues: Vec<SceneCue>,
    /// Page to turn to (from 1, within the song).
    pub page: Option<u16>,
    /// Where the page is written, for findings; the scene's own site if it is not.
    pub page_site: Site,
    /// Words for the player.
    pub player: String,
    /// Words for the technician.
    pub technician: String,
    /// When to press for the next.
    pub when: When,
    /// The scene is brief: a second press within 250 ms counts as a step, and not as a bounce.
    pub is_brief: bool,
}

/// When to press for the next scene.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct When {
    /// Bar, 1–9999; None if not stated.
    pub bar: Option<u16>,
    /// Beat in the bar, 1–64; None if not stated.
    pub beat: Option<u8>,
    /// The word of the lyrics on which to press.
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
    /// Where it is named in the show's files, for findings.
    pub site: Site,
}

/// A parameter's value in a scene.
#[derive(Clone, PartialEq, Debug)]
pub struct ParameterValue {
    /// Index of the receiver.
    pub receiver: usize,
    /// Index into its parameters.
    pub parameter: usize,
    /// The value; None is `Leave`: nothing is sent, whatever the receiver has stays.
    pub value: Option<u16>,
    /// Where the value is written in the show's files, for findings.
    pub site: Site,
}

/// A cue in a scene.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SceneCue {
    /// Index of the receiver.
    pub receiver: usize,
    /// Index into its cues.
    pub cue: usize,
    /// It also fires when the scene is reached by a jump.
    pub on_jump: bool,
    /// Where it is named in the show's files, for findings.
    pub site: Site,
}

/// A zone with defaults applied: a range of keys that plays one sound.
#[derive(Clone, PartialEq, Debug)]
pub struct Zone {
    /// Its name within the scene.
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// Index of the controller.
    pub controller: usize,
    /// Lowest and highest key, as played on the controller, before transposition.
    pub keys: (Key, Key),
    /// Where the keys are written (for findings); the zone itself if by default.
    pub keys_site: Site,
    /// Velocities that play it, 1–127.
    pub velocities: (Value7, Value7),
    /// How many velocities it fades in over at the lower end, and out over at the upper end,
    /// 0–126; 0 is no fade.
    pub velocity_fades: (u8, u8),
    /// Index of the velocity curve.
    pub curve: usize,
    /// Index of the receiver.
    pub receiver: usize,
    /// Index of the slot group.
    pub group: usize,
    /// Index into the receiver's patch list; None plays whatever patch its fixed slot holds.
    pub patch: Option<usize>,
    /// Level in dB; 0 dB is volume 100.
    pub level_db: f32,
    /// Where the level is written (for findings); the zone itself if by default.
    pub level_site: Site,
    /// Pan, -64 to +63 in the file, as controller value here.
    pub pan: Option<Value7>,
    /// Bend range in semitones, 0–96; None if not stated.
    pub bend_range: Option<u8>,
    /// Transposition of this zone alone, in semitones, -60 to 60.
    pub transpose: i8,
    /// The song's and night's transposition leaves this zone alone.
    pub is_never_transposed: bool,
    /// A pedal that is already down when the scene comes in holds its notes too.
    pub catches: bool,
    /// What happens to held notes when the scene is left.
    pub leave: Leave,
    /// What happens at a step when the sound stays and only its level changes.
    pub level_change: LevelChange,
    /// Which finger of an MPE surface the sound follows, when its slot is not an MPE zone
    /// itself.
    pub finger: Leader,
    /// Parameter values of this zone's sound.
    pub settings: Vec<ParameterValue>,
}
