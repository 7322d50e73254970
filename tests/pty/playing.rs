//! The three screens, keys that command, letters that are notes.

use crate::desk::{DEMO_SHOW, Home, kitty, main_keyboard, start};

#[test]
fn the_demo_opens_on_its_first_scene_and_steps() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&[
        "quarry-lanterns",
        "NOW  1.1  intro",
        "NEXT  1.2  verse",
        "? help",
    ]);
    assert!(desk.screen(vt100::Screen::alternate_screen));
    desk.press(" ");
    desk.see(&["NOW  1.2  verse", "NEXT  1.3  chorus"]);
    desk.rest();
    desk.press("\x1b[5~"); // PageUp
    desk.see(&["NOW  1.1  intro"]);
    desk.rest();
    desk.press("\x1b[6~"); // PageDown, as page-turn pedals send it
    desk.see(&["NOW  1.2  verse"]);
}

#[test]
fn the_three_screens_help_find_and_jump() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("\t");
    desk.see(&["WINGS", "RECEIVERS", "LOG"]);
    desk.press("\t");
    desk.see(&["RUNNING ORDER", "Salt Road"]);
    desk.press("\t");
    desk.see(&["NOW  1.1  intro"]);
    desk.press("2");
    desk.see(&["WINGS"]);
    desk.press("3");
    desk.see(&["RUNNING ORDER"]);
    desk.press("1");
    desk.see(&["NOW  1.1  intro"]);
    desk.press("?");
    desk.see(&["HELP", "to the next scene"]);
    desk.press("?");
    desk.see(&["NOW  1.1  intro"]);
    // Found while it is typed; Enter ends the typing, Enter again asks, Enter jumps.
    desk.press("/solo");
    desk.see(&["RUNNING ORDER", "find: solo"]);
    desk.press("\r");
    desk.see(&["▸", "2.6"]);
    desk.see_no("find: solo");
    desk.press("\r");
    desk.see(&["Enter"]);
    desk.press("\r");
    desk.press("1");
    desk.see(&["NOW  2.6  solo"]);
}

/// Where the file is stands on the screen that somebody looks at; the file is there.
#[test]
fn the_end_of_a_recording_says_where_it_is() {
    let home = Home::new();
    let mut desk = start(&home, &[&DEMO_SHOW[..], &["--rehearse"]].concat(), &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("*");
    desk.see(&["RECORDING"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    desk.press("*");
    desk.see(&["recorded in "]);
    home.wait_log("recording ended");
    let log = home.log();
    let saved = log.lines().find_map(|line| line.split_once(" saved to "));
    let (_, path) = saved.unwrap();
    let name = std::path::Path::new(path).file_name().unwrap();
    assert!(std::path::Path::new(path).exists(), "{path}");
    desk.see(&[name.to_str().unwrap()]);
}

#[test]
fn letters_are_notes_of_a_fixed_length() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("k");
    desk.see(&["letters play keys"]);
    let dark = desk.screen(main_keyboard);
    desk.press("v");
    desk.wait("a lit key", |screen| main_keyboard(screen) != dark);
    desk.wait("dark keys again", |screen| main_keyboard(screen) == dark);
}

#[test]
fn letters_end_when_the_terminal_reports_that_they_are_let_go() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(&(kitty('k', 1) + &kitty('k', 3)));
    desk.see(&["letters play keys"]);
    let dark = desk.screen(main_keyboard);
    desk.press(&kitty('v', 1));
    desk.wait("one lit key", |screen| main_keyboard(screen) != dark);
    let one = desk.screen(main_keyboard);
    desk.press(&kitty('z', 1));
    desk.wait("two lit keys", |screen| {
        let now = main_keyboard(screen);
        now != one && now != dark
    });
    // The key that was struck last ends first: no fixed length could do that.
    desk.press(&kitty('z', 3));
    desk.wait("one lit key", |screen| main_keyboard(screen) == one);
    desk.press(&kitty('v', 3));
    desk.wait("dark keys", |screen| main_keyboard(screen) == dark);
}
