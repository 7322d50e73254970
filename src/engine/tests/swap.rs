//! Another promptbook is taken while notes sound.

use std::sync::Arc;

use super::rig::*;
use crate::engine::input::Command;
use crate::engine::promptbook::*;
use crate::engine::rescue::Deed;
use crate::engine::swap::{Swap, SwapError};

/// A keyboard on an instrument of four slots.
fn rig(manners: Manners) -> (Book, ControllerId, ReceiverId) {
    let mut book = Book::new();
    let hands = book.controller();
    let main = book.instrument(4, manners);
    (book, hands, main)
}

fn take(play: &mut Play, book: Book, at: u32) -> Result<String, SwapError> {
    let from = play.view().position;
    let old = Arc::clone(play.engine.promptbook());
    let mut swap = Swap::prepare(&old, Arc::new(book.finish()), from, PositionId(at))?;
    play.out.clear();
    play.engine
        .take_book(play.now_us, &mut swap, &mut play.out)?;
    assert!(Arc::ptr_eq(&old, swap.book()), "the old book comes back");
    Ok(play.sent())
}

/// Three scenes on slots of their own: programs 1, 2 and 3.
fn night(manners: Manners, order: &[u8], change: impl Fn(Sound) -> Sound) -> Book {
    let (mut book, hands, main) = rig(manners);
    for program in order {
        let pad = sound(main, *program).seat(program - 1).on(hands);
        book.scene(&[change(pad.with(|s| s.load_us = manners.load_us))]);
    }
    book
}

#[test]
fn held_notes_end_by_their_keys_after_a_swap() {
    let mut play = night(GOOD, &[1, 2, 3], |s| s).play();
    play.keys("90 3c 50");
    play.step();
    play.keys("90 40 50");
    // Program 1 is skipped: the scene that is played is now the first.
    assert_eq!(take(&mut play, night(GOOD, &[2, 3], |s| s), 0).unwrap(), "");
    assert_eq!((play.position(), play.view().edition), (0, 1));
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert_eq!(play.keys("80 40 40"), "0:81 40 40");
    assert_eq!(play.keys("90 41 50"), "0:91 41 50");
    assert!(play.step().contains("0:c2 03"));
    assert_eq!(play.view().counters.faults, 0);
}

#[test]
fn a_note_of_a_scene_that_was_left_keeps_its_slot_when_that_scene_comes_back() {
    let mut play = night(GOOD, &[1, 2], |s| s).play();
    play.keys("90 3c 50");
    play.step();
    take(&mut play, night(GOOD, &[3, 2, 1], |s| s), 1).unwrap();
    // The same sound under another number: it is taken up where its note is held.
    assert_eq!(play.step(), "");
    assert_eq!(play.keys("90 43 50"), "0:90 43 50");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
}

#[test]
fn a_transposition_counts_from_the_next_strike() {
    let up = |sound: Sound| {
        let mut sound = sound;
        sound.zones[0].transpose = 2;
        sound
    };
    let mut play = night(GOOD, &[1, 2], |s| s).play();
    play.keys("90 3c 50");
    assert_eq!(take(&mut play, night(GOOD, &[1, 2], up), 0).unwrap(), "");
    assert_eq!(play.keys("90 3e 50"), "0:90 40 50");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert_eq!(play.keys("80 3e 40"), "0:80 40 40");
}

#[test]
fn a_trim_rides_whatever_the_sound_says_of_level_changes() {
    let soft = |level_change| {
        move |sound: Sound| {
            sound.with(|entry| {
                entry.volume = Some(v7(80));
                entry.level_change = level_change;
            })
        }
    };
    for level_change in [LevelChange::Ride, LevelChange::New] {
        let mut play = night(GOOD, &[1, 2], |s| s.with(|e| e.level_change = level_change)).play();
        play.keys("90 3c 50");
        let book = night(GOOD, &[1, 2], soft(level_change));
        assert_eq!(take(&mut play, book, 0).unwrap(), "");
        assert_eq!(
            play.wait(60),
            "10ms 0:b0 07 60, 20ms 0:b0 07 5c, 30ms 0:b0 07 58, 40ms 0:b0 07 54, 50ms 0:b0 07 50"
        );
        // On a silent slot it is told at once.
        play.keys("80 3c 40");
        let book = night(GOOD, &[1, 2], |s| s.with(|e| e.level_change = level_change));
        assert_eq!(take(&mut play, book, 0).unwrap(), "0:b0 07 64");
    }
}

#[test]
fn a_patch_goes_on_loading_over_a_swap() {
    let play = |is_swapped: bool| {
        let mut play = night(BAD, &[1, 2, 3], |s| s).play();
        play.wait(500);
        play.keys("90 3c 50");
        play.step();
        let mut sent = play.keys("90 40 50");
        if is_swapped {
            sent += &take(&mut play, night(BAD, &[3, 1, 2], |s| s), 2).unwrap();
        }
        sent += &play.wait(200);
        sent + &play.keys("80 3c 40") + &play.keys("80 40 40")
    };
    let plain = play(false);
    assert!(plain.contains("0:91 40 50"), "{plain}");
    assert_eq!(play(true), plain);
}

#[test]
fn a_fade_goes_on_over_a_swap() {
    let fading = |sound: Sound| {
        let mut sound = sound;
        sound.zones[0].leave = Leave::Fade(50);
        sound
    };
    let play = |is_swapped: bool| {
        let mut play = night(GOOD, &[1, 2, 3], fading).play();
        play.keys("90 3c 50");
        play.step();
        let mut sent = play.wait(20);
        if is_swapped {
            sent += &take(&mut play, night(GOOD, &[2, 3], fading), 0).unwrap();
        }
        sent + &play.wait(60)
    };
    let plain = play(false);
    assert!(plain.ends_with("0:80 3c 40"), "{plain}");
    assert_eq!(play(true), plain);
}

#[test]
fn an_edited_scene_is_come_to_as_by_a_step_without_cues() {
    let mut play = night(GOOD, &[1, 2], |s| s).play();
    play.keys("90 3c 50");
    let mut book = night(GOOD, &[3, 2], |s| s);
    let main = ReceiverId(0);
    let message = crate::midi::Message::Pressure(crate::midi::Channel::MIN, v7(1));
    book.cue(main, CueMessage::Short(message), true);
    let sent = take(&mut play, book, 0).unwrap();
    assert!(sent.contains("0:c2 03") && !sent.contains("d0"), "{sent}");
    assert_eq!(play.keys("90 40 50"), "0:92 40 50");
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    assert_eq!(play.view().counters.steps, 0);
}

#[test]
fn what_songs_told_that_are_gone_is_told_back() {
    let panned = |book: &mut Book| {
        let (hands, main) = (ControllerId(0), ReceiverId(0));
        let pad = sound(main, 1).on(hands).with(|s| s.pan = Some(v7(20)));
        book.scene(&[pad]);
    };
    let last = |book: &mut Book| {
        let (hands, main) = (ControllerId(0), ReceiverId(0));
        book.scene(&[sound(main, 2).seat(1).on(hands)]);
        book.scene(&[sound(main, 1).on(hands)]);
    };
    let (mut before, ..) = rig(GOOD);
    panned(&mut before);
    last(&mut before);
    let (mut after, ..) = rig(GOOD);
    last(&mut after);
    let mut play = before.play();
    play.step();
    take(&mut play, after, 0).unwrap();
    assert_eq!(play.step(), "0:b0 0a 40");
}

#[test]
fn a_book_that_does_not_fit_is_refused_and_nothing_changes() {
    let mut play = night(GOOD, &[1, 2], |s| s).play();
    play.keys("90 3c 50");
    let other = night(BAD, &[1, 2], |s| s);
    assert_eq!(take(&mut play, other, 0), Err(SwapError::Rig("receivers")));
    let mut other = night(GOOD, &[1, 2], |s| s);
    other.bind(ControllerId(0), Trigger::Note(key(1)), Action::Step);
    let refused = take(&mut play, other, 0);
    assert_eq!(refused, Err(SwapError::Rig("pedal bindings")));
    let refused = take(&mut play, night(GOOD, &[1, 2], |s| s), 2);
    assert_eq!(refused, Err(SwapError::Position(PositionId(2))));
    assert_eq!(play.view().edition, 0);
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
}

#[test]
fn messages_may_be_added_but_not_renumbered() {
    let with = |blobs: &[&[u8]]| {
        let mut book = night(GOOD, &[1, 2], |s| s);
        for blob in blobs {
            book.blob(blob);
        }
        book
    };
    let (one, two): (&[u8], &[u8]) = (&[0xf0, 1, 0xf7], &[0xf0, 2, 0xf7]);
    let mut play = with(&[one]).play();
    assert_eq!(take(&mut play, with(&[one, two]), 0), Ok(String::new()));
    assert_eq!(
        take(&mut play, with(&[two, one]), 0),
        Err(SwapError::Messages)
    );
}

#[test]
fn a_swap_that_comes_too_late_is_refused() {
    let mut play = night(GOOD, &[1, 2], |s| s).play();
    let old = Arc::clone(play.engine.promptbook());
    let book = Arc::new(night(GOOD, &[1, 2], |s| s).finish());
    let prepare = || Swap::prepare(&old, Arc::clone(&book), PositionId(0), PositionId(0)).unwrap();
    let (mut late, mut stale) = (prepare(), prepare());
    play.step();
    let refused = play.engine.take_book(0, &mut late, &mut play.out);
    assert_eq!(refused, Err(SwapError::Moved(PositionId(1))));
    play.command(Command::Back);
    assert_eq!(play.engine.take_book(0, &mut late, &mut play.out), Ok(()));
    let refused = play.engine.take_book(0, &mut stale, &mut play.out);
    assert_eq!(refused, Err(SwapError::Stale));
}

#[test]
fn the_page_stays_and_is_told_only_if_its_number_is_another() {
    let tablet = |pages: &[u16]| {
        let (mut book, hands, main) = rig(GOOD);
        let pages_on = book.instrument(1, GOOD);
        book.receiver(pages_on, |r| r.pages = Some(PageManner::Program));
        book.song(pages);
        book.scene(&[sound(main, 1).on(hands)]);
        book
    };
    let mut play = tablet(&[4, 5, 6]).play();
    play.command(Command::PageNext);
    assert_eq!(take(&mut play, tablet(&[4, 5, 6]), 0).unwrap(), "");
    assert_eq!(play.view().page, 1);
    assert_eq!(take(&mut play, tablet(&[7, 8, 9]), 0).unwrap(), "1:c0 08");
}

/// Where the places of one night are in another: `None` is a place that is left out.
fn places(of: &[Option<u32>]) -> Box<[Option<PositionId>]> {
    of.iter().map(|at| at.map(PositionId)).collect()
}

#[test]
fn a_loop_is_kept_between_its_places_or_said_to_be_gone() {
    let lead = |order: &[u8], map: &[Option<u32>], at: u32| {
        let mut play = night(GOOD, &[1, 2, 3], |s| s).play();
        play.command(Command::Cues(false));
        play.step();
        play.command(Command::Loop(Some((PositionId(1), PositionId(2)))));
        let old = Arc::clone(play.engine.promptbook());
        let book = Arc::new(night(GOOD, order, |s| s).finish());
        let mut swap = Swap::prepare(&old, book, PositionId(1), PositionId(at))
            .unwrap()
            .with_places(places(map));
        let taken = play.engine.take_book(play.now_us, &mut swap, &mut play.out);
        assert_eq!(taken, Ok(()));
        let view = *play.view();
        (view.stretch, view.deed.map(|(_, deed)| deed), play)
    };
    // The first scene is left out: the loop is one place earlier, and steps go round it.
    let (stretch, _, mut play) = lead(&[2, 3], &[None, Some(0), Some(1)], 0);
    assert_eq!(stretch, Some((PositionId(0), PositionId(1))));
    play.step();
    play.step();
    assert_eq!(play.position(), 0);
    // Its end is left out; its ends have changed places; nothing is known of them.
    let there = [Some(0), Some(1), None];
    let turned = [Some(0), Some(2), Some(1)];
    let gone = [
        (&[1, 2][..], &there[..], 1),
        (&[1, 3, 2], &turned, 2),
        (&[1, 2, 3], &[], 1),
    ];
    for (order, map, at) in gone {
        let (stretch, deed, _) = lead(order, map, at);
        assert_eq!((stretch, deed), (None, Some(Deed::LoopLost)), "{map:?}");
    }
}
