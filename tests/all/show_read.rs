//! Shows read from folders: those under `shows/`, and small ones made of texts.

use std::{
    collections::BTreeMap,
    fs,
    path::{Path, PathBuf},
};

use segue::show::{finding::Findings, model::Show, read::read};

/// The files of a folder and all folders in it, by path relative to it.
pub(crate) fn files_in(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        let entries =
            fs::read_dir(&next).unwrap_or_else(|error| panic!("{}: {error}", next.display()));
        for entry in entries {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let relative = path
                    .strip_prefix(folder)
                    .unwrap()
                    .to_str()
                    .unwrap()
                    .replace('\\', "/");
                files.insert(relative, fs::read(&path).unwrap());
            }
        }
    }
    files
}

/// A folder of this repository.
pub(crate) fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// All shows under `shows/`.
pub(crate) fn shows() -> Vec<PathBuf> {
    let mut shows: Vec<_> = fs::read_dir(repository("shows"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    shows.sort();
    assert!(shows.len() >= 2);
    shows
}

fn read_folder(folder: &Path) -> (Show, Findings) {
    read(
        &files_in(folder),
        folder.file_name().unwrap().to_str().unwrap(),
    )
}

fn told(findings: Findings) -> String {
    findings
        .into_sorted()
        .iter()
        .map(|finding| format!("{finding}\n"))
        .collect()
}

#[test]
fn every_show_reads_without_a_finding() {
    for folder in shows() {
        let (show, findings) = read_folder(&folder);
        assert_eq!(told(findings), "", "{}", folder.display());
        assert!(!show.songs.is_empty() && !show.nights.is_empty());
    }
}
