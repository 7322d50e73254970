//! `segue keys`: the commands and keys, as they are in force for this user.

use std::io::Write;

use super::paper::say;
use super::{cli, wishes};
use crate::ui::manual;

/// Prints them; what in the user's file could not be used goes to `err`.
///
/// # Errors
/// If standard output cannot be written.
pub(super) fn run(
    args: &cli::KeysArgs,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Result<(), String> {
    let (keys, path, refused) = wishes::keys();
    let text = if args.manual {
        manual::page(&keys)
    } else {
        manual::text(&keys)
    };
    out.write_all(text.as_bytes())
        .map_err(|error| format!("standard output: {error}"))?;
    let shown = path.map_or_else(|| "keys.txt".to_owned(), |path| path.display().to_string());
    for words in &refused {
        let _ = say(err, &format!("{shown}: {words}"));
    }
    if !args.manual {
        let _ = say(err, &format!("keys of your own: {shown}"));
    }
    Ok(())
}
