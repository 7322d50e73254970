//! Pedals and buttons that are commands, as types.

use super::{Action, Site, Trigger};

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
