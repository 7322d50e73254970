//! Readers: from a node to a value, or to a finding that says what was expected and what was found.
//!
//! A reader is a function `(&Node, &mut Report) -> Option<T>`; those with a choice are made by
//! a function: `whole(1..=16)`, `list(zone)`, `word("kind", &[("Din", Kind::Din)])`.

use std::{fmt::Display, ops::RangeInclusive};

use super::{Entry, Ident, Kind, Node, Number, Problem, Report, Span};
use crate::show::finding::quoted;
use crate::show::nearest::nearest;

/// A value and where it was read, so that what is found out later has a place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Spanned<T> {
    /// The value as the reader made it.
    pub value: T,
    /// The bytes it was read from.
    pub span: Span,
}

impl<T> Spanned<T> {
    /// A value with its place.
    pub const fn new(value: T, span: Span) -> Self {
        Self { value, span }
    }

    /// Another value with the same place.
    pub fn map<U>(self, change: impl FnOnce(T) -> U) -> Spanned<U> {
        Spanned::new(change(self.value), self.span)
    }

    /// The same place with a borrowed value.
    pub fn as_ref(&self) -> Spanned<&T> {
        Spanned::new(&self.value, self.span)
    }
}

/// Reads a text in quotes, which may be empty.
pub fn text(node: &Node, report: &mut Report<'_>) -> Option<String> {
    match &node.kind {
        Kind::Text(text) => Some(text.clone()),
        _ => expected("a text in quotes", node, report),
    }
}

/// A text that names something: not empty, without blanks at its ends and without line ends.
pub fn name(node: &Node, report: &mut Report<'_>) -> Option<String> {
    let name = text(node, report)?;
    if name.trim() == name && !name.is_empty() && !name.contains(char::is_control) {
        return Some(name);
    }
    let message = format!("{} is not a name", quoted(&name));
    let help = "a name has at least one character, no blanks at its ends, and stands on one line";
    report.add(Problem::error("bad-name", node.span, message).help(help));
    None
}

/// Reads `true` or `false`.
pub fn switch(node: &Node, report: &mut Report<'_>) -> Option<bool> {
    match node.kind {
        Kind::Bool(value) => Some(value),
        _ => expected("true or false", node, report),
    }
}

/// A whole number in a range.
pub fn whole<T>(range: RangeInclusive<T>) -> impl Fn(&Node, &mut Report<'_>) -> Option<T>
where
    T: Copy + Display + TryFrom<i128> + Into<i128>,
{
    move |node, report| {
        let (least, most) = ((*range.start()).into(), (*range.end()).into());
        match node.kind {
            Kind::Number(Number::Int(value)) if (least..=most).contains(&value) => {
                T::try_from(value).ok()
            }
            _ => expected(
                &format!("a whole number from {least} to {most}"),
                node,
                report,
            ),
        }
    }
}

/// A finite number in a range; a whole one counts too.
pub fn decimal(range: RangeInclusive<f64>) -> impl Fn(&Node, &mut Report<'_>) -> Option<f64> {
    move |node, report| {
        let value = match node.kind {
            // Whole numbers beyond 53 bits are rounded, and far beyond any range.
            Kind::Number(Number::Int(value)) => Some(value as f64),
            Kind::Number(Number::Float(value)) => Some(value),
            _ => None,
        };
        match value.filter(|value| range.contains(value)) {
            Some(value) => Some(value),
            None => expected(
                &format!("a number from {} to {}", range.start(), range.end()),
                node,
                report,
            ),
        }
    }
}

/// A list; items that cannot be read are left out.
pub fn list<'n, 'a, T>(
    item: impl Fn(&'n Node, &mut Report<'a>) -> Option<T>,
) -> impl Fn(&'n Node, &mut Report<'a>) -> Option<Vec<Spanned<T>>> {
    move |node, report| {
        let Kind::List(items) = &node.kind else {
            return expected("a list in square brackets", node, report);
        };
        Some(
            items
                .iter()
                .filter_map(|node| spanned(&item, node, report))
                .collect(),
        )
    }
}

/// A key of a map, and its value.
pub type Pair<K, V> = (Spanned<K>, Spanned<V>);

/// A map in the order of the file; entries that cannot be read are left out.
pub fn map<'n, 'a, K, V>(
    key: impl Fn(&'n Node, &mut Report<'a>) -> Option<K>,
    value: impl Fn(&'n Node, &mut Report<'a>) -> Option<V>,
) -> impl Fn(&'n Node, &mut Report<'a>) -> Option<Vec<Pair<K, V>>> {
    move |node, report| {
        let Kind::Map(entries) = &node.kind else {
            return expected("a map in curly brackets", node, report);
        };
        let mut pairs = Vec::with_capacity(entries.len());
        for Entry {
            key: key_node,
            value: value_node,
        } in entries
        {
            // Key and value are both read first, so that mistakes in either are reported.
            let pair = (
                spanned(&key, key_node, report),
                spanned(&value, value_node, report),
            );
            pairs.extend(pair.0.zip(pair.1));
        }
        Some(pairs)
    }
}

/// One of a set of words, and what it stands for.
pub fn word<T: Clone>(
    what: &'static str,
    words: &'static [(&'static str, T)],
) -> impl Fn(&Node, &mut Report<'_>) -> Option<T> {
    move |node, report| {
        let known = words.iter().map(|(word, _)| *word);
        let Kind::Word(found) = &node.kind else {
            return expected(
                &format!("a {what}: {}", known.collect::<Vec<_>>().join(", ")),
                node,
                report,
            );
        };
        let value = words.iter().find(|(word, _)| *word == found.name);
        if value.is_none() {
            unknown_word(what, found, known, report);
        }
        value.map(|(_, value)| value.clone())
    }
}

/// Which of a set of variants a value is, where some have fields (`Fields::of_variant`) or one
/// value ([`inner`]).
pub fn variant<'k>(
    what: &'static str,
    known: &'k [&'static str],
) -> impl Fn(&Node, &mut Report<'_>) -> Option<&'static str> + 'k {
    move |node, report| {
        let found = match &node.kind {
            Kind::Word(found) => Some(found),
            Kind::Struct { name, .. } | Kind::Tuple { name, .. } => name.as_ref(),
            _ => None,
        };
        let Some(found) = found else {
            return expected(&format!("a {what}: {}", known.join(", ")), node, report);
        };
        let name = known.iter().find(|known| **known == found.name).copied();
        if name.is_none() {
            unknown_word(what, found, known.iter().copied(), report);
        }
        name
    }
}

/// The one value in the brackets of a variant: `Note(60)`.
pub fn inner<'n, T>(
    node: &'n Node,
    report: &mut Report<'_>,
    reader: impl FnOnce(&'n Node, &mut Report<'_>) -> Option<T>,
) -> Option<Spanned<T>> {
    match &node.kind {
        Kind::Tuple { items, .. } if items.len() == 1 => {
            reader(&items[0], report).map(|value| Spanned::new(value, items[0].span))
        }
        _ => expected("one value in brackets", node, report),
    }
}

/// Reports what was expected and what was found, unless the value is a mistake of grammar: that
/// was reported already.
pub fn expected<T>(what: &str, node: &Node, report: &mut Report<'_>) -> Option<T> {
    let problem = Problem::error(
        "wrong-kind",
        node.span,
        format!("expected {what}, found {}", node.kind.describe()),
    );
    match node.kind {
        Kind::Wrong => {}
        Kind::None => report.add(problem.help("leave the field out")),
        Kind::Some(_) => report.add(problem.help("write the value itself, without Some")),
        _ => report.add(problem),
    }
    None
}

fn spanned<'n, 'a, T>(
    reader: impl Fn(&'n Node, &mut Report<'a>) -> Option<T>,
    node: &'n Node,
    report: &mut Report<'a>,
) -> Option<Spanned<T>> {
    reader(node, report).map(|value| Spanned::new(value, node.span))
}

fn unknown_word(
    what: &str,
    found: &Ident,
    known: impl Iterator<Item = &'static str> + Clone,
    report: &mut Report<'_>,
) {
    let problem = Problem::error(
        "unknown-word",
        found.span,
        format!("{} is no {what}", quoted(&found.name)),
    );
    report.add(match nearest(&found.name, known.clone()) {
        Some(_) => problem.nearest(nearest(&found.name, known)),
        None => problem.help(format!(
            "it is one of {}",
            known.collect::<Vec<_>>().join(", ")
        )),
    });
}
