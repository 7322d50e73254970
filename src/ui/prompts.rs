//! What is typed or asked in the last row: finding, jumping, marking, filtering, commands by
//! name, and the questions before a jump and before leaving.

use super::desk::{Desk, Facts, Reply, Wish, find_from, jump, quit, send, show, wish};
use super::keys::UiKey;
use super::line::{self, Order};
use super::rehearsal;
use crate::engine::input::Command;
use crate::screen::state::find_place;
use crate::screen::{Prompt, Screen, UiState};
use crossterm::event::{KeyCode, KeyModifiers};

/// Characters that a prompt takes; more are ignored.
const MAX_TYPED: usize = 64;

/// How many offers each Tab moves on in a list.
const LISTED: usize = 10;

impl Desk {
    /// An open command line with its completions.
    pub(super) fn line(&self, text: String, facts: Facts) -> Prompt {
        let offers = line::offers(&text, &self.keys, facts);
        Prompt::Line {
            text,
            offers,
            refused: String::new(),
            listed: None,
        }
    }

    /// Handles a key while a prompt is open. None if the key keeps its usual meaning: pedals
    /// step whatever is open.
    pub(super) fn type_into_prompt(
        &mut self,
        key: UiKey,
        state: &mut UiState,
        facts: Facts,
    ) -> Option<Reply> {
        let is_plain = (key.modifiers - KeyModifiers::SHIFT).is_empty();
        if key.code == KeyCode::Esc {
            let left = state.prompt.take();
            return Some(match left {
                Some(Prompt::Learn(_)) => wish(Wish::EndLearning),
                Some(Prompt::Filter { before, .. }) => {
                    state.log_filter = before;
                    Reply::default()
                }
                _ => Reply::default(),
            });
        }
        match (state.prompt.as_mut()?, key.code) {
            (prompt, KeyCode::Char(c)) if is_plain => {
                let text = typed(prompt)?;
                if text.chars().count() < MAX_TYPED {
                    text.push(c);
                }
            }
            (prompt, KeyCode::Backspace) => {
                typed(prompt)?.pop();
            }
            (Prompt::Filter { text, before }, KeyCode::Up) => text.clone_from(before),
            (
                Prompt::Line {
                    text,
                    offers,
                    listed,
                    ..
                },
                KeyCode::Tab,
            ) => {
                let complete = line::complete(text, offers);
                if complete == *text {
                    // Nothing can be completed: list the offers, then their next part.
                    let next = listed.map_or(0, |first| first + LISTED);
                    *listed = Some(next).filter(|next| *next < offers.len()).or(Some(0));
                    return Some(Reply::default());
                }
                *text = complete;
            }
            (_, KeyCode::Enter) => return Some(self.answer(state, facts)),
            _ => return None,
        }
        match &state.prompt {
            Some(Prompt::Find(text)) => {
                state.find.clone_from(text);
                find_from(state, facts, 0);
            }
            Some(Prompt::Filter { text, .. }) => state.log_filter.clone_from(text),
            Some(Prompt::Line { text, listed, .. }) => {
                let is_listed = listed.is_some();
                let mut line = self.line(text.clone(), facts);
                if let Prompt::Line { listed, .. } = &mut line {
                    // Typing restarts the list at its beginning.
                    *listed = is_listed.then_some(0);
                }
                state.prompt = Some(line);
            }
            _ => {}
        }
        Some(Reply::default())
    }

    /// Enter in a prompt.
    fn answer(&mut self, state: &mut UiState, facts: Facts) -> Reply {
        match state.prompt.take() {
            Some(Prompt::Jump(text)) => {
                // The target was shown while it was typed: a second question would only delay.
                match find_place(facts.sheet, &text, facts.view.position.index()) {
                    Some(target) => jump(target, state),
                    None => {
                        // The prompt says that there is no such place, and stays open.
                        state.prompt = Some(Prompt::Jump(text));
                        Reply::default()
                    }
                }
            }
            Some(Prompt::ConfirmJump(target)) => jump(target, state),
            Some(Prompt::ConfirmQuit) => quit(),
            Some(Prompt::Mark { call, text }) => mark(state, call, text),
            Some(Prompt::Learn(text)) => keep_learned(state, text),
            Some(Prompt::Line { text, .. }) => self.obey_line(text, state, facts),
            Some(Prompt::Filter { text, .. }) => {
                state.log_filter = text;
                Reply::default()
            }
            Some(Prompt::Find(_)) | None => Reply::default(),
        }
    }

    fn obey_line(&mut self, text: String, state: &mut UiState, facts: Facts) -> Reply {
        if text.trim().is_empty() {
            return Reply::default();
        }
        let order = line::read(&text, &self.keys, facts);
        if order.is_ok() {
            // The help closes, so that the result is seen.
            state.is_help = false;
        }
        match order {
            Ok(Order::Ui(command)) => self.carry_out(command, state, facts),
            Ok(Order::Engine(Command::Loop(wanted))) => rehearsal::set_loop(wanted, state, facts),
            Ok(Order::Engine(command)) => send(vec![command]),
            Ok(Order::Jump(target, words)) => {
                state.said = words;
                jump(target, state)
            }
            Ok(Order::Find(text)) => {
                show(state, Screen::Order);
                state.find = text;
                find_from(state, facts, 0);
                Reply::default()
            }
            Ok(Order::Filter(text)) => {
                state.log_filter = text;
                Reply::default()
            }
            Ok(Order::Mark(text)) => {
                let call = rehearsal::place(state, facts);
                call.map_or_else(Reply::default, |call| mark(state, call, text))
            }
            Err(words) => {
                // The line stays open so that it can be corrected.
                let mut prompt = self.line(text, facts);
                if let Prompt::Line { refused, .. } = &mut prompt {
                    *refused = words;
                }
                state.prompt = Some(prompt);
                Reply::default()
            }
        }
    }
}

/// The text of a prompt; None if it takes no text.
fn typed(prompt: &mut Prompt) -> Option<&mut String> {
    match prompt {
        Prompt::Find(text)
        | Prompt::Jump(text)
        | Prompt::Filter { text, .. }
        | Prompt::Learn(text)
        | Prompt::Mark { text, .. }
        | Prompt::Line { text, .. } => Some(text),
        Prompt::ConfirmJump(_) | Prompt::ConfirmQuit => None,
    }
}

/// Marks a position with a word, or removes the mark if the word is empty.
fn mark(state: &mut UiState, call: String, text: String) -> Reply {
    let text = text.trim().to_owned();
    if text.is_empty() {
        state.said = format!("no mark at {call}");
        state.marks.remove(&call);
    } else {
        state.said = format!("{call} is marked: {text}");
        state.marks.insert(call, text);
    }
    wish(Wish::KeepMarks)
}

/// Asks for the learned control to be written into the rig file. Without a name learning goes
/// on.
fn keep_learned(state: &mut UiState, text: String) -> Reply {
    let name = text.trim();
    if name.is_empty() {
        state.prompt = Some(Prompt::Learn(String::new()));
        return Reply::default();
    }
    state.learned_name = name.to_owned();
    wish(Wish::KeepLearned)
}

/// Pasted text goes into what is being typed and nowhere else: it is never keys.
pub(super) fn paste(text: &str, state: &mut UiState) {
    if let Some(typed) = state.prompt.as_mut().and_then(typed) {
        let room = MAX_TYPED.saturating_sub(typed.chars().count());
        typed.extend(text.chars().filter(|c| !c.is_control()).take(room));
    }
}
