//! The table of commands as a page to read, or to print: made from the one key table.

use std::fmt::Write;

use super::keys::{KeyRow, Keys};
use crate::screen::Screen;

/// The commands as text: name, keys, where, what.
#[must_use]
pub fn text(keys: &Keys) -> String {
    let mut out = String::new();
    for (row, bound) in keys.bound() {
        let names: Vec<String> = bound.iter().map(|key| key.name()).collect();
        let _ = writeln!(
            out,
            "{:<26} {:<26} {}{}",
            usage(row),
            names.join(" "),
            row.words,
            place(row)
        );
    }
    out
}

/// The commands as a manual page, for `man -l`.
#[must_use]
pub fn page(keys: &Keys) -> String {
    let mut out = String::from(
        ".TH SEGUE-KEYS 7\n.SH NAME\nsegue-keys \\- commands and keys while a show is played\n\
         .SH DESCRIPTION\nA command is given by one of its keys, or by its name on the command line\n\
         .RB ( : ).\nWhat stands in capitals after a name is optional there: without it the row under\n\
         the cursor is meant.\n.SH COMMANDS\n",
    );
    for (row, bound) in keys.bound() {
        let names: Vec<String> = bound.iter().map(|key| escape(&key.name())).collect();
        let _ = writeln!(out, ".TP\n.B {}", escape(&usage(row)));
        if !names.is_empty() {
            let _ = writeln!(out, "({})", names.join(", "));
        }
        let _ = writeln!(out, "{}{}", escape(row.words), escape(&place(row)));
    }
    out.push_str(
        ".SH FILES\n.TP\n.I keys.txt\nin the folder for settings: keys of one's own, a line\n\
         .RB \\(lq \"COMMAND: KEY KEY\" \\(rq\nfor each command.\n",
    );
    out
}

fn usage(row: &KeyRow) -> String {
    match row.takes.word() {
        "" => row.name.to_owned(),
        word => format!("{} {word}", row.name),
    }
}

/// Where it works, if not everywhere.
fn place(row: &KeyRow) -> String {
    if row.screens.len() == Screen::ALL.len() {
        return String::new();
    }
    let names: Vec<&str> = row.screens.iter().map(|screen| screen.name()).collect();
    format!(" ({})", names.join(", "))
}

/// A text as `man` takes it: no escapes, and no line that would be a request.
fn escape(text: &str) -> String {
    let text = text.replace('\\', "\\e").replace('-', "\\-");
    if text.starts_with(['.', '\'']) {
        format!("\\&{text}")
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ui::table::TABLE;

    #[test]
    fn every_command_is_on_the_page() {
        let keys = Keys::default();
        let (text, page) = (text(&keys), page(&keys));
        assert_eq!(text.lines().count(), TABLE.len());
        assert_eq!(page.matches(".TP\n.B ").count(), TABLE.len());
        // A key that would be a request of `man` is none.
        assert!(
            !page.lines().any(|line| line.starts_with('.')
                && !line.starts_with(".TP")
                && !line.starts_with(".B ")
                && !line.starts_with(".SH")
                && !line.starts_with(".TH")
                && !line.starts_with(".RB")
                && !line.starts_with(".I ")),
            "{page}"
        );
    }
}
