//! The program on a pseudo-terminal, with an emulator that remembers every cell.

use std::fs;
use std::io::{Read, Write};
use std::num::NonZeroU16;
use std::sync::{Arc, Condvar, Mutex};
use std::time::{Duration, Instant};

use portable_pty::{Child, CommandBuilder, MasterPty, PtySize, SlavePty, native_pty_system};
use rustix::process::{Pid, Signal, kill_process};

/// How long anything may take on a busy machine before a test gives up.
pub(crate) const PATIENCE: Duration = Duration::from_secs(30);
/// How often a file or a process is looked at meanwhile.
pub(crate) const GLANCE: Duration = Duration::from_millis(5);

/// State and settings of one test, and the show that it plays.
pub(crate) struct Home(pub(crate) tempfile::TempDir);

impl Home {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub(crate) fn log(&self) -> String {
        fs::read_to_string(self.0.path().join("state/segue/events.log")).unwrap_or_default()
    }

    /// Waits until the event log says something.
    pub(crate) fn wait_log(&self, words: &str) {
        let until = Instant::now() + PATIENCE;
        while !self.log().contains(words) {
            assert!(
                Instant::now() < until,
                "the log never said `{words}`:\n{}",
                self.log()
            );
            std::thread::sleep(GLANCE);
        }
    }
}

/// What has come out of the program so far.
pub(crate) struct Output {
    pub(crate) parser: vt100::Parser,
    pub(crate) bytes: Vec<u8>,
    pub(crate) is_closed: bool,
    /// Nothing is read: what the program writes piles up until the terminal is full.
    pub(crate) is_stalled: bool,
}

/// The output, and whoever waits for more of it.
pub(crate) type Shared = Arc<(Mutex<Output>, Condvar)>;

/// The program on its terminal.
pub(crate) struct Desk {
    pub(crate) child: Box<dyn Child + Send + Sync>,
    // Dropping the writer types a line and an end of file: it lives as long as the program.
    pub(crate) writer: Option<Box<dyn Write + Send>>,
    pub(crate) master: Option<Box<dyn MasterPty + Send>>,
    _slave: Box<dyn SlavePty + Send>,
    pub(crate) modes_before: String,
    pub(crate) shared: Shared,
}

/// The program.
pub(crate) const SEGUE: &str = env!("CARGO_BIN_EXE_segue");

pub(crate) const DEMO_SHOW: [&str; 5] = [
    "play",
    concat!(env!("CARGO_MANIFEST_DIR"), "/shows/quarry-lanterns"),
    "--night",
    "harbour-hall",
    "--model",
];

/// The program with these arguments and these variables set, on 100 columns and 30 rows.
pub(crate) fn start(home: &Home, args: &[&str], variables: &[(&str, &str)]) -> Desk {
    let mut command = CommandBuilder::new(SEGUE);
    command.args(args);
    start_command(home, command, variables)
}

/// The same, by a command that ends in being the program.
pub(crate) fn start_command(
    home: &Home,
    mut command: CommandBuilder,
    variables: &[(&str, &str)],
) -> Desk {
    let pair = native_pty_system().openpty(size(30, 100)).unwrap();
    let modes_before = modes(pair.master.as_ref());
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
pub(crate) fn listen(mut reader: Box<dyn Read + Send>, shared: &Shared) {
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

pub(crate) fn size(rows: u16, cols: u16) -> PtySize {
    PtySize {
        rows,
        cols,
        pixel_width: 0,
        pixel_height: 0,
    }
}

pub(crate) fn cells(count: u16) -> NonZeroU16 {
    NonZeroU16::new(count).unwrap()
}

/// The terminal's modes as text: raw or line by line, echo or not.
pub(crate) fn modes(master: &dyn MasterPty) -> String {
    let modes = master.get_termios().expect("the terminal has modes");
    format!(
        "{:?} {:?} {:?}",
        modes.input_flags, modes.output_flags, modes.local_flags
    )
}

impl Desk {
    /// Waits until the screen is as wanted.
    pub(crate) fn wait(&self, what: &str, is_wanted: impl Fn(&vt100::Screen) -> bool) {
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
    pub(crate) fn see(&self, words: &[&str]) {
        self.wait(&format!("{words:?}"), |screen| {
            let text = screen.contents();
            words.iter().all(|word| text.contains(word))
        });
    }

    /// Waits until the words are gone from the screen.
    pub(crate) fn see_no(&self, words: &str) {
        self.wait(&format!("no {words}"), |screen| {
            !screen.contents().contains(words)
        });
    }

    /// The terminal has another size. The emulator first, so that the next frame finds it so.
    pub(crate) fn resize(&self, rows: u16, cols: u16) {
        let mut output = self.shared.0.lock().unwrap();
        output.parser.set_size(cells(rows), cells(cols));
        drop(output);
        let master = self.master.as_ref().unwrap();
        master.resize(size(rows, cols)).unwrap();
    }

    /// The terminal takes no more bytes, or takes them again.
    pub(crate) fn stall(&self, is_stalled: bool) {
        self.shared.0.lock().unwrap().is_stalled = is_stalled;
        self.shared.1.notify_all();
    }

    /// Stalls the terminal and has more drawn than it can hold, for so long.
    pub(crate) fn stall_for(&mut self, time: Duration) {
        self.stall(true);
        self.press_for(time);
    }

    /// Has screens drawn for so long.
    pub(crate) fn press_for(&mut self, time: Duration) {
        let until = Instant::now() + time;
        for screen in ["2", "1"].iter().cycle() {
            if Instant::now() >= until {
                return;
            }
            self.press(screen);
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    pub(crate) fn screen<T>(&self, read: impl FnOnce(&vt100::Screen) -> T) -> T {
        read(self.shared.0.lock().unwrap().parser.screen())
    }

    pub(crate) fn press(&mut self, keys: &str) {
        let writer = self.writer.as_mut().unwrap();
        writer.write_all(keys.as_bytes()).unwrap();
        writer.flush().unwrap();
    }

    /// Waits as long as a foot or a finger does between two presses that are both meant.
    pub(crate) fn rest(&self) {
        std::thread::sleep(Duration::from_millis(300));
    }

    /// Presses a key that asks once more until it is done, however slow the machine is.
    pub(crate) fn insist(&mut self, key: &str, is_done: impl Fn(&str) -> bool) {
        let until = Instant::now() + PATIENCE;
        while !self.screen(|screen| is_done(&screen.contents())) {
            assert!(Instant::now() < until, "`{key}` was never done");
            self.press(key);
            self.rest();
        }
    }

    pub(crate) fn pid(&self) -> Pid {
        let id = self.child.process_id().unwrap();
        Pid::from_raw(i32::try_from(id).unwrap()).unwrap()
    }

    pub(crate) fn signal(&self, signal: Signal) {
        kill_process(self.pid(), signal).unwrap();
    }

    /// Waits until the program has ended; its exit status.
    pub(crate) fn end(&mut self) -> u32 {
        let until = Instant::now() + PATIENCE;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.exit_code();
            }
            assert!(Instant::now() < until, "the program never ended");
            std::thread::sleep(GLANCE);
        }
    }

    /// The terminal is as it was before the program: main screen, cursor, line by line.
    pub(crate) fn assert_restored(&self) {
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
pub(crate) fn row_of(screen: &vt100::Screen, words: &str) -> u16 {
    let (_, cols) = screen.size();
    let row = screen
        .rows(0, cols.get())
        .position(|row| row.contains(words));
    u16::try_from(row.expect("the words are on the screen")).unwrap()
}

/// Every cell of some rows with its looks.
pub(crate) fn looks(screen: &vt100::Screen, rows: std::ops::Range<u16>) -> Vec<String> {
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
pub(crate) fn main_keyboard(screen: &vt100::Screen) -> Vec<String> {
    let first = row_of(screen, "█ keys");
    looks(screen, first..row_of(screen, "█ strap"))
}

/// A key that is pressed (1) or let go (3), as kitty's keyboard protocol reports it
/// (its documentation, "Event types").
pub(crate) fn kitty(key: char, event: u8) -> String {
    format!("\x1b[{};1:{event}u", u32::from(key))
}
