//! What the technician does: rows put right, the command line, marks, loops, the mouse, the
//! log.

use super::{Bench, LOWER};
use crate::engine::input::Command;
use crate::engine::promptbook::PositionId;
use crate::midi::Key;
use crate::screen::{Listing, Prompt, Screen};
use crate::ui::Wish;
use crate::ui::desk::Facts;
use crossterm::event::{
    Event, KeyCode, KeyEvent, KeyModifiers, MouseButton, MouseEvent, MouseEventKind,
};

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
    assert_eq!(bench.typed("s"), [], "no row yet");
    assert_eq!(
        bench.state.said,
        "put the cursor (Up, Down) on a receiver that has a spare first"
    );
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

/// Text, the first offer that is listed, and why the last Enter did nothing.
fn line_of(bench: &Bench) -> (&str, Option<usize>, &str) {
    let Some(Prompt::Line {
        text,
        listed,
        refused,
        ..
    }) = &bench.state.prompt
    else {
        panic!("the line stays to be mended");
    };
    (text, *listed, refused)
}

/// A pedal is ignored by its own name: of two, and of three that hold.
#[test]
fn the_pedal_that_is_named_is_ignored() {
    use crate::engine::view::PedalId;
    let mut bench = wings();
    let pedal = |name: &str| crate::sheet::PedalLine {
        name: name.into(),
        ..Default::default()
    };
    bench.sheet.pedals = vec![pedal("left"), pedal("right")];
    for (name, wanted) in [
        ("left", PedalId::Binding(0)),
        ("RIGHT", PedalId::Binding(1)),
        ("lower hold", PedalId::Held(LOWER, 0)),
        ("lower sostenuto", PedalId::Held(LOWER, 1)),
        ("lower soft", PedalId::Held(LOWER, 2)),
    ] {
        bench.typed(&format!(":ignore {name}"));
        let ignored = [Command::IgnorePedal(wanted, true)];
        assert_eq!(bench.key(KeyCode::Enter), ignored, "{name}");
    }
    bench.view.ignored_bindings = 0b10;
    bench.typed(":ignore right");
    let heeded = [Command::IgnorePedal(PedalId::Binding(1), false)];
    assert_eq!(bench.key(KeyCode::Enter), heeded);
}

#[test]
fn the_log_is_read_back_line_by_line() {
    let mut bench = wings();
    let shift = |bench: &mut Bench, code, kind| {
        let key = KeyEvent::new_with_kind(code, KeyModifiers::SHIFT, kind);
        bench.event(&Event::Key(key));
        bench.state.log_scroll
    };
    use crossterm::event::KeyEventKind::{Press, Repeat};
    assert_eq!(shift(&mut bench, KeyCode::Up, Press), 1);
    assert_eq!(shift(&mut bench, KeyCode::Up, Repeat), 2, "held");
    assert_eq!(shift(&mut bench, KeyCode::Down, Press), 1);
    assert_eq!(shift(&mut bench, KeyCode::Down, Press), 0);
    assert_eq!(shift(&mut bench, KeyCode::Down, Press), 0, "the newest");
}

#[test]
fn pages_turn_their_way() {
    let mut bench = wings();
    for code in [KeyCode::Char(']'), KeyCode::End] {
        assert_eq!(bench.key(code), [Command::PageNext]);
    }
    for code in [KeyCode::Char('['), KeyCode::Home] {
        assert_eq!(bench.key(code), [Command::PageBack]);
    }
}

#[test]
fn tab_lists_what_it_cannot_complete() {
    let mut bench = wings();
    bench.typed(":");
    assert_eq!(line_of(&bench).1, None);
    bench.key(KeyCode::Tab);
    assert_eq!(line_of(&bench), ("", Some(0), ""), "an empty line too");
    bench.key(KeyCode::Tab);
    assert_eq!(line_of(&bench).1, Some(10), "the next part");
    bench.typed("pan");
    assert_eq!(line_of(&bench).1, Some(0), "the list follows what is typed");
    bench.key(KeyCode::Tab);
    assert_eq!(line_of(&bench), ("panic", Some(0), ""));
    bench.typed(" ");
    bench.key(KeyCode::Tab);
    bench.key(KeyCode::Tab);
    assert_eq!(line_of(&bench).1, Some(0), "round its end");
    // All are offered: a beginning that the first dozen share is not shared by the rest.
    bench.sheet.positions.clear();
    for at in (0..20).chain(100..101) {
        bench.sheet.positions.push(crate::sheet::PositionLine {
            call: format!("{}.{}", 1 + at / 100, at),
            ..Default::default()
        });
    }
    bench.key(KeyCode::Esc);
    bench.typed(":jump ");
    bench.key(KeyCode::Tab);
    assert_eq!(line_of(&bench).0, "jump ");
}

#[test]
fn what_the_help_covers_is_left_alone() {
    let mut bench = wings();
    bench.typed("?");
    let refused = "the help covers that: close it first";
    for covered in ["p", "s", "w", "f", "l", "*", "i", "d"] {
        assert_eq!(bench.typed(covered), [], "`{covered}`");
        assert_eq!(bench.state.said, refused, "`{covered}`");
        assert_eq!(bench.state.prompt, None, "`{covered}`");
    }
    assert_eq!(
        bench.key(KeyCode::PageDown),
        [Command::Step],
        "said in its head"
    );
    assert_eq!(bench.typed("!"), [Command::Panic(None)]);
    assert_eq!(bench.key(KeyCode::F(12)), [Command::Panic(None)]);
    assert_eq!(bench.key(KeyCode::F(5)).len(), 1);
    assert_eq!(bench.state.said, "the state is sent again");
    assert_eq!(bench.typed("L"), [Command::LockPedals(true)]);
    assert!(bench.state.is_help);
    bench.typed(":mark too loud");
    bench.key(KeyCode::Enter);
    assert!(!bench.state.is_help, "what a command does is seen");
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
    assert_eq!(line_of(&bench).2, "no such command");
    bench.key(KeyCode::Tab);
    assert_eq!(bench.key(KeyCode::Enter), [Command::Panic(None)]);
    bench.typed(":jump 1.3");
    assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(2))]);
    bench.view.sends_cues = false;
    bench.typed(":loop 1.3 1.2");
    let looped = Command::Loop(Some((PositionId(1), PositionId(2))));
    assert_eq!(bench.key(KeyCode::Enter), [looped]);
    assert_eq!(bench.state.said, "the loop starts once you are at 1.2");
    bench.typed(":loop 1.1 1.2");
    bench.key(KeyCode::Enter);
    assert_eq!(bench.state.said, "", "the show is in it");
    bench.view.position = PositionId(2);
    bench.typed(":back 2");
    assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(0))]);
    bench.typed(":back 3");
    assert_eq!(bench.key(KeyCode::Enter), [Command::Jump(PositionId(0))]);
    let said = "back 2, not 3: this is the first scene of the night";
    assert_eq!(bench.state.said, said);
    bench.view.position = PositionId(0);
    bench.typed(":back 1");
    assert_eq!(bench.key(KeyCode::Enter), [], "there is nothing before it");
    assert_eq!(line_of(&bench).2, "this is the first scene of the night");
    bench.key(KeyCode::Esc);
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

/// The left button, pressed somewhere.
fn click() -> MouseEvent {
    MouseEvent {
        kind: MouseEventKind::Down(MouseButton::Left),
        column: 1,
        row: 4,
        modifiers: KeyModifiers::NONE,
    }
}

#[test]
fn a_click_points_and_a_second_one_asks_to_jump() {
    use crate::screen::Hit;
    let mut bench = Bench::new();
    bench.typed("3");
    let click = click();
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

#[test]
fn a_loop_reaches_back_too_and_a_mark_goes_where_the_screen_says() {
    let mut bench = Bench::new();
    bench.state.cursor = Some(2);
    bench.typed("a");
    let Some(Prompt::Mark { call, .. }) = &bench.state.prompt else {
        panic!("{:?}", bench.state.prompt);
    };
    assert_eq!(call, "1.1", "the stage has no cursor");
    bench.key(KeyCode::Esc);
    bench.typed("3");
    bench.view.sends_cues = false;
    bench.view.stretch = Some((PositionId(1), PositionId(1)));
    for (cursor, first, last) in [(0, 0, 1), (2, 1, 2)] {
        bench.state.cursor = Some(cursor);
        let wanted = Some((PositionId(first), PositionId(last)));
        assert_eq!(bench.typed("O"), [Command::Loop(wanted)]);
    }
}

#[test]
fn of_several_spares_none_is_taken_without_a_word_and_a_mute_is_ended() {
    use crate::engine::promptbook::ReceiverId;
    let mut bench = wings();
    bench.typed(":mute one main");
    let muted = |is_muted| [Command::MuteOne(ReceiverId(0), is_muted)];
    assert_eq!(bench.key(KeyCode::Enter), muted(true));
    bench.view.duties[0].is_muted = true;
    bench.typed(":mute one main");
    assert_eq!(bench.key(KeyCode::Enter), muted(false));
    let second = crate::sheet::ReceiverLine {
        name: "second spare".into(),
        spare_of: Some(0),
        ..crate::sheet::ReceiverLine::default()
    };
    bench.sheet.receivers.push(second);
    assert_eq!(bench.typed("s"), []);
    let said = &bench.state.said;
    assert!(said.contains("a receiver"), "{said}");
}

#[test]
fn the_wheel_is_dead_on_the_stage_and_under_a_question() {
    let mut bench = Bench::new();
    let wheel = Event::Mouse(MouseEvent {
        kind: MouseEventKind::ScrollDown,
        column: 1,
        row: 4,
        modifiers: KeyModifiers::NONE,
    });
    bench.event(&wheel);
    assert_eq!(bench.state.cursor, None);
    bench.typed("3");
    bench.state.prompt = Some(Prompt::ConfirmQuit);
    bench.event(&wheel);
    assert_eq!(bench.state.cursor, None);
    bench.state.prompt = None;
    bench.event(&wheel);
    assert_eq!(bench.state.cursor, Some(1));
}

#[test]
fn a_left_out_song_is_pointed_at_and_a_pasted_line_stays_one() {
    use crate::screen::Hit;
    let mut bench = Bench::new();
    bench.typed("3");
    let click = click();
    let facts = Facts {
        sheet: &bench.sheet,
        view: &bench.view,
        now_us: 0,
    };
    let hit = Some(Hit::Listing(Listing::Skipped(1)));
    bench.desk.handle_mouse(click, hit, &mut bench.state, facts);
    assert_eq!(bench.state.left_out, Some(1));
    bench.typed("/");
    bench.event(&Event::Paste("two\nlines".into()));
    assert_eq!(bench.state.prompt, Some(Prompt::Find("twolines".into())));
}
