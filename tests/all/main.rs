//! Integration tests, one module a subject, in one binary.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, missing_docs)]

mod gate;
mod port_matching;
mod store_files;
