//! How reading goes on after a mistake, and how the mistake is reported: once, without its
//! echo.

use super::{Bracket, Kind, MAX_DEPTH, Node, Parser, Problem, Span, TokenKind, clipped, close_of};

impl Parser<'_, '_> {
    /// The comma between two items. A missing one is reported, and assumed if a value could
    /// follow.
    pub(super) fn separator(&mut self, bracket: Bracket) {
        self.echo = false;
        match self.peek_kind() {
            Some(TokenKind::Comma | TokenKind::Close(_)) | None => {}
            // The tokenizer has reported this already.
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

    /// Whether the token just before was reported as wrong: a mistake here is only its echo.
    pub(super) fn after_mistake(&self) -> bool {
        self.at > 0 && self.tokens[self.at - 1].kind == TokenKind::Wrong
    }

    /// The line on which the text just before this place begins, if it goes over several.
    fn quote_line(&self) -> Option<u32> {
        let last = self.tokens[self.at - 1];
        let several = last.kind == TokenKind::Text && self.slice(last.span()).contains('\n');
        several.then(|| self.lines.line(last.span().start))
    }

    /// Passes over everything up to the comma or the closing bracket that ends this item.
    pub(super) fn skip_item(&mut self) {
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
    pub(super) fn skip_too_deep(&mut self) -> Span {
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

    /// Reports what was expected here, unless the token here was reported already.
    pub(super) fn expected(&mut self, what: &str) -> Node {
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

    /// An unreadable value of no length just after the last token, so that it lies inside its
    /// brackets.
    pub(super) fn wrong(&self) -> Node {
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
    pub(super) fn found(&self) -> String {
        match self.peek() {
            None => "the end of the file".into(),
            Some(token) if token.kind == TokenKind::Text || token.kind == TokenKind::RawText => {
                clipped(self.slice(token.span()))
            }
            Some(token) => format!("`{}`", clipped(self.slice(token.span()))),
        }
    }
}

fn starts_value(kind: TokenKind) -> bool {
    use TokenKind::{Char, Ident, Number, Open, RawText, Text};
    matches!(kind, Char | Ident | Number | Open(_) | RawText | Text)
}
