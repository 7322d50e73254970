//! What happened in a show and how its rig stands: as data that can be written and read
//! again, and in plain words for the log. Pure: whoever plays the show fills it in, whoever
//! draws a screen, keeps a log or sends it elsewhere reads it.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod commands;
pub mod events;
pub mod status;

pub use events::{Event, NOTICE_LIMIT, Notice, Watch};
pub use status::{InPortStatus, LearnedStatus, LogLevel, LogLine, OutPortStatus, RigStatus};
