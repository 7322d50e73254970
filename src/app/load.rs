//! A show on its way in: files, document, findings, and the night that is asked for.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::Path;

use include_dir::{Dir, include_dir};

use crate::check;
use crate::show::finding::{Finding, Level};
use crate::show::model::{Night, Show};
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
pub(super) type Files = BTreeMap<String, Vec<u8>>;

/// A show that was read and checked.
pub(super) struct Loaded {
    pub(super) show: Show,
    pub(super) findings: Vec<Finding>,
}

impl Loaded {
    /// How many findings are errors.
    pub(super) fn error_count(&self) -> usize {
        self.findings.iter().filter(|finding| finding.level == Level::Error).count()
    }
}

/// The files of a show that comes with the program.
pub(super) fn built_in(name: &str) -> Files {
    let mut files = Files::new();
    if let Some(folder) = SHOWS.get_dir(name) {
        collect(folder, folder.path(), &mut files);
    }
    files
}

fn collect(folder: &Dir<'_>, root: &Path, files: &mut Files) {
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

/// The files of a show folder, its rig replaced if another is given. Files that could not
/// be read are left out and told on `err`.
///
/// # Errors
/// If the folder or the other rig cannot be read, in words with the path.
pub(super) fn folder(path: &Path, rig: Option<&Path>, err: &mut dyn Write) -> Result<Files, String> {
    let contents = store::read_folder(path).map_err(|error| error.to_string())?;
    for error in &contents.unread {
        let _ = writeln!(err, "{error}");
    }
    let mut files = contents.files;
    if let Some(rig) = rig {
        let bytes = store::read_file(rig, RIG_LIMIT).map_err(|error| error.to_string())?;
        files.insert("rig.ron".into(), bytes);
    }
    Ok(files)
}

/// Largest rig file taken by itself; the reader has the last word on size.
const RIG_LIMIT: u64 = 9 << 20;

/// Reads and checks a show.
pub(super) fn show(files: &Files, name: &str) -> Loaded {
    let (show, findings) = read::read(files, name);
    let findings = check::check(&show, findings);
    Loaded { show, findings }
}

/// The show's name: that of its folder.
pub(super) fn name_of(path: &Path) -> String {
    let path = path.canonicalize().unwrap_or_else(|_| path.to_path_buf());
    path.file_name().map_or_else(|| "show".into(), |name| name.to_string_lossy().into_owned())
}

/// The night that is asked for; the only one if none is.
///
/// # Errors
/// If there is no such night, or several and none is named.
pub(super) fn night<'a>(show: &'a Show, name: Option<&str>) -> Result<&'a Night, String> {
    let known = || show.nights.iter().map(|night| night.name.as_str()).collect::<Vec<_>>().join(", ");
    match name {
        Some(name) => show
            .nights
            .iter()
            .find(|night| night.name == name)
            .ok_or_else(|| format!("there is no night \"{name}\"; the show has: {}", known())),
        None => match show.nights.as_slice() {
            [night] => Ok(night),
            [] => Err("the show has no night to play; its songs could not be read".into()),
            _ => Err(format!("the show has several nights; name one with --night: {}", known())),
        },
    }
}
