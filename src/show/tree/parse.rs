//! From tokens to values: goes on after a mistake, so that one run reports all of them.
//!
//! After a mistake inside brackets it goes on at the next comma or closing bracket that
//! belongs to them. It descends at most [`MAX_DEPTH`] brackets; what is deeper is passed over
//! without descending, so that no file can exhaust the stack.

mod attributes;
mod recover;
mod scalar;

use std::collections::BTreeMap;

use super::{
    LineIndex, MAX_DEPTH, Span, literal,
    node::{Entry, Field, Ident, Kind, Node},
    problem::{Problem, Problems},
    token::{Bracket, Token, TokenKind},
};
use crate::show::finding::{clipped, quoted};

/// What a file holds: the extensions it names, and its value.
pub(super) struct Parsed {
    pub(super) extensions: Vec<Ident>,
    pub(super) root: Node,
}

/// Reads the tokens of `text`.
pub(super) fn parse(
    text: &str,
    lines: &LineIndex,
    tokens: &[Token],
    problems: &mut Problems,
) -> Parsed {
    let tokens = tokens
        .iter()
        .copied()
        .filter(|token| !token.kind.is_trivia())
        .collect();
    let mut parser = Parser {
        text,
        lines,
        tokens,
        at: 0,
        open: Vec::new(),
        end_reported: false,
        echo: false,
        extensions: Vec::new(),
        problems,
    };
    parser.attributes();
    let root = match parser.peek() {
        Some(_) => parser.value(),
        None => {
            let help = "a file holds one value, such as (version: 1)";
            parser.report(
                Problem::error("syntax", parser.here(), "the file holds no value").help(help),
            );
            parser.wrong()
        }
    };
    if parser.peek().is_some()
        && !parser.after_mistake()
        && parser.peek_kind() != Some(TokenKind::Wrong)
    {
        let found = parser.found();
        parser.report(
            Problem::error(
                "syntax",
                parser.here(),
                format!("nothing may follow the value of the file, found {found}"),
            )
            .help("look for a closing bracket too many above"),
        );
    }
    Parsed {
        extensions: parser.extensions,
        root,
    }
}

struct Parser<'t, 'p> {
    text: &'t str,
    lines: &'t LineIndex,
    tokens: Vec<Token>,
    at: usize,
    /// The brackets that are open here, outermost first; at most [`MAX_DEPTH`].
    open: Vec<Bracket>,
    /// The end of the file inside brackets was reported: once is enough, for the innermost
    /// bracket.
    end_reported: bool,
    /// A missing comma was reported: a mistake that follows may be its echo.
    echo: bool,
    extensions: Vec<Ident>,
    problems: &'p mut Problems,
}

/// What stands between the brackets of a list or map, or those after a name.
struct Inside<T> {
    items: Vec<T>,
    span: Span,
}

impl Parser<'_, '_> {
    fn value(&mut self) -> Node {
        let Some(token) = self.peek() else {
            return self.expected("a value");
        };
        let span = token.span();
        let kind = match token.kind {
            TokenKind::Ident => return self.named(),
            TokenKind::Open(Bracket::Round) => return self.round(None),
            TokenKind::Open(Bracket::Square) => {
                let inside = self.inside(Bracket::Square, Self::value);
                return Node {
                    span: inside.span,
                    kind: Kind::List(inside.items),
                };
            }
            TokenKind::Open(Bracket::Curly) => return self.map(),
            TokenKind::Number => self.number(span),
            TokenKind::Text => self.plain_text(span),
            TokenKind::RawText => Kind::Text(literal::raw_text(self.slice(span)).into()),
            TokenKind::Char => self.char(span),
            TokenKind::Wrong => Kind::Wrong,
            TokenKind::Comma | TokenKind::Close(_) => return self.expected("a value"),
            _ => {
                let wrong = self.expected("a value");
                self.at += 1;
                return wrong;
            }
        };
        self.at += 1;
        Node { span, kind }
    }

    /// A word of the grammar, a name alone, or a name before brackets.
    fn named(&mut self) -> Node {
        let ident = self.ident();
        let span = ident.span;
        let bracket = self.peek_kind() == Some(TokenKind::Open(Bracket::Round));
        let kind = match self.slice(span) {
            "true" => Kind::Bool(true),
            "false" => Kind::Bool(false),
            "None" => Kind::None,
            "Some" if bracket => return self.some(span),
            "Some" => {
                self.report(
                    Problem::error("syntax", span, "Some needs a value in brackets")
                        .help("write Some(…)"),
                );
                Kind::Wrong
            }
            word if literal::is_not_finite(word) => {
                let problem = scalar::not_finite(span, word);
                self.report(problem);
                Kind::Wrong
            }
            _ if bracket => return self.round(Some(ident)),
            _ => Kind::Word(ident),
        };
        Node { span, kind }
    }

    fn some(&mut self, word: Span) -> Node {
        let inner = self.round(None);
        let span = word.to(inner.span);
        let inner_span = Span::new(
            inner.span.start + 1,
            inner.span.end.saturating_sub(1).max(inner.span.start + 1),
        );
        let unwraps = self
            .extensions
            .iter()
            .any(|extension| extension.name == UNWRAP_VARIANTS);
        let value = match inner.kind {
            Kind::Wrong => {
                return Node {
                    span,
                    kind: Kind::Wrong,
                };
            }
            Kind::Tuple { mut items, .. } if items.len() == 1 => items.remove(0),
            Kind::Tuple { items, .. } if unwraps && items.is_empty() => Node {
                span: inner_span,
                kind: Kind::Unit,
            },
            kind if unwraps => Node {
                span: inner_span,
                kind,
            },
            _ => {
                self.report(
                    Problem::error("syntax", inner.span, "Some needs one value in brackets")
                        .help("write Some(…)"),
                );
                return Node {
                    span,
                    kind: Kind::Wrong,
                };
            }
        };
        Node {
            span,
            kind: Kind::Some(Box::new(value)),
        }
    }

    /// Round brackets: fields if a name and a colon come first, else values.
    fn round(&mut self, name: Option<Ident>) -> Node {
        let fields = self.begins_field();
        let whole = |span: Span| name.as_ref().map_or(span, |name| name.span.to(span));
        if fields {
            let inside = self.inside(Bracket::Round, Self::field);
            let span = whole(inside.span);
            let fields = self.without_duplicates(inside.items.into_iter().flatten());
            return Node {
                span,
                kind: Kind::Struct { name, fields },
            };
        }
        let inside = self.inside(Bracket::Round, Self::value);
        let span = whole(inside.span);
        let kind = match name {
            None if self.slice(span) == "()" => Kind::Unit,
            name => Kind::Tuple {
                name,
                items: inside.items,
            },
        };
        Node { span, kind }
    }

    /// Whether fields follow the bracket here, if with a slip: a name that is none, `=`, or
    /// no colon at all. Values that begin like this are wrong in any case.
    fn begins_field(&self) -> bool {
        use TokenKind::{Colon, Equals, Ident, Number, Text, Wrong};
        matches!(
            (self.kind_at(1), self.kind_at(2)),
            (Some(Ident | Text | Wrong), Some(Colon | Equals)) | (Some(Ident), Some(Text | Number))
        )
    }

    fn field(&mut self) -> Option<Field> {
        if self.peek_kind() != Some(TokenKind::Ident) {
            let _ = self.expected("the name of a field");
            self.skip_item();
            return None;
        }
        let colon = matches!(self.kind_at(1), Some(TokenKind::Colon | TokenKind::Equals));
        if std::mem::take(&mut self.echo) && !colon {
            self.skip_item();
            return None;
        }
        let name = self.ident();
        self.colon(&clipped(&name.name));
        let value = self.value();
        Some(Field { name, value })
    }

    fn map(&mut self) -> Node {
        let inside = self.inside(Bracket::Curly, |parser| {
            let key = parser.value();
            match key.kind {
                Kind::Wrong => _ = parser.take(TokenKind::Colon),
                _ => parser.colon(&clipped(parser.slice(key.span))),
            }
            Entry {
                key,
                value: parser.value(),
            }
        });
        let mut seen = BTreeMap::new();
        for Entry { key, .. } in inside
            .items
            .iter()
            .filter(|entry| entry.key.kind != Kind::Wrong)
        {
            let mut canonical = String::new();
            key.kind.write_canonical(&mut canonical);
            if let Some(first) = seen.insert(canonical, key.span) {
                let shown = clipped(self.slice(key.span));
                self.duplicate(
                    "duplicate-key",
                    &format!("the key {shown}"),
                    first,
                    key.span,
                );
            }
        }
        Node {
            span: inside.span,
            kind: Kind::Map(inside.items),
        }
    }

    fn without_duplicates(&mut self, fields: impl Iterator<Item = Field>) -> Vec<Field> {
        let mut seen = BTreeMap::new();
        let mut kept = Vec::new();
        for field in fields {
            match seen.get(&field.name.name) {
                Some(first) => {
                    let what = format!("the field {}", quoted(&field.name.name));
                    self.duplicate("duplicate-field", &what, *first, field.name.span);
                }
                None => {
                    seen.insert(field.name.name.clone(), field.name.span);
                    kept.push(field);
                }
            }
        }
        kept
    }

    fn duplicate(&mut self, id: &'static str, what: &str, first: Span, again: Span) {
        let line = self.lines.line(first.start);
        self.report(
            Problem::error(
                id,
                again,
                format!("{what} is given twice, first on line {line}"),
            )
            .help("keep one of the two"),
        );
    }

    fn colon(&mut self, name: &str) {
        match self.peek_kind() {
            Some(TokenKind::Colon) => self.at += 1,
            Some(TokenKind::Equals) => {
                self.report(Problem::error(
                    "syntax",
                    self.here(),
                    format!("expected `:` after {name}, found `=`"),
                ));
                self.at += 1;
            }
            _ => _ = self.expected(&format!("`:` after {name}")),
        }
    }

    /// Everything from an opening bracket to the one that closes it, items between commas.
    fn inside<T>(&mut self, bracket: Bracket, item: impl Fn(&mut Self) -> T) -> Inside<T> {
        let opening = self.here();
        if self.open.len() == MAX_DEPTH {
            return Inside {
                items: Vec::new(),
                span: self.skip_too_deep(),
            };
        }
        self.at += 1;
        self.open.push(bracket);
        let mut items = Vec::new();
        let end = loop {
            if let Some(end) = self.closing(bracket, opening) {
                break end;
            }
            let before = self.at;
            items.push(item(self));
            self.separator(bracket);
            if self.at == before {
                // The mistake is reported already; move on, or it would be reported for ever.
                self.at = (self.at + 1).min(self.tokens.len());
            }
        };
        self.open.pop();
        Inside {
            items,
            span: opening.to(end),
        }
    }

    /// The end of the brackets, if they end here, in the right way or not.
    fn closing(&mut self, bracket: Bracket, opening: Span) -> Option<Span> {
        let before = Span::new(opening.start, self.tokens[self.at - 1].span().end);
        match self.peek_kind() {
            Some(TokenKind::Close(found)) if found == bracket => {}
            Some(TokenKind::Close(found)) => {
                let outer = &self.open[..self.open.len() - 1];
                let closer = self.found();
                if outer.contains(&found) {
                    self.report(unclosed(
                        opening,
                        self.slice(opening),
                        &format!("before {closer}"),
                    ));
                    return Some(before);
                }
                let expected = close_of(bracket);
                self.report(Problem::error(
                    "syntax",
                    self.here(),
                    format!("expected {expected}, found {closer}"),
                ));
            }
            Some(_) => return None,
            None => {
                if !self.end_reported {
                    self.end_reported = true;
                    self.report(unclosed(
                        opening,
                        self.slice(opening),
                        "before the end of the file",
                    ));
                }
                return Some(before);
            }
        }
        self.at += 1;
        Some(self.tokens[self.at - 1].span())
    }

    fn ident(&mut self) -> Ident {
        let span = self.here();
        let name = self.slice(span);
        let name = name.strip_prefix("r#").unwrap_or(name).into();
        self.at += 1;
        Ident { span, name }
    }

    fn take(&mut self, kind: TokenKind) -> Option<()> {
        let here = self.peek_kind() == Some(kind);
        self.at += usize::from(here);
        here.then_some(())
    }

    fn report(&mut self, problem: Problem) {
        self.problems.add(problem);
    }

    fn slice(&self, span: Span) -> &str {
        &self.text[span.start..span.end]
    }

    fn here(&self) -> Span {
        self.peek()
            .map_or(Span::new(self.text.len(), self.text.len()), Token::span)
    }

    fn peek(&self) -> Option<Token> {
        self.tokens.get(self.at).copied()
    }

    fn peek_kind(&self) -> Option<TokenKind> {
        self.kind_at(0)
    }

    fn kind_at(&self, ahead: usize) -> Option<TokenKind> {
        self.tokens.get(self.at + ahead).map(|token| token.kind)
    }
}

fn close_of(bracket: Bracket) -> &'static str {
    match bracket {
        Bracket::Round => "`)`",
        Bracket::Square => "`]`",
        Bracket::Curly => "`}`",
    }
}

fn unclosed(opening: Span, bracket: &str, place: &str) -> Problem {
    Problem::error(
        "syntax",
        opening,
        format!("this `{bracket}` is not closed {place}"),
    )
}

/// The extension that lets `Some(a: 1)` stand for `Some((a: 1))`.
const UNWRAP_VARIANTS: &str = "unwrap_variant_newtypes";
