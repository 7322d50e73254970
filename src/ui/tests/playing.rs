//! Steps, prompts, the running order, letters that are notes.

use super::{Bench, LOWER};
use crate::engine::input::Command;
use crate::engine::promptbook::PositionId;
use crate::midi::{Key, Value7};
use crate::screen::{NoteMode, Prompt, Screen};
use crate::sheet::{OrderLine, SongLine};
use crate::ui::NightEdit;
use crate::ui::desk::Facts;
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

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

#[test]
fn what_a_key_switches_on_it_switches_off() {
    let mut bench = Bench::new();
    bench.typed("2");
    assert_eq!(bench.typed("m"), [Command::Mute(true)]);
    assert_eq!(bench.typed("F"), [Command::Fade(true)]);
    assert_eq!(bench.typed("L"), [Command::LockPedals(true)]);
    bench.view.is_muted = true;
    bench.view.is_faded = true;
    bench.view.is_locked = true;
    assert_eq!(bench.typed("m"), [Command::Mute(false)]);
    assert_eq!(bench.typed("F"), [Command::Fade(false)]);
    assert_eq!(bench.typed("L"), [Command::LockPedals(false)]);
}

#[test]
fn a_text_is_found_again_further_on_and_a_song_once() {
    let mut bench = Bench::new();
    bench.sheet.songs[0].title = "Slow Tide".into();
    let found = |bench: &mut Bench, keys: &str| {
        bench.typed(keys);
        bench.key(KeyCode::Enter);
        let first = bench.state.cursor;
        bench.typed("n");
        let second = bench.state.cursor;
        bench.typed("n");
        [first, second, bench.state.cursor]
    };
    // "Riff" and "Strings".
    assert_eq!(found(&mut bench, "/ri"), [Some(0), Some(1), Some(0)]);
    assert_eq!(found(&mut bench, "/slow"), [Some(0); 3]);
}

#[test]
fn a_step_takes_the_cursor_to_what_is_played() {
    let mut bench = Bench::new();
    bench.typed("3");
    bench.key(KeyCode::Down);
    assert_eq!(bench.state.cursor, Some(1));
    assert_eq!(bench.typed(" "), [Command::Step]);
    assert_eq!(bench.state.cursor, None);
}

#[test]
fn tab_goes_round_all_screens() {
    let mut bench = Bench::new();
    for screen in [Screen::Wings, Screen::Order, Screen::Stage] {
        bench.key(KeyCode::Tab);
        assert_eq!(bench.state.screen, screen);
    }
}

#[test]
fn a_letter_ends_by_itself_and_no_octave_leaves_the_keys() {
    let mut bench = Bench::new();
    bench.state.may_play = true;
    bench.typed("k");
    assert_eq!(bench.typed("z").len(), 1);
    bench.now_us = 10_000_000;
    let facts = Facts {
        sheet: &bench.sheet,
        view: &bench.view,
        now_us: bench.now_us,
    };
    let ended = bench.desk.expire(facts);
    assert_eq!(ended, [Command::NoteOff(LOWER, Key::clamped(48))]);
    bench.typed("+++++++++");
    let NoteMode::On { base, .. } = bench.state.notes else {
        panic!("{:?}", bench.state.notes);
    };
    // The upper row reaches 28 semitones further than the base, up to 127.
    assert_eq!(base, 96);
}

#[test]
fn in_a_changed_night_cursor_and_question_keep_their_scene() {
    let mut bench = Bench::new();
    bench.state.cursor = Some(2);
    bench.state.prompt = Some(Prompt::ConfirmJump(2));
    let mut changed = bench.sheet.clone();
    changed.positions.remove(0);
    bench.state.change_sheet(&bench.sheet, &changed);
    assert_eq!(bench.state.cursor, Some(1));
    assert_eq!(bench.state.prompt, Some(Prompt::ConfirmJump(1)));
}
