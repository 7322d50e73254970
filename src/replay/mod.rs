//! Recordings: Standard MIDI Files in and out, and a night run through engine and wire
//! without waiting. Pure; files come and go as bytes, time is virtual.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod against;
mod clock;
pub mod mark;
pub mod read;
pub mod record;
pub mod run;
pub mod take;
pub mod write;

pub use mark::{Mark, Verb};
pub use read::{Place, ReadError, RecordedEvent, Recording, Remark, TimedEvent, read};
pub use record::{OUT_TRACK, Take, TakeEvent, write_recording};
pub use run::{Outcome, Run, item, ready, run, run_watched};
pub use take::TakeWriter;
pub use write::{Output, TICK_US, WriteError, write_port, write_ports};
