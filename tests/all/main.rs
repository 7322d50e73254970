<<<<<<< HEAD
//! All integration tests that can share one process, as modules of one binary.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod cases;
mod check_rules;
mod picture;
mod ron_read;
mod ron_tree;
mod screens;
mod show_read;
=======
//! Integration tests, one module a subject, in one binary.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

mod gate;
mod port_matching;
mod store_files;
>>>>>>> ports
