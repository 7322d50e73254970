//! The terminal: keys in, screens out. An edge.
//!
//! One thread reads keys, one draws; neither holds the engine. What the drawing loop knows
//! comes through `Source`, what it wants goes through `Sink`, and its own state is an
//! `UiState` that outlives it: the loop may die and be started again over the same state.

pub mod desk;
mod frame_writer;
mod help;
pub mod input;
pub mod keys;
mod line;
pub mod manual;
mod mouse;
pub mod notes;
mod prompts;
mod rehearsal;
pub mod remap;
pub mod reply;
pub mod run;
pub mod table;
pub mod terminal;
#[cfg(test)]
mod tests;
pub mod tonight;
mod twice;
mod wings;

pub use desk::{Desk, Reply, Wish};
pub use keys::{Keys, UiKey};
pub use run::{Sink, Source, UiExit, run};
pub use terminal::{TerminalGuard, install_panic_hook, is_terminal};
pub use tonight::NightEdit;
