//! Bytes ⇄ messages, MIDI numbers, the laws of level, pan and scale, and which show-control
//! messages may injure. Pure.
//!
//! Everything else speaks `Message` and the number types; only this room knows bytes.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod decode;
pub mod keycode;
pub mod level;
pub mod message;
pub mod mpe;
pub mod num;
pub mod pitch;
pub mod scale;
pub mod show_control;

pub use decode::{Chunk, Decoded, Decoder, Place};
pub use keycode::KeyCode;
pub use message::{Bytes, Message};
pub use mpe::MpeZone;
pub use num::{Channel, Controller, Key, Program, Value7, Value14, cc};
