//! Bytes ⇄ messages, MIDI numbers, and the laws of level and pan. Pure.
//!
//! Everything else speaks `Message` and the number types; only this room knows bytes.

pub mod message;
pub mod num;

pub use message::{Bytes, Message};
pub use num::{Channel, Controller, Key, Program, Value7, Value14, cc};
