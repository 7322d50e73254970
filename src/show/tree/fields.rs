//! The fields of one value in a file: each is asked for by name, and `finish` reports the others.
//!
//! ```text
//! let mut fields = Fields::open(node, "zone", report)?;
//! let keys = fields.required("keys", text);
//! let level_db = fields.optional("level_db", decimal(-60.0..=6.0));
//! fields.finish();
//! ```
//!
//! A reader goes on after a mistake: what could not be read is None, and a finding says why.

use super::{Field, Ident, Kind, Node, Problem, Report, Span, Spanned};
use crate::show::finding::{Level, quoted};
use crate::show::nearest::nearest;

/// The fields between one pair of brackets.
#[derive(Debug)]
#[must_use = "only `finish` tells about unknown fields"]
pub struct Fields<'n, 'r, 'a> {
    what: &'static str,
    span: Span,
    fields: &'n [Field],
    taken: Vec<bool>,
    known: Vec<&'static str>,
    report: &'r mut Report<'a>,
}

impl<'n, 'r, 'a> Fields<'n, 'r, 'a> {
    /// The fields of `node`, which is a `what`: that word names it in findings, and is the only
    /// name that may stand before its brackets. None, with a finding, if it has no fields.
    pub fn open(node: &'n Node, what: &'static str, report: &'r mut Report<'a>) -> Option<Self> {
        if let Some(name) = name_of(node).filter(|name| !is_name_for(name, what)) {
            let message = format!("expected a {what}, found one named {}", quoted(&name.name));
            report.add(
                Problem::error("wrong-kind", name.span, message)
                    .help("remove the name before the bracket"),
            );
        }
        Self::of(node, what, report)
    }

    /// The fields of a variant, whose name [`super::readers::variant`] has looked at. A variant
    /// that is a name alone has none.
    pub fn of_variant(
        node: &'n Node,
        what: &'static str,
        report: &'r mut Report<'a>,
    ) -> Option<Self> {
        Self::of(node, what, report)
    }

    fn of(node: &'n Node, what: &'static str, report: &'r mut Report<'a>) -> Option<Self> {
        let fields: &[Field] = match &node.kind {
            Kind::Struct { fields, .. } => fields,
            Kind::Unit | Kind::Word(_) => &[],
            Kind::Tuple { items, .. } if items.is_empty() => &[],
            Kind::Wrong => return None,
            _ if report.damage(node.span).next().is_some() => return None,
            other => {
                let message = format!(
                    "expected the fields of a {what}, found {}",
                    other.describe()
                );
                report.add(
                    Problem::error("wrong-kind", node.span, message).help("write (name: value, …)"),
                );
                return None;
            }
        };
        Some(Self {
            what,
            span: node.span,
            fields,
            taken: vec![false; fields.len()],
            known: Vec::new(),
            report,
        })
    }

    /// A field that must be there; none, with a finding, if it is not, or not as it should be.
    pub fn required<T>(
        &mut self,
        name: &'static str,
        reader: impl FnOnce(&'n Node, &mut Report<'a>) -> Option<T>,
    ) -> Option<Spanned<T>> {
        if self.find(name).is_none() && !self.is_damaged() {
            let message = format!("this {} has no {}", self.what, quoted(name));
            let problem = Problem::error("missing-field", self.start(), message);
            self.report.add(problem.help(format!("add {name}: …")));
        }
        self.optional(name, reader)
    }

    /// A field that may be left out; none if it is, and none, with a finding, if it is not as it
    /// should be.
    pub fn optional<T>(
        &mut self,
        name: &'static str,
        reader: impl FnOnce(&'n Node, &mut Report<'a>) -> Option<T>,
    ) -> Option<Spanned<T>> {
        self.known.push(name);
        let at = self.find(name)?;
        self.taken[at] = true;
        let node = &self.fields[at].value;
        reader(node, self.report).map(|value| Spanned::new(value, node.span))
    }

    /// Says that a field is known, for one that was read already.
    pub fn skip(&mut self, name: &'static str) {
        let _ = self.optional(name, |_, _| Some(()));
    }

    /// Whether the field is written, whatever its value.
    pub fn has(&self, name: &str) -> bool {
        self.find(name).is_some()
    }

    /// Where the fields stand, brackets included.
    pub fn span(&self) -> Span {
        self.span
    }

    /// The file's report, for what a single field cannot know.
    pub fn report(&mut self) -> &mut Report<'a> {
        self.report
    }

    /// Tells about every field that was not asked for.
    pub fn finish(self) {
        // A field that is already written cannot be what a misspelt name stands for.
        let free: Vec<_> = self
            .known
            .iter()
            .copied()
            .filter(|known| !self.has(known))
            .collect();
        let unasked = self
            .fields
            .iter()
            .zip(&self.taken)
            .filter(|(_, taken)| !**taken);
        for (Field { name, .. }, _) in unasked {
            let what = self.what;
            self.report.add_with(Level::Error, || {
                let message = format!("a {what} has no field {}", quoted(&name.name));
                Problem::error("unknown-field", name.span, message)
                    .nearest(nearest(&name.name, free.iter().copied()))
            });
        }
    }

    fn find(&self, name: &str) -> Option<usize> {
        self.fields.iter().position(|field| field.name.name == name)
    }

    /// Whether a mistake of grammar lies between the fields, and not inside one of their values.
    fn is_damaged(&self) -> bool {
        let inside = |place| {
            self.fields
                .iter()
                .any(|field| field.value.span.contains(place))
        };
        self.report.damage(self.span).any(|place| !inside(place))
    }

    /// The first byte, which is where a thing that lacks something is pointed at.
    fn start(&self) -> Span {
        Span::new(self.span.start, (self.span.start + 1).min(self.span.end))
    }
}

/// The name before the brackets of a value, or the one that is all of it.
fn name_of(node: &Node) -> Option<&Ident> {
    match &node.kind {
        Kind::Struct { name, .. } | Kind::Tuple { name, .. } => name.as_ref(),
        Kind::Word(word) => Some(word),
        _ => None,
    }
}

/// `PedalBox` is a name for a "pedal box".
fn is_name_for(name: &Ident, what: &str) -> bool {
    let letters = what.chars().filter(|c| c.is_alphanumeric());
    name.name.to_lowercase().chars().eq(letters)
}
