//! What is wrong with a show, where, and what to do: as text for people and as JSON for programs.
//!
//! A finding is complete in itself, so that it can be shown after its file is gone.

use std::{collections::BTreeMap, fmt};

use serde::{Serialize, Serializer};

use crate::words;
use unicode_width::{UnicodeWidthChar, UnicodeWidthStr};

/// A range of bytes of a file: from `start` up to, not including, `end`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span {
    /// Offset of the first byte, from the start of the file.
    pub start: usize,
    /// One past the last byte.
    pub end: usize,
}

impl Span {
    /// The bytes from `start` up to `end`.
    pub const fn new(start: usize, end: usize) -> Self {
        Self { start, end }
    }

    /// Whether all of `other` lies within this span.
    pub const fn contains(self, other: Self) -> bool {
        self.start <= other.start && other.end <= self.end
    }

    /// From the start of this span to the end of `other`.
    pub const fn to(self, other: Self) -> Self {
        Self::new(self.start, other.end)
    }
}

/// How bad a finding is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// The show, or the part of it that is named, cannot be played.
    Error,
    /// It can be played, and will probably not do what was meant.
    Warning,
    /// It plays as meant; the user may want to know this.
    Note,
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Note => "note",
        })
    }
}

/// Where in the show folder a finding is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// Path from the show folder, with `/` between its parts.
    pub file: String,
    /// The bytes in question; none if it is the file as a whole.
    pub span: Option<Span>,
    /// 1 for the first line; 0 if it is the file as a whole.
    pub line: u32,
    /// 1 for the first character of the line; 0 if it is the file as a whole.
    pub column: u32,
    /// The line, without its end. A very long one is cut to what is around the span.
    pub line_text: String,
    /// What of `line_text` the span covers, in bytes.
    pub marked: Span,
}

impl Place {
    /// A file as a whole: it is missing, too long, or lacks something.
    pub fn of_file(file: impl Into<String>) -> Self {
        Self {
            file: file.into(),
            ..Self::default()
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            0 => f.write_str(&self.file),
            line => write!(f, "{}:{line}:{}", self.file, self.column),
        }
    }
}

/// One thing that is wrong, or worth knowing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// Stable name of the rule, in kebab-case.
    pub id: &'static str,
    /// How bad it is.
    pub level: Level,
    /// The file, and the line and column in it.
    pub place: Place,
    /// What is wrong: lower case, names the thing.
    pub message: String,
    /// What the user can write or do to mend it; None if the message says it all.
    pub help: Option<String>,
}

impl Finding {
    fn order(&self) -> (&str, u32, u32, &str, &str) {
        (
            &self.place.file,
            self.place.line,
            self.place.column,
            self.id,
            &self.message,
        )
    }
}

impl PartialOrd for Finding {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

/// Findings sort by file, line, column and id; the other fields only break ties.
impl Ord for Finding {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.order().cmp(&other.order()).then_with(|| {
            (
                self.level,
                &self.help,
                self.place.span,
                &self.place.line_text,
                self.place.marked,
            )
                .cmp(&(
                    other.level,
                    &other.help,
                    other.place.span,
                    &other.place.line_text,
                    other.place.marked,
                ))
        })
    }
}

/// The finding, then the line with the place marked, then what to do:
///
/// ```text
/// songs/ferry.ron:12:16: error[unknown-name]: no patch "Warm Stings" in the list of "main"
///   12 |         patch: "Warm Stings",
///                       ^^^^^^^^^^^^^
///   help: the nearest is "Warm Strings"
/// ```
impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let head = format!(
            "{}: {}[{}]: {}",
            self.place, self.level, self.id, self.message
        );
        f.write_str(&words::clean(&head))?;
        if self.place.line > 0 {
            self.write_line(f)?;
        }
        match &self.help {
            Some(help) => write!(f, "\n  help: {}", words::clean(help)),
            None => Ok(()),
        }
    }
}

impl Finding {
    fn write_line(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Place {
            line,
            line_text,
            marked,
            ..
        } = &self.place;
        let before = printable(line_text.get(..marked.start).unwrap_or_default());
        let inside = printable(line_text.get(marked.start..marked.end).unwrap_or_default());
        let after = printable(line_text.get(marked.end..).unwrap_or_default());
        let gutter = format!("  {line} | ");
        write!(
            f,
            "\n{}",
            format!("{gutter}{before}{inside}{after}").trim_end()
        )?;
        // The end of a line has nothing to underline, yet must be pointed at.
        let blank = gutter.width() + before.width();
        write!(f, "\n{:blank$}{}", "", "^".repeat(inside.width().max(1)))
    }
}

impl Serialize for Finding {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Flat<'a> {
            id: &'a str,
            level: Level,
            file: &'a str,
            line: u32,
            column: u32,
            message: &'a str,
            help: Option<&'a str>,
        }
        Flat {
            id: self.id,
            level: self.level,
            file: &self.place.file,
            line: self.place.line,
            column: self.place.column,
            message: &self.message,
            help: self.help.as_deref(),
        }
        .serialize(serializer)
    }
}

/// The findings of one run: the first [`Findings::MAX`] are kept, the rest are counted.
#[derive(Clone, Debug, Default)]
pub struct Findings {
    kept: Vec<Finding>,
    counts: BTreeMap<Level, usize>,
}

impl Findings {
    /// How many findings one run keeps. Nobody reads more, and a broken file may give millions.
    pub const MAX: usize = 1_000;

    /// No findings; every count is 0.
    pub fn new() -> Self {
        Self::default()
    }

    /// Keeps a finding, or only counts it once there are [`Findings::MAX`].
    pub fn add(&mut self, finding: Finding) {
        self.count(finding.level, 1);
        if !self.is_full() {
            self.kept.push(finding);
        }
    }

    /// Whether further findings are only counted.
    fn is_full(&self) -> bool {
        self.kept.len() >= Self::MAX
    }

    /// Keeps a finding, and makes its words only if it is kept: past [`Findings::MAX`] it is
    /// only counted.
    pub fn add_with(&mut self, level: Level, make: impl FnOnce() -> Finding) {
        if self.is_full() {
            self.count(level, 1);
        } else {
            self.add(make());
        }
    }

    /// Counts findings that were never made because their source had its own limit.
    pub fn count(&mut self, level: Level, number: usize) {
        *self.counts.entry(level).or_default() += number;
    }

    /// How many of this level there are, kept or only counted.
    pub fn number(&self, level: Level) -> usize {
        self.counts.get(&level).copied().unwrap_or_default()
    }

    /// Whether anything was found that stops a part of the show from being played.
    pub fn has_errors(&self) -> bool {
        self.number(Level::Error) > 0
    }

    /// The findings that are kept, in the order in which they were found.
    pub fn kept(&self) -> &[Finding] {
        &self.kept
    }

    /// The findings that are kept, by file, line, column and id. If some were only counted, a
    /// note comes last that says how many.
    pub fn into_sorted(mut self) -> Vec<Finding> {
        self.kept.sort();
        let more = self.counts.values().sum::<usize>() - self.kept.len();
        if more > 0 {
            self.kept.push(Finding {
                id: MORE_FINDINGS,
                level: Level::Note,
                place: Place::of_file("show"),
                message: format!("{more} more findings are not listed"),
                help: Some("correct the first ones and run it again".into()),
            });
        }
        self.kept
    }
}

/// The id of the note that says how many findings are not listed.
pub const MORE_FINDINGS: &str = "more-findings";

/// The longest piece of a file, in characters, that a message repeats.
pub const MAX_QUOTED: usize = 60;

/// A name from a file, in quotes, cut and made printable for a message.
pub fn quoted(text: &str) -> String {
    format!("\"{}\"", clipped(text))
}

/// A piece of a file, cut to [`MAX_QUOTED`] characters and made printable for a message.
pub fn clipped(text: &str) -> String {
    let mut short: String = text.chars().take(MAX_QUOTED).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    printable(&short)
}

/// Replaces characters without a width, or that move the cursor, by one cell each, so that
/// marks stay under their text.
fn printable(text: &str) -> String {
    let shown = |c: char| match c {
        '\t' => ' ',
        c if !words::is_plain(c) || c.width().unwrap_or(0) == 0 => '·',
        c => c,
    };
    text.chars().map(shown).collect()
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn finding(line: u32, column: u32, id: &'static str) -> Finding {
        Finding {
            id,
            level: Level::Error,
            place: Place {
                line,
                column,
                ..Place::of_file("songs/ferry.ron")
            },
            message: "no patch \"Warm Stings\" in the list of \"main\"".into(),
            help: Some("the nearest is \"Warm Strings\"".into()),
        }
    }

    #[test]
    fn text_form_marks_the_span_by_cells() {
        let mut finding = finding(12, 10, "unknown-name");
        // Two wide characters before the span take four cells.
        finding.place.line_text = "\t\"東京\", \"Warm Stings\",".into();
        finding.place.marked = Span::new(11, 24);
        let expected = "songs/ferry.ron:12:10: error[unknown-name]: no patch \"Warm Stings\" in the list of \"main\"
  12 |  \"東京\", \"Warm Stings\",
                ^^^^^^^^^^^^^
  help: the nearest is \"Warm Strings\"";
        assert_eq!(finding.to_string(), expected);
    }

    #[test]
    fn a_whole_file_has_neither_line_nor_mark() {
        let finding = Finding {
            help: None,
            ..finding(0, 0, "file-too-long")
        };
        let expected = "songs/ferry.ron: error[file-too-long]: no patch \"Warm Stings\" in the list of \"main\"";
        assert_eq!(finding.to_string(), expected);
    }

    #[test]
    fn json_is_flat() {
        let json = serde_json::to_string(&[finding(12, 9, "unknown-name")]).unwrap();
        let expected = r#"[{"id":"unknown-name","level":"error","file":"songs/ferry.ron","line":12,"column":9,"message":"no patch \"Warm Stings\" in the list of \"main\"","help":"the nearest is \"Warm Strings\""}]"#;
        assert_eq!(json, expected);
    }

    #[test]
    fn sorted_by_file_line_column_id() {
        let mut findings = Findings::new();
        for finding in [
            finding(2, 1, "b"),
            finding(10, 1, "a"),
            finding(2, 1, "a"),
            finding(1, 9, "z"),
        ] {
            findings.add(finding);
        }
        let order: Vec<_> = findings
            .into_sorted()
            .iter()
            .map(|f| (f.place.line, f.id))
            .collect();
        assert_eq!(order, [(1, "z"), (2, "a"), (2, "b"), (10, "a")]);
    }

    #[test]
    fn the_rest_is_counted_and_said() {
        let mut findings = Findings::new();
        for line in 0..Findings::MAX as u32 + 7 {
            findings.add(finding(line + 1, 1, "a"));
        }
        assert_eq!(findings.number(Level::Error), Findings::MAX + 7);
        let sorted = findings.into_sorted();
        assert_eq!(sorted.len(), Findings::MAX + 1);
        assert_eq!(
            sorted[Findings::MAX].message,
            "7 more findings are not listed"
        );
    }

    #[test]
    fn messages_stay_short_and_printable() {
        assert_eq!(quoted("a\u{1b}b"), "\"a·b\"");
        assert_eq!(
            clipped(&"x".repeat(5_000_000)).chars().count(),
            MAX_QUOTED + 1
        );
    }
}
