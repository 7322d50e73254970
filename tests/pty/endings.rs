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
