//! Attributes before the value of a file: `ron` knows them, a show needs none.

use super::{Bracket, Ident, Parser, Problem, TokenKind, UNWRAP_VARIANTS};

/// `#![enable(…)]`, `#![type = "…"]` and `#![schema = "…"]`.
impl Parser<'_, '_> {
    pub(super) fn attributes(&mut self) {
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

    fn take_ident(&mut self) -> Option<Ident> {
        (self.peek_kind() == Some(TokenKind::Ident)).then(|| self.ident())
    }
}

/// All extensions (`ron` 0.12, docs/extensions.md).
const EXTENSIONS: [&str; 4] = [
    "unwrap_newtypes",
    "implicit_some",
    UNWRAP_VARIANTS,
    "explicit_struct_names",
];
