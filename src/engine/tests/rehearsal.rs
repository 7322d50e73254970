//! Rehearsal: loops, and no cue in any way of moving.

use super::rig::*;
use crate::engine::input::Command;
use crate::engine::promptbook::*;
use crate::engine::rescue::Deed;
use crate::midi::{Channel, Message};

/// Four scenes in two songs; each scene has a cue to a desk of lights, on jumps too.
fn with_cues() -> Book {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, PRIMED);
    let lights = book.instrument(1, GOOD);
    book.receiver(lights, |entry| entry.sounds = false);
    for program in 1..=4 {
        if program == 3 {
            book.song(&[]);
        }
        book.scene(&[sound(main, program).on(keys).seat(program % 2)]);
        let cue = Message::NoteOn(Channel::MIN, key(program), v7(127));
        book.cue(lights, CueMessage::Short(cue), true);
    }
    book.bind(keys, Trigger::Control(cc(80)), Action::Step);
    book
}

fn looped(first: u32, last: u32) -> Command {
    Command::Loop(Some((PositionId(first), PositionId(last))))
}

#[test]
fn no_cue_leaves_in_rehearsal_whatever_moves_the_show() {
    let mut play = with_cues().play();
    assert!(play.step().contains("1:90 02 7f"), "in a show it does");
    play.command(Command::Cues(false));
    play.command(looped(0, 1));
    let moves = [
        Command::Step,
        Command::Step,
        Command::Back,
        Command::Jump(PositionId(3)),
        Command::Jump(PositionId(0)),
        Command::SongDown,
        Command::SongUp,
        Command::Step,
        Command::Loop(None),
        Command::Step,
        Command::Resend {
            receiver: None,
            is_forced: true,
        },
        Command::Panic(None),
    ];
    for command in moves {
        let out = play.command(command);
        assert!(!out.contains("1:9"), "{command:?}: {out}");
        play.now_us += 1_000_000;
        let out = play.keys("b0 50 7f");
        assert!(!out.contains("1:9"), "a pedal after {command:?}: {out}");
        play.now_us += 1_000_000;
        play.keys("b0 50 00");
        let out = play.wait(2_000);
        assert!(!out.contains("1:9"), "priming after {command:?}: {out}");
    }
}

#[test]
fn steps_go_round_a_loop_and_on_again() {
    let mut play = with_cues().play();
    play.command(Command::Cues(false));
    play.command(looped(1, 2));
    let stretch = (PositionId(1), PositionId(2));
    assert_eq!(play.view().deed.unwrap().1, Deed::Looped(Some(stretch)));
    assert_eq!(play.view().stretch, Some(stretch));
    let mut places = Vec::new();
    for _ in 0..5 {
        play.step();
        places.push(play.position());
    }
    assert_eq!(places, [1, 2, 1, 2, 1]);
    // A key that is down over the way round ends as it is let go.
    play.keys("90 3c 64");
    play.step();
    play.step();
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    play.command(Command::Loop(None));
    play.step();
    play.step();
    assert_eq!(play.position(), 3);
}

#[test]
fn what_is_next_in_a_loop_is_primed() {
    let mut play = with_cues().play();
    play.command(Command::Cues(false));
    play.command(Command::Jump(PositionId(1)));
    play.command(looped(0, 1));
    play.wait(1_000);
    assert_eq!(play.view().next.position, Some(PositionId(0)));
}

#[test]
fn a_loop_is_for_rehearsal_and_ends_with_it() {
    let mut play = with_cues().play();
    play.command(looped(0, 1));
    assert_eq!(play.view().deed.unwrap().1, Deed::NoLoop);
    assert_eq!(play.view().stretch, None);
    play.command(Command::Cues(false));
    play.command(looped(0, 9));
    assert_eq!(play.view().stretch, None, "there is no tenth position");
    play.command(looped(0, 1));
    play.command(Command::Cues(true));
    assert_eq!(play.view().stretch, None);
    assert_eq!(play.view().deed.unwrap().1, Deed::Looped(None));
}
