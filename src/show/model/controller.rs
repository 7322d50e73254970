//! What is touched, and its named sources, as types.

use super::Site;
use crate::midi::{Channel, Controller, Key, MpeZone, Value14};

/// Something touched.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ControllerItem {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Index of its port.
    pub port: usize,
    /// Its channel; none is any. That of an MPE surface is its manager channel.
    pub channel: Option<Channel>,
    /// Its MPE zone, if it is an MPE surface: each finger has a channel of its own.
    pub mpe: Option<MpeZone>,
    /// Lowest and highest key; none for a pedal box.
    pub keys: Option<(Key, Key)>,
    /// Its named sources, in the file's order. `hold`, `bend` and `pressure` are there
    /// unless the rig lists sources itself.
    pub sources: Vec<Source>,
}

impl ControllerItem {
    /// Whether it speaks on this channel.
    #[must_use]
    pub fn has_channel(&self, channel: Channel) -> bool {
        match self.mpe {
            Some(zone) => zone.member(channel).is_some(),
            None => self.channel.is_none_or(|own| own == channel),
        }
    }
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
    /// Turned round: a pedal that sends 127 when it is up.
    pub is_inverted: bool,
    /// For a bend: the semitones that its whole way means, if that is not what each sound
    /// makes of it.
    pub bend_range: Option<u8>,
}

/// What a source sends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SourceKind {
    /// A controller number: a wheel, a knob, a foot that goes all the way.
    Control(Controller),
    /// A controller number of a switch: up below 64, down from there (MIDI 1.0).
    Switch(Controller),
    /// A 14-bit pair: controller n (0–31) and n + 32.
    Pair(Controller),
    /// A non-registered parameter: its number.
    Nrpn(Value14),
    /// A key that is a button: how hard it was struck, 0 when it is up.
    Note(Key),
    /// Pitch bend.
    Bend,
    /// Channel pressure.
    Pressure,
    /// Pressure by key: that of the key pressed hardest.
    PolyPressure,
}

impl SourceKind {
    /// The largest position it can be at.
    #[must_use]
    pub const fn largest(self) -> u16 {
        match self {
            Self::Pair(_) | Self::Nrpn(_) | Self::Bend => 16_383,
            _ => 127,
        }
    }
}
