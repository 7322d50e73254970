//! Words of the trade that a show's text states and the engine obeys: what pedals do and
//! send, what sources send and which of them has the say, what held notes do when their
//! scene is left. Each type stands here once; rooms that need one name it.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

mod pedals;
mod rig;
mod scenes;
mod sources;

pub use pedals::{Action, Trigger};
pub use rig::{PortKind, ReceiverKind};
pub use scenes::{CueNote, Leave, LevelChange, PageManner};
pub use sources::{Join, PickUp, SourceKind};
