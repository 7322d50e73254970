//! Standard output and standard error for commands that print: clean text, and a reader that
//! has seen enough is no error.
//!
//! `segue plan SHOW | head` closes the pipe early. What is written after that goes
//! nowhere, and the command ends as if all of it had been read.
//!
//! Everything passes [`words::clean_lines`] on its way out, so that no name can reach the
//! terminal as anything but letters. That a line break in a name is none is for [`say`].

use std::io::{self, Write};

use serde::Serialize;

use crate::words;

/// Writes one line, whatever is in the words.
///
/// # Errors
/// If it cannot be written.
pub(super) fn say(out: &mut dyn Write, line: &str) -> io::Result<()> {
    writeln!(out, "{}", words::clean(line))
}

/// Writes a value as JSON, names in it as they are: what may not be shown is escaped.
///
/// # Errors
/// If it cannot be written.
pub(super) fn print_json(value: &impl Serialize, out: &mut dyn Write) -> io::Result<()> {
    let json = serde_json::to_string_pretty(value)?;
    writeln!(out, "{}", words::escaped(&json))
}

/// A writer of text that cleans it, and swallows what nobody reads any more.
pub(super) struct Paper<W> {
    inner: W,
    /// The beginning of a character whose other bytes have not come yet.
    begun: Vec<u8>,
    is_closed: bool,
}

impl<W: Write> Paper<W> {
    /// Prints on `inner`.
    pub(super) const fn new(inner: W) -> Self {
        Self {
            inner,
            begun: Vec::new(),
            is_closed: false,
        }
    }

    fn unless_closed<T>(&mut self, result: io::Result<T>, otherwise: T) -> io::Result<T> {
        match result {
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => {
                self.is_closed = true;
                Ok(otherwise)
            }
            other => other,
        }
    }
}

impl<W: Write> Write for Paper<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.is_closed {
            return Ok(bytes.len());
        }
        self.begun.extend_from_slice(bytes);
        let whole = whole_characters(&self.begun);
        let rest = self.begun.split_off(whole);
        let text = String::from_utf8_lossy(&self.begun);
        let result = self.inner.write_all(words::clean_lines(&text).as_bytes());
        self.begun = rest;
        self.unless_closed(result.map(|()| bytes.len()), bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.is_closed {
            return Ok(());
        }
        let result = self.inner.flush();
        self.unless_closed(result, ())
    }
}

/// How many of these bytes come before a character that only begins there.
fn whole_characters(bytes: &[u8]) -> usize {
    match std::str::from_utf8(bytes) {
        Err(error) if error.error_len().is_none() => error.valid_up_to(),
        _ => bytes.len(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_printed_is_clean_however_it_is_cut() {
        let text = "a\u{1b}[2Jb\u{202e}ü\u{200b}日\n";
        for cut in 1..4 {
            let mut paper = Paper::new(Vec::new());
            for piece in text.as_bytes().chunks(cut) {
                paper.write_all(piece).expect("it is written");
            }
            assert_eq!(paper.inner, "a [2Jbü日\n".as_bytes(), "{cut}");
        }
        let mut paper = Paper::new(Vec::new());
        say(&mut paper, "a\nforged").expect("it is written");
        assert_eq!(paper.inner, b"a forged\n");
    }

    /// Fails with `kind` after `left` writes.
    struct Pipe {
        left: usize,
        kind: io::ErrorKind,
    }

    impl Write for Pipe {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.left = self.left.checked_sub(1).ok_or(self.kind)?;
            Ok(bytes.len())
        }

        fn flush(&mut self) -> io::Result<()> {
            if self.left == 0 {
                Err(self.kind.into())
            } else {
                Ok(())
            }
        }
    }

    #[test]
    fn a_closed_pipe_ends_the_printing_without_an_error() {
        let mut paper = Paper::new(Pipe {
            left: 1,
            kind: io::ErrorKind::BrokenPipe,
        });
        for line in 0..3 {
            writeln!(paper, "{line}").expect("nobody reads it, and that is all right");
        }
        paper.flush().expect("neither is there anything to flush");
    }

    #[test]
    fn any_other_error_is_told() {
        let mut paper = Paper::new(Pipe {
            left: 0,
            kind: io::ErrorKind::StorageFull,
        });
        assert_eq!(
            paper.write(b"x").map_err(|error| error.kind()),
            Err(io::ErrorKind::StorageFull)
        );
        assert!(paper.flush().is_err());
    }
}
