//! `segue`: a scene stepper for keyboard players, as a library of rooms.
//!
//! The rooms and who may import whom are written in `DEVELOPERS.md`; `tests/tidy.rs`
//! enforces it. Pure rooms have no clock, no thread, no file and no socket.
#![forbid(unsafe_code)]
#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::indexing_slicing
    )
)]

pub mod app;
pub mod check;
pub mod engine;
pub mod midi;
pub mod plan;
pub mod ports;
pub mod replay;
pub mod screen;
pub mod sheet;
pub mod show;
pub mod sim;
pub mod store;
pub mod ui;
pub mod vocabulary;
pub mod wire;
pub mod words;
