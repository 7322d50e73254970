//! Rescue commands: one receiver, one note, one pedal, and what each says that it did.

use super::rig::*;
use crate::engine::input::Command;
use crate::engine::promptbook::*;
use crate::engine::rescue::{Deed, PedalId};
use crate::engine::view::Swallowed;

/// Two instruments under all keys.
fn two_instruments() -> (Book, ControllerId, ReceiverId, ReceiverId) {
    let mut book = Book::new();
    let keys = book.controller();
    let (main, organ) = (book.instrument(1, GOOD), book.instrument(1, GOOD));
    book.scene(&[sound(main, 5).on(keys), sound(organ, 7).on(keys)]);
    (book, keys, main, organ)
}

fn deed(play: &Play) -> Deed {
    play.view().deed.unwrap().1
}

#[test]
fn one_receiver_is_silenced_and_the_other_sounds_on() {
    let (book, _, main, organ) = two_instruments();
    let mut play = book.play();
    play.keys("90 3c 64");
    let out = play.command(Command::Panic(Some(organ)));
    assert!(out.starts_with("1:80 3c 40"), "{out}");
    assert!(out.contains("1:b0 78 00"), "{out}");
    assert!(!out.contains("0:"), "{out}");
    assert_eq!(deed(&play), Deed::Silenced(organ));
    assert_eq!(play.view().panic_us, None, "not everything was silenced");
    assert_eq!(
        play.keys("80 3c 40"),
        "0:80 3c 40",
        "its owner is as it was"
    );
    let _ = main;
}

#[test]
fn one_receiver_is_muted_and_what_sounds_there_ends_as_it_is_let_go() {
    let (book, _, main, organ) = two_instruments();
    let mut play = book.play();
    play.keys("90 3c 64");
    assert_eq!(play.command(Command::MuteOne(main, true)), "");
    assert_eq!(deed(&play), Deed::Muted(main, true));
    assert!(play.view().duties[0].is_muted && !play.view().duties[1].is_muted);
    assert_eq!(play.keys("90 40 64"), "1:90 40 64");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40, 1:80 3c 40");
    play.command(Command::MuteOne(main, false));
    assert_eq!(play.keys("90 43 64"), "0:90 43 64, 1:90 43 64");
    let _ = organ;
}

#[test]
fn a_resend_says_how_many_slots_wait() {
    let (book, _, main, _) = two_instruments();
    let mut play = book.play();
    let resend = |receiver| Command::Resend {
        receiver,
        is_forced: false,
    };
    let out = play.command(resend(Some(main)));
    assert!(out.contains("0:c0 05") && !out.contains("1:"), "{out}");
    let told = |receiver, sent, waiting| Deed::Resent {
        receiver,
        sent,
        waiting,
    };
    assert_eq!(deed(&play), told(Some(main), 1, 0));
    play.keys("90 3c 64");
    assert_eq!(play.command(resend(None)), "", "both sound");
    assert_eq!(deed(&play), told(None, 0, 2));
}

#[test]
fn one_note_is_ended_whatever_holds_it() {
    let (book, ..) = two_instruments();
    let mut play = book.play();
    play.keys("90 3c 64");
    play.keys("90 40 64");
    let held = play.view().held;
    assert_eq!((held[0].out_key, held[0].slot), (0x3c, SlotId(0)));
    assert_eq!(play.view().held_count, 4);
    let end = |slot, note| Command::EndNote(SlotId(slot), key(note));
    assert_eq!(play.command(end(0, 0x3c)), "0:80 3c 40");
    let ended = |owners, with_pedals| Deed::Ended {
        slot: SlotId(0),
        key: key(0x3c),
        owners,
        with_pedals,
    };
    assert_eq!(deed(&play), ended(1, false));
    assert_eq!(play.keys("80 3c 40"), "1:80 3c 40", "once");
    // One that nobody is known to hold.
    assert_eq!(play.command(end(0, 0x3c)), "0:80 3c 40");
    assert_eq!(deed(&play), ended(0, false));
}

#[test]
fn a_note_that_a_pedal_holds_ends_with_the_pedal_up_on_its_slot() {
    let (book, ..) = two_instruments();
    let mut play = book.play();
    play.keys("b0 40 7f");
    play.keys("90 3c 64");
    play.keys("80 3c 40");
    let out = play.command(Command::EndNote(SlotId(0), key(0x3c)));
    assert_eq!(out, "0:b0 40 00");
    assert_eq!(play.view().slots[0].notes, 0);
    assert_eq!(
        play.view().slots[1].notes,
        1,
        "elsewhere the pedal holds on"
    );
    // A movement of the foot that stays down is no fresh press there.
    assert!(!play.keys("b0 40 60").contains("0:"));
    assert_eq!(play.keys("b0 40 00"), "1:b0 40 00");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f, 1:b0 40 7f");
}

#[test]
fn a_hold_pedal_that_misbehaves_is_brought_up_and_ignored_until_it_is_heeded() {
    let (book, keys, ..) = two_instruments();
    let mut play = book.play();
    let ignore = |is_ignored| Command::IgnorePedal(PedalId::Held(keys, 0), is_ignored);
    play.keys("b0 40 7f");
    play.keys("90 3c 64");
    play.keys("80 3c 40");
    assert_eq!(play.command(ignore(true)), "0:b0 40 00, 1:b0 40 00");
    assert_eq!(play.view().held_count, 0);
    assert!(play.view().controllers[0].ignored[0]);
    assert_eq!(play.keys("b0 40 00"), "");
    assert_eq!(play.keys("b0 40 7f"), "", "it is ignored");
    play.command(ignore(false));
    assert_eq!(deed(&play), Deed::Ignored(PedalId::Held(keys, 0), false));
    assert_eq!(play.keys("b0 40 00"), "");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f, 1:b0 40 7f");
}

#[test]
fn the_players_pedals_are_locked_and_the_technician_steps() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6).on(keys)]);
    book.scene(&[sound(main, 7).on(keys)]);
    book.bind(keys, Trigger::Control(cc(80)), Action::Step);
    book.bind(keys, Trigger::Control(cc(81)), Action::Panic);
    book.bind(keys, Trigger::Control(cc(82)), Action::SongDown);
    let mut play = book.play();
    play.command(Command::LockPedals(true));
    assert!(play.view().is_locked);
    assert_eq!(play.keys("b0 50 7f"), "");
    assert_eq!(play.position(), 0);
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::Locked);
    play.now_us += 3_000_000;
    assert_eq!(play.keys("b0 52 7f"), "");
    let (at_us, why) = play.view().swallowed.unwrap();
    assert_eq!((at_us, why), (play.now_us, Swallowed::Locked));
    assert_ne!(play.keys("b0 51 7f"), "", "a panic is no step");
    play.step();
    assert_eq!(play.position(), 1);
    play.command(Command::LockPedals(false));
    play.now_us += 1_000_000;
    play.keys("b0 50 00");
    play.now_us += 1_000_000;
    play.keys("b0 50 7f");
    assert_eq!(play.position(), 2);
    // One pedal alone.
    play.command(Command::IgnorePedal(PedalId::Binding(0), true));
    play.now_us += 1_000_000;
    play.keys("b0 50 00");
    play.now_us += 1_000_000;
    play.keys("b0 50 7f");
    assert_eq!(play.view().swallowed.unwrap().1, Swallowed::Ignored);
    assert_eq!(play.view().ignored_bindings, 1);
}
