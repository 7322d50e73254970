//! What each fuzz target does with the bytes that it is given. A body panics if what must
//! always be true is not; any bytes are welcome.
//!
//! Called by the targets in `fuzz_targets/`, one each, and by the ordinary test `fuzz`.
#![allow(
    dead_code,
    unused_imports,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing
)]

mod book;
mod decode;
mod ear;
mod engine;
mod recording;
mod show;
mod words;

pub(crate) use decode::midi_decode;
pub(crate) use engine::engine_inputs;
pub(crate) use recording::recording;
pub(crate) use show::{show_files, show_text};

/// Bytes as a row of decisions. When they are used up, every decision is the first choice.
struct Choices<'a> {
    bytes: &'a [u8],
}

impl<'a> Choices<'a> {
    const fn new(bytes: &'a [u8]) -> Self {
        Self { bytes }
    }

    const fn is_over(&self) -> bool {
        self.bytes.is_empty()
    }

    fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.bytes.split_first() else {
            return 0;
        };
        self.bytes = rest;
        *first
    }

    /// A number below `sides`.
    fn below(&mut self, sides: u8) -> u8 {
        self.byte() % sides
    }

    fn one_of<'b>(&mut self, words: &[&'b str]) -> &'b str {
        words[usize::from(self.byte()) % words.len()]
    }
}
