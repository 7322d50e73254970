//! What keys do for a rehearsal: loops, and marks of trouble spots.

use super::desk::{Facts, Reply, place_cursor, send, show};
use super::keys::UiCommand;
use crate::engine::input::Command;
use crate::engine::promptbook::PositionId;
use crate::screen::{Prompt, Screen, UiState};

pub(super) fn act(command: UiCommand, state: &mut UiState, facts: Facts) -> Reply {
    match command {
        UiCommand::Loop | UiCommand::LoopTo => return change_loop(command, state, facts),
        UiCommand::Mark => {
            if let Some(call) = place(state, facts) {
                let text = state.marks.get(&call).cloned().unwrap_or_default();
                state.prompt = Some(Prompt::Mark { call, text });
            }
        }
        UiCommand::NextMark => next_mark(state, facts),
        _ if state.marks.is_empty() => state.said = "nothing is marked yet".into(),
        _ => state.is_marks_only = !state.is_marks_only,
    }
    Reply::default()
}

/// Call number of the position under the running order's cursor, or of the present one.
pub(super) fn place(state: &UiState, facts: Facts) -> Option<String> {
    Some(facts.sheet.positions.get(at(state, facts))?.call.clone())
}

fn at(state: &UiState, facts: Facts) -> usize {
    let cursor = state.cursor.filter(|_| state.screen == Screen::Order);
    cursor.unwrap_or(facts.view.position.index())
}

fn change_loop(command: UiCommand, state: &mut UiState, facts: Facts) -> Reply {
    if facts.view.sends_cues {
        state.said = "a loop is for rehearsal: F9 begins one, then again".into();
        return Reply::default();
    }
    let Ok(here) = u32::try_from(at(state, facts)).map(PositionId) else {
        return Reply::default();
    };
    let looped = match (command, facts.view.stretch) {
        (UiCommand::Loop, Some((first, last))) if (first..=last).contains(&here) => None,
        (UiCommand::LoopTo, Some((first, last))) => Some((first.min(here), last.max(here))),
        _ => Some((here, here)),
    };
    set_loop(looped, state, facts)
}

/// Sets or ends the loop. Says so if the show is not in it yet: until then steps go on as
/// usual.
pub(super) fn set_loop(
    wanted: Option<(PositionId, PositionId)>,
    state: &mut UiState,
    facts: Facts,
) -> Reply {
    if let Some((first, last)) = wanted
        && !facts.view.sends_cues
        && !(first..=last).contains(&facts.view.position)
        && let Some(line) = facts.sheet.positions.get(first.index())
    {
        state.said = format!("the loop starts once you are at {}", line.call);
    }
    send(vec![Command::Loop(wanted)])
}

/// Moves the cursor to the next marked position, round the end of the night.
fn next_mark(state: &mut UiState, facts: Facts) {
    let count = facts.sheet.positions.len();
    let from = at(state, facts);
    let found = (1..=count)
        .map(|step| (from + step) % count.max(1))
        .find(|index| {
            let line = facts.sheet.positions.get(*index);
            line.is_some_and(|line| state.marks.contains_key(&line.call))
        });
    match found {
        Some(found) => {
            show(state, Screen::Order);
            place_cursor(state, Some(found));
        }
        None => state.said = "nothing is marked tonight".into(),
    }
}
