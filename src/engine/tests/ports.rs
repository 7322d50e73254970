//! Ports lost and found, resend, panic.

use super::rig::*;
use crate::engine::input::{Command, Input};
use crate::engine::promptbook::*;
use crate::engine::view::Presence;

fn two_scenes() -> Book {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(3, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6).on(keys).seat(1)]);
    book
}

const FULL_START: &str = "0:c0 05, 0:b0 01 00, 0:b0 0b 7f, 0:e0 00 40, 0:d0 00, \
                          0:b0 40 00, 0:b0 42 00, 0:b0 43 00, 0:b0 07 64";

#[test]
fn a_port_that_is_there_at_the_start_gets_the_state_at_once() {
    let mut play = two_scenes().play_absent();
    assert_eq!(
        play.keys("90 3c 64"),
        "",
        "nothing is sent to a port that is not there"
    );
    assert_eq!(play.view().receivers[0], Presence::Absent);
    assert_eq!(play.input(Input::OutputReady(OutPort(0))), FULL_START);
    assert_eq!(play.input(Input::OutputReady(OutPort(0))), "", "once");
    assert_eq!(play.view().receivers[0], Presence::NotVerified);
    play.input(Input::SignOfLife(OutPort(0)));
    assert_eq!(play.view().receivers[0], Presence::Verified);
    assert_eq!(
        play.keys("80 3c 40"),
        "",
        "the note before was never struck"
    );
}

#[test]
fn a_returned_port_waits_for_the_boot_time() {
    let mut play = two_scenes().play();
    play.keys("90 3c 64");
    play.input(Input::OutputLost(OutPort(0)));
    assert_eq!(play.view().slots[0].notes, 0);
    assert_eq!(
        play.keys("80 3c 40"),
        "",
        "its key owns nothing there any more"
    );
    assert_eq!(play.input(Input::OutputReady(OutPort(0))), "");
    assert_eq!(play.view().receivers[0], Presence::Starting);
    assert_eq!(play.keys("90 3c 64"), "");
    assert_eq!(play.wait(1999), "");
    // Only the cable may have been out: what sounded then is ended before the state.
    assert_eq!(
        play.wait(2),
        format!("1ms {}, {FULL_START}, {}, {}", quiet(0), quiet(1), quiet(2))
    );
    assert_eq!(play.view().receivers[0], Presence::NotVerified);
    assert_eq!(play.wait(9000), "", "once");
}

#[test]
fn a_panic_that_nobody_heard_is_made_up_for_on_return() {
    for is_starting in [false, true] {
        let mut play = two_scenes().play();
        play.keys("90 3c 64");
        play.input(Input::OutputLost(OutPort(0)));
        if is_starting {
            play.input(Input::OutputReady(OutPort(0)));
        }
        assert_eq!(play.command(Command::Panic(None)), "");
        play.input(Input::OutputReady(OutPort(0)));
        let out = play.input(Input::SignOfLife(OutPort(0)));
        assert!(out.starts_with(SILENCE), "{out}");
        let (silence, state) = out.split_at(out.find("0:c0 05").expect("the state follows"));
        assert!(silence.contains("0:b2 78 00"), "other slots too: {out}");
        assert!(!state.contains("78 00"), "{out}");
        // Once: the next return ends what is held, and no more.
        play.input(Input::OutputLost(OutPort(0)));
        play.input(Input::OutputReady(OutPort(0)));
        let out = play.input(Input::SignOfLife(OutPort(0)));
        assert!(!out.contains("78 00"), "{out}");
    }
}

#[test]
fn what_an_overflow_refused_keeps_no_line_busy() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5).on(keys).with(|s| s.load_us = 15_000)]);
    // MIDI 1.0: 31,250 baud, ten bits a byte.
    book.out_port(0, |port| port.byte_us = 320);
    let mut play = book.play();
    play.wait(500);
    for value in 0..100 {
        play.keys(&format!("b0 01 {value:02x}"));
    }
    // 96 ms of messages were handed out; the line says that it is open, so they are gone.
    play.input(Input::OutputOverflow(OutPort(0)));
    assert!(play.view().slots[0].is_loading);
    play.wait(25);
    assert!(!play.view().slots[0].is_loading);
}

#[test]
fn a_slot_in_doubt_is_quietened_whatever_comes_first() {
    let resend = |is_forced| Command::Resend {
        receiver: None,
        is_forced,
    };
    // A resend that spares the slot must not take the place of what the flood left owing.
    let mut play = two_scenes().play();
    play.keys("90 3c 64");
    play.input(Input::OutputOverflow(OutPort(0)));
    play.command(resend(false));
    let out = play.keys("80 3c 40");
    assert!(
        out.starts_with(&format!("0:80 3c 40, {}, 0:c0 05", quiet(0))),
        "{out}"
    );
    // Nor must another sound that takes the slot while it rings.
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5).on(keys).with(|s| s.release_us = 500_000)]);
    book.scene(&[sound(main, 6).on(keys)]);
    let mut play = book.play();
    play.keys("90 3c 64");
    play.input(Input::OutputOverflow(OutPort(0)));
    play.keys("80 3c 40");
    let out = play.step();
    assert!(out.starts_with(&quiet(0)), "{out}");
}

#[test]
fn a_sign_of_life_ends_the_wait() {
    let mut play = two_scenes().play();
    play.input(Input::OutputLost(OutPort(0)));
    play.step();
    play.input(Input::OutputReady(OutPort(0)));
    let out = play.input(Input::SignOfLife(OutPort(0)));
    let start = format!("{}, {}, 0:c1 06", quiet(0), quiet(1));
    assert!(
        out.starts_with(&start),
        "quiet first, then the state of where we are now: {out}"
    );
    assert!(!out.contains("0:c0"), "{out}");
    assert_eq!(play.view().receivers[0], Presence::Verified);
    assert_eq!(play.wait(9000), "");
}

#[test]
fn after_a_return_a_pedal_that_is_down_is_not_fresh() {
    let mut play = two_scenes().play();
    play.keys("b0 40 7f");
    play.input(Input::OutputLost(OutPort(0)));
    play.input(Input::OutputReady(OutPort(0)));
    let out = play.input(Input::SignOfLife(OutPort(0)));
    assert!(out.contains("0:b0 40 00"), "{out}");
    assert_eq!(play.keys("b0 40 00"), "");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f");
}

#[test]
fn a_lost_input_lets_go_of_all_it_held() {
    let mut play = two_scenes().play();
    play.input(Input::InputReady(InPort(0)));
    assert!(play.view().controllers[0].is_present);
    play.keys("90 3c 64");
    play.keys("90 3e 64");
    play.keys("b0 40 7f");
    play.keys("80 3e 40");
    play.keys("e0 00 60");
    play.keys("d0 20");
    play.step();
    assert_eq!(
        play.input(Input::InputLost(InPort(0))),
        "0:80 3c 40, 0:b0 40 00, 0:e1 00 40, 0:d1 00",
        "the ring of the old sound keeps its bend"
    );
    let view = play.view();
    assert!(view.slots.iter().all(|slot| slot.notes == 0));
    assert!(!view.controllers[0].is_present && !view.controllers[0].hold);
    assert_eq!(
        play.input(Input::InputReady(InPort(0))),
        "",
        "nothing is assumed down"
    );
    assert_eq!(play.keys("90 3c 64"), "0:91 3c 64");
}

#[test]
fn an_overflow_ends_what_nobody_holds_and_sends_the_state_again() {
    let mut play = two_scenes().play();
    let out = play.input(Input::OutputOverflow(OutPort(0)));
    assert!(out.starts_with(&format!("{}, 0:c0 05", quiet(0))), "{out}");
    assert!(out.contains("0:b2 7b 00"), "other slots too: {out}");
    play.keys("90 3c 64");
    let out = play.input(Input::OutputOverflow(OutPort(0)));
    assert!(
        !out.contains("0:b0") && !out.contains("0:c0"),
        "a held note is spared: {out}"
    );
    let out = play.keys("80 3c 40");
    assert!(
        out.starts_with(&format!("0:80 3c 40, {}, 0:c0 05", quiet(0))),
        "{out}"
    );
}

#[test]
fn resend_spares_what_sounds_until_it_is_silent() {
    let resend = |is_forced| Command::Resend {
        receiver: None,
        is_forced,
    };
    let mut play = two_scenes().play();
    assert_eq!(play.command(resend(false)), FULL_START);
    play.keys("90 3c 64");
    assert_eq!(play.command(resend(false)), "");
    assert_eq!(play.keys("80 3c 40"), format!("0:80 3c 40, {FULL_START}"));
    play.keys("90 3c 64");
    assert_eq!(play.command(resend(true)), FULL_START);
}

#[test]
fn resend_waits_for_the_ring() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5).on(keys).with(|s| s.release_us = 500_000)]);
    let mut play = book.play();
    play.keys("90 3c 64");
    play.command(Command::Resend {
        receiver: Some(main),
        is_forced: false,
    });
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert_eq!(play.wait(600), format!("500ms {FULL_START}"));
    assert_eq!(play.view().slots[0].program, Some(5));
}

/// Pedals up and All Notes Off on a channel.
fn quiet(channel: u8) -> String {
    [0x40, 0x42, 0x43, 0x7b]
        .map(|number| format!("0:b{channel:x} {number:02x} 00"))
        .join(", ")
}

const SILENCE: &str = "0:b0 40 00, 0:b0 42 00, 0:b0 43 00, 0:b0 7b 00, 0:b0 78 00, 0:b0 79 00, \
                       0:e0 00 40, 0:d0 00";

#[test]
fn panic_silences_every_slot_and_sets_the_controllers_again() {
    let mut play = two_scenes().play();
    play.keys("b0 01 40");
    play.keys("e0 00 60");
    play.keys("90 3c 64");
    let out = play.command(Command::Panic(None));
    // The order is the safe one (common practice, no source). Afterwards all that Reset All
    // Controllers may have reset (RP-015) is set again, whether or not it was heeded.
    assert!(
        out.starts_with(&format!("0:80 3c 40, {SILENCE}, 0:b1 40 00")),
        "{out}"
    );
    assert!(
        out.ends_with("0:b2 79 00, 0:e2 00 40, 0:d2 00, 0:b0 01 40, 0:b0 0b 7f, 0:e0 00 60"),
        "{out}"
    );
    assert!(out.contains("0:b2 78 00"), "{out}");
    assert_eq!(play.keys("80 3c 40"), "", "the key owns nothing");
    assert_eq!(
        play.keys("90 3c 64"),
        "0:90 3c 64",
        "until it is struck again"
    );
}

#[test]
fn panic_leaves_alone_what_makes_no_sound_and_can_be_for_one() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    let other = book.instrument(1, GOOD);
    let desk = book.instrument(1, GOOD);
    book.receiver(desk, |entry| entry.sounds = false);
    book.scene(&[sound(main, 5).on(keys), sound(other, 5).on(keys)]);
    let mut play = book.play();
    let out = play.command(Command::Panic(None));
    assert!(
        out.contains("0:b0 78 00") && out.contains("1:b0 78 00"),
        "{out}"
    );
    assert!(!out.contains("2:"), "{out}");
    play.keys("90 3c 64");
    let out = play.command(Command::Panic(Some(other)));
    assert!(!out.contains("0:"), "{out}");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
}

#[test]
fn a_full_outbox_is_counted_and_the_state_sent_again() {
    let mut play = two_scenes().play();
    // Nobody cleared the outbox: the next message finds it full.
    play.out.clear();
    for _ in 0..crate::engine::limits::MAX_OUT {
        play.engine.handle(
            play.now_us,
            Input::Midi(
                InPort(0),
                crate::midi::Message::NoteOn(crate::midi::Channel::MIN, key(60), v7(1)),
            ),
            &mut play.out,
        );
    }
    assert!(play.view().counters.out_refused > 0);
    assert!(
        play.engine
            .next_deadline()
            .is_some_and(|due| due <= play.now_us)
    );
    play.keys("80 3c 40");
    let before = play.view().counters.out_refused;
    assert!(play.input(Input::Tick).is_empty());
    assert_eq!(play.view().counters.out_refused, before);
    assert_eq!(play.view().slots[0].program, Some(5));
}
