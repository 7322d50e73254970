//! The real binary on a real terminal: a pseudo-terminal, and an emulator that remembers
//! every cell.
//!
//! Its own binary, because each test starts processes and signals them. Every wait is for
//! something to be seen, with a deadline; nothing sleeps for a fixed time but the terminal
//! that stalls for ten seconds.
#![cfg(unix)]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout
)]

mod colours;
mod desk;
mod endings;
mod mouse;
mod playing;
mod recording;
mod sizes;
mod stalls;
mod stray;
