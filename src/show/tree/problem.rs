//! Something wrong at a place of one file, before the file has a name.

use crate::show::finding::{Level, Span};

/// What will become a finding once the file's name and lines are known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Stable name, in kebab-case.
    pub id: &'static str,
    /// How bad it is.
    pub level: Level,
    /// The bytes in question; none if it is the file as a whole.
    pub span: Option<Span>,
    /// What is wrong: lower case, names the thing.
    pub message: String,
    /// What the user can write or do to mend it; None if the message says it all.
    pub help: Option<String>,
}

impl Problem {
    /// An error at a span.
    pub fn error(id: &'static str, span: Span, message: impl Into<String>) -> Self {
        Self {
            id,
            level: Level::Error,
            span: Some(span),
            message: message.into(),
            help: None,
        }
    }

    /// A warning at a span.
    pub fn warning(id: &'static str, span: Span, message: impl Into<String>) -> Self {
        Self {
            level: Level::Warning,
            ..Self::error(id, span, message)
        }
    }

    /// A note at a span.
    pub fn note(id: &'static str, span: Span, message: impl Into<String>) -> Self {
        Self {
            level: Level::Note,
            ..Self::error(id, span, message)
        }
    }

    /// An error of the file as a whole.
    pub fn of_file(id: &'static str, message: impl Into<String>) -> Self {
        Self {
            span: None,
            ..Self::error(id, Span::default(), message)
        }
    }

    /// Adds what the user can do about it.
    pub fn help(self, help: impl Into<String>) -> Self {
        Self {
            help: Some(help.into()),
            ..self
        }
    }

    /// Adds the nearest known name as help, if there is one.
    pub fn nearest(self, nearest: Option<&str>) -> Self {
        match nearest {
            Some(name) => self.help(format!("the nearest is \"{name}\"")),
            None => self,
        }
    }
}

/// The problems of one file: the first [`Problems::MAX`] are kept, the rest are counted.
#[derive(Clone, Debug, Default)]
pub struct Problems {
    kept: Vec<Problem>,
    more: usize,
}

impl Problems {
    /// How many mistakes of grammar one file keeps: what follows is mostly their echo.
    pub const MAX: usize = 100;

    /// Keeps a problem, or only counts it once there are [`Problems::MAX`].
    pub fn add(&mut self, problem: Problem) {
        if self.kept.len() < Self::MAX {
            self.kept.push(problem);
        } else {
            self.more += 1;
        }
    }

    /// Those that are kept, in the order they were found.
    pub fn kept(&self) -> &[Problem] {
        &self.kept
    }

    /// How many there are, kept or only counted.
    pub fn count(&self) -> usize {
        self.kept.len() + self.more
    }

    /// How many were only counted.
    pub fn more(&self) -> usize {
        self.more
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }
}
