//! The reply of a desk to an event, and the facts it depends on.

use super::tonight::NightEdit;
use crate::engine::input::{Command, Origin};
use crate::engine::view::View;
use crate::sheet::Sheet;

/// What an event asks for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Reply {
    /// Commands for the engine, in order.
    pub commands: Vec<Command>,
    /// The key or mouse that asks for the commands.
    pub origin: Origin,
    /// A change of the night.
    pub edit: Option<NightEdit>,
    /// A task for files or the terminal.
    pub wish: Option<Wish>,
    /// The person wants to leave.
    pub is_quit: bool,
}

impl Default for Reply {
    /// A reply that asks for nothing.
    fn default() -> Self {
        Self {
            commands: Vec::new(),
            origin: Origin::Screen,
            edit: None,
            wish: None,
            is_quit: false,
        }
    }
}

/// A task for files, learning or the mouse, which neither the engine nor the night does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Wish {
    /// Write the log, as filtered, to a file.
    SaveLog,
    /// Save the marks, which were changed.
    KeepMarks,
    /// Begin a recording, or end the one that runs and save it.
    Record,
    /// Begin to learn a control: watch what is moved.
    Learn,
    /// Write the learned control into the rig file, under the name in the state.
    KeepLearned,
    /// End learning without writing anything.
    EndLearning,
    /// Take the mouse or leave it to the terminal, as the state says.
    Mouse,
}

/// What a key's meaning may depend on.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// Names and positions of the night.
    pub sheet: &'a Sheet,
    /// What the engine published last.
    pub view: &'a View,
    /// The present in microseconds.
    pub now_us: u64,
}
