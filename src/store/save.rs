//! Saving a file so that it is whole or did not happen.
//!
//! The new bytes go into a file beside the old one, reach the disk, and take its name in
//! one move. The libraries for that reset the file's mode or turn a link into a file, and
//! players do keep their songs behind links; so here it is by hand.

use std::fs::{self, File, Metadata, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::look::{look, name_count};

/// Writes a file, new or in the place of an old one. A link is followed, and the mode of
/// the old file is kept.
///
/// # Errors
/// If anything fails, or what is there is no file, is write-protected or has several names
/// (hard links); it is then untouched.
pub fn save(path: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let old = look(path)?;
    if let Some(old) = &old {
        refuse_to_replace(path, old)?;
    }
    let target = resolve(path)?;
    let cannot = |error| StoreError::system(path, "save the file", error);
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

/// Refuses an old file that a save could not replace faithfully, with the reason.
fn refuse_to_replace(path: &Path, old: &Metadata) -> Result<(), StoreError> {
    if old.permissions().readonly() {
        let words = "write-protected and left as it is: take off the protection to save";
        return Err(StoreError::words(path, words));
    }
    // The new file takes one name only; the others would keep the old bytes unnoticed. To
    // write in place would keep them together, but a kill could leave half a file.
    match name_count(old) {
        0 | 1 => Ok(()),
        count => Err(StoreError::words(
            path,
            format!(
                "left as it is: the file has {count} names (hard links), and a save would part \
                 them; remove the other names, or make them links to this one (`ln -s`)"
            ),
        )),
    }
}

/// Writes a new file in a folder, which is made if it is not there. Nothing is ever written
/// over: if `STEM.ENDING` is taken, the file is `STEM-2.ENDING`, and so on. Where it is.
///
/// # Errors
/// If it cannot be written, or too many names are taken.
pub fn save_unused(
    folder: &Path,
    stem: &str,
    ending: &str,
    bytes: &[u8],
) -> Result<PathBuf, StoreError> {
    fs::create_dir_all(folder)
        .map_err(|error| StoreError::system(folder, "make the folder", error))?;
    for path in unused_names(folder, stem, ending) {
        let cannot = |error| StoreError::system(&path, "save the file", error);
        let mut file = match OpenOptions::new().write(true).create_new(true).open(&path) {
            Ok(file) => file,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => continue,
            Err(error) => return Err(cannot(error)),
        };
        if let Err(error) = file.write_all(bytes).and_then(|()| file.sync_all()) {
            // A half-written file is removed.
            let _ = fs::remove_file(&path);
            return Err(cannot(error));
        }
        sync_folder_of(&path).map_err(cannot)?;
        return Ok(path);
    }
    Err(StoreError::words(
        folder,
        format!("too many files named {stem} are in it already"),
    ))
}

/// `STEM.ENDING`, `STEM-2.ENDING` and so on, as many as are tried.
pub(super) fn unused_names(
    folder: &Path,
    stem: &str,
    ending: &str,
) -> impl Iterator<Item = PathBuf> {
    (1..=NAME_LIMIT).map(move |count| match count {
        1 => folder.join(format!("{stem}.{ending}")),
        _ => folder.join(format!("{stem}-{count}.{ending}")),
    })
}

/// The path with links resolved, where the bytes are written. The file itself need not exist
/// yet.
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
        // A file left by a kill is passed over by another number.
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

/// A rename is only on the disk once its folder is synced.
#[cfg(unix)]
pub(super) fn sync_folder_of(path: &Path) -> io::Result<()> {
    match path.parent() {
        Some(folder) => File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}

/// On other systems folders cannot be opened, and the system syncs them itself.
#[cfg(not(unix))]
pub(super) fn sync_folder_of(_path: &Path) -> io::Result<()> {
    Ok(())
}

/// Names tried for a file that must not replace another.
const NAME_LIMIT: u32 = 10_000;

/// Names tried beside the target.
const ATTEMPTS: usize = 64;
