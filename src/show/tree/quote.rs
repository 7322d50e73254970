//! Finds the one missing quote that makes other texts of a file seem wrong.
//!
//! After a missing quote everything is inside out: what stands between texts is read as text,
//! and texts as names. Only the last text of the file then has no end, far from the mistake.
//! So each quote on a line where a text runs over the line's end is tried in turn as the wrong
//! one, in each way that it may be wrong. The one that explains most of the problems is
//! reported, and the problems that it explains are not.

use std::collections::BTreeSet;

use super::problem::{Problem, Problems};
use super::token::{self, Slip, Token, TokenKind};
use super::{LineIndex, parse};

/// On how many lines the slip is looked for: the first that a text goes over is nearly always it.
const MAX_LINES: usize = 4;

/// How many quotes are looked at.
const MAX_SUSPECTS: usize = 24;

/// How many bytes are read again at most, over all suspects; a large file has fewer of them.
const MAX_BYTES: usize = 16 << 20;

const SLIPS: [Slip; 3] = [Slip::EndsBeforeMark, Slip::EndsWithLine, Slip::NoFirst];

/// The problems of a file, those left out that only follow from one missing quote.
pub(super) fn without_echo(
    text: &str,
    lines: &LineIndex,
    tokens: &[Token],
    problems: Problems,
) -> Problems {
    let written = |token: &Token| {
        let span = token.span();
        text.get(span.start..span.end).unwrap_or_default()
    };
    let has_no_end =
        |token: &Token| token.kind == TokenKind::Wrong && written(token).starts_with('"');
    let goes_over_line = |token: &&Token| {
        has_no_end(token) || token.kind == TokenKind::Text && written(token).contains('\n')
    };
    let is_odd = tokens.iter().any(has_no_end);
    // With one problem there is no echo; with all quotes in pairs none is missing.
    if problems.count() < 2 || !is_odd {
        return problems;
    }
    // The last text of the slip's line goes over its end, so the slip is on a line that one
    // begins on: it is that text's first quote or that of one before it.
    let suspicious: BTreeSet<u32> = tokens
        .iter()
        .filter(goes_over_line)
        .map(|token| lines.line(token.span().start))
        .take(MAX_LINES)
        .collect();
    let affordable = MAX_BYTES / (SLIPS.len() * text.len().max(1));
    let suspects = tokens
        .iter()
        .filter(|token| written(token).starts_with('"'))
        .filter(|token| suspicious.contains(&lines.line(token.span().start)))
        .take(MAX_SUSPECTS.min(affordable));
    let explained = suspects.flat_map(|token| SLIPS.map(|slip| (token.span().start, slip)));
    let explained = explained.map(|(at, slip)| {
        let mut left = Problems::default();
        let tokens = token::cut_ending(text, Some((at, slip)), &mut left);
        parse::parse(text, lines, &tokens, &mut left);
        (left.count(), at, left)
    });
    let Some((count, at, left)) = explained.min_by_key(|(count, at, _)| (*count, *at)) else {
        return problems;
    };
    if count > problems.count() {
        return problems;
    }
    // The slip swallowed the rest of its line, or what stands before it lacks its opening
    // quote: nobody can know what else is wrong on that line and after it.
    let is_told = |problem: &&Problem| match problem.span {
        Some(span) => span.start == at || lines.line(span.start) < lines.line(at),
        None => true,
    };
    let mut told = Problems::default();
    for problem in left.kept().iter().filter(is_told) {
        told.add(problem.clone());
    }
    told
}
