//! Keys that must be pressed twice, and the lock of the keys.
//!
//! On the stage a stray key must not end the music: a command that silences or jumps needs a
//! second press of its key within two seconds, and the last row says so meanwhile. Panic acts
//! at once, everywhere: it is for when something sounds that must not.
//!
//! A key that is held must not answer its own question. Where the terminal does not report
//! repeats, the second press counts only after a moment in which no repeat follows.

use super::desk::{Desk, Facts, Reply};
use super::help;
use super::keys::{UiCommand, UiKey};
use crate::engine::input::Command;
use crate::screen::{NoteMode, Screen, UiState};

/// Longest time between the two presses, in microseconds.
const AGAIN_US: u64 = 2_000_000;
/// Terminals repeat a key that is held at shorter times than this (common practice, no
/// source: 20 to 92 ms), and no finger does.
const REPEAT_US: u64 = 100_000;

/// A key that was pressed once and must be pressed again.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Asked {
    key: UiKey,
    command: UiCommand,
    /// When it was asked.
    at_us: u64,
    /// When the key came last.
    last_us: u64,
    /// It was pressed again, which counts from this time on if no repeat follows.
    due_us: Option<u64>,
    /// The key is held: it answers nothing until it is let go.
    is_held: bool,
}

impl Desk {
    /// Asks for a second press, if the command of the key needs one.
    pub(super) fn ask_again(
        &mut self,
        key: UiKey,
        command: UiCommand,
        state: &mut UiState,
        facts: Facts,
    ) -> Option<Reply> {
        let what = again_words(command, state, facts)?;
        let now_us = facts.now_us;
        let known = self.asked.filter(|asked| {
            (asked.key, asked.command) == (key, command)
                && now_us.saturating_sub(asked.at_us) < AGAIN_US
        });
        let is_rapid =
            |asked: &Asked| !self.has_releases && now_us.saturating_sub(asked.last_us) < REPEAT_US;
        match known {
            Some(asked) if is_rapid(&asked) => {
                state.asked.clear();
                self.asked = Some(Asked {
                    // While the key is held the question stays open.
                    at_us: now_us,
                    last_us: now_us,
                    due_us: None,
                    is_held: true,
                    ..asked
                });
            }
            Some(asked) if !asked.is_held => {
                self.asked = Some(Asked {
                    last_us: now_us,
                    due_us: Some(match self.has_releases {
                        true => now_us,
                        false => now_us.saturating_add(REPEAT_US),
                    }),
                    ..asked
                });
                return Some(self.confirm(state, facts).unwrap_or_default());
            }
            _ => {
                state.asked = format!("{} again: {what}", key.name());
                self.asked = Some(Asked {
                    key,
                    command,
                    at_us: now_us,
                    last_us: now_us,
                    due_us: None,
                    is_held: false,
                });
            }
        }
        Some(Reply::default())
    }

    /// Another key takes the question back.
    pub(super) fn forget_asked(&mut self, key: UiKey, state: &mut UiState) {
        if self.asked.is_some_and(|asked| asked.key != key) {
            self.asked = None;
            state.asked.clear();
        }
    }

    /// The command that was confirmed by a second press, once it is certain that no repeat
    /// follows. Also withdraws an unanswered question. None if nothing changed. Call it
    /// regularly.
    pub fn confirm(&mut self, state: &mut UiState, facts: Facts) -> Option<Reply> {
        let asked = self.asked?;
        match asked.due_us {
            Some(due_us) if facts.now_us < due_us => None,
            Some(_) => {
                self.asked = None;
                state.asked.clear();
                let mut reply = self.carry_out(asked.command, state, facts);
                reply.origin = self.origin(asked.key);
                Some(reply)
            }
            None if facts.now_us.saturating_sub(asked.at_us) < AGAIN_US => None,
            None => {
                self.asked = None;
                state.asked.clear();
                Some(Reply::default())
            }
        }
    }

    /// Locks the keys, or frees them. Without a key of its own it could not be undone.
    pub(super) fn lock_keys(&mut self, state: &mut UiState) -> Reply {
        if self.lock_key().is_none() {
            state.said = "`lock keys` has no key, so nothing could free them: not locked".into();
            return Reply::default();
        }
        state.are_keys_locked = !state.are_keys_locked;
        state.prompt = None;
        state.notes = NoteMode::Off;
        super::desk::send(self.release_all())
    }

    /// The key that locks and frees.
    fn lock_key(&self) -> Option<UiKey> {
        let mut bound = self.keys.bound();
        let (_, keys) = bound.find(|(row, _)| row.command == UiCommand::LockKeys)?;
        keys.first().copied()
    }

    /// Whether the lock blocks a key; the last row then says so.
    pub(super) fn is_kept_by_lock(
        &self,
        command: Option<UiCommand>,
        key: UiKey,
        state: &mut UiState,
    ) -> bool {
        let is_free = match command {
            Some(UiCommand::Send(Command::Panic(None)) | UiCommand::LockKeys | UiCommand::Help) => {
                true
            }
            Some(UiCommand::Close) => state.is_help,
            _ => state.is_help && help::is_scroll(key),
        };
        if state.are_keys_locked && !is_free {
            let key = self.lock_key().map_or_else(String::new, UiKey::name);
            state.said = format!("these keys are locked: {key} twice frees them");
            return true;
        }
        false
    }
}

/// What a key that must be pressed twice is about to do; None if one press is enough.
fn again_words(command: UiCommand, state: &UiState, facts: Facts) -> Option<&'static str> {
    if command == UiCommand::LockKeys {
        return Some(match state.are_keys_locked {
            false => "lock these keys",
            true => "free these keys",
        });
    }
    if state.screen != Screen::Stage {
        return None;
    }
    let view = facts.view;
    // A jump is asked for in a show only, as it is from the running order.
    let is_show = view.sends_cues;
    match command {
        UiCommand::ToggleMute if view.is_muted => Some("notes sound again"),
        UiCommand::ToggleMute => Some("no new notes sound"),
        UiCommand::ToggleFade if view.is_faded => Some("fade everything in"),
        UiCommand::ToggleFade => Some("fade everything out"),
        UiCommand::LockPedals if view.is_locked => Some("pedals step again"),
        UiCommand::LockPedals => Some("no pedal steps"),
        UiCommand::Send(Command::Resend {
            is_forced: true, ..
        }) => Some("send the state to sounding slots too, may cut notes"),
        UiCommand::Send(Command::SongDown) if is_show => Some("jump to the next song"),
        UiCommand::Send(Command::SongUp) if is_show => Some("jump to the song's start or before"),
        _ => None,
    }
}
