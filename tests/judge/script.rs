//! Scripts: a rig, a line of scenes, and what is played, as a small text.
//!
//! Everything is a plain number that counts modulo what there is, so that any script is
//! playable however it was cut down.

use serde::{Deserialize, Serialize};

/// A whole case.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Script {
    pub(crate) setup: Setup,
    /// Time since the event before, in microseconds, and what happens.
    pub(crate) events: Vec<(u32, Event)>,
}

/// A rig and its scenes.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Setup {
    pub(crate) ports: Vec<Speed>,
    pub(crate) receivers: Vec<Rx>,
    /// Keyboards, each on a port of its own.
    pub(crate) keyboards: usize,
    pub(crate) scenes: Vec<Sc>,
    /// How many scenes each song takes, in order; the last song takes the rest.
    pub(crate) songs: Vec<usize>,
    /// The last keyboard is an MPE surface.
    #[serde(default)]
    pub(crate) surface: Option<Mz>,
}

/// An MPE zone, of the surface or of a receiver.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Mz {
    pub(crate) is_upper: bool,
    pub(crate) members: u8,
    pub(crate) bend_range: u8,
}

/// The kind of a port.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) enum Speed {
    Usb,
    Din,
    UsbToDin,
    Software,
}

/// The kind of a receiver.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) enum RxKind {
    Instrument,
    /// Passes on the sound of the receiver with this number.
    Effects(usize),
    Lights,
    /// Shows pages.
    Pages,
}

/// A receiver.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Rx {
    pub(crate) port: usize,
    pub(crate) kind: RxKind,
    /// Slots in each group.
    pub(crate) groups: Vec<usize>,
    pub(crate) manners: Mn,
    /// Its first group is this MPE zone, if it is an instrument with a port of its own.
    #[serde(default)]
    pub(crate) mpe: Option<Mz>,
    /// Bit by bit: brightness (a controller), an NRPN, an RPN, a System Exclusive, a pair.
    pub(crate) parameters: u8,
}

/// Manners: as stated, and how the model makes use of them.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) struct Mn {
    /// Bank bytes: 1 upper, 2 lower, 3 both.
    pub(crate) bank: u8,
    pub(crate) load_ms: u32,
    pub(crate) resets: bool,
    pub(crate) cuts: bool,
    pub(crate) holds_back: bool,
    pub(crate) release_ms: u32,
    pub(crate) boot_ms: u32,
    /// Controllers that come while a patch loads are lost (else taken).
    pub(crate) loses_moves: bool,
    /// Notes that come while a patch loads are lost (else taken).
    pub(crate) loses_notes: bool,
    /// A key struck again replaces its note (else both sound).
    pub(crate) replaces: bool,
    /// Reset All Controllers is ignored, as by a receiver with Omni on.
    pub(crate) ignores_reset: bool,
    /// A program change takes what sounds over to the new patch (else it ends), if `cuts`.
    pub(crate) revoices: bool,
    /// Silent slots may be loaded ahead.
    #[serde(default)]
    pub(crate) primes: bool,
}

/// A scene.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Sc {
    pub(crate) zones: Vec<Zn>,
    /// Parameter values: receiver, parameter, value.
    pub(crate) values: Vec<(usize, usize, u8)>,
    /// Program of every effects unit, if the scene states one.
    pub(crate) effect: Option<u8>,
    /// A cue to every lighting desk; whether a jump fires it.
    pub(crate) cue: Option<bool>,
    pub(crate) is_brief: bool,
    /// The page it turns to, from 0, if it says so.
    #[serde(default)]
    pub(crate) page: Option<u16>,
    #[serde(default)]
    pub(crate) routes: Vec<Rt>,
}

/// A route.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Rt {
    pub(crate) keyboard: usize,
    /// Wheel, expression, bend or pressure.
    pub(crate) source: usize,
    /// A second keyboard, whose source of the same name is led there too.
    pub(crate) other: Option<usize>,
    /// Counted among the receivers that the scene's zones play.
    pub(crate) receiver: usize,
    /// Level, bend, pressure, or a parameter.
    pub(crate) what: usize,
    pub(crate) way: Way,
    /// The values at both ends, of 127.
    pub(crate) to: (u8, u8),
    /// Last moved, highest, sum.
    pub(crate) join: u8,
    /// Wait, scale, else jump.
    pub(crate) pick_up: u8,
    pub(crate) smooth_ms: u16,
    /// The source goes its own way too.
    pub(crate) passes: bool,
}

/// What a route makes of positions.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) enum Way {
    Follow,
    Curve,
    Switch,
    Toggle,
    Steps,
    Bands,
}

/// A zone.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub(crate) struct Zn {
    pub(crate) keyboard: usize,
    pub(crate) keys: (u8, u8),
    pub(crate) velocities: (u8, u8),
    pub(crate) receiver: usize,
    pub(crate) group: usize,
    pub(crate) patch: usize,
    pub(crate) level_db: i8,
    pub(crate) pan: Option<u8>,
    pub(crate) bend_range: Option<u8>,
    pub(crate) transpose: i8,
    pub(crate) catches: bool,
    pub(crate) leave: Lv,
    pub(crate) takes_new_level: bool,
    /// Velocities are bent (else straight).
    #[serde(default)]
    pub(crate) is_curved: bool,
    /// The highest finger leads (else the last).
    #[serde(default)]
    pub(crate) is_highest: bool,
}

/// What becomes of held notes when the scene is left.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) enum Lv {
    Hold,
    Cut,
    Fade(u16),
}

/// What happens.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub(crate) enum Event {
    /// Keyboard, key, velocity.
    On(usize, u8, u8),
    /// Keyboard, key.
    Off(usize, u8),
    /// Keyboard, controller, value.
    Move(usize, u8, u8),
    /// Keyboard, value (8192 is centre).
    Bend(usize, u16),
    /// Keyboard, value.
    Press(usize, u8),
    /// Keyboard, key, value.
    PressKey(usize, u8, u8),
    /// A finger of the surface, key, velocity.
    FingerOn(usize, u8, u8),
    /// Finger, key.
    FingerOff(usize, u8),
    /// Finger, value.
    FingerBend(usize, u16),
    /// Finger, value.
    FingerPress(usize, u8),
    /// Finger, value.
    FingerSlide(usize, u8),
    Step,
    Back,
    Jump(usize),
    SongDown,
    SongUp,
    /// The pedal that steps goes down.
    PedalDown,
    /// And up.
    PedalUp,
    /// A keyboard is unplugged.
    LoseKeyboard(usize),
    FindKeyboard(usize),
    /// An output port's receivers lose their power.
    PowerOff(usize),
    /// An output port's cable comes out; its receivers stay on.
    CableOut(usize),
    /// Power and cable are back.
    Return(usize),
    /// A receiver on this port answers.
    Sign(usize),
    Panic,
    Mute(bool),
    Resend(bool),
    ReleaseAll,
    /// So many moves of the wheel of a keyboard, all at once.
    Flood(usize, u16),
    /// The night is planned anew: as it is (0), or with the song that is so many after the
    /// present one left out, or taken in again if it was.
    Replan(usize),
}

impl Script {
    /// The script as a file holds it.
    pub(crate) fn to_text(&self) -> String {
        let pretty = ron::ser::PrettyConfig::new().depth_limit(3).indentor("  ");
        ron::ser::to_string_pretty(self, pretty).expect("a script is plain data")
    }

    /// Reads it back.
    pub(crate) fn parse(text: &str) -> Result<Self, String> {
        ron::from_str(text).map_err(|error| error.to_string())
    }
}
