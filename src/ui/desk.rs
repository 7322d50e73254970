//! Keys become changes of the screen's state and commands for the engine. No terminal:
//! a test presses keys by hand.

use super::keys::{Keys, UiCommand, UiKey};
use super::notes::{NOTE_MS, NoteKeys, semitones};
use super::prompts::paste;
use super::tonight::{self, NightEdit};
use super::{rehearsal, wings};
use crate::engine::input::Command;
use crate::engine::promptbook::{ControllerId, PositionId};
use crate::engine::view::View;
use crate::screen::state::find;
use crate::screen::{Listing, NoteMode, Prompt, Screen, UiState};
use crate::sheet::Sheet;
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind};

/// What came of an event.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Reply {
    /// Commands for the engine, in order.
    pub commands: Vec<Command>,
    /// A change of the night.
    pub edit: Option<NightEdit>,
    /// Something for the files.
    pub wish: Option<Wish>,
    /// The person wants to leave.
    pub is_quit: bool,
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
    /// Names and positions.
    pub sheet: &'a Sheet,
    /// What the engine published last.
    pub view: &'a View,
    /// The present in microseconds.
    pub now_us: u64,
}

/// Turns events into replies.
#[derive(Clone, Debug, Default)]
pub struct Desk {
    notes: NoteKeys,
    has_releases: bool,
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
            // Releases that happen elsewhere are not reported: let all go.
            Event::FocusLost => send(self.notes.release_all()),
            Event::Paste(text) => {
                paste(text, state);
                Reply::default()
            }
            Event::Mouse(mouse) => self.handle_mouse(*mouse, None, state, facts),
            _ => Reply::default(),
        }
    }

    /// Notes whose time is over. To be called now and then.
    pub fn expire(&mut self, facts: Facts) -> Vec<Command> {
        if self.has_releases {
            Vec::new()
        } else {
            self.notes.expire(facts.now_us)
        }
    }

    /// All keyboard notes are let go: a key event was lost, or the loop ends.
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
        let command = self.keys.lookup(key, state.screen).map(|row| row.command);
        match command {
            // A held key goes on moving a cursor, and does nothing else twice.
            Some(command) if !is_repeat || is_scroll(command) => {
                self.carry_out(command, state, facts)
            }
            _ => Reply::default(),
        }
    }

    fn release(&mut self, key: UiKey, state: &mut UiState) -> Reply {
        self.has_releases = true;
        if let NoteMode::On { has_releases, .. } = &mut state.notes {
            *has_releases = true;
        }
        match key.code {
            // Pressed as a small letter and let go as a capital or a sign: which one it was
            // cannot be told.
            KeyCode::Char(c) if semitones(c).is_none() => send(self.notes.release_all()),
            KeyCode::Char(c) => send(self.notes.release(c)),
            _ => Reply::default(),
        }
    }

    /// Letters while they are notes. Nothing if the key is not one.
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
            // A song that is left out is no place to be.
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
            _ => return self.carry_on(command, state, facts),
        }
        Reply::default()
    }

    /// What else there is: rehearsal, the log, files, the command line.
    fn carry_on(&mut self, command: UiCommand, state: &mut UiState, facts: Facts) -> Reply {
        match command {
            UiCommand::LockPedals => {
                return send(vec![Command::LockPedals(!facts.view.is_locked)]);
            }
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
            UiCommand::Filter => state.prompt = Some(Prompt::Filter(state.log_filter.clone())),
            UiCommand::Line => state.prompt = Some(self.line(String::new(), facts)),
            _ => {}
        }
        Reply::default()
    }

    /// Keyboard notes belong to rehearsal and to the model rig: on a real one they end
    /// where the show begins.
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

    /// The innermost open thing is left: help, then keyboard notes, a cursor, a screen.
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

/// Puts the cursor on a position; none lets it follow the show.
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Key, Value7};
    use crate::sheet::{ControllerLine, OrderLine, PositionLine, SceneLine, SongLine};
    use crossterm::event::KeyModifiers;

    /// A desk with its state before a show of three scenes on one keyboard.
    struct Bench {
        desk: Desk,
        state: UiState,
        sheet: Sheet,
        view: View,
        now_us: u64,
    }

    impl Bench {
        fn new() -> Self {
            let scenes = ["Riff", "Strings", "Waltz"];
            let position = |scene| PositionLine {
                call: format!("1.{}", scene + 1),
                scene,
                song: 0,
            };
            let scene = |name: &&str| SceneLine {
                name: (*name).to_owned(),
                ..SceneLine::default()
            };
            let sheet = Sheet {
                controllers: vec![
                    ControllerLine {
                        name: "pedals".into(),
                        keys: None,
                        port: 0,
                    },
                    ControllerLine {
                        name: "lower".into(),
                        keys: Some((28, 103)),
                        port: 1,
                    },
                ],
                songs: vec![SongLine {
                    call: "1".into(),
                    positions: (0, 3),
                    ..SongLine::default()
                }],
                scenes: scenes.iter().map(scene).collect(),
                positions: (0..3).map(position).collect(),
                order: vec![
                    OrderLine::Song(0),
                    OrderLine::Skipped {
                        call: "2".into(),
                        title: "Slow Ferry".into(),
                    },
                ],
                ..Sheet::default()
            };
            Self {
                desk: Desk::default(),
                state: UiState::default(),
                sheet,
                view: View::default(),
                now_us: 0,
            }
        }

        fn event(&mut self, event: &Event) -> Reply {
            let facts = Facts {
                sheet: &self.sheet,
                view: &self.view,
                now_us: self.now_us,
            };
            self.desk.handle(event, &mut self.state, facts)
        }

        fn key(&mut self, code: KeyCode) -> Vec<Command> {
            self.event(&Event::Key(KeyEvent::new(code, KeyModifiers::NONE)))
                .commands
        }

        fn typed(&mut self, text: &str) -> Vec<Command> {
            text.chars()
                .flat_map(|c| self.key(KeyCode::Char(c)))
                .collect()
        }

        fn kind(&mut self, c: char, kind: KeyEventKind) -> Vec<Command> {
            let key = KeyEvent::new_with_kind(KeyCode::Char(c), KeyModifiers::NONE, kind);
            self.event(&Event::Key(key)).commands
        }
    }

    const LOWER: ControllerId = ControllerId(1);

    #[test]
    fn a_pedal_steps_whatever_is_open() {
        let mut bench = Bench::new();
        for open in ["", "/", "g", "?", "2", "3"] {
            bench.typed(open);
            assert_eq!(
                bench.key(KeyCode::PageDown),
                [Command::Step],
                "after `{open}`"
            );
            assert_eq!(
                bench.key(KeyCode::PageUp),
                [Command::Back],
                "after `{open}`"
            );
            bench.key(KeyCode::Esc);
            bench.key(KeyCode::Esc);
        }
    }

    #[test]
    fn what_is_typed_into_a_prompt_is_no_command() {
        let mut bench = Bench::new();
        assert_eq!(bench.typed("/r m!waltz "), []);
        assert_eq!(bench.state.prompt, Some(Prompt::Find("r m!waltz ".into())));
        for _ in "r m!waltz ".chars() {
            bench.key(KeyCode::Backspace);
        }
        bench.typed("walt");
        assert_eq!(bench.state.cursor, Some(2));
    }

    #[test]
    fn a_jump_from_the_list_asks_in_a_show_and_not_in_rehearsal() {
        let mut bench = Bench::new();
        bench.typed("3");
        bench.key(KeyCode::Down);
        assert_eq!(bench.key(KeyCode::Enter), []);
        assert_eq!(bench.state.prompt, Some(Prompt::ConfirmJump(1)));
        assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(1))]);
        bench.view.sends_cues = false;
        bench.key(KeyCode::Down);
        assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(1))]);
    }

    #[test]
    fn the_song_under_the_cursor_is_changed_tonight() {
        let mut bench = Bench::new();
        let edit = |bench: &mut Bench, key, modifiers| {
            let event = Event::Key(KeyEvent::new(key, modifiers));
            let facts = Facts {
                sheet: &bench.sheet,
                view: &bench.view,
                now_us: 0,
            };
            bench.desk.handle(&event, &mut bench.state, facts).edit
        };
        let (none, shift) = (KeyModifiers::NONE, KeyModifiers::SHIFT);
        let x = KeyCode::Char('x');
        assert_eq!(edit(&mut bench, x, none), None, "not on the stage");
        bench.typed("3");
        let one = || "1".to_owned();
        assert_eq!(edit(&mut bench, x, none), Some(NightEdit::Skip(one())));
        let up = edit(&mut bench, KeyCode::Up, shift);
        assert_eq!(up, Some(NightEdit::MoveUp(one())));
        let lower = edit(&mut bench, KeyCode::Char('T'), shift);
        assert_eq!(lower, Some(NightEdit::Transpose(one(), -1)));
        // The cursor goes on to the song that is left out, which is no place to jump to.
        for _ in 0..3 {
            bench.key(KeyCode::Down);
        }
        assert_eq!(bench.state.left_out, Some(1));
        assert_eq!(
            edit(&mut bench, x, none),
            Some(NightEdit::TakeIn("2".into()))
        );
        assert_eq!(bench.key(KeyCode::Enter), []);
        assert_eq!(bench.state.prompt, None);
        // Taken in again it stands before the others: the cursor stays with it.
        let old = bench.sheet.clone();
        bench.sheet.songs.push(SongLine {
            call: "2".into(),
            positions: (3, 1),
            ..SongLine::default()
        });
        bench.sheet.order[1] = OrderLine::Song(1);
        bench.state.change_sheet(&old, &bench.sheet);
        assert_eq!((bench.state.left_out, bench.state.cursor), (None, Some(3)));
        let undo = edit(&mut bench, KeyCode::Char('u'), none);
        assert_eq!(undo, Some(NightEdit::Undo));
    }

    #[test]
    fn a_call_number_jumps() {
        let mut bench = Bench::new();
        bench.typed("g1.3");
        assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(2))]);
        bench.typed("gnowhere");
        assert_eq!(bench.key(KeyCode::Enter), []);
        assert_eq!(bench.state.prompt, Some(Prompt::Jump("nowhere".into())));
    }

    #[test]
    fn escape_ends_keyboard_notes_and_lets_them_go() {
        let mut bench = Bench::new();
        bench.state.may_play = true;
        bench.typed("2kz");
        let off = Command::NoteOff(LOWER, Key::clamped(48));
        assert_eq!(bench.key(KeyCode::Esc), [off]);
        assert_eq!(bench.state.notes, NoteMode::Off);
        assert_eq!(bench.state.screen, Screen::Wings, "one thing at a time");
        bench.key(KeyCode::Esc);
        assert_eq!(bench.state.screen, Screen::Stage);
    }

    #[test]
    fn leaving_asks_in_a_show() {
        let mut bench = Bench::new();
        let quit = Event::Key(KeyEvent::new(KeyCode::Char('q'), KeyModifiers::NONE));
        assert!(!bench.event(&quit).is_quit);
        bench.key(KeyCode::Esc);
        assert!(!bench.event(&quit).is_quit, "Esc took the question back");
        assert!(bench.event(&quit).is_quit);
        bench.state.prompt = None;
        bench.view.sends_cues = false;
        assert!(bench.event(&quit).is_quit);
    }

    #[test]
    fn letters_are_notes_only_where_they_may_be() {
        let mut bench = Bench::new();
        bench.typed("k");
        assert_eq!(bench.state.notes, NoteMode::Off, "not on a rig in a show");
        bench.state.may_play = true;
        bench.typed("k");
        let c3 = Key::clamped(48);
        assert_eq!(
            bench.typed("z"),
            [Command::NoteOn(LOWER, c3, Value7::clamped(90))]
        );
        assert_eq!(
            bench.typed(" "),
            [Command::Step],
            "space steps all the same"
        );
        assert_eq!(
            bench.kind('z', KeyEventKind::Release),
            [Command::NoteOff(LOWER, c3)]
        );
        bench.typed("+");
        let c4 = Key::clamped(60);
        assert_eq!(
            bench.typed("z"),
            [Command::NoteOn(LOWER, c4, Value7::clamped(90))]
        );
        assert_eq!(
            bench.event(&Event::FocusLost).commands,
            [Command::NoteOff(LOWER, c4)]
        );
        bench.typed("k");
        assert_eq!(
            bench.state.notes,
            NoteMode::Off,
            "there is no other keyboard"
        );
    }

    #[test]
    fn notes_last_until_let_go_once_releases_are_reported() {
        let mut bench = Bench::new();
        bench.state.may_play = true;
        bench.kind('k', KeyEventKind::Press);
        bench.kind('k', KeyEventKind::Release);
        assert!(matches!(
            bench.state.notes,
            NoteMode::On {
                has_releases: true,
                ..
            }
        ));
        bench.kind('z', KeyEventKind::Press);
        bench.now_us = 60_000_000;
        let facts = Facts {
            sheet: &bench.sheet,
            view: &bench.view,
            now_us: bench.now_us,
        };
        assert_eq!(bench.desk.expire(facts), []);
        assert_eq!(bench.kind('z', KeyEventKind::Repeat), []);
        assert_eq!(bench.kind('z', KeyEventKind::Release).len(), 1);
    }

    #[test]
    fn a_held_key_steps_once() {
        let mut bench = Bench::new();
        assert_eq!(bench.kind(' ', KeyEventKind::Press), [Command::Step]);
        assert_eq!(bench.kind(' ', KeyEventKind::Repeat), []);
        assert_eq!(bench.kind(' ', KeyEventKind::Release), []);
    }

    #[test]
    fn ending_a_rehearsal_ends_keyboard_notes() {
        let mut bench = Bench::new();
        bench.view.sends_cues = false;
        bench.typed("kz");
        let commands = bench.key(KeyCode::F(9));
        let off = Command::NoteOff(LOWER, Key::clamped(48));
        assert_eq!(commands, [off, Command::Cues(true)]);
        assert_eq!(bench.state.notes, NoteMode::Off);
    }

    /// The bench with a receiver that has a spare, on the wings.
    fn wings() -> Bench {
        let mut bench = Bench::new();
        let receiver = |name: &str, first, spare_of| crate::sheet::ReceiverLine {
            name: name.into(),
            slots: (first, 2),
            channels: vec![1, 2],
            spare_of,
            ..crate::sheet::ReceiverLine::default()
        };
        bench.sheet.receivers = vec![receiver("main", 0, None), receiver("spare", 2, Some(0))];
        bench.view.held[0] = crate::engine::view::HeldView {
            slot: crate::engine::promptbook::SlotId(1),
            out_key: 60,
            ..crate::engine::view::HeldView::default()
        };
        bench.view.held_count = 1;
        bench.typed("2");
        bench
    }

    #[test]
    fn the_row_under_the_cursor_is_put_right() {
        use crate::engine::promptbook::{ReceiverId, SlotId};
        use crate::engine::view::PedalId;
        let mut bench = wings();
        assert_eq!(bench.typed("p"), [], "no row yet");
        assert!(
            bench.state.said.contains("a receiver"),
            "{}",
            bench.state.said
        );
        let over = [Command::TakeOver(ReceiverId(1))];
        assert_eq!(bench.typed("s"), over, "there is one spare only");
        bench.key(KeyCode::Down);
        assert_eq!(bench.typed("p"), [Command::Panic(Some(ReceiverId(0)))]);
        assert_eq!(bench.typed("v"), [Command::MuteOne(ReceiverId(0), true)]);
        assert_eq!(bench.typed("s"), [Command::TakeOver(ReceiverId(0))]);
        bench.key(KeyCode::Down);
        bench.key(KeyCode::Down);
        assert_eq!(
            bench.typed("d"),
            [Command::EndNote(SlotId(1), Key::clamped(60))]
        );
        assert_eq!(bench.typed("i"), []);
        assert!(bench.state.said.contains("a pedal"), "{}", bench.state.said);
        bench.key(KeyCode::Down);
        let hold = PedalId::Held(LOWER, 0);
        assert_eq!(bench.typed("i"), [Command::IgnorePedal(hold, true)]);
        bench.view.controllers[1].ignored[0] = true;
        assert_eq!(bench.typed("i"), [Command::IgnorePedal(hold, false)]);
        assert_eq!(bench.typed("L"), [Command::LockPedals(true)]);
    }

    #[test]
    fn a_command_is_given_by_its_name_and_completed() {
        use crate::engine::promptbook::ReceiverId;
        let mut bench = wings();
        bench.typed(":panic ma");
        bench.key(KeyCode::Tab);
        assert_eq!(
            bench.key(KeyCode::Enter),
            [Command::Panic(Some(ReceiverId(0)))]
        );
        bench.typed(":pan");
        assert_eq!(bench.key(KeyCode::Enter), []);
        let Some(Prompt::Line { refused, .. }) = &bench.state.prompt else {
            panic!("the line stays to be mended");
        };
        assert_eq!(refused, "no such command");
        bench.key(KeyCode::Tab);
        assert_eq!(bench.key(KeyCode::Enter), [Command::Panic(None)]);
        bench.typed(":jump 1.3");
        assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(2))]);
        bench.typed(":loop 1.3 1.2");
        let looped = Command::Loop(Some((PositionId(1), PositionId(2))));
        assert_eq!(bench.key(KeyCode::Enter), [looped]);
        bench.view.position = PositionId(2);
        bench.typed(":back 2");
        assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(0))]);
        bench.typed(":ignore lower hold");
        assert_eq!(bench.key(KeyCode::Enter).len(), 1);
        bench.typed(":spare spare");
        let over = [Command::TakeOver(ReceiverId(1))];
        assert_eq!(bench.key(KeyCode::Enter), over);
    }

    #[test]
    fn trouble_spots_are_marked_listed_and_found_again() {
        let mut bench = Bench::new();
        bench.typed("aflat here");
        let enter = Event::Key(KeyEvent::new(KeyCode::Enter, KeyModifiers::NONE));
        assert_eq!(bench.event(&enter).wish, Some(Wish::KeepMarks));
        assert_eq!(bench.state.marks["1.1"], "flat here");
        bench.view.position = PositionId(2);
        bench.typed("A");
        assert_eq!(
            (bench.state.screen, bench.state.cursor),
            (Screen::Order, Some(0))
        );
        bench.typed("M");
        assert_eq!(bench.state.listings(&bench.sheet), [Listing::Position(0)]);
        bench.typed("a");
        for _ in "flat here".chars() {
            bench.key(KeyCode::Backspace);
        }
        bench.key(KeyCode::Enter);
        assert!(bench.state.marks.is_empty());
    }

    #[test]
    fn a_loop_is_asked_for_in_rehearsal_only() {
        let mut bench = Bench::new();
        bench.typed("3");
        bench.key(KeyCode::Down);
        assert_eq!(bench.typed("o"), []);
        assert!(bench.state.said.contains("F9"), "{}", bench.state.said);
        bench.view.sends_cues = false;
        let at = |first, last| Some((PositionId(first), PositionId(last)));
        assert_eq!(bench.typed("o"), [Command::Loop(at(1, 1))]);
        bench.view.stretch = at(1, 1);
        bench.key(KeyCode::Down);
        assert_eq!(bench.typed("O"), [Command::Loop(at(1, 2))]);
        bench.view.stretch = at(1, 2);
        assert_eq!(bench.typed("o"), [Command::Loop(None)]);
    }

    #[test]
    fn a_click_points_and_a_second_one_asks_to_jump() {
        use crate::screen::Hit;
        use crossterm::event::{MouseButton, MouseEvent, MouseEventKind};
        let mut bench = Bench::new();
        bench.typed("3");
        let click = MouseEvent {
            kind: MouseEventKind::Down(MouseButton::Left),
            column: 1,
            row: 4,
            modifiers: KeyModifiers::NONE,
        };
        let hit = Some(Hit::Listing(Listing::Position(2)));
        for expected in [None, Some(Prompt::ConfirmJump(2))] {
            let facts = Facts {
                sheet: &bench.sheet,
                view: &bench.view,
                now_us: 0,
            };
            let reply = bench.desk.handle_mouse(click, hit, &mut bench.state, facts);
            assert_eq!(reply.commands, []);
            assert_eq!(bench.state.cursor, Some(2));
            assert_eq!(bench.state.prompt, expected);
        }
    }

    #[test]
    fn the_log_is_filtered_as_one_types_and_shown_whole_again() {
        let mut bench = wings();
        bench.typed("ferror");
        assert_eq!(bench.state.log_filter, "error");
        bench.key(KeyCode::Enter);
        let save = Event::Key(KeyEvent::new(KeyCode::Char('w'), KeyModifiers::NONE));
        assert_eq!(bench.event(&save).wish, Some(Wish::SaveLog));
        bench.key(KeyCode::Esc);
        assert_eq!(bench.state.log_filter, "");
        assert_eq!(bench.state.screen, Screen::Wings);
    }

    /// Only from the wings; the name is typed while the control is moved.
    #[test]
    fn a_control_is_learned_under_a_name_or_left() {
        let mut bench = Bench::new();
        let key = |code| Event::Key(KeyEvent::new(code, KeyModifiers::NONE));
        assert_eq!(bench.event(&key(KeyCode::Char('l'))).wish, None);
        bench.state.screen = Screen::Wings;
        assert_eq!(
            bench.event(&key(KeyCode::Char('l'))).wish,
            Some(Wish::Learn)
        );
        assert_eq!(
            bench.event(&key(KeyCode::Enter)).wish,
            None,
            "it has no name"
        );
        assert_eq!(bench.typed(" q!"), []);
        assert_eq!(bench.state.prompt, Some(Prompt::Learn(" q!".into())));
        // A pedal that types keys steps whatever is open.
        assert_eq!(bench.key(KeyCode::PageDown), [Command::Step]);
        assert_eq!(
            bench.event(&key(KeyCode::Enter)).wish,
            Some(Wish::KeepLearned)
        );
        assert_eq!(bench.state.learned_name, "q!");
        assert_eq!(bench.state.prompt, None);
        bench.event(&key(KeyCode::Char('l')));
        assert_eq!(
            bench.event(&key(KeyCode::Esc)).wish,
            Some(Wish::EndLearning)
        );
        assert_eq!(bench.state.prompt, None);
    }
}
