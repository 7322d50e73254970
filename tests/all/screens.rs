//! Screens as text: each is drawn from a sample night and compared with a file.
//!
//! `UPDATE_EXPECTED=1` writes the files anew; `PICTURES=DIR` also writes each screen as SVG.

#![allow(clippy::unwrap_used)]

mod sample;

use proptest::prelude::*;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Color;
use segue::engine::promptbook::PositionId;
use segue::engine::view::{Presence, Swallowed};
use segue::screen::{self, Colour, LogLine, NoteMode, Prompt, Screen, UiState};
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
    let found = text(&draw(&sample, (120, 36)));
    let plan: Vec<_> = found
        .lines()
        .filter(|line| line.starts_with("  plan "))
        .collect();
    assert_eq!(plan.len(), 3, "{found}");
    assert!(
        plan[0].contains("3.2: ") && plan[1].contains("3.4: "),
        "{found}"
    );
    assert!(plan[2].ends_with("  and 2 further on"), "{found}");
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
        any::<usize>().prop_map(|to| Some(Prompt::ConfirmJump(to))),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(crate::cases::scaled(600)))]
    #[test]
    fn no_size_and_no_name_makes_a_screen_panic_or_lets_a_control_character_through(
        size in (1u16..=250, 1u16..=80),
        (screen, is_help, is_hostile) in (0usize..3, any::<bool>(), any::<bool>()),
        (colour, is_ascii) in (0usize..3, any::<bool>()),
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
