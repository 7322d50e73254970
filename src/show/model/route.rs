//! Routes, as types: which source moves which target, and how positions become values.

use super::{Join, PickUp, Site};

/// A route in force in a scene: its own, its song's or the rig's.
#[derive(Clone, PartialEq, Debug)]
pub struct Route {
    /// Its name; a song's or a scene's route takes the place of one of the same name.
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// What moves it, at least one.
    pub inputs: Vec<RouteInput>,
    /// The receiver, and what of it, that the route moves.
    pub target: RouteTarget,
    /// Indices of the zones whose sounds it moves; empty: every sound of the receiver.
    pub zones: Vec<usize>,
    /// How positions of the sources become values of the target.
    pub shape: Shape,
    /// How the positions of several sources become one.
    pub join: Join,
    /// What happens at a step when the source's position differs from the new scene's value.
    pub pick_up: PickUp,
    /// Shortest time for the full travel, in milliseconds, 0–10,000: smooths a noisy or hasty
    /// source. 0 applies positions at once.
    pub smooth_ms: u16,
    /// The source also goes where it would without the route.
    pub passes: bool,
}

/// A source of a route.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RouteInput {
    /// Index of the controller.
    pub controller: usize,
    /// Index into its sources.
    pub source: usize,
    /// Lowest and highest position that counts, in the source's own values; beyond them nothing
    /// changes.
    pub from: (u16, u16),
    /// Where it is named.
    pub site: Site,
}

/// What a route moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RouteTarget {
    /// Index of the receiver.
    pub receiver: usize,
    /// What of that receiver moves.
    pub what: Moved,
    /// Where it is named.
    pub site: Site,
}

/// What of a receiver a route moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Moved {
    /// A parameter, by index.
    Parameter(usize),
    /// The bend of a sound.
    Bend,
    /// The channel pressure of a sound.
    Pressure,
    /// The level of a sound, below the one that its zone states.
    Level,
}

/// How positions become values. Values are in the parameter's own units, in hundredths of a
/// semitone for a bend, and in hundredths of a dB (0 and below) for a level.
#[derive(Clone, PartialEq, Debug)]
pub enum Shape {
    /// The target follows the source between two values.
    Follow {
        /// The values at the lowest and the highest position.
        to: (i32, i32),
        /// The curve between the two ends.
        curve: RouteCurve,
    },
    /// The target has one of two values: for the source up, and for it down.
    Switch {
        /// The values for up and for down.
        to: (i32, i32),
        /// Thresholds (release, press) in the source's own values: the source is down from the
        /// second on and up below the first. The first is not above the second; between them
        /// nothing changes (hysteresis).
        at: (u16, u16),
        /// Each press switches to the other value, and a release changes nothing.
        is_toggle: bool,
    },
    /// Each press takes the next of these values, and after the last the first.
    Steps {
        /// The values in turn, at least two, in the target's unit.
        values: Vec<i32>,
        /// Switching points in the source's own values, as in `Switch`.
        at: (u16, u16),
    },
    /// One value for each band of positions: (first position of the band, value), rising; the
    /// first band begins at 0.
    Bands(Vec<(u16, i32)>),
}

/// The curve between the two ends of a `Follow`.
#[derive(Clone, PartialEq, Debug)]
pub enum RouteCurve {
    /// The value moves in equal steps.
    Linear,
    /// The value moves slowly at first, then faster.
    Exponential,
    /// The value moves slowly at both ends and fast between.
    S,
    /// The value follows points (position, share of the range), both 0–127, with straight lines
    /// between.
    Table(Vec<(u8, u8)>),
}
