//! The document: show files as trees with places, what is read from them, and findings. Pure.
//!
//! Reading never stops at the first mistake: it gives what could be read, and a finding for all else.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod edit;
pub mod finding;
pub mod learn;
pub mod model;
pub mod nearest;
pub mod patches;
pub mod read;
pub mod tree;
