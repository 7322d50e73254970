//! The commands that need no screen, as a person or a script calls them: exit status,
//! standard output, standard error.
#![cfg(unix)]

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use rustix::process::{Pid, Signal, kill_process};

const COMMANDS: [&str; 8] = [
    "play", "check", "plan", "curves", "ports", "replay", "new", "picture",
];
const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/shows/quarry-lanterns");

/// The program with a home of its own and no terminal.
fn segue(home: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_segue"));
    command
        .env("XDG_STATE_HOME", home.join("state"))
        .env("XDG_CONFIG_HOME", home.join("config"))
        .stdin(Stdio::null());
    command
}

fn run(home: &Path, args: &[&str]) -> Output {
    segue(home).args(args).output().unwrap()
}

fn status(output: &Output) -> i32 {
    output.status.code().expect("it ended by itself")
}

fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

/// A folder of one test, and a path within it that does not exist.
fn home() -> (tempfile::TempDir, PathBuf) {
    let home = tempfile::tempdir().unwrap();
    let show = home.path().join("my-show");
    (home, show)
}

#[test]
fn every_command_has_help_with_an_example() {
    let (home, _) = home();
    for command in COMMANDS {
        let output = run(home.path(), &[command, "--help"]);
        assert_eq!(status(&output), 0, "{command}");
        let help = text(&output.stdout);
        let examples = help.split_once("Examples:").map_or("", |(_, rest)| rest);
        assert!(examples.contains(&format!("segue {command}")), "{help}");
    }
    let output = run(home.path(), &["--help"]);
    assert_eq!(status(&output), 0);
    for command in COMMANDS {
        assert!(text(&output.stdout).contains(command), "{command}");
    }
    assert_eq!(status(&run(home.path(), &["--version"])), 0);
}

#[test]
fn wrong_use_is_status_two_and_says_why() {
    let (home, show) = home();
    let nowhere = show.to_str().unwrap();
    for (args, words) in [
        (&["dance"][..], "dance"),
        (&["play"], "<SHOW>"),
        (&["check", DEMO, "--shout"], "--shout"),
        (&["check", nowhere], "my-show"),
        (&["play", nowhere, "--headless", "--model"], "my-show"),
        (
            &["play", DEMO, "--headless", "--model"],
            "harbour-hall, old-foundry",
        ),
        (
            &["play", DEMO, "--headless", "--model", "--night", "monday"],
            "monday",
        ),
        (
            &[
                "play",
                DEMO,
                "--headless",
                "--model",
                "--night",
                "harbour-hall",
                "--at",
                "99.1",
            ],
            "99.1",
        ),
        (
            &["play", DEMO, "--model", "--night", "harbour-hall"],
            "--headless",
        ),
        (
            &[
                "replay",
                DEMO,
                nowhere,
                "--out",
                nowhere,
                "--night",
                "harbour-hall",
            ],
            "my-show",
        ),
    ] {
        let output = run(home.path(), args);
        assert_eq!(status(&output), 2, "{args:?}");
        let error = text(&output.stderr);
        assert!(error.contains(words), "{args:?}: {error}");
        assert!(output.stdout.is_empty(), "{args:?}");
    }
}

#[test]
fn a_new_show_checks_clean_and_nothing_is_written_over() {
    for flags in [&[][..], &["--demo"]] {
        let (home, show) = home();
        let folder = show.to_str().unwrap();
        let args = [&["new"], flags, &[folder]].concat();
        let output = run(home.path(), &args);
        assert_eq!(status(&output), 0, "{}", text(&output.stderr));
        let checked = run(home.path(), &["check", folder, "--json"]);
        assert_eq!(status(&checked), 0);
        assert_eq!(text(&checked.stdout).trim(), "[]", "{flags:?}");

        let rig = show.join("rig.ron");
        fs::write(&rig, "mine").unwrap();
        let again = run(home.path(), &args);
        assert_eq!(status(&again), 2, "{flags:?}");
        assert!(
            text(&again.stderr).contains("not empty"),
            "{}",
            text(&again.stderr)
        );
        assert_eq!(fs::read_to_string(&rig).unwrap(), "mine");
    }
}

/// What `new` prints is a command that can be called as it stands.
#[test]
fn the_command_that_new_names_plays_the_show() {
    for flags in [&[][..], &["--demo"]] {
        let (home, show) = home();
        let args = [&["new"], flags, &[show.to_str().unwrap()]].concat();
        let output = run(home.path(), &args);
        let line = text(&output.stdout)
            .lines()
            .find(|line| line.starts_with("play it:"));
        let words: Vec<_> = line.unwrap().split_whitespace().skip(3).collect();
        let log = headless(home.path(), &words);
        assert!(log.contains("all notes released"), "{log}");
    }
}

#[test]
fn a_show_with_errors_is_status_one_and_json_has_the_findings() {
    let (home, show) = home();
    let folder = show.to_str().unwrap();
    assert_eq!(status(&run(home.path(), &["new", "--demo", folder])), 0);
    let song = show.join("songs/salt-road.ron");
    let mended = fs::read_to_string(&song).unwrap();
    fs::write(
        &song,
        mended.replacen("version: 1", "version: 1, vershun: 2", 1),
    )
    .unwrap();

    let output = run(home.path(), &["check", folder, "--json"]);
    assert_eq!(status(&output), 1);
    let findings: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let findings = findings.as_array().unwrap();
    assert!(!findings.is_empty());
    for finding in findings {
        let mut keys: Vec<_> = finding
            .as_object()
            .unwrap()
            .keys()
            .map(String::as_str)
            .collect();
        keys.sort_unstable();
        assert_eq!(
            keys,
            ["column", "file", "help", "id", "level", "line", "message"]
        );
        assert!(["error", "warning", "note"].contains(&finding["level"].as_str().unwrap()));
    }
    let found = findings
        .iter()
        .find(|finding| finding["level"] == "error")
        .unwrap();
    assert_eq!(found["file"], "songs/salt-road.ron");
    assert!(found["line"].as_u64().unwrap() > 0);
    assert!(
        found["message"].as_str().unwrap().contains("vershun"),
        "{found}"
    );

    let output = run(home.path(), &["check", folder]);
    assert_eq!(status(&output), 1);
    let lines = text(&output.stdout);
    assert!(
        lines.contains("songs/salt-road.ron:") && lines.contains("vershun"),
        "{lines}"
    );
}

/// The lines of the README are those that the program prints for the demo.
#[test]
fn the_plan_in_the_documents_is_the_one_printed() {
    let (home, _) = home();
    let output = run(home.path(), &["plan", DEMO, "--night", "harbour-hall"]);
    let printed: Vec<&str> = text(&output.stdout).lines().map(str::trim_end).collect();
    let readme = fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/README.md")).unwrap();
    let mut shown = readme
        .lines()
        .skip_while(|line| !line.starts_with("    call   scene"));
    let shown: Vec<&str> = shown
        .by_ref()
        .take_while(|line| line.starts_with("    "))
        .map(str::trim)
        .collect();
    assert!(shown.len() > 2, "{shown:?}");
    for line in shown {
        assert!(printed.contains(&line), "not printed: {line}");
    }
}

/// One entry a step, one port each of the rig, the named fields, and sums that agree.
#[test]
fn the_plan_of_a_night_is_priced_as_json_and_as_text() {
    let (home, _) = home();
    let args = ["plan", DEMO, "--night", "harbour-hall"];
    let output = run(home.path(), &[&args[..], &["--json"]].concat());
    assert_eq!(status(&output), 0);
    let report: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let steps = report["steps"].as_array().unwrap();
    assert!(steps.len() > 20);
    let keys = |value: &serde_json::Value| -> Vec<String> {
        let mut keys: Vec<_> = value.as_object().unwrap().keys().cloned().collect();
        keys.sort_unstable();
        keys
    };
    let mut worst = 0;
    for step in steps {
        assert_eq!(
            keys(step),
            [
                "call", "early_us", "ports", "ready_us", "scene", "song", "unbroken", "why"
            ]
        );
        assert_eq!(
            step["unbroken"].as_bool().unwrap(),
            step["why"].is_null(),
            "{step}"
        );
        let ports = step["ports"].as_array().unwrap();
        assert_eq!(
            ports.len(),
            report["totals"]["ports"].as_array().unwrap().len()
        );
        for port in ports {
            let names = [
                "full_bytes",
                "port",
                "press_bytes",
                "press_us",
                "primed_bytes",
            ];
            assert_eq!(keys(port), names);
        }
        // A scene is not ready before its slowest line is.
        let line_us = ports.iter().map(|port| port["press_us"].as_u64().unwrap());
        let (ready_us, line_us) = (step["ready_us"].as_u64().unwrap(), line_us.max().unwrap());
        assert!(ready_us >= line_us, "{step}");
        assert!(step["early_us"].as_u64().unwrap() <= ready_us, "{step}");
        let bytes = ports
            .iter()
            .map(|port| port["press_bytes"].as_u64().unwrap());
        worst = worst.max(bytes.sum());
    }
    assert_eq!(report["totals"]["press_bytes"]["worst"], worst);
    assert_eq!(report["totals"]["dwell_s"], 10.0);
    // By hand: a program change of 2 bytes (320 us each, MIDI 1.0) to a unit that the rig says
    // takes 60 ms to load.
    let bridge = steps.iter().find(|step| step["call"] == "1.6").unwrap();
    assert_eq!(bridge["ready_us"], 2 * 320 + 60_000);

    let output = run(home.path(), &args);
    assert_eq!(status(&output), 0);
    let table = text(&output.stdout);
    for step in steps {
        let call = step["call"].as_str().unwrap();
        let scene = step["scene"].as_str().unwrap();
        let is_row = |line: &str| line.starts_with(call) && line.contains(scene);
        assert!(table.lines().any(is_row), "{call} {scene}: {table}");
    }
}

/// Drawn with stars; what the numbers below the plot say is worked out by hand.
#[test]
fn curves_are_drawn_and_a_zone_with_its_window() {
    let (home, show) = home();
    let show = show.to_str().unwrap();
    assert_eq!(status(&run(home.path(), &["new", show])), 0);
    let output = run(home.path(), &["curves", show, "--ascii"]);
    assert_eq!(status(&output), 0, "{}", text(&output.stderr));
    let drawn = text(&output.stdout);
    assert!(drawn.starts_with("curve \"straight\"\n 127 |"), "{drawn}");
    assert!(drawn.is_ascii());
    let rows: Vec<&str> = drawn.lines().collect();
    // From the lower left corner to the upper right one.
    assert_eq!(rows[32], "   0 |**");
    assert_eq!(rows[1], format!(" 127 |{}**", " ".repeat(62)));
    assert_eq!(
        rows[35],
        "struck     1   16   32   48   64   80   96  112  127"
    );
    assert_eq!(
        rows[36],
        "played     1   16   32   48   64   80   96  112  127"
    );
    let zone = run(
        home.path(),
        &["curves", DEMO, "--zone", "ferry-lights/nowhere/left"],
    );
    assert_eq!(status(&zone), 2);
    let words = text(&zone.stderr);
    assert!(
        words.contains("ferry-lights: there is no scene \"nowhere\""),
        "{words}"
    );
}

#[test]
fn without_a_terminal_a_stretch_of_the_demo_is_played_as_lines() {
    let (home, _) = home();
    let output = run(home.path(), &[]);
    assert_eq!(status(&output), 0, "{}", text(&output.stderr));
    let lines = text(&output.stdout);
    for words in [
        "at 1.1 Ferry Lights / intro",
        "step 1.2",
        "sounding after the step",
    ] {
        assert!(lines.contains(words), "{lines}");
    }
    assert!(lines.trim_end().ends_with("all notes released"), "{lines}");
}

#[test]
fn keys_that_cannot_be_read_are_told_with_their_place_once() {
    let (home, _) = home();
    let path = home.path().join("config/segue/keys.txt");
    fs::create_dir_all(&path).unwrap();
    let output = run(home.path(), &["keys"]);
    assert_eq!(status(&output), 0);
    let words = text(&output.stderr);
    let told = words.lines().find(|line| line.contains("a folder"));
    let path = path.to_str().unwrap();
    assert_eq!(
        told.map(|line| line.matches(path).count()),
        Some(1),
        "{words}"
    );
}

/// Where there is a sequencer this show would be played, and never end by itself.
#[test]
fn without_midi_a_headless_show_ends_with_words() {
    let (home, _) = home();
    if status(&run(home.path(), &["ports"])) == 0 {
        return;
    }
    for midi in ["system", "portable"] {
        let args = ["play", DEMO, "--night", "harbour-hall", "--headless"];
        let mut command = segue(home.path());
        command.args(args).args(["--midi", midi]);
        let mut child = command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        // A show that is played prints, and never ends by itself.
        let mut printed = String::new();
        let mut lines = BufReader::new(child.stdout.take().unwrap());
        if lines.read_line(&mut printed).unwrap() > 0 {
            child.kill().unwrap();
        }
        let output = child.wait_with_output().unwrap();
        assert_eq!(printed, "", "nothing was played");
        assert_eq!(status(&output), 1);
        let words = text(&output.stderr);
        assert!(words.contains("nothing would sound"), "{words}");
        assert!(words.contains("--model"), "{words}");
    }
}

#[test]
fn a_headless_show_ends_on_a_signal_with_all_notes_released() {
    let (home, _) = home();
    let log = headless(
        home.path(),
        &[
            "play",
            DEMO,
            "--night",
            "harbour-hall",
            "--model",
            "--at",
            "2.6",
        ],
    );
    for words in [
        "at 2.6 Salt Road / solo",
        "input main keys ready",
        "SIGTERM",
    ] {
        assert!(log.contains(words), "{log}");
    }
    assert!(log.trim_end().ends_with("all notes released"), "{log}");
}

/// Plays without a screen until it is ready, and ends it with SIGTERM; what it printed.
fn headless(home: &Path, args: &[&str]) -> String {
    let mut command = segue(home);
    command.args(args).arg("--headless").stdout(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap());
    let mut printed = String::new();
    while !printed.contains("ready: ") {
        let count = lines.read_line(&mut printed).unwrap();
        assert!(count > 0, "it ended too soon: {printed}");
    }
    let pid = Pid::from_raw(i32::try_from(child.id()).unwrap()).unwrap();
    kill_process(pid, Signal::TERM).unwrap();
    while lines.read_line(&mut printed).unwrap() > 0 {}
    let status = child.wait().unwrap();
    assert_eq!(status.code(), Some(0), "{printed}");
    printed
}
