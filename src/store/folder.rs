//! Reading a show folder: which files belong to a show, and their bytes.
//!
//! Links are followed. A file that cannot be read does not take the others down: it is
//! named with the reason, so that one bad song costs one song and nobody misses it unknowing.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::Path;

use super::error::StoreError;

/// What a show folder holds.
#[derive(Debug, Default)]
pub struct FolderContents {
    /// Bytes by path relative to the folder, with `/`. A file over `MAX_FILE_BYTES` is cut to
    /// one byte more, and of more than `MAX_FILES` files there is one more, so that the reader
    /// sees that a limit is exceeded.
    pub files: BTreeMap<String, Vec<u8>>,
    /// Files and folders of the show that could not be read, by path relative to the folder.
    pub unread: BTreeMap<String, StoreError>,
}

/// Reads `rig.ron`, `songs/*.ron`, `nights/*.ron`, `patches/*.csv` and all under `pages/`.
/// Names that begin with a dot are left alone.
///
/// # Errors
/// If the folder itself cannot be read, or holds more than `MAX_FOLDER_BYTES`.
pub fn read_folder(path: &Path) -> Result<FolderContents, StoreError> {
    let is_folder = fs::metadata(path)
        .map_err(|error| StoreError::system(path, "read the show folder", error))?
        .is_dir();
    if !is_folder {
        return Err(StoreError::words(
            path,
            "not a folder: a show is a folder with `rig.ron` in it; name that folder",
        ));
    }
    let mut reader = Reader::default();
    let rig = path.join(RIG);
    // A missing rig is reported by the reader of the show, with its help.
    if fs::symlink_metadata(&rig).is_ok() {
        reader.read_file(&rig, RIG.to_owned());
    }
    for (folder, ending) in [("songs", "ron"), ("nights", "ron"), ("patches", "csv")] {
        reader.read_flat(&path.join(folder), folder, ending);
    }
    reader.read_tree(&path.join("pages"), "pages", 0);
    if reader.byte_count > MAX_FOLDER_BYTES {
        return Err(StoreError::words(
            path,
            "the folder holds more than 512 MiB: move out what does not belong to the show",
        ));
    }
    Ok(reader.contents)
}

#[derive(Default)]
struct Reader {
    contents: FolderContents,
    byte_count: u64,
}

impl Reader {
    /// Reads the files with an ending, of one folder without those inside it.
    fn read_flat(&mut self, folder: &Path, relative: &str, ending: &str) {
        let has_ending = |name: &Path| name.extension().is_some_and(|found| found == ending);
        for name in self.names_in(folder, relative, has_ending) {
            self.read_file(&folder.join(&name), format!("{relative}/{name}"));
        }
    }

    /// Reads all files of a folder and of those inside it.
    fn read_tree(&mut self, folder: &Path, relative: &str, depth: usize) {
        if depth > MAX_DEPTH {
            // This also ends a link that leads back up.
            let words = "folders are nested too deep here (8 levels at most): left out";
            self.unread(relative, StoreError::words(folder, words));
            return;
        }
        for name in self.names_in(folder, relative, |_| true) {
            let path = folder.join(&name);
            let relative = format!("{relative}/{name}");
            if path.is_dir() {
                self.read_tree(&path, &relative, depth + 1);
            } else {
                self.read_file(&path, relative);
            }
        }
    }

    /// The names in a folder that belong to the show, sorted. A folder that does not exist is
    /// empty; a link to nothing is not.
    fn names_in(
        &mut self,
        folder: &Path,
        relative: &str,
        belongs: impl Fn(&Path) -> bool,
    ) -> Vec<String> {
        let mut names = Vec::new();
        if fs::symlink_metadata(folder).is_err_and(|error| error.kind() == io::ErrorKind::NotFound)
        {
            return names;
        }
        let cannot = |error| StoreError::system(folder, "read the folder", error);
        let entries = match fs::read_dir(folder) {
            Ok(entries) => entries,
            Err(error) => {
                self.unread(relative, cannot(error));
                return names;
            }
        };
        for entry in entries {
            let entry = match entry {
                Ok(entry) => entry,
                // Which names of the folder are missing cannot be known.
                Err(error) => {
                    self.unread(relative, cannot(error));
                    break;
                }
            };
            let name = entry.file_name();
            if name.as_encoded_bytes().starts_with(b".") || !belongs(Path::new(&name)) {
                continue;
            }
            match name.into_string() {
                Ok(name) => names.push(name),
                Err(name) => {
                    let words = "the name is not UTF-8: rename the file";
                    let path = format!("{relative}/{}", name.to_string_lossy());
                    self.unread(&path, StoreError::words(&entry.path(), words));
                }
            }
        }
        names.sort();
        names
    }

    fn unread(&mut self, relative: &str, error: StoreError) {
        self.contents.unread.insert(relative.to_owned(), error);
    }

    fn read_file(&mut self, path: &Path, relative: String) {
        if self.contents.files.len() > MAX_FILES || self.byte_count > MAX_FOLDER_BYTES {
            return;
        }
        match read_limited(path) {
            Ok(bytes) => {
                self.byte_count += bytes.len() as u64;
                self.contents.files.insert(relative, bytes);
            }
            Err(error) => self.unread(&relative, error),
        }
    }
}

fn read_limited(path: &Path) -> Result<Vec<u8>, StoreError> {
    let cannot = |error| StoreError::system(path, "read the file", error);
    // Opening a pipe would wait for its other end.
    if !fs::metadata(path).map_err(cannot)?.is_file() {
        return Err(StoreError::words(path, "not a file"));
    }
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|file| file.take(MAX_FILE_BYTES + 1).read_to_end(&mut bytes))
        .map_err(cannot)?;
    Ok(bytes)
}

/// The largest file of a show.
pub const MAX_FILE_BYTES: u64 = 8 << 20;

/// The most files of a show.
pub const MAX_FILES: usize = 20_000;

/// The most that all files of a show may hold together.
pub const MAX_FOLDER_BYTES: u64 = 512 << 20;

/// How deep folders under `pages/` may be nested.
const MAX_DEPTH: usize = 8;

pub(super) const RIG: &str = "rig.ron";

/// Folders of a show.
pub(super) const FOLDERS: [&str; 4] = ["songs", "nights", "patches", "pages"];
