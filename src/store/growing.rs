//! A file that is only added to while something goes on, such as a recording.
//!
//! What cannot be written waits in memory and is tried again, so that a disk that is full for
//! a while costs nothing. The file is locked for as long as it grows: one without a lock was
//! left by a kill.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::save::{sync_folder_of, unused_names};

/// A file that grows.
#[derive(Debug)]
pub struct Growing {
    folder: PathBuf,
    stem: String,
    ending: &'static str,
    /// Ending of the files that are made of it: their names must be free too.
    reserved: &'static str,
    open: Option<(PathBuf, File)>,
    /// Bytes taken that are not in the file yet.
    waiting: Vec<u8>,
    byte_count: u64,
    is_synced: bool,
}

impl Growing {
    /// Nothing yet. The file is made at the first [`Self::write`], `STEM.ENDING` or, if that
    /// name or the same with the ending `reserved` is taken, `STEM-2.ENDING` and so on.
    #[must_use]
    pub fn new(folder: &Path, stem: &str, ending: &'static str, reserved: &'static str) -> Self {
        Self {
            folder: folder.to_owned(),
            stem: stem.to_owned(),
            ending,
            reserved,
            open: None,
            waiting: Vec::new(),
            byte_count: 0,
            is_synced: true,
        }
    }

    /// Its path, once it was made.
    #[must_use]
    pub fn path(&self) -> Option<&Path> {
        self.open.as_ref().map(|(path, _)| path.as_path())
    }

    /// Bytes that are not written yet.
    #[must_use]
    pub const fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Bytes in all, written or not.
    #[must_use]
    pub const fn byte_count(&self) -> u64 {
        self.byte_count
    }

    /// Adds bytes to what waits to be written.
    pub fn add(&mut self, bytes: &[u8]) {
        self.waiting.extend_from_slice(bytes);
        self.byte_count += bytes.len() as u64;
    }

    /// Writes what waits; what could not be written goes on waiting.
    ///
    /// # Errors
    /// If the file cannot be made or not all be written.
    pub fn write(&mut self) -> Result<(), StoreError> {
        let (path, file) = match &mut self.open {
            Some(open) => open,
            closed => {
                let open = create(&self.folder, &self.stem, self.ending, self.reserved)?;
                closed.insert(open)
            }
        };
        let mut written = 0;
        let mut result = Ok(());
        while let Some(rest) = self.waiting.get(written..).filter(|rest| !rest.is_empty()) {
            match file.write(rest) {
                Ok(0) => {
                    result = Err(io::Error::from(io::ErrorKind::WriteZero));
                    break;
                }
                Ok(count) => {
                    written += count;
                    self.is_synced = false;
                }
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => {
                    result = Err(error);
                    break;
                }
            }
        }
        self.waiting.drain(..written);
        result.map_err(|error| StoreError::system(path, "write the file", error))
    }

    /// Sees to it that what is written outlasts a power cut.
    ///
    /// # Errors
    /// If the system cannot promise that.
    pub fn sync(&mut self) -> Result<(), StoreError> {
        if let Some((path, file)) = &self.open
            && !self.is_synced
        {
            file.sync_data()
                .map_err(|error| StoreError::system(path, "bring the file to the disk", error))?;
            self.is_synced = true;
        }
        Ok(())
    }
}

/// Makes the file, and locks it.
fn create(
    folder: &Path,
    stem: &str,
    ending: &str,
    reserved: &str,
) -> Result<(PathBuf, File), StoreError> {
    fs::create_dir_all(folder)
        .map_err(|error| StoreError::system(folder, "make the folder", error))?;
    for path in unused_names(folder, stem, ending) {
        if fs::symlink_metadata(path.with_extension(reserved)).is_ok() {
            continue;
        }
        let cannot = |error| StoreError::system(&path, "make the file", error);
        match OpenOptions::new().append(true).create_new(true).open(&path) {
            Ok(file) => {
                // Where there are no locks, nothing is recovered, and the file is written.
                let _ = file.try_lock();
                sync_folder_of(&path).map_err(cannot)?;
                return Ok((path, file));
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(cannot(error)),
        }
    }
    let words = format!("too many files named {stem} are in it already");
    Err(StoreError::words(folder, words))
}

/// A file that stopped growing because of a kill; nobody else has it while this is there.
#[derive(Debug)]
pub struct Abandoned {
    /// Path of the file.
    pub path: PathBuf,
    file: File,
}

impl Abandoned {
    /// Its bytes, at most so many.
    ///
    /// # Errors
    /// If it cannot be read.
    pub fn read(&mut self, max_bytes: u64) -> Result<Vec<u8>, StoreError> {
        let mut bytes = Vec::new();
        (&mut self.file)
            .take(max_bytes)
            .read_to_end(&mut bytes)
            .map_err(|error| StoreError::system(&self.path, "read the file", error))?;
        Ok(bytes)
    }

    /// Takes it away, when it is no longer needed.
    ///
    /// # Errors
    /// If it cannot be removed.
    pub fn remove(self) -> Result<(), StoreError> {
        fs::remove_file(&self.path)
            .map_err(|error| StoreError::system(&self.path, "remove the file", error))
    }
}

/// Files with this ending in a folder that no program has open any more, by name, at most
/// `limit`.
#[must_use]
pub fn abandoned(folder: &Path, ending: &str, limit: usize) -> Vec<Abandoned> {
    let mut paths: Vec<PathBuf> = fs::read_dir(folder)
        .into_iter()
        .flatten()
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|found| found == ending))
        .collect();
    paths.sort();
    let found = paths.into_iter().filter_map(|path| {
        // Opening a pipe would wait for its other end.
        if !fs::symlink_metadata(&path).ok()?.is_file() {
            return None;
        }
        let file = File::open(&path).ok()?;
        file.try_lock().ok()?;
        // Another start may have recovered and removed it just now.
        path.exists().then_some(Abandoned { path, file })
    });
    found.take(limit).collect()
}
