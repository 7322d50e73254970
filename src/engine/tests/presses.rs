//! Pedals that are commands: edges, bounce, double presses.

use super::rig::*;
use crate::engine::input::{Command, Input, KeyPress, Origin};
use crate::engine::promptbook::*;
use crate::engine::view::{Move, MoveKind, Swallowed};

fn line(bindings: impl FnOnce(&mut Book, ControllerId)) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    for _ in 0..8 {
        book.scene(&[sound(main, 1).on(keys)]);
    }
    bindings(&mut book, keys);
    book.play()
}

fn on_control(book: &mut Book, keys: ControllerId) {
    book.bind(keys, Trigger::Control(cc(80)), Action::Step);
    book.bind(keys, Trigger::Control(cc(81)), Action::Back);
}

#[test]
fn a_press_steps_on_its_edge_and_a_release_does_not() {
    let mut play = line(on_control);
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 1);
    play.wait(300);
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 1, "no edge");
    play.keys("b0 50 3f");
    play.wait(300);
    play.keys("b0 50 40");
    assert_eq!(play.position(), 2, "64 is down (GM2 §3.3.7)");
    play.keys("b0 50 00");
    play.wait(300);
    play.keys("b0 51 7f");
    assert_eq!(play.position(), 1);
}

#[test]
fn a_bounce_within_40_ms_is_swallowed_and_shown() {
    let mut play = line(on_control);
    play.keys("b0 50 7f");
    play.wait(5);
    play.keys("b0 50 00");
    play.wait(5);
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 1);
    let view = play.view();
    assert_eq!(view.swallowed, Some((play.now_us, Swallowed::Bounce)));
    assert_eq!(view.counters.swallowed, 1);
    play.wait(300);
    play.keys("b0 50 00");
    play.wait(40);
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 2);
}

#[test]
fn a_second_press_within_250_ms_is_not_a_double_step() {
    let mut play = line(on_control);
    play.keys("b0 50 7f");
    play.wait(100);
    play.keys("b0 50 00");
    play.wait(100);
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 1);
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::TooSoon);
    play.keys("b0 51 7f");
    assert_eq!(play.position(), 1, "back neither");
    play.wait(50);
    play.keys("b0 51 00");
    play.wait(50);
    play.keys("b0 51 7f");
    assert_eq!(play.position(), 0, "300 ms after the step");
}

#[test]
fn a_brief_scene_takes_a_quick_press() {
    let mut play = line(|book, keys| {
        on_control(book, keys);
        book.scene_entry(PositionId(1), |scene| scene.is_brief = true);
    });
    for _ in 0..3 {
        play.keys("b0 50 7f");
        play.wait(50);
        play.keys("b0 50 00");
        play.wait(50);
    }
    assert_eq!(
        play.position(),
        2,
        "out of the brief one, not out of the next"
    );
}

#[test]
fn commands_from_a_screen_are_not_held_to_the_foot_rule() {
    let mut play = line(on_control);
    play.keys("b0 50 7f");
    play.command(Command::Step);
    play.command(Command::Step);
    assert_eq!(play.position(), 3);
    assert_eq!(play.view().counters.swallowed, 0);
}

#[test]
fn latching_pedals_step_on_both_edges() {
    let mut play = line(|book, keys| {
        book.bind_as(Binding {
            controller: keys,
            trigger: Trigger::Control(cc(80)),
            action: Action::Step,
            is_latching: true,
            is_inverted: false,
        });
    });
    play.keys("b0 50 7f");
    play.wait(300);
    play.keys("b0 50 00");
    assert_eq!(play.position(), 2);
}

#[test]
fn an_inverted_pedal_is_pressed_below_64() {
    let mut play = line(|book, keys| {
        book.bind_as(Binding {
            controller: keys,
            trigger: Trigger::Control(cc(80)),
            action: Action::Step,
            is_latching: false,
            is_inverted: true,
        });
    });
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 0);
    play.keys("b0 50 00");
    assert_eq!(play.position(), 1);
}

#[test]
fn notes_and_program_changes_can_be_pedals() {
    let mut play = line(|book, keys| {
        book.bind(keys, Trigger::Note(key(12)), Action::Step);
        let program = crate::midi::Program::new(7).unwrap();
        book.bind(keys, Trigger::Program(program), Action::Step);
    });
    assert_eq!(play.keys("90 0c 40"), "", "it does not play");
    assert_eq!(play.position(), 1);
    assert_eq!(play.keys("90 0c 00"), "");
    play.wait(300);
    play.keys("c0 07");
    play.wait(300);
    play.keys("c0 07");
    play.wait(300);
    play.keys("c0 08");
    assert_eq!(
        play.position(),
        3,
        "each is a press; another program is none"
    );
}

#[test]
fn a_bound_controller_is_not_played() {
    let mut play = line(|book, keys| book.bind(keys, Trigger::Control(cc(64)), Action::Step));
    assert_eq!(play.keys("b0 40 7f"), "");
    assert_eq!(play.position(), 1);
}

#[test]
fn the_ends_swallow_and_say_so() {
    let mut play = line(on_control);
    play.back();
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::AtStart);
    play.command(Command::Jump(PositionId(7)));
    play.step();
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::AtEnd);
    assert_eq!(play.position(), 7);
    play.command(Command::Jump(PositionId(8)));
    assert_eq!(play.position(), 7, "there is no such place");
}

#[test]
fn mute_panic_and_resend_by_foot() {
    let mut play = line(|book, keys| {
        book.bind(keys, Trigger::Control(cc(82)), Action::Mute);
        book.bind(keys, Trigger::Control(cc(83)), Action::Panic);
        book.bind(keys, Trigger::Control(cc(84)), Action::Resend);
    });
    play.keys("b0 52 7f");
    assert!(play.view().is_muted);
    play.wait(50);
    play.keys("b0 52 00");
    play.wait(50);
    play.keys("b0 52 7f");
    assert!(!play.view().is_muted);
    play.keys("b0 53 7f");
    assert_eq!(play.view().panic_us, Some(play.now_us));
    play.keys("90 3c 64");
    assert_eq!(play.keys("b0 54 7f"), "", "the sounding slot is spared");
    play.wait(50);
    play.keys("b0 54 00");
    play.wait(50);
    let forced = play.keys("b0 54 7f");
    assert!(
        forced.contains("0:c0 01"),
        "a second press forces it: {forced}"
    );
}

/// A key of the computer's keyboard that steps, on a keyboard that tells of repeats or not.
fn press(play: &mut Play, command: Command, key: u32, is_certain: bool) {
    let origin = Origin::Key(KeyPress { key, is_certain });
    play.input(Input::Asked(command, origin));
}

fn space(play: &mut Play) {
    press(play, Command::Step, 32, false);
}

/// The wait that a press may need until it is known to be no repeat.
const KNOWN_MS: u64 = 100;

// Delays and rates of keyboards: common practice, no source.
#[test]
fn a_key_that_is_held_steps_once_whatever_its_keyboard_repeats_at() {
    for (delay_ms, repeat_ms) in [(0, 50), (250, 33), (250, 92), (500, 20), (660, 40)] {
        let mut play = line(on_control);
        space(&mut play);
        play.wait(delay_ms);
        for count in 0..31 {
            space(&mut play);
            play.wait(repeat_ms);
            assert_eq!(
                play.position(),
                1,
                "{delay_ms}, {repeat_ms}: repeat {count}"
            );
        }
        assert_eq!(play.view().swallowed.unwrap().1, Swallowed::Repeat);
        play.wait(300);
        assert_eq!(play.position(), 1, "nothing is left of it");
        play.wait(700);
        space(&mut play);
        assert_eq!(play.position(), 2, "the next press is one");
    }
}

#[test]
fn two_presses_of_a_key_are_two_steps_and_a_quick_second_one_is_none() {
    let mut play = line(on_control);
    space(&mut play);
    play.wait(200);
    space(&mut play);
    play.wait(KNOWN_MS);
    assert_eq!(play.position(), 1);
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::TooSoon);
    play.wait(300);
    space(&mut play);
    assert_eq!(play.position(), 1, "it may be a repeat");
    play.wait(KNOWN_MS);
    assert_eq!(play.position(), 2, "it was none");
    play.wait(700);
    space(&mut play);
    assert_eq!(play.position(), 3, "too late for a repeat");
}

#[test]
fn a_keyboard_that_tells_of_repeats_steps_at_once() {
    let mut play = line(on_control);
    let certain = |play: &mut Play| press(play, Command::Step, 32, true);
    certain(&mut play);
    play.wait(20);
    certain(&mut play);
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::Bounce);
    play.wait(100);
    certain(&mut play);
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::TooSoon);
    assert_eq!(play.position(), 1);
    play.wait(250);
    certain(&mut play);
    assert_eq!(play.position(), 2);
}

#[test]
fn a_brief_scene_takes_a_quick_press_of_a_key_and_no_repeat() {
    let mut play = line(|book, _| {
        book.scene_entry(PositionId(1), |scene| scene.is_brief = true);
    });
    space(&mut play);
    play.wait(120);
    space(&mut play);
    play.wait(KNOWN_MS);
    assert_eq!(play.position(), 2);
    let mut play = line(|book, _| {
        book.scene_entry(PositionId(1), |scene| scene.is_brief = true);
    });
    for _ in 0..31 {
        space(&mut play);
        play.wait(33);
    }
    assert_eq!(play.position(), 1);
}

#[test]
fn a_foot_and_a_key_at_once_are_one_step() {
    let mut play = line(on_control);
    play.keys("b0 50 7f");
    play.wait(100);
    space(&mut play);
    assert_eq!(play.position(), 1);
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::TooSoon);
    play.wait(900);
    space(&mut play);
    play.wait(100);
    play.keys("b0 50 00");
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 2);
}

#[test]
fn another_key_ends_the_wait_of_the_first() {
    let mut play = line(on_control);
    space(&mut play);
    play.wait(400);
    space(&mut play);
    play.wait(50);
    press(&mut play, Command::Back, 33, false);
    assert_eq!(
        play.position(),
        2,
        "the step is carried out, the back comes too soon"
    );
    play.wait(KNOWN_MS);
    assert_eq!(play.position(), 2);
}

#[test]
fn the_view_tells_how_the_show_came_to_its_place_and_by_what() {
    let press = KeyPress {
        key: 32,
        is_certain: true,
    };
    let origins = [
        Origin::Program,
        Origin::Key(press),
        Origin::Screen,
        Origin::Night,
    ];
    let mut play = line(|book, keys| {
        on_control(book, keys);
        book.bind(keys, Trigger::Control(cc(85)), Action::SongUp);
    });
    assert_eq!(play.view().moved, None);
    // Loops are for rehearsal.
    play.command(Command::Cues(false));
    for origin in origins {
        for (command, kind) in [
            (Command::Jump(PositionId(2)), MoveKind::Jump),
            (Command::Step, MoveKind::Step),
            (Command::Back, MoveKind::Back),
            (Command::SongUp, MoveKind::Jump),
            (
                Command::Loop(Some((PositionId(0), PositionId(0)))),
                MoveKind::Jump,
            ),
            (Command::Step, MoveKind::Loop),
            (Command::Loop(None), MoveKind::Loop),
        ] {
            play.wait(1000);
            let before = play.view().counters.steps;
            play.input(Input::Asked(command, origin));
            let view = play.view();
            if view.counters.steps != before {
                assert_eq!(view.moved, Some(Move { kind, origin }), "{command:?}");
            }
        }
    }
    for (number, at, kind) in [
        (0x50, 0, MoveKind::Step),
        (0x51, 1, MoveKind::Back),
        (0x55, 2, MoveKind::Jump),
    ] {
        play.command(Command::Jump(PositionId(2)));
        play.wait(1000);
        play.keys(&format!("b0 {number:02x} 7f"));
        let origin = Origin::Pedal(at);
        assert_eq!(play.view().moved, Some(Move { kind, origin }));
    }
    play.command(Command::Step);
    let origin = Origin::Program;
    assert_eq!(play.view().moved.unwrap().origin, origin);
}
