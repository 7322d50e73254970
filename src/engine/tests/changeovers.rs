//! What a slot is told, in which order, and which slot a sound takes.

use super::rig::*;
use crate::engine::input::{Command, Input};
use crate::engine::promptbook::*;
use crate::midi::Value14;

fn v14(value: u16) -> Value14 {
    Value14::new(value).unwrap()
}

/// A show without hands: only what the sounds state is sent.
fn scenes(manners: Manners, slots: u8, sounds: &[&dyn Fn(Sound) -> Sound]) -> Play {
    let mut book = Book::new();
    book.controller();
    let main = book.instrument(slots, manners);
    for (program, change) in (1u8..).zip(sounds) {
        book.scene(&[change(sound(main, program))]);
    }
    book.play()
}

#[test]
fn good_manners_and_a_silent_slot_program_settings_level() {
    let mut play = scenes(GOOD, 1, &[&|s| s, &|s| s.with(|s| s.volume = Some(v7(90)))]);
    assert_eq!(play.step(), "0:c0 02, 0:b0 07 5a");
    assert_eq!(play.back(), "0:c0 01, 0:b0 07 64");
}

#[test]
fn bank_bytes_only_as_manners_and_patch_say() {
    let bank = |msb: Option<u8>, lsb: Option<u8>| {
        move |s: Sound| {
            s.with(|s| {
                s.patch.bank_msb = msb.map(v7);
                s.patch.bank_lsb = lsb.map(v7);
            })
        }
    };
    let both = Manners {
        sends_bank_msb: true,
        sends_bank_lsb: true,
        ..GOOD
    };
    let mut play = scenes(
        both,
        1,
        &[&|s| s, &bank(Some(3), Some(4)), &bank(Some(3), Some(5))],
    );
    assert_eq!(play.step(), "0:b0 00 03, 0:b0 20 04, 0:c0 02");
    assert_eq!(
        play.step(),
        "0:b0 20 05, 0:c0 03",
        "a bank byte stays for later programs"
    );
    let msb = Manners {
        sends_bank_lsb: false,
        ..both
    };
    let mut play = scenes(msb, 1, &[&|s| s, &bank(Some(3), Some(4))]);
    assert_eq!(play.step(), "0:b0 00 03, 0:c0 02");
}

#[test]
fn another_bank_with_the_same_program_is_another_patch() {
    let mut book = Book::new();
    let main = book.instrument(
        1,
        Manners {
            sends_bank_msb: true,
            ..GOOD
        },
    );
    for bank in [1, 2] {
        book.scene(&[sound(main, 9).with(|s| s.patch.bank_msb = Some(v7(bank)))]);
    }
    let mut play = book.play();
    assert_eq!(play.step(), "0:b0 00 02, 0:c0 09");
}

#[test]
fn a_slow_patch_level_down_wait_settings_level_up() {
    let slow = |s: Sound| {
        s.with(|s| {
            s.load_us = 100_000;
            s.pan = Some(v7(20));
            s.bend_range = Some(v7(12));
        })
    };
    let mut play = scenes(GOOD, 1, &[&slow, &slow]);
    play.wait(500);
    assert_eq!(play.step(), "0:b0 07 00, 0:c0 02");
    assert!(play.view().slots[0].is_loading);
    assert_eq!(
        play.wait(200),
        "100ms 0:b0 07 64",
        "pan and bend range are there already"
    );
}

#[test]
fn what_a_program_change_resets_is_sent_again() {
    let slow = |s: Sound| {
        s.with(|s| {
            s.load_us = 100_000;
            s.pan = Some(v7(20));
            s.bend_range = Some(v7(12));
        })
    };
    let mut play = scenes(BAD, 1, &[&slow, &slow]);
    play.wait(500);
    assert_eq!(play.step(), "0:b0 07 00, 0:c0 02");
    assert_eq!(
        play.wait(200),
        // Bend range 12: the sequence of MIDI 1.0, ended by null.
        "100ms 0:b0 65 00, 0:b0 64 00, 0:b0 06 0c, 0:b0 26 00, 0:b0 65 7f, 0:b0 64 7f, \
         0:b0 0a 14, 0:b0 07 64"
    );
}

#[test]
fn a_step_during_a_load_and_back_again() {
    let slow = |s: Sound| s.with(|s| s.load_us = 100_000);
    let mut play = scenes(BAD, 1, &[&slow, &slow]);
    play.wait(500);
    play.step();
    play.wait(50);
    assert_eq!(
        play.back(),
        "0:b0 07 00, 0:c0 01",
        "level down: who knows what the first did"
    );
    assert_eq!(play.wait(60), "");
    assert_eq!(play.wait(100), "40ms 0:b0 07 64");
}

#[test]
fn settings_of_every_kind_by_difference() {
    let settings = |value: u16, blob: u16| {
        move |s: Sound| {
            s.set(Setting::Control(cc(74), v7(value as u8)))
                .set(Setting::Pair(cc(16), v14(128 + value)))
                .set(Setting::Rpn(v14(1), v14(9011)))
                .set(Setting::Nrpn(v14(130), v14(value)))
                .set(Setting::Exclusive(7, BlobId(blob)))
        }
    };
    let mut play = scenes(
        GOOD,
        1,
        &[&settings(5, 0), &settings(6, 1), &settings(6, 1)],
    );
    assert_eq!(
        play.step(),
        "0:c0 02, 0:b0 4a 06, 0:b0 30 06, 0:b0 63 01, 0:b0 62 02, 0:b0 06 00, 0:b0 26 06, \
         0:b0 65 7f, 0:b0 64 7f, 0:blob 1",
        "a fine change sends the lower half alone; +10 cents stays (9011, by GM2 §3.4.2)"
    );
    assert_eq!(play.step(), "0:c0 03");
    let all = play.command(Command::Resend {
        receiver: None,
        is_forced: false,
    });
    assert!(
        all.contains("0:b0 10 01, 0:b0 30 06"),
        "upper half first: {all}"
    );
    assert!(
        all.contains("0:b0 65 00, 0:b0 64 01, 0:b0 06 46, 0:b0 26 33, 0:b0 65 7f, 0:b0 64 7f"),
        "(70, 51): {all}"
    );
}

#[test]
fn pan_and_bend_range_that_are_not_stated_go_back_to_neutral() {
    let mut play = scenes(
        GOOD,
        1,
        &[&|s| s, &|s| {
            s.with(|s| {
                s.pan = Some(v7(20));
                s.bend_range = Some(v7(12));
            })
        }],
    );
    play.step();
    let out = play.back();
    // Power-on values of GM2: pan 64, bend range 2 semitones.
    assert!(
        out.contains("0:b0 06 02") && out.contains("0:b0 0a 40"),
        "{out}"
    );
}

#[test]
fn a_level_that_is_not_ours_is_not_sent() {
    let mut play = scenes(
        BAD,
        1,
        &[&|s| s, &|s| {
            s.with(|s| {
                s.volume = None;
                s.load_us = 10_000;
            })
        }],
    );
    assert_eq!(play.step(), "0:c0 02");
    assert_eq!(play.wait(100), "");
}

/// The same sound at two levels.
fn ride(level_change: LevelChange) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    let at = |volume| {
        sound(main, 5).on(keys).with(move |s| {
            s.volume = Some(v7(volume));
            s.level_change = level_change;
        })
    };
    book.scene(&[at(100)]);
    book.scene(&[at(50)]);
    book.scene(&[at(110)]);
    book.play()
}

#[test]
fn a_sound_that_stays_rides_over_50_ms() {
    let mut play = ride(LevelChange::Ride);
    play.keys("90 3c 64");
    assert_eq!(play.step(), "");
    assert_eq!(
        play.wait(100),
        "10ms 0:b0 07 5a, 20ms 0:b0 07 50, 30ms 0:b0 07 46, 40ms 0:b0 07 3c, 50ms 0:b0 07 32"
    );
    play.step();
    play.wait(25);
    let view = play.view();
    assert_eq!(view.slots[0].volume, Some(74), "50 + 60 · 20/50");
    play.back();
    assert_eq!(
        play.wait(100).split(", ").last(),
        Some("50ms 0:b0 07 32"),
        "from where it is"
    );
}

#[test]
fn a_silent_sound_takes_its_level_at_once() {
    let mut play = ride(LevelChange::Ride);
    assert_eq!(play.step(), "0:b0 07 32");
}

#[test]
fn a_new_level_leaves_held_notes_at_theirs() {
    let mut play = ride(LevelChange::New);
    play.keys("90 3c 64");
    let out = play.step();
    assert!(
        out.starts_with("0:c1 05") && out.ends_with("0:b1 07 32"),
        "{out}"
    );
    assert!(!out.contains("0:b0"), "{out}");
    assert_eq!(play.keys("90 40 64"), "0:91 40 64");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
}

/// `slots` alike, four scenes all planned on the first.
fn crowded(slots: u8, manners: Manners) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(slots, manners);
    for program in 1..5 {
        book.scene(&[sound(main, program)
            .on(keys)
            .with(|s| s.release_us = 100_000)]);
    }
    book.play()
}

#[test]
fn where_all_slots_ring_the_ring_that_is_over_first_gives_way() {
    let mut play = crowded(2, GOOD);
    play.keys("90 3c 64");
    play.step();
    play.keys("90 3e 64");
    play.keys("80 3e 40");
    play.wait(20);
    play.keys("80 3c 40");
    play.step();
    assert_eq!(
        play.view().seats[0],
        Some(SlotId(1)),
        "the planned slot rings 20 ms longer"
    );
}

#[test]
fn a_planned_slot_with_foreign_notes_is_gone_around() {
    let mut play = crowded(3, GOOD);
    play.keys("90 3c 64");
    assert!(play.step().starts_with("0:c1 02"));
    play.keys("90 3e 64");
    assert!(play.step().starts_with("0:c2 03"));
    assert_eq!(play.view().counters.detours, 2);
    play.keys("80 3e 40");
    play.wait(50);
    assert!(
        play.step().contains("0:c2 04"),
        "a ringing slot is worse than a silent one"
    );
    assert_eq!(play.view().counters.harmed, 0);
}

#[test]
fn with_no_slot_free_the_fewest_notes_end_properly() {
    let mut play = crowded(2, BAD);
    play.keys("90 3c 64");
    play.keys("90 3e 64");
    play.step();
    play.keys("90 40 64");
    let out = play.step();
    assert!(out.starts_with("0:81 40 40, 0:b1 07 00, 0:c1 03"), "{out}");
    assert!(out.ends_with("0:b1 07 64"), "{out}");
    assert_eq!(play.view().counters.harmed, 1);
    assert_eq!(play.keys("80 40 40"), "");
}

#[test]
fn on_one_slot_good_manners_spare_notes_if_only_the_patch_differs() {
    let mut play = crowded(1, GOOD);
    play.keys("90 3c 64");
    assert_eq!(
        play.step(),
        "0:c0 02",
        "held notes keep their sound (GM2 §3.2)"
    );
    assert_eq!(play.view().counters.harmed, 0);
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    let mut play = crowded(1, BAD);
    play.keys("90 3c 64");
    assert!(play.step().starts_with("0:80 3c 40, 0:b0 07 00, 0:c0 02"));
    assert_eq!(play.view().counters.harmed, 1);
}

#[test]
fn on_one_slot_another_level_ends_the_notes() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[sound(main, 2).on(keys).with(|s| s.volume = Some(v7(80)))]);
    let mut play = book.play();
    play.keys("90 3c 64");
    assert_eq!(play.step(), "0:80 3c 40, 0:c0 02, 0:b0 07 50");
    assert_eq!(play.view().counters.harmed, 1);
}

#[test]
fn stepping_back_to_a_held_sound_takes_it_up_again() {
    let mut play = crowded(3, GOOD);
    play.keys("90 3c 64");
    play.step();
    assert_eq!(play.back(), "", "it is there, and sounds");
    assert_eq!(play.keys("90 40 64"), "0:90 40 64");
    let view = play.view();
    assert!(view.controllers[0].keys_down.contains(0x3c));
    assert!(view.controllers[0].held_over.is_empty());
}

#[test]
fn a_slot_the_scene_does_not_use_is_left_alone() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    book.scene(&[sound(main, 1).on(keys), sound(main, 2).seat(1).on(keys)]);
    book.scene(&[sound(main, 1).on(keys)]);
    let mut play = book.play();
    assert_eq!(play.step(), "");
    assert_eq!(play.view().slots[1].sound, None);
    assert_eq!(play.back(), "", "and is found as it was");
}

fn leaving(leave: Leave) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(3, GOOD);
    book.scene(&[sound(main, 1).zone(keys, |zone| zone.leave = leave)]);
    book.scene(&[sound(main, 2).on(keys).seat(1)]);
    book.scene(&[sound(main, 3).on(keys)]);
    book.play()
}

#[test]
fn cut_ends_its_notes_at_the_step() {
    let mut play = leaving(Leave::Cut);
    play.keys("90 3c 64");
    assert!(play.step().starts_with("0:80 3c 40, 0:c1 02"));
    assert_eq!(play.keys("80 3c 40"), "");
}

#[test]
fn fade_ramps_down_then_ends_its_notes() {
    let mut play = leaving(Leave::Fade(40));
    play.keys("90 3c 64");
    assert!(!play.step().contains("0:b0"));
    assert_eq!(
        play.wait(100),
        "10ms 0:b0 07 4b, 20ms 0:b0 07 32, 30ms 0:b0 07 19, 40ms 0:b0 07 00, 0:80 3c 40"
    );
    assert_eq!(play.keys("80 3c 40"), "");
    assert!(
        play.back().contains("0:b0 07 64"),
        "the level comes back with the next sound"
    );
}

#[test]
fn a_step_during_a_fade_goes_around_it() {
    let mut play = leaving(Leave::Fade(40));
    play.keys("90 3c 64");
    play.step();
    play.wait(15);
    assert!(
        play.step().starts_with("0:c1 03"),
        "planned on the slot that fades"
    );
    assert!(play.wait(100).ends_with("0:b0 07 00, 0:80 3c 40"));
    assert_eq!(play.view().slots[1].volume, Some(100));
}

#[test]
fn stepping_back_into_a_fade_starts_afresh() {
    let mut play = leaving(Leave::Fade(40));
    play.keys("90 3c 64");
    play.step();
    play.wait(15);
    assert!(play.back().starts_with("0:c1 01"));
    assert!(play.wait(100).ends_with("0:b0 07 00, 0:80 3c 40"));
}

#[test]
fn sounds_without_zones_are_told_without_hands() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    let effects = book.instrument(1, GOOD);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[
        sound(main, 1).on(keys),
        sound(effects, 4)
            .with(|s| s.volume = None)
            .set(Setting::Control(cc(91), v7(30))),
    ]);
    let mut play = book.play();
    assert_eq!(
        play.step(),
        "1:c0 04, 1:b0 5b 1e",
        "no bend, no pedals for an effects unit"
    );
}

#[test]
fn the_walk_does_not_matter() {
    let walk = |moves: &[Command]| {
        let mut play = crowded(2, GOOD);
        play.input(Input::Tick);
        for command in moves {
            play.command(*command);
        }
        let view = play.view();
        view.seats[0].map(|slot| view.slots[slot.index()])
    };
    let cold = walk(&[Command::Jump(PositionId(2))]);
    assert_eq!(walk(&[Command::Step, Command::Step]), cold);
    assert_eq!(walk(&[Command::Jump(PositionId(3)), Command::Back]), cold);
}
