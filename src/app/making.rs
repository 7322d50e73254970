//! `segue new`: a show folder to begin with.

use std::io::Write;

use super::cli;
use super::{counted, load};
use crate::store;
use crate::words::clean;

/// Writes a show that comes with the program into a new folder.
///
/// # Errors
/// If the folder exists and is not empty, or cannot be written, in words.
pub(super) fn run(args: &cli::New, out: &mut dyn Write) -> Result<(), String> {
    let name = if args.demo {
        load::DEMO
    } else {
        load::FIRST_STEPS
    };
    let files = load::built_in(name).bytes;
    store::write_new_folder(&args.folder, &files).map_err(|error| error.to_string())?;
    let shown = args.folder.display().to_string();
    let folder = clean(&shown);
    // The demo show has several nights, and one must be named.
    let night = if args.demo {
        format!(" --night {}", load::DEMO_NIGHT)
    } else {
        String::new()
    };
    writeln!(
        out,
        "{folder}: {}\ncheck it:  segue check {folder}\nplay it:   segue play {folder}{night} --model",
        counted(files.len(), "file")
    )
    .map_err(|error| format!("standard output: {error}"))
}
