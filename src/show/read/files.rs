//! The text of files that are not RON, and findings about a file as a whole.

use crate::show::finding::{Finding, Findings, Level, Place};
use crate::show::tree::MAX_FILE_BYTES;

/// The text of a file that is not RON: a patch list or a page.
pub(super) fn plain_text(path: &str, bytes: &[u8], findings: &mut Findings) -> String {
    if bytes.len() > MAX_FILE_BYTES {
        let message = format!("the file is larger than {} MiB", MAX_FILE_BYTES >> 20);
        findings.add(whole_file(
            "file-too-long",
            path,
            message,
            "is it the right file?",
        ));
        return String::new();
    }
    // Spreadsheets begin a CSV file with a byte-order mark; nothing else is meant by it.
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    match std::str::from_utf8(bytes) {
        Ok(text) => text.to_owned(),
        Err(error) => {
            let good = bytes
                .get(..error.valid_up_to())
                .and_then(|good| std::str::from_utf8(good).ok());
            let line = good
                .unwrap_or_default()
                .bytes()
                .filter(|byte| *byte == b'\n')
                .count()
                + 1;
            let message = format!("line {line} holds a byte that is not UTF-8 text");
            findings.add(whole_file(
                "not-utf8",
                path,
                message,
                "save the file as UTF-8",
            ));
            String::new()
        }
    }
}

/// A finding about a file as a whole.
pub(super) fn whole_file(id: &'static str, path: &str, message: String, help: &str) -> Finding {
    Finding {
        id,
        level: Level::Error,
        place: Place::of_file(path),
        message,
        help: Some(help.into()),
    }
}
