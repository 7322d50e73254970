//! Keys that nobody meant: each that silences or jumps asks once more on the stage, and all
//! of them can be locked.

use super::Bench;
use crate::engine::input::{Command, Origin};
use crate::screen::{Prompt, Screen};
use crate::ui::UiKey;
use crate::ui::desk::Facts;
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

/// The keys that ask, and what they come to.
const GRAVE: [(char, Command); 6] = [
    ('m', Command::Mute(true)),
    ('F', Command::Fade(true)),
    ('L', Command::LockPedals(true)),
    ('.', Command::SongDown),
    (',', Command::SongUp),
    (
        'R',
        Command::Resend {
            receiver: None,
            is_forced: true,
        },
    ),
];

/// A key at a time, and what has come of it when no repeat of it can follow any more.
fn at(bench: &mut Bench, ms: u64, key: char) -> Vec<Command> {
    bench.now_us = ms * 1000;
    let mut out = bench.key(KeyCode::Char(key));
    out.extend(later(bench, ms + 100));
    out
}

/// What is done at a time without a key.
fn later(bench: &mut Bench, ms: u64) -> Vec<Command> {
    bench.now_us = ms * 1000;
    let facts = Facts {
        sheet: &bench.sheet,
        view: &bench.view,
        now_us: bench.now_us,
    };
    let reply = bench.desk.confirm(&mut bench.state, facts);
    reply.map(|reply| reply.commands).unwrap_or_default()
}

#[test]
fn once_is_nothing_twice_in_two_seconds_is_done_and_later_is_nothing() {
    for (key, command) in GRAVE {
        let mut bench = Bench::new();
        assert_eq!(at(&mut bench, 0, key), [], "{key} once");
        assert!(
            bench.state.asked.starts_with(&format!("{key} again: ")),
            "{}",
            bench.state.asked
        );
        assert_eq!(at(&mut bench, 1_800, key), [command], "{key} twice in 2 s");
        assert_eq!(bench.state.asked, "");
        assert_eq!(at(&mut bench, 10_000, key), []);
        assert_eq!(later(&mut bench, 12_000), []);
        assert_eq!(bench.state.asked, "", "the question is over");
        assert_eq!(at(&mut bench, 13_000, key), [], "{key} twice in 3 s");
        assert_eq!(at(&mut bench, 16_000, key), [], "nor then");
    }
}

#[test]
fn on_the_other_screens_the_same_keys_work_at_once() {
    for screen in ['2', '3'] {
        for (key, command) in GRAVE {
            let mut bench = Bench::new();
            bench.typed(&screen.to_string());
            assert_eq!(bench.typed(&key.to_string()), [command], "{key}");
        }
    }
}

#[test]
fn another_key_takes_the_question_back() {
    let mut bench = Bench::new();
    assert_eq!(at(&mut bench, 0, 'F'), []);
    assert_eq!(at(&mut bench, 500, ' '), [Command::Step]);
    assert_eq!(bench.state.asked, "");
    assert_eq!(at(&mut bench, 1_000, 'F'), [], "asked anew");
}

#[test]
fn a_key_that_is_held_does_not_answer_its_own_question() {
    let mut bench = Bench::new();
    let mut out = at(&mut bench, 0, 'm');
    for repeat in 0..60 {
        bench.now_us = 1000 * (500 + 33 * repeat);
        out.extend(bench.key(KeyCode::Char('m')));
        out.extend(later(&mut bench, 500 + 33 * repeat + 30));
    }
    out.extend(later(&mut bench, 5_000));
    assert_eq!(out, []);
    // Where the terminal reports repeats, a repeat is no press.
    let mut bench = Bench::new();
    bench.kind('x', KeyEventKind::Release);
    assert_eq!(bench.kind('m', KeyEventKind::Press), []);
    for _ in 0..9 {
        assert_eq!(bench.kind('m', KeyEventKind::Repeat), []);
    }
    assert_eq!(bench.kind('m', KeyEventKind::Release), []);
    bench.now_us = 50_000;
    let done = bench.kind('m', KeyEventKind::Press);
    assert_eq!(done, [Command::Mute(true)], "at once");
}

#[test]
fn a_jump_to_another_song_is_at_once_in_rehearsal() {
    let mut bench = Bench::new();
    bench.view.sends_cues = false;
    assert_eq!(bench.typed("."), [Command::SongDown]);
    assert_eq!(bench.typed("m"), [], "what silences is not");
}

#[test]
fn a_command_typed_by_its_name_is_meant() {
    let mut bench = Bench::new();
    bench.typed(":fade");
    assert_eq!(bench.key(KeyCode::Enter), [Command::Fade(true)]);
}

#[test]
fn locked_keys_are_panic_help_and_unlock() {
    let mut bench = Bench::new();
    assert_eq!(at(&mut bench, 0, 'K'), []);
    assert!(!bench.state.are_keys_locked, "once is nothing");
    at(&mut bench, 500, 'K');
    assert!(bench.state.are_keys_locked);
    let keys = UiKeys::all();
    for key in keys {
        bench.now_us += 5_000_000;
        let reply = bench.event(&Event::Key(key));
        assert_eq!(
            (reply.commands, reply.edit, reply.wish, reply.is_quit),
            (Vec::new(), None, None, false),
            "{key:?}"
        );
        assert_eq!(bench.state.screen, Screen::Stage, "{key:?}");
        assert_eq!(bench.state.prompt, None, "{key:?}");
        assert_eq!(
            bench.state.said,
            "these keys are locked: K twice frees them"
        );
    }
    assert_eq!(bench.typed("!"), [Command::Panic(None)]);
    bench.typed("?");
    assert!(bench.state.is_help);
    bench.key(KeyCode::Down);
    assert_eq!(bench.state.help_scroll, 1);
    bench.key(KeyCode::Esc);
    assert!(!bench.state.is_help);
    let base = bench.now_us / 1000 + 5_000;
    at(&mut bench, base, 'K');
    at(&mut bench, base + 3_000, 'K');
    assert!(bench.state.are_keys_locked, "not in three seconds");
    at(&mut bench, base + 4_000, 'K');
    assert!(!bench.state.are_keys_locked);
    assert_eq!(bench.typed(" "), [Command::Step]);
}

/// Every key of the table that a lock keeps.
struct UiKeys;

impl UiKeys {
    fn all() -> Vec<KeyEvent> {
        let free = ["panic", "lock keys", "help"];
        let rows = crate::ui::table::TABLE.iter();
        let kept = rows.filter(|row| !free.contains(&row.name));
        let keys = kept.flat_map(|row| row.keys);
        keys.map(|key: &UiKey| KeyEvent::new(key.code, key.modifiers))
            .collect()
    }
}

#[test]
fn the_lock_works_on_every_screen_and_needs_a_key_of_its_own() {
    let mut bench = Bench::new();
    bench.typed("3");
    at(&mut bench, 0, 'K');
    at(&mut bench, 500, 'K');
    assert!(bench.state.are_keys_locked);
    assert_eq!(bench.key(KeyCode::Enter), []);
    let (keys, _) = crate::ui::remap::remap("step: K\nback: Shift-F7");
    let mut bench = Bench::new();
    bench.desk = crate::ui::Desk::new(keys);
    bench.typed(":lock keys");
    bench.key(KeyCode::Enter);
    assert!(!bench.state.are_keys_locked, "nothing could free them");
    assert!(bench.state.said.contains("no key"), "{}", bench.state.said);
}

#[test]
fn a_key_goes_with_what_it_asks_for_and_a_prompt_does_not() {
    let mut bench = Bench::new();
    let origin = |bench: &mut Bench, code, modifiers| {
        let reply = bench.event(&Event::Key(KeyEvent::new(code, modifiers)));
        match reply.origin {
            Origin::Key(press) => Some((UiKey::numbered(press.key).name(), press.is_certain)),
            _ => None,
        }
    };
    let none = KeyModifiers::NONE;
    let name = |name: &str, is_certain| Some((name.to_owned(), is_certain));
    assert_eq!(
        origin(&mut bench, KeyCode::PageUp, none),
        name("PageUp", false)
    );
    assert_eq!(
        origin(&mut bench, KeyCode::Char(' '), none),
        name("Space", false)
    );
    bench.kind(' ', KeyEventKind::Release);
    assert_eq!(
        origin(&mut bench, KeyCode::Char(' '), none),
        name("Space", true)
    );
    bench.typed("g1.2");
    assert_eq!(origin(&mut bench, KeyCode::Enter, none), None);
}

#[test]
fn a_filter_of_the_log_begins_empty_and_the_old_one_is_a_key_away() {
    let mut bench = Bench::new();
    bench.typed("2fdesk");
    bench.key(KeyCode::Enter);
    assert_eq!(bench.state.log_filter, "desk");
    bench.typed("f");
    let open = |text: &str| {
        Some(Prompt::Filter {
            text: text.into(),
            before: "desk".into(),
        })
    };
    assert_eq!(bench.state.prompt, open(""));
    assert_eq!(bench.state.log_filter, "desk", "in force until one types");
    bench.typed("rig");
    assert_eq!(bench.state.log_filter, "rig");
    bench.key(KeyCode::Up);
    assert_eq!(bench.state.prompt, open("desk"));
    bench.typed("s");
    bench.key(KeyCode::Esc);
    assert_eq!(bench.state.log_filter, "desk", "left as it was");
    bench.typed("f");
    bench.key(KeyCode::Enter);
    assert_eq!(bench.state.log_filter, "", "empty shows all");
}
