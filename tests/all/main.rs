//! All integration tests that can share one process, as modules of one binary.

mod screens;
