//! Played scripts and random playing against the machine.
//!
//! `rig` builds small promptbooks and plays them; what goes out is compared as text, one
//! message as `port:bytes`. Each file is one concern of the machine.
#![allow(clippy::indexing_slicing, clippy::unwrap_used, clippy::panic)]

mod changeovers;
mod master;
mod moves;
mod mpe;
mod notes;
mod pedals;
mod ports;
mod presses;
mod priming;
mod random;
mod rehearsal;
mod rescue;
mod rig;
mod sources;
mod spare;
mod swap;
