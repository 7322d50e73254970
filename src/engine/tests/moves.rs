//! Moving through the night: songs, pages, cues, checkpoint.

use super::rig::*;
use crate::engine::Engine;
use crate::engine::checkpoint::CheckpointError;
use crate::engine::input::{Command, Input, Outbox};
use crate::engine::limits::MAX_CUE_NOTES;
use crate::engine::promptbook::*;
use crate::midi::{Channel, Message, Program};

/// Three songs of 2, 2 and 1 positions, with pages on a tablet at port 1.
fn songs(manner: PageManner) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    let tablet = book.instrument(1, GOOD);
    book.receiver(tablet, |entry| {
        entry.sounds = false;
        entry.pages = Some(manner);
    });
    for pages in [&[10, 11, 12][..], &[20, 21], &[30]] {
        book.song(pages);
        book.scene(&[sound(main, 1).on(keys)]);
        if pages.len() > 1 {
            book.scene(&[sound(main, 1).on(keys)]);
        }
    }
    book.position_entry(PositionId(1), |entry| entry.page = Some(2));
    book.play()
}

#[test]
fn songs_up_and_down() {
    let mut play = songs(PageManner::Program);
    let mut go = |command| {
        play.command(command);
        play.position()
    };
    assert_eq!(go(Command::SongDown), 2);
    assert_eq!(go(Command::Step), 3);
    assert_eq!(go(Command::SongUp), 2, "first to this song's start");
    assert_eq!(go(Command::SongUp), 0);
    assert_eq!(
        go(Command::SongUp),
        0,
        "an empty song is skipped, and there is none before"
    );
    assert_eq!(go(Command::Jump(PositionId(4))), 4);
    assert_eq!(go(Command::SongDown), 4);
}

#[test]
fn pages_turn_with_the_scene_and_on_their_own() {
    let mut play = songs(PageManner::Program);
    assert_eq!(play.command(Command::PageNext), "1:c0 0b");
    assert_eq!(play.step(), "1:c0 0c", "the position says page 2");
    assert_eq!(play.command(Command::PageNext), "", "the last page");
    assert_eq!(play.command(Command::PageBack), "1:c0 0b");
    assert_eq!(
        play.step(),
        "1:c0 14",
        "another song starts at its first page"
    );
    assert_eq!(play.command(Command::PageNext), "1:c0 15");
    assert_eq!(play.step(), "", "the same song keeps its page");
    assert_eq!(play.view().page, 1);
    assert_eq!(play.back(), "");
}

#[test]
fn pages_by_controller() {
    let mut play = songs(PageManner::Control(cc(20)));
    assert_eq!(play.command(Command::PageNext), "1:b0 14 0b");
}

#[test]
fn a_tablet_that_returns_gets_its_page() {
    let mut play = songs(PageManner::Program);
    play.command(Command::PageNext);
    play.input(Input::OutputLost(OutPort(1)));
    assert_eq!(play.command(Command::PageNext), "");
    play.input(Input::OutputReady(OutPort(1)));
    assert_eq!(play.input(Input::SignOfLife(OutPort(1))), "1:c0 0c");
}

/// Cues in scenes 1 and 2; the one of scene 2 also on a jump.
fn cues() -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    let desk = book.instrument(1, GOOD);
    book.receiver(desk, |entry| entry.sounds = false);
    let blob = book.blob(&[0xf0, 0x7d, 0xf7]);
    let go = Message::Program(Channel::new(9).unwrap(), Program::new(3).unwrap());
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[sound(main, 1).on(keys)]);
    book.cue(desk, CueMessage::Short(go), false);
    book.scene(&[sound(main, 2).on(keys)]);
    book.cue(desk, CueMessage::Blob(blob), true);
    book.scene(&[sound(main, 2).on(keys)]);
    book.play()
}

#[test]
fn a_cue_goes_out_on_a_step_forward_after_the_state() {
    let mut play = cues();
    assert_eq!(play.step(), "1:c9 03");
    let out = play.step();
    assert!(
        out.starts_with("0:c0 02") && out.ends_with("1:blob 0"),
        "{out}"
    );
}

#[test]
fn no_cue_on_back_resend_return_or_in_rehearsal() {
    let mut play = cues();
    for _ in 0..3 {
        play.step();
    }
    assert!(
        !play.back().contains("1:"),
        "not even one that fires on a jump"
    );
    assert!(!play.back().contains("1:"));
    assert!(
        !play
            .command(Command::Resend {
                receiver: None,
                is_forced: true
            })
            .contains("1:")
    );
    play.input(Input::OutputLost(OutPort(1)));
    play.input(Input::OutputReady(OutPort(1)));
    assert_eq!(play.wait(3000), "");
    play.command(Command::Cues(false));
    assert!(!play.step().contains("1:"));
    play.command(Command::Cues(true));
    play.back();
    play.input(Input::OutputLost(OutPort(1)));
    assert!(
        !play.step().contains("1:"),
        "a cue to an absent port is lost"
    );
    play.input(Input::OutputReady(OutPort(1)));
    assert_eq!(play.wait(3000), "", "and does not come later");
}

#[test]
fn a_jump_fires_only_the_cues_that_say_so() {
    let mut play = cues();
    assert!(!play.command(Command::Jump(PositionId(1))).contains("1:"));
    assert!(
        play.command(Command::Jump(PositionId(2)))
            .contains("1:blob 0")
    );
}

#[test]
fn a_checkpoint_brings_back_the_place_and_the_notes() {
    let mut play = songs(PageManner::Program);
    play.step();
    play.command(Command::PageBack);
    play.command(Command::Cues(false));
    play.keys("90 3c 64");
    play.keys("b0 40 7f");
    play.keys("90 3e 64");
    play.keys("80 3e 40");
    let checkpoint = play.engine.checkpoint();
    play.engine.restore(&checkpoint).unwrap();
    assert_eq!(play.engine.checkpoint(), checkpoint);
    let view = play.view();
    assert_eq!((view.position.0, view.page, view.sends_cues), (1, 1, false));
    assert_eq!(view.slots[0].notes, 2);
    assert_eq!(view.slots[0].program, None, "nothing is known of the slots");
    assert_eq!(play.wait(5000), "", "and nothing is sent until told");
    assert_eq!(
        play.keys("80 3c 40"),
        "0:80 3c 40",
        "its own key still ends it"
    );
    let out = play.command(Command::Panic(None));
    assert!(out.starts_with("0:b0 40 00"), "{out}");
    assert_eq!(play.view().slots[0].notes, 0);
}

#[test]
fn a_checkpoint_that_does_not_fit_is_refused() {
    let mut play = songs(PageManner::Program);
    let mut checkpoint = play.engine.checkpoint();
    checkpoint.position = PositionId(99);
    let error = play.engine.restore(&checkpoint);
    assert_eq!(error, Err(CheckpointError::Position(PositionId(99))));
    checkpoint.version = 0;
    assert_eq!(
        play.engine.restore(&checkpoint),
        Err(CheckpointError::Version(0))
    );
}

#[test]
fn an_empty_promptbook_does_nothing() {
    let mut engine = Engine::new(Promptbook::default(), PositionId(3));
    let mut out = Outbox::new();
    for input in [
        Input::Command(Command::Step),
        Input::Command(Command::Panic(None)),
        Input::OutputReady(OutPort(0)),
        Input::Midi(InPort(0), Message::Clock),
        Input::InputLost(InPort(9)),
    ] {
        engine.handle(1, input, &mut out);
    }
    assert!(out.items().is_empty());
    assert_eq!(engine.next_deadline(), None);
}

/// A scene, then one with a note cue of `length_ms` to a desk of lights, then two without.
fn note_cues(length_ms: u16) -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, GOOD);
    let desk = book.instrument(2, GOOD);
    book.receiver(desk, |entry| entry.sounds = false);
    let note = |place| {
        CueMessage::Note(CueNote {
            place,
            key: key(60),
            velocity: v7(127),
            length_ms,
        })
    };
    let first = SlotId(2);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[sound(main, 1).on(keys)]);
    book.cue(desk, note(CuePlace::Slot(first)), false);
    book.scene(&[sound(main, 1).on(keys)]);
    book.cue(desk, note(CuePlace::Slot(first)), false);
    book.scene(&[sound(main, 2).on(keys)]);
    book.cue(main, note(CuePlace::Sound(SoundId(0))), false);
    book.play()
}

#[test]
fn a_note_of_a_cue_ends_after_its_length() {
    let mut play = note_cues(300);
    assert_eq!(play.step(), "1:90 3c 7f");
    assert_eq!(play.wait(299), "");
    assert_eq!(play.wait(1), "1ms 1:80 3c 40");
    assert_eq!(play.wait(5_000), "");
}

#[test]
fn a_note_of_a_cue_ends_once_whatever_comes_between() {
    let mut play = note_cues(300);
    play.step();
    assert_eq!(play.back(), "");
    play.command(Command::Cues(false));
    assert_eq!(play.wait(300), "300ms 1:80 3c 40");
    play.command(Command::Cues(true));
    play.step();
    assert_eq!(
        play.step(),
        "1:80 3c 40, 1:90 3c 7f",
        "the next cue of the same note ends the one before"
    );
    assert_eq!(play.wait(5_000), "300ms 1:80 3c 40");
}

#[test]
fn a_note_of_a_cue_ends_at_panic_at_the_end_and_as_its_port_returns() {
    for command in [Command::Panic(None), Command::ReleaseAll] {
        let mut play = note_cues(300);
        play.step();
        assert!(play.command(command).contains("1:80 3c 40"), "{command:?}");
        assert!(!play.wait(5_000).contains("1:80 3c"), "{command:?}");
    }
    let mut play = note_cues(300);
    play.step();
    play.input(Input::OutputLost(OutPort(1)));
    assert!(
        !play.wait(5_000).contains("1:"),
        "nobody is there to hear it"
    );
    let back = play.input(Input::OutputReady(OutPort(1))) + &play.wait(5_000);
    assert!(back.contains("1:80 3c 40"), "{back}");
}

#[test]
fn a_checkpoint_keeps_the_notes_of_cues() {
    let mut play = note_cues(300);
    play.step();
    let checkpoint = play.engine.checkpoint();
    play.engine.restore(&checkpoint).unwrap();
    assert_eq!(play.engine.checkpoint(), checkpoint);
    assert_eq!(play.wait(300), "300ms 1:80 3c 40");
}

#[test]
fn a_cue_with_a_patch_plays_where_its_sound_is_and_a_key_outlives_it() {
    let mut play = note_cues(300);
    play.step();
    play.step();
    play.wait(1_000);
    let out = play.step();
    let struck = out.split(", ").last().unwrap_or_default().to_owned();
    let channel = struck.strip_prefix("0:9").and_then(|rest| rest.get(..1));
    let channel = channel.unwrap_or_else(|| panic!("no note on the instrument: {out}"));
    let fresh = play.keys("90 3c 40");
    assert_eq!(fresh, format!("0:9{channel} 3c 40"), "the sound is there");
    assert_eq!(play.wait(300), "", "a key holds the same note");
    let off = format!("0:8{channel} 3c 40");
    assert_eq!(play.keys("80 3c 40"), format!("{off}, {off}"));
}

#[test]
fn past_the_limit_the_oldest_note_of_a_cue_ends_at_once_and_is_counted() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(1, GOOD);
    let desk = book.instrument(1, GOOD);
    book.scene(&[sound(main, 1).on(keys)]);
    book.scene(&[sound(main, 1).on(keys)]);
    for number in 0..=MAX_CUE_NOTES as u8 {
        let note = CueNote {
            place: CuePlace::Slot(SlotId(1)),
            key: key(40 + number),
            velocity: v7(100),
            length_ms: 1_000,
        };
        book.cue(desk, CueMessage::Note(note), false);
    }
    let mut play = book.play();
    let out = play.step();
    assert!(out.contains("1:80 28 40, 1:90 38 64"), "{out}");
    assert_eq!(play.view().counters.cue_notes_cut, 1);
    let rest = play.wait(1_000);
    assert_eq!(rest.matches("1:80").count(), MAX_CUE_NOTES);
}
