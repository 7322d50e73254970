//! What stands in a rig: kinds of ports and receivers, with their words for a screen.

use serde::{Deserialize, Serialize};

/// How fast and through what a port speaks. `wire::PortKind` is the same for ports that MIDI
/// leaves by.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub enum PortKind {
    /// USB all the way to the instrument.
    #[default]
    #[serde(rename = "USB")]
    Usb,
    /// A 5-pin socket of this machine's own interface: 3125 bytes a second.
    #[serde(rename = "DIN")]
    Din,
    /// A USB box that ends in a 5-pin socket: DIN speed, full status bytes.
    #[serde(rename = "USB to DIN")]
    UsbToDin,
    /// A virtual port of another program on this machine.
    #[serde(rename = "software")]
    Software,
    /// No MIDI: a pedal that is a computer keyboard, taken at the device.
    #[serde(rename = "keys")]
    Keys,
}

impl PortKind {
    /// The kind as screens name it, and as data that is written has it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Usb => "USB",
            Self::Din => "DIN",
            Self::UsbToDin => "USB to DIN",
            Self::Software => "software",
            Self::Keys => "keys",
        }
    }
}

/// What a receiver is.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ReceiverKind {
    /// It makes sound from notes.
    #[default]
    Instrument,
    /// It processes audio that passes through it.
    Effects,
    /// It shows pages: a tablet with the player's notes.
    Pages,
    /// It controls light.
    Lights,
    /// It plays back prepared audio.
    Playback,
}

impl ReceiverKind {
    /// Whether the audience hears it: the default of `Receiver::sounds`.
    #[must_use]
    pub const fn sounds(self) -> bool {
        matches!(self, Self::Instrument | Self::Effects | Self::Playback)
    }

    /// The kind as screens name it, and as data that is written has it.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Instrument => "instrument",
            Self::Effects => "effects",
            Self::Pages => "pages",
            Self::Lights => "lights",
            Self::Playback => "playback",
        }
    }
}
