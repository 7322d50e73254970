//! Hold, sostenuto and soft over scenes (invariant 3).

use super::rig::*;
use crate::engine::input::Command;
use crate::engine::promptbook::*;

fn two_scenes(change: impl FnOnce(&mut ZoneEntry)) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6).zone(keys, change).seat(1)]);
    book.scene(&[sound(main, 7).on(keys).seat(2)]);
    book.play()
}

#[test]
fn a_pedal_stays_with_the_notes_it_holds() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f");
    assert_eq!(
        play.keys("80 3c 40"),
        "0:80 3c 40",
        "the instrument holds it"
    );
    assert_eq!(play.view().slots[0].notes, 1, "and it is known to sound");
    let out = play.step();
    assert!(!out.contains("0:b0"), "the old slot is sent nothing: {out}");
    assert!(
        out.contains("0:b1 40 00"),
        "the new one has its pedal up: {out}"
    );
    assert_eq!(
        play.keys("b0 40 60"),
        "0:b0 40 60",
        "on its way up, half-damper values pass"
    );
    assert_eq!(play.keys("b0 40 70"), "", "no way down");
    assert_eq!(play.keys("b0 40 20"), "0:b0 40 00, 0:b1 40 20");
    assert_eq!(play.view().slots[0].notes, 0);
    assert_eq!(
        play.keys("b0 40 7f"),
        "0:b1 40 7f",
        "a fresh press is heard by the new sound only"
    );
    assert_eq!(play.keys("b0 40 00"), "0:b1 40 00");
}

#[test]
fn a_zone_that_catches_is_told_at_the_changeover() {
    let mut play = two_scenes(|zone| zone.catches = true);
    play.keys("b0 40 7f");
    assert!(play.step().contains("0:b1 40 7f"));
    assert_eq!(play.keys("b0 40 00"), "0:b0 40 00, 0:b1 40 00");
}

#[test]
fn a_new_sound_hears_a_pedal_that_is_up_as_it_stands() {
    let mut play = two_scenes(|_| {});
    play.keys("b0 40 30");
    assert!(play.step().contains("0:b1 40 30"), "half-damper below 64");
    assert_eq!(play.keys("b0 40 50"), "0:b1 40 50");
}

#[test]
fn a_key_let_go_without_pedal_ends_its_entry() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    play.keys("80 3c 40");
    assert_eq!(play.view().slots[0].notes, 0);
}

#[test]
fn a_trill_under_the_pedal_fills_no_table() {
    let mut play = two_scenes(|_| {});
    play.keys("b0 40 7f");
    for _ in 0..3000 {
        play.keys("90 3c 64");
        play.keys("80 3c 40");
    }
    assert_eq!(play.view().slots[0].notes, 1);
    assert_eq!(play.view().counters.notes_refused, 0);
    play.keys("b0 40 00");
    assert_eq!(play.view().slots[0].notes, 0);
}

#[test]
fn sostenuto_holds_only_keys_that_were_down() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    assert_eq!(play.keys("b0 42 7f"), "0:b0 42 7f");
    play.keys("90 3e 64");
    play.keys("80 3e 40");
    assert_eq!(
        play.view().slots[0].notes,
        1,
        "not the later one (GM2 §3.3.9)"
    );
    play.keys("80 3c 40");
    assert_eq!(play.view().slots[0].notes, 1, "the latched one");
    play.step();
    assert_eq!(play.keys("b0 42 00"), "0:b0 42 00");
    assert_eq!(play.view().slots[0].notes, 0);
}

#[test]
fn sostenuto_does_not_hold_what_only_the_hold_pedal_held() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    play.keys("b0 40 7f");
    play.keys("80 3c 40");
    play.keys("b0 42 7f");
    play.keys("b0 40 00");
    assert_eq!(play.view().slots[0].notes, 0, "its key was up (GM2 §3.3.9)");
}

#[test]
fn sostenuto_and_hold_together() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    play.keys("b0 42 7f");
    play.keys("b0 40 7f");
    play.keys("90 3e 64");
    play.keys("80 3c 40");
    play.keys("80 3e 40");
    assert_eq!(play.view().slots[0].notes, 2);
    play.keys("b0 40 00");
    assert_eq!(
        play.view().slots[0].notes,
        1,
        "sostenuto still holds the first"
    );
    play.keys("b0 42 00");
    assert_eq!(play.view().slots[0].notes, 0);
}

#[test]
fn soft_passes_and_holds_nothing() {
    let mut play = two_scenes(|_| {});
    assert_eq!(play.keys("b0 43 7f"), "0:b0 43 7f");
    play.keys("90 3c 64");
    play.keys("80 3c 40");
    assert_eq!(play.view().slots[0].notes, 0);
    assert!(!play.step().contains("0:b0 43"));
    assert_eq!(play.keys("b0 43 00"), "0:b0 43 00");
}

#[test]
fn on_a_shared_slot_the_pedal_is_down_while_any_holds_it() {
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 1).on(low).on(high)]);
    let mut play = book.play();
    assert_eq!(play.from(0, "b0 40 64"), "0:b0 40 64");
    assert_eq!(play.from(1, "b0 40 50"), "", "the higher one counts");
    assert_eq!(play.from(0, "b0 40 00"), "0:b0 40 50");
    assert_eq!(play.from(1, "b0 40 00"), "0:b0 40 00");
}

#[test]
fn a_sound_that_stays_keeps_its_pedal() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 5).on(keys).seat(2)]);
    let mut play = book.play();
    play.keys("b0 40 7f");
    assert_eq!(
        play.step(),
        "",
        "the same sound: nothing to send, wherever the plan has it"
    );
    assert_eq!(play.view().seats[0], Some(SlotId(0)));
    play.keys("90 3c 64");
    play.keys("80 3c 40");
    assert_eq!(play.view().slots[0].notes, 1);
    assert_eq!(play.keys("b0 40 00"), "0:b0 40 00");
    assert_eq!(play.view().slots[0].notes, 0);
}

#[test]
fn a_slot_taken_again_does_not_keep_an_old_pedal() {
    let mut play = two_scenes(|_| {});
    play.keys("b0 40 7f");
    play.step();
    // Nothing is held on the first slot, so stepping back takes it as new: pedal up.
    let out = play.back();
    assert!(out.contains("0:b0 40 00"), "{out}");
    assert_eq!(play.keys("b0 40 00"), "");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f");
}

#[test]
fn after_panic_a_pedal_that_is_down_is_not_fresh() {
    let mut play = two_scenes(|_| {});
    play.keys("b0 40 7f");
    play.command(Command::Panic(None));
    assert_eq!(play.keys("b0 40 70"), "");
    assert_eq!(play.keys("b0 40 00"), "");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f");
}

#[test]
fn the_pedal_up_reaches_each_slot_that_was_told() {
    let mut play = two_scenes(|zone| zone.catches = true);
    play.keys("90 3c 64");
    play.keys("b0 40 7f");
    play.keys("80 3c 40");
    play.step();
    play.keys("90 3c 64");
    play.keys("80 3c 40");
    play.step();
    assert_eq!(play.keys("b0 40 00"), "0:b0 40 00, 0:b1 40 00");
    assert!(play.view().slots.iter().all(|slot| slot.notes == 0));
}

#[test]
fn a_sostenuto_pedal_is_not_caught_where_no_note_is() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6)
        .zone(keys, |zone| zone.catches = true)
        .seat(1)
        .with(|s| s.load_us = 100_000)]);
    let mut play = book.play();
    play.wait(500);
    play.keys("b0 42 7f");
    play.step();
    play.keys("90 3c 64");
    // Told when the patch has loaded, it would hold a note that was struck after it.
    let out = play.wait(200);
    assert!(!out.contains("b1 42 7f"), "{out}");
    play.keys("b0 42 00");
    assert_eq!(play.keys("b0 42 7f"), "0:b1 42 7f", "a fresh press counts");
}

#[test]
fn a_sostenuto_pedal_pressed_while_a_patch_loads_holds_nothing_struck_after_it() {
    for holds in [false, true] {
        let mut book = Book::new();
        let keys = book.controller();
        let main = book.instrument(
            2,
            Manners {
                holds_back: false,
                ..GOOD
            },
        );
        book.scene(&[sound(main, 5).on(keys)]);
        book.scene(&[sound(main, 6)
            .on(keys)
            .seat(1)
            .with(|s| s.load_us = 100_000)]);
        let mut play = book.play();
        play.wait(500);
        play.step();
        if holds {
            play.keys("90 3c 64");
        }
        play.keys("b0 42 7f");
        play.keys("90 3e 64");
        let out = play.wait(200);
        assert_eq!(out.contains("0:b1 42 7f"), holds, "{out}");
        play.keys("80 3c 40");
        play.keys("80 3e 40");
        // What the pedal was told after is held with the rest, and the engine knows it.
        assert_eq!(play.view().slots[1].notes, if holds { 2 } else { 0 });
        play.keys("b0 42 00");
        assert_eq!(play.view().slots[1].notes, 0);
    }
}

/// Two keyboards that play sounds of their own, and both the same one in the third scene.
fn two_keyboards() -> Play {
    let mut book = Book::new();
    let lower = book.controller();
    let upper = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(lower).on(upper)]);
    book.scene(&[sound(main, 5).on(upper), sound(main, 6).on(lower).seat(1)]);
    book.scene(&[sound(main, 7).on(lower).on(upper).seat(2)]);
    book.play()
}

#[test]
fn hold_pressed_after_the_step_holds_what_is_still_held() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    play.step();
    assert_eq!(
        play.keys("b0 40 7f"),
        "0:b0 40 7f, 0:b1 40 7f",
        "a fresh press reaches every note whose key is down"
    );
    play.keys("80 3c 40");
    assert_eq!(play.view().slots[0].notes, 1, "the pedal holds it");
    assert_eq!(play.keys("b0 40 00"), "0:b0 40 00, 0:b1 40 00");
    assert_eq!(play.view().slots[0].notes, 0);
    assert_eq!(
        play.keys("b0 40 7f"),
        "0:b1 40 7f",
        "nothing is held there now"
    );
}

#[test]
fn a_pedal_that_moves_between_its_ends_goes_on_with_what_it_was_pressed_for() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    play.step();
    play.keys("b0 40 30");
    assert_eq!(play.keys("b0 40 41"), "0:b0 40 41, 0:b1 40 41");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f, 0:b1 40 7f");
    assert_eq!(play.keys("b0 40 20"), "0:b0 40 00, 0:b1 40 20");
}

#[test]
fn a_pedal_that_is_down_at_the_step_takes_a_held_over_note_with_its_next_press_only() {
    let mut play = two_scenes(|zone| zone.catches = true);
    play.keys("b0 40 7f");
    play.step();
    play.keys("b0 40 00");
    play.back();
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f, 0:b1 40 7f");
}

#[test]
fn sostenuto_pressed_after_the_step_holds_what_is_still_held() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("b0 42 7f"), "0:b0 42 7f, 0:b1 42 7f");
    play.keys("80 3c 40");
    assert_eq!(play.view().slots[0].notes, 1);
    assert_eq!(play.keys("b0 42 00"), "0:b0 42 00, 0:b1 42 00");
    assert_eq!(play.view().slots[0].notes, 0);
}

#[test]
fn soft_pressed_after_the_step_leaves_what_is_still_held() {
    let mut play = two_scenes(|_| {});
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("b0 43 7f"), "0:b1 43 7f", "it holds nothing");
}

#[test]
fn a_fresh_press_leaves_a_slot_that_others_play_or_hold() {
    let mut play = two_keyboards();
    play.keys("90 3c 64");
    play.step();
    assert_eq!(
        play.keys("b0 40 7f"),
        "0:b1 40 7f",
        "what the upper keyboard plays there would be held too"
    );
    play.keys("b0 40 00");
    play.from(1, "90 43 64");
    play.step();
    assert_eq!(
        play.keys("b0 40 7f"),
        "0:b2 40 7f",
        "what the upper keyboard holds there would be held too"
    );
    play.keys("b0 40 00");
    play.from(1, "80 43 40");
    assert_eq!(
        play.keys("b0 40 7f"),
        "0:b0 40 7f, 0:b2 40 7f",
        "alone by now"
    );
}

#[test]
fn a_fresh_press_leaves_a_slot_that_fades() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).zone(keys, |zone| zone.leave = Leave::Fade(500))]);
    book.scene(&[sound(main, 6).on(keys).seat(1)]);
    let mut play = book.play();
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.keys("b0 40 7f"), "0:b1 40 7f");
}
