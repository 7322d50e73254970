//! What can go wrong with files, in words that name the file and say what to do.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// A file operation that failed.
#[derive(Debug)]
pub struct StoreError {
    path: PathBuf,
    problem: Problem,
}

#[derive(Debug)]
enum Problem {
    /// What could not be done, and why.
    System(&'static str, io::Error),
    /// What is wrong and what to do.
    Words(&'static str),
}

impl StoreError {
    pub(super) fn system(path: &Path, deed: &'static str, source: io::Error) -> Self {
        Self {
            path: path.to_owned(),
            problem: Problem::System(deed, source),
        }
    }

    pub(super) fn words(path: &Path, words: &'static str) -> Self {
        Self {
            path: path.to_owned(),
            problem: Problem::Words(words),
        }
    }

    /// What is wrong, without the path.
    #[must_use]
    pub fn reason(&self) -> String {
        match &self.problem {
            Problem::System(deed, source) => format!("cannot {deed}: {source}"),
            Problem::Words(words) => (*words).to_owned(),
        }
    }

    /// The file or folder that it is about.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.path.display(), self.reason())
    }
}

impl std::error::Error for StoreError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &self.problem {
            Problem::System(_, source) => Some(source),
            Problem::Words(_) => None,
        }
    }
}
