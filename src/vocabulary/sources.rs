//! Wheels, pedals, knobs and keys whose movement is routed to sounds.

use crate::midi::{Controller, Key, Value14};

/// What a source sends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SourceKind {
    /// A controller number: a wheel, a knob, a foot that goes all the way.
    Control(Controller),
    /// A controller number of a switch: 0 below 64, 127 from there (MIDI 1.0).
    Switch(Controller),
    /// A 14-bit pair: controller n (0–31) and n + 32.
    Pair(Controller),
    /// A non-registered parameter: its number.
    Nrpn(Value14),
    /// A key that is a button, taken out of the playing: how hard it was struck, 0 when it
    /// is up.
    Note(Key),
    /// Pitch bend.
    Bend,
    /// Channel pressure.
    Pressure,
    /// Pressure by key: that of the key pressed hardest.
    PolyPressure,
}

impl SourceKind {
    /// The largest position it can be at: 127, or 16,383 for what has 14 bits.
    #[must_use]
    pub const fn largest(self) -> u16 {
        match self {
            Self::Pair(_) | Self::Nrpn(_) | Self::Bend => 16_383,
            _ => 127,
        }
    }
}

/// Which of several sources of one route has the say.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub enum Join {
    /// The one that moved last.
    #[default]
    Last,
    /// The one that is furthest along.
    Highest,
    /// All of them, added up, as far as the end.
    Sum,
}

/// What happens when a scene comes in which the source stands elsewhere than its values say.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub enum PickUp {
    /// The source's position holds at once.
    #[default]
    Jump,
    /// The scene's value holds until the source passes it.
    Wait,
    /// The scene's value holds, and the rest of the source's way leads from it to the ends.
    Scale,
}
