//! How a show ends: asked for, by signal, by a terminal that is gone, by a kill.

use std::fs;
use std::sync::Arc;
use std::time::Instant;

use rustix::process::Signal;

use crate::desk::{DEMO_SHOW, Home, PATIENCE, row_of, start};

#[test]
fn leaving_asks_first_and_gives_the_terminal_back() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("q");
    desk.see(&["leave the show?"]);
    desk.press("\x1b");
    desk.see_no("leave the show?");
    desk.press("q");
    desk.see(&["leave the show?"]);
    desk.press("\r");
    assert_eq!(desk.end(), 0);
    desk.assert_restored();
    assert!(home.log().contains("all notes released"), "{}", home.log());
}

#[test]
fn a_termination_signal_releases_notes_and_gives_the_terminal_back() {
    for (signal, name) in [(Signal::TERM, "SIGTERM"), (Signal::INT, "SIGINT")] {
        let home = Home::new();
        let mut desk = start(&home, &DEMO_SHOW, &[]);
        desk.see(&["NOW  1.1  intro"]);
        desk.signal(signal);
        assert_eq!(desk.end(), 0);
        desk.assert_restored();
        let log = home.log();
        assert!(
            log.contains(name) && log.contains("all notes released"),
            "{log}"
        );
    }
}

/// Half of an arrow key has come when the show is ended.
#[test]
fn half_a_key_does_not_keep_the_program_from_ending() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    desk.press("\x1b[");
    desk.signal(Signal::TERM);
    assert_eq!(desk.end(), 0);
    desk.assert_restored();
}

#[test]
fn job_control_does_not_stop_a_show() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.signal(Signal::TSTP);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
}

#[test]
fn a_terminal_that_is_gone_ends_the_program() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    // The reading thread lets its end go at the next bytes that come.
    desk.shared.0.lock().unwrap().is_closed = true;
    let is_reading = Arc::downgrade(&desk.shared);
    desk.press("2");
    let until = Instant::now() + PATIENCE;
    while is_reading.strong_count() > 1 {
        assert!(Instant::now() < until, "nothing more was drawn");
        std::thread::yield_now();
    }
    desk.writer = None;
    desk.master = None;
    desk.end();
    assert!(home.log().contains("all notes released"), "{}", home.log());

    // Nobody meant to end it: it keeps its place.
    let desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.2  verse", "WAITING"]);
}

#[test]
fn a_killed_show_comes_back_at_its_position_and_waits() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    desk.rest();
    desk.press(" ");
    home.wait_log("step 1.3");
    desk.signal(Signal::KILL);
    assert_ne!(desk.end(), 0);
    fs::remove_file(home.0.path().join("state/segue/events.log")).unwrap();

    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.3  chorus", "waiting after a kill"]);
    home.wait_log("ready: 5 of 5 inputs");
    desk.press("2");
    desk.see(&["WINGS", "rack"]);
    let row = desk.screen(|screen| {
        let row = row_of(screen, "rack ");
        screen.rows(0, 100).nth(row.into()).unwrap()
    });
    assert!(row.contains(" 0 B"), "something was sent: {row}");
    assert!(!home.log().contains("sent its state"), "{}", home.log());
    desk.press("1 ");
    home.wait_log("taken up");
    home.wait_log("receiver main sent its state");
    desk.see(&["NOW  1.3  chorus"]);
    desk.see_no("waiting after a kill");
    desk.rest();
    desk.press(" ");
    desk.see(&["NOW  1.4"]);

    // A show that was ended begins at its beginning.
    desk.press("qq");
    assert_eq!(desk.end(), 0);
    let desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
}

/// A disk that is full for a while, as a limit on files makes it: the stage and the wings say
/// so until it is over, and neither the place nor the log is lost.
#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_is_full_for_a_while_costs_neither_place_nor_log() {
    use rustix::process::{Resource, Rlimit, prlimit};
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    home.wait_log("ready: 5 of 5 inputs");
    let pid = desk.pid();
    let limit = |current| {
        let limit = Rlimit {
            current,
            maximum: None,
        };
        prlimit(Some(pid), Resource::Fsize, limit).unwrap();
    };
    limit(Some(0));
    desk.press(" ");
    desk.see(&["NOW  1.2  verse", "place, events.log not written"]);
    desk.press("2");
    desk.see(&["WINGS", "place, events.log not written"]);
    desk.rest();
    desk.press("1 ");
    desk.see(&["NOW  1.3  chorus", "place, events.log not written"]);
    limit(None);
    desk.see_no("not written");
    home.wait_log("step 1.2");
    home.wait_log("step 1.3");
    home.wait_log("the place is written down again");
    desk.signal(Signal::KILL);
    desk.end();
    let desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.3  chorus", "waiting after a kill"]);
}

/// What matters is on the stage, not behind it: that another copy keeps the place, and that
/// the place of a killed show is gone.
#[test]
fn what_is_wrong_with_the_place_stands_on_the_stage() {
    let home = Home::new();
    let show = home.0.path().join("show");
    let made = std::process::Command::new(env!("CARGO_BIN_EXE_segue"))
        .args(["new", "--demo"])
        .arg(&show)
        .status()
        .unwrap();
    assert!(made.success());
    let args = [
        "play",
        show.to_str().unwrap(),
        "--night",
        "harbour-hall",
        "--model",
    ];
    let first_args = [&args[..], &["--at", "2.6"]].concat();
    let mut first = start(&home, &first_args, &[]);
    first.see(&["NOW  2.6"]);
    home.wait_log("at 2.6");
    let mut second = start(&home, &args, &[]);
    second.see(&["NOW  2.6", "WAITING", "not known where the show was"]);
    second.press("2");
    second.see(&["WINGS", "place not written: another running copy"]);
    second.signal(Signal::KILL);
    second.end();
    first.signal(Signal::KILL);
    first.end();
    fs::write(show.join("songs/salt-road.ron"), "(").unwrap();
    let third = start(&home, &args, &[]);
    third.see(&["WAITING", "killed at 2.6, which is gone"]);
}
