//! Recordings outlast what a night does to them: haste, a kill, a full disk.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Instant;

use portable_pty::CommandBuilder;
use rustix::process::Signal;
use segue::replay::{self, Mark, RecordedEvent};

use crate::desk::{DEMO_SHOW, Desk, GLANCE, Home, PATIENCE, SEGUE, start, start_command};

/// Files of an ending among the recordings, by name.
fn files(home: &Home, ending: &str) -> Vec<PathBuf> {
    let inside = fs::read_dir(home.0.path().join("state/segue/recordings"));
    let paths = inside
        .into_iter()
        .flatten()
        .map(|entry| entry.unwrap().path());
    let mut found: Vec<_> = paths
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .collect();
    found.sort();
    found
}

/// Waits until something holds.
fn wait(what: &str, home: &Home, holds: impl Fn() -> bool) {
    let until = Instant::now() + PATIENCE;
    while !holds() {
        assert!(Instant::now() < until, "never: {what}\n{}", home.log());
        std::thread::sleep(GLANCE);
    }
}

/// The markers of a recording: where it begins, and its steps.
fn marks(path: &Path) -> Vec<Mark> {
    let recording = replay::read(&fs::read(path).unwrap()).unwrap();
    let marks = recording
        .events
        .into_iter()
        .filter_map(|event| match event.event {
            RecordedEvent::Mark(mark @ (Mark::Step | Mark::Place(_))) => Some(mark),
            _ => None,
        });
    marks.collect()
}

fn place(call: &str) -> Mark {
    Mark::Place(call.into())
}

fn in_rehearsal() -> Vec<&'static str> {
    [&DEMO_SHOW[..], &["--rehearse"]].concat()
}

/// The demo at its first scene, being recorded.
fn recording(home: &Home) -> Desk {
    let mut desk = start(home, &in_rehearsal(), &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("*");
    desk.see(&["RECORDING"]);
    desk
}

/// Stop, step, start and step in one go: the step between belongs to neither take.
#[test]
fn a_burst_of_stop_and_start_is_two_takes() {
    let home = Home::new();
    let mut desk = recording(&home);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    // By name, since a key that steps twice within a moment is taken for one that bounces.
    desk.press("*:step\r*:step\r");
    desk.see(&["NOW  1.4"]);
    desk.see(&["RECORDING"]);
    desk.press("*");
    wait("two files", &home, || files(&home, "mid").len() == 2);
    let mut found: Vec<_> = files(&home, "mid").iter().map(|path| marks(path)).collect();
    found.sort_by_key(|marks| format!("{marks:?}"));
    let wanted = [
        vec![place("1.1"), Mark::Step],
        vec![place("1.3"), Mark::Step],
    ];
    assert_eq!(found, wanted);
}

/// Takes in which nothing is played, within one second: each begins, ends and has a file.
#[test]
fn a_take_begins_though_nothing_is_played() {
    let home = Home::new();
    let mut desk = recording(&home);
    for count in 1..=3 {
        desk.press("*");
        wait("a file for each", &home, || {
            files(&home, "mid").len() == count
        });
        desk.see_no("RECORDING");
        desk.press("*");
        desk.see(&["RECORDING"]);
    }
    assert!(
        files(&home, "mid")
            .iter()
            .all(|path| marks(path) == [place("1.1")])
    );
}

/// A kill in the middle of a take: it is replayed as it is, and is a recording after the next
/// start.
#[test]
fn a_take_cut_by_a_kill_is_there() {
    let home = Home::new();
    let mut desk = recording(&home);
    desk.press("k");
    desk.see(&["letters play keys"]);
    desk.press("v");
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    let has_step = |path: &PathBuf| fs::read_to_string(path).unwrap().contains(" step\n");
    wait("a take", &home, || {
        files(&home, "take").iter().any(has_step)
    });
    desk.signal(Signal::KILL);
    desk.end();
    let taken = files(&home, "take");
    let out = home.0.path().join("out");
    let replayed = Command::new(SEGUE)
        .args([
            "replay",
            DEMO_SHOW[1],
            "--night",
            DEMO_SHOW[3],
            "--json",
            "--out",
        ])
        .arg(&out)
        .arg(&taken[0])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert!(replayed.status.success(), "{replayed:?}");
    let lines = String::from_utf8(replayed.stdout).unwrap();
    let note_ons = |line: &&str| line.contains("\"bytes\": \"9");
    assert!(lines.lines().filter(note_ons).count() > 0, "{lines}");

    let next = start(&home, &DEMO_SHOW, &[]);
    home.wait_log("recording that was cut off");
    drop(next);
    assert_eq!(files(&home, "take"), Vec::<PathBuf>::new());
    assert_eq!(files(&home, "mid"), [taken[0].with_extension("mid")]);
    assert_eq!(marks(&files(&home, "mid")[0]), [place("1.1"), Mark::Step]);
}

/// A disk that is full for a while: it is said as long as it lasts, and nothing is missing.
#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_costs_a_recording_nothing() {
    use rustix::process::{Resource, Rlimit, prlimit};
    let limit = |desk: &Desk, current| {
        let limit = Rlimit {
            current,
            maximum: None,
        };
        prlimit(Some(desk.pid()), Resource::Fsize, limit).unwrap();
    };
    let home = Home::new();
    // Without the signal, a write past the limit fails as on a full disk.
    let mut command = CommandBuilder::new("sh");
    command.args(["-c", "trap '' XFSZ; exec \"$0\" \"$@\"", SEGUE]);
    command.args(in_rehearsal());
    let mut desk = start_command(&home, command, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("*");
    desk.see(&["RECORDING"]);
    limit(&desk, Some(0));
    desk.press(" ");
    desk.see(&["NOW  1.2  verse", "recording not written: "]);
    desk.see_no("RECORDING");
    desk.press(" ");
    desk.see(&["NOW  1.3"]);
    limit(&desk, None);
    desk.see(&["RECORDING"]);
    desk.see_no("recording not written: ");
    // And one that is full as the take ends.
    limit(&desk, Some(0));
    desk.press("*");
    desk.see(&["recording not made a file yet: "]);
    limit(&desk, None);
    desk.see_no("recording not made a file yet: ");
    wait("a file", &home, || files(&home, "take").is_empty());
    assert_eq!(
        marks(&files(&home, "mid")[0]),
        [place("1.1"), Mark::Step, Mark::Step]
    );
}
