//! Where the show is, written down at each step, so that a kill does not lose the place.

use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use crate::store::{Journal, PositionRecord, ShowIdentity, StoreError, state_dir};

/// The journal of one show and night. A show that was ended leaves a record without a
/// call number, so that the next start is at the beginning.
pub(super) struct Steps {
    journal: Journal,
    show: ShowIdentity,
    night: String,
}

impl Steps {
    /// Opens the journal in the state folder.
    ///
    /// # Errors
    /// If another running program has it, or it cannot be read and written.
    pub(super) fn open(folder: &Path, night: &str) -> Result<Self, StoreError> {
        Ok(Self {
            journal: Journal::open(&state_dir()?)?,
            show: ShowIdentity::of_folder(folder),
            night: night.to_owned(),
        })
    }

    /// The call number where a show was killed; none if it was ended, or never played.
    pub(super) fn killed_at(&self) -> Option<String> {
        let last = self.journal.last_position(self.show, &self.night)?;
        (!last.call.is_empty()).then(|| last.call.clone())
    }

    /// Writes a step down; it is on the disk when this returns.
    ///
    /// # Errors
    /// If it could not be written.
    pub(super) fn write(&mut self, call: &str, position: u32, page: u16) -> Result<(), StoreError> {
        let time_s = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
        self.journal.append(&PositionRecord {
            show: self.show,
            night: self.night.clone(),
            call: call.to_owned(),
            position,
            page,
            time_s,
        })
    }

    /// Writes down that the show was ended.
    ///
    /// # Errors
    /// If it could not be written.
    pub(super) fn end(&mut self) -> Result<(), StoreError> {
        self.write("", 0, 0)
    }
}
