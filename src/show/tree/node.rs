//! The values of a file, each with its place.

use super::{Span, literal::Number};

/// A value and where it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// All of it, its name and brackets included.
    pub span: Span,
    /// The value itself; its own children are nodes with spans.
    pub kind: Kind,
}

/// A name that is not in quotes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ident {
    /// The bytes of the name, an `r#` included.
    pub span: Span,
    /// The name, without the `r#` of a raw one.
    pub name: String,
}

/// `name: value` in brackets.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// The name before the colon.
    pub name: Ident,
    /// The value after the colon.
    pub value: Node,
}

/// `key: value` of a map, in the order of the file.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// The key before the colon; any value may be one.
    pub key: Node,
    /// The value after the colon.
    pub value: Node,
}

/// What a value is.
#[derive(Clone, Debug, PartialEq)]
pub enum Kind {
    /// `true` or `false`.
    Bool(bool),
    /// A finite number, whole or with a fraction.
    Number(Number),
    /// A character in single quotes: `'c'`.
    Char(char),
    /// A text, raw or not.
    Text(String),
    /// A name alone: a variant without values.
    Word(Ident),
    /// `None`: an option without a value.
    None,
    /// `Some(…)`: an option with a value.
    Some(Box<Node>),
    /// `()`: brackets with nothing in them and no name before them.
    Unit,
    /// `[…]`: values in the order of the file.
    List(Vec<Node>),
    /// `{…}`: entries in the order of the file.
    Map(Vec<Entry>),
    /// `Name(…)` or `(…)` with values without names.
    Tuple {
        /// What stands before the bracket.
        name: Option<Ident>,
        /// The values, in the order of the file.
        items: Vec<Node>,
    },
    /// `Name(…)` or `(…)` with named values.
    Struct {
        /// What stands before the bracket.
        name: Option<Ident>,
        /// Its fields, in the order of the file; of fields with one name, the first.
        fields: Vec<Field>,
    },
    /// Something the grammar does not know; a problem says so, and readers pass over it.
    Wrong,
}

impl Kind {
    /// What it is, for a message: `a list`, `the text "x"`.
    pub fn describe(&self) -> String {
        use crate::show::finding::quoted;
        match self {
            Self::Bool(value) => value.to_string(),
            Self::Number(Number::Int(value)) => value.to_string(),
            Self::Number(Number::Float(value)) => format!("{value:?}"),
            Self::Char(value) => format!("the character {}", quoted(&value.to_string())),
            Self::Text(text) => quoted(text),
            Self::Word(word) => format!("the name {}", crate::show::finding::clipped(&word.name)),
            Self::None => "None".into(),
            Self::Some(_) => "Some(…)".into(),
            Self::Unit => "()".into(),
            Self::List(_) => "a list".into(),
            Self::Map(_) => "a map".into(),
            Self::Tuple { .. } => "values in brackets".into(),
            Self::Struct { .. } => "fields in brackets".into(),
            Self::Wrong => "something unreadable".into(),
        }
    }

    /// Writes the value without its places, names and ways of writing, so that values are equal if
    /// and only if what is written is.
    pub(super) fn write_canonical(&self, out: &mut String) {
        use std::fmt::Write as _;
        let mut all = |name: &str, nodes: &mut dyn Iterator<Item = &Node>| {
            out.push_str(name);
            out.push('(');
            nodes.for_each(|node| {
                node.kind.write_canonical(out);
                out.push(',');
            });
            out.push(')');
        };
        match self {
            Self::Some(node) => all("Some", &mut std::iter::once(&**node)),
            Self::List(nodes) => all("list", &mut nodes.iter()),
            Self::Map(entries) => all(
                "map",
                &mut entries.iter().flat_map(|entry| [&entry.key, &entry.value]),
            ),
            Self::Tuple { name, items } => all(
                name.as_ref().map_or("", |name| &name.name),
                &mut items.iter(),
            ),
            Self::Struct { name, fields } => {
                all(
                    name.as_ref().map_or("", |name| &name.name),
                    &mut fields.iter().map(|field| &field.value),
                );
                fields
                    .iter()
                    .for_each(|field| out.push_str(&field.name.name));
            }
            // Writing to a string cannot fail.
            Self::Word(word) => out.push_str(&word.name),
            Self::Text(text) => _ = write!(out, "{text:?}"),
            Self::Bool(value) => _ = write!(out, "{value}"),
            Self::Char(value) => _ = write!(out, "{value:?}"),
            Self::Number(Number::Int(value)) => _ = write!(out, "{value}"),
            Self::Number(Number::Float(value)) => _ = write!(out, "{value:?}"),
            Self::Unit => out.push_str("()"),
            Self::None | Self::Wrong => out.push_str("None"),
        }
    }
}
