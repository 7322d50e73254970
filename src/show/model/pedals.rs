//! Pedals and buttons that are commands, as types.

use super::Site;
use crate::midi::{Controller, Key, KeyCode, Program};

/// A pedal or button that is a command.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PedalBinding {
    /// Its name.
    pub name: String,
    /// Its place.
    pub site: Site,
    /// Index of the controller it belongs to.
    pub controller: usize,
    /// What it speaks.
    pub trigger: Trigger,
    /// What it does.
    pub action: Action,
    /// Latching: each edge is a press.
    pub is_latching: bool,
    /// Pressed below 64.
    pub is_inverted: bool,
}

/// What a pedal or button does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Action {
    /// To the next position.
    Step,
    /// To the position before.
    Back,
    /// To the next song.
    SongDown,
    /// To this song's start, or the song before.
    SongUp,
    /// Next page.
    PageNext,
    /// Page before.
    PageBack,
    /// Silence everything.
    Panic,
    /// Send the state of this position again.
    Resend,
    /// Mute, and unmute.
    Mute,
    /// Fade everything out, and back.
    Fade,
}

/// What kind of message a pedal speaks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Trigger {
    /// A controller: pressed at 64 and above.
    Control(Controller),
    /// A key: pressed by Note On.
    Note(Key),
    /// A program change (wire value): each one is a press.
    Program(Program),
    /// A key of a computer keyboard, on a port of kind `Keys`.
    Code(KeyCode),
}
