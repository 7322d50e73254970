//! The judge: random playing of random shows on random rigs, heard by model receivers that
//! share no code with the engine, and compared with what should have been heard.
//!
//! One test for each invariant of the design. `PROPTEST_CASES` sets how many scripts each
//! plays, `SEGUE_SEED` where they start; a failure prints the seed and the shortest script
//! found. Scripts of mistakes that were found once are kept under `tests/data/judge`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr
)]

mod campaign;
mod corpus;
#[cfg(unix)]
#[path = "../pty/desk.rs"]
#[allow(dead_code, reason = "the terminal's own tests use the rest")]
mod desk;
mod hearing;
mod loaded;
mod make;
mod mistakes;
mod oracle;
mod pieces;
mod properties;
#[cfg(unix)]
mod rehearsal;
mod routed;
mod run;
mod saboteur;
mod script;
mod stage;
mod trace;
mod world;
