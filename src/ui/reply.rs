//! What a desk makes of an event, and what it is told meanwhile.

use super::tonight::NightEdit;
use crate::engine::input::{Command, Origin};
use crate::engine::view::View;
use crate::sheet::Sheet;

/// What came of an event.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Reply {
    /// Commands for the engine, in order.
    pub commands: Vec<Command>,
    /// What asks for them.
    pub origin: Origin,
    /// A change of the night.
    pub edit: Option<NightEdit>,
    /// Something for the files.
    pub wish: Option<Wish>,
    /// The person wants to leave.
    pub is_quit: bool,
}

impl Default for Reply {
    /// Nothing is asked for.
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

/// Something that neither the engine nor the night is asked for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Wish {
    /// The log, as it is filtered, goes to a file.
    SaveLog,
    /// The marks were changed: they are kept.
    KeepMarks,
    /// A recording begins, or the one that runs ends and is saved.
    Record,
    /// What is moved from now on is looked at.
    Learn,
    /// What was moved is written down, under the name that the state has.
    KeepLearned,
    /// What was moved is of no interest any more.
    EndLearning,
    /// The mouse is taken, or left to the terminal, as the state says.
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
