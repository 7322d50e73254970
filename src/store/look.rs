//! Checks what is at a path before anything is written: a pipe, a device or a folder is no
//! file, and an output must not replace what it was made from.

use std::fs::{self, File, Metadata, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};

use super::error::StoreError;
use super::folder::{FOLDERS, RIG};
use super::save::save;
use super::single::make_folder_of;

/// The file at a path, past links; none if there is none.
///
/// # Errors
/// If something else is there, or it cannot be looked at.
pub(super) fn look(path: &Path) -> Result<Option<Metadata>, StoreError> {
    match fs::metadata(path) {
        Ok(metadata) => must_be_file(path, &metadata).map(|()| Some(metadata)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(StoreError::system(path, "look at the file", error)),
    }
}

fn must_be_file(path: &Path, metadata: &Metadata) -> Result<(), StoreError> {
    if metadata.is_file() {
        return Ok(());
    }
    let words = format!("{}, not a file, and left as it is", kind(metadata));
    Err(StoreError::words(path, words))
}

#[cfg(unix)]
fn kind(metadata: &Metadata) -> &'static str {
    use std::os::unix::fs::FileTypeExt;
    let kind = metadata.file_type();
    if kind.is_dir() {
        "a folder"
    } else if kind.is_fifo() {
        "a pipe"
    } else if kind.is_socket() {
        "a socket"
    } else {
        "a device"
    }
}

#[cfg(not(unix))]
fn kind(metadata: &Metadata) -> &'static str {
    if metadata.is_dir() {
        "a folder"
    } else {
        "a device"
    }
}

/// Opens a file to add to it, or makes it; `deed` says what for, if that fails.
///
/// # Errors
/// If it cannot be opened, or what is there is no file.
pub(super) fn open_to_append(path: &Path, deed: &'static str) -> Result<File, StoreError> {
    // Looked at first, because opening a pipe or a device may wait or do something; and again,
    // because it may have been exchanged in between.
    look(path)?;
    let cannot = |error| StoreError::system(path, deed, error);
    let mut options = OpenOptions::new();
    let file = options
        .append(true)
        .create(true)
        .open(path)
        .map_err(cannot)?;
    must_be_file(path, &file.metadata().map_err(cannot)?)?;
    Ok(file)
}

/// How many names (hard links) a file has.
#[cfg(unix)]
pub(super) fn name_count(metadata: &Metadata) -> u64 {
    std::os::unix::fs::MetadataExt::nlink(metadata)
}

/// Other systems do not report it.
#[cfg(not(unix))]
pub(super) const fn name_count(_metadata: &Metadata) -> u64 {
    1
}

/// Files that no output may be written over, under whatever name.
#[derive(Clone, Debug, Default)]
pub struct Guarded {
    files: Vec<(FileId, &'static str)>,
}

impl Guarded {
    /// Guards files of a show, by their paths within its folder.
    #[must_use]
    pub fn show<'a>(mut self, folder: &Path, names: impl Iterator<Item = &'a str>) -> Self {
        let ids = names.filter_map(|name| file_id(&folder.join(name)));
        self.files.extend(ids.map(|id| (id, PART_OF_SHOW)));
        self
    }

    /// Guards a recording, given its path.
    #[must_use]
    pub fn recording(mut self, path: &Path) -> Self {
        let id = file_id(path);
        self.files.extend(id.map(|id| (id, THE_RECORDING)));
        self
    }

    /// Whether an output may be written there.
    ///
    /// # Errors
    /// If what is there is no file, is guarded, or belongs to a show: its rig, or anything in
    /// one of its folders.
    pub fn allow(&self, path: &Path) -> Result<(), StoreError> {
        if look(path)?.is_some()
            && let Some(id) = file_id(path)
            && let Some((_, words)) = self.files.iter().find(|(other, _)| *other == id)
        {
            return Err(StoreError::words(path, *words));
        }
        if is_in_show(&real(path)) {
            return Err(StoreError::words(path, PART_OF_SHOW));
        }
        Ok(())
    }
}

const PART_OF_SHOW: &str = "part of the show, and left as it is: name another file";
const THE_RECORDING: &str = "the recording that is read, and left as it is: name another place";

/// Writes what was made from a show or a recording. The folder is made if it is not there.
///
/// # Errors
/// As [`Guarded::allow`] and [`save`].
pub fn save_output(path: &Path, bytes: &[u8], guarded: &Guarded) -> Result<(), StoreError> {
    guarded.allow(path)?;
    make_folder_of(path)?;
    // A folder that was only just made may lead elsewhere, as `new/../songs` does.
    guarded.allow(path)?;
    save(path, bytes)
}

/// Whether a path, with links resolved, is an existing rig or in a folder beside one.
fn is_in_show(target: &Path) -> bool {
    if target.ends_with(RIG) && target.exists() {
        return true;
    }
    target.ancestors().skip(1).any(|folder| {
        let is_named = FOLDERS.iter().any(|name| folder.ends_with(name));
        is_named && folder.with_file_name(RIG).is_file()
    })
}

/// A path with links resolved, as far as it exists.
fn real(path: &Path) -> PathBuf {
    if let Ok(real) = fs::canonicalize(path) {
        return real;
    }
    match (path.parent(), path.file_name()) {
        (Some(folder), Some(name)) if folder.as_os_str().is_empty() => {
            real(Path::new(".")).join(name)
        }
        (Some(folder), Some(name)) => real(folder).join(name),
        _ => path.to_owned(),
    }
}

/// Identifies a file whatever its name: device and inode number.
#[cfg(unix)]
type FileId = (u64, u64);

#[cfg(unix)]
fn file_id(path: &Path) -> Option<FileId> {
    use std::os::unix::fs::MetadataExt;
    let metadata = fs::metadata(path).ok()?;
    Some((metadata.dev(), metadata.ino()))
}

/// On other systems: its path with links resolved.
#[cfg(not(unix))]
type FileId = PathBuf;

#[cfg(not(unix))]
fn file_id(path: &Path) -> Option<FileId> {
    fs::canonicalize(path).ok()
}
