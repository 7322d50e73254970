//! Files: reading show folders, atomic saves, the position journal, logs, folders.
//!
//! Nothing here knows what a file means. What is promised is that a save is whole or did
//! not happen, and that after a kill the journal still says where the show was.

mod error;
mod folder;
mod journal;
mod log;
mod open;
mod places;
mod save;
mod single;

pub use error::StoreError;
pub use folder::{FolderContents, MAX_FILE_BYTES, MAX_FILES, MAX_FOLDER_BYTES, read_folder};
pub use journal::{Journal, MAX_JOURNAL_BYTES, PositionRecord, ShowIdentity};
pub use log::{EventLog, MAX_LOG_BYTES, SavedStderr, redirect_stderr};
pub use places::{config_dir, short_path, state_dir};
pub use save::save;
pub use single::{make_folder_of, read_file, write_new_folder};
