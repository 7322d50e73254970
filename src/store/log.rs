//! Logs: the event log's lines, and a place for what libraries print.

use std::fs::{self, File, OpenOptions};
use std::io::Write;
use std::path::{Path, PathBuf};

use super::error::StoreError;
use crate::words;

/// A log of lines that never grows past twice its limit: a full file becomes `NAME.old`.
#[derive(Debug)]
pub struct EventLog {
    path: PathBuf,
    file: File,
    byte_count: u64,
    max_bytes: u64,
}

impl EventLog {
    /// Opens a log to add to it; `max_bytes` is usually `MAX_LOG_BYTES`.
    ///
    /// # Errors
    /// If the file cannot be opened.
    pub fn open(path: &Path, max_bytes: u64) -> Result<Self, StoreError> {
        let file = open_to_append(path)?;
        let byte_count = file.metadata().map_or(0, |metadata| metadata.len());
        Ok(Self {
            path: path.to_owned(),
            file,
            byte_count,
            max_bytes,
        })
    }

    /// Adds a line. It is cleaned first: a device's name may hold anything, and a
    /// log is read on terminals.
    ///
    /// # Errors
    /// If it cannot be written.
    pub fn write_line(&mut self, line: &str) -> Result<(), StoreError> {
        let mut text = words::clean(line).into_owned();
        text.push('\n');
        if self.byte_count > 0 && self.byte_count + text.len() as u64 > self.max_bytes {
            self.rotate()?;
        }
        self.file
            .write_all(text.as_bytes())
            .map_err(|error| StoreError::system(&self.path, "write to the log", error))?;
        self.byte_count += text.len() as u64;
        Ok(())
    }

    fn rotate(&mut self) -> Result<(), StoreError> {
        let mut old = self.path.clone().into_os_string();
        old.push(".old");
        fs::rename(&self.path, old)
            .map_err(|error| StoreError::system(&self.path, "put the full log aside", error))?;
        self.file = open_to_append(&self.path)?;
        self.byte_count = 0;
        Ok(())
    }
}

fn open_to_append(path: &Path) -> Result<File, StoreError> {
    OpenOptions::new()
        .append(true)
        .create(true)
        .open(path)
        .map_err(|error| StoreError::system(path, "open the log", error))
}

/// The error output as it was, put back when this is dropped.
#[derive(Debug)]
pub struct SavedStderr {
    #[cfg(unix)]
    saved: std::os::fd::OwnedFd,
}

/// Leads everything that is printed to the error output into a file: the sound library
/// prints there whatever it cannot do, across the screen. To be called before the first
/// use of MIDI or terminal.
///
/// # Errors
/// If the file cannot be opened or the output cannot be led there.
#[cfg(unix)]
pub fn redirect_stderr(path: &Path) -> Result<SavedStderr, StoreError> {
    let cannot = |error: rustix::io::Errno| {
        StoreError::system(path, "lead the error output into the file", error.into())
    };
    let file = open_to_append(path)?;
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
