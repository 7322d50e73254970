//! The command line: any command of the table by its name, with what it is to be done to.
//!
//! `panic`, `panic main`, `jump 7.2`, `loop 7.1 7.3`, `ignore lower hold`. What fits is
//! offered while one types; Tab completes it.

use super::desk::Facts;
use super::keys::{KeyRow, Keys, Takes, UiCommand};
use crate::engine::input::Command;
use crate::engine::promptbook::{ControllerId, PositionId, ReceiverId};
use crate::engine::view::PedalId;
use crate::screen::state::find_place;

/// What a line asks for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Order {
    /// A command of the table as its key would ask for it.
    Ui(UiCommand),
    /// A command for the engine.
    Engine(Command),
    /// Jump to this position, and say these words, if any.
    Jump(usize, String),
    /// A text to find in the running order.
    Find(String),
    /// A text that lines of the log must hold.
    Filter(String),
    /// A word that marks the position under the cursor, or the present one; empty removes the
    /// mark.
    Mark(String),
}

/// Reads a line: what to do, or in words why it cannot be done.
pub(super) fn read(text: &str, keys: &Keys, facts: Facts) -> Result<Order, String> {
    let Some((row, rest)) = split(text, keys) else {
        return Err("no such command".into());
    };
    let rest = rest.trim();
    if rest.is_empty() && row.takes != Takes::Stretch {
        return Ok(Order::Ui(row.command));
    }
    match row.takes {
        Takes::Nothing => Err(format!("`{}` stands alone", row.name)),
        Takes::Receiver => {
            let receiver = receiver(rest, facts).ok_or("no such receiver")?;
            to_receiver(row.command, receiver, facts).ok_or_else(|| "not for one receiver".into())
        }
        Takes::Pedal => {
            let pedal = pedal(rest, facts).ok_or("no such pedal")?;
            let is_ignored = is_ignored(pedal, facts);
            Ok(Order::Engine(Command::IgnorePedal(pedal, !is_ignored)))
        }
        Takes::Place => find_place(facts.sheet, rest, facts.view.position.index())
            .map(|to| Order::Jump(to, String::new()))
            .ok_or_else(|| "no such scene tonight".into()),
        Takes::Count => back_by(rest, facts),
        Takes::Stretch => stretch(row.command, rest, facts),
        Takes::Word => match row.command {
            UiCommand::Find => Ok(Order::Find(rest.into())),
            UiCommand::Filter => Ok(Order::Filter(rest.into())),
            _ => Ok(Order::Mark(rest.into())),
        },
    }
}

/// All lines that the text can be completed to.
pub(super) fn offers(text: &str, keys: &Keys, facts: Facts) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut offer = |line: String| {
        if !out.contains(&line) {
            out.push(line);
        }
    };
    let typed = text.trim_start();
    for row in keys.rows() {
        if row.name.starts_with(typed) {
            offer(row.name.to_owned());
        }
    }
    if let Some((row, rest)) = split(typed, keys)
        && rest.starts_with(' ')
    {
        let rest = rest.trim_start().to_lowercase();
        for argument in arguments(row, facts) {
            if argument.to_lowercase().starts_with(&rest) {
                offer(format!("{} {argument}", row.name));
            }
        }
    }
    out
}

/// The line after Tab: the longest beginning that all offers share.
pub(super) fn complete(text: &str, offers: &[String]) -> String {
    let Some((first, others)) = offers.split_first() else {
        return text.to_owned();
    };
    let mut shared = first.as_str();
    for other in others {
        let same = shared
            .char_indices()
            .zip(other.chars())
            .find(|((_, a), b)| a != b)
            .map_or(shared.len().min(other.len()), |((at, _), _)| at);
        shared = shared.get(..same).unwrap_or("");
    }
    if shared.len() > text.len() || others.is_empty() {
        shared.to_owned()
    } else {
        text.to_owned()
    }
}

/// The command whose name begins the text, the longest first, and what follows.
fn split<'k, 't>(text: &'t str, keys: &'k Keys) -> Option<(&'k KeyRow, &'t str)> {
    let text = text.trim_start();
    keys.rows()
        .filter_map(|row| Some((row, text.strip_prefix(row.name)?)))
        .filter(|(_, rest)| rest.is_empty() || rest.starts_with(' '))
        // Of rows with the same name the first, which takes the most words.
        .reduce(|best, row| {
            if row.0.name.len() > best.0.name.len() {
                row
            } else {
                best
            }
        })
}

fn arguments(row: &KeyRow, facts: Facts) -> Vec<String> {
    let sheet = facts.sheet;
    match row.takes {
        Takes::Receiver => sheet.receivers.iter().map(|r| r.name.clone()).collect(),
        Takes::Pedal => {
            let held = sheet.controllers.iter().flat_map(|controller| {
                HELD_PEDALS.map(|pedal| format!("{} {pedal}", controller.name))
            });
            let bound = sheet.pedals.iter().map(|pedal| pedal.name.clone());
            bound.chain(held).collect()
        }
        Takes::Place | Takes::Stretch => sheet.positions.iter().map(|p| p.call.clone()).collect(),
        Takes::Nothing | Takes::Word | Takes::Count => Vec::new(),
    }
}

/// Pedals that hold notes, in the engine's order.
const HELD_PEDALS: [&str; 3] = ["hold", "sostenuto", "soft"];

fn receiver(name: &str, facts: Facts) -> Option<ReceiverId> {
    let is_it = |line: &crate::sheet::ReceiverLine| line.name.eq_ignore_ascii_case(name);
    let at = facts.sheet.receivers.iter().position(is_it)?;
    u8::try_from(at).ok().map(ReceiverId)
}

fn pedal(name: &str, facts: Facts) -> Option<PedalId> {
    let bound = facts
        .sheet
        .pedals
        .iter()
        .position(|line| line.name.eq_ignore_ascii_case(name));
    if let Some(at) = bound {
        return u8::try_from(at).ok().map(PedalId::Binding);
    }
    let (controller, kind) = name.rsplit_once(' ')?;
    let kind = (0u8..)
        .zip(HELD_PEDALS)
        .find(|(_, word)| word.eq_ignore_ascii_case(kind))?
        .0;
    let at = facts
        .sheet
        .controllers
        .iter()
        .position(|line| line.name.eq_ignore_ascii_case(controller.trim()))?;
    Some(PedalId::Held(ControllerId(u8::try_from(at).ok()?), kind))
}

/// Whether a pedal is ignored now.
pub(super) fn is_ignored(pedal: PedalId, facts: Facts) -> bool {
    match pedal {
        PedalId::Binding(bit) => facts.view.ignored_bindings >> bit.min(63) & 1 == 1,
        PedalId::Held(controller, kind) => {
            let seen = facts.view.controllers.get(controller.index());
            seen.and_then(|seen| seen.ignored.get(usize::from(kind))) == Some(&true)
        }
    }
}

/// The form of a command that acts on this receiver alone.
pub(super) fn to_receiver(command: UiCommand, receiver: ReceiverId, facts: Facts) -> Option<Order> {
    let resend = |is_forced| Command::Resend {
        receiver: Some(receiver),
        is_forced,
    };
    let is_muted = facts
        .view
        .duties
        .get(receiver.index())
        .is_some_and(|duty| duty.is_muted);
    Some(Order::Engine(match command {
        UiCommand::PanicOne | UiCommand::Send(Command::Panic(_)) => Command::Panic(Some(receiver)),
        UiCommand::ResendOne(is_forced) | UiCommand::Send(Command::Resend { is_forced, .. }) => {
            resend(is_forced)
        }
        UiCommand::MuteOne | UiCommand::ToggleMute => Command::MuteOne(receiver, !is_muted),
        UiCommand::Spare => Command::TakeOver(receiver),
        _ => return None,
    }))
}

/// Goes back by this many scenes, at most to the first of the night, and says so if it is cut
/// short.
fn back_by(count: &str, facts: Facts) -> Result<Order, String> {
    let count: usize = count
        .parse()
        .map_err(|_| "say how many, such as `back 3`")?;
    let at = facts.view.position.index();
    match at.checked_sub(count) {
        Some(to) => Ok(Order::Jump(to, String::new())),
        None if at == 0 => Err("this is the first scene of the night".into()),
        None => {
            let words = format!("back {at}, not {count}: this is the first scene of the night");
            Ok(Order::Jump(0, words))
        }
    }
}

/// Reads what follows `loop`: nothing, `7.2`, `7.1 7.3` or `off`.
fn stretch(command: UiCommand, text: &str, facts: Facts) -> Result<Order, String> {
    if command != UiCommand::Loop {
        return Ok(Order::Ui(command));
    }
    if text == "off" {
        return Ok(Order::Engine(Command::Loop(None)));
    }
    if text.is_empty() {
        return Ok(Order::Ui(command));
    }
    let place = |call: &str| {
        find_place(facts.sheet, call, 0)
            .and_then(|at| u32::try_from(at).ok())
            .map(PositionId)
            .ok_or_else(|| format!("no scene `{call}` tonight"))
    };
    let (first, last) = text.split_once(' ').unwrap_or((text, text));
    let (first, last) = (place(first.trim())?, place(last.trim())?);
    Ok(Order::Engine(Command::Loop(Some((
        first.min(last),
        first.max(last),
    )))))
}
