//! MIDI numbers as types, so that a key is never taken for a channel.
//!
//! Inside the program every number counts from 0, as on the wire; files and
//! screens show channels and (if the receiver says so) programs from 1.

use std::fmt;

macro_rules! seven_bit {
    ($(#[$doc:meta])* $name:ident, $max:expr) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
        pub struct $name(u8);

        impl $name {
            /// The smallest value: 0.
            pub const MIN: Self = Self(0);
            /// The largest value: 15 for channels, 127 for all others.
            pub const MAX: Self = Self($max);

            /// A value in range; None if it is too large.
            #[must_use]
            pub const fn new(value: u8) -> Option<Self> {
                if value <= $max { Some(Self(value)) } else { None }
            }

            /// The nearest value in range.
            #[must_use]
            pub const fn clamped(value: i32) -> Self {
                if value < 0 {
                    Self(0)
                } else if value > $max {
                    Self($max)
                } else {
                    Self(value as u8)
                }
            }

            /// The number as it goes on the wire.
            #[must_use]
            pub const fn get(self) -> u8 {
                self.0
            }

            /// The number as an index into a table of all values.
            #[must_use]
            pub const fn index(self) -> usize {
                self.0 as usize
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}({})", stringify!($name), self.0)
            }
        }
    };
}

seven_bit!(
    /// A channel, 0–15 (1–16 on paper).
    Channel, 15
);
seven_bit!(
    /// A key, 0–127; 60 is middle C (GM2 §2.7.1.1).
    Key, 127
);
seven_bit!(
    /// A controller number, 0–127; 120–127 are channel mode messages.
    Controller, 127
);
seven_bit!(
    /// A program number, 0–127, as on the wire.
    Program, 127
);
seven_bit!(
    /// A data value, 0–127: velocity, pressure, controller value.
    Value7, 127
);

/// A 14-bit value, 0–16383: pitch bend, controller pairs, (N)RPN numbers and data.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Value14(u16);

impl Value14 {
    /// The largest value: 16383.
    pub const MAX: Self = Self(0x3fff);
    /// Pitch bend at rest, 2000H (MIDI 1.0).
    pub const CENTRE: Self = Self(0x2000);

    /// A value in range; None if it is too large.
    #[must_use]
    pub const fn new(value: u16) -> Option<Self> {
        if value <= 0x3fff {
            Some(Self(value))
        } else {
            None
        }
    }

    /// The nearest value in range.
    #[must_use]
    pub const fn clamped(value: i32) -> Self {
        if value < 0 {
            Self(0)
        } else if value > 0x3fff {
            Self(0x3fff)
        } else {
            Self(value as u16)
        }
    }

    /// Built from its two seven-bit halves.
    #[must_use]
    pub const fn from_parts(msb: Value7, lsb: Value7) -> Self {
        Self(((msb.get() as u16) << 7) | lsb.get() as u16)
    }

    /// The number, 0–16383.
    #[must_use]
    pub const fn get(self) -> u16 {
        self.0
    }

    /// The upper seven bits.
    #[must_use]
    pub const fn msb(self) -> Value7 {
        Value7::clamped((self.0 >> 7) as i32)
    }

    /// The lower seven bits.
    #[must_use]
    pub const fn lsb(self) -> Value7 {
        Value7::clamped((self.0 & 0x7f) as i32)
    }
}

impl fmt::Debug for Value14 {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Value14({})", self.0)
    }
}

/// Controller numbers that the program treats by name (MIDI 1.0; GM2 §3.3).
pub mod cc {
    use super::Controller;

    macro_rules! controllers {
        ($($(#[$doc:meta])* $name:ident = $number:expr;)*) => {
            $($(#[$doc])* pub const $name: Controller = Controller::clamped($number);)*
        };
    }

    controllers! {
        /// Bank Select MSB.
        BANK_MSB = 0;
        /// Modulation wheel: vibrato depth in most sounds.
        MODULATION = 1;
        /// Data Entry MSB.
        DATA_MSB = 6;
        /// Channel volume: the sound's level.
        VOLUME = 7;
        /// Pan: 0 is left, 64 the middle, 127 right.
        PAN = 10;
        /// Expression: the level within the channel volume, often by foot.
        EXPRESSION = 11;
        /// Bank Select LSB.
        BANK_LSB = 32;
        /// Data Entry LSB.
        DATA_LSB = 38;
        /// Hold pedal (sustain): down from 64.
        HOLD = 64;
        /// Sostenuto pedal: down from 64; it latches the keys that are down.
        SOSTENUTO = 66;
        /// Soft pedal: down from 64.
        SOFT = 67;
        /// The third axis of an MPE surface; elsewhere often brightness.
        SLIDE = 74;
        /// Non-registered parameter number (NRPN), LSB.
        NRPN_LSB = 98;
        /// Non-registered parameter number (NRPN), MSB.
        NRPN_MSB = 99;
        /// Registered parameter number (RPN), LSB.
        RPN_LSB = 100;
        /// Registered parameter number (RPN), MSB.
        RPN_MSB = 101;
        /// All Sound Off: voices end at once, without release.
        ALL_SOUND_OFF = 120;
        /// Reset All Controllers (RP-015).
        RESET_ALL = 121;
        /// Local Control: 0 parts the keys from the sounds, 127 joins them.
        LOCAL = 122;
        /// All Notes Off: held notes are released.
        ALL_NOTES_OFF = 123;
    }
}
