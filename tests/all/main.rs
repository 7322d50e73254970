//! All integration tests of one process kind, as modules of one binary.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod cases;
mod check_rules;
mod ron_read;
mod ron_tree;
mod show_read;
