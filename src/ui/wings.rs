//! What keys do on the wings: a cursor over receivers, held notes and pedals, and what is
//! done to the row that it is on.

use super::desk::{Facts, Reply, moved, send};
use super::keys::UiCommand;
use super::line::{self, Order};
use crate::engine::input::Command;
use crate::engine::promptbook::ReceiverId;
use crate::midi::Key;
use crate::screen::{UiState, WingsRow, wings_rows};

/// Moves the cursor. Without one, down leads to the first row; up from the first row removes
/// it.
pub(super) fn move_cursor(state: &mut UiState, facts: Facts, step: isize) {
    let rows = wings_rows(facts.sheet, facts.view);
    let at = state
        .wings
        .and_then(|row| rows.iter().position(|other| *other == row));
    let next = match at {
        None if step > 0 => Some(0),
        None => None,
        Some(at) => at.checked_add_signed(step),
    };
    state.wings = next.and_then(|next| {
        let last = rows.len().saturating_sub(1);
        rows.get(moved(next, 0).min(last)).copied()
    });
}

/// Applies a command to the row under the cursor, or says what it needs.
pub(super) fn act(command: UiCommand, state: &mut UiState, facts: Facts) -> Reply {
    let wanted = match (command, state.wings) {
        (UiCommand::EndNote, Some(WingsRow::Note(slot, key))) => {
            return send(vec![Command::EndNote(slot, Key::clamped(key.into()))]);
        }
        (UiCommand::IgnorePedal, Some(WingsRow::Pedal(pedal))) => {
            let is_ignored = line::is_ignored(pedal, facts);
            return send(vec![Command::IgnorePedal(pedal, !is_ignored)]);
        }
        (UiCommand::EndNote, _) => "a note",
        (UiCommand::IgnorePedal, _) => "a pedal",
        (_, Some(WingsRow::Receiver(at))) => return to_receiver(command, at, facts),
        (UiCommand::Spare, _) => {
            let mut receivers = facts.sheet.receivers.iter();
            if receivers.all(|line| line.spare_of.is_none()) {
                state.said = "this rig has no spare".into();
                return Reply::default();
            }
            "a receiver that has a spare"
        }
        _ => "a receiver",
    };
    state.said = format!("put the cursor (Up, Down) on {wanted} first");
    Reply::default()
}

fn to_receiver(command: UiCommand, at: usize, facts: Facts) -> Reply {
    let receiver = u8::try_from(at).map(ReceiverId).ok();
    match receiver.and_then(|receiver| line::to_receiver(command, receiver, facts)) {
        Some(Order::Engine(command)) => send(vec![command]),
        _ => Reply::default(),
    }
}
