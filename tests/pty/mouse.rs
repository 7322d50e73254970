//! The mouse, as terminals report it (xterm's control sequences, "SGR (1006)": button, column
//! and row from 1; `M` is a press, `m` a release; 64 and 65 are the wheel up and down).

use vt100::MouseProtocolMode;

use crate::desk::{DEMO_SHOW, Desk, Home, row_of, start};

/// The left button goes down and up on the row that holds the words.
fn click(desk: &mut Desk, words: &str) {
    let row = 1 + desk.screen(|screen| row_of(screen, words));
    desk.press(&format!("\x1b[<0;20;{row}M\x1b[<0;20;{row}m"));
}

/// Waits until the running order's cursor is on the row that holds the words.
fn see_cursor(desk: &Desk, words: &str) {
    desk.wait(words, |screen| {
        let rows = screen.rows(0, 100);
        rows.filter(|row| row.contains(words))
            .any(|row| row.contains('▸'))
    });
}

#[test]
fn a_row_is_clicked_and_the_wheel_moves_the_cursor() {
    let home = Home::new();
    let args = [&DEMO_SHOW[..], &["--rehearse"]].concat();
    let mut desk = start(&home, &args, &[]);
    desk.see(&["NOW  1.1  intro"]);
    let mode = |desk: &Desk| desk.screen(vt100::Screen::mouse_protocol_mode);
    assert_eq!(mode(&desk), MouseProtocolMode::None, "it is the terminal's");
    desk.press("\x1b[21~"); // F10
    desk.wait("the mouse is taken", |screen| {
        screen.mouse_protocol_mode() != MouseProtocolMode::None
    });
    // A wheel touched by chance on the stage steps nowhere.
    desk.press("\x1b[<65;20;10M\x1b[<65;20;10M3");
    desk.see(&["RUNNING ORDER", "NOW  1.1"]);
    click(&mut desk, "1.3 ");
    see_cursor(&desk, "1.3 ");
    desk.press("\x1b[<65;20;10M");
    see_cursor(&desk, "1.4 ");
    desk.press("\x1b[<64;20;10M");
    see_cursor(&desk, "1.3 ");
    click(&mut desk, "1.3 ");
    desk.see(&["NOW  1.3"]);
    assert!(!home.log().contains("step 1.2"), "{}", home.log());
    // On the wings a click takes a row, and a key does something to it.
    desk.press("2");
    // The footer is drawn last: what is above it is of the wings too.
    desk.see(&["WINGS", "RECEIVERS", "p panic one"]);
    let row = desk.screen(|screen| {
        let after = row_of(screen, "RECEIVERS");
        let mut rows = screen.rows(0, 100).zip(1_u16..);
        let found = rows.find(|(row, at)| *at > after + 1 && row.starts_with("  organ"));
        found.expect("the organ has a row").1
    });
    desk.press(&format!("\x1b[<0;4;{row}M\x1b[<0;4;{row}mp"));
    home.wait_log("panic: organ was silenced");
    desk.press("q");
    assert_eq!(desk.end(), 0);
    desk.assert_restored();
    assert_eq!(mode(&desk), MouseProtocolMode::None);
}

/// Noise that reads as a report from before the first column: in xterm's old encoding, and
/// in that of today.
#[test]
fn a_report_beside_the_screen_leaves_the_keys_alone() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("\x1b[M   \x1b[<0;0;0M");
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
}
