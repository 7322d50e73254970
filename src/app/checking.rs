//! `segue check`: all findings of a show, as text or JSON.

use std::io::{self, Write};

use super::cli;
use super::paper::{print_json, say};
use super::{counted, load};
use crate::show::finding::Level;

/// Prints the findings; whether there were errors.
///
/// # Errors
/// If the folder cannot be read or the output not written, in words.
pub(super) fn run(args: &cli::Check, out: &mut dyn Write) -> Result<bool, String> {
    let files = load::folder(&args.show, None)?;
    let loaded = load::show(&files, &load::name_of(&args.show));
    let printed = if args.json {
        print_json(&loaded.findings, out)
    } else {
        print(&loaded, out)
    };
    printed.map_err(|error| format!("standard output: {error}"))?;
    Ok(loaded.error_count() > 0)
}

fn print(loaded: &load::Loaded, out: &mut dyn Write) -> io::Result<()> {
    for finding in &loaded.findings {
        writeln!(out, "{finding}")?;
    }
    let count = |level| {
        loaded
            .findings
            .iter()
            .filter(|finding| finding.level == level)
            .count()
    };
    let show = &loaded.show;
    let sum = format!(
        "{}: {}, {}; {}, {}, {}",
        show.name,
        counted(show.songs.len(), "song"),
        counted(show.nights.len(), "night"),
        counted(count(Level::Error), "error"),
        counted(count(Level::Warning), "warning"),
        counted(count(Level::Note), "note")
    );
    say(out, &sum)
}
