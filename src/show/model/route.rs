//! Routes: where a source is led, and what its way means there, as types.

use super::{Join, PickUp, Site};

/// A route of a scene, with those of its song and the rig that still hold there.
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
    /// Which of several sources has the say.
    pub join: Join,
    /// What happens when a scene comes in which the source stands elsewhere.
    pub pick_up: PickUp,
    /// The least time that its whole way takes, in milliseconds: a noisy or hasty source is
    /// smoothed. 0 is at once.
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
    /// The stretch of the source's own values that counts; beyond it nothing changes.
    pub from: (u16, u16),
    /// Where it is named.
    pub site: Site,
}

/// What a route moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct RouteTarget {
    /// Index of the receiver.
    pub receiver: usize,
    /// Which thing of it.
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

/// What positions become. Values are the parameter's own; hundredths of a semitone for a
/// bend, hundredths of a dB (0 and below) for a level.
#[derive(Clone, PartialEq, Debug)]
pub enum Shape {
    /// The target follows the source between two values.
    Follow {
        /// The values at the source's two ends.
        to: (i32, i32),
        /// The curve between the two ends.
        curve: RouteCurve,
    },
    /// One of two values: up and down.
    Switch {
        /// The values up and down.
        to: (i32, i32),
        /// Down from here, up from there: in the source's own values, the second not above
        /// the first; what lies between changes nothing.
        at: (u16, u16),
        /// Each press changes over, and a release changes nothing.
        is_toggle: bool,
    },
    /// Each press takes the next of these values, and after the last the first.
    Steps {
        /// The values in turn, at least two, in the target's unit.
        values: Vec<i32>,
        /// Switching points in the source's own values, as in `Switch`.
        at: (u16, u16),
    },
    /// One value for each stretch of the source: (from this position of the source, value),
    /// rising, the first from 0.
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
    /// Through points: (position, part of the way), both 0–127, straight between.
    Table(Vec<(u8, u8)>),
}
