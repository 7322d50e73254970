//! All integration tests of one process kind, as modules of one binary.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod cases;
mod plan_night;
mod ron_read;
mod ron_tree;
mod show_read;
