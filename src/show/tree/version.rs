//! The version of a show file: looked at before anything else in it.
//!
//! A later version gets a name here and a reader of its own beside that of version 1; `match`
//! on [`Version`] chooses between them, and the compiler names every place that must choose.

use super::{Kind, Node, Number, Problem, Report, Span};

/// A version this program reads.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Version {
    /// `version: 1`, the first that was saved.
    One,
}

impl Version {
    /// All versions, oldest first.
    pub const ALL: [Self; 1] = [Self::One];

    /// The version that the program writes.
    pub const NEWEST: Self = Self::One;

    /// The number after `version:` in a file.
    pub const fn number(self) -> i128 {
        match self {
            Self::One => 1,
        }
    }
}

/// The version of a file. None, with a finding, if it has none or this program does not read
/// it: then nothing else in the file can be judged, and it is left as it is.
pub fn read_version(root: &Node, report: &mut Report<'_>) -> Option<Version> {
    let newest = Version::NEWEST.number();
    let Kind::Struct { fields, .. } = &root.kind else {
        return missing(root, report);
    };
    let Some(field) = fields.iter().find(|field| field.name.name == "version") else {
        return missing(root, report);
    };
    let span = field.value.span;
    let number = match &field.value.kind {
        Kind::Number(Number::Int(number)) => *number,
        Kind::Wrong => return None,
        other => {
            let message = format!("expected a version, found {}", other.describe());
            report.add(
                Problem::error("wrong-kind", span, message)
                    .help(format!("write version: {newest}")),
            );
            return None;
        }
    };
    let version = Version::ALL
        .into_iter()
        .find(|version| version.number() == number);
    if version.is_none() {
        report.add(match number > newest {
            true => {
                let message = format!(
                    "this file has version {number}, and this program reads up to {newest}"
                );
                Problem::error("newer-version", span, message)
                    .help("update the program; the file is left as it is")
            }
            false => Problem::error(
                "unknown-version",
                span,
                format!("there is no version {number}"),
            )
            .help(format!("write version: {newest}")),
        });
    }
    version
}

fn missing(root: &Node, report: &mut Report<'_>) -> Option<Version> {
    if root.kind != Kind::Wrong {
        let start = Span::new(root.span.start, (root.span.start + 1).min(root.span.end));
        let message = "this file does not say its version";
        let help = format!("begin it with (version: {},", Version::NEWEST.number());
        report.add(Problem::error("missing-version", start, message).help(help));
    }
    None
}
