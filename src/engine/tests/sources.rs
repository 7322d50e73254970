//! Bend, pressure and named sources, live and over steps.

use super::rig::*;
use crate::engine::promptbook::*;

fn two_scenes() -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6).on(keys).seat(1)]);
    book.play()
}

#[test]
fn sources_pass_to_each_slot_once() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[
        sound(main, 5)
            .zone(keys, |zone| zone.keys = (key(0), key(59)))
            .zone(keys, |zone| zone.keys = (key(60), key(127))),
        sound(main, 6).on(keys).seat(1),
    ]);
    let mut play = book.play();
    assert_eq!(play.keys("e0 00 50"), "0:e0 00 50, 0:e1 00 50");
    assert_eq!(play.keys("d0 22"), "0:d0 22, 0:d1 22");
    assert_eq!(play.keys("b0 01 33"), "0:b0 01 33, 0:b1 01 33");
    assert_eq!(play.keys("b0 0b 44"), "0:b0 0b 44, 0:b1 0b 44");
    assert_eq!(play.keys("b0 10 44"), "", "not a named source");
}

#[test]
fn sources_that_are_not_named_stop() {
    let mut book = Book::new();
    let keys = book.controller();
    book.control_entry(keys, |entry| {
        entry.passes_bend = false;
        entry.passes_pressure = false;
        entry.passes = [0; 2];
    });
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    let mut play = book.play();
    play.keys("90 3c 64");
    for hex in ["e0 00 50", "d0 22", "a0 3c 22", "b0 01 33", "b0 40 7f"] {
        assert_eq!(play.keys(hex), "", "{hex}");
    }
}

#[test]
fn a_held_over_note_hears_its_bend_come_back_and_no_more() {
    let mut play = two_scenes();
    play.keys("e0 00 60");
    play.keys("90 3c 64");
    let out = play.step();
    assert!(
        out.contains("0:e1 00 60"),
        "the present bend goes to the new sound: {out}"
    );
    assert!(!out.contains("0:e0"), "{out}");
    assert_eq!(play.keys("e0 00 50"), "0:e0 00 50, 0:e1 00 50");
    assert_eq!(
        play.keys("e0 00 30"),
        "0:e0 00 40, 0:e1 00 30",
        "through the centre: there it stays"
    );
    assert_eq!(
        play.keys("e0 00 60"),
        "0:e1 00 60",
        "a new bend is not its own"
    );
}

#[test]
fn a_held_over_note_is_not_bent_by_a_new_bend() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("e0 00 50"), "0:e1 00 50");
}

#[test]
fn a_held_over_note_follows_only_the_wheel_that_bent_it() {
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(low).on(high)]);
    book.scene(&[sound(main, 6).on(low).seat(1)]);
    let mut play = book.play();
    play.from(1, "e0 00 60");
    play.from(0, "90 3c 64");
    play.from(1, "90 3e 64");
    play.step();
    assert_eq!(play.from(0, "e0 00 20"), "0:e1 00 20");
    assert_eq!(play.from(1, "e0 00 40"), "0:e0 00 40");
}

#[test]
fn a_held_over_note_hears_its_pressure_while_its_key_is_down() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("d0 22"), "0:d0 22, 0:d1 22");
    play.keys("80 3c 40");
    assert_eq!(play.keys("d0 00"), "0:d1 00");
}

#[test]
fn wheel_and_foot_do_not_reach_a_held_over_note() {
    let mut play = two_scenes();
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("b0 01 33"), "0:b1 01 33");
    assert_eq!(play.keys("b0 0b 33"), "0:b1 0b 33");
}

#[test]
fn a_new_sound_gets_present_positions_by_difference() {
    let mut play = two_scenes();
    play.keys("b0 0b 40");
    play.keys("b0 01 33");
    assert_eq!(
        play.step(),
        "0:c1 06, 0:b1 01 33, 0:b1 0b 40, 0:e1 00 40, 0:d1 00, \
         0:b1 40 00, 0:b1 42 00, 0:b1 43 00, 0:b1 07 64"
    );
    assert_eq!(play.back(), "", "nothing changed on the first slot");
    play.keys("b0 0b 50");
    assert_eq!(play.step(), "0:b1 0b 50");
}

#[test]
fn a_sound_left_behind_is_not_taken_up_again_once_a_lever_has_moved() {
    let mut play = two_scenes();
    play.keys("e0 00 60");
    play.keys("b0 0b 40");
    play.keys("90 3c 64");
    play.step();
    play.keys("90 3e 64");
    play.keys("b0 0b 50");
    let out = play.back();
    assert!(out.contains("0:c2 05"), "another slot: {out}");
    assert!(out.contains("0:b2 0b 50"), "as the pedal stands: {out}");
    assert!(out.contains("0:e2 00 60"), "as the wheel stands: {out}");
    assert!(!out.contains("0:b0"), "the held note is left alone: {out}");
    assert_eq!(play.keys("90 40 64"), "0:92 40 64");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert_eq!(play.view().counters.harmed, 0);
}

#[test]
fn a_wheel_that_came_back_meanwhile_reaches_the_fresh_notes_alone() {
    let mut play = two_scenes();
    play.keys("b0 01 60");
    play.keys("90 3c 64");
    play.step();
    play.keys("b0 01 00");
    assert_eq!(
        play.back(),
        "0:c1 05",
        "another slot, which heard the wheel: the held note is left alone"
    );
    assert_eq!(play.keys("90 40 64"), "0:91 40 64");
    assert_eq!(play.keys("b0 01 20"), "0:b1 01 20");
}

#[test]
fn a_sound_left_behind_is_taken_up_again_if_nothing_moved() {
    let mut play = two_scenes();
    play.keys("e0 00 60");
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.back(), "");
    assert_eq!(play.keys("90 40 64"), "0:90 40 64");
}

#[test]
fn a_sound_left_behind_is_taken_up_again_where_no_slot_is_free() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6).on(keys).seat(1)]);
    let mut play = book.play();
    play.keys("90 3c 64");
    play.step();
    play.keys("90 3e 64");
    play.keys("b0 01 20");
    play.back();
    assert_eq!(play.keys("90 40 64"), "0:90 40 64");
    assert_eq!(play.view().counters.harmed, 0);
}

#[test]
fn the_controller_that_moved_last_has_the_say_live_and_at_a_changeover() {
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(low)]);
    book.scene(&[sound(main, 6).on(low).on(high).seat(1)]);
    let mut play = book.play();
    play.from(0, "b0 01 60");
    play.from(1, "b0 01 20");
    let out = play.step();
    assert!(out.contains("0:b1 01 20"), "{out}");
    assert_eq!(play.from(0, "b0 01 61"), "0:b1 01 61");
}

#[test]
fn a_slot_taken_by_other_hands_loses_what_the_first_left_there() {
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5).on(low)]);
    book.scene(&[sound(main, 6).on(high)]);
    let mut play = book.play();
    play.from(0, "b0 01 60");
    play.from(0, "b0 0b 10");
    play.from(0, "e0 00 60");
    // Neutral values: RP-015 (wheel 0, expression 127, bend centre).
    assert_eq!(play.step(), "0:c0 06, 0:b0 01 00, 0:b0 0b 7f, 0:e0 00 40");
    assert_eq!(play.back(), "0:c0 05, 0:b0 01 60, 0:b0 0b 10, 0:e0 00 60");
}

#[test]
fn a_sound_that_stays_under_other_hands_settles_when_it_is_silent() {
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 5).on(low)]);
    book.scene(&[sound(main, 5).on(high)]);
    let mut play = book.play();
    play.from(0, "e0 00 60");
    play.from(0, "90 3c 64");
    assert_eq!(play.step(), "", "its note keeps its bend");
    assert_eq!(
        play.from(0, "e0 00 50"),
        "0:e0 00 50",
        "and follows its wheel back"
    );
    assert_eq!(play.from(0, "80 3c 40"), "0:80 3c 40, 0:e0 00 40");
}

#[test]
fn controllers_are_told_apart_by_channel() {
    let mut book = Book::new();
    let first = book.controller();
    let second = book.controller_on(InPort(0), crate::midi::Channel::new(1));
    let main = book.instrument(2, GOOD);
    book.scene(&[sound(main, 1).on(first), sound(main, 2).on(second).seat(1)]);
    let mut play = book.play();
    assert_eq!(play.keys("90 3c 64"), "0:90 3c 64");
    assert_eq!(play.keys("91 3c 64"), "0:91 3c 64");
    assert_eq!(
        play.keys("95 3e 64"),
        "0:90 3e 64",
        "the one that takes all channels"
    );
}
