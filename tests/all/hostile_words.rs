//! A show whose names hold escape sequences, signs that turn the writing direction, line breaks
//! and characters that are none: nothing of that reaches a terminal, a log or a picture.
#![cfg(unix)]

use std::fs;
use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use rustix::process::{Pid, Signal, kill_process};

/// Clears a screen, forges a line, turns the direction, and is ill-formed in XML.
const NASTY: &str = "N\u{1b}[2Ja\u{202e}b\u{fffe}c\u{85}d\u{200b}e\tf\u{2028}g\u{2066}h\u{9b}31m\u{feff}i\nFORGED\r\u{7f}<&>";

/// What a name of a show may hold: `NASTY` without controls, which reading refuses in names.
const NAME: &str = "N\u{202e}b\u{fffe}c\u{200b}d\u{2066}e\u{feff}f\u{2028}g<&>";

/// Inside a text of RON.
fn ron(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            c if c.is_ascii_graphic() => c.to_string(),
            c => format!("\\u{{{:x}}}", u32::from(c)),
        })
        .collect()
}

struct Hostile {
    _home: tempfile::TempDir,
    home: PathBuf,
    show: PathBuf,
    recording: PathBuf,
}

/// A show that plays, every name of it hostile; or, with `error`, one with errors as well.
fn hostile(error: bool) -> Hostile {
    let kept = tempfile::tempdir().unwrap();
    let home = kept.path().to_path_buf();
    // File names may hold anything but a slash.
    let show = home.join(NASTY);
    let (n, free) = (ron(NAME), ron(NASTY));
    let patch = if error { "Nothing" } else { "Patch" };
    let write = |path: &str, text: String| {
        let path = show.join(path);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    };
    write(
        "rig.ron",
        format!(
            r#"(version: 1,
            ports: {{"keys {n}": (name: "Keys {n}"), "rack {n}": (name: "Rack {n}", kind: Din)}},
            controllers: {{"c {n}": (port: "keys {n}", keys: "C2..C7")}},
            pedals: {{"step {n}": (on: "c {n}", sends: Control(80), does: Step)}},
            curves: {{"curve {n}": [(1, 1), (127, 90)]}},
            receivers: {{"r {n}": (port: "rack {n}", slots: "1..8", patches: "patches/{free}.csv",
                manners: (bank: None), panel: ["look {free}"],
                cues: {{"cue {n}": Program(3)}},
                parameters: {{"p {n}": (sends: Control(74), neutral: 64)}})}},
            defaults: (from: "c {n}", to: "r {n}", curve: "curve {n}"))"#
        ),
    );
    let quoted = NASTY.replace('"', "\"\"");
    write(
        &format!("patches/{NASTY}.csv"),
        format!(
            "name,bank_msb,bank_lsb,program,category\nPatch {NAME},,,3,x\n\"Patch {quoted}\",,,3,\"x {quoted}\"\n"
        ),
    );
    write(&format!("pages/{NASTY}.txt"), format!("page {NASTY}\n"));
    write(
        &format!("songs/{NAME}.ron"),
        format!(
            r#"(version: 1, title: "Title {n}", key: "{free}", pages: [(text: "pages/{free}.txt")],
            scenes: {{
                "s {n}": (zones: {{"z {n}": (patch: "{patch} {n}", parameters: {{"p {n}": 3}})}},
                    cues: [(to: "r {n}", cue: "cue {n}")], page: 1,
                    player: "play {free}", technician: "watch {free}", when: (bar: 1, word: "{free}")),
                "t {n}": (like: "s {n}", zones: {{"z {n}": (level: -3)}}),
            }},
            order: ["s {n}", (scene: "t {n}", call: "2{n}")])"#
        ),
    );
    write(
        &format!("nights/{NASTY}.ron"),
        format!(r#"(version: 1, title: "Night {n}", order: [(song: "{n}", call: "1{n}")])"#),
    );
    if error {
        let lost = show.join(format!("songs/lost{NASTY}.ron"));
        std::os::unix::fs::symlink("nowhere", lost).unwrap();
        write("songs/broken.ron", format!("(version: 1, x{NASTY}\n\u{1b}"));
    }
    let recording = home.join(format!("take{NASTY}.mid"));
    fs::write(&recording, smf()).unwrap();
    let config = home.join("config/segue");
    fs::create_dir_all(&config).unwrap();
    let keys = format!(
        "{} = step\nstep = \u{202e}\npanic = \u{9b}\n",
        NASTY.replace('\n', " ")
    );
    fs::write(config.join("keys.txt"), keys).unwrap();
    Hostile {
        _home: kept,
        home,
        show,
        recording,
    }
}

/// A Standard MIDI File of one track with a hostile name, a note, and a hostile mark.
fn smf() -> Vec<u8> {
    let text = |kind: u8| {
        let mut event = vec![0, 0xff, kind, u8::try_from(NASTY.len()).unwrap()];
        event.extend(NASTY.as_bytes());
        event
    };
    let mut track = [text(3), vec![0, 0x90, 60, 100], text(6), text(1)].concat();
    track.extend([0, 0xff, 0x2f, 0]);
    let mut file = b"MThd\0\0\0\x06\0\0\0\x01\x01\xe0MTrk".to_vec();
    file.extend(u32::try_from(track.len()).unwrap().to_be_bytes());
    file.extend(track);
    file
}

impl Hostile {
    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_segue"));
        command
            .args(args)
            .env("XDG_STATE_HOME", self.home.join("state"))
            .env("XDG_CONFIG_HOME", self.home.join("config"))
            .stdin(Stdio::null());
        command
    }

    fn run(&self, args: &[&str]) -> Output {
        self.command(args).output().unwrap()
    }
}

/// No character that may not be shown, and no line that a name began.
fn is_harmless(what: &str, bytes: &[u8]) {
    let text = std::str::from_utf8(bytes).unwrap_or_else(|_| panic!("{what}: not UTF-8"));
    for c in text.chars().filter(|c| *c != '\n') {
        let code = u32::from(c);
        // Written out anew, so that the program's own list is not judged by itself.
        let is_bad = code < 0x20
            || (0x7f..=0x9f).contains(&code)
            || (0x200b..=0x200f).contains(&code)
            || (0x2028..=0x202e).contains(&code)
            || (0x2060..=0x206f).contains(&code)
            || (0xfdd0..=0xfdef).contains(&code)
            || [0xad, 0x61c, 0xfeff].contains(&code)
            || code & 0xfffe == 0xfffe;
        assert!(!is_bad, "{what}: U+{code:04X} in {text:?}");
    }
    let forged = text.lines().find(|line| line.starts_with("FORGED"));
    assert_eq!(forged, None, "{what}: {text}");
}

#[test]
fn no_command_prints_what_may_not_be_shown() {
    for error in [false, true] {
        let hostile = hostile(error);
        let show = hostile.show.to_str().unwrap();
        let recording = hostile.recording.to_str().unwrap();
        let out = hostile.home.join(format!("out{NASTY}"));
        let out = out.to_str().unwrap();
        let zone = format!("{NAME}/s {NAME}/z {NAME}");
        let new = hostile.home.join(format!("new{NASTY}"));
        let nowhere = hostile.home.join(format!("nowhere{NASTY}"));
        let nowhere = nowhere.to_str().unwrap();
        let commands: &[&[&str]] = &[
            &["check", show],
            &["check", show, "--json"],
            &["plan", show],
            &["plan", show, "--json"],
            &["plan", show, "--night", NASTY],
            &["plan", show, "--night", "none"],
            &["curves", show],
            &["curves", show, "--zone", &zone],
            &["curves", show, "--zone", NASTY],
            &["ports", "--show", show],
            &["replay", show, recording, "--out", out],
            &["replay", show, recording, "--out", out, "--json"],
            &["replay", show, recording, "--out", out, "--against"],
            &["replay", show, show, "--out", out],
            &["line-check", show, "--panel"],
            &["keys"],
            &["keys", "--manual"],
            &["new", new.to_str().unwrap()],
            &["new", new.to_str().unwrap()],
            &["picture", show, "--at", NASTY, "-o", out],
            &["picture", show, "--down", NASTY, "-o", out],
            &["play", show, "--headless", "--model", "--at", NASTY],
            &["check", nowhere],
            &["plan", nowhere],
            &["play", nowhere, "--headless"],
            &[NASTY],
            &["check", show, NASTY],
        ];
        for args in commands {
            let output = hostile.run(args);
            is_harmless(&format!("{args:?}, standard output"), &output.stdout);
            is_harmless(&format!("{args:?}, standard error"), &output.stderr);
            let said = output.stdout.len() + output.stderr.len();
            assert!(said > 0, "{args:?} says nothing");
        }
    }
}

/// What is for programs has the original text, as escapes.
#[test]
fn json_keeps_names_as_they_are() {
    let hostile = hostile(true);
    let show = hostile.show.to_str().unwrap();
    let output = hostile.run(&["check", show, "--json"]);
    let findings: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let file = format!("songs/lost{NASTY}.ron");
    let all = findings.as_array().unwrap();
    assert!(all.iter().any(|finding| finding["file"] == file.as_str()));
    let hostile = self::hostile(false);
    let show = hostile.show.to_str().unwrap();
    let output = hostile.run(&["plan", show, "--json"]);
    let plan: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(plan["steps"][0]["song"], format!("Title {NAME}").as_str());
}

#[test]
fn pictures_are_well_formed() {
    let hostile = hostile(false);
    let show = hostile.show.to_str().unwrap();
    let out = hostile.home.join("picture.svg");
    for screen in ["stage", "wings", "order"] {
        for at in ["1", "2"] {
            // A call number is hostile too: places are counted.
            let scene = if at == "1" {
                "1".into()
            } else {
                format!("2{NAME}")
            };
            let at = format!("1{NAME}.{scene}");
            let path = out.to_str().unwrap();
            let args = ["picture", show, "--screen", screen, "--at", &at, "-o", path];
            let output = hostile.run(&args);
            assert!(output.status.success(), "{output:?}");
            let svg = fs::read(&out).unwrap();
            is_harmless(screen, &svg);
            let text = String::from_utf8(svg).unwrap();
            let document = roxmltree::Document::parse(&text).unwrap();
            let texts = document.descendants().filter(|node| node.is_text());
            let drawn: String = texts.filter_map(|node| Some(node.text()?.trim())).collect();
            // The names are there, without what may not be shown.
            assert!(drawn.contains("Nbcdef"), "{screen}: {drawn}");
        }
    }
}

#[test]
fn a_show_that_is_played_says_and_logs_nothing_that_may_not_be_shown() {
    let hostile = hostile(true);
    let show = hostile.show.to_str().unwrap();
    let mut child = hostile
        .command(&["play", show, "--headless", "--model"])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap());
    let mut printed = String::new();
    while !printed.contains("ready: ") {
        assert!(lines.read_line(&mut printed).unwrap() > 0, "{printed}");
    }
    let pid = Pid::from_raw(i32::try_from(child.id()).unwrap()).unwrap();
    kill_process(pid, Signal::TERM).unwrap();
    lines.read_to_string(&mut printed).unwrap();
    let mut errors = Vec::new();
    child
        .stderr
        .take()
        .unwrap()
        .read_to_end(&mut errors)
        .unwrap();
    child.wait().unwrap();
    is_harmless("standard output", printed.as_bytes());
    is_harmless("standard error", &errors);
    let logs = files(&hostile.home.join("state"));
    let logs: Vec<_> = logs
        .iter()
        .filter(|path| path.ends_with("events.log"))
        .collect();
    assert!(!logs.is_empty());
    for log in logs {
        is_harmless("events.log", &fs::read(log).unwrap());
    }
}

/// All files below a folder.
fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        match path.is_dir() {
            true => found.extend(files(&path)),
            false => found.push(path),
        }
    }
    found
}
