//! Standard output for commands that print: a reader that has seen enough is no error.
//!
//! `segue plan SHOW | head` closes the pipe early. What is written after that goes
//! nowhere, and the command ends as if all of it had been read.

use std::io::{self, Write};

/// A writer that swallows what nobody reads any more.
pub(super) struct Paper<W> {
    inner: W,
    is_closed: bool,
}

impl<W: Write> Paper<W> {
    /// Prints on `inner`.
    pub(super) const fn new(inner: W) -> Self {
        Self {
            inner,
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
        let result = self.inner.write(bytes);
        self.unless_closed(result, bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        if self.is_closed {
            return Ok(());
        }
        let result = self.inner.flush();
        self.unless_closed(result, ())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
