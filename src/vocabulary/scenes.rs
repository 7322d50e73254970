//! What a scene says of its sounds, cues and pages.

use crate::midi::{Controller, Key, Value7};

/// What happens to a sound's held notes when its scene is left; in the order of how long
/// they stay.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub enum Leave {
    /// They end at the step.
    Cut,
    /// Their level ramps to silence over this time, then they end; milliseconds.
    Fade(u16),
    /// They go on until they are let go.
    #[default]
    Hold,
}

/// What happens when only the level of a sound that stays differs.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum LevelChange {
    /// The slot's level moves to the new one over 50 ms, held notes with it.
    #[default]
    Ride,
    /// Another slot takes the new level; held notes keep theirs.
    New,
}

/// How a page tablet is told a page.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PageManner {
    /// By program change: the page's number on the wire.
    Program,
    /// By the value of a controller.
    Control(Controller),
}

/// A note that a cue strikes. It ends by itself. Where it sounds is a `Place`: a show names
/// a channel or a patch, the engine a slot or a sound.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct CueNote<Place> {
    /// Where it sounds.
    pub place: Place,
    /// Its key.
    pub key: Key,
    /// Its velocity, 1–127.
    pub velocity: Value7,
    /// How long it sounds, 1–60,000 ms.
    pub length_ms: u16,
}
