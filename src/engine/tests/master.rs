//! The master fade: all that sounds, by expression, over steps.

use super::rig::*;
use crate::engine::input::Command;
use crate::engine::promptbook::Setting;

/// The expressions among what went out to a channel, in order.
fn expressions(sent: &str, channel: u8) -> Vec<u8> {
    let begin = format!("0:b{channel:x} 0b ");
    sent.split(", ")
        .filter_map(|message| message.split_once(&begin))
        .map(|(_, value)| u8::from_str_radix(value, 16).unwrap())
        .collect()
}

fn two_scenes() -> Play {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    book.scene(&[sound(main, 5).on(keys)]);
    book.scene(&[sound(main, 6).seat(1).on(keys)]);
    let mut play = book.play();
    play.wait(500);
    play
}

#[test]
fn all_goes_out_in_four_seconds_and_comes_back_as_it_was() {
    let mut play = two_scenes();
    play.keys("b0 0b 64");
    play.keys("90 3c 64");
    let mut sent = play.command(Command::Fade(true));
    sent += &play.wait(2_000);
    // Half of the way is −12 dB (GM2 §3.3.6: 40·log10(64/127) = −11.9).
    assert!((play.view().fade_db() + 12.0).abs() < 0.5);
    sent += ", ";
    sent += &play.wait(2_100);
    let values = expressions(&sent, 0);
    assert!(values.len() > 60, "{values:?}");
    assert!(values.is_sorted_by(|a, b| a >= b), "{values:?}");
    assert_eq!(values.last(), Some(&0));
    assert!(!sent.contains("0:b0 07"), "volume is the mix's: {sent}");
    assert_eq!(play.view().master, 0);
    play.command(Command::Fade(false));
    let values = expressions(&play.wait(4_100), 0);
    assert_eq!(values.last(), Some(&0x64), "where the foot stands");
    assert_eq!(play.wait(10_000), "");
}

#[test]
fn a_step_into_the_dark_stays_dark_and_held_notes_go_out_and_back() {
    let mut play = two_scenes();
    play.keys("b0 0b 50");
    play.keys("90 3c 64");
    play.step();
    // The note of the first scene is held on; the foot of the second is elsewhere.
    play.keys("b0 0b 20");
    play.command(Command::Fade(true));
    let sent = play.wait(4_100);
    assert_eq!(expressions(&sent, 0).last(), Some(&0));
    assert_eq!(expressions(&sent, 1).last(), Some(&0));
    assert_eq!(
        expressions(&play.keys("b0 0b 30"), 1),
        [0],
        "the foot does not undo it"
    );
    play.command(Command::Fade(false));
    let sent = play.wait(4_100);
    assert_eq!(expressions(&sent, 0).last(), Some(&0x50), "as it was left");
    assert_eq!(expressions(&sent, 1).last(), Some(&0x30));
}

/// The scene's own word stands: the sound beside it goes out.
#[test]
fn expression_that_a_scene_states_is_left_alone() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(4, GOOD);
    let stated = Setting::Control(cc(11), v7(90));
    book.scene(&[
        sound(main, 5).on(keys).set(stated),
        sound(main, 6).seat(1).on(keys),
    ]);
    let mut play = book.play();
    play.wait(500);
    play.keys("90 3c 64");
    let mut sent = play.command(Command::Fade(true));
    sent += ", ";
    sent += &play.wait(4_100);
    assert_eq!(expressions(&sent, 0), Vec::<u8>::new());
    assert_eq!(expressions(&sent, 1).last(), Some(&0));
}

#[test]
fn a_fade_turned_round_on_its_way_goes_back_from_there() {
    let mut play = two_scenes();
    play.command(Command::Fade(true));
    play.wait(1_000);
    let level = play.view().master;
    assert!((90..100).contains(&level), "{level}");
    play.command(Command::Fade(false));
    play.wait(100);
    assert!(play.view().master >= level);
    play.wait(1_000);
    assert_eq!(play.view().master, 127);
}

#[test]
fn the_end_of_the_show_leaves_no_instrument_dark() {
    let mut play = two_scenes();
    play.command(Command::Fade(true));
    play.wait(5_000);
    let sent = play.command(Command::ReleaseAll);
    assert_eq!(expressions(&sent, 0), [127], "{sent}");
}
