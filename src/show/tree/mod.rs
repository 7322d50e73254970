//! A show file as a lossless tree: every byte is in a token, every value knows its place.
//!
//! It reads the same values from a file as `ron` does, which a test ensures, and it reports all
//! mistakes at once, each with its place. Reading goes through [`fields`] and [`readers`];
//! saving goes through [`Tree::replace`], which leaves all other bytes alone.

pub mod fields;
pub mod lines;
pub mod literal;
pub mod node;
mod parse;
pub mod problem;
mod quote;
pub mod readers;
pub mod report;
pub mod token;
pub mod version;

use super::finding;
pub use super::finding::Span;
pub use fields::Fields;
pub use lines::LineIndex;
pub use literal::Number;
pub use node::{Entry, Field, Ident, Kind, Node};
pub use problem::{Problem, Problems};
pub use readers::Spanned;
pub use report::Report;
pub use version::Version;

use token::Token;

/// The largest file that is read, in bytes: a show of a thousand scenes has less than one million.
pub const MAX_FILE_BYTES: usize = 8 << 20;

/// How deep brackets may be nested; the deepest place of a show file is about ten.
pub const MAX_DEPTH: usize = 64;

/// One file: its text, tokens and lines, the tree of its values, and its mistakes of grammar.
#[derive(Clone, Debug)]
pub struct Tree {
    text: String,
    tokens: Vec<Token>,
    lines: LineIndex,
    extensions: Vec<Ident>,
    root: Node,
    problems: Problems,
}

impl Tree {
    /// Reads a file. One that is too long or not UTF-8 gives a tree without a value, and the
    /// problem that says so.
    pub fn from_bytes(bytes: &[u8]) -> Self {
        if bytes.len() > MAX_FILE_BYTES {
            return Self::refused("", too_long());
        }
        match std::str::from_utf8(bytes) {
            Ok(text) => Self::new(text),
            Err(error) => {
                let (good, bad) = bytes.split_at(error.valid_up_to());
                let good = str::from_utf8(good).unwrap_or_default();
                Self::refused(
                    good,
                    not_utf8(good.len(), bad.first().copied().unwrap_or_default()),
                )
            }
        }
    }

    /// Reads the text of a file.
    pub fn new(text: &str) -> Self {
        if text.len() > MAX_FILE_BYTES {
            return Self::refused("", too_long());
        }
        let mut problems = Problems::default();
        let tokens = token::cut(text, &mut problems);
        let lines = LineIndex::new(text);
        let parse::Parsed { extensions, root } = parse::parse(text, &lines, &tokens, &mut problems);
        let problems = quote::without_echo(text, &lines, &tokens, problems);
        Self {
            text: text.into(),
            lines,
            tokens,
            extensions,
            root,
            problems,
        }
    }

    fn refused(text: &str, problem: Problem) -> Self {
        let mut problems = Problems::default();
        problems.add(problem);
        Self {
            text: text.into(),
            tokens: Vec::new(),
            lines: LineIndex::new(text),
            extensions: Vec::new(),
            root: Node {
                span: Span::default(),
                kind: Kind::Wrong,
            },
            problems,
        }
    }

    /// The text of the file; of one that is not UTF-8, what comes before the first bad byte.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// All tokens, comments and blanks among them: put together they are the text.
    pub fn tokens(&self) -> &[Token] {
        &self.tokens
    }

    /// The lines of the text.
    pub fn lines(&self) -> &LineIndex {
        &self.lines
    }

    /// The extensions that the file switches on.
    pub fn extensions(&self) -> &[Ident] {
        &self.extensions
    }

    /// The value of the file.
    pub fn root(&self) -> &Node {
        &self.root
    }

    /// What is wrong with the grammar of the file.
    pub fn problems(&self) -> &Problems {
        &self.problems
    }

    /// Whether the file could be read in full. One that could not must never be written over.
    pub fn is_sound(&self) -> bool {
        self.problems.is_empty()
    }

    /// The piece of the text at a span; empty if the span is not one of this tree.
    pub fn slice(&self, span: Span) -> &str {
        self.text.get(span.start..span.end).unwrap_or_default()
    }

    /// The text with one span of it replaced and all other bytes as they are; none if the
    /// span is not one of this tree. Whether the new text reads as meant is for the editor to check.
    pub fn replace(&self, span: Span, with: &str) -> Option<String> {
        self.text.get(span.start..span.end)?;
        Some([&self.text[..span.start], with, &self.text[span.end..]].concat())
    }
}

fn too_long() -> Problem {
    Problem::of_file(
        "file-too-long",
        format!("the file is larger than {} MiB", MAX_FILE_BYTES >> 20),
    )
    .help("a show file is text for people: is it the right file?")
}

fn not_utf8(at: usize, byte: u8) -> Problem {
    Problem::error(
        "not-utf8",
        Span::new(at, at),
        format!("the byte {byte:#04x} here is not UTF-8 text"),
    )
    .help("save the file as UTF-8")
}
