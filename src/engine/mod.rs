//! The live state machine, and the types it reads and shows. Pure and sans-IO.
//!
//! `Engine::handle(now, input, &mut outbox)`: time, messages and commands in, messages
//! out, one deadline (`next_deadline`) for the driver to wait on. No clock, no thread,
//! no lock; no allocation after `Engine::new`.

pub mod input;
pub mod limits;
pub mod promptbook;
pub mod view;
