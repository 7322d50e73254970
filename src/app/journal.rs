//! Where the show is, written down at each step, so that a kill does not lose the place.

use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use crate::store::{Journal, LOCK_ATTEMPTS, PositionRecord, ShowIdentity, StoreError, state_dir};

/// A place of the night, as the playing thread tells it: the latest one is all that counts,
/// so it is kept in a cell and not in a queue.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Place {
    /// Nothing was told yet: the show waits to be taken up.
    pub(super) is_told: bool,
    /// The edition of the night that the position is counted in.
    pub(super) edition: u32,
    /// Index of the position.
    pub(super) position: u32,
    /// The page within the song.
    pub(super) page: u16,
    /// The show was ended here as somebody wished.
    pub(super) is_ended: bool,
}

/// How the last run left the night.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Left {
    /// It was ended, or never played.
    Ended,
    /// It was killed here.
    At(PositionRecord),
    /// It was killed, and the place could not be written down.
    Nowhere,
    /// Whether it was ended is not known, and why; where it is or was, if that can be read.
    Unknown(String, Option<PositionRecord>),
}

/// The journal of one show and night. A show that was ended leaves a record without a
/// call number, so that the next start is at the beginning.
pub(super) struct Steps {
    /// None as long as it could not be opened; tried again at each write.
    journal: Option<Journal>,
    show: ShowIdentity,
    night: String,
    left: Left,
    /// The place of a killed run that this one only looks at the show beside: it stands again
    /// once this run is ended.
    kept: Option<PositionRecord>,
    is_begun: bool,
}

impl Steps {
    /// The journal in the state folder. `is_look` if this run does not take up the place of
    /// one that was killed: a rehearsal, or a start at a place of its own.
    pub(super) fn open(folder: &Path, night: &str, is_look: bool) -> Self {
        let show = ShowIdentity::of_folder(folder);
        let opened = state_dir().and_then(|folder| Journal::open(&folder, show, LOCK_ATTEMPTS));
        let known = |record: &PositionRecord| !record.call.is_empty();
        let left = match &opened {
            Ok(journal) => match journal.last_position(night).filter(|last| known(last)) {
                Some(last) => Left::At(last.clone()),
                None if journal.is_begun(night) => Left::Nowhere,
                None => Left::Ended,
            },
            Err(error) => {
                let glance = |folder: std::path::PathBuf| Journal::glance(&folder, show, night);
                let last = state_dir().ok().and_then(glance).filter(known);
                Left::Unknown(error.to_string(), last)
            }
        };
        let kept = match &left {
            Left::At(last) if is_look => Some(last.clone()),
            _ => None,
        };
        Self {
            journal: opened.ok(),
            show,
            night: night.to_owned(),
            left,
            kept,
            is_begun: false,
        }
    }

    /// How the last run left the night.
    pub(super) const fn left(&self) -> &Left {
        &self.left
    }

    /// Writes a place down; it is on the disk when this returns.
    ///
    /// # Errors
    /// If it could not be written. The next try may: the journal is opened anew if need be.
    pub(super) fn write(&mut self, call: &str, position: u32, page: u16) -> Result<(), StoreError> {
        let record = PositionRecord {
            show: self.show,
            night: self.night.clone(),
            call: call.to_owned(),
            position,
            page,
            time_s: SystemTime::now()
                .duration_since(UNIX_EPOCH)
                .map_or(0, |since| since.as_secs()),
        };
        self.append(&record)
    }

    fn append(&mut self, record: &PositionRecord) -> Result<(), StoreError> {
        let journal = match &mut self.journal {
            Some(journal) => journal,
            None => self
                .journal
                .insert(Journal::open(&state_dir()?, self.show, 1)?),
        };
        if !self.is_begun {
            // First, since it needs no room: if the record has none, this stands for it.
            journal.note_begin(&self.night)?;
            self.is_begun = true;
        }
        journal.append(record)
    }

    /// Writes down that the show was ended; after a look, that the place from before it
    /// still stands.
    ///
    /// # Errors
    /// If it could not be written. The next start then waits.
    pub(super) fn end(&mut self) -> Result<(), StoreError> {
        if let Some(kept) = self.kept.clone() {
            return self.append(&kept);
        }
        self.write("", 0, 0)?;
        match &self.journal {
            Some(journal) => journal.note_end(&self.night),
            None => Ok(()),
        }
    }
}
