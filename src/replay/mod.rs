//! Recordings: Standard MIDI Files in and out. Pure; files come and go as bytes.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

mod clock;
pub mod mark;
pub mod read;
pub mod write;

pub use mark::Mark;
pub use read::{Place, ReadError, RecordedEvent, Recording, Remark, TimedEvent, read};
pub use write::{Output, WriteError, write_port, write_ports};
