//! Files: reading show folders, atomic saves, files that grow, the position journal, logs.
//!
//! Nothing here knows what a file means. What is promised is that a save is whole or did
//! not happen, and that after a kill the journal still says where the show was.

mod error;
mod folder;
mod growing;
mod journal;
mod log;
mod look;
mod places;
mod save;
mod single;

pub use error::StoreError;
pub use folder::{FolderContents, MAX_FILE_BYTES, MAX_FILES, MAX_FOLDER_BYTES, read_folder};
pub use growing::{Abandoned, Growing, abandoned};
pub use journal::{Journal, LOCK_ATTEMPTS, MAX_JOURNAL_BYTES, PositionRecord, ShowIdentity};
pub use log::{EventLog, MAX_LOG_BYTES, SavedStderr, redirect_stderr};
pub use look::{Guarded, save_output};
pub use places::{config_dir, short_path, state_dir};
pub use save::{save, save_unused};
pub use single::{make_folder_of, read_file, remove, write_new_folder};
