//! From tokens to values: goes on after a mistake, so that one run tells of all of them.
//!
//! After a mistake inside brackets it goes on at the next comma or closing bracket that
//! belongs to them. It descends at most [`MAX_DEPTH`] brackets; what is deeper is passed over
//! without descending, so that no file can exhaust the stack.

use std::collections::BTreeMap;

use super::{
    LineIndex, MAX_DEPTH, Span,
    literal::{self, Refusal},
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
    /// The end of the file inside brackets is told once, for the innermost of them.
    end_reported: bool,
    /// A missing comma was told: what comes next may be the rest of that mistake.
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

    fn number(&mut self, span: Span) -> Kind {
        let text = self.slice(span);
        let piece = clipped(text);
        let problem = match literal::number(text) {
            Ok(number) => return Kind::Number(number),
            Err(Refusal::NotFinite) => not_finite(span, &piece),
            Err(Refusal::OutOfRange) => Problem::error(
                "number-out-of-range",
                span,
                format!("{piece} does not fit the type that it names"),
            )
            .help("leave the type out"),
            Err(Refusal::Malformed) => {
                Problem::error("syntax", span, format!("{piece} is not a number"))
                    .help("if it is meant as text, put it in quotes")
            }
        };
        self.report(problem);
        Kind::Wrong
    }

    fn plain_text(&mut self, span: Span) -> Kind {
        let inside = Span::new(span.start + 1, span.end - 1);
        let (text, wrong) = literal::text(self.slice(inside));
        let text = text.into_owned();
        for escape in wrong {
            let escape = Span::new(inside.start + escape.start, inside.start + escape.end);
            let piece = clipped(self.slice(escape));
            self.report(
                Problem::error(
                    "syntax",
                    escape,
                    format!("{piece} does not begin a known escape"),
                )
                .help("a backslash itself is written \\\\"),
            );
        }
        Kind::Text(text)
    }

    fn char(&self, span: Span) -> Kind {
        let inside = &self.text[span.start + 1..span.end - 1];
        match literal::escape(inside, literal::Within::Char) {
            Some(Ok((c, _))) => Kind::Char(c),
            _ => inside.chars().next().map_or(Kind::Wrong, Kind::Char),
        }
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
                let problem = not_finite(span, word);
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
        let fields = matches!(
            self.kind_at(1),
            Some(TokenKind::Ident | TokenKind::Text | TokenKind::Wrong)
        ) && matches!(self.kind_at(2), Some(TokenKind::Colon | TokenKind::Equals));
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
                // The mistake is told; without progress it would be told for ever.
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

    /// The comma between two items. A missing one is told, and taken as written if a value could follow.
    fn separator(&mut self, bracket: Bracket) {
        self.echo = false;
        match self.peek_kind() {
            Some(TokenKind::Comma | TokenKind::Close(_)) | None => {}
            // Told already, when the text was cut.
            Some(TokenKind::Wrong) => self.skip_item(),
            Some(kind) => {
                if !self.after_mistake() {
                    self.missing_comma(bracket);
                }
                self.echo = starts_value(kind);
                if !self.echo {
                    self.skip_item();
                }
            }
        }
        let _ = self.take(TokenKind::Comma);
    }

    fn missing_comma(&mut self, bracket: Bracket) {
        let message = format!(
            "expected `,` or {}, found {}",
            close_of(bracket),
            self.found()
        );
        let problem = Problem::error("syntax", self.here(), message);
        let problem = match self.quote_line() {
            Some(line) => problem.help(format!(
                "the text that begins on line {line} may lack its closing quote"
            )),
            None => problem,
        };
        self.report(problem);
    }

    /// Whether what comes just before was told of when the text was cut: what follows is its echo.
    fn after_mistake(&self) -> bool {
        self.at > 0 && self.tokens[self.at - 1].kind == TokenKind::Wrong
    }

    /// The line on which the text just before this place begins, if it goes over several.
    fn quote_line(&self) -> Option<u32> {
        let last = self.tokens[self.at - 1];
        let several = last.kind == TokenKind::Text && self.slice(last.span()).contains('\n');
        several.then(|| self.lines.line(last.span().start))
    }

    /// Passes over everything up to the comma or the closing bracket that ends this item.
    fn skip_item(&mut self) {
        let mut depth = 0usize;
        while let Some(kind) = self.peek_kind() {
            match kind {
                TokenKind::Open(_) => depth += 1,
                TokenKind::Close(_) | TokenKind::Comma if depth == 0 => return,
                TokenKind::Close(_) => depth -= 1,
                _ => {}
            }
            self.at += 1;
        }
    }

    /// Passes over brackets that are nested too deep, without looking into them.
    fn skip_too_deep(&mut self) -> Span {
        let opening = self.here();
        self.report(
            Problem::error(
                "too-deep",
                opening,
                format!("brackets are nested more than {MAX_DEPTH} deep"),
            )
            .help("no show needs that: look for opening brackets too many"),
        );
        let mut depth = 0usize;
        while let Some(kind) = self.peek_kind() {
            self.at += 1;
            match kind {
                TokenKind::Open(_) => depth += 1,
                TokenKind::Close(_) if depth == 1 => {
                    return opening.to(self.tokens[self.at - 1].span());
                }
                TokenKind::Close(_) => depth -= 1,
                _ => {}
            }
        }
        self.end_reported = true;
        opening.to(self.here())
    }

    fn ident(&mut self) -> Ident {
        let span = self.here();
        let name = self.slice(span);
        let name = name.strip_prefix("r#").unwrap_or(name).into();
        self.at += 1;
        Ident { span, name }
    }

    /// Tells what was expected here, unless what is here was told of already.
    fn expected(&mut self, what: &str) -> Node {
        if self.peek_kind() != Some(TokenKind::Wrong)
            && !(self.peek().is_none() && self.end_reported)
        {
            self.end_reported |= self.peek().is_none();
            let found = self.found();
            self.report(Problem::error(
                "syntax",
                self.here(),
                format!("expected {what}, found {found}"),
            ));
        }
        self.wrong()
    }

    /// Nothing, just after what was read last: so it lies inside the brackets around it.
    fn wrong(&self) -> Node {
        let end = self
            .at
            .checked_sub(1)
            .map_or(0, |last| self.tokens[last].span().end);
        Node {
            span: Span::new(end, end),
            kind: Kind::Wrong,
        }
    }

    /// What stands here, for a message.
    fn found(&self) -> String {
        match self.peek() {
            None => "the end of the file".into(),
            Some(token) if token.kind == TokenKind::Text || token.kind == TokenKind::RawText => {
                clipped(self.slice(token.span()))
            }
            Some(token) => format!("`{}`", clipped(self.slice(token.span()))),
        }
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

/// Attributes before the value: `#![enable(…)]`, `#![type = "…"]` and `#![schema = "…"]`.
impl Parser<'_, '_> {
    fn attributes(&mut self) {
        while self.peek_kind() == Some(TokenKind::Hash) {
            let start = self.at;
            if self.attribute().is_none() {
                self.report(
                    Problem::error(
                        "syntax",
                        self.tokens[start].span().to(self.here()),
                        "this is not a known attribute",
                    )
                    .help("remove it: a show needs none"),
                );
                self.skip_attribute();
            }
        }
    }

    fn attribute(&mut self) -> Option<()> {
        self.take(TokenKind::Hash)?;
        self.take(TokenKind::Bang)?;
        self.take(TokenKind::Open(Bracket::Square))?;
        match self.take_ident()?.name.as_str() {
            "enable" => {
                self.take(TokenKind::Open(Bracket::Round))?;
                loop {
                    let extension = self.take_ident()?;
                    if !EXTENSIONS.contains(&extension.name.as_str()) {
                        return None;
                    }
                    self.extensions.push(extension);
                    let comma = self.take(TokenKind::Comma);
                    if comma.is_none() || self.peek_kind() != Some(TokenKind::Ident) {
                        break;
                    }
                }
                self.take(TokenKind::Close(Bracket::Round))?;
            }
            "type" | "schema" => {
                self.take(TokenKind::Equals)?;
                self.take(TokenKind::Text)
                    .or_else(|| self.take(TokenKind::RawText))?;
            }
            _ => return None,
        }
        self.take(TokenKind::Close(Bracket::Square))
    }

    fn skip_attribute(&mut self) {
        while let Some(kind) = self.peek_kind() {
            // Fields begin the value: without them the attribute was not even closed.
            if kind == TokenKind::Open(Bracket::Round) && self.kind_at(2) == Some(TokenKind::Colon)
            {
                return;
            }
            self.at += 1;
            if kind == TokenKind::Close(Bracket::Square) {
                return;
            }
        }
    }

    fn take(&mut self, kind: TokenKind) -> Option<()> {
        let here = self.peek_kind() == Some(kind);
        self.at += usize::from(here);
        here.then_some(())
    }

    fn take_ident(&mut self) -> Option<Ident> {
        (self.peek_kind() == Some(TokenKind::Ident)).then(|| self.ident())
    }
}

fn starts_value(kind: TokenKind) -> bool {
    use TokenKind::{Char, Ident, Number, Open, RawText, Text};
    matches!(kind, Char | Ident | Number | Open(_) | RawText | Text)
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

fn not_finite(span: Span, shown: &str) -> Problem {
    Problem::error(
        "not-finite",
        span,
        format!("{shown} is not a finite number"),
    )
    .help("write a number")
}

/// The extension that lets `Some(a: 1)` stand for `Some((a: 1))`.
const UNWRAP_VARIANTS: &str = "unwrap_variant_newtypes";

/// All extensions (`ron` 0.12, docs/extensions.md).
const EXTENSIONS: [&str; 4] = [
    "unwrap_newtypes",
    "implicit_some",
    UNWRAP_VARIANTS,
    "explicit_struct_names",
];
