//! Saving a file so that it is whole or did not happen.
//!
//! The new bytes go into a file beside the old one, reach the disk, and take its name in
//! one move. The libraries for that reset the file's mode or turn a link into a file, and
//! players do keep their songs behind links; so here it is by hand.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::error::StoreError;

/// Writes a file, new or in the place of an old one. A link is followed, and the mode of
/// the old file is kept.
///
/// # Errors
/// If anything fails, or the old file is write-protected; the old file is then untouched.
pub fn save(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let target = resolve(path)?;
    let cannot = |error| StoreError::system(path, "save the file", error);
    let old = match fs::metadata(&target) {
        Ok(metadata) if metadata.permissions().readonly() => {
            let words = "write-protected and left as it is: take off the protection to save";
            return Err(StoreError::words(path, words));
        }
        Ok(metadata) => Some(metadata),
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(cannot(error)),
    };
    let (mut file, beside) = create_beside(&target).map_err(cannot)?;
    let written = file
        .write_all(bytes)
        .and_then(|()| match &old {
            Some(metadata) => file.set_permissions(metadata.permissions()),
            None => Ok(()),
        })
        .and_then(|()| file.sync_all())
        .and_then(|()| fs::rename(&beside, &target));
    if let Err(error) = written {
        // Nothing can be done if that fails too; the next save finds another name.
        let _ = fs::remove_file(&beside);
        return Err(cannot(error));
    }
    sync_folder_of(&target).map_err(cannot)
}

/// Where the bytes really go: past all links. The file itself need not exist yet.
fn resolve(path: &Path) -> Result<PathBuf, StoreError> {
    match fs::canonicalize(path) {
        Ok(target) => return Ok(target),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(StoreError::system(path, "save the file", error)),
    }
    if fs::symlink_metadata(path).is_ok() {
        let words = "a link to nothing: mend or remove the link, then save again";
        return Err(StoreError::words(path, words));
    }
    let folder = match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let folder = fs::canonicalize(folder)
        .map_err(|error| StoreError::system(folder, "save into the folder", error))?;
    match path.file_name() {
        Some(name) => Ok(folder.join(name)),
        None => Err(StoreError::words(path, "not the name of a file")),
    }
}

/// A new file beside the target, hidden, so that nothing takes it for part of a show.
fn create_beside(target: &Path) -> io::Result<(File, PathBuf)> {
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    let mut last = io::Error::from(io::ErrorKind::AlreadyExists);
    for attempt in 0..ATTEMPTS {
        // One left over by a kill is in nobody's way.
        let beside = format!(".{name}.{}-{attempt}.saving", std::process::id());
        let beside = target.with_file_name(beside);
        match OpenOptions::new()
            .write(true)
            .create_new(true)
            .open(&beside)
        {
            Ok(file) => return Ok((file, beside)),
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => last = error,
            Err(error) => return Err(error),
        }
    }
    Err(last)
}

/// A rename is on the disk only when its folder is.
#[cfg(unix)]
pub(super) fn sync_folder_of(path: &Path) -> io::Result<()> {
    match path.parent() {
        Some(folder) => File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}

/// Elsewhere folders cannot be opened, and the system sees to it.
#[cfg(not(unix))]
pub(super) fn sync_folder_of(_path: &Path) -> io::Result<()> {
    Ok(())
}

/// Names tried beside the target.
const ATTEMPTS: usize = 64;
