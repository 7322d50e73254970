//! Pedals and buttons that are commands, as types.

use super::{Action, Site, Trigger};

/// A pedal or button that is a command.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PedalBinding {
    /// The pedal's name in the rig.
    pub name: String,
    /// Where its name stands in the show's files, for findings.
    pub site: Site,
    /// Index of the controller it belongs to.
    pub controller: usize,
    /// The message it sends.
    pub trigger: Trigger,
    /// The command it gives at each press.
    pub action: Action,
    /// It latches: going down and coming up each count as a press.
    pub is_latching: bool,
    /// Its values are inverted: it is pressed below 64.
    pub is_inverted: bool,
}
