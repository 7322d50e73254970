//! Files one at a time, and a new show folder.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::Read;
use std::path::{Component, Path};

use super::error::StoreError;
use super::save::save;

/// Reads a whole file of at most `max_bytes`.
///
/// # Errors
/// If it cannot be read or is larger.
pub fn read_file(path: &Path, max_bytes: u64) -> Result<Vec<u8>, StoreError> {
    let cannot = |error| StoreError::system(path, "read the file", error);
    let mut bytes = Vec::new();
    // One byte more than allowed is enough to know; a pipe has no length to ask for.
    File::open(path)
        .map_err(cannot)?
        .take(max_bytes.saturating_add(1))
        .read_to_end(&mut bytes)
        .map_err(cannot)?;
    if bytes.len() as u64 > max_bytes {
        return Err(StoreError::words(
            path,
            "the file is far larger than such a file is; is it the right one?",
        ));
    }
    Ok(bytes)
}

/// Makes a folder and writes files into it, by their paths within it. A folder that is
/// there already must be empty: nothing is written over.
///
/// # Errors
/// If the folder holds something, or anything cannot be written.
pub fn write_new_folder(
    folder: &Path,
    files: &BTreeMap<String, Vec<u8>>,
) -> Result<(), StoreError> {
    if let Ok(mut inside) = fs::read_dir(folder)
        && inside.next().is_some()
    {
        return Err(StoreError::words(
            folder,
            "the folder is not empty; name one that is not there yet",
        ));
    }
    for (name, bytes) in files {
        let path = folder.join(name);
        let is_inside = Path::new(name)
            .components()
            .all(|part| matches!(part, Component::Normal(_)));
        if !is_inside {
            return Err(StoreError::words(
                &path,
                "the file is not inside the folder",
            ));
        }
        make_folder_of(&path)?;
        save(&path, bytes)?;
    }
    Ok(())
}

/// Makes the folder that a file is to be in.
///
/// # Errors
/// If it cannot be made.
pub fn make_folder_of(path: &Path) -> Result<(), StoreError> {
    let Some(folder) = path.parent() else {
        return Ok(());
    };
    fs::create_dir_all(folder).map_err(|error| StoreError::system(folder, "make the folder", error))
}

/// Takes a file away.
///
/// # Errors
/// If it cannot be removed.
pub fn remove(path: &Path) -> Result<(), StoreError> {
    fs::remove_file(path).map_err(|error| StoreError::system(path, "remove the file", error))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_folder_with_something_in_it_is_left_alone() {
        let temporary = tempfile::tempdir().unwrap();
        fs::write(temporary.path().join("mine"), "precious").unwrap();
        let files = BTreeMap::from([("mine".to_owned(), b"other".to_vec())]);
        assert!(write_new_folder(temporary.path(), &files).is_err());
        assert_eq!(
            fs::read_to_string(temporary.path().join("mine")).unwrap(),
            "precious"
        );
    }

    #[test]
    fn a_new_folder_holds_the_files_and_nothing_outside_it() {
        let temporary = tempfile::tempdir().unwrap();
        let folder = temporary.path().join("show");
        let files = BTreeMap::from([("songs/one.ron".to_owned(), b"()".to_vec())]);
        write_new_folder(&folder, &files).unwrap();
        assert_eq!(read_file(&folder.join("songs/one.ron"), 2).unwrap(), b"()");
        let outside = BTreeMap::from([("../out".to_owned(), b"x".to_vec())]);
        assert!(write_new_folder(&temporary.path().join("other"), &outside).is_err());
        assert!(!temporary.path().join("out").exists());
    }

    #[test]
    fn a_file_over_its_limit_is_refused() {
        let temporary = tempfile::tempdir().unwrap();
        let path = temporary.path().join("large");
        fs::write(&path, [0; 11]).unwrap();
        assert_eq!(read_file(&path, 11).unwrap().len(), 11);
        assert!(read_file(&path, 10).is_err());
    }
}
