//! The document, valid by construction: what reading a show folder yields.
//!
//! Names are resolved (a zone holds the index of its controller, not its name), `like`
//! and defaults are applied, and everything knows its place, so that a later finding can
//! point at it. What could not be made valid is not here: it is a finding.

mod controller;
mod night;
mod pedals;
mod rig;
mod route;
mod song;

use std::collections::{BTreeMap, BTreeSet};

use crate::show::finding::{Place, Span};
use crate::show::tree::LineIndex;
pub use crate::vocabulary::{
    Action, Join, Leave, LevelChange, PageManner, PickUp, PortKind, ReceiverKind, SourceKind,
    Trigger,
};
pub use controller::*;
pub use night::*;
pub use pedals::*;
pub use rig::*;
pub use route::*;
pub use song::*;

/// A file of the show folder, as it was read.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct SourceFile {
    /// Path relative to the show folder, with `/`.
    pub path: String,
    /// The file's whole text; sites count its bytes.
    pub text: String,
}

/// Where something stands: a file and a range of bytes in it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Site {
    /// Index of the file in `Show::files`.
    pub file: u16,
    /// Offset of the first byte.
    pub start: u32,
    /// Offset of the byte after the last.
    pub end: u32,
}

/// A show: a folder with a rig, songs and nights.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Show {
    /// Name of the show's folder.
    pub name: String,
    /// All files that were read, patch lists among them; `Site::file` counts them.
    pub files: Vec<SourceFile>,
    /// What `rig.ron` says: ports, controllers, receivers, pedals and curves.
    pub rig: Rig,
    /// All songs that could be read, by file name.
    pub songs: Vec<Song>,
    /// All nights. With no file under `nights/` there is one, called `all`, with every
    /// song in the order of their file names.
    pub nights: Vec<Night>,
    /// Paths of files and folders that could not be read; each has a finding.
    pub unread: BTreeSet<String>,
    /// Page texts by path relative to the show folder.
    pub page_texts: BTreeMap<String, String>,
}

impl Show {
    /// Whether the file at this path could not be read, or the folder it would be in.
    #[must_use]
    pub fn is_unread(&self, path: &str) -> bool {
        is_unread(&self.unread, path)
    }

    /// The file, line and column of a site, for a finding.
    #[must_use]
    pub fn place(&self, site: Site) -> Place {
        Places::new(&self.files).place(site)
    }
}

/// Whether a path is among `unread`, or a folder of it is.
pub fn is_unread(unread: &BTreeSet<String>, path: &str) -> bool {
    let folders = path.match_indices('/').filter_map(|(at, _)| path.get(..at));
    unread.contains(path) || folders.into_iter().any(|folder| unread.contains(folder))
}

/// Turns sites of these files into places for findings. The lines of each file are found once,
/// however many findings point into it.
#[derive(Clone, Debug)]
pub struct Places<'f> {
    files: &'f [SourceFile],
    lines: BTreeMap<u16, LineIndex>,
}

impl<'f> Places<'f> {
    /// Places in the files of a show.
    #[must_use]
    pub fn new(files: &'f [SourceFile]) -> Self {
        Self {
            files,
            lines: BTreeMap::new(),
        }
    }

    /// Where a site is.
    pub fn place(&mut self, site: Site) -> Place {
        let Some(file) = self.files.get(usize::from(site.file)) else {
            return Place::default();
        };
        let lines = self.lines.entry(site.file);
        let lines = lines.or_insert_with(|| LineIndex::new(&file.text));
        let span = Span::new(site.start as usize, site.end as usize);
        lines.place(&file.text, &file.path, span)
    }
}
