//! What of a show cannot be read, or holds an error, is told by every command that was asked
//! for it, and by the exit status.
#![cfg(unix)]

use std::fs;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::Path;
use std::process::{Command, Output, Stdio};

const RIG: &str = r#"(version: 1,
    ports: {"keys": (name: "Keys"), "rack": (name: "Rack", kind: Din)},
    controllers: {"keys": (port: "keys", keys: "C2..C7")},
    pedals: {"step": (on: "keys", sends: Control(80), does: Step)},
    receivers: {"synth": (port: "rack", slots: "1..8", patches: GeneralMidi, manners: Gm2)},
    defaults: (from: "keys", to: "synth"),
)"#;

const SONG: &str = r#"(version: 1,
    scenes: {"a": (zones: {"z": (patch: "Church Organ")})}, order: ["a"])"#;

/// A show of two songs that is whole.
fn show() -> tempfile::TempDir {
    let show = tempfile::tempdir().unwrap();
    write(show.path(), "rig.ron", RIG);
    write(show.path(), "songs/one.ron", SONG);
    write(show.path(), "songs/two.ron", SONG);
    show
}

fn write(show: &Path, name: &str, text: &str) {
    let path = show.join(name);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, text).unwrap();
}

fn run(show: &Path, command: &str, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_segue"))
        .arg(command)
        .arg(show)
        .args(more)
        .env("XDG_STATE_HOME", show.join(".state"))
        .env("XDG_CONFIG_HOME", show.join(".config"))
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

/// Exit status, standard output, standard error.
fn said(show: &Path, command: &str, more: &[&str]) -> (i32, String, String) {
    let output = run(show, command, more);
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (
        output.status.code().unwrap(),
        text(output.stdout),
        text(output.stderr),
    )
}

/// The files that `check --json` calls unreadable.
fn unreadable(show: &Path) -> Vec<String> {
    let (status, json, _) = said(show, "check", &["--json"]);
    let findings: serde_json::Value = serde_json::from_str(&json).unwrap();
    let all = findings.as_array().unwrap().iter();
    let files: Vec<String> = all
        .filter(|finding| finding["id"] == "unreadable-file" && finding["level"] == "error")
        .map(|finding| finding["file"].as_str().unwrap().to_owned())
        .collect();
    assert_eq!(status, i32::from(!files.is_empty()), "{json}");
    files
}

/// What is in the way of a file, made at its path.
type Obstacle = fn(&Path);

const OBSTACLES: [(&str, Obstacle); 4] = [
    ("a link to nothing", |path| {
        symlink("nowhere", path).unwrap()
    }),
    ("a link to itself", |path| symlink(path, path).unwrap()),
    ("a folder", |path| fs::create_dir(path).unwrap()),
    ("a pipe", |path| {
        let (kind, mode) = (rustix::fs::FileType::Fifo, rustix::fs::Mode::RUSR);
        rustix::fs::mknodat(rustix::fs::CWD, path, kind, mode, 0).unwrap();
    }),
];

#[test]
fn each_file_that_cannot_be_read_is_an_error_with_its_path() {
    let files = [
        "rig.ron",
        "songs/lost.ron",
        "nights/lost.ron",
        "patches/lost.csv",
        "pages/lost.txt",
    ];
    for (what, make) in OBSTACLES {
        for file in files {
            // A folder under pages/ is one more to look into.
            if what == "a folder" && file.starts_with("pages/") {
                continue;
            }
            let show = show();
            let path = show.path().join(file);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            let _ = fs::remove_file(&path);
            make(&path);
            assert_eq!(unreadable(show.path()), [file], "{what}");
        }
    }
}

#[test]
fn a_folder_that_cannot_be_read_is_an_error_with_its_path() {
    for folder in ["songs", "nights", "patches", "pages"] {
        let made = show();
        let path = made.path().join(folder);
        let _ = fs::remove_dir_all(&path);
        symlink("nowhere", &path).unwrap();
        assert_eq!(unreadable(made.path()), [folder], "a link to nothing");
        let made = show();
        let path = made.path().join(folder);
        let _ = fs::remove_dir_all(&path);
        fs::write(&path, "").unwrap();
        assert_eq!(unreadable(made.path()), [folder], "a file");
    }
}

/// Where permissions mean anything at all: not for the superuser.
#[test]
fn a_file_that_may_not_be_read_is_an_error_with_its_path() {
    let show = show();
    let path = show.path().join("songs/two.ron");
    fs::set_permissions(&path, fs::Permissions::from_mode(0o0)).unwrap();
    let expected: &[&str] = match fs::read(&path) {
        Ok(_) => &[],
        Err(_) => &["songs/two.ron"],
    };
    assert_eq!(unreadable(show.path()), expected);
}

#[test]
fn a_file_that_is_too_large_is_an_error() {
    let show = show();
    let large = fs::File::create(show.path().join("songs/two.ron")).unwrap();
    large.set_len((8 << 20) + 1).unwrap();
    let (status, out, _) = said(show.path(), "check", &[]);
    assert_eq!(status, 1);
    assert!(out.contains("songs/two.ron: error[file-too-long]"), "{out}");
}

/// One cause is one finding: what only follows from it is not told as well.
#[test]
fn what_follows_from_an_unreadable_file_is_not_told() {
    let show = show();
    let listed = RIG.replace("GeneralMidi", "\"patches/synth.csv\"");
    write(show.path(), "rig.ron", &listed);
    let paged = SONG.replace("scenes", "pages: [(text: \"pages/two.txt\")], scenes");
    write(show.path(), "songs/two.ron", &paged);
    write(
        show.path(),
        "nights/friday.ron",
        "(version: 1, order: [\"one\", \"lost\", \"two\"])",
    );
    for lost in ["patches/synth.csv", "songs/lost.ron", "pages/two.txt"] {
        let path = show.path().join(lost);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        symlink("nowhere", path).unwrap();
    }
    let (status, json, err) = said(show.path(), "check", &["--json"]);
    assert_eq!((status, err.as_str()), (1, ""));
    let findings: serde_json::Value = serde_json::from_str(&json).unwrap();
    let ids: Vec<&str> = findings
        .as_array()
        .unwrap()
        .iter()
        .map(|finding| finding["id"].as_str().unwrap())
        .collect();
    assert_eq!(ids, ["unreadable-file"; 3], "{json}");
}

/// A show with one thing wrong, the night that is asked for, the status, and the words that
/// name what is not whole.
fn cases() -> Vec<(tempfile::TempDir, &'static str, i32, &'static str)> {
    let nights = |show: &Path| {
        write(
            show,
            "nights/both.ron",
            "(version: 1, order: [\"one\", \"two\"])",
        );
        write(show, "nights/first.ron", "(version: 1, order: [\"one\"])");
        let skipping = "(version: 1, order: [\"one\", (song: \"two\", skip: true)])";
        write(show, "nights/skipping.ron", skipping);
    };
    let with = |break_it: fn(&Path)| {
        let show = show();
        nights(show.path());
        break_it(show.path());
        show
    };
    let lost: fn(&Path) = |show| {
        fs::remove_file(show.join("songs/two.ron")).unwrap();
        symlink("nowhere", show.join("songs/two.ron")).unwrap();
    };
    let broken: fn(&Path) = |show| write(show, "songs/two.ron", "(version: 1, scenes: {");
    let part: fn(&Path) = |show| {
        let organ = SONG.replace("Church", "Chapel");
        write(show, "songs/two.ron", &organ);
    };
    let rig: fn(&Path) = |show| {
        let wrong = RIG.replace(
            "controllers: {",
            "controllers: {\"odd\": (port: \"none\"), ",
        );
        write(show, "rig.ron", &wrong);
    };
    let night: fn(&Path) = |show| {
        let order = "(version: 1, order: [\"one\", \"three\"])";
        write(show, "nights/first.ron", order);
    };
    let two = "not whole: songs/two.ron";
    vec![
        (with(|_| ()), "both", 0, ""),
        (with(lost), "both", 1, two),
        (with(lost), "first", 0, "1 error in the show"),
        (with(lost), "skipping", 0, "1 error in the show"),
        (with(broken), "both", 1, two),
        (with(broken), "first", 0, "1 error in the show"),
        (with(part), "both", 1, two),
        (with(part), "skipping", 0, "1 error in the show"),
        (with(rig), "first", 1, "not whole: rig.ron"),
        (with(night), "first", 1, "not whole: nights/first.ron"),
        (with(night), "both", 0, "1 error in the show"),
    ]
}

#[test]
fn plan_and_replay_say_errors_and_end_with_1_where_a_song_is_not_whole() {
    let recordings = tempfile::tempdir().unwrap();
    let recording = recordings.path().join("take.mid");
    // An empty Standard MIDI File: one track that only ends.
    let empty = b"MThd\0\0\0\x06\0\0\0\x01\x01\xe0MTrk\0\0\0\x04\0\xff\x2f\0";
    fs::write(&recording, empty).unwrap();
    let recording = recording.to_str().unwrap();
    let out = recordings.path().join("out");
    let replay = [recording, "--out", out.to_str().unwrap()];
    for (at, (show, night, status, words)) in cases().into_iter().enumerate() {
        for (command, more) in [("plan", &[][..]), ("replay", &replay[..])] {
            let more = [more, &["--night", night]].concat();
            let (code, _, err) = said(show.path(), command, &more);
            assert_eq!(code, status, "case {at}: {command} --night {night}: {err}");
            assert!(err.contains(words), "case {at}: {command}: {err}");
            assert_eq!(err.contains("warning"), !words.is_empty(), "{at}: {err}");
        }
    }
}

/// The night that is made up where there is none holds every song, also those that are lost.
#[test]
fn without_nights_every_song_is_asked_for() {
    let show = show();
    symlink("nowhere", show.path().join("songs/lost.ron")).unwrap();
    let (status, _, err) = said(show.path(), "plan", &[]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("not whole: songs/lost.ron"), "{err}");
    assert!(err.contains("segue check"), "{err}");
}

/// A night that cannot be read is not replaced by one with every song.
#[test]
fn a_lost_night_is_not_made_up() {
    let show = show();
    fs::create_dir(show.path().join("nights")).unwrap();
    symlink("nowhere", show.path().join("nights/friday.ron")).unwrap();
    let (status, out, err) = said(show.path(), "plan", &[]);
    assert_eq!((status, out.as_str()), (2, ""));
    assert!(err.contains("nights/friday.ron"), "{err}");
}
