//! One MIDI message and its bytes (MIDI 1.0; lengths as in the status byte table).
//!
//! `Message` is small and `Copy`: it crosses queues by value. System Exclusive is
//! not a `Message`; it travels as chunks (in) and stored files (out).

use super::num::{Channel, Controller, Key, Program, Value7, Value14};

/// A channel voice, channel mode, system common or real-time message.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Message {
    /// Note-off (8n): a key let go, with its release velocity (64 is neutral).
    NoteOff(Channel, Key, Value7),
    /// Note-on (9n): a key struck; velocity 0 means note-off, and is kept as it came.
    NoteOn(Channel, Key, Value7),
    /// Polyphonic key pressure (An): pressure on one key.
    PolyPressure(Channel, Key, Value7),
    /// Control change (Bn); with controllers 120–127 a channel mode message.
    Control(Channel, Controller, Value7),
    /// Program change (Cn): program as sent, 0–127.
    Program(Channel, Program),
    /// Channel pressure (Dn): pressure on all keys of the channel.
    Pressure(Channel, Value7),
    /// Pitch bend (En); 8192 is centre.
    Bend(Channel, Value14),
    /// MIDI Time Code quarter frame (F1): type and value in one data byte.
    QuarterFrame(Value7),
    /// Song position (F2) in MIDI beats (sixteenths).
    SongPosition(Value14),
    /// Song select (F3): song number, 0–127.
    SongSelect(Value7),
    /// Tune request (F6): analogue synthesizers tune their oscillators.
    TuneRequest,
    /// Timing clock (F8): 24 for a quarter note.
    Clock,
    /// Start (FA): a sequence plays from its beginning.
    Start,
    /// Continue (FB): a sequence plays on from where it stopped.
    Continue,
    /// Stop (FC): a sequence stops.
    Stop,
    /// Active sensing (FE): the sender is still there; repeated within 300 ms.
    ActiveSensing,
    /// System reset (FF): the receiver returns to its state at power-on.
    Reset,
}

/// The bytes of one message, 1 to 3 of them.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Bytes {
    bytes: [u8; 3],
    len: u8,
}

impl Bytes {
    /// The bytes, in order.
    #[must_use]
    pub fn as_slice(&self) -> &[u8] {
        self.bytes.get(..usize::from(self.len)).unwrap_or(&[])
    }

    const fn one(a: u8) -> Self {
        Self {
            bytes: [a, 0, 0],
            len: 1,
        }
    }

    const fn two(a: u8, b: u8) -> Self {
        Self {
            bytes: [a, b, 0],
            len: 2,
        }
    }

    const fn three(a: u8, b: u8, c: u8) -> Self {
        Self {
            bytes: [a, b, c],
            len: 3,
        }
    }
}

impl Message {
    /// The message with its full status byte.
    #[must_use]
    pub const fn encode(self) -> Bytes {
        match self {
            Self::NoteOff(ch, key, v) => Bytes::three(0x80 | ch.get(), key.get(), v.get()),
            Self::NoteOn(ch, key, v) => Bytes::three(0x90 | ch.get(), key.get(), v.get()),
            Self::PolyPressure(ch, key, v) => Bytes::three(0xa0 | ch.get(), key.get(), v.get()),
            Self::Control(ch, n, v) => Bytes::three(0xb0 | ch.get(), n.get(), v.get()),
            Self::Program(ch, p) => Bytes::two(0xc0 | ch.get(), p.get()),
            Self::Pressure(ch, v) => Bytes::two(0xd0 | ch.get(), v.get()),
            Self::Bend(ch, v) => Bytes::three(0xe0 | ch.get(), v.lsb().get(), v.msb().get()),
            Self::QuarterFrame(v) => Bytes::two(0xf1, v.get()),
            Self::SongPosition(v) => Bytes::three(0xf2, v.lsb().get(), v.msb().get()),
            Self::SongSelect(v) => Bytes::two(0xf3, v.get()),
            Self::TuneRequest => Bytes::one(0xf6),
            Self::Clock => Bytes::one(0xf8),
            Self::Start => Bytes::one(0xfa),
            Self::Continue => Bytes::one(0xfb),
            Self::Stop => Bytes::one(0xfc),
            Self::ActiveSensing => Bytes::one(0xfe),
            Self::Reset => Bytes::one(0xff),
        }
    }

    /// The channel of a channel message.
    #[must_use]
    pub const fn channel(self) -> Option<Channel> {
        match self {
            Self::NoteOff(ch, ..)
            | Self::NoteOn(ch, ..)
            | Self::PolyPressure(ch, ..)
            | Self::Control(ch, ..)
            | Self::Program(ch, _)
            | Self::Pressure(ch, _)
            | Self::Bend(ch, _) => Some(ch),
            _ => None,
        }
    }

    /// The same message on another channel; one without a channel stays as it is.
    #[must_use]
    pub const fn on_channel(self, ch: Channel) -> Self {
        match self {
            Self::NoteOff(_, key, v) => Self::NoteOff(ch, key, v),
            Self::NoteOn(_, key, v) => Self::NoteOn(ch, key, v),
            Self::PolyPressure(_, key, v) => Self::PolyPressure(ch, key, v),
            Self::Control(_, n, v) => Self::Control(ch, n, v),
            Self::Program(_, p) => Self::Program(ch, p),
            Self::Pressure(_, v) => Self::Pressure(ch, v),
            Self::Bend(_, v) => Self::Bend(ch, v),
            other => other,
        }
    }

    /// Whether this is a real-time message (F8–FF), which may fall anywhere.
    #[must_use]
    pub const fn is_realtime(self) -> bool {
        matches!(
            self,
            Self::Clock
                | Self::Start
                | Self::Continue
                | Self::Stop
                | Self::ActiveSensing
                | Self::Reset
        )
    }
}
