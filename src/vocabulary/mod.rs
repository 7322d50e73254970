//! Words of the trade that a show's text states and the engine obeys: what pedals do and
//! send, what sources send and which of them has the say, what held notes do when their
//! scene is left. Each type stands here once; rooms that need one name it.

mod pedals;
mod scenes;
mod sources;

pub use pedals::{Action, Trigger};
pub use scenes::{CueNote, Leave, LevelChange, PageManner};
pub use sources::{Join, PickUp, SourceKind};
