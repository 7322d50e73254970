//! Logs: the event log's lines, and a place for what libraries print.

#[cfg(unix)]
use std::fs::OpenOptions;
use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::look::open_to_append;
use crate::words;

/// A log of lines that never grows past twice its limit: a full file becomes `NAME.old`.
#[derive(Debug)]
pub struct EventLog {
    path: PathBuf,
    file: File,
    byte_count: u64,
    max_bytes: u64,
    /// The last line may be incomplete: the next one begins on a new line.
    is_torn: bool,
}

impl EventLog {
    /// Opens a log to add to it; `max_bytes` is usually `MAX_LOG_BYTES`.
    ///
    /// # Errors
    /// If the file cannot be opened.
    pub fn open(path: &Path, max_bytes: u64) -> Result<Self, StoreError> {
        let file = open_to_append(path, OPEN)?;
        let byte_count = file.metadata().map_or(0, |metadata| metadata.len());
        Ok(Self {
            path: path.to_owned(),
            file,
            byte_count,
            max_bytes,
            is_torn: false,
        })
    }

    /// Adds a line. It is cleaned first: a device's name may hold anything, and a
    /// log is read on terminals.
    ///
    /// # Errors
    /// If it cannot be written. It may be given again: what is there of it by then stays a
    /// line of its own.
    pub fn write_line(&mut self, line: &str) -> Result<(), StoreError> {
        let mut text = String::from(if self.is_torn { "\n" } else { "" });
        text.push_str(&words::clean(line));
        text.push('\n');
        if self.byte_count > 0 && self.byte_count + text.len() as u64 > self.max_bytes {
            self.rotate()?;
        }
        let mut written = 0;
        while let Some(rest) = text
            .as_bytes()
            .get(written..)
            .filter(|rest| !rest.is_empty())
        {
            match self.file.write(rest) {
                Ok(count) if count > 0 => written += count,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                other => {
                    self.is_torn |= written > 0;
                    self.byte_count += written as u64;
                    let error = other.err().unwrap_or(io::ErrorKind::WriteZero.into());
                    return Err(StoreError::system(&self.path, "write to the log", error));
                }
            }
        }
        self.is_torn = false;
        self.byte_count += text.len() as u64;
        Ok(())
    }

    fn rotate(&mut self) -> Result<(), StoreError> {
        let mut old = self.path.clone().into_os_string();
        old.push(".old");
        fs::rename(&self.path, old)
            .map_err(|error| StoreError::system(&self.path, "put the full log aside", error))?;
        self.file = open_to_append(&self.path, OPEN)?;
        self.byte_count = 0;
        Ok(())
    }
}

/// The error output as it was, put back when this is dropped.
#[derive(Debug)]
pub struct SavedStderr {
    #[cfg(unix)]
    saved: std::os::fd::OwnedFd,
}

/// Leads everything that is printed to the error output into a file: the sound library
/// prints there whatever it cannot do, across the screen. To be called before the first
/// use of MIDI or terminal. `/dev/null` is the one device that it may be.
///
/// # Errors
/// If the file cannot be opened or the output cannot be led there.
#[cfg(unix)]
pub fn redirect_stderr(path: &Path) -> Result<SavedStderr, StoreError> {
    let cannot = |error: rustix::io::Errno| {
        StoreError::system(path, "lead the error output into the file", error.into())
    };
    let file = if path == Path::new(NOWHERE) {
        OpenOptions::new()
            .write(true)
            .open(path)
            .map_err(|error| StoreError::system(path, OPEN, error))?
    } else {
        open_to_append(path, OPEN)?
    };
    let saved = rustix::io::fcntl_dupfd_cloexec(rustix::stdio::stderr(), 0).map_err(cannot)?;
    rustix::stdio::dup2_stderr(&file).map_err(cannot)?;
    Ok(SavedStderr { saved })
}

/// Elsewhere no library prints there, and nothing is done.
///
/// # Errors
/// None.
#[cfg(not(unix))]
pub fn redirect_stderr(_path: &Path) -> Result<SavedStderr, StoreError> {
    Ok(SavedStderr {})
}

#[cfg(unix)]
impl Drop for SavedStderr {
    fn drop(&mut self) {
        // If that fails there is no output left to say so.
        let _ = rustix::stdio::dup2_stderr(&self.saved);
    }
}

/// The usual size of a log before it is put aside.
pub const MAX_LOG_BYTES: u64 = 4 << 20;

const OPEN: &str = "open the log";

/// The device that discards what is printed.
#[cfg(unix)]
const NOWHERE: &str = "/dev/null";
