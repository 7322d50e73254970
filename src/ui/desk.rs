//! Keys become changes of the screen's state and commands for the engine. No terminal:
//! a test presses keys by hand.

use super::keys::{Keys, UiCommand, UiKey};
use super::notes::{NOTE_MS, NoteKeys, semitones};
use super::prompts::paste;
pub use super::reply::{Facts, Reply, Wish};
use super::tonight;
use super::twice::Asked;
use super::{help, rehearsal, wings};
use crate::engine::input::{Command, KeyPress, Origin};
use crate::engine::promptbook::{ControllerId, PositionId};
use crate::screen::state::find;
use crate::screen::{Listing, NoteMode, Prompt, Screen, UiState};
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind};

/// Turns events into replies.
#[derive(Clone, Debug, Default)]
pub struct Desk {
    notes: NoteKeys,
    pub(super) has_releases: bool,
    pub(super) asked: Option<Asked>,
    pub(super) keys: Keys,
}

impl Desk {
    /// A desk with keys of one's own.
    #[must_use]
    pub fn new(keys: Keys) -> Self {
        Self {
            keys,
            ..Self::default()
        }
    }

    /// The keys in force.
    #[must_use]
    pub const fn keys(&self) -> &Keys {
        &self.keys
    }

    /// One event of the terminal.
    pub fn handle(&mut self, event: &Event, state: &mut UiState, facts: Facts) -> Reply {
        match event {
            Event::Key(key) => self.handle_key(key, state, facts),
            // Key releases outside this window are not reported, so all notes end.
            Event::FocusLost => send(self.notes.release_all()),
            Event::Paste(text) => {
                paste(text, state);
                Reply::default()
            }
            Event::Mouse(mouse) => self.handle_mouse(*mouse, None, state, facts),
            _ => Reply::default(),
        }
    }

    /// Ends keyboard notes whose length is over. Call it regularly.
    pub fn expire(&mut self, facts: Facts) -> Vec<Command> {
        if self.has_releases {
            Vec::new()
        } else {
            self.notes.expire(facts.now_us)
        }
    }

    /// Ends all keyboard notes: a key event was lost, or the loop ends.
    pub fn release_all(&mut self) -> Vec<Command> {
        self.notes.release_all()
    }

    fn handle_key(&mut self, event: &KeyEvent, state: &mut UiState, facts: Facts) -> Reply {
        let key = UiKey::of(event);
        if event.kind == KeyEventKind::Release {
            return self.release(key, state);
        }
        state.said.clear();
        let is_repeat = event.kind == KeyEventKind::Repeat;
        self.forget_asked(key, state);
        let command = self.keys.lookup(key, state.screen).map(|row| row.command);
        if self.is_kept_by_lock(command, key, state) {
            return Reply::default();
        }
        if state.prompt.is_some()
            && let Some(reply) = self.type_into_prompt(key, state, facts)
        {
            return reply;
        }
        if let Some(reply) = self.play(key, is_repeat, state, facts) {
            return reply;
        }
        if state.is_help
            && let Some(step) = scroll_step(key)
        {
            state.help_scroll = moved(state.help_scroll, step).min(self.keys.rows().count());
            return Reply::default();
        }
        if state.is_help && matches!(command, Some(UiCommand::Send(Command::Resend { .. }))) {
            state.said = "the state is sent again".into();
        }
        match command {
            Some(command) if state.is_help && !help::passes(command) => {
                state.said = "the help covers that: close it first".into();
                Reply::default()
            }
            // Auto-repeat of a held key moves a cursor, and repeats no other command.
            Some(command) if !is_repeat || is_scroll(command) => {
                if let Some(reply) = self.ask_again(key, command, state, facts) {
                    return reply;
                }
                let mut reply = self.carry_out(command, state, facts);
                reply.origin = self.origin(key);
                reply
            }
            _ => Reply::default(),
        }
    }

    /// A key of this terminal, as the origin of a command.
    pub(super) fn origin(&self, key: UiKey) -> Origin {
        Origin::Key(KeyPress {
            key: key.number(),
            is_certain: self.has_releases,
        })
    }

    fn release(&mut self, key: UiKey, state: &mut UiState) -> Reply {
        self.has_releases = true;
        if let NoteMode::On { has_releases, .. } = &mut state.notes {
            *has_releases = true;
        }
        match key.code {
            // A key pressed as a small letter and released as a capital or sign cannot be
            // matched, so all notes end.
            KeyCode::Char(c) if semitones(c).is_none() => send(self.notes.release_all()),
            KeyCode::Char(c) => send(self.notes.release(c)),
            _ => Reply::default(),
        }
    }

    /// Plays letters while they are notes; None if the key is not a note.
    fn play(
        &mut self,
        key: UiKey,
        is_repeat: bool,
        state: &mut UiState,
        facts: Facts,
    ) -> Option<Reply> {
        let NoteMode::On {
            controller, base, ..
        } = state.notes
        else {
            return None;
        };
        let KeyCode::Char(letter) = key.code else {
            return None;
        };
        if !key.modifiers.is_empty() || semitones(letter).is_none() {
            return None;
        }
        if is_repeat {
            return Some(Reply::default());
        }
        let id = ControllerId(u8::try_from(controller).ok()?);
        let reply = send(self.notes.press(letter, id, base, facts.now_us));
        state.keys_lost = state.keys_lost.saturating_add(self.notes.take_refused());
        Some(reply)
    }

    pub(super) fn carry_out(
        &mut self,
        command: UiCommand,
        state: &mut UiState,
        facts: Facts,
    ) -> Reply {
        match command {
            UiCommand::Send(command) => {
                if matches!(command, Command::Step | Command::Back) {
                    place_cursor(state, None);
                }
                return send(vec![command]);
            }
            UiCommand::ToggleMute => return send(vec![Command::Mute(!facts.view.is_muted)]),
            UiCommand::ToggleFade => return send(vec![Command::Fade(!facts.view.is_faded)]),
            UiCommand::ToggleCues => return self.toggle_cues(state, facts),
            UiCommand::Show(screen) => show(state, screen),
            UiCommand::NextTheme => state.settings.theme = state.settings.theme.after(),
            UiCommand::NextScreen => show(state, next_screen(state.screen)),
            UiCommand::Find => {
                show(state, Screen::Order);
                state.prompt = Some(Prompt::Find(String::new()));
            }
            UiCommand::FindNext => find_from(state, facts, 1),
            UiCommand::Jump => state.prompt = Some(Prompt::Jump(String::new())),
            UiCommand::SkipSong
            | UiCommand::MoveSongUp
            | UiCommand::MoveSongDown
            | UiCommand::TransposeSong(_)
            | UiCommand::UndoChange => {
                return Reply {
                    edit: tonight::edit(command, state, facts.sheet, facts.view),
                    ..Reply::default()
                };
            }
            // A song that is left out has no position to jump to.
            UiCommand::JumpToCursor if state.left_out.is_some() => {}
            UiCommand::JumpToCursor => {
                let target = state.cursor.unwrap_or(facts.view.position.index());
                return jump_or_ask(target, state, facts);
            }
            UiCommand::PanicOne
            | UiCommand::ResendOne(_)
            | UiCommand::MuteOne
            | UiCommand::Spare
            | UiCommand::EndNote
            | UiCommand::IgnorePedal => return wings::act(command, state, facts),
            UiCommand::Down => scroll(state, facts, 1),
            UiCommand::Up => scroll(state, facts, -1),
            UiCommand::Notes => return self.next_notes(state, facts),
            UiCommand::OctaveUp => shift_octave(state, 12),
            UiCommand::OctaveDown => shift_octave(state, -12),
            UiCommand::Help => {
                state.is_help = !state.is_help;
                state.help_scroll = 0;
            }
            UiCommand::Close => return self.close(state),
            UiCommand::Quit => return ask_to_quit(state, facts),
            UiCommand::LockPedals => {
                return send(vec![Command::LockPedals(!facts.view.is_locked)]);
            }
            UiCommand::LockKeys => return self.lock_keys(state),
            UiCommand::Loop
            | UiCommand::LoopTo
            | UiCommand::Mark
            | UiCommand::NextMark
            | UiCommand::MarksOnly => return rehearsal::act(command, state, facts),
            UiCommand::Record => return wish(Wish::Record),
            UiCommand::Learn => {
                state.prompt = Some(Prompt::Learn(String::new()));
                return wish(Wish::Learn);
            }
            UiCommand::SaveLog => return wish(Wish::SaveLog),
            UiCommand::Mouse => {
                state.has_mouse = !state.has_mouse;
                return wish(Wish::Mouse);
            }
            UiCommand::LogDown => state.log_scroll = moved(state.log_scroll, -1),
            UiCommand::LogUp => state.log_scroll = moved(state.log_scroll, 1),
            UiCommand::Filter => {
                state.prompt = Some(Prompt::Filter {
                    text: String::new(),
                    before: state.log_filter.clone(),
                });
            }
            UiCommand::Line => state.prompt = Some(self.line(String::new(), facts)),
        }
        Reply::default()
    }

    /// Keyboard notes are for rehearsal and the model rig: on a real rig they end when the show
    /// begins.
    fn toggle_cues(&mut self, state: &mut UiState, facts: Facts) -> Reply {
        let is_show = !facts.view.sends_cues;
        let mut commands = Vec::new();
        if is_show && !state.may_play {
            state.notes = NoteMode::Off;
            commands = self.notes.release_all();
        }
        commands.push(Command::Cues(is_show));
        send(commands)
    }

    /// Off, then each keyboard of the rig in turn, then off again.
    fn next_notes(&mut self, state: &mut UiState, facts: Facts) -> Reply {
        let (from, base) = match state.notes {
            NoteMode::Off if !may_play(state, facts) => return Reply::default(),
            NoteMode::Off => (0, LOWEST_C),
            NoteMode::On {
                controller, base, ..
            } => (controller + 1, base),
        };
        let controllers = facts.sheet.controllers.iter().enumerate().skip(from);
        let next = controllers
            .filter(|(_, line)| line.keys.is_some())
            .map(|(index, _)| index)
            .next();
        state.notes = next.map_or(NoteMode::Off, |controller| NoteMode::On {
            controller,
            base,
            has_releases: self.has_releases,
            length_ms: NOTE_MS,
        });
        send(self.notes.release_all())
    }

    /// Closes the innermost open thing: help, then keyboard notes, a cursor, a screen.
    fn close(&mut self, state: &mut UiState) -> Reply {
        if state.is_help {
            state.is_help = false;
        } else if !state.log_filter.is_empty() && state.screen == Screen::Wings {
            state.log_filter.clear();
        } else if state.notes != NoteMode::Off {
            state.notes = NoteMode::Off;
            return send(self.notes.release_all());
        } else if (state.cursor.is_some() || state.left_out.is_some())
            && state.screen == Screen::Order
        {
            place_cursor(state, None);
        } else {
            state.screen = Screen::Stage;
        }
        Reply::default()
    }
}

/// Lowest note of the lower row at first: C3, so that middle C begins the upper row.
const LOWEST_C: u8 = 48;

/// Letters may be notes on the model rig and in rehearsal, never on a rig in a show.
const fn may_play(state: &UiState, facts: Facts) -> bool {
    state.may_play || !facts.view.sends_cues
}

const fn is_scroll(command: UiCommand) -> bool {
    matches!(
        command,
        UiCommand::Down | UiCommand::Up | UiCommand::LogDown | UiCommand::LogUp
    )
}

pub(super) fn wish(wish: Wish) -> Reply {
    Reply {
        wish: Some(wish),
        ..Reply::default()
    }
}

pub(super) fn send(commands: Vec<Command>) -> Reply {
    Reply {
        commands,
        ..Reply::default()
    }
}

pub(super) fn jump(target: usize, state: &mut UiState) -> Reply {
    place_cursor(state, None);
    let position = u32::try_from(target).map(PositionId);
    position.map_or_else(
        |_| Reply::default(),
        |position| send(vec![Command::Jump(position)]),
    )
}

pub(super) fn jump_or_ask(target: usize, state: &mut UiState, facts: Facts) -> Reply {
    if target == facts.view.position.index() || target >= facts.sheet.positions.len() {
        return Reply::default();
    }
    if facts.view.sends_cues {
        state.prompt = Some(Prompt::ConfirmJump(target));
        return Reply::default();
    }
    jump(target, state)
}

/// In a show the first press asks; the same key again, or Enter, leaves.
fn ask_to_quit(state: &mut UiState, facts: Facts) -> Reply {
    let is_asked = state.prompt == Some(Prompt::ConfirmQuit);
    if is_asked || !facts.view.sends_cues {
        return quit();
    }
    state.prompt = Some(Prompt::ConfirmQuit);
    Reply::default()
}

pub(super) fn quit() -> Reply {
    Reply {
        is_quit: true,
        ..Reply::default()
    }
}

/// Puts the cursor on a position; None lets it follow the show.
pub(super) fn place_cursor(state: &mut UiState, position: Option<usize>) {
    (state.cursor, state.left_out) = (position, None);
}

pub(super) fn show(state: &mut UiState, screen: Screen) {
    state.is_help = false;
    state.screen = screen;
}

fn next_screen(screen: Screen) -> Screen {
    match screen {
        Screen::Stage => Screen::Wings,
        Screen::Wings => Screen::Order,
        Screen::Order => Screen::Stage,
    }
}

pub(super) fn find_from(state: &mut UiState, facts: Facts, offset: usize) {
    let from = state.cursor.unwrap_or(facts.view.position.index()) + offset;
    if let Some(found) = find(facts.sheet, &state.find, from) {
        place_cursor(state, Some(found));
    }
}

pub(super) fn scroll(state: &mut UiState, facts: Facts, step: isize) {
    if state.screen == Screen::Wings {
        wings::move_cursor(state, facts, step);
        return;
    }
    let rows: Vec<Listing> = state
        .listings(facts.sheet)
        .into_iter()
        .filter(|row| matches!(row, Listing::Position(_) | Listing::Skipped(_)))
        .collect();
    let row = state.cursor_row(facts.view.position.index());
    let from = rows.iter().position(|other| *other == row).unwrap_or(0);
    match rows.get(moved(from, step).min(rows.len().saturating_sub(1))) {
        Some(Listing::Position(index)) => place_cursor(state, Some(*index)),
        Some(Listing::Skipped(line)) => state.left_out = Some(*line),
        _ => {}
    }
}

pub(super) fn moved(from: usize, step: isize) -> usize {
    from.saturating_add_signed(step)
}

/// A step of the help: see `help::is_scroll`.
fn scroll_step(key: UiKey) -> Option<isize> {
    match key.code {
        KeyCode::Down => Some(1),
        KeyCode::Up => Some(-1),
        _ => None,
    }
}

fn shift_octave(state: &mut UiState, semitones: i8) {
    if let NoteMode::On { base, .. } = &mut state.notes
        && let Some(shifted) = base
            .checked_add_signed(semitones)
            .filter(|base| *base <= 96)
    {
        *base = shifted;
    }
}
