//! Keys that nobody meant: held down, hit by accident, locked; and a show that nobody can
//! hear.

use std::time::Duration;

use crate::desk::{DEMO_SHOW, Desk, Home, start};

/// How often a terminal repeats a key that is held (common practice: 20 to 50 ms).
const REPEAT: Duration = Duration::from_millis(50);

/// Lines of the log that tell of a step.
fn steps(home: &Home) -> usize {
    let log = home.log();
    log.lines().filter(|line| line.contains(" step ")).count()
}

/// The demo as a show folder, at its first scene.
fn demo(home: &Home) -> Desk {
    let desk = start(home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk
}

/// This terminal reports neither repeats nor that a key is let go. A machine that stalls
/// just before the last of them may take that one for another press.
#[test]
fn a_held_step_key_does_not_run_away() {
    let home = Home::new();
    let mut desk = demo(&home);
    for _ in 0..31 {
        desk.press(" ");
        std::thread::sleep(REPEAT);
    }
    desk.see(&["NO STEP"]);
    // Whatever still waited has been done before this is drawn.
    desk.press("2");
    desk.see(&["WINGS", "press swallowed"]);
    let count = steps(&home);
    assert!((1..=2).contains(&count), "{count} steps:\n{}", home.log());
}

#[test]
fn one_stray_key_silences_nothing_on_the_stage() {
    let home = Home::new();
    let mut desk = demo(&home);
    for (key, asked, done) in [
        ("m", "m again: no new notes sound", "MUTED"),
        ("F", "F again: fade everything out", "FAD"),
    ] {
        desk.press(key);
        desk.see(&[asked]);
        desk.press("\x1b");
        desk.see_no(asked);
        assert!(!desk.screen(|screen| screen.contents().contains(done)));
        desk.insist(key, |screen| screen.contains(done));
    }
}

#[test]
fn locked_keys_do_nothing_but_panic_and_unlock() {
    let home = Home::new();
    let mut desk = demo(&home);
    desk.press("K");
    desk.see(&["K again: lock these keys"]);
    desk.rest();
    desk.insist("K", |screen| screen.contains("KEYS LOCKED"));
    desk.press(" ");
    desk.see(&["these keys are locked"]);
    desk.press("2q");
    desk.press("!");
    desk.see(&["PANIC", "NOW  1.1  intro"]);
    // The words of a panic stand in the row of the lock for a while.
    desk.see(&["KEYS LOCKED"]);
    desk.press("K");
    desk.see(&["K again: free these keys"]);
    desk.rest();
    desk.insist("K", |screen| !screen.contains("KEYS LOCKED"));
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
}

/// The filter begins with an empty line; the old one is a key away.
#[test]
fn another_filter_of_the_log_does_not_begin_with_the_old_one() {
    let home = Home::new();
    let mut desk = demo(&home);
    desk.press("2");
    desk.see(&["WINGS"]);
    desk.press("fready\r");
    desk.see(&["with \"ready\""]);
    desk.press("f");
    desk.see(&["log lines with: _", "Up takes \"ready\""]);
    desk.press("at");
    desk.see(&["with \"at\""]);
    // Left as it was.
    desk.press("\x1b");
    desk.see_no("log lines with");
    desk.see(&["with \"ready\""]);
    desk.press("f");
    desk.see(&["log lines with: _"]);
    desk.press("\x1b[A");
    desk.see(&["log lines with: ready_"]);
}

/// What a program says that finds no sequencer; elsewhere there is nothing to see.
fn has_midi(home: &Home) -> bool {
    let mut desk = start(home, &["ports"], &[]);
    desk.end() == 0
}

/// The demo as it is played, on ports.
const DEMO_ON_PORTS: [&str; 4] = [DEMO_SHOW[0], DEMO_SHOW[1], DEMO_SHOW[2], DEMO_SHOW[3]];

#[test]
fn without_midi_a_show_asks_before_it_opens_and_says_that_nothing_sounds() {
    let home = Home::new();
    if has_midi(&home) {
        return;
    }
    let mut desk = start(&home, &DEMO_ON_PORTS, &[]);
    desk.see(&["no MIDI here", "NO SOUND", "Type yes"]);
    assert!(!desk.screen(vt100::Screen::alternate_screen));
    desk.press("\r");
    assert_eq!(desk.end(), 1, "it does not go on by itself");
    desk.see(&["not played"]);

    let mut desk = start(&home, &DEMO_ON_PORTS, &[]);
    desk.see(&["Type yes"]);
    desk.press("yes\r");
    desk.see(&["NOW  1.1  intro", "NO SOUND: there is no MIDI here"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse", "NO SOUND"]);
    desk.press("2");
    desk.see(&["WINGS", "NO SOUND"]);
}

#[test]
fn what_cannot_be_read_of_keys_and_marks_is_told_as_the_show_opens() {
    let home = Home::new();
    for path in [
        "config/segue/keys.txt",
        "state/segue/marks/quarry-lanterns.txt",
    ] {
        std::fs::create_dir_all(home.0.path().join(path)).unwrap();
    }
    let mut desk = demo(&home);
    desk.press("2");
    desk.see(&["WINGS"]);
    for (filter, told) in [
        ("keys.txt", "keys.txt: a folder"),
        ("marks", "marks not read: "),
    ] {
        desk.press("f");
        desk.see(&["log lines with: _"]);
        desk.press(&format!("{filter}\r"));
        desk.see(&[told]);
    }
}
