//! What can go wrong with files, in words that name the file and say what to do.

use std::borrow::Cow;
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
    /// What could not be done, and the system's reason.
    System(&'static str, io::Error),
    /// What is wrong and what to do.
    Words(Cow<'static, str>),
}

impl StoreError {
    pub(super) fn system(path: &Path, deed: &'static str, source: io::Error) -> Self {
        Self {
            path: path.to_owned(),
            problem: Problem::System(deed, source),
        }
    }

    /// Something wrong with a file's content, and what to do.
    pub fn words(path: &Path, words: impl Into<Cow<'static, str>>) -> Self {
        Self {
            path: path.to_owned(),
            problem: Problem::Words(words.into()),
        }
    }

    /// The reason without the path, for places with little room.
    #[must_use]
    pub fn reason(&self) -> String {
        match &self.problem {
            // The system's error number is left out here: it is for the log.
            Problem::System(_, source) => {
                let words = source.to_string();
                words
                    .split_once(" (os error")
                    .map_or(words.as_str(), |(first, _)| first)
                    .to_owned()
            }
            Problem::Words(words) => words.to_string(),
        }
    }

    /// What is wrong, without the path.
    #[must_use]
    pub fn problem(&self) -> String {
        match &self.problem {
            Problem::System(deed, source) => format!("cannot {deed}: {source}"),
            Problem::Words(words) => words.to_string(),
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
        write!(f, "{}: {}", self.path.display(), self.problem())
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
