//! Where a show was is known after a kill, and nothing is sent at once unless it was ended;
//! what cannot be written down is said, and written as soon as it can be. The real program,
//! without a screen and on model instruments.
#![cfg(unix)]

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};
use tempfile::tempdir;

const DEMO: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/shows/quarry-lanterns");
const FIRST_STEPS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/shows/first-steps");
const NIGHT: [&str; 2] = ["--night", "harbour-hall"];

/// What a show says that waits after a kill.
const WAITS: &str = "nothing is sent until the step pedal takes it up";
/// What a show says whose receivers were told the scene.
const SENT: &str = "sent its state";

/// How long anything may take on a busy machine before a test gives up.
const PATIENCE: Duration = Duration::from_secs(60);

/// A show that runs, and what it has printed so far.
struct Running {
    child: Child,
    lines: Receiver<String>,
    printed: String,
}

impl Running {
    fn start(home: &Path, args: &[&str]) -> Self {
        Self::start_with(home, args, &[])
    }

    fn start_with(home: &Path, args: &[&str], variables: &[(&str, &str)]) -> Self {
        let command = Command::new(env!("CARGO_BIN_EXE_segue"));
        Self::of(command, home, args, variables)
    }

    fn of(mut command: Command, home: &Path, args: &[&str], variables: &[(&str, &str)]) -> Self {
        let mut child = command
            .arg("play")
            .args(args)
            .args(["--headless", "--model"])
            .env("XDG_STATE_HOME", home.join("state"))
            .env("XDG_CONFIG_HOME", home.join("config"))
            .envs(variables.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let (sender, lines) = channel();
        let stdout = BufReader::new(child.stdout.take().unwrap());
        std::thread::spawn(move || {
            for line in stdout.lines().map_while(Result::ok) {
                let _ = sender.send(line);
            }
        });
        Self {
            child,
            lines,
            printed: String::new(),
        }
    }

    /// Reads until it has said the words.
    fn wait(&mut self, words: &str) {
        while !self.printed.contains(words) {
            let line = self.lines.recv_timeout(PATIENCE);
            assert!(line.is_ok(), "it never said `{words}`:\n{}", self.printed);
            self.printed.extend([line.unwrap().as_str(), "\n"]);
        }
    }

    fn signal(&self, signal: Signal) {
        let pid = Pid::from_raw(i32::try_from(self.child.id()).unwrap()).unwrap();
        kill_process(pid, signal).unwrap();
    }

    /// Reads to the end; how it ended, and all that it printed.
    fn end(mut self) -> (ExitStatus, String) {
        loop {
            match self.lines.recv_timeout(PATIENCE) {
                Ok(line) => self.printed.extend([line.as_str(), "\n"]),
                Err(RecvTimeoutError::Disconnected) => break,
                Err(RecvTimeoutError::Timeout) => panic!("it never ended:\n{}", self.printed),
            }
        }
        (
            self.child.wait().unwrap(),
            std::mem::take(&mut self.printed),
        )
    }

    /// Ends it as a person does; all that it printed.
    fn stop(mut self) -> String {
        self.wait("ready: ");
        self.signal(Signal::TERM);
        let (status, printed) = self.end();
        assert_eq!(status.code(), Some(0), "{printed}");
        printed
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The demo show, copied so that it can be changed.
fn demo(home: &Path) -> String {
    let show = home.join("show");
    let output = Command::new(env!("CARGO_BIN_EXE_segue"))
        .args(["new", "--demo"])
        .arg(&show)
        .output()
        .unwrap();
    assert!(output.status.success());
    show.to_str().unwrap().to_owned()
}

fn night<'a>(show: &'a str, more: &[&'a str]) -> Vec<&'a str> {
    [&[show][..], &NIGHT, more].concat()
}

/// Plays the demo's night at 2.6 until that is written down, and kills it.
fn killed_at_2_6(home: &Path, show: &str) {
    let mut running = Running::start(home, &night(show, &["--at", "2.6"]));
    running.wait("ready: ");
    running.signal(Signal::KILL);
    running.end();
}

#[track_caller]
fn assert_waits(printed: &str, place: &str) {
    assert!(printed.contains(&format!("at {place} ")), "{printed}");
    assert!(printed.contains(WAITS), "{printed}");
    assert!(!printed.contains(SENT), "something was sent:\n{printed}");
}

#[test]
fn a_show_killed_beside_another_show_comes_back_to_its_place() {
    let home = tempdir().unwrap();
    let mut other = Running::start(home.path(), &[FIRST_STEPS]);
    other.wait("ready: ");
    killed_at_2_6(home.path(), DEMO);
    let again = Running::start(home.path(), &night(DEMO, &[])).stop();
    assert_waits(&again, "2.6");
}

#[test]
fn a_second_copy_of_a_show_waits_where_the_first_one_is() {
    let home = tempdir().unwrap();
    let mut first = Running::start(home.path(), &night(DEMO, &["--at", "2.6"]));
    first.wait("ready: ");
    let second = Running::start(home.path(), &night(DEMO, &[])).stop();
    assert_waits(&second, "2.6");
    assert!(second.contains("another running copy"), "{second}");
}

#[test]
fn a_show_killed_in_a_song_with_an_error_waits_near_it_and_says_so() {
    let home = tempdir().unwrap();
    let show = demo(home.path());
    killed_at_2_6(home.path(), &show);
    let song = Path::new(&show).join("songs/salt-road.ron");
    let whole = fs::read_to_string(&song).unwrap();
    fs::write(&song, "(").unwrap();
    let broken = Running::start(home.path(), &night(&show, &[])).stop();
    assert!(broken.contains("killed at 2.6"), "{broken}");
    assert!(broken.contains(WAITS), "{broken}");
    assert!(!broken.contains(SENT), "something was sent:\n{broken}");
    // The song is mended: the place is the old one.
    fs::write(&song, whole).unwrap();
    let mended = Running::start(home.path(), &night(&show, &[])).stop();
    assert_waits(&mended, "2.6");
}

#[test]
fn a_look_does_not_lose_the_place() {
    for signal in [Signal::TERM, Signal::INT, Signal::QUIT, Signal::HUP] {
        for look in [
            &[][..],
            &["--rehearse"],
            &["--at", "1.2"],
            &["--at", "1.2", "--rehearse"],
        ] {
            let home = tempdir().unwrap();
            killed_at_2_6(home.path(), DEMO);
            let mut looking = Running::start(home.path(), &night(DEMO, look));
            looking.wait("ready: ");
            looking.signal(signal);
            let (_, printed) = looking.end();
            assert!(printed.contains("all notes released"), "{printed}");
            if signal == Signal::HUP && look.contains(&"--at") {
                // Nobody meant to end it: the place is that of the last run.
                continue;
            }
            let again = Running::start(home.path(), &night(DEMO, &[])).stop();
            assert_waits(&again, "2.6");
        }
    }
}

#[test]
fn a_show_that_was_ended_begins_at_its_beginning() {
    let home = tempdir().unwrap();
    Running::start(home.path(), &night(DEMO, &["--at", "2.6"])).stop();
    let mut again = Running::start(home.path(), &night(DEMO, &[]));
    again.wait("at 1.1 ");
    again.wait(SENT);
    let printed = again.stop();
    assert!(!printed.contains(WAITS), "{printed}");
}

#[test]
fn a_quit_signal_lets_all_notes_go() {
    let home = tempdir().unwrap();
    let mut running = Running::start(home.path(), &night(DEMO, &[]));
    running.wait("ready: ");
    running.signal(Signal::QUIT);
    let (status, printed) = running.end();
    assert_eq!(status.code(), Some(0), "{status:?}: {printed}");
    assert!(printed.contains("SIGQUIT"), "{printed}");
    assert!(
        printed.trim_end().ends_with("all notes released"),
        "{printed}"
    );
}

/// A folder stands where the log's file should be: even who may write everything cannot.
#[test]
fn a_log_that_cannot_be_written_is_said() {
    let home = tempdir().unwrap();
    let log = home.path().join("state/segue/events.log");
    fs::create_dir_all(&log).unwrap();
    let mut running = Running::start(home.path(), &night(DEMO, &[]));
    running.wait("ready: ");
    running.wait("events.log is not written");
    // Once it can be written, all that was said stands in it.
    fs::remove_dir(&log).unwrap();
    running.wait("events.log is written again");
    running.stop();
    let text = fs::read_to_string(&log).unwrap();
    assert!(
        text.contains("at 1.1 ") && text.contains("ready: "),
        "{text}"
    );
}

/// Without a folder for the state nothing tells that the show was ended: it waits.
#[test]
fn a_place_that_cannot_be_known_is_waited_at() {
    let home = tempdir().unwrap();
    fs::write(home.path().join("state"), "not a folder").unwrap();
    let mut running = Running::start(home.path(), &night(DEMO, &[]));
    running.wait("it is not known whether the show was ended");
    running.wait("the place is not written down");
    let printed = running.stop();
    assert_waits(&printed, "1.1");
}

#[cfg(target_os = "linux")]
mod full_disk {
    use super::*;
    /// Nothing could be written since the show began, and it is killed: the journal still says
    /// that the last night was ended, and that is no longer true.
    #[test]
    fn a_show_that_never_could_write_its_place_is_not_taken_for_ended() {
        let home = tempdir().unwrap();
        Running::start(home.path(), &night(DEMO, &[])).stop();
        let mut command = Command::new("sh");
        // A file that grows fails as on a full disk.
        command.args(["-c", "ulimit -S -f 0; exec \"$0\" \"$@\""]);
        command.arg(env!("CARGO_BIN_EXE_segue"));
        let args = night(DEMO, &["--at", "2.6"]);
        let mut running = Running::of(command, home.path(), &args, &[]);
        running.wait("the place is not written down");
        running.signal(Signal::KILL);
        running.end();
        let again = Running::start(home.path(), &night(DEMO, &[])).stop();
        assert_waits(&again, "1.1");
    }
}

/// A fault in the playing thread, brought about while notes sound: nothing is left sounding,
/// the show goes on or ends, and a signal is heard. What the model rig is sent is looked at.
#[cfg(debug_assertions)]
mod death {
    use super::*;
    use segue::midi::{Channel, Key, Message, Value7};
    use segue::replay::{RecordedEvent, Take, TakeEvent, read, write_recording};

    const FAILS_AT: &str = "SEGUE_PLAYING_FAILS_AT";

    /// So many pairs of keys on the main keyboard, each held until long after the fault.
    fn chords(home: &Path, pairs: u8) -> String {
        let bytes = |message: Message| TakeEvent::Bytes(message.encode().as_slice().to_vec());
        let on = |key| {
            let key = Key::new(key).unwrap();
            bytes(Message::NoteOn(Channel::MIN, key, Value7::clamped(90)))
        };
        let each = |pair: u8| {
            let us = u64::from(pair) * 60_000;
            [(us, on(48 + 2 * pair)), (us + 30_000, on(49 + 2 * pair))]
        };
        let takes = [Take {
            name: "keys".into(),
            events: (0..pairs).flat_map(each).collect(),
        }];
        let path = home.join("chords.mid");
        fs::write(&path, write_recording(&takes).unwrap()).unwrap();
        path.to_str().unwrap().to_owned()
    }

    fn failing(home: &Path, places: &str, pairs: u8) -> Running {
        let recording = chords(home, pairs);
        let out = home.join("out");
        let more = ["--recording", &recording, "--out", out.to_str().unwrap()];
        let args = night(DEMO, &more);
        Running::start_with(home, &args, &[(FAILS_AT, places)])
    }

    /// Notes struck, and those of them that were never ended, by what the rig was sent.
    fn struck_and_left(home: &Path) -> (usize, Vec<String>) {
        let (mut struck, mut left) = (0, Vec::new());
        for file in fs::read_dir(home.join("out")).unwrap() {
            let path = file.unwrap().path();
            let mut sounding = Vec::new();
            for event in read(&fs::read(&path).unwrap()).unwrap().events {
                match event.event {
                    RecordedEvent::Message(Message::NoteOn(channel, key, _)) => {
                        struck += 1;
                        sounding.push((channel, key));
                    }
                    RecordedEvent::Message(Message::NoteOff(channel, key, _)) => {
                        let place = sounding.iter().position(|note| *note == (channel, key));
                        place.map(|place| sounding.remove(place));
                    }
                    _ => {}
                }
            }
            left.extend(sounding.iter().map(|note| format!("{path:?} {note:?}")));
        }
        (struck, left)
    }

    #[test]
    fn a_fault_anywhere_lets_everything_go_and_the_show_goes_on() {
        for places in [
            "take",
            "look",
            "checkpoint",
            "send",
            "handle",
            "handle,rebuild",
            "handle,rebuild,replace_engine",
        ] {
            let home = tempdir().unwrap();
            let mut running = failing(home.path(), places, 1);
            // What the engine could not even be rebuilt from, or what it was rebuilt from.
            running.wait("the engine failed, was silenced and rebuilt at its position");
            let is_outside = !matches!(places, "handle" | "handle,rebuild");
            let is_said = running
                .printed
                .contains("playing failed: notes and pedals were let go");
            assert_eq!(is_said, is_outside, "{places}: {}", running.printed);
            running.signal(Signal::TERM);
            let (status, printed) = running.end();
            assert_eq!(status.code(), Some(0), "{places}: {printed}");
            assert!(printed.contains("SIGTERM"), "{places}: {printed}");
            let (struck, left) = struck_and_left(home.path());
            assert!(struck > 0, "{places}: {printed}");
            assert_eq!(left, Vec::<String>::new(), "{places}: {printed}");
        }
    }

    #[test]
    fn a_fault_again_and_again_ends_the_show_with_everything_let_go() {
        for places in ["take", "send", "handle", "handle,rebuild,replace_engine"] {
            let home = tempdir().unwrap();
            let running = failing(home.path(), places, 20);
            let (status, printed) = running.end();
            assert_eq!(status.code(), Some(2), "{places}: {printed}");
            assert!(printed.contains("playing failed too often"), "{printed}");
            let (struck, left) = struck_and_left(home.path());
            assert!(struck > 0, "{places}: {printed}");
            assert_eq!(left, Vec::<String>::new(), "{places}: {printed}");
            // Nobody ended it: the next start waits.
            let again = Running::start(home.path(), &night(DEMO, &[])).stop();
            assert_waits(&again, "1.1");
        }
    }
}
