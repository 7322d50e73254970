//! What the promptbook says of sources and routes: flat tables of numbers.
//!
//! A source's position is always 14 bits wide here, 0–16383, whatever it sends
//! (`midi::scale`). A route is compiled once for each sound that it moves, so that each has
//! a state of its own; values are in the units of what it moves.

use super::promptbook::{BlobId, ControllerId, Setting, SoundId, Span};
use super::table::Id;
use crate::midi::{Controller, Value7, Value14, scale};
pub use crate::vocabulary::{Join, PickUp, SourceKind};

/// A source, by its place in the table of all controllers' sources.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct SourceId(pub u16);

impl SourceId {
    /// As an index into the table.
    #[must_use]
    pub const fn index(self) -> usize {
        self.0 as usize
    }
}

impl Id for SourceId {
    fn nth(index: usize) -> Self {
        Self(u16::try_from(index).unwrap_or(u16::MAX))
    }

    fn place(self) -> usize {
        self.index()
    }
}

/// A named source of a controller.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SourceEntry {
    /// Whose it is.
    pub controller: ControllerId,
    /// What it sends.
    pub kind: SourceKind,
    /// Turned round.
    pub is_inverted: bool,
    /// For a bend: the semitones that its whole way means; none is what each sound makes of it.
    pub bend_range: Option<u8>,
}

/// A route to one sound of one scene.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RouteEntry {
    /// The sound, within the scene.
    pub sound: SoundId,
    /// What of it is moved.
    pub address: Address,
    /// Its sources: a stretch of `route_inputs`.
    pub inputs: Span,
    /// What positions become.
    pub shape: Shape,
    /// Which source has the say.
    pub join: Join,
    /// What happens when a scene comes in.
    pub pick_up: PickUp,
    /// The least time that the whole way takes, in microseconds; 0 is at once.
    pub smooth_us: u64,
    /// The value that the scene states; none if it states none.
    pub snapshot: Option<i32>,
    /// Equal for routes that are the same over scenes: those of a sound that stays go on.
    pub identity: u32,
}

/// A source of a route.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct RouteInput {
    /// Which.
    pub source: SourceId,
    /// The stretch of its positions that counts, the first below the second.
    pub from: (u16, u16),
    /// It goes its own way too.
    pub passes: bool,
}

/// What of a sound is moved, and in which unit.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Address {
    /// A controller, 0–127.
    Control(Controller),
    /// A 14-bit pair, 0–16383.
    Pair(Controller),
    /// A registered parameter, 0–16383.
    Rpn(Value14),
    /// A non-registered parameter, 0–16383.
    Nrpn(Value14),
    /// A System Exclusive message, one stored for each of `len` values from `low` to `high`
    /// in equal steps.
    Exclusive {
        /// Names the parameter, as in `Setting`.
        name: u16,
        /// Message of the lowest value; the others follow.
        first: BlobId,
        /// How many.
        len: u16,
        /// Value of the first.
        low: u16,
        /// Value of the last.
        high: u16,
    },
    /// The bend, in ten-thousandths of a semitone, 0 at rest.
    Bend,
    /// The channel pressure, 0–127.
    Pressure,
    /// A part of the expression, 0–127, 127 being all of it. By the level law the parts add
    /// up in dB (GM2 §3.3.6).
    Level,
}

impl Address {
    /// The setting that gives the address this value; none for what is no setting.
    #[must_use]
    pub fn setting(self, value: i32) -> Option<Setting> {
        let wide = Value14::clamped(value);
        Some(match self {
            Self::Control(number) => Setting::Control(number, Value7::clamped(value)),
            Self::Pair(number) => Setting::Pair(number, wide),
            Self::Rpn(number) => Setting::Rpn(number, wide),
            Self::Nrpn(number) => Setting::Nrpn(number, wide),
            Self::Exclusive {
                name,
                first,
                len,
                low,
                high,
            } => {
                let run = i32::from(high) - i32::from(low);
                let last = i32::from(len) - 1;
                let part = (value.clamp(low.into(), high.into()) - i32::from(low)) * last;
                let step = if run > 0 { (part + run / 2) / run } else { 0 };
                let step = u16::try_from(step).unwrap_or(0);
                Setting::Exclusive(name, BlobId(first.0.saturating_add(step)))
            }
            Self::Bend | Self::Pressure | Self::Level => return None,
        })
    }

    /// Whether a setting is about the same thing.
    #[must_use]
    pub fn is_of(self, setting: Setting) -> bool {
        match (self, setting) {
            (Self::Control(a), Setting::Control(b, _)) | (Self::Pair(a), Setting::Pair(b, _)) => {
                a == b
            }
            (Self::Rpn(a), Setting::Rpn(b, _)) | (Self::Nrpn(a), Setting::Nrpn(b, _)) => a == b,
            (Self::Exclusive { name: a, .. }, Setting::Exclusive(b, _)) => a == b,
            _ => false,
        }
    }

    /// Whether it sets this controller.
    #[must_use]
    pub fn sets(self, number: Controller) -> bool {
        match self {
            Self::Control(own) => own == number,
            Self::Pair(own) => own == number || own.get() + 32 == number.get(),
            _ => false,
        }
    }
}

/// What positions become.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Shape {
    /// A way from one value to another.
    Follow {
        /// The value at 0.
        low: i32,
        /// The value at 16383.
        high: i32,
        /// Index into `route_curves`; none is straight.
        curve: Option<u16>,
    },
    /// One of two values.
    Switch {
        /// The value up.
        up: i32,
        /// The value down.
        down: i32,
        /// Where it is up and down.
        edges: Edges,
        /// Each press changes over.
        is_toggle: bool,
    },
    /// Each press takes the next value.
    Steps {
        /// A stretch of `route_values`.
        values: (u32, u32),
        /// Where a press is.
        edges: Edges,
    },
    /// A value for each stretch of positions.
    Bands {
        /// A stretch of `route_values`, rising.
        values: (u32, u32),
    },
}

/// Where a switch is down and up; between, it is as it was.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Edges {
    /// Up below this position.
    pub up_below: u16,
    /// Down from this position.
    pub down_from: u16,
}

/// A value of steps or bands.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct RouteValue {
    /// For bands: the position from which it holds.
    pub from: u16,
    /// The value.
    pub value: i32,
}

/// Knots of a curve: 128 equal stretches of the way, 0–16383 in and out.
pub const CURVE_KNOTS: usize = 129;

/// A curve, straight between its knots.
pub type RouteCurve = [u16; CURVE_KNOTS];

impl SourceEntry {
    /// A seven-bit value as its position.
    #[must_use]
    pub fn position(&self, value: Value7) -> u16 {
        scale::widen(value).get()
    }

    /// Whether this controller number is one of its halves.
    #[must_use]
    pub fn is_control(&self, number: Controller) -> bool {
        match self.kind {
            SourceKind::Control(own) | SourceKind::Switch(own) => own == number,
            SourceKind::Pair(own) => own == number || own.get() + 32 == number.get(),
            _ => false,
        }
    }
}
