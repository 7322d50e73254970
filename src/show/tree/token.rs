//! A text cut into tokens, blanks and comments among them: put together they are the text again.
//!
//! Linear in the length of the text, whatever it holds.

use unicode_ident::{is_xid_continue, is_xid_start};

use super::{
    Span, literal,
    problem::{Problem, Problems},
};

/// A piece of the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Token {
    /// What kind of token it is.
    pub kind: TokenKind,
    start: u32,
    end: u32,
}

impl Token {
    /// The bytes it covers.
    pub fn span(self) -> Span {
        Span::new(self.start as usize, self.end as usize)
    }
}

/// The three kinds of brackets.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Bracket {
    /// Round brackets, `(` and `)`.
    Round,
    /// Square brackets, `[` and `]`.
    Square,
    /// Curly brackets, `{` and `}`.
    Curly,
}

/// What a token is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TokenKind {
    /// Blanks and line ends.
    Blank,
    /// `// …`, without its line end.
    LineComment,
    /// `/* … */`, which may hold others.
    BlockComment,
    /// A name, raw names (`r#…`) included.
    Ident,
    /// What starts like a number; whether it is one is for [`literal::number`].
    Number,
    /// A text in double quotes, `"…"`, with escapes.
    Text,
    /// A raw text, `r"…"` or `r#"…"#`, without escapes.
    RawText,
    /// A character in single quotes, `'…'`.
    Char,
    /// An opening bracket of this kind.
    Open(Bracket),
    /// A closing bracket of this kind.
    Close(Bracket),
    /// A comma, `,`.
    Comma,
    /// A colon, `:`.
    Colon,
    /// An equals sign, `=`.
    Equals,
    /// A hash sign, `#`.
    Hash,
    /// An exclamation mark, `!`.
    Bang,
    /// What is no token of the grammar, or one without its end; a problem says so.
    Wrong,
    /// A byte-order mark at the start of the file; a problem says so.
    Mark,
}

impl TokenKind {
    /// Whether the grammar passes over it.
    pub fn is_trivia(self) -> bool {
        matches!(
            self,
            Self::Blank | Self::LineComment | Self::BlockComment | Self::Mark
        )
    }
}

/// Cuts a text into tokens that cover all of it, and reports what cannot be one. The text is
/// shorter than 4 GiB; the limit of a file is far below.
pub fn cut(text: &str, problems: &mut Problems) -> Vec<Token> {
    cut_ending(text, None, problems)
}

/// How a quote may be wrong: which quote it was meant to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Slip {
    /// It opens a text that was meant to end with its line.
    EndsWithLine,
    /// It opens a text that was meant to end before the next comma, colon or bracket.
    EndsBeforeMark,
    /// It closes a text whose opening quote is missing.
    NoFirst,
}

/// As `cut`, with the quote at one offset taken as such a slip.
pub(super) fn cut_ending(
    text: &str,
    unclosed: Option<(usize, Slip)>,
    problems: &mut Problems,
) -> Vec<Token> {
    let mut cutter = Cutter {
        text,
        at: 0,
        unclosed,
        text_end_missing: false,
        problems,
    };
    let mut tokens: Vec<Token> = Vec::new();
    while cutter.at < text.len() {
        let start = cutter.at;
        let kind = cutter.next();
        let span = Span::new(start, cutter.at);
        match tokens.last_mut() {
            // One finding for a run of strange characters.
            Some(last) if kind == Cut::Strange && last.kind == TokenKind::Wrong => {
                last.end = span.end as u32
            }
            _ => {
                let kind = cutter.settle(kind, span);
                tokens.push(Token {
                    kind,
                    start: span.start as u32,
                    end: span.end as u32,
                });
            }
        }
    }
    tokens
}

/// What was cut off: a token, or a mistake to report.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Cut {
    Token(TokenKind),
    Strange,
    Wrong {
        id: &'static str,
        message: &'static str,
        help: &'static str,
    },
}

struct Cutter<'t, 'p> {
    text: &'t str,
    at: usize,
    /// The quote that is taken as a slip.
    unclosed: Option<(usize, Slip)>,
    /// Once a text without end was met, later ones end with their line: without this each
    /// would be sought to the end of the file.
    text_end_missing: bool,
    problems: &'p mut Problems,
}

impl<'t> Cutter<'t, '_> {
    fn settle(&mut self, cut: Cut, span: Span) -> TokenKind {
        let problem = match cut {
            Cut::Token(kind) => return kind,
            Cut::Strange => {
                let piece = super::finding::quoted(&self.text[span.start..span.end]);
                Problem::error("syntax", span, format!("{piece} means nothing here"))
            }
            Cut::Wrong { id, message, help } => Problem::error(id, span, message).help(help),
        };
        self.problems.add(problem);
        TokenKind::Wrong
    }

    fn next(&mut self) -> Cut {
        let rest = self.rest();
        let Some(first) = rest.chars().next() else {
            return Cut::Strange;
        };
        if is_blank(first) {
            return self.run(is_blank, TokenKind::Blank);
        }
        if let Some(cut) = self.prefixed(rest) {
            return cut;
        }
        let kind = match first {
            '"' => return self.text(),
            '\'' => return self.char(),
            '/' => return self.comment(),
            '\u{feff}' if self.at == 0 => return self.mark(),
            '0'..='9' | '+' | '-' | '.' => return self.number(),
            first if first == '_' || is_xid_start(first) => return self.ident(),
            '(' => TokenKind::Open(Bracket::Round),
            ')' => TokenKind::Close(Bracket::Round),
            '[' => TokenKind::Open(Bracket::Square),
            ']' => TokenKind::Close(Bracket::Square),
            '{' => TokenKind::Open(Bracket::Curly),
            '}' => TokenKind::Close(Bracket::Curly),
            ',' => TokenKind::Comma,
            ':' => TokenKind::Colon,
            '=' => TokenKind::Equals,
            '#' => TokenKind::Hash,
            '!' => TokenKind::Bang,
            other => {
                self.at += other.len_utf8();
                return Cut::Strange;
            }
        };
        self.at += 1;
        Cut::Token(kind)
    }

    /// Texts and names that start with `r` or `b`.
    fn prefixed(&mut self, rest: &str) -> Option<Cut> {
        let bytes = ["b\"", "b'", "br\"", "br#"];
        if let Some(prefix) = bytes.iter().find(|prefix| rest.starts_with(**prefix)) {
            self.at += prefix.len() - 1;
            let _ = match *prefix {
                "b\"" => self.text(),
                "b'" => self.char(),
                _ => self.raw_text(),
            };
            return Some(Cut::Wrong {
                id: "byte-string",
                message: "byte strings have no use in a show",
                help: "write a text in quotes, or a number",
            });
        }
        if rest.starts_with("r\"") || rest.starts_with("r#\"") || rest.starts_with("r##") {
            self.at += 1;
            return Some(self.raw_text());
        }
        if let Some(name) = rest.strip_prefix("r#") {
            self.at += 2;
            return Some(if name.starts_with(is_raw_ident) {
                self.run(is_raw_ident, TokenKind::Ident)
            } else {
                Cut::Strange
            });
        }
        None
    }

    fn ident(&mut self) -> Cut {
        let cut = self.run(is_xid_continue, TokenKind::Ident);
        if !self.rest().starts_with(is_raw_ident) {
            return cut;
        }
        let start = self.at;
        let _ = self.run(is_raw_ident, TokenKind::Ident);
        if let Some(dots) = self.text[start..self.at].find("..") {
            self.at = start + dots;
            return self.range();
        }
        Cut::Wrong {
            id: "syntax",
            message: "a name holds no dot, plus or minus",
            help: "if it is meant as text, put it in quotes; as a name, write r# before it",
        }
    }

    /// All that could belong to a number, up to two dots: a number must be followed by something else.
    fn number(&mut self) -> Cut {
        let rest = self.rest();
        let length = rest.find(|c| !is_raw_ident(c)).unwrap_or(rest.len());
        match rest[..length].find("..") {
            Some(0) => self.range(),
            dots => {
                self.at += dots.unwrap_or(length);
                Cut::Token(TokenKind::Number)
            }
        }
    }

    /// Two dots or more, and what follows them.
    fn range(&mut self) -> Cut {
        let rest = self.rest().trim_start_matches('.');
        let rest = rest.strip_prefix('=').unwrap_or(rest);
        let rest = rest.trim_start_matches(is_raw_ident);
        self.at = self.text.len() - rest.len();
        Cut::Wrong {
            id: "bare-range",
            message: "a range is not written with bare dots",
            help: "write it as text, such as \"C2..B3\"",
        }
    }

    fn text(&mut self) -> Cut {
        let slip = self.unclosed.filter(|(at, _)| *at == self.at);
        self.at += 1;
        if let Some((_, slip)) = slip {
            self.at += match slip {
                Slip::NoFirst => 0,
                Slip::EndsWithLine => self.until(&['\n']),
                Slip::EndsBeforeMark => self.until(&['\n', ',', ':', '(', ')', '[', ']', '{', '}']),
            };
            return Cut::Wrong {
                id: "syntax",
                message: NO_END,
                help: NO_END_HELP,
            };
        }
        let mut escaped = false;
        let mut line_end = None;
        for (at, byte) in self.rest().bytes().enumerate() {
            match byte {
                _ if escaped => escaped = false,
                b'\\' => escaped = true,
                b'"' => {
                    self.at += at + 1;
                    return Cut::Token(TokenKind::Text);
                }
                _ => {}
            }
            if byte == b'\n' && line_end.is_none() {
                line_end = Some(self.at + at);
                if self.text_end_missing {
                    break;
                }
            }
        }
        self.text_end_missing = true;
        self.at = line_end.unwrap_or(self.text.len());
        Cut::Wrong {
            id: "syntax",
            message: NO_END,
            help: NO_END_HELP,
        }
    }

    /// Bytes up to the first of these characters, or to the end.
    fn until(&self, marks: &[char]) -> usize {
        let rest = self.rest();
        rest.find(marks).unwrap_or(rest.len())
    }

    fn raw_text(&mut self) -> Cut {
        let hashes = self.rest().len() - self.rest().trim_start_matches('#').len();
        self.at += hashes;
        if !self.rest().starts_with('"') {
            return Cut::Wrong {
                id: "syntax",
                message: "a raw text needs a quote here",
                help: "a raw text is r\"…\" or r#\"…\"#",
            };
        }
        self.at += 1;
        let end = format!("\"{}", "#".repeat(hashes));
        match self.rest().find(&end) {
            Some(length) => {
                self.at += length + end.len();
                Cut::Token(TokenKind::RawText)
            }
            None => {
                self.at = self.text.len();
                Cut::Wrong {
                    id: "syntax",
                    message: "this raw text has no end",
                    help: "it ends with a quote and as many # as it began with",
                }
            }
        }
    }

    fn char(&mut self) -> Cut {
        self.at += 1;
        let inside = self.rest();
        let length = match literal::escape(inside, literal::Within::Char) {
            Some(Ok((_, length))) => Some(length),
            Some(Err(_)) => None,
            None => inside.chars().next().map(char::len_utf8),
        };
        if let Some(length) = length.filter(|length| inside[*length..].starts_with('\'')) {
            self.at += length + 1;
            return Cut::Token(TokenKind::Char);
        }
        // Quotes of the wrong kind are the likeliest slip: take all of them, within the line.
        if let Some(at) = inside
            .find(['\'', '\n'])
            .filter(|at| inside[*at..].starts_with('\''))
        {
            self.at += at + 1;
        }
        Cut::Wrong {
            id: "syntax",
            message: "single quotes hold one character",
            help: "a text stands in double quotes",
        }
    }

    fn comment(&mut self) -> Cut {
        let rest = self.rest();
        if rest.starts_with("//") {
            return self.run(|c| c != '\n', TokenKind::LineComment);
        }
        if !rest.starts_with("/*") {
            self.at += 1;
            return Cut::Strange;
        }
        let bytes = rest.as_bytes();
        let (mut depth, mut at) = (1usize, 2);
        while depth > 0 && at < bytes.len() {
            let step = match bytes[at..] {
                [b'/', b'*', ..] => {
                    depth += 1;
                    2
                }
                [b'*', b'/', ..] => {
                    depth -= 1;
                    2
                }
                _ => 1,
            };
            at += step;
        }
        self.at += at;
        match depth {
            0 => Cut::Token(TokenKind::BlockComment),
            _ => Cut::Wrong {
                id: "syntax",
                message: "this comment has no end",
                help: "it ends with */; each /* inside it needs its own",
            },
        }
    }

    fn mark(&mut self) -> Cut {
        self.at += '\u{feff}'.len_utf8();
        let problem = Problem::error(
            "byte-order-mark",
            Span::new(0, self.at),
            "the file starts with a byte-order mark",
        );
        self.problems
            .add(problem.help("save it as UTF-8 without one"));
        Cut::Token(TokenKind::Mark)
    }

    fn run(&mut self, belongs: fn(char) -> bool, kind: TokenKind) -> Cut {
        let rest = self.rest();
        self.at += rest.find(|c| !belongs(c)).unwrap_or(rest.len());
        Cut::Token(kind)
    }

    fn rest(&self) -> &'t str {
        &self.text[self.at..]
    }
}

/// What is said of a text whose last quote is missing.
const NO_END: &str = "this text has no end";
const NO_END_HELP: &str = "put a quote after its last character, or before its first";

/// Blanks of the RON grammar (`ron` 0.12, docs/grammar.md).
fn is_blank(c: char) -> bool {
    matches!(
        c,
        ' ' | '\t'
            | '\n'
            | '\r'
            | '\x0b'
            | '\x0c'
            | '\u{85}'
            | '\u{200e}'
            | '\u{200f}'
            | '\u{2028}'
            | '\u{2029}'
    )
}

/// What a raw name may hold (`ron` 0.12, docs/grammar.md).
fn is_raw_ident(c: char) -> bool {
    matches!(c, '.' | '+' | '-') || is_xid_continue(c)
}
