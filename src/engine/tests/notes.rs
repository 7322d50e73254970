//! Owners of notes (invariant 1), zones, held-back notes.

use super::rig::*;
use crate::engine::input::{Command, Input};
use crate::engine::promptbook::*;

/// One keyboard on one instrument of four slots; two scenes with a sound each.
fn two_scenes() -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6).on(keys).seat(1)]);
    book.play()
}

#[test]
fn a_note_goes_where_its_zone_says_and_ends_there() {
    let mut play = two_scenes();
    assert_eq!(play.keys("90 3c 64"), "0:90 3c 64");
    assert_eq!(
        play.keys("80 3c 30"),
        "0:80 3c 30",
        "release velocity passes"
    );
    assert_eq!(
        play.keys("93 3e 01"),
        "0:90 3e 01",
        "any channel of the port"
    );
    assert_eq!(
        play.keys("93 3e 00"),
        "0:80 3e 40",
        "velocity 0 is a Note Off (MIDI 1.0)"
    );
}

/// As struck, before any curve, of the keyboard that it was struck on; letting go is no stroke.
#[test]
fn the_key_struck_last_is_shown() {
    let mut play = two_scenes();
    assert_eq!(play.view().controllers[0].struck, None);
    play.keys("90 3c 64");
    play.keys("80 3c 30");
    play.keys("90 3e 00");
    assert_eq!(play.view().controllers[0].struck, Some((0x3c, 0x64)));
    play.keys("90 40 01");
    assert_eq!(play.view().controllers[0].struck, Some((0x40, 1)));
    assert_eq!(play.view().controllers[1].struck, None);
}

#[test]
fn a_held_note_ends_on_its_own_slot_after_a_step() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    let changeover = play.step();
    assert!(!changeover.contains("0:80"), "{changeover}");
    assert!(!changeover.contains("0:b0"), "{changeover}");
    assert_eq!(play.keys("90 40 64"), "0:91 40 64");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert_eq!(play.keys("80 40 40"), "0:81 40 40");
}

#[test]
fn the_same_key_again_in_the_new_scene_ends_the_old_note_first() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("90 3c 50"), "0:80 3c 40, 0:91 3c 50");
    assert_eq!(play.keys("80 3c 40"), "0:81 3c 40");
    assert_eq!(play.keys("80 3c 40"), "", "it owns nothing any more");
}

#[test]
fn one_pitch_from_two_keys_ends_when_the_last_leaves_balanced() {
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(1, GOOD);
    let both = sound(main, 1)
        .on(low)
        .zone(high, |zone| zone.transpose = -12);
    book.scene(&[both]);
    let mut play = book.play();
    assert_eq!(play.from(0, "90 3c 64"), "0:90 3c 64");
    assert_eq!(play.from(1, "90 48 50"), "0:90 3c 50");
    assert_eq!(play.from(0, "80 3c 40"), "");
    // MIDI 1.0 advises as many Note Offs as Note Ons.
    assert_eq!(play.from(1, "80 48 20"), "0:80 3c 20, 0:80 3c 20");
}

#[test]
fn a_layer_sounds_on_each_slot_and_a_split_on_one() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(3, GOOD);
    let below = |zone: &mut ZoneEntry| zone.keys = (key(0), key(59));
    let above = |zone: &mut ZoneEntry| zone.keys = (key(60), key(127));
    book.scene(&[
        sound(main, 1).zone(keys, below),
        sound(main, 2).seat(1).zone(keys, above),
        sound(main, 3).seat(2).zone(keys, above),
    ]);
    let mut play = book.play();
    assert_eq!(play.keys("90 3b 64"), "0:90 3b 64");
    assert_eq!(play.keys("90 3c 64"), "0:91 3c 64, 0:92 3c 64");
    assert_eq!(play.keys("80 3c 40"), "0:81 3c 40, 0:82 3c 40");
    assert_eq!(play.view().slots[0].notes, 1);
}

#[test]
fn velocity_windows_curves_and_transposition() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    let mut half = [0u8; 128];
    for (value, out) in (0u8..).zip(half.iter_mut()) {
        *out = value / 2;
    }
    let curve = book.curve(half);
    book.scene(&[
        sound(main, 1).zone(keys, |zone| {
            zone.velocities = (v7(1), v7(80));
            zone.curve = curve;
            zone.transpose = 12;
        }),
        sound(main, 2)
            .seat(1)
            .zone(keys, |zone| zone.velocities = (v7(100), v7(127))),
    ]);
    let mut play = book.play();
    assert_eq!(play.keys("90 3c 50"), "0:90 48 28");
    assert_eq!(
        play.keys("90 3d 01"),
        "0:90 49 01",
        "a curve never makes a Note Off"
    );
    assert_eq!(play.keys("90 3e 5a"), "", "between the windows");
    assert_eq!(play.keys("90 40 64"), "0:91 40 64");
    assert_eq!(play.keys("90 78 40"), "", "132 is no key");
    let view = play.view();
    assert_eq!(view.counters.unwanted, 1);
    assert_eq!(view.controllers[0].unwanted, 1);
    assert_eq!(view.counters.notes_out_of_range, 1);
}

#[test]
fn muted_keys_are_silent_and_sounding_ones_end() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    play.command(Command::Mute(true));
    assert_eq!(play.keys("90 3e 64"), "");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    play.command(Command::Mute(false));
    assert_eq!(play.keys("90 40 64"), "0:90 40 64");
    assert_eq!(play.keys("80 3e 40"), "");
}

#[test]
fn the_computer_keyboard_plays_like_a_controller() {
    let mut play = two_scenes();
    let (controller, c4) = (ControllerId(0), key(60));
    assert_eq!(
        play.command(Command::NoteOn(controller, c4, v7(90))),
        "0:90 3c 5a"
    );
    assert_eq!(play.command(Command::NoteOff(controller, c4)), "0:80 3c 40");
}

#[test]
fn poly_pressure_follows_its_key_to_the_old_sound() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    play.step();
    play.keys("90 40 64");
    assert_eq!(play.keys("a0 3c 20"), "0:a0 3c 20");
    assert_eq!(play.keys("a0 40 21"), "0:a1 40 21");
    assert_eq!(play.keys("a0 41 22"), "", "no note, no pressure");
}

#[test]
fn a_full_table_refuses_and_counts() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(16, GOOD);
    let sounds: Vec<_> = (0..16).map(|n| sound(main, n).seat(n).on(keys)).collect();
    book.scene(&sounds);
    let mut play = book.play();
    for k in 0..65 {
        play.keys(&format!("90 {k:02x} 64"));
    }
    let counters = play.view().counters;
    assert_eq!((counters.notes, counters.notes_refused), (1024, 16));
    for k in 0..65 {
        play.keys(&format!("80 {k:02x} 40"));
    }
    assert!(play.view().slots.iter().all(|slot| slot.notes == 0));
}

/// One keyboard on an instrument whose patches take 100 ms.
fn slow(manners: Manners) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, manners);
    book.scene(&[sound(main, 1).on(keys).with(|s| s.load_us = 100_000)]);
    book.scene(&[sound(main, 2)
        .on(keys)
        .seat(1)
        .with(|s| s.load_us = 100_000)]);
    let mut play = book.play();
    play.wait(200);
    play
}

#[test]
fn a_note_on_a_loading_slot_waits_30_ms_and_is_heard() {
    let mut play = slow(BAD);
    play.step();
    assert_eq!(play.keys("90 3c 64"), "");
    assert_eq!(play.wait(29), "");
    assert_eq!(
        play.wait(1),
        "1ms 0:b1 07 64, 0:91 3c 64",
        "level first, then the note"
    );
    assert_eq!(play.view().counters.held_back_early, 1);
    assert_eq!(play.keys("80 3c 40"), "0:81 3c 40");
    let rest = play.wait(100);
    assert!(
        rest.starts_with("70ms") && rest.ends_with("0:b1 07 64"),
        "{rest}"
    );
}

#[test]
fn a_short_note_on_a_loading_slot_keeps_its_on_and_off() {
    let mut play = slow(BAD);
    play.step();
    play.wait(80);
    play.keys("90 3c 64");
    assert_eq!(play.keys("80 3c 11"), "");
    let out = play.wait(30);
    assert!(out.starts_with("20ms"), "{out}");
    assert!(out.ends_with("0:b1 07 64, 0:91 3c 64, 0:81 3c 11"), "{out}");
    assert_eq!(play.view().counters.held_back_early, 0);
}

#[test]
fn a_waiting_note_of_a_scene_already_left_is_still_played() {
    let mut play = slow(BAD);
    play.step();
    play.keys("90 3c 64");
    play.step();
    play.back();
    let out = play.wait(200);
    assert!(out.contains("0:91 3c 64"), "{out}");
    assert_eq!(play.keys("80 3c 40"), "0:81 3c 40");
}

#[test]
fn a_receiver_that_does_not_hold_back_gets_notes_at_once() {
    let mut play = slow(Manners {
        holds_back: false,
        ..BAD
    });
    play.step();
    assert_eq!(play.keys("90 3c 64"), "0:91 3c 64");
}

#[test]
fn held_back_notes_past_the_limit_go_out_early() {
    let mut book = Book::new();
    let (keys, top) = (book.controller(), book.controller());
    let main = book.instrument(2, BAD);
    book.scene(&[sound(main, 1)
        .on(keys)
        .on(top)
        .with(|s| s.load_us = 100_000)]);
    let mut play = book.play();
    for k in 0..128 {
        assert_eq!(play.from(0, &format!("90 {k:02x} 64")), "");
    }
    let flushed = play.from(1, "90 3c 64");
    assert_eq!(flushed.matches("0:90").count(), 128);
    assert_eq!(play.view().counters.held_back_early, 128);
    assert_eq!(play.view().counters.out_refused, 0);
    let rest = play.wait(40);
    assert!(rest.ends_with("0:90 3c 64"), "{rest}");
}

#[test]
fn release_all_lets_go_of_everything() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    play.keys("b0 40 7f");
    play.keys("90 3e 64");
    play.keys("80 3e 40");
    play.keys("e0 00 50");
    let out = play.command(Command::ReleaseAll);
    assert_eq!(out, "0:80 3c 40, 0:b0 40 00, 0:e0 00 40");
    assert!(play.view().slots.iter().all(|slot| slot.notes == 0));
}

#[test]
fn release_all_leaves_no_slot_at_level_0_that_was_loading() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6)
        .on(keys)
        .seat(1)
        .with(|s| s.load_us = 100_000)]);
    let mut play = book.play();
    play.wait(500);
    play.keys("b0 40 7f");
    let out = play.step();
    assert!(out.contains("0:b1 07 00"), "{out}");
    let out = play.command(Command::ReleaseAll);
    assert!(!out.contains("0:b1"), "it may not hear anything yet: {out}");
    assert!(play.view().slots[1].is_loading);
    let out = play.wait(200);
    assert!(out.ends_with("0:b1 07 64"), "{out}");
}

#[test]
fn a_note_behind_a_slow_line_rings_from_when_its_end_has_left() {
    for (wait_ms, slot) in [(110, 1), (150, 0)] {
        let mut book = Book::new();
        let keys = book.controller();
        let main = book.instrument(2, GOOD);
        book.scene(&[sound(main, 5).on(keys).with(|s| s.release_us = 100_000)]);
        book.scene(&[sound(main, 6).on(keys)]);
        // MIDI 1.0: 31,250 baud, ten bits a byte.
        book.out_port(0, |port| port.byte_us = 320);
        let mut play = book.play();
        play.wait(500);
        play.keys("90 3c 64");
        for _ in 0..20 {
            play.keys("a0 3c 10");
            play.keys("a0 3c 20");
        }
        // 42 messages of three bytes: the last has left after 40 ms.
        play.keys("80 3c 40");
        play.wait(wait_ms);
        play.step();
        assert_eq!(play.view().seats[0], Some(SlotId(slot)), "{wait_ms} ms");
    }
}

#[test]
fn what_is_no_channel_message_stops_here() {
    let mut play = two_scenes();
    assert_eq!(
        play.input(Input::Midi(InPort(0), crate::midi::Message::Clock)),
        ""
    );
    assert_eq!(
        play.keys("c0 05"),
        "",
        "a controller's program change stops"
    );
    assert_eq!(play.keys("b0 07 20"), "", "volume is not named");
    assert_eq!(
        play.keys("b0 7b 00"),
        "",
        "channel mode messages never pass"
    );
    assert_eq!(play.view().controllers[0].received, 3);
}

#[test]
fn one_press_that_two_zones_lead_to_one_note_strikes_it_once() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    let soft = book.curve([40; 128]);
    book.scene(&[sound(main, 5)
        .zone(keys, |zone| {
            zone.curve = soft;
            zone.leave = Leave::Cut;
        })
        .on(keys)
        .zone(keys, |zone| zone.transpose = 12)]);
    let mut play = book.play();
    assert_eq!(
        play.keys("90 3c 64"),
        "0:90 3c 64, 0:90 48 64",
        "the louder of two; the octave is another note"
    );
    assert_eq!(play.view().slots[0].notes, 2);
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40, 0:80 48 40");
}

#[test]
fn a_second_key_on_the_same_note_strikes_it_again_and_the_last_key_ends_it() {
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5)
        .on(low)
        .zone(high, |zone| zone.transpose = 12)]);
    let mut play = book.play();
    assert_eq!(play.from(0, "90 3c 64"), "0:90 3c 64");
    assert_eq!(
        play.from(1, "90 30 50"),
        "0:90 3c 50",
        "heard as a restrike"
    );
    assert_eq!(play.from(0, "80 3c 40"), "", "the other key holds it");
    assert_eq!(
        play.from(1, "80 30 40"),
        "0:80 3c 40, 0:80 3c 40",
        "as many Note Offs as Note Ons"
    );
}
