//! The program under test: started without a terminal or in one, its words
//! read, ended.

use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crate::terminal::Terminal;

/// What to run, and where it keeps its state.
pub struct Launch<'a> {
    pub program: &'a str,
    pub arguments: &'a [String],
    pub home: &'a str,
}

/// The program, running or ended.
pub struct Program {
    child: Child,
    /// Only of a program in a terminal.
    keys: Option<ChildStdin>,
    said: Arc<Said>,
}

impl Program {
    /// Runs the program without a terminal.
    pub fn start(launch: &Launch) -> Result<Self, String> {
        let mut command = Command::new(launch.program);
        command.args(launch.arguments).stdin(Stdio::null());
        let mut program = Self::spawn(command, launch.home, Terminal::new(0, 0))?;
        if let Some(output) = program.child.stdout.take() {
            program.listen_for_lines(output);
        }
        Ok(program)
    }

    /// Runs it in a terminal of its own, made by `script`.
    pub fn start_in_terminal(launch: &Launch, rows: usize, columns: usize) -> Result<Self, String> {
        let words = [&[launch.program.to_owned()], launch.arguments].concat();
        let words: Vec<String> = words.iter().map(|word| quoted(word)).collect();
        let line = format!("stty rows {rows} cols {columns}; exec {}", words.join(" "));
        let mut command = Command::new("/bin/script");
        let options = [
            "--quiet",
            "--return",
            "--flush",
            "--command",
            &line,
            "/dev/null",
        ];
        command.args(options).stdin(Stdio::piped());
        let mut program = Self::spawn(command, launch.home, Terminal::new(rows, columns))?;
        program.keys = program.child.stdin.take();
        if let Some(output) = program.child.stdout.take() {
            program.listen_for_cells(output);
        }
        Ok(program)
    }

    fn spawn(mut command: Command, home: &str, terminal: Terminal) -> Result<Self, String> {
        let mut child = command
            .env("HOME", home)
            .env("XDG_STATE_HOME", format!("{home}/state"))
            .env("TERM", "xterm-256color")
            .env("LANG", "C.UTF-8")
            .env("SHELL", "/bin/sh")
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(|error| format!("cannot start {command:?}: {error}"))?;
        let errors = child.stderr.take();
        let program = Self {
            child,
            keys: None,
            said: Arc::new(Said::new(terminal)),
        };
        if let Some(errors) = errors {
            program.listen_for_lines(errors);
        }
        Ok(program)
    }

    fn listen_for_lines(&self, output: impl Read + Send + 'static) {
        let said = self.open_listener();
        thread::spawn(move || {
            for line in BufReader::new(output).split(b'\n').map_while(Result::ok) {
                said.lock()
                    .lines
                    .push(String::from_utf8_lossy(&line).into_owned());
                said.more.notify_all();
            }
            said.close_listener();
        });
    }

    fn listen_for_cells(&self, mut output: impl Read + Send + 'static) {
        let said = self.open_listener();
        thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(count @ 1..) = output.read(&mut buffer) {
                said.lock().terminal.feed(&buffer[..count]);
                said.more.notify_all();
            }
            said.close_listener();
        });
    }

    fn open_listener(&self) -> Arc<Said> {
        self.said.lock().listeners += 1;
        Arc::clone(&self.said)
    }

    /// Presses keys of the terminal.
    pub fn press(&mut self, keys: &str) -> Result<(), String> {
        let terminal = self.keys.as_mut().ok_or("it has no terminal")?;
        terminal
            .write_all(keys.as_bytes())
            .map_err(|error| error.to_string())
    }

    /// Waits until there are lines with all the texts, in any order, and reads on
    /// after the last of them.
    pub fn wait_for_lines(&self, texts: &[String], within: Duration) -> Result<(), String> {
        let find = |words: &Words, text: &String| {
            let mut lines = words.lines[words.read..].iter();
            lines.position(|line| line.contains(text.as_str()))
        };
        let has_all = |words: &Words| texts.iter().all(|text| find(words, text).is_some());
        let mut words = self.said.wait_until(within, has_all);
        let mut read_on = 0;
        for text in texts {
            let at = find(&words, text).ok_or_else(|| format!("no line with \"{text}\" came"))?;
            read_on = read_on.max(at + 1);
        }
        words.read += read_on;
        Ok(())
    }

    /// Waits until the terminal is as `done` wants it.
    pub fn wait_for_screen(&self, within: Duration, done: impl Fn(&Terminal) -> bool) -> bool {
        done(
            &self
                .said
                .wait_until(within, |words| done(&words.terminal))
                .terminal,
        )
    }

    /// Waits until it has ended, which must be with status 0.
    pub fn wait_for_end(&mut self, within: Duration) -> Result<(), String> {
        let deadline = Instant::now() + within;
        loop {
            match self.child.try_wait().map_err(|error| error.to_string())? {
                Some(status) if status.success() => return Ok(()),
                Some(status) => return Err(format!("the program ended with {status}")),
                None if Instant::now() > deadline => return Err("the program did not end".into()),
                None => thread::sleep(Duration::from_millis(5)),
            }
        }
    }

    /// Whether it has ended.
    pub fn has_ended(&mut self) -> bool {
        matches!(self.child.try_wait(), Ok(Some(_)))
    }

    /// Asks it to end.
    pub fn ask_to_end(&self) -> Result<(), String> {
        self.signal("-TERM")
    }

    /// Ends it without asking.
    pub fn kill(&mut self) {
        // Fails if it has ended, and then nothing is to be done.
        let _ = self.signal("-KILL");
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    fn signal(&self, name: &str) -> Result<(), String> {
        let mut process = self.child.id().to_string();
        if self.keys.is_some() {
            // In a terminal our child is `script`, and the program is its child.
            let children = format!("/proc/{process}/task/{process}/children");
            process = fs::read_to_string(children).map_err(|_| "the program does not run")?;
        }
        let sent = Command::new("/bin/kill")
            .args([name, process.trim()])
            .output();
        match sent {
            Ok(output) if output.status.success() => Ok(()),
            _ => Err("the program does not run".into()),
        }
    }

    /// Its last lines or its screen, for the report of a failure.
    pub fn transcript(&mut self) -> Vec<String> {
        let mut out = Vec::new();
        if let Ok(Some(status)) = self.child.try_wait() {
            out.push(format!("the program has ended with {status}"));
        }
        let words = self.said.lock();
        let first = words.lines.len().saturating_sub(TRANSCRIPT);
        out.extend(words.lines[first..].iter().cloned());
        out.extend(words.terminal.rows().map(|row| format!("|{row}")));
        out
    }
}

/// What the program has said so far.
struct Said {
    words: Mutex<Words>,
    more: Condvar,
}

struct Words {
    /// Threads that still listen; with none, nothing more will come.
    listeners: usize,
    lines: Vec<String>,
    read: usize,
    terminal: Terminal,
}

impl Said {
    fn new(terminal: Terminal) -> Self {
        Self {
            words: Mutex::new(Words {
                listeners: 0,
                lines: Vec::new(),
                read: 0,
                terminal,
            }),
            more: Condvar::new(),
        }
    }

    fn lock(&self) -> MutexGuard<'_, Words> {
        self.words.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn close_listener(&self) {
        self.lock().listeners -= 1;
        self.more.notify_all();
    }

    /// Waits until `done`, the deadline, or the end of all that is said.
    fn wait_until(&self, within: Duration, done: impl Fn(&Words) -> bool) -> MutexGuard<'_, Words> {
        self.more
            .wait_timeout_while(self.lock(), within, |words| {
                words.listeners > 0 && !done(words)
            })
            .unwrap_or_else(PoisonError::into_inner)
            .0
    }
}

/// A word as the shell takes it whole.
fn quoted(word: &str) -> String {
    format!("'{}'", word.replace('\'', r"'\''"))
}

/// The program under test, where the script put it.
pub const PROGRAM: &str = "/bin/segue";

/// Lines shown when a case fails.
const TRANSCRIPT: usize = 20;
