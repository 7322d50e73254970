<<<<<<< HEAD
//! All integration tests of one process kind, as modules of one binary.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod cases;
mod ron_read;
mod ron_tree;
mod show_read;
=======
//! All integration tests that can share one process, as modules of one binary.

mod screens;
>>>>>>> screen
