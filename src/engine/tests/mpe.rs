//! MPE zones: set up, played whole, flattened, held over. Rules of the standard are from
//! second sources and from a library that was read; its text was not opened.

use super::rig::*;
use crate::engine::input::{Command, Input};
use crate::engine::promptbook::*;
use crate::engine::rescue::Deed;
use crate::midi::MpeZone;
use crate::midi::mpe::{Leader, Side};

fn lower(members: u8) -> MpeZone {
    MpeZone::new(Side::Lower, members)
}

/// A surface of seven fingers, and an instrument with a zone of so many members, on one
/// patch and then on another.
fn whole(members: u8) -> Play {
    let mut book = Book::new();
    let surface = book.surface(lower(7));
    let glass = book.instrument(1, GOOD);
    book.zone_slot(glass, lower(members));
    book.scene(&[sound(glass, 5).on(surface)]);
    book.play()
}

/// A surface of seven fingers on a sound with one channel, then on another one.
fn flat(leader: Leader, change: impl Fn(Sound) -> Sound) -> Play {
    let mut book = Book::new();
    let surface = book.surface(lower(7));
    let main = book.instrument(2, GOOD);
    let played = |program| {
        change(sound(main, program).zone(surface, |zone| {
            zone.finger = leader;
        }))
    };
    book.scene(&[played(5)]);
    book.scene(&[played(6).seat(1)]);
    book.play()
}

/// RPN 6 with the number of members, on the manager; RPN 0 on each member, 48 semitones;
/// and on the manager, 2.
#[test]
fn a_zone_is_set_up_at_the_start_and_after_a_return() {
    let set_up = "0:b0 65 00, 0:b0 64 06, 0:b0 06 02, 0:b0 65 7f, 0:b0 64 7f, \
                  0:b1 65 00, 0:b1 64 00, 0:b1 06 30, 0:b1 65 7f, 0:b1 64 7f, \
                  0:b2 65 00, 0:b2 64 00, 0:b2 06 30, 0:b2 65 7f, 0:b2 64 7f, 0:c0 05";
    let mut book = Book::new();
    let surface = book.surface(lower(2));
    let glass = book.instrument(1, GOOD);
    book.zone_slot(glass, lower(2));
    book.scene(&[sound(glass, 5).on(surface)]);
    book.scene(&[]);
    let mut play = book.play_absent();
    let out = play.input(Input::OutputReady(OutPort(0)));
    assert!(out.starts_with(set_up), "{out}");
    assert!(out.contains("0:b0 64 00, 0:b0 06 02, 0:b0 26 00"), "{out}");
    // Once is enough while the port stays.
    play.step();
    assert!(!play.back().contains("64 06"));
    play.step();
    // Even where no scene plays it.
    let out = play.command(Command::Resend {
        receiver: None,
        is_forced: false,
    });
    assert!(
        out.starts_with(set_up.trim_end_matches(", 0:c0 05")),
        "{out}"
    );
    play.input(Input::OutputLost(OutPort(0)));
    play.input(Input::OutputReady(OutPort(0)));
    assert!(play.wait(2_000).contains("0:b0 06 02"));
}

#[test]
fn an_upper_zone_goes_down() {
    let mut book = Book::new();
    let upper = MpeZone::new(Side::Upper, 3);
    let surface = book.surface(upper);
    let glass = book.instrument(1, GOOD);
    book.zone_slot(glass, upper);
    book.scene(&[sound(glass, 5).on(surface)]);
    let mut play = book.play_absent();
    let out = play.input(Input::OutputReady(OutPort(0)));
    assert!(
        out.starts_with("0:bf 65 00, 0:bf 64 06, 0:bf 06 03"),
        "{out}"
    );
    assert!(out.contains("0:bc 06 30") && !out.contains("0:bb"), "{out}");
    assert_eq!(
        play.keys("9d 3c 64"),
        "0:ed 00 40, 0:dd 00, 0:bd 4a 40, 0:9d 3c 64"
    );
}

#[test]
fn a_zone_is_not_set_up_while_notes_are_held() {
    let mut play = whole(7);
    play.keys("91 3c 64");
    let out = play.command(Command::Resend {
        receiver: None,
        is_forced: true,
    });
    assert!(out.contains("0:c0 05") && !out.contains("64 06"), "{out}");
    let out = play.keys("81 3c 40");
    assert!(
        out.starts_with("0:81 3c 40, 0:b0 65 00, 0:b0 64 06"),
        "{out}"
    );
}

#[test]
fn a_finger_is_where_it_stands_before_its_note() {
    let mut play = whole(7);
    assert_eq!(play.keys("e1 00 50"), "", "no note yet");
    assert_eq!(play.keys("b1 4a 20"), "");
    assert_eq!(
        play.keys("91 3c 64"),
        "0:e1 00 50, 0:d1 00, 0:b1 4a 20, 0:91 3c 64"
    );
    assert_eq!(play.keys("d1 33"), "0:d1 33");
    assert_eq!(play.keys("e1 00 60"), "0:e1 00 60");
    assert_eq!(play.keys("81 3c 11"), "0:81 3c 11");
    assert_eq!(play.keys("e1 00 40"), "", "what rings is left alone");
    assert_eq!(play.keys("91 3c 64"), "0:e1 00 40, 0:91 3c 64");
}

#[test]
fn fingers_keep_their_members_and_the_whole_goes_to_the_manager() {
    let mut play = whole(7);
    play.keys("93 3c 64");
    play.keys("92 3c 64");
    assert_eq!(play.keys("e3 00 41"), "0:e3 00 41");
    assert_eq!(play.keys("e2 00 42"), "0:e2 00 42");
    assert_eq!(play.keys("e0 00 50"), "0:e0 00 50");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f");
    assert_eq!(play.keys("b2 40 7f"), "", "a pedal is no finger's");
    // The same key of another finger is another note.
    assert_eq!(play.keys("83 3c 40"), "0:83 3c 40");
    assert_eq!(play.keys("e2 00 43"), "0:e2 00 43");
}

#[test]
fn a_transposition_changes_the_key_and_nothing_else() {
    let mut book = Book::new();
    let surface = book.surface(lower(7));
    let glass = book.instrument(1, GOOD);
    book.zone_slot(glass, lower(7));
    book.scene(&[sound(glass, 5).zone(surface, |zone| zone.transpose = -5)]);
    let mut play = book.play();
    play.keys("e1 00 50");
    let out = play.keys("91 3c 64");
    assert_eq!(out, "0:e1 00 50, 0:d1 00, 0:b1 4a 40, 0:91 37 64");
}

/// v = 8192 + s / range × 8192 (MIDI 1.0): +12 of 48 is 10240, of 24 it is 12288.
#[test]
fn bends_of_different_ranges_keep_their_pitch() {
    let mut book = Book::new();
    let surface = book.surface(lower(7));
    let glass = book.instrument(1, GOOD);
    book.zone_slot(
        glass,
        MpeZone {
            bend_range: 24,
            ..lower(7)
        },
    );
    book.scene(&[sound(glass, 5)
        .on(surface)
        .with(|s| s.bend_range = Some(v7(4)))]);
    let mut play = book.play();
    play.keys("91 3c 64");
    assert_eq!(play.keys("e1 00 50"), "0:e1 00 60");
    // The whole: 2 semitones of the surface on a manager that bends 4.
    assert_eq!(play.keys("e0 00 60"), "0:e0 00 50");
    // The surface says that its fingers bend 12: the same way is 3 semitones by now.
    for hex in ["b1 65 00", "b1 64 00", "b1 06 0c"] {
        play.keys(hex);
    }
    assert_eq!(play.keys("e1 01 50"), "0:e1 01 48");
}

#[test]
fn members_are_given_out_where_there_are_fewer_than_fingers() {
    let mut play = whole(2);
    // Channels as sent of the note struck last.
    let mut strike = |hex: &str| {
        let out = play.keys(hex);
        out.rsplit("0:").next().unwrap().to_owned()
    };
    assert_eq!(strike("95 3c 64"), "91 3c 64", "the first free one");
    assert_eq!(strike("91 3e 64"), "92 3e 64", "its own is taken");
    assert_eq!(
        strike("96 40 64"),
        "91 40 64",
        "with none free it is shared"
    );
    assert_eq!(play.keys("e6 00 41"), "0:e1 00 41", "the last one leads");
    assert_eq!(play.keys("e5 00 42"), "");
    let out = format!("{}, {}", play.keys("86 40 40"), play.wait(1));
    assert_eq!(out, "0:81 40 40, 0:e1 00 42, ", "then the one before");
    play.keys("85 3c 40");
    play.keys("81 3e 40");
    let out = play.keys("97 43 64");
    assert!(out.ends_with("0:91 43 64"), "free for longest: {out}");
}

#[test]
fn a_keyboard_plays_a_zone_too() {
    let mut book = Book::new();
    let keys = book.controller();
    let glass = book.instrument(1, GOOD);
    book.zone_slot(glass, lower(3));
    book.scene(&[sound(glass, 5).on(keys)]);
    let mut play = book.play();
    for (strike, member) in [
        ("90 3c 64", "91 3c"),
        ("90 3e 64", "92 3e"),
        ("90 40 64", "93 40"),
    ] {
        let out = play.keys(strike);
        assert!(out.ends_with(&format!("0:{member} 64")), "{out}");
    }
    assert_eq!(play.keys("a0 3e 22"), "0:d2 22", "by key, so by member");
    assert_eq!(play.keys("e0 00 50"), "0:e0 00 50", "the whole");
    assert_eq!(play.keys("80 3e 40"), "0:82 3e 40");
    assert_eq!(play.keys("90 41 64"), "0:d2 00, 0:92 41 64");
}

#[test]
fn a_sound_with_one_channel_hears_the_last_finger() {
    let mut play = flat(Leader::Last, |s| s.with(|s| s.release_us = 100_000));
    play.keys("e1 00 41");
    play.keys("d1 11");
    // 0.75 semitones of 48 on a sound that bends 2.
    assert_eq!(play.keys("91 3c 64"), "0:e0 00 58, 0:d0 11, 0:90 3c 64");
    assert_eq!(play.keys("d2 22"), "");
    assert_eq!(play.keys("92 40 64"), "0:e0 00 40, 0:d0 22, 0:90 40 64");
    assert_eq!(play.keys("d1 12"), "", "the first one leads no more");
    assert_eq!(play.keys("e2 20 40"), "0:e0 00 46");
    assert_eq!(play.keys("82 40 40"), "0:80 40 40, 0:e0 00 58, 0:d0 12");
    assert_eq!(play.keys("81 3c 40"), "0:80 3c 40");
    // At rest again, once it is silent.
    assert_eq!(play.wait(200), "100ms 0:e0 00 40, 0:d0 00");
}

#[test]
fn a_sound_with_one_channel_hears_the_highest_finger() {
    let mut play = flat(Leader::Highest, |sound| sound);
    play.keys("92 40 64");
    play.keys("91 3c 64");
    assert_eq!(play.keys("d1 33"), "", "a lower key");
    assert_eq!(play.keys("d2 22"), "0:d0 22");
    assert_eq!(play.keys("b2 4a 10"), "0:b0 4a 10");
    assert_eq!(play.keys("82 40 40"), "0:80 40 40, 0:d0 33");
}

/// The whole and the finger add up in semitones: 1 of 2 and 1 of 48 on a sound that bends
/// 4 are half its way.
#[test]
fn the_whole_and_the_finger_add_up_on_one_channel() {
    let mut play = flat(Leader::Last, |s| s.with(|s| s.bend_range = Some(v7(4))));
    play.keys("91 3c 64");
    // 8192 / 48 = 170.67: 171 is the nearest, and 1.002 semitones.
    assert_eq!(play.keys("e1 2b 41"), "0:e0 04 50");
    assert_eq!(play.keys("e0 00 60"), "0:e0 04 60");
    assert_eq!(play.keys("e0 00 40"), "0:e0 04 50");
}

#[test]
fn held_fingers_keep_their_way_over_a_step() {
    let mut book = Book::new();
    let surface = book.surface(lower(7));
    let [one, two] = [(); 2].map(|()| {
        let id = book.instrument(1, GOOD);
        book.zone_slot(id, lower(7));
        id
    });
    let main = book.instrument(2, GOOD);
    book.scene(&[sound(one, 5).on(surface), sound(main, 5).on(surface)]);
    book.scene(&[
        sound(two, 6).on(surface),
        sound(main, 6).on(surface).seat(1),
    ]);
    let mut play = book.play();
    play.keys("91 3c 64");
    let out = play.step();
    assert!(!out.contains("0:") && !out.contains("2:e0"), "{out}");
    assert_eq!(play.keys("e1 00 42"), "0:e1 00 42, 2:e0 00 70");
    assert_eq!(play.keys("d1 22"), "0:d1 22, 2:d0 22");
    assert_eq!(
        play.keys("e0 00 50"),
        "1:e0 00 50, 2:e1 00 50",
        "the new scene's"
    );
    assert_eq!(play.keys("d0 12"), "1:d0 12, 2:d1 12");
    let out = play.keys("92 40 64");
    assert!(out.ends_with("1:92 40 64, 2:91 40 64"), "{out}");
    assert_eq!(play.keys("81 3c 40"), "0:81 3c 40, 2:80 3c 40");
    assert_eq!(play.keys("e1 00 40"), "");
}

#[test]
fn what_a_lost_surface_held_is_let_go() {
    let mut play = whole(7);
    play.keys("e1 00 50");
    play.keys("91 3c 64");
    assert_eq!(play.input(Input::InputLost(InPort(0))), "0:81 3c 40");
    assert_eq!(play.keys("91 3c 64"), "0:e1 00 40, 0:91 3c 64");
}

#[test]
fn a_panic_reaches_the_members() {
    let mut play = whole(2);
    play.keys("92 3c 64");
    let out = play.command(Command::Panic(None));
    assert!(out.contains("0:82 3c 40"), "{out}");
    for member in ["b0", "b1", "b2"] {
        assert!(out.contains(&format!("0:{member} 78 00")), "{out}");
    }
    let out = play.keys("92 3c 64");
    assert!(
        out.starts_with("0:e2 00 40"),
        "nothing is known there: {out}"
    );
}

#[test]
fn a_surface_says_how_many_fingers_it_has() {
    let mut play = whole(7);
    assert_eq!(play.keys("9a 3c 64"), "", "no channel of its zone");
    play.keys("91 3c 64");
    for hex in ["b0 65 00", "b0 64 06"] {
        assert_eq!(play.keys(hex), "");
    }
    assert_eq!(
        play.keys("b0 06 0b"),
        "0:81 3c 40",
        "what it held is let go"
    );
    let deed = play.view().deed.unwrap().1;
    let expected = Deed::Zone {
        of: Some(ControllerId(0)),
        zone: lower(11),
        cut: None,
    };
    assert_eq!(deed, expected);
    let out = play.keys("9a 3c 64");
    assert!(out.ends_with("0:92 3c 64"), "{out}");
}

#[test]
fn the_zone_set_up_last_counts() {
    let mut book = Book::new();
    let upper = MpeZone::new(Side::Upper, 7);
    let (one, two) = (book.surface(lower(7)), book.surface(upper));
    book.control_entry(two, |entry| entry.port = InPort(0));
    let main = book.instrument(2, GOOD);
    book.scene(&[sound(main, 5).on(one), sound(main, 6).on(two).seat(1)]);
    let mut play = book.play();
    assert_eq!(play.keys("98 3c 64").rsplit("0:").next(), Some("91 3c 64"));
    for hex in ["b0 65 00", "b0 64 06", "b0 06 08"] {
        play.keys(hex);
    }
    // Channel 9 was the upper zone's seventh, and is the lower one's eighth by now.
    assert_eq!(play.keys("98 3c 64").rsplit("0:").next(), Some("90 3c 64"));
    assert_eq!(play.keys("99 3c 64").rsplit("0:").next(), Some("91 3c 64"));
}

/// On a line of DIN speed fingers take turns like wheels do, and the last value arrives.
#[test]
fn fingers_take_turns_on_a_slow_line() {
    let mut book = Book::new();
    let surface = book.surface(lower(7));
    let glass = book.instrument(1, GOOD);
    book.zone_slot(glass, lower(7));
    book.line(glass, 320);
    book.scene(&[sound(glass, 5).on(surface)]);
    let mut play = book.play();
    play.wait(500);
    play.keys("91 3c 64");
    play.keys("92 40 64");
    let mut sent = Vec::new();
    for value in 0x41..0x61 {
        for finger in [1, 2] {
            sent.push(play.keys(&format!("e{finger} 00 {value:x}")));
            sent.push(play.keys(&format!("d{finger} {value:x}")));
        }
        sent.push(play.wait(1));
    }
    sent.push(play.wait(50));
    let sent = sent.join(" ");
    let count = sent.matches("0:").count();
    assert!(count < 30, "{count} of 128 in 80 ms: {sent}");
    for last in ["e1 00 60", "e2 00 60", "d1 60", "d2 60"] {
        assert!(sent.contains(last), "{last}: {sent}");
    }
}
