//! Terminals that take no bytes.

use std::fs;
use std::path::Path;
use std::time::Duration;

use rustix::process::Signal;
use segue::midi::Message;
use segue::replay::{self, RecordedEvent, TimedEvent};

use crate::desk::{DEMO_SHOW, Home, modes, start};

/// Notes as bytes with their times.
type Notes = Vec<(u64, Vec<u8>)>;

/// The notes of a recording.
fn notes(recorded: &[u8]) -> Notes {
    notes_of(replay::read(recorded).unwrap().events.into_iter())
}

fn notes_of(events: impl Iterator<Item = TimedEvent>) -> Notes {
    events
        .filter_map(|timed| match timed.event {
            RecordedEvent::Message(message @ (Message::NoteOn(..) | Message::NoteOff(..))) => {
                Some((timed.us, message.encode().as_slice().to_vec()))
            }
            _ => None,
        })
        .collect()
}

/// All notes of the files in a folder, by file.
fn sent_notes(folder: &Path) -> Vec<(String, Notes)> {
    let mut files: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|file| file.unwrap().path())
        .collect();
    files.sort();
    let name = |path: &Path| path.file_name().unwrap().to_string_lossy().into_owned();
    files
        .iter()
        .map(|path| (name(path), notes(&fs::read(path).unwrap())))
        .collect()
}

/// The same without times.
fn untimed(sent: &[(String, Notes)]) -> Vec<(&str, Vec<&[u8]>)> {
    sent.iter()
        .map(|(name, notes)| {
            let bytes = notes.iter().map(|(_, bytes)| bytes.as_slice());
            (name.as_str(), bytes.collect())
        })
        .collect()
}

/// Notes that are struck and let go for eight seconds, with their times in microseconds.
fn struck() -> Vec<(u64, [u8; 3])> {
    let pair = |at: u64| {
        let key = 48 + (at * 7 % 24) as u8;
        let us = 1_000_000 + at * 110_000;
        [(us, [0x90, key, 80]), (us + 90_000, [0x80, key, 64])]
    };
    (0..72).flat_map(pair).collect()
}

/// How much later than the earliest each was, in milliseconds, rising.
fn late_ms(from: &[(u64, Vec<u8>)], to: &[(u64, Vec<u8>)]) -> Vec<f64> {
    let times = from.iter().zip(to);
    let waits: Vec<i64> = times
        .map(|(from, to)| to.0 as i64 - from.0 as i64)
        .collect();
    let least = waits.iter().min().copied().unwrap_or(0);
    let late = waits.into_iter().map(|wait| (wait - least) as f64 / 1000.0);
    let mut late: Vec<f64> = late.collect();
    late.sort_by(f64::total_cmp);
    late
}

/// The notes of the port that was sent most.
fn most(sent: &[(String, Notes)]) -> Notes {
    let most = sent.iter().max_by_key(|(_, notes)| notes.len());
    most.unwrap().1.clone()
}

/// Ten seconds of notes while the terminal takes no bytes: what is sent is what a run
/// without stall sends, and what the same recording gives in virtual time. Lateness is of
/// this machine, and judged nowhere: `lateness_with_a_stall_and_without` reads it.
#[test]
fn a_terminal_that_stalls_for_ten_seconds_changes_no_note() {
    const STALL: Duration = Duration::from_secs(10);
    let home = Home::new();
    let path = |name: &str| home.0.path().join(name).to_str().unwrap().to_owned();
    let struck = struck();
    let messages = struck.iter().map(|(us, bytes)| (*us, bytes.as_slice()));
    let recording = replay::write_port("keys", messages).unwrap();
    fs::write(path("notes.mid"), &recording).unwrap();

    let replayed = std::process::Command::new(env!("CARGO_BIN_EXE_segue"))
        .args(["replay", DEMO_SHOW[1], &path("notes.mid")])
        .args(["--night", "harbour-hall", "--out", &path("virtual")])
        .output()
        .unwrap();
    assert!(replayed.status.success(), "{replayed:?}");
    let expected = sent_notes(Path::new(&path("virtual")));
    let count: usize = expected.iter().map(|(_, notes)| notes.len()).sum();
    assert_eq!(count, struck.len(), "each note sounds on one instrument");

    for (name, is_stalled) in [("calm", false), ("stalled", true)] {
        let (file, folder) = (path("notes.mid"), path(name));
        let args = [&DEMO_SHOW[..], &["--recording", &file, "--out", &folder]].concat();
        let mut desk = start(&home, &args, &[]);
        desk.see(&["NOW  1.1  intro"]);
        if is_stalled {
            let before = desk.shared.0.lock().unwrap().bytes.len();
            desk.stall_for(STALL);
            // The way from the keys to the show is open while the screen is not.
            desk.press(" ");
            home.wait_log("step 1.2");
            let written = desk.shared.0.lock().unwrap().bytes.len() - before;
            desk.press("1");
            desk.stall(false);
            println!("read while it stalled: {written} bytes");
        } else {
            // As long as the other run, so that both step after the last note.
            std::thread::sleep(STALL);
            desk.press(" ");
        }
        desk.see(&["NOW  1.2  verse"]);
        desk.press("qq");
        assert_eq!(desk.end(), 0);
        desk.assert_restored();
        fs::remove_file(home.0.path().join("state/segue/events.log")).unwrap();
        let sent = sent_notes(Path::new(&folder));
        assert_eq!(untimed(&sent), untimed(&expected), "{name}");
    }
}

/// A reading: how late notes are with a terminal that takes no bytes and with one that does,
/// by turns, so that both see the same of what else the machine does. `taken` is from the
/// engine taking a message to its port having it, the playing thread's own part; `due` is from
/// the message's time, with the wait of the thread that plays the recording. Both are counted
/// from the earliest of a run.
#[test]
#[ignore = "a reading that takes two minutes: cargo test --test pty lateness -- --ignored --nocapture"]
fn lateness_with_a_stall_and_without() {
    const ROUNDS: usize = 5;
    let mut all = [(Vec::new(), Vec::new()), (Vec::new(), Vec::new())];
    for _ in 0..ROUNDS {
        for (is_stalled, (taken, due)) in [false, true].into_iter().zip(&mut all) {
            let home = Home::new();
            let path = |name: &str| home.0.path().join(name).to_str().unwrap().to_owned();
            let struck = struck();
            let messages = struck.iter().map(|(us, bytes)| (*us, bytes.as_slice()));
            let recording = replay::write_port("keys", messages).unwrap();
            fs::write(path("notes.mid"), &recording).unwrap();
            let (file, folder) = (path("notes.mid"), path("sent"));
            let args = [&DEMO_SHOW[..], &["--recording", &file, "--out", &folder]].concat();
            let mut desk = start(&home, &args, &[]);
            desk.press("*");
            let time = Duration::from_secs(11);
            if is_stalled {
                desk.stall_for(time);
                desk.stall(false);
            } else {
                // The same keys, to a terminal that takes what comes of them.
                desk.press_for(time);
            }
            desk.press("*");
            home.wait_log("recording ended");
            desk.press("1qq");
            assert_eq!(desk.end(), 0);
            let log = home.log();
            let saved = log.lines().find_map(|line| line.split_once(" saved to "));
            let kept = replay::read(&fs::read(saved.unwrap().1.trim()).unwrap()).unwrap();
            let played = notes_of(
                kept.events
                    .into_iter()
                    .filter(|event| &*event.track == "keys"),
            );
            let sent = most(&sent_notes(Path::new(&folder)));
            assert_eq!((played.len(), sent.len()), (struck.len(), struck.len()));
            taken.extend(late_ms(&played, &sent));
            due.extend(late_ms(&notes(&recording), &sent));
        }
    }
    for (name, (mut taken, mut due)) in ["calm", "stalled"].into_iter().zip(all) {
        for (what, late) in [("taken", &mut taken), ("due", &mut due)] {
            late.sort_by(f64::total_cmp);
            let at = |share: f64| late[((late.len() - 1) as f64 * share) as usize];
            println!(
                "{name} {what}: {} messages, median {:.3} ms, p99 {:.3} ms, most {:.3} ms",
                late.len(),
                at(0.5),
                at(0.99),
                at(1.0)
            );
        }
    }
}

#[test]
fn a_terminal_that_stalls_does_not_keep_a_show_from_ending() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.stall_for(Duration::from_secs(2));
    desk.signal(Signal::TERM);
    home.wait_log("all notes released");
    assert_eq!(desk.end(), 0);
    assert_eq!(modes(desk.master.as_deref().unwrap()), desk.modes_before);
}
