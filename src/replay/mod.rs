//! Recordings: Standard MIDI Files in and out, and a night run through engine and wire
//! without waiting. Pure; files come and go as bytes, time is virtual.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

mod clock;
pub mod mark;
pub mod read;
pub mod run;
pub mod write;

pub use mark::Mark;
pub use read::{Place, ReadError, RecordedEvent, Recording, Remark, TimedEvent, read};
pub use run::{Outcome, Run, item, ready, run};
pub use write::{Output, WriteError, write_port, write_ports};
