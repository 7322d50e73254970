//! The real binary on a real terminal: a pseudo-terminal, and an emulator that remembers
//! every cell.
//!
//! Its own binary, because each test starts processes and signals them. Every wait is for
//! something to be seen, with a deadline; nothing sleeps for a fixed time but the terminal
//! that stalls for ten seconds.
#![cfg(unix)]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout
)]

use std::fs;
use std::io::{Read, Write};
use std::num::NonZeroU16;
use std::path::Path;
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, SlavePty, native_pty_system};
use rustix::process::{Pid, Signal, kill_process};
use segue::midi::Message;
use segue::replay::{self, RecordedEvent};

/// How long anything may take on a busy machine before a test gives up.
const PATIENCE: Duration = Duration::from_secs(30);

/// State and settings of one test, and the show that it plays.
struct Home(tempfile::TempDir);

impl Home {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn log(&self) -> String {
        fs::read_to_string(self.0.path().join("state/segue/events.log")).unwrap_or_default()
    }

    /// Waits until the event log says something.
    fn wait_log(&self, words: &str) {
        let until = Instant::now() + PATIENCE;
        while !self.log().contains(words) {
            assert!(
                Instant::now() < until,
                "the log never said `{words}`:\n{}",
                self.log()
            );
            std::thread::yield_now();
        }
    }
}

/// What has come out of the program so far.
struct Output {
    parser: vt100::Parser,
    bytes: Vec<u8>,
    is_closed: bool,
    /// Nothing is read: what the program writes piles up until the terminal is full.
    is_stalled: bool,
}

/// The output, and whoever waits for more of it.
type Shared = Arc<(Mutex<Output>, Condvar)>;

/// The program on its terminal.
struct Desk {
    child: Box<dyn Child + Send + Sync>,
    // Dropping the writer types a line and an end of file: it lives as long as the program.
    writer: Option<Box<dyn Write + Send>>,
    master: Option<Box<dyn MasterPty + Send>>,
    _slave: Box<dyn SlavePty + Send>,
    modes_before: String,
    shared: Shared,
}

const DEMO_SHOW: [&str; 5] = [
    "play",
    concat!(env!("CARGO_MANIFEST_DIR"), "/shows/quarry-lanterns"),
    "--night",
    "harbour-hall",
    "--model",
];

/// The program with these arguments and these variables set, on 100 columns and 30 rows.
fn start(home: &Home, args: &[&str], variables: &[(&str, &str)]) -> Desk {
    let pair = native_pty_system().openpty(size(30, 100)).unwrap();
    let modes_before = modes(pair.master.as_ref());
    let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_segue"));
    command.args(args);
    command.cwd(home.0.path());
    for name in ["NO_COLOR", "COLORTERM"] {
        command.env_remove(name);
    }
    command.env("TERM", "xterm-256color");
    command.env("XDG_STATE_HOME", home.0.path().join("state"));
    command.env("XDG_CONFIG_HOME", home.0.path().join("config"));
    for (name, value) in variables {
        command.env(name, value);
    }
    let child = pair.slave.spawn_command(command).unwrap();
    let shared: Shared = Arc::new((
        Mutex::new(Output {
            parser: vt100::Parser::new(cells(30), cells(100), 0),
            bytes: Vec::new(),
            is_closed: false,
            is_stalled: false,
        }),
        Condvar::new(),
    ));
    let reader = pair.master.try_clone_reader().unwrap();
    let theirs = Arc::clone(&shared);
    std::thread::spawn(move || listen(reader, &theirs));
    Desk {
        child,
        writer: Some(pair.master.take_writer().unwrap()),
        master: Some(pair.master),
        _slave: pair.slave,
        modes_before,
        shared,
    }
}

/// Takes what the program writes until there is no more, or nobody wants it.
fn listen(mut reader: Box<dyn Read + Send>, shared: &Shared) {
    let mut bytes = [0; 65_536];
    loop {
        let count = reader.read(&mut bytes).unwrap_or(0);
        let Ok(mut output) = shared.0.lock() else {
            return;
        };
        output.parser.process(&bytes[..count]);
        output.bytes.extend_from_slice(&bytes[..count]);
        let is_over = count == 0 || output.is_closed;
        output.is_closed |= is_over;
        shared.1.notify_all();
        if is_over {
            return;
        }
        drop(shared.1.wait_while(output, |output| output.is_stalled));
    }
}

fn size(rows: u16, cols: u16) -> PtySize {
    PtySize {
        rows,
        cols,
        pixel_width: 0,
        pixel_height: 0,
    }
}

fn cells(count: u16) -> NonZeroU16 {
    NonZeroU16::new(count).unwrap()
}

/// The terminal's modes as text: raw or line by line, echo or not.
fn modes(master: &dyn MasterPty) -> String {
    let modes = master.get_termios().expect("the terminal has modes");
    format!(
        "{:?} {:?} {:?}",
        modes.input_flags, modes.output_flags, modes.local_flags
    )
}

impl Desk {
    /// Waits until the screen is as wanted.
    fn wait(&self, what: &str, is_wanted: impl Fn(&vt100::Screen) -> bool) {
        let until = Instant::now() + PATIENCE;
        let mut output = self.shared.0.lock().unwrap();
        while !is_wanted(output.parser.screen()) {
            let left = until.saturating_duration_since(Instant::now());
            assert!(
                left > Duration::ZERO && !output.is_closed,
                "never seen: {what}\n{}",
                output.parser.screen().contents()
            );
            output = self.shared.1.wait_timeout(output, left).unwrap().0;
        }
    }

    /// Waits until all of the words are on the screen.
    fn see(&self, words: &[&str]) {
        self.wait(&format!("{words:?}"), |screen| {
            let text = screen.contents();
            words.iter().all(|word| text.contains(word))
        });
    }

    /// Waits until the words are gone from the screen.
    fn see_no(&self, words: &str) {
        self.wait(&format!("no {words}"), |screen| {
            !screen.contents().contains(words)
        });
    }

    /// The terminal has another size. The emulator first, so that the next frame finds it so.
    fn resize(&self, rows: u16, cols: u16) {
        let mut output = self.shared.0.lock().unwrap();
        output.parser.set_size(cells(rows), cells(cols));
        drop(output);
        let master = self.master.as_ref().unwrap();
        master.resize(size(rows, cols)).unwrap();
    }

    /// The terminal takes no more bytes, or takes them again.
    fn stall(&self, is_stalled: bool) {
        self.shared.0.lock().unwrap().is_stalled = is_stalled;
        self.shared.1.notify_all();
    }

    /// Stalls the terminal and has more drawn than it can hold, for so long.
    fn stall_for(&mut self, time: Duration) {
        self.stall(true);
        let until = Instant::now() + time;
        for screen in ["2", "1"].iter().cycle() {
            if Instant::now() >= until {
                return;
            }
            self.press(screen);
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    fn screen<T>(&self, read: impl FnOnce(&vt100::Screen) -> T) -> T {
        read(self.shared.0.lock().unwrap().parser.screen())
    }

    fn press(&mut self, keys: &str) {
        let writer = self.writer.as_mut().unwrap();
        writer.write_all(keys.as_bytes()).unwrap();
        writer.flush().unwrap();
    }

    fn pid(&self) -> Pid {
        let id = self.child.process_id().unwrap();
        Pid::from_raw(i32::try_from(id).unwrap()).unwrap()
    }

    fn signal(&self, signal: Signal) {
        kill_process(self.pid(), signal).unwrap();
    }

    /// Waits until the program has ended; its exit status.
    fn end(&mut self) -> u32 {
        let until = Instant::now() + PATIENCE;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.exit_code();
            }
            assert!(Instant::now() < until, "the program never ended");
            std::thread::yield_now();
        }
    }

    /// The terminal is as it was before the program: main screen, cursor, line by line.
    fn assert_restored(&self) {
        self.wait("the main screen with a cursor", |screen| {
            !screen.alternate_screen() && !screen.hide_cursor()
        });
        assert_eq!(modes(self.master.as_deref().unwrap()), self.modes_before);
        let output = self.shared.0.lock().unwrap();
        let text = String::from_utf8_lossy(&output.bytes);
        // Keyboard flags (kitty's protocol) and focus reports: each that was set is unset.
        for (set, unset) in [("\x1b[>", "\x1b[<1u"), ("\x1b[?1004h", "\x1b[?1004l")] {
            assert_eq!(
                text.matches(set).count(),
                text.matches(unset).count(),
                "{set:?}"
            );
        }
    }
}

impl Drop for Desk {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The place of the first row that holds the words.
fn row_of(screen: &vt100::Screen, words: &str) -> u16 {
    let (_, cols) = screen.size();
    let row = screen
        .rows(0, cols.get())
        .position(|row| row.contains(words));
    u16::try_from(row.expect("the words are on the screen")).unwrap()
}

/// Every cell of some rows with its looks.
fn looks(screen: &vt100::Screen, rows: std::ops::Range<u16>) -> Vec<String> {
    let (_, cols) = screen.size();
    rows.flat_map(|row| (0..cols.get()).map(move |col| (row, col)))
        .map(|(row, col)| {
            let cell = screen.cell(row, col).unwrap();
            format!(
                "{}{:?}{:?}{}{}",
                cell.contents(),
                cell.fgcolor(),
                cell.bgcolor(),
                cell.bold(),
                cell.inverse()
            )
        })
        .collect()
}

/// Rows of the 88 keys in the current scene's zone map: keys and zones.
fn main_keyboard(screen: &vt100::Screen) -> Vec<String> {
    let first = row_of(screen, "█ keys");
    looks(screen, first..row_of(screen, "█ strap"))
}

/// A key that is pressed (1) or let go (3), as kitty's keyboard protocol reports it
/// (its documentation, "Event types").
fn kitty(key: char, event: u8) -> String {
    format!("\x1b[{};1:{event}u", u32::from(key))
}

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
    desk.press("\x1b[5~"); // PageUp
    desk.see(&["NOW  1.1  intro"]);
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
    desk.see(&["HELP", "silence everything that sounds, at once"]);
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

#[test]
fn leaving_asks_first_and_gives_the_terminal_back() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press("q");
    desk.see(&["leave the show?"]);
    desk.press("\x1b");
    desk.see_no("leave the show?");
    desk.press("q");
    desk.see(&["leave the show?"]);
    desk.press("\r");
    assert_eq!(desk.end(), 0);
    desk.assert_restored();
    assert!(home.log().contains("all notes released"), "{}", home.log());
}

#[test]
fn a_termination_signal_releases_notes_and_gives_the_terminal_back() {
    for (signal, name) in [(Signal::TERM, "SIGTERM"), (Signal::INT, "SIGINT")] {
        let home = Home::new();
        let mut desk = start(&home, &DEMO_SHOW, &[]);
        desk.see(&["NOW  1.1  intro"]);
        desk.signal(signal);
        assert_eq!(desk.end(), 0);
        desk.assert_restored();
        let log = home.log();
        assert!(
            log.contains(name) && log.contains("all notes released"),
            "{log}"
        );
    }
}

/// Half of an arrow key has come when the show is ended.
#[test]
fn half_a_key_does_not_keep_the_program_from_ending() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    desk.press("\x1b[");
    desk.signal(Signal::TERM);
    assert_eq!(desk.end(), 0);
    desk.assert_restored();
}

#[test]
fn job_control_does_not_stop_a_show() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.signal(Signal::TSTP);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
}

#[test]
fn a_terminal_that_is_gone_ends_the_program() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    // The reading thread lets its end go at the next bytes that come.
    desk.shared.0.lock().unwrap().is_closed = true;
    let is_reading = Arc::downgrade(&desk.shared);
    desk.press("2");
    let until = Instant::now() + PATIENCE;
    while is_reading.strong_count() > 1 {
        assert!(Instant::now() < until, "nothing more was drawn");
        std::thread::yield_now();
    }
    desk.writer = None;
    desk.master = None;
    desk.end();
    assert!(home.log().contains("all notes released"), "{}", home.log());

    // Nobody meant to end it: it keeps its place.
    let desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.2  verse", "WAITING"]);
}

#[test]
fn a_killed_show_comes_back_at_its_position_and_waits() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    desk.press(" ");
    home.wait_log("step 1.3");
    desk.signal(Signal::KILL);
    assert_ne!(desk.end(), 0);
    fs::remove_file(home.0.path().join("state/segue/events.log")).unwrap();

    let mut desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.3  chorus", "waiting after a kill"]);
    home.wait_log("ready: 4 of 4 inputs");
    desk.press("2");
    desk.see(&["WINGS", "rack"]);
    let row = desk.screen(|screen| {
        let row = row_of(screen, "rack ");
        screen.rows(0, 100).nth(row.into()).unwrap()
    });
    assert!(row.contains(" 0 B"), "something was sent: {row}");
    assert!(!home.log().contains("sent its state"), "{}", home.log());
    desk.press("1 ");
    home.wait_log("taken up");
    home.wait_log("receiver main sent its state");
    desk.see(&["NOW  1.3  chorus"]);
    desk.see_no("waiting after a kill");
    desk.press(" ");
    desk.see(&["NOW  1.4"]);

    // A show that was ended begins at its beginning.
    desk.press("qq");
    assert_eq!(desk.end(), 0);
    let desk = start(&home, &DEMO_SHOW, &[]);
    desk.see(&["NOW  1.1  intro"]);
}

#[test]
fn two_hundred_resizes_leave_a_whole_screen() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&["NOW  1.1  intro"]);
    let sizes = (0..200u16).map(|at| (1 + at * 7 % 60, 1 + at * 37 % 220));
    for (rows, cols) in sizes.chain([(30, 100)]) {
        desk.resize(rows, cols);
    }
    desk.press(" ");
    desk.see(&[
        "quarry-lanterns",
        "NOW  1.2  verse",
        "NEXT  1.3  chorus",
        "? help",
    ]);
    let resized = desk.screen(vt100::Screen::contents);

    // Whole means: as on a terminal that always had this size, the clock aside.
    let mut other = start(&home, &[], &[]);
    other.press(" ");
    other.wait("the same screen", |screen| {
        without_clock(&screen.contents()) == without_clock(&resized)
    });
}

/// The screen without its first row, which has the time of day.
fn without_clock(text: &str) -> String {
    text.lines().skip(1).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_screen_that_dies_comes_back_and_the_show_goes_on() {
    let home = Home::new();
    let mut desk = start(&home, &DEMO_SHOW, &[("SEGUE_SCREEN_FAILS_AT", "1")]);
    desk.see(&["NOW  1.1  intro"]);
    desk.press(" ");
    desk.see(&["NOW  1.2  verse"]);
    desk.press(" ");
    desk.see(&["NOW  1.3  chorus"]);
    desk.resize(60, 120);
    desk.press("2");
    desk.see(&["the screen failed and was started again (1)"]);
    let crash = home.0.path().join("state/segue/crash.log");
    let crash = fs::read_to_string(crash).unwrap();
    assert!(
        crash.contains("thread `main`") && crash.contains("told to fail"),
        "{crash}"
    );
    desk.press("qq");
    assert_eq!(desk.end(), 0);
    desk.assert_restored();
    let output = desk.shared.0.lock().unwrap();
    let text = String::from_utf8_lossy(&output.bytes);
    assert!(
        !text.contains("told to fail"),
        "the panic was printed on the screen"
    );
}

/// Notes as bytes with their times.
type Notes = Vec<(u64, Vec<u8>)>;

/// The notes of a recording.
fn notes(recorded: &[u8]) -> Notes {
    let events = replay::read(recorded).unwrap().events.into_iter();
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

/// The longest time from a note being recorded to its being sent, less the shortest.
fn spread_ms(played: &[(u64, Vec<u8>)], sent: &[(u64, Vec<u8>)]) -> f64 {
    let late = played
        .iter()
        .zip(sent)
        .map(|(played, sent)| sent.0 - played.0);
    let late: Vec<u64> = late.collect();
    let (least, most) = (late.iter().min().unwrap(), late.iter().max().unwrap());
    (most - least) as f64 / 1000.0
}

/// Ten seconds of notes while the terminal takes no bytes: what is sent is what a run
/// without stall sends, and what the same recording gives in virtual time. Lateness is of
/// this machine: it is printed and judged nowhere.
#[test]
fn a_terminal_that_stalls_for_ten_seconds_changes_no_note() {
    const STALL: Duration = Duration::from_secs(10);
    let home = Home::new();
    let path = |name: &str| home.0.path().join(name).to_str().unwrap().to_owned();
    let struck: Vec<(u64, [u8; 3])> = (0..72u64)
        .flat_map(|at| {
            let key = 48 + (at * 7 % 24) as u8;
            let us = 1_000_000 + at * 110_000;
            [(us, [0x90, key, 80]), (us + 90_000, [0x80, key, 64])]
        })
        .collect();
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

    let mut spreads = Vec::new();
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
        let rack = |sent: &[(String, Notes)]| {
            let most = sent.iter().max_by_key(|(_, notes)| notes.len());
            most.unwrap().1.clone()
        };
        spreads.push(spread_ms(&notes(&recording), &rack(&sent)));
    }
    println!(
        "latest note against the earliest: {:.2} ms, with a stall of 10 s {:.2} ms",
        spreads[0], spreads[1]
    );
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

#[test]
fn a_terminal_of_any_size_is_drawn_on() {
    let home = Home::new();
    let mut desk = start(&home, &[], &[]);
    desk.see(&["NOW  1.1  intro"]);
    let largest = size(u16::MAX, u16::MAX);
    desk.master.as_ref().unwrap().resize(largest).unwrap();
    desk.press(" ");
    desk.wait("the next scene", |screen| screen.contents().contains("1.2"));
    desk.master.as_ref().unwrap().resize(size(30, 100)).unwrap();
    desk.press(" ");
    desk.see(&["NOW  1.3  chorus", "? help"]);
}

#[test]
fn a_theme_is_chosen_by_flag_and_by_key() {
    let home = Home::new();
    let full = [("COLORTERM", "truecolor")];
    let args = [&DEMO_SHOW[..], &["--theme", "red-light"]].concat();
    let mut desk = start(&home, &args, &full);
    desk.see(&["NOW  1.1  intro"]);
    let ground = |screen: &vt100::Screen| format!("{:?}", screen.cell(29, 99).unwrap().bgcolor());
    desk.wait("red light", |screen| ground(screen) == "Rgb(0, 0, 0)");
    desk.press("\x1b[17~"); // F6
    desk.wait("the dark theme", |screen| {
        ground(screen) == "Rgb(16, 18, 22)"
    });
}

#[test]
fn no_color_means_no_colour_codes() {
    let home = Home::new();
    for (variables, is_coloured) in [(&[("NO_COLOR", "1")][..], false), (&[][..], true)] {
        let mut desk = start(&home, &DEMO_SHOW, variables);
        desk.see(&["NOW  1.1  intro"]);
        for (key, seen) in [("2", "WINGS"), ("3", "RUNNING ORDER"), ("?", "HELP")] {
            desk.press(key);
            desk.see(&[seen]);
        }
        desk.press("?qq");
        assert_eq!(desk.end(), 0);
        let output = desk.shared.0.lock().unwrap();
        let codes = colour_codes(&output.bytes);
        assert_eq!(!codes.is_empty(), is_coloured, "{codes:?}");
    }
}

/// Parameters of SGR sequences that set a colour (ECMA-48, 8.3.117; 39 and 49 unset it,
/// 90 to 107 are the bright ones of common terminals).
fn colour_codes(bytes: &[u8]) -> Vec<u32> {
    let text = String::from_utf8_lossy(bytes);
    let mut codes = Vec::new();
    for part in text.split("\x1b[").skip(1) {
        let end = part
            .find(|c: char| !c.is_ascii_digit() && c != ';')
            .unwrap_or(part.len());
        if part[end..].starts_with('m') {
            codes.extend(
                part[..end]
                    .split(';')
                    .filter_map(|code| code.parse::<u32>().ok()),
            );
        }
    }
    codes.retain(|code| matches!(code, 30..=38 | 40..=48 | 90..=97 | 100..=107));
    codes
}
