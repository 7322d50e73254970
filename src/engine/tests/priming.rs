//! The next scene, loaded ahead: when, in which portions, and what a press finds.

use super::rig::*;
use crate::engine::input::{Command, Input, Urgency};
use crate::engine::promptbook::*;
use crate::midi::Value14;

/// What a slot of channel `ch` is told of a sound with this program, from nothing: patch,
/// wheel, foot, bend, pressure, pedals, level.
fn told(ch: u8, program: u8) -> String {
    format!(
        "0:c{ch} {program:02x}, 0:b{ch} 01 00, 0:b{ch} 0b 7f, 0:e{ch} 00 40, 0:d{ch} 00, \
         0:b{ch} 40 00, 0:b{ch} 42 00, 0:b{ch} 43 00, 0:b{ch} 07 64"
    )
}

/// One message after the other, without times.
fn plain(primed: &str) -> Vec<String> {
    primed
        .split(", ")
        .map(|one| one.rsplit("ms ").next().unwrap().to_owned())
        .filter(|one| !one.is_empty())
        .collect()
}

/// Lets time pass, as `Play::wait`; all that goes out must be primed.
fn primes(play: &mut Play, wait_ms: u64) -> String {
    let start_us = play.now_us;
    let end_us = start_us + wait_ms * 1000;
    let mut lines = Vec::new();
    while let Some(due_us) = play.engine.next_deadline().filter(|due| *due <= end_us) {
        play.now_us = due_us;
        let shown = play.input(Input::Tick);
        let urgencies = play.out.items().iter().map(|output| output.urgency);
        assert!(
            urgencies
                .into_iter()
                .all(|urgency| urgency == Urgency::Prime)
        );
        if !shown.is_empty() {
            lines.push(format!("{}ms {shown}", (due_us - start_us) / 1000));
        }
        assert!(play.engine.next_deadline().is_none_or(|next| next > due_us));
    }
    play.now_us = end_us;
    lines.join(", ")
}

/// Sounds 1, 2, 3 … one scene after the other, on slots 0, 1, 0, 1 … of an instrument.
fn alternating(manners: Manners, byte_us: u64, change: &dyn Fn(Sound) -> Sound) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, manners);
    book.line(main, byte_us);
    for scene in 0..4 {
        let seat = scene % 2;
        book.scene(&[change(sound(main, scene + 1).seat(seat).on(keys))]);
    }
    book.play()
}

fn as_is(sound: Sound) -> Sound {
    sound
}

#[test]
fn a_silent_slot_is_primed_and_the_press_sends_nothing() {
    let mut play = alternating(PRIMED, 0, &as_is);
    assert_eq!(primes(&mut play, 1000), format!("10ms {}", told(1, 2)));
    let view = play.view();
    assert_eq!(view.counters.primed, 1);
    assert_eq!(view.next.position, Some(PositionId(1)));
    assert_eq!((view.next.sounds, view.next.ready), (1, 1));
    assert_eq!(view.next.ports[0].bytes, 0);
    assert_eq!(view.slots[1].sound, None, "it is not of this scene yet");
    assert_eq!(play.step(), "");
    assert_eq!(play.keys("90 3c 64"), "0:91 3c 64");
    assert_eq!(play.view().counters.primes_abandoned, 0);
}

#[test]
fn what_is_played_does_not_reach_a_primed_slot() {
    let mut play = alternating(PRIMED, 0, &as_is);
    primes(&mut play, 1000);
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f");
    assert_eq!(play.keys("e0 00 50"), "0:e0 00 50");
    assert_eq!(play.keys("90 3c 64"), "0:90 3c 64");
    // The wheel rests in its new place; the pedal counts from its next fresh press.
    assert_eq!(primes(&mut play, 1000), "250ms 0:e1 00 50");
    assert_eq!(play.step(), "");
    assert_eq!(
        play.keys("e0 00 40"),
        "0:e0 00 40, 0:e1 00 40",
        "a tail, and the sound"
    );
}

#[test]
fn a_source_on_the_move_is_not_followed() {
    let mut play = alternating(PRIMED, 0, &as_is);
    for value in 1..100 {
        play.keys(&format!("b0 0b {value:02x}"));
        assert!(!primes(&mut play, 20).contains("0:b1 0b"));
    }
    assert_eq!(
        primes(&mut play, 300),
        "230ms 0:b1 01 00, 0:b1 0b 63, 0:e1 00 40, 0:d1 00"
    );
    play.keys("b0 0b 20");
    assert_eq!(play.step(), "0:b1 0b 20", "the press tells the rest");
}

#[test]
fn a_slot_with_a_held_note_waits_for_key_and_ring() {
    let mut play = alternating(PRIMED, 0, &|s| s.with(|s| s.release_us = 50_000));
    primes(&mut play, 1000);
    play.keys("90 3c 64");
    play.step();
    assert_eq!(
        primes(&mut play, 5000),
        "",
        "the next sound is planned where the note is"
    );
    assert_eq!(play.view().next.ready, 0);
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert!(primes(&mut play, 1000).starts_with("50ms 0:c0 03"));
    assert_eq!(play.step(), "");
}

#[test]
fn a_slot_under_a_pedal_waits_for_the_pedal() {
    let mut play = alternating(PRIMED, 0, &|s| s.with(|s| s.release_us = 50_000));
    primes(&mut play, 1000);
    play.keys("90 3c 64");
    play.keys("b0 40 7f");
    play.step();
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert_eq!(primes(&mut play, 5000), "");
    assert_eq!(play.keys("b0 40 00"), "0:b0 40 00");
    assert!(primes(&mut play, 1000).starts_with("50ms 0:c0 03"));
}

/// A pedal that is down on a silent slot is brought up before anything else, so that a
/// prime given up half-way leaves none down.
#[test]
fn a_pedal_left_down_comes_up_first() {
    let mut play = alternating(PRIMED, 320, &as_is);
    primes(&mut play, 1000);
    play.keys("b0 40 7f");
    primes(&mut play, 1000);
    play.step();
    let begun = plain(&primes(&mut play, 12));
    assert_eq!(begun, ["0:b0 40 00", "0:c0 03"]);
    play.back();
    assert_eq!(play.keys("b0 40 00"), "");
}

/// A byte takes 320 µs (31.25 kbaud): the next message comes when the last has left.
#[test]
fn a_slow_line_is_told_one_thing_at_a_time() {
    let mut play = alternating(PRIMED, 320, &as_is);
    play.wait(9);
    play.now_us += 1_000;
    let mut sent = Vec::new();
    for _ in 0..3 {
        let at_us = play.engine.next_deadline().unwrap();
        play.now_us = play.now_us.max(at_us);
        sent.push((play.now_us, play.input(Input::Tick)));
    }
    // What the start sent is on the line first: 26 bytes, 8.32 ms, so all wait for 10 ms.
    let start_us = sent[0].0;
    assert_eq!(
        sent,
        [
            (start_us, "0:c1 02".to_owned()),
            (start_us + 640, "0:b1 01 00".to_owned()),
            (start_us + 1_600, "0:b1 0b 7f".to_owned())
        ]
    );
    play.keys("90 3c 64");
    assert_eq!(play.input(Input::Tick), "");
    let due_us = play.engine.next_deadline().unwrap();
    assert_eq!(due_us, start_us + 2_560, "when the last message has left");
    play.now_us = due_us;
    assert_eq!(play.input(Input::Tick), "", "the note is on the line");
    play.now_us = play.engine.next_deadline().unwrap();
    assert_eq!(play.now_us, start_us + 3_520);
    assert_eq!(play.input(Input::Tick), "0:e1 00 40");
}

#[test]
fn an_early_press_tells_the_rest_and_nothing_twice() {
    let mut whole = told(1, 2)
        .split(", ")
        .map(str::to_owned)
        .collect::<Vec<_>>();
    whole.sort();
    for wait_ms in 10..30 {
        let mut play = alternating(PRIMED, 320, &as_is);
        let mut all = plain(&primes(&mut play, wait_ms));
        let is_begun = !all.is_empty();
        let pressed = play.step();
        let is_done = pressed.is_empty();
        all.extend(plain(&pressed));
        all.sort();
        assert_eq!(all, whole, "a press after {wait_ms} ms");
        let counters = play.view().counters;
        assert_eq!(counters.primes_abandoned, u64::from(is_begun && !is_done));
        assert_eq!(counters.primed, u64::from(is_done));
    }
}

#[test]
fn after_a_jump_or_a_way_back_another_scene_is_next() {
    let mut play = alternating(PRIMED, 320, &as_is);
    primes(&mut play, 13);
    play.command(Command::Jump(PositionId(2)));
    assert!(plain(&primes(&mut play, 1000)).contains(&"0:c1 04".to_owned()));
    assert_eq!(play.view().counters.primes_abandoned, 1);
    play.back();
    // The scene that was left is the next one now, and its slot is as it was.
    assert_eq!(primes(&mut play, 1000), "");
    assert_eq!(play.step(), "");
    primes(&mut play, 1000);
    assert_eq!(play.step(), "");
    assert_eq!(primes(&mut play, 1000), "", "nothing comes after the last");
    assert_eq!(play.view().next.position, None);
}

/// Two presses at once: the second finds its slot as the first has left it.
#[test]
fn a_double_press_finds_nothing_primed_and_sends_all() {
    let mut play = alternating(PRIMED, 0, &as_is);
    primes(&mut play, 1000);
    assert_eq!(play.step(), "");
    assert!(play.step().starts_with("0:c0 03"));
    primes(&mut play, 1000);
    assert_eq!(play.step(), "");
}

#[test]
fn a_lost_port_is_primed_again_after_its_return() {
    let mut play = alternating(PRIMED, 0, &as_is);
    primes(&mut play, 1000);
    play.input(Input::OutputLost(OutPort(0)));
    assert_eq!(primes(&mut play, 1000), "");
    assert_eq!(play.view().next.ports[0].bytes, 0, "nobody would hear it");
    play.input(Input::OutputReady(OutPort(0)));
    let returned = play.wait(5000);
    assert!(returned.starts_with("2000ms "), "{returned}");
    assert!(returned.contains(&told(1, 2)), "{returned}");
    assert_eq!(play.step(), "");
}

/// If only the cable was out, its notes were ended at the return, and ring.
#[test]
fn what_was_ended_at_a_return_rings_out_first() {
    let ringing = Manners {
        release_us: 400_000,
        ..PRIMED
    };
    let mut play = alternating(ringing, 0, &as_is);
    play.input(Input::OutputLost(OutPort(0)));
    play.input(Input::OutputReady(OutPort(0)));
    play.wait(2_001);
    assert!(primes(&mut play, 1000).starts_with("399ms 0:c1 02"));
}

/// A note held from the scene before is taken up again if the next scene has its sound;
/// once it has ended, its slot is planned like any other.
#[test]
fn a_note_that_would_be_taken_up_again_ends_before_its_slot_is_primed() {
    let mut play = alternating(PRIMED, 0, &as_is);
    play.step();
    play.keys("90 3c 64");
    play.back();
    primes(&mut play, 1000);
    play.keys("b0 0b 20");
    assert_eq!(primes(&mut play, 1000), "");
    play.keys("80 3c 40");
    assert_eq!(primes(&mut play, 1000), "1ms 0:b1 0b 20");
}

/// A sostenuto pedal that a zone catches holds nothing that was struck after its press: once
/// that has ended, its slot is silent although the pedal is down.
#[test]
fn a_caught_sostenuto_that_holds_nothing_keeps_no_slot_from_being_primed() {
    let mut book = Book::new();
    let keys = book.controller();
    let eager = Manners {
        holds_back: false,
        ..PRIMED
    };
    let main = book.instrument(4, eager);
    let slow = |n| sound(main, n).with(|s| s.load_us = 40_000);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[slow(2).seat(1).zone(keys, |zone| zone.catches = true)]);
    book.scene(&[sound(main, 3).seat(2).on(keys)]);
    book.scene(&[sound(main, 4).seat(1).on(keys)]);
    let mut play = book.play();
    play.keys("b0 42 7f");
    play.step();
    play.keys("90 3c 64");
    play.wait(1000);
    play.step();
    assert_eq!(play.keys("80 3c 40"), "0:81 3c 40");
    assert!(primes(&mut play, 1000).contains("0:c1 04"));
    assert_eq!(play.keys("b0 42 00"), "0:b0 42 00");
}

#[test]
fn what_panic_makes_unknown_is_primed_again() {
    let mut play = alternating(PRIMED, 0, &as_is);
    primes(&mut play, 1000);
    play.command(Command::Panic(None));
    assert_eq!(primes(&mut play, 1000), "10ms 0:b1 01 00, 0:b1 0b 7f");
    assert_eq!(play.step(), "");
}

#[test]
fn a_resend_primes_everything_again() {
    let mut play = alternating(PRIMED, 0, &as_is);
    primes(&mut play, 1000);
    play.command(Command::Resend {
        receiver: None,
        is_forced: false,
    });
    assert_eq!(primes(&mut play, 1000), format!("10ms {}", told(1, 2)));
}

#[test]
fn unstated_manners_are_never_primed() {
    for manners in [GOOD, BAD] {
        let mut play = alternating(manners, 0, &as_is);
        assert_eq!(primes(&mut play, 5000), "");
        assert_eq!(play.view().counters.primed, 0);
        assert_eq!(play.view().next.ready, 0);
        assert!(play.step().contains("0:c1 02"));
    }
}

#[test]
fn a_fixed_slot_in_use_is_left_to_the_press() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, PRIMED);
    book.line(main, 320);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[sound(main, 2).on(keys)]);
    let mut play = book.play();
    assert_eq!(primes(&mut play, 5000), "");
    let next = play.view().next;
    assert_eq!((next.sounds, next.ready), (1, 0));
    assert_eq!((next.ports[0].bytes, next.ports[0].us), (2, 640));
    assert_eq!(play.step(), "0:c0 02");
}

#[test]
fn a_patch_that_loads_is_waited_for_and_slots_come_one_after_the_other() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, PRIMED);
    let slow = |n| sound(main, n).with(|s| s.load_us = 40_000);
    book.scene(&[slow(1).on(keys)]);
    book.scene(&[slow(2).seat(1).on(keys), slow(3).seat(2).on(keys)]);
    let mut play = book.play();
    play.wait(9);
    // The scene of the start loads as well.
    let primed = play.wait(1000);
    // Level down, bank and program, and after the time it takes the rest.
    let first = format!("0:b1 07 00, {}", told(1, 2));
    let second = format!("0:b2 07 00, {}", told(2, 3));
    let of = |ch: &str| {
        plain(&primed)
            .into_iter()
            .filter(|one| one.get(3..4) == Some(ch))
            .collect::<Vec<_>>()
    };
    assert_eq!(of("1"), plain(&first));
    assert_eq!(of("2"), plain(&second));
    let place = |what: &str| primed.find(what).unwrap();
    assert!(
        place("0:b1 07 64") < place("0:c2 03"),
        "one slot at a time: {primed}"
    );
    assert_eq!(play.step(), "");
}

#[test]
fn a_press_while_a_primed_patch_loads_waits_for_the_rest_of_it_only() {
    let mut play = alternating(PRIMED, 0, &|s| s.with(|s| s.load_us = 40_000));
    play.wait(30);
    assert_eq!(play.view().slots[1].program, Some(2));
    assert!(play.view().slots[1].is_loading);
    assert_eq!(play.step(), "");
    assert_eq!(play.keys("90 3c 64"), "", "held back");
    let rest = play.wait(100);
    assert!(rest.contains("20ms 0:b1 01 00"), "{rest}");
    assert!(!rest.contains("0:c1"), "{rest}");
    assert!(rest.contains("0:b1 07 64, 0:91 3c 64"), "{rest}");
}

/// What is heard through others, or by the eye, is not silent because no key plays it;
/// System Exclusive reaches the whole receiver.
#[test]
fn what_others_hear_is_left_to_the_press() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, PRIMED);
    let effects = book.instrument(1, PRIMED);
    let blob = book.blob(&[0xf0, 0x7d, 0xf7]);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[
        sound(main, 2)
            .seat(1)
            .on(keys)
            .set(Setting::Exclusive(1, blob)),
        sound(main, 3).seat(2),
        sound(effects, 4).with(|s| s.volume = None),
    ]);
    let mut play = book.play();
    let primed = primes(&mut play, 5000);
    assert_eq!(primed, format!("10ms {}", told(1, 2)));
    let pressed = play.step();
    assert!(pressed.starts_with("0:blob 0, 0:c2 03"), "{pressed}");
    assert!(pressed.contains("1:c0 04"));
}

#[test]
fn two_slots_on_one_channel_are_not_primed() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, PRIMED);
    let other = book.instrument(1, PRIMED);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[sound(main, 2).seat(1).on(keys)]);
    book.share_channel(other, main, 1);
    let mut play = book.play();
    assert_eq!(primes(&mut play, 5000), "");
}

#[test]
fn a_restored_machine_primes_nothing_until_told() {
    let mut play = alternating(PRIMED, 0, &as_is);
    primes(&mut play, 1000);
    let checkpoint = play.engine.checkpoint();
    play.engine.restore(&checkpoint).unwrap();
    play.keys("b0 0b 20");
    assert_eq!(primes(&mut play, 5000), "");
    play.command(Command::Panic(None));
    assert_eq!(primes(&mut play, 5000), "");
    play.command(Command::Resend {
        receiver: None,
        is_forced: false,
    });
    assert!(primes(&mut play, 5000).contains("0:c1 02"));
}

#[test]
fn nothing_is_primed_after_everything_was_let_go() {
    let mut play = alternating(PRIMED, 0, &as_is);
    play.command(Command::ReleaseAll);
    assert_eq!(primes(&mut play, 5000), "");
}

#[test]
fn muted_keys_do_not_keep_a_slot_from_being_primed() {
    let mut play = alternating(PRIMED, 0, &as_is);
    play.command(Command::Mute(true));
    assert_eq!(primes(&mut play, 5000), format!("10ms {}", told(1, 2)));
}

/// A sound that asks for one parameter twice never holds both: priming ends all the same.
#[test]
fn a_sound_that_contradicts_itself_is_told_once() {
    let twice = |s: Sound| {
        s.set(Setting::Control(cc(74), v7(1)))
            .set(Setting::Control(cc(74), v7(2)))
            .set(Setting::Rpn(Value14::clamped(1), Value14::clamped(3)))
    };
    let mut play = alternating(PRIMED, 320, &twice);
    let primed = plain(&primes(&mut play, 5000));
    assert_eq!(primed.iter().filter(|one| one.contains("b1 4a")).count(), 2);
    assert_eq!(play.engine.next_deadline(), None);
}

#[test]
fn a_flood_forgets_what_was_primed() {
    let mut play = alternating(PRIMED, 0, &as_is);
    primes(&mut play, 1000);
    play.input(Input::OutputOverflow(OutPort(0)));
    assert!(plain(&primes(&mut play, 1000)).contains(&"0:c1 02".to_owned()));
    assert_eq!(play.step(), "");
}

/// A primed program change that waits in its lane is overtaken by a changeover: what
/// follows it waits until it has left and loaded.
#[test]
fn a_primed_patch_loads_from_when_it_has_left() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, PRIMED);
    book.line(main, 320);
    let slow = |n| sound(main, n).with(|s| s.load_us = 40_000);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[slow(2).seat(1).on(keys)]);
    book.scene(&[sound(main, 3).seat(2).on(keys)]);
    book.scene(&[slow(2).seat(1).on(keys)]);
    let mut play = book.play();
    play.wait(9);
    let mut sent = String::new();
    while !sent.contains("0:c1 02") {
        play.now_us = play.engine.next_deadline().unwrap();
        sent = play.input(Input::Tick);
    }
    // The changeover goes before it; then it takes 40 ms.
    let changeover = play.command(Command::Jump(PositionId(2)));
    let bytes: u64 = changeover
        .split(", ")
        .map(|one| one.split(' ').count() as u64)
        .sum();
    assert!(bytes > 20, "{changeover}");
    let settled = play.wait(1000);
    let first = settled
        .split(", ")
        .find(|one| one.contains("0:b1 01 00"))
        .unwrap()
        .to_owned();
    let at_ms: u64 = settled[..settled.find(&first).unwrap() + first.len()]
        .rmatch_indices("ms ")
        .next()
        .map(|(at, _)| {
            let head = &settled[..at];
            head[head.rfind(' ').map_or(0, |at| at + 1)..]
                .parse()
                .unwrap()
        })
        .unwrap();
    let own_bytes = 5;
    let least_ms = (320 * (bytes + own_bytes)) / 1000 + 40;
    assert!(
        at_ms >= least_ms,
        "{at_ms} ms instead of {least_ms}: {settled}"
    );
}

/// What a press would send is worked out; nothing of it has been sent.
#[test]
fn a_receiver_whose_press_was_only_priced_has_been_told_nothing() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    let other = book.instrument(1, GOOD);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[sound(other, 2).on(keys)]);
    let mut play = book.play();
    assert_eq!(primes(&mut play, 1000), "");
    let view = play.view();
    assert!(view.next.ports[1].bytes > 0, "it was priced");
    assert!(!view.duties[other.index()].is_told);
    play.step();
    assert!(play.view().duties[other.index()].is_told);
}

/// Worked by hand: a byte takes 320 µs (31.25 kbaud). Level down and program are 5 bytes, so
/// the patch loads from 1600 µs on and has loaded at 106 600; the level up is 3 bytes more.
/// A note played with the press waits 30 ms, or follows the program change at once.
#[test]
fn ready_after_is_line_time_and_what_the_receiver_takes_to_load() {
    for (holds_back, early_us) in [(true, 76_600), (false, 105_000)] {
        let mut book = Book::new();
        let keys = book.controller();
        let slow = Manners { holds_back, ..GOOD };
        let main = book.instrument(1, slow);
        book.line(main, 320);
        book.scene(&[sound(main, 1).on(keys)]);
        book.scene(&[sound(main, 2).on(keys).with(|s| s.load_us = 105_000)]);
        let mut play = book.play();
        play.wait(1000);
        let next = play.view().next;
        assert_eq!((next.ports[0].bytes, next.ports[0].us), (8, 2_560));
        assert_eq!((next.ready_us, next.early_us), (107_560, early_us));
        assert_eq!(play.step(), "0:b0 07 00, 0:c0 02");
        let rest = play.wait(1000);
        assert_eq!(rest, "106ms 0:b0 07 64");
    }
}

/// What was loaded ahead is not waited for, unless the press comes while it loads.
#[test]
fn a_primed_patch_is_not_waited_for_once_it_has_loaded() {
    let mut play = alternating(PRIMED, 0, &|s| s.with(|s| s.load_us = 40_000));
    play.wait(9);
    play.wait(30);
    assert!(play.view().slots[1].is_loading);
    let ready_us = play.view().next.ready_us;
    assert!((1..=40_000).contains(&ready_us), "{ready_us}");
    play.wait(1000);
    let next = play.view().next;
    assert_eq!((next.ready, next.ready_us, next.early_us), (1, 0, 0));
}
