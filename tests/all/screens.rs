//! Screens as text: each is drawn from a sample night and compared with a file.
//!
//! `UPDATE_EXPECTED=1` writes the files anew; `PICTURES=DIR` also writes each screen as SVG.

#![allow(clippy::unwrap_used)]

mod sample;
mod themes;

use proptest::prelude::*;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Color;
use segue::engine::promptbook::{PositionId, SlotId};
use segue::engine::view::{Presence, Swallowed};
use segue::screen::{
    self, Colour, LearnedStatus, LogLine, NoteMode, Prompt, Screen, Theme, UiState,
};
use segue::sheet::{ControllerLine, PositionLine, ReceiverLine, RouteLine, Sheet};
use std::path::{Path, PathBuf};

/// Every size for which there is a file.
const SIZES: [(u16, u16); 3] = [(80, 24), (120, 36), (200, 60)];

/// Draws a screen of the sample.
fn draw(sample: &sample::Sample, (width, height): (u16, u16)) -> Buffer {
    let area = Rect::new(0, 0, width, height);
    let mut buf = Buffer::empty(area);
    screen::render(&sample.model(), area, &mut buf);
    buf
}

/// The characters of a buffer, a line a row, without blanks at the ends of lines.
fn text(buf: &Buffer) -> String {
    let mut out = String::new();
    for y in 0..buf.area.height {
        let mut line = String::new();
        let mut skip = 0;
        for x in 0..buf.area.width {
            let symbol = buf[(x, y)].symbol();
            if skip == 0 {
                line.push_str(symbol);
                skip = usize::from(screen::text::width(symbol)).max(1);
            }
            skip -= 1;
        }
        out.push_str(line.trim_end());
        out.push('\n');
    }
    out
}

fn expected_path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/data/screens")
        .join(format!("{name}.txt"))
}

/// Compares a screen with its file.
fn check(name: &str, buf: &Buffer) {
    if let Some(dir) = std::env::var_os("PICTURES") {
        let file = PathBuf::from(dir).join(format!("{name}.svg"));
        std::fs::write(file, screen::svg::to_svg(buf)).unwrap();
    }
    let path = expected_path(name);
    let found = text(buf);
    if std::env::var_os("UPDATE_EXPECTED").is_some() {
        std::fs::write(&path, &found).unwrap();
    }
    let expected = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(
        found,
        expected,
        "{} differs from the screen",
        path.display()
    );
}

#[test]
fn stage() {
    for size in SIZES {
        let sample = sample::Sample::new();
        check(
            &format!("stage-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn stage_with_a_narrow_zone_in_rehearsal_before_a_break() {
    let mut sample = sample::Sample::new();
    sample.view.position = PositionId(10);
    sample.view.sends_cues = false;
    sample.view.is_muted = true;
    sample.rig.mode = "model rig".into();
    sample.ui.notes = NoteMode::On {
        controller: 1,
        base: 48,
        has_releases: false,
        length_ms: 700,
    };
    check("stage-rehearsal-100x30", &draw(&sample, (100, 30)));
}

/// GM2 §3.3.6: half of the way of expression, 64, is −11.9 dB.
#[test]
fn stage_says_how_far_everything_is_faded() {
    let mut sample = sample::Sample::new();
    sample.view.master = 64;
    sample.view.is_faded = true;
    let screen = text(&draw(&sample, (100, 30)));
    assert!(screen.contains("FADING out: -12 dB"), "{screen}");
    sample.view.master = 0;
    let screen = text(&draw(&sample, (100, 30)));
    assert!(screen.contains("FADED OUT"), "{screen}");
    sample.view.master = 127;
    sample.view.is_faded = false;
    assert!(!text(&draw(&sample, (100, 30))).contains("FAD"));
}

#[test]
fn stage_at_the_end_of_the_night() {
    let mut sample = sample::Sample::new();
    sample.view.position = PositionId(19);
    sample.view.controllers[1].is_present = false;
    sample.view.in_ports[1] = false;
    check("stage-end-80x24", &draw(&sample, (80, 24)));
}

#[test]
fn stage_without_colour() {
    let mut sample = sample::Sample::new();
    sample.ui.settings.colour = Colour::None;
    check("stage-no-colour-80x24", &draw(&sample, (80, 24)));
}

#[test]
fn stage_without_colour_or_line_drawing() {
    let mut sample = sample::Sample::new();
    sample.ui.settings.colour = Colour::None;
    sample.ui.settings.is_ascii = true;
    check("stage-ascii-80x24", &draw(&sample, (80, 24)));
}

/// At the first scene of the first song, before the night began and just after a bar of
/// three was counted in.
#[test]
fn stage_at_the_start_of_the_night() {
    let mut sample = sample::Sample::new();
    sample.view.position = PositionId(0);
    sample.view.step_us = None;
    sample.time_s = (19 * 60 + 48) * 60;
    check("stage-start-120x36", &draw(&sample, (120, 36)));
}

/// The beat that is counted stands where the call number does, and is marked among the
/// others; it is gone as soon as a key is down.
#[test]
fn the_stage_counts_a_song_in() {
    let mut sample = sample::Sample::new();
    sample.view.position = PositionId(0);
    for seen in &mut sample.view.controllers {
        seen.keys_down = Default::default();
    }
    let beat_us = (60e6 / f64::from(sample.sheet.songs[0].tempo.unwrap())) as u64;
    const CLOCK_ROW: u16 = 1;
    let mut drawn = Vec::new();
    for beat in 0..4 {
        sample.view.step_us = Some(sample.now_us - beat * beat_us - beat_us / 2);
        assert_eq!(
            screen::counted_beat(&sample.model()),
            Some((beat % 3) as u8 + 1)
        );
        drawn.push(draw(&sample, (120, 36)));
    }
    // From one beat to the next only the large number and the mark change; the clock's row is
    // that of the time that has passed.
    let changed = |one: &Buffer, other: &Buffer| -> Vec<(u16, u16)> {
        let positions = one.area.positions();
        let differs = |at: &ratatui::layout::Position| one[(at.x, at.y)] != other[(at.x, at.y)];
        let differing = positions.filter(|at| at.y != CLOCK_ROW && differs(at));
        differing.map(|at| (at.x, at.y)).collect()
    };
    for pair in drawn.windows(2) {
        let cells = changed(&pair[0], &pair[1]);
        assert!((8..60).contains(&cells.len()), "{cells:?}");
    }
    assert_eq!(changed(&drawn[0], &drawn[3]), [], "a bar has three beats");
    sample.view.controllers[0].keys_down.insert(60);
    assert_eq!(screen::counted_beat(&sample.model()), None);
    // Nor does it come back between notes.
    sample.view.controllers[0].keys_down = Default::default();
    assert!(screen::counted_beat(&sample.model()).is_some());
    sample.ui.played_us = Some(sample.view.step_us);
    assert_eq!(screen::counted_beat(&sample.model()), None);
}

/// Why nothing happened is as large as the call number, in whose place it stands.
#[test]
fn stage_after_a_press_that_did_not_step() {
    let mut sample = sample::Sample::new();
    sample.view.swallowed = Some((sample.now_us, Swallowed::TooSoon));
    check("stage-no-step-120x36", &draw(&sample, (120, 36)));
}

#[test]
fn stage_on_a_very_large_terminal() {
    let mut sample = sample::Sample::new();
    sample.view.position = PositionId(9);
    check("stage-240x80", &draw(&sample, (240, 80)));
}

#[test]
fn wings() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        check(
            &format!("wings-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn wings_with_a_cursor_on_a_held_note_and_a_filtered_log() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        sample.ui.wings = Some(screen::WingsRow::Note(SlotId(2), 57));
        sample.ui.log_filter = "error".into();
        sample.view.is_locked = true;
        sample.view.duties[1].is_muted = true;
        sample.view.controllers[0].ignored[0] = true;
        check(
            &format!("wings-cursor-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

/// A zone that fades in, with the last key struck in it: at every size, without colour, in
/// ASCII, and when what was struck last was too soft for it.
#[test]
fn wings_with_the_cursor_on_a_zone() {
    let draw_at = |size, change: &dyn Fn(&mut sample::Sample)| {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        sample.view.position = PositionId(10);
        sample.ui.wings = Some(screen::WingsRow::Zone(0));
        change(&mut sample);
        draw(&sample, size)
    };
    for size in SIZES {
        let name = format!("wings-zone-{}x{}", size.0, size.1);
        check(&name, &draw_at(size, &|_| {}));
    }
    let plain = draw_at((80, 24), &|sample| sample.ui.settings.colour = Colour::None);
    check("wings-zone-no-colour-80x24", &plain);
    let ascii = draw_at((80, 24), &|sample| sample.ui.settings.is_ascii = true);
    check("wings-zone-ascii-80x24", &ascii);
    let soft = draw_at((80, 24), &|sample| {
        sample.view.controllers[0].struck = Some((67, 59));
    });
    check("wings-zone-soft-80x24", &soft);
}

/// A surface with three fingers down on an MPE zone: one of them since the scene before, one
/// held by the pedal of another keyboard that plays the zone too.
#[test]
fn wings_with_fingers_on_an_mpe_zone() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        sample.lay_a_surface();
        check(
            &format!("wings-mpe-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
        sample.ui.settings.is_ascii = true;
        let drawn = text(&draw(&sample, size));
        assert!(drawn.is_ascii(), "{drawn}");
    }
}

#[test]
fn order_with_marks_and_a_loop_while_a_command_is_typed() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Order;
        sample.view.sends_cues = false;
        sample.view.stretch = Some((PositionId(7), PositionId(8)));
        sample.ui.marks.insert("3.3".into(), "too loud".into());
        sample.ui.prompt = Some(Prompt::Line {
            text: "mut".into(),
            offers: vec!["mute".into(), "mute one".into()],
            refused: String::new(),
            listed: None,
        });
        check(
            &format!("order-rehearsal-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn wings_while_a_control_is_learned() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        sample.ui.prompt = Some(Prompt::Learn("big kno".into()));
        sample.rig.learned = Some(LearnedStatus {
            what: "control 74 on channel 1 at \"keys\"".into(),
            seen: "3 to 127 seen, 7 bits, continuous".into(),
            line: "\"NAME\": Control(74)   in the sources of \"lower\"".into(),
        });
        check(
            &format!("wings-learn-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn what_is_clicked_is_what_is_drawn_there() {
    for (width, height) in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        let area = Rect::new(0, 0, width, height);
        let rows: Vec<String> = text(&draw(&sample, (width, height)))
            .lines()
            .map(str::to_owned)
            .collect();
        let mut found = 0;
        for (y, line) in (0..height).zip(&rows) {
            for x in 0..width {
                let Some(screen::Hit::Row(row)) = screen::hit(&sample.model(), area, (x, y)) else {
                    continue;
                };
                if let screen::WingsRow::Receiver(at) = row {
                    assert!(line.contains(&sample.sheet.receivers[at].name), "{line}");
                    found += 1;
                }
            }
        }
        assert!(found > 0, "{width}x{height}");
    }
}

/// The row that the cursor is on is the row that a click on it means, wherever it scrolled to.
#[test]
fn the_cursor_is_clicked_where_it_stands_on_scrolled_wings() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Wings;
        let area = Rect::new(0, 0, size.0, size.1);
        for row in screen::wings_rows(&sample.sheet, &sample.view) {
            sample.ui.wings = Some(row);
            let buf = draw(&sample, size);
            let at = area
                .positions()
                .find(|at| buf[(at.x, at.y)].symbol() == "▸")
                .unwrap();
            let hit = screen::hit(&sample.model(), area, (at.x + 3, at.y));
            assert_eq!(hit, Some(screen::Hit::Row(row)), "{size:?}");
        }
    }
}

#[test]
fn the_page_that_is_open_is_the_one_shown() {
    let mut sample = sample::Sample::new();
    sample.sheet.songs[2].pages = vec!["First words".into(), "Second words".into()];
    for (page, wanted) in [
        (1, "page 2 of 2  Second words"),
        (0, "page 1 of 2  First words"),
    ] {
        sample.view.page = page;
        let found = text(&draw(&sample, (100, 30)));
        let found: Vec<&str> = found.split_whitespace().collect();
        let wanted: Vec<&str> = wanted.split_whitespace().collect();
        assert!(
            found.windows(wanted.len()).any(|words| words == wanted),
            "{found:?}"
        );
    }
}

#[test]
fn older_lines_of_the_log_are_read_and_the_newer_counted() {
    let mut sample = sample::Sample::new();
    sample.ui.screen = Screen::Wings;
    let newest = sample.log.last().unwrap().words.clone();
    let has_newest = |sample: &sample::Sample| {
        let found = text(&draw(sample, (120, 36)));
        let log = found.split_once("  LOG").unwrap().1.to_owned();
        (log.contains(&newest), log.contains("1 newer below"))
    };
    assert_eq!(has_newest(&sample), (true, false));
    sample.ui.log_scroll = 1;
    assert_eq!(has_newest(&sample), (false, true));
}

#[test]
fn order() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Order;
        sample.ui.cursor = Some(9);
        check(
            &format!("order-{}x{}", size.0, size.1),
            &draw(&sample, size),
        );
    }
}

#[test]
fn help() {
    for size in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.is_help = true;
        check(&format!("help-{}x{}", size.0, size.1), &draw(&sample, size));
    }
}

#[test]
fn without_colour_no_cell_has_a_colour_and_the_marks_remain() {
    let mut sample = sample::Sample::new();
    sample.ui.settings.colour = Colour::None;
    for screen in Screen::ALL {
        sample.ui.screen = screen;
        let buf = draw(&sample, (80, 24));
        for cell in buf.content() {
            assert_eq!((cell.fg, cell.bg), (Color::Reset, Color::Reset));
        }
    }
    sample.ui.screen = Screen::Stage;
    let found = text(&draw(&sample, (80, 24)));
    let has = |words: &str| assert!(found.contains(words), "no `{words}` in\n{found}");
    has("NOW  3.2  Strings over bass");
    has("NEXT  3.3  Glass choir");
    has("┣ Upright bass");
    has("├ Glass bells");
    has("press at bar 9 beat 3");
    has("not verified");
    let keys = found
        .lines()
        .find_map(|line| line.split("HOLD down").nth(1));
    let keys = keys.unwrap_or_default();
    assert_eq!(
        keys.matches('o').count(),
        2,
        "two held-over keys in `{keys}`"
    );
    assert_eq!(
        keys.matches('█').count(),
        5,
        "five sounding keys in `{keys}`"
    );
}

#[test]
fn a_swallowed_press_says_why_for_two_seconds() {
    let mut sample = sample::Sample::new();
    sample.view.swallowed = Some((60_000_000, Swallowed::TooSoon));
    sample.now_us = 61_900_000;
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("NO STEP: pressed too soon"), "{found}");
    sample.now_us = 62_100_000;
    let found = text(&draw(&sample, (80, 24)));
    assert!(!found.contains("NO STEP"), "{found}");
}

#[test]
fn the_stage_says_what_a_switch_is_at_and_what_waits() {
    let mut sample = sample::Sample::new();
    let line = |name: &str, is_repeated| RouteLine {
        name: name.into(),
        states: vec![("slow".into(), 0), ("fast".into(), 127)],
        is_repeated,
    };
    for scene in &mut sample.sheet.scenes {
        scene.routes = vec![
            line("rotary", false),
            line("rotary", true),
            line("filter", false),
        ];
    }
    sample.view.routes[0] = Some(127);
    sample.view.routes[1] = Some(127);
    sample.view.routes[2] = Some(5);
    sample.view.waiting = 0b100;
    let shown = text(&draw(&sample, (120, 36)));
    assert!(shown.contains("rotary fast  filter waits"), "{shown}");
    sample.view.routes[0] = Some(0);
    sample.view.waiting = 0;
    let shown = text(&draw(&sample, (120, 36)));
    assert!(shown.contains("rotary slow"), "{shown}");
    assert!(!shown.contains("waits"), "{shown}");
}

#[test]
fn nothing_is_called_verified_without_a_sign_of_life() {
    let mut sample = sample::Sample::new();
    sample.view.receivers.fill(Presence::NotVerified);
    for port in &mut sample.rig.out_ports {
        port.is_verified = false;
    }
    for port in &mut sample.rig.in_ports {
        port.idle_us = None;
    }
    for screen in [Screen::Stage, Screen::Wings] {
        sample.ui.screen = screen;
        let found = text(&draw(&sample, (120, 36)));
        assert!(found.contains("not verified"), "{found}");
        assert!(
            !found.replace("not verified", "").contains("verified"),
            "{found}"
        );
    }
}

#[test]
fn a_show_that_waits_says_so_first_and_calls_no_port_absent() {
    let mut sample = sample::Sample::new();
    sample.view.receivers.fill(Presence::Waiting);
    sample.rig.out_ports[2].is_present = true;
    sample.rig.warnings = vec!["waiting after a kill: step takes it up".into()];
    let found = text(&draw(&sample, (120, 36)));
    let expected =
        "RIG  waiting after a kill: step takes it up  main, organ, echo box, tablet waiting";
    assert!(found.contains(expected), "{found}");
    sample.ui.screen = Screen::Wings;
    let found = text(&draw(&sample, (120, 36)));
    let waits = |line: &&str| line.split_whitespace().any(|word| word == "waiting");
    let (ports, receivers, warnings) = (3, 4, 1);
    let count = found.lines().filter(waits).count();
    assert_eq!(count, ports + receivers + warnings, "{found}");
    assert!(!found.contains("absent"), "{found}");
}

#[test]
fn the_wings_show_remarks_on_the_present_and_the_next_two_positions() {
    let mut sample = sample::Sample::new();
    sample.ui.screen = Screen::Wings;
    let found = text(&draw(&sample, (200, 60)));
    let plan: Vec<_> = found
        .lines()
        .filter(|line| line.starts_with("  plan "))
        .collect();
    assert_eq!(plan.len(), 3, "{found}");
    assert!(
        plan[0].contains("3.2: ") && plan[1].contains("3.4: "),
        "{found}"
    );
    assert!(plan[2].contains("  and 2 further on"), "{found}");
}

#[test]
fn the_answer_to_a_prompt_is_shown_before_it_is_given() {
    let mut sample = sample::Sample::new();
    sample.ui.prompt = Some(Prompt::Jump("5.2".into()));
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("jump to: 5.2_   5.2 Waltz"), "{found}");
    sample.ui.prompt = Some(Prompt::Jump("nowhere".into()));
    let found = text(&draw(&sample, (80, 24)));
    assert!(
        found.contains("jump to: nowhere_   no such scene"),
        "{found}"
    );
    sample.ui.prompt = Some(Prompt::ConfirmQuit);
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("leave the show?"), "{found}");
}

/// The last row of an 80-column terminal names the letters, and how to panic and to leave.
#[test]
fn letters_that_are_notes_are_said_with_their_way_out() {
    let mut sample = sample::Sample::new();
    sample.ui.notes = NoteMode::On {
        controller: 1,
        base: 48,
        has_releases: false,
        length_ms: 700,
    };
    for screen in Screen::ALL {
        sample.ui.screen = screen;
        let found = text(&draw(&sample, (80, 24)));
        let last = found.lines().last().unwrap();
        let said = "upper: z C3, q C4, 0.7 s each  - + octave  F12 panic  k next  Esc off";
        assert!(last.contains(said) && last.ends_with("? help"), "{last}");
    }
}

/// Where there is room for commands beside them, none is a letter that plays.
#[test]
fn beside_letters_that_are_notes_no_letter_commands() {
    let mut sample = sample::Sample::new();
    let foot = |sample: &sample::Sample| {
        let found = text(&draw(sample, (200, 60)));
        found.lines().last().unwrap().to_owned()
    };
    assert!(foot(&sample).contains("q quit"));
    sample.ui.notes = NoteMode::On {
        controller: 1,
        base: 48,
        has_releases: true,
        length_ms: 700,
    };
    let last = foot(&sample);
    assert!(last.contains("Space step"), "{last}");
    assert!(
        !last.contains("quit") && !last.contains("! panic"),
        "{last}"
    );
}

/// While a control is learned, what is seen of it is in sight, wherever the cursor was.
#[test]
fn what_is_learned_is_in_sight_of_any_cursor() {
    let mut sample = sample::Sample::new();
    sample.ui.screen = Screen::Wings;
    sample.ui.wings = Some(screen::WingsRow::Zone(0));
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("rows above"), "{found}");
    let what = "control 74 on channel 1";
    sample.ui.prompt = Some(Prompt::Learn(String::new()));
    sample.rig.learned = Some(LearnedStatus {
        what: what.into(),
        ..LearnedStatus::default()
    });
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains(what), "{found}");
}

/// What does not fit is counted, with the way to see it.
#[test]
fn lists_say_that_more_is_there() {
    let mut sample = sample::Sample::new();
    sample.ui.is_help = true;
    let foot = |sample: &sample::Sample| {
        let found = text(&draw(sample, (80, 24)));
        found.lines().last().unwrap().to_owned()
    };
    assert!(
        foot(&sample).starts_with("  0 lines above, "),
        "{}",
        foot(&sample)
    );
    sample.ui.help_scroll = 1000;
    assert!(
        foot(&sample).contains(", 0 below: Down and Up scroll"),
        "{}",
        foot(&sample)
    );
    sample.view.is_locked = true;
    sample.view.panic_us = Some(sample.now_us);
    let found = text(&draw(&sample, (80, 24)));
    let head = found.lines().next().unwrap();
    assert!(head.contains("NOW 3.2") && head.contains("PANIC"), "{head}");
    sample.ui.is_help = false;
    let offers: Vec<String> = (0..71).map(|at| format!("command {at}")).collect();
    let line = |listed| Prompt::Line {
        text: String::new(),
        offers: offers.clone(),
        refused: String::new(),
        listed,
    };
    sample.ui.prompt = Some(line(None));
    assert!(
        foot(&sample).contains("command 3  +67, Tab lists them"),
        "{}",
        foot(&sample)
    );
    sample.ui.prompt = Some(line(Some(0)));
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("command 0"), "{found}");
    assert!(found.contains("5 more after these: Tab goes on"), "{found}");
    sample.ui.prompt = Some(line(Some(10)));
    let found = text(&draw(&sample, (80, 24)));
    assert!(
        found.contains("command 10") && found.contains("command 70"),
        "{found}"
    );
    assert!(found.contains("10 before these: Tab goes back"), "{found}");
    // The stage keeps its upper half.
    assert!(found.contains("Salt Road"), "{found}");
}

/// In a line check the two answers to a place are named first, on every screen.
#[test]
fn a_footer_of_its_own_comes_before_the_others() {
    let mut sample = sample::Sample::new();
    sample.ui.footer = &[("step", "tick"), ("mark", "mark")];
    for screen in Screen::ALL {
        sample.ui.screen = screen;
        let found = text(&draw(&sample, (80, 24)));
        let last = found.lines().last().unwrap();
        assert!(last.starts_with("  Space tick  a mark  "), "{last}");
        assert!(!last.contains("step") && last.ends_with("? help"), "{last}");
    }
}

/// Whole words give way, and what is wrong stays.
#[test]
fn headers_keep_what_matters_at_80_columns() {
    let mut sample = sample::Sample::new();
    sample.view.is_locked = true;
    sample.rig.is_realtime = Some(false);
    sample.ui.screen = Screen::Wings;
    let found = text(&draw(&sample, (80, 24)));
    let head = found.lines().next().unwrap();
    for words in ["3.2", "LOCKED", "no real-time", "21:14"] {
        assert!(head.contains(words), "{words}: {head}");
    }
    sample.view.is_locked = false;
    sample.view.sends_cues = false;
    sample.ui.screen = Screen::Order;
    let found = text(&draw(&sample, (80, 24)));
    let head = found.lines().next().unwrap();
    for words in ["REHEARSAL", "Tuesday, Quay Hall", "20:00 to 22:30", "21:14"] {
        assert!(head.contains(words), "{words}: {head}");
    }
}

/// Names that try to leave their cells.
fn hostile(sample: &mut sample::Sample) {
    let name = "\x1b[2J\u{202e}日本\u{200b}\t👩\u{200d}🎤\u{fe0f}e\u{301}\r\n";
    let sheet = &mut sample.sheet;
    sheet.show = name.into();
    sheet.night = name.repeat(40);
    for scene in &mut sheet.scenes {
        scene.name = name.repeat(3);
        scene.when = name.into();
        scene.player = name.repeat(20);
        for zone in &mut scene.zones {
            zone.keys = (zone.keys.1, zone.keys.0);
            zone.level_db = f32::NAN;
            zone.sound = usize::MAX;
            zone.transpose = i16::MIN;
        }
    }
    for song in &mut sheet.songs {
        song.title = name.into();
        song.tempo = Some(f32::INFINITY);
        song.pages = vec![name.repeat(50)];
        song.positions = (usize::MAX, usize::MAX);
    }
    sheet.controllers.push(ControllerLine {
        name: name.into(),
        keys: Some((127, 0)),
        port: 99,
    });
    sheet.receivers.push(ReceiverLine {
        name: name.into(),
        slots: (usize::MAX, 3),
        ..Default::default()
    });
    sheet.positions.push(PositionLine {
        call: name.into(),
        scene: 999,
        song: 999,
    });
    sample.rig.warnings = vec![name.repeat(9)];
    sample.rig.out_ports[0].busy_permille = u16::MAX;
    sample.rig.out_ports[0].last_error = name.into();
    sample.rig.out_ports[0].bytes_sent = u64::MAX;
    sample.log.push(LogLine {
        words: name.repeat(99),
        time: name.into(),
        ..Default::default()
    });
}

/// Characters one by one: proptest's own strings hold no control characters.
fn any_text() -> impl Strategy<Value = String> {
    proptest::collection::vec(any::<char>(), 0..20).prop_map(String::from_iter)
}

fn prompts() -> impl Strategy<Value = Option<Prompt>> {
    prop_oneof![
        Just(None),
        any_text().prop_map(|text| Some(Prompt::Find(text))),
        any_text().prop_map(|text| Some(Prompt::Jump(text))),
        any_text().prop_map(|text| Some(Prompt::Learn(text))),
        any::<usize>().prop_map(|to| Some(Prompt::ConfirmJump(to))),
        (
            proptest::collection::vec(any_text(), 0..30),
            any::<Option<u8>>()
        )
            .prop_map(|(offers, listed)| Some(Prompt::Line {
                text: String::new(),
                offers,
                refused: String::new(),
                listed: listed.map(usize::from),
            })),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(crate::cases::scaled(600)))]
    #[test]
    fn no_size_and_no_name_makes_a_screen_panic_or_lets_a_control_character_through(
        size in (1u16..=250, 1u16..=80),
        (screen, is_help, is_hostile) in (0usize..3, any::<bool>(), any::<bool>()),
        (colour, is_ascii, theme) in (0usize..3, any::<bool>(), 0usize..4),
        time_s in 0u32..86_400,
        (position, cursor) in (0u32..25, any::<Option<u8>>()),
        (log_scroll, help_scroll) in (0usize..20, 0usize..80),
        prompt in prompts(),
        keys_down in proptest::collection::vec(0u8..128, 0..20),
    ) {
        let mut sample = sample::Sample::new();
        if is_hostile {
            hostile(&mut sample);
        }
        sample.view.position = PositionId(position);
        for key in keys_down {
            sample.view.controllers[0].keys_down.insert(key);
        }
        sample.ui = UiState {
            screen: Screen::ALL[screen],
            is_help,
            cursor: cursor.map(usize::from),
            log_scroll,
            help_scroll,
            prompt,
            ..UiState::default()
        };
        sample.ui.settings.colour = [Colour::None, Colour::Sixteen, Colour::Full][colour];
        sample.ui.settings.is_ascii = is_ascii;
        sample.ui.settings.theme = Theme::ALL[theme];
        sample.time_s = time_s;
        let buf = draw(&sample, size);
        for cell in buf.content() {
            prop_assert!(!cell.symbol().chars().any(char::is_control));
            prop_assert!(is_hostile || !is_ascii || cell.symbol().is_ascii() || sample.ui.prompt.is_some());
        }
        prop_assert!(screen::svg::to_svg(&buf).ends_with("</svg>\n"));
    }

    #[test]
    fn an_area_beyond_the_buffer_is_cut(
        area in (0u16..120, 0u16..60, 0u16..200, 0u16..80),
        screen in 0usize..3,
    ) {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::ALL[screen];
        let mut buf = Buffer::empty(Rect::new(3, 5, 80, 24));
        let area = Rect::new(area.0, area.1, area.2, area.3);
        screen::render(&sample.model(), area, &mut buf);
        for position in buf.area.positions().filter(|position| !area.contains(*position)) {
            prop_assert_eq!(buf[position].symbol(), " ");
        }
    }
}

#[test]
fn an_empty_sheet_draws() {
    let mut sample = sample::Sample::new();
    sample.sheet = Sheet::default();
    for screen in Screen::ALL {
        sample.ui.screen = screen;
        draw(&sample, (80, 24));
    }
    sample.ui.screen = Screen::Stage;
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("nothing to play"), "{found}");
}

#[test]
fn the_show_clock_says_how_the_night_goes() {
    let mut sample = sample::Sample::new();
    let found = text(&draw(&sample, (120, 36)));
    // Planned at 20:00 and 3:30 + 3:45 + a quarter of 4:00, stepped to 21 s ago; songs of
    // 24:45 and a break of 20 min in all; to end at 22:30.
    for words in [
        "\n  1 h 05 behind   break in 2 min   ",
        "end 21:50, in 36 min   39 min to spare",
    ] {
        assert!(found.contains(words), "{found}");
    }
    // The time of day is large beside the name, or in the row where it is not.
    assert!(!found.contains("21:14"), "{found}");
    sample.sheet.start_minute = None;
    sample.sheet.end_minute = None;
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("21:14   break in 2 min"), "{found}");
}

#[test]
fn the_next_three_steps_are_there_with_their_moments() {
    let sample = sample::Sample::new();
    for (size, then) in [
        (
            (80, 24),
            vec!["THEN  3.4  Solo: bras., at bar 9 beat 3  5.1  Felt piano., at bar"],
        ),
        (
            (120, 36),
            vec!["THEN  3.4  Solo: brass and a very long name, at bar 9 beat 3"],
        ),
        (
            (200, 60),
            vec!["5.1  Felt piano (Paper Moons), at bar 9 beat 3"],
        ),
    ] {
        let found = text(&draw(&sample, size));
        for words in then {
            assert!(found.contains(words), "no `{words}` in\n{found}");
        }
        assert!(found.contains("NEXT  3.3  Glass choir"), "{found}");
    }
}

/// Ten keys on all layers, struck and let go again, change less than what counts as an area
/// that flashes: a quarter of 341 x 256 pixels (WCAG 2.2, "general flash and red flash
/// thresholds"), here with cells of 10 x 20 pixels.
#[test]
fn a_chord_repeated_fast_does_not_make_a_large_area_flash() {
    const CELLS: usize = 341 * 256 / 4 / (10 * 20);
    for size in [(80, 24), (120, 36), (200, 60), (250, 80)] {
        let mut sample = sample::Sample::new();
        let silent = draw(&sample, size);
        for key in (60..100).step_by(4) {
            sample.view.controllers[0].keys_down.insert(key);
        }
        let struck = draw(&sample, size);
        let changed = silent.diff(&struck).len();
        assert!((6..CELLS).contains(&changed), "{changed} cells at {size:?}");
    }
}

/// A pedal that is pressed again and again too soon: the line that says so stands still.
#[test]
fn a_notice_that_is_given_again_does_not_blink() {
    let mut sample = sample::Sample::new();
    let mut frames: Vec<Buffer> = Vec::new();
    for frame in 0..180u64 {
        sample.now_us = 61_000_000 + frame * 16_667;
        let pressed_us = sample.now_us - sample.now_us % 100_000;
        sample.view.swallowed = Some((pressed_us, Swallowed::TooSoon));
        frames.push(draw(&sample, (120, 36)));
    }
    assert!(text(&frames[0]).contains("NO STEP"));
    let changes = frames.windows(2).filter(|pair| pair[0] != pair[1]).count();
    assert_eq!(changes, 0);
}

#[test]
fn a_panic_and_a_fade_on_its_way_in_are_said_on_every_screen() {
    let mut sample = sample::Sample::new();
    for screen in Screen::ALL {
        sample.ui.screen = screen;
        sample.now_us = 61_900_000;
        sample.view.panic_us = Some(60_000_000);
        let found = text(&draw(&sample, (120, 36)));
        assert!(found.contains("PANIC: everything was silenced"), "{found}");
        sample.view.panic_us = None;
        sample.view.master = 64;
        let found = text(&draw(&sample, (120, 36)));
        assert!(found.contains("FADING in: -12 dB"), "{found}");
        sample.view.master = 127;
    }
}

#[test]
fn a_scene_is_clicked_where_it_is_listed() {
    for (width, height) in SIZES {
        let mut sample = sample::Sample::new();
        sample.ui.screen = Screen::Order;
        let screen = text(&draw(&sample, (width, height)));
        let area = Rect::new(0, 0, width, height);
        let mut found = 0;
        for (y, line) in (0..height).zip(screen.lines()) {
            let hit = screen::hit(&sample.model(), area, (10, y));
            if let Some(screen::Hit::Listing(screen::Listing::Position(at))) = hit {
                let call = &sample.sheet.positions[at].call;
                assert!(line.contains(&format!(" {call} ")), "{call}: {line}");
                found += 1;
            }
        }
        assert!(found > 0, "{width}x{height}");
    }
}

/// What the player and the technician must see whatever the size: that pedals are locked,
/// that nothing new sounds, that all was silenced, that the show waits.
#[test]
fn a_state_that_must_be_seen_is_seen_at_every_size() {
    type Change = fn(&mut sample::Sample);
    let states: [(&str, Change); 4] = [
        ("LOCKED", |sample| sample.view.is_locked = true),
        ("MUTED", |sample| sample.view.is_muted = true),
        ("PANIC", |sample| sample.view.panic_us = Some(sample.now_us)),
        ("WAITING", |sample| {
            sample.view.receivers.fill(Presence::Waiting);
            sample.rig.mode = "WAITING: step takes the show up".into();
        }),
    ];
    for (word, change) in states {
        let mut sample = sample::Sample::new();
        change(&mut sample);
        for size in [
            (20, 1),
            (20, 2),
            (20, 5),
            (24, 8),
            (30, 10),
            (40, 12),
            (80, 24),
        ] {
            for screen in Screen::ALL {
                sample.ui.screen = screen;
                let found = text(&draw(&sample, size));
                assert!(found.contains(word), "no {word} at {size:?} in\n{found}");
            }
        }
        sample.ui.screen = Screen::Stage;
        sample.ui.prompt = Some(Prompt::Jump("5.2".into()));
        let found = text(&draw(&sample, (20, 5)));
        assert!(found.contains(word), "{found}");
    }
}

#[test]
fn the_stage_says_that_a_spare_plays() {
    let mut sample = sample::Sample::new();
    sample.sheet.receivers[1].spare_of = Some(0);
    sample.view.duties[1].stands_by = true;
    let found = text(&draw(&sample, (120, 36)));
    assert!(!found.contains("plays for"), "{found}");
    sample.view.duties[0].stands_by = true;
    sample.view.duties[1].stands_by = false;
    let found = text(&draw(&sample, (120, 36)));
    assert!(found.contains("organ plays for main"), "{found}");
    // On the wings both say it, and neither before.
    sample.ui.screen = Screen::Wings;
    let wings = text(&draw(&sample, (200, 60)));
    for words in ["PLAYS for main", "STANDS BY, its spare plays"] {
        assert!(wings.contains(words), "{wings}");
    }
    sample.view.duties[0].stands_by = false;
    sample.view.duties[1].stands_by = true;
    let wings = text(&draw(&sample, (200, 60)));
    assert!(
        !wings.contains("PLAYS") && !wings.contains("STANDS BY"),
        "{wings}"
    );
    assert!(wings.contains("stands by for main"), "{wings}");
}

#[test]
fn in_a_loop_the_next_scene_is_where_the_step_leads() {
    let mut sample = sample::Sample::new();
    sample.view.sends_cues = false;
    sample.rig.mode = "rehearsal".into();
    sample.view.stretch = Some((PositionId(7), PositionId(8)));
    let found = text(&draw(&sample, (120, 36)));
    for words in [
        "NOW  3.2",
        "NEXT  3.1  Riff",
        "LOOP 3.1 to 3.2",
        "Salt Road",
    ] {
        assert!(found.contains(words), "no `{words}` in\n{found}");
    }
    assert_eq!(
        found.to_lowercase().matches("rehearsal").count(),
        1,
        "{found}"
    );
    sample.view.stretch = Some((PositionId(8), PositionId(8)));
    let found = text(&draw(&sample, (80, 24)));
    for words in ["NEXT  3.2  Strings", "LOOP 3.2", "song 3 of 6  Salt Road"] {
        assert!(found.contains(words), "no `{words}` in\n{found}");
    }
    sample.view.stretch = Some((PositionId(10), PositionId(12)));
    let found = text(&draw(&sample, (120, 36)));
    assert!(found.contains("NEXT  3.3"), "{found}");
    assert!(found.contains("LOOP 3.4 to 5.2 waits"), "{found}");
    sample.ui.screen = Screen::Order;
    sample.view.stretch = Some((PositionId(6), PositionId(8)));
    let found = text(&draw(&sample, (120, 36)));
    let next = found.lines().find(|line| line.contains("NEXT"));
    assert!(
        next.is_some_and(|line| line.contains("Coda") || line.contains("Drizzle")),
        "{found}"
    );
    assert!(found.contains("RUNNING ORDER  REHEARSAL"), "{found}");
}

#[test]
fn a_mark_is_read_in_full_where_its_place_is() {
    let mut sample = sample::Sample::new();
    sample
        .ui
        .marks
        .insert("3.2".into(), "watch the pickup".into());
    sample.view.stretch = Some((PositionId(8), PositionId(8)));
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("! watch the pickup"), "{found}");
    sample.ui.screen = Screen::Order;
    for size in SIZES {
        let found = text(&draw(&sample, size));
        assert!(found.contains("! watch the pickup"), "{found}");
    }
    let found = text(&draw(&sample, (120, 36)));
    assert!(found.contains("marked      watch the pickup"), "{found}");
    sample.view.position = PositionId(9);
    sample.ui.screen = Screen::Stage;
    let found = text(&draw(&sample, (80, 24)));
    assert!(!found.contains("watch"), "{found}");
}

#[test]
fn one_song_is_no_songs() {
    let mut sample = sample::Sample::new();
    sample.ui.screen = Screen::Order;
    sample.sheet.songs.truncate(1);
    let found = text(&draw(&sample, (80, 24)));
    assert!(found.contains("1 song  20 scenes"), "{found}");
}
