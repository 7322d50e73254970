//! Numbers, texts and characters: their values, or what is wrong with them.

use super::{Kind, Parser, Problem, Span, clipped, literal};
use crate::show::tree::literal::Refusal;

impl Parser<'_, '_> {
    pub(super) fn number(&mut self, span: Span) -> Kind {
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

    pub(super) fn plain_text(&mut self, span: Span) -> Kind {
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

    pub(super) fn char(&self, span: Span) -> Kind {
        let inside = &self.text[span.start + 1..span.end - 1];
        match literal::escape(inside, literal::Within::Char) {
            Some(Ok((c, _))) => Kind::Char(c),
            _ => inside.chars().next().map_or(Kind::Wrong, Kind::Char),
        }
    }
}

pub(super) fn not_finite(span: Span, shown: &str) -> Problem {
    Problem::error(
        "not-finite",
        span,
        format!("{shown} is not a finite number"),
    )
    .help("write a number")
}
