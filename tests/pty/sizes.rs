//! Terminals of all sizes, and a screen that dies.

use std::fs;
use std::time::Instant;

use crate::desk::{DEMO_SHOW, Desk, GLANCE, Home, PATIENCE, size, start};

#[test]
fn two_hundred_resizes_leave_a_whole_screen() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&["NOW  1.1  intro"]);
    let sizes = (0..200u16).map(|at| (1 + at * 7 % 60, 1 + at * 37 % 220));
    for (rows, cols) in sizes.chain([(30, 100)]) {
        desk.resize(rows, cols);
    }
    desk.press(" ");
    desk.see(&[
        "quarry-lanterns",
        "NOW  1.2  verse",
        "NEXT  1.3  chorus",
        "? help",
    ]);

    // Whole means: as on a terminal that always had this size, the clock aside. Both are
    // looked at until they agree: either may be in the middle of a frame, or of a minute.
    let mut other = start(&home, &[], &[]);
    other.press(" ");
    let seen = |desk: &Desk| without_clock(&desk.screen(vt100::Screen::contents));
    let until = Instant::now() + PATIENCE;
    while seen(&desk) != seen(&other) {
        assert!(
            Instant::now() < until,
            "resized\n{}\nand never so\n{}",
            seen(&desk),
            seen(&other)
        );
        std::thread::sleep(GLANCE);
    }
}

/// The screen without its first row, which has the time of day.
fn without_clock(text: &str) -> String {
    text.lines().skip(1).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_screen_that_dies_comes_back_and_the_show_goes_on() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[("SEGUE_SCREEN_FAILS_AT", "1")]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    desk.rest();
    desk.press(" ");
    desk.see(&["NOW  1.3  chorus"]);
    // All of the log: lines of before may come into it later, from the thread that writes it.
    desk.resize(100, 120);
    desk.press("2");
    desk.see(&["the screen failed and was started again (1)"]);
    let crash = home.0.path().join("state/segue/crash.log");
    let crash = fs::read_to_string(crash).unwrap();
    assert!(
        crash.contains("thread `main`") && crash.contains("told to fail"),
        "{crash}"
    );
    desk.press("qq");
    assert_eq!(desk.end(), 0);
    desk.assert_restored();
    let output = desk.shared.0.lock().unwrap();
    let text = String::from_utf8_lossy(&output.bytes);
    assert!(
        !text.contains("told to fail"),
        "the panic was printed on the screen"
    );
}

#[test]
fn a_terminal_of_any_size_is_drawn_on() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&["NOW  1.1  intro"]);
    let largest = size(u16::MAX, u16::MAX);
    desk.master.as_ref().unwrap().resize(largest).unwrap();
    desk.press(" ");
    desk.wait("the next scene", |screen| screen.contents().contains("1.2"));
    desk.master.as_ref().unwrap().resize(size(30, 100)).unwrap();
    desk.rest();
    desk.press(" ");
    desk.see(&["NOW  1.3  chorus", "? help"]);
}
