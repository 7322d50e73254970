//! Pedals and buttons that are commands to the program.

use crate::midi::{Controller, Key, KeyCode, Program};

/// What a pedal or button does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Action {
    /// To the next position.
    Step,
    /// To the position before.
    Back,
    /// To the first position of the next song.
    SongDown,
    /// To the first position of this song, or of the song before if already there.
    SongUp,
    /// To the next page of the song.
    PageNext,
    /// To the page before.
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

/// What kind of message a pedal sends.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Trigger {
    /// A controller: pressed at 64 and above.
    Control(Controller),
    /// A key: pressed by Note On.
    Note(Key),
    /// A program change (wire value): each one is a press, there is no release.
    Program(Program),
    /// A key of a computer keyboard, as a message.
    Code(KeyCode),
}
