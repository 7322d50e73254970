//! Names that a file may speak of, places that findings point at, and small readers.

use crate::midi::pitch::MiddleC;
use std::cell::OnceCell;
use std::collections::{BTreeMap, BTreeSet};

use super::values::Parsed;
use crate::show::finding::{Finding, Findings, Level, quoted};
use crate::show::model::{Places, Site, SourceFile};
use crate::show::nearest::KnownNames;
use crate::show::tree::{Entry, Kind, Node, Problem, Report, Span, Spanned, readers};

/// A value with the file and the bytes it was read from, so that it can be judged after its
/// file was left.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Placed<T> {
    pub(super) value: T,
    pub(super) site: Site,
}

/// What every reader of one file needs besides the node.
#[derive(Clone, Copy, Debug)]
pub(super) struct Source {
    /// Index of the file in the show.
    pub(super) file: u16,
    /// Octave number of key 60 in this show's files.
    pub(super) middle_c: MiddleC,
}

impl Source {
    /// The place of a span of this file.
    pub(super) fn site(self, span: Span) -> Site {
        // Files are limited to a size far below what 32 bits count.
        let byte = |at: usize| u32::try_from(at).unwrap_or(u32::MAX);
        Site {
            file: self.file,
            start: byte(span.start),
            end: byte(span.end),
        }
    }

    /// A value with its place.
    pub(super) fn place<T>(self, read: Spanned<T>) -> Placed<T> {
        Placed {
            value: read.value,
            site: self.site(read.span),
        }
    }
}

/// The names of one kind of thing, and what they stand for.
#[derive(Clone, Debug, Default)]
pub(super) struct Names {
    table: BTreeMap<String, Option<usize>>,
    is_partial: bool,
    /// The same names, ready to be searched: made when the first one is misspelt.
    known: OnceCell<KnownNames>,
}

/// What a name stands for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Found {
    /// A thing, by index.
    Known(usize),
    /// A thing that could not be read: a finding says so already.
    Told,
    /// No thing that is known.
    Unknown,
}

impl Names {
    /// Makes a table in which names may be missing because their file could not be read: an
    /// unknown name is then not reported.
    pub(super) fn partial() -> Self {
        Self {
            is_partial: true,
            ..Self::default()
        }
    }

    /// Whether names may be missing because a file could not be read.
    pub(super) fn is_partial(&self) -> bool {
        self.is_partial
    }

    /// Adds a name: of a thing, or of one that could not be read.
    pub(super) fn add(&mut self, name: &str, index: Option<usize>) {
        self.known.take();
        self.table.entry(name.to_owned()).or_insert(index);
    }

    /// What a name stands for.
    pub(super) fn find(&self, name: &str) -> Found {
        match self.table.get(name) {
            Some(Some(index)) => Found::Known(*index),
            Some(None) => Found::Told,
            None if self.is_partial => Found::Told,
            None => Found::Unknown,
        }
    }

    /// Names of things that could not be read, as far as they are known.
    pub(super) fn told(&self) -> impl Iterator<Item = &str> {
        let told = self.table.iter().filter(|(_, index)| index.is_none());
        told.map(|(name, _)| name.as_str())
    }

    /// What to do about an unknown name.
    pub(super) fn help(&self, name: &str) -> String {
        let known = || self.table.keys().map(String::as_str).collect();
        if let Some(near) = self.known.get_or_init(known).nearest(name) {
            return format!("the nearest is {}", quoted(near));
        }
        const SHOWN: usize = 6;
        let mut known: Vec<String> = self
            .table
            .keys()
            .take(SHOWN)
            .map(|known| quoted(known))
            .collect();
        if known.is_empty() {
            return "there is none at all yet".into();
        }
        if self.table.len() > SHOWN {
            known.push(format!("and {} more", self.table.len() - SHOWN));
        }
        format!("there is {}", known.join(", "))
    }

    /// The index of a name in the file that `report` is about; none, with a finding, if there
    /// is no such `what`.
    pub(super) fn index(
        &self,
        name: &Spanned<String>,
        what: &str,
        report: &mut Report<'_>,
    ) -> Option<usize> {
        match self.find(&name.value) {
            Found::Known(index) => Some(index),
            Found::Told => None,
            Found::Unknown => {
                report.add_with(Level::Error, || {
                    let message = format!("no {what} {}", quoted(&name.value));
                    Problem::error("unknown-name", name.span, message).help(self.help(&name.value))
                });
                None
            }
        }
    }
}

/// Collects findings about things of several files. A mistake at one site is reported once,
/// however many scenes inherit it.
#[derive(Debug)]
pub(super) struct Log<'a> {
    places: Places<'a>,
    findings: &'a mut Findings,
    told: BTreeSet<(&'static str, Site)>,
}

impl<'a> Log<'a> {
    /// A log over the files of a show.
    pub(super) fn new(files: &'a [SourceFile], findings: &'a mut Findings) -> Self {
        Self {
            places: Places::new(files),
            findings,
            told: BTreeSet::new(),
        }
    }

    /// Adds an error, once for each rule and site.
    pub(super) fn error(&mut self, id: &'static str, site: Site, message: String, help: String) {
        self.error_with(id, site, || (message, help));
    }

    /// Adds an error whose message and help are only made if it is kept.
    pub(super) fn error_with(
        &mut self,
        id: &'static str,
        site: Site,
        words: impl FnOnce() -> (String, String),
    ) {
        if !self.told.insert((id, site)) {
            return;
        }
        self.findings.add_with(Level::Error, || {
            let (message, help) = words();
            Finding {
                id,
                level: Level::Error,
                place: self.places.place(site),
                message,
                help: Some(help),
            }
        });
    }

    /// The index of a name; none, with a finding, if there is no such `what`.
    pub(super) fn index(
        &mut self,
        names: &Names,
        name: &Placed<String>,
        what: &str,
    ) -> Option<usize> {
        self.find(names, name, |quoted| format!("no {what} {quoted}"))
    }

    /// The index of a name within a receiver; none, with a finding, if it has no such `what`.
    pub(super) fn index_in(
        &mut self,
        names: &Names,
        name: &Placed<String>,
        what: &str,
        receiver: &str,
    ) -> Option<usize> {
        self.find(names, name, |name| {
            format!("no {what} {name} of {}", quoted(receiver))
        })
    }

    fn find(
        &mut self,
        names: &Names,
        name: &Placed<String>,
        message: impl FnOnce(&str) -> String,
    ) -> Option<usize> {
        match names.find(&name.value) {
            Found::Known(index) => Some(index),
            Found::Told => None,
            Found::Unknown => {
                self.error_with("unknown-name", name.site, || {
                    (message(&quoted(&name.value)), names.help(&name.value))
                });
                None
            }
        }
    }
}

/// The entries of a map by name, in the order of the file. Of two with the same name, the
/// first: the second was reported when the tree was made.
pub(super) fn named<'n>(
    node: &'n Node,
    report: &mut Report<'_>,
) -> Option<Vec<(Spanned<String>, &'n Node)>> {
    let Kind::Map(entries) = &node.kind else {
        return readers::expected("a map of names: {\"name\": …}", node, report);
    };
    let mut seen = BTreeSet::new();
    let mut things = Vec::with_capacity(entries.len());
    for Entry { key, value } in entries {
        if let Some(name) = readers::name(key, report)
            && seen.insert(name.clone())
        {
            things.push((Spanned::new(name, key.span), value));
        }
    }
    Some(things)
}

/// A text with a meaning of its own (a key, a time): read by `parse`.
pub(super) fn parsed<T>(
    parse: impl Fn(&str) -> Parsed<T>,
) -> impl Fn(&Node, &mut Report<'_>) -> Option<T> {
    move |node, report| {
        let written = readers::text(node, report)?;
        match parse(&written) {
            Ok(value) => Some(value),
            Err(wrong) => {
                report.add(Problem::error("bad-value", node.span, wrong.message).help(wrong.help));
                None
            }
        }
    }
}

/// The values in the brackets of a variant or a pair, exactly `count` of them.
pub(super) fn items<'n>(
    node: &'n Node,
    count: usize,
    report: &mut Report<'_>,
) -> Option<&'n [Node]> {
    match &node.kind {
        Kind::Tuple { items, .. } if items.len() == count => Some(items),
        _ => readers::expected(&format!("{count} values in brackets"), node, report),
    }
}
