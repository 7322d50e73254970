//! Keys become changes of the screen's state and commands for the engine. No terminal:
//! a test presses keys by hand.

use super::keys::{TABLE, UiCommand, UiKey, lookup};
use super::notes::{NOTE_MS, NoteKeys, semitones};
use super::tonight::{self, NightEdit};
use crate::engine::input::Command;
use crate::engine::promptbook::{ControllerId, PositionId};
use crate::engine::view::View;
use crate::screen::state::{find, find_place, listings};
use crate::screen::{Listing, NoteMode, Prompt, Screen, UiState};
use crate::sheet::Sheet;
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

/// What came of an event.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Reply {
    /// Commands for the engine, in order.
    pub commands: Vec<Command>,
    /// A change of the night.
    pub edit: Option<NightEdit>,
    /// The person wants to leave.
    pub is_quit: bool,
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
}

impl Desk {
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
            state.help_scroll = moved(state.help_scroll, step).min(TABLE.len());
            return Reply::default();
        }
        match lookup(key, state.screen) {
            // A held key goes on moving a cursor, and does nothing else twice.
            Some(command) if !is_repeat || matches!(command, UiCommand::Down | UiCommand::Up) => {
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

    fn carry_out(&mut self, command: UiCommand, state: &mut UiState, facts: Facts) -> Reply {
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

    /// A key while something is typed or asked. Nothing if the key means the same as ever:
    /// pedals step whatever is open.
    fn type_into_prompt(&mut self, key: UiKey, state: &mut UiState, facts: Facts) -> Option<Reply> {
        let is_plain = (key.modifiers - KeyModifiers::SHIFT).is_empty();
        if key.code == KeyCode::Esc {
            state.prompt = None;
            return Some(Reply::default());
        }
        match (state.prompt.as_mut()?, key.code) {
            (Prompt::Find(text) | Prompt::Jump(text), KeyCode::Char(c)) if is_plain => {
                if text.chars().count() < MAX_TYPED {
                    text.push(c);
                }
            }
            (Prompt::Find(text) | Prompt::Jump(text), KeyCode::Backspace) => {
                text.pop();
            }
            (_, KeyCode::Enter) => return Some(answer(state, facts)),
            _ => return None,
        }
        if let Some(Prompt::Find(text)) = &state.prompt {
            state.find.clone_from(text);
            find_from(state, facts, 0);
        }
        Some(Reply::default())
    }
}

/// Lowest note of the lower row at first: C3, so that middle C begins the upper row.
const LOWEST_C: u8 = 48;
/// Characters that a prompt takes; more are ignored.
const MAX_TYPED: usize = 64;

/// Letters may be notes on the model rig and in rehearsal, never on a rig in a show.
const fn may_play(state: &UiState, facts: Facts) -> bool {
    state.may_play || !facts.view.sends_cues
}

fn send(commands: Vec<Command>) -> Reply {
    Reply {
        commands,
        ..Reply::default()
    }
}

/// Enter in a prompt.
fn answer(state: &mut UiState, facts: Facts) -> Reply {
    match state.prompt.take() {
        Some(Prompt::Jump(text)) => {
            // The target was shown while it was typed: a second question would only delay.
            match find_place(facts.sheet, &text, facts.view.position.index()) {
                Some(target) => jump(target, state),
                None => {
                    // The prompt says that there is no such place, and stays to be mended.
                    state.prompt = Some(Prompt::Jump(text));
                    Reply::default()
                }
            }
        }
        Some(Prompt::ConfirmJump(target)) => jump(target, state),
        Some(Prompt::ConfirmQuit) => quit(),
        Some(Prompt::Find(_)) | None => Reply::default(),
    }
}

fn jump(target: usize, state: &mut UiState) -> Reply {
    place_cursor(state, None);
    let position = u32::try_from(target).map(PositionId);
    position.map_or_else(
        |_| Reply::default(),
        |position| send(vec![Command::Jump(position)]),
    )
}

fn jump_or_ask(target: usize, state: &mut UiState, facts: Facts) -> Reply {
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

fn quit() -> Reply {
    Reply {
        is_quit: true,
        ..Reply::default()
    }
}

/// Puts the cursor on a position; none lets it follow the show.
fn place_cursor(state: &mut UiState, position: Option<usize>) {
    (state.cursor, state.left_out) = (position, None);
}

fn show(state: &mut UiState, screen: Screen) {
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

fn find_from(state: &mut UiState, facts: Facts, offset: usize) {
    let from = state.cursor.unwrap_or(facts.view.position.index()) + offset;
    if let Some(found) = find(facts.sheet, &state.find, from) {
        place_cursor(state, Some(found));
    }
}

fn scroll(state: &mut UiState, facts: Facts, step: isize) {
    if state.screen == Screen::Wings {
        // The log follows its end: up is further from it.
        state.log_scroll = moved(state.log_scroll, -step);
        return;
    }
    let rows: Vec<Listing> = listings(facts.sheet)
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

fn moved(from: usize, step: isize) -> usize {
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

/// Pasted text goes into what is being typed and nowhere else: it is never keys.
fn paste(text: &str, state: &mut UiState) {
    if let Some(Prompt::Find(typed) | Prompt::Jump(typed)) = &mut state.prompt {
        let room = MAX_TYPED.saturating_sub(typed.chars().count());
        typed.extend(text.chars().filter(|c| !c.is_control()).take(room));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Key, Value7};
    use crate::sheet::{ControllerLine, OrderLine, PositionLine, SceneLine, SongLine};

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
}
