//! A show on its way in: files, document, findings, and the night that is asked for.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::Path;

use include_dir::{Dir, include_dir};

use super::counted;
use super::paper::say;
use crate::check;
use crate::show::finding::{Finding, Level, MORE_FINDINGS};
use crate::show::model::{Night, NightEntry, Show};
use crate::show::read;
use crate::store;

/// The shows that come with the program.
static SHOWS: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/shows");

/// The folder of the demo show under `shows/`.
pub(super) const DEMO: &str = "quarry-lanterns";

/// The night of the demo show that is opened.
pub(super) const DEMO_NIGHT: &str = "harbour-hall";

/// The folder of the small show that explains the files.
pub(super) const FIRST_STEPS: &str = "first-steps";

/// Files of a show folder by their paths within it.
#[derive(Default)]
pub(super) struct Files {
    /// What they hold.
    pub(super) bytes: BTreeMap<String, Vec<u8>>,
    /// Why others could not be read.
    unread: BTreeMap<String, String>,
}

/// A show that was read and checked.
pub(super) struct Loaded {
    pub(super) show: Show,
    pub(super) findings: Vec<Finding>,
}

impl Loaded {
    /// How many findings are errors.
    pub(super) fn error_count(&self) -> usize {
        self.findings
            .iter()
            .filter(|finding| finding.level == Level::Error)
            .count()
    }

    /// Says on `err` that the show has errors, how many, which is the first, and how to see
    /// the others; `done` is what is done with the rest: `planned`, `drawn`.
    pub(super) fn tell_errors(&self, path: &Path, done: &str, err: &mut dyn Write) {
        let mut errors = self.findings.iter().filter(|f| f.level == Level::Error);
        let Some(first) = errors.next() else { return };
        let count = counted(self.error_count(), "error");
        let (place, message, path) = (&first.place, &first.message, path.display());
        let words = format!(
            "warning: {count} in the show; what is sound is {done}. The first is {place}: {message}. \
             All are listed by: segue check {path}"
        );
        let _ = say(err, &words);
    }

    /// Says on `err` which files of a night are not whole; whether any is not. A night asks
    /// for its own file, for each of its songs that is not skipped, and for the rig and the
    /// patch lists, which concern every song. A file is whole if no error is about it.
    pub(super) fn tell_not_whole(&self, night: &Night, err: &mut dyn Write) -> bool {
        let asked = self.songs_of(night);
        let is_asked = |file: &str| match file.split_once('/') {
            Some(("songs", song)) => asked.contains(song),
            Some(("nights", of_night)) => of_night.strip_suffix(".ron") == Some(&night.name),
            Some(("pages", _)) => false,
            _ => file != "pages",
        };
        let errors = self.findings.iter().filter(|f| f.level == Level::Error);
        let mut files: BTreeSet<&str> = errors
            .map(|finding| finding.place.file.as_str())
            .filter(|file| is_asked(file))
            .collect();
        // Errors that are only counted may be about anything.
        if self.findings.iter().any(|f| f.id == MORE_FINDINGS) && self.error_count() > 0 {
            files.insert("what is not listed");
        }
        if files.is_empty() {
            return false;
        }
        let files: Vec<&str> = files.into_iter().collect();
        let _ = say(err, &format!("not whole: {}", files.join(", ")));
        true
    }

    /// The names of the files of a night's songs, in `songs/`.
    fn songs_of(&self, night: &Night) -> BTreeSet<String> {
        let read = night.order.iter().filter_map(|entry| match entry {
            NightEntry::Song {
                song,
                is_skipped: false,
                ..
            } => self.show.songs.get(*song).map(|song| &song.name),
            _ => None,
        });
        let names = read.chain(&night.unread);
        names.map(|name| format!("{name}.ron")).collect()
    }
}

/// The files of a show that comes with the program.
pub(super) fn built_in(name: &str) -> Files {
    let mut files = Files::default();
    if let Some(folder) = SHOWS.get_dir(name) {
        collect(folder, folder.path(), &mut files.bytes);
    }
    files
}

fn collect(folder: &Dir<'_>, root: &Path, files: &mut BTreeMap<String, Vec<u8>>) {
    for file in folder.files() {
        if let Ok(path) = file.path().strip_prefix(root) {
            let path = path.to_string_lossy().replace('\\', "/");
            files.insert(path, file.contents().to_vec());
        }
    }
    for inner in folder.dirs() {
        collect(inner, root, files);
    }
}

/// The files of a show folder, its rig replaced if another is given. That a file could not
/// be read becomes a finding about it.
///
/// # Errors
/// If the folder or the other rig cannot be read, in words with the path.
pub(super) fn folder(path: &Path, rig: Option<&Path>) -> Result<Files, String> {
    let contents = store::read_folder(path).map_err(|error| error.to_string())?;
    let reasons = contents.unread.iter();
    let mut files = Files {
        unread: reasons
            .map(|(path, error)| (path.clone(), error.problem()))
            .collect(),
        bytes: contents.files,
    };
    if let Some(rig) = rig {
        let bytes = store::read_file(rig, RIG_LIMIT).map_err(|error| error.to_string())?;
        files.unread.remove("rig.ron");
        files.bytes.insert("rig.ron".into(), bytes);
    }
    Ok(files)
}

/// Largest rig file taken by itself; the reader has the last word on size.
const RIG_LIMIT: u64 = 9 << 20;

/// Reads and checks a show.
pub(super) fn show(files: &Files, name: &str) -> Loaded {
    let (show, findings) = read::read_with_unread(&files.bytes, &files.unread, name);
    let findings = check::check(&show, &findings);
    Loaded { show, findings }
}

/// The show's name: that of its folder.
pub(super) fn name_of(path: &Path) -> String {
    let path = path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
    path.file_name()
        .map_or_else(|| "show".into(), |name| name.to_string_lossy().into_owned())
}

/// The night that is asked for; the only one if none is.
///
/// # Errors
/// If there is no such night, or several and none is named.
pub(super) fn night<'a>(show: &'a Show, name: Option<&str>) -> Result<&'a Night, String> {
    let known = || {
        show.nights
            .iter()
            .map(|night| night.name.as_str())
            .collect::<Vec<_>>()
            .join(", ")
    };
    match name {
        Some(name) => show
            .nights
            .iter()
            .find(|night| night.name == name)
            .ok_or_else(|| format!("there is no night \"{name}\"; the show has: {}", known())),
        None => match show.nights.as_slice() {
            [night] => Ok(night),
            [] => Err(
                "the show has no night to play: `segue check` says what could not be read".into(),
            ),
            _ => Err(format!(
                "the show has several nights; name one with --night: {}",
                known()
            )),
        },
    }
}
