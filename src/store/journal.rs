//! The position journal: where a show was, kept through a kill and a power cut.
//!
//! Each show has a file of its own in `places`, so that two shows that run side by side
//! know nothing of each other. The one file of all shows, `positions`, in which older
//! versions wrote, is still read, and left as it is.
//!
//! Beside the journal stands an empty file for each night that runs, or was killed. It
//! needs no room on the disk: if no place could be written since the night began, it alone
//! tells that the last record, an ordinary end, is no longer true.
//!
//! Records are only ever appended, each with its length and checksum, and each reaches
//! the disk before `append` returns. A record torn by a kill is thrown away at the next
//! start; one damaged in the middle costs itself only, since reading goes on at the next
//! that is whole. A journal that has grown too large is saved anew with the last record
//! of each night.
//!
//! ```text
//! record: version u8 │ length u16 │ crc32 u32 │ payload
//! payload: show u64 │ position u32 │ page u16 │ time u64 │ night │ call
//! texts: length u8 │ UTF-8          numbers: little endian
//! ```
//! The checksum covers version, length and payload.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::error::StoreError;
use super::look::{look, open_to_append};
use super::save::{save, sync_folder_of};
use super::single::{make_folder_of, read_file};

/// The identity of a show: a hash of its folder's path.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct ShowIdentity(u64);

impl ShowIdentity {
    /// The identity of a show in a folder, whatever way led there. A show that is not in
    /// a folder (the one compiled in) has its name for a path.
    #[must_use]
    pub fn of_folder(folder: &Path) -> Self {
        let real = fs::canonicalize(folder);
        let path = real.as_deref().unwrap_or(folder);
        Self(fnv(path.as_os_str().as_encoded_bytes()))
    }
}

/// FNV-1a: the same in every version of this program, unlike the standard library's hash.
fn fnv(bytes: &[u8]) -> u64 {
    let add = |hash: u64, byte: &u8| (hash ^ u64::from(*byte)).wrapping_mul(FNV_PRIME);
    bytes.iter().fold(FNV_OFFSET, add)
}

/// Where a show was.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PositionRecord {
    /// Which show it was.
    pub show: ShowIdentity,
    /// The night's name, at most 255 bytes of it.
    pub night: String,
    /// The call number, which survives skips and inserts; at most 255 bytes of it.
    pub call: String,
    /// Index of the position in the night's line, for when the call number is gone.
    pub position: u32,
    /// The page within the song.
    pub page: u16,
    /// Seconds since 1970 (UTC).
    pub time_s: u64,
}

/// The open journal of a show. Only one program has it at any time.
#[derive(Debug)]
pub struct Journal {
    show: ShowIdentity,
    path: PathBuf,
    file: File,
    byte_count: u64,
    last: BTreeMap<Key, PositionRecord>,
    /// Locked as long as the journal is open; the system unlocks it after a kill.
    _lock: File,
}

/// The last record is kept for each show and night.
type Key = (ShowIdentity, String);

impl Journal {
    /// Opens or makes the journal of a show below the state folder, and cuts off what a kill
    /// has left half written. `attempts` is how often it is tried if another running program
    /// has it, 50 ms apart: `LOCK_ATTEMPTS` for who can wait, 1 for who cannot.
    ///
    /// # Errors
    /// If another running program has it, or files cannot be read and written.
    pub fn open(folder: &Path, show: ShowIdentity, attempts: u32) -> Result<Self, StoreError> {
        let path = path_of(folder, show);
        make_folder_of(&path)?;
        let lock = lock_beside(&path, attempts)?;
        let cannot = |error| StoreError::system(&path, "open the position journal", error);
        let file = open_to_append(&path, OPEN)?;
        let bytes = fs::read(&path).map_err(cannot)?;
        let mut last = read_old(folder, show);
        let whole = read_records(&bytes, &mut |record| {
            last.insert(key_of(&record), record);
        }) as u64;
        file.set_len(whole).map_err(cannot)?;
        sync_folder_of(&path).map_err(cannot)?;
        Ok(Self {
            show,
            path,
            file,
            byte_count: whole,
            last,
            _lock: lock,
        })
    }

    /// Adds a record, and returns when it is on the disk. That may take some ms, so it is
    /// done on a thread that does nothing urgent.
    ///
    /// # Errors
    /// If it could not be written. Nothing is lost that was in the journal before.
    pub fn append(&mut self, record: &PositionRecord) -> Result<(), StoreError> {
        self.last.insert(key_of(record), record.clone());
        let bytes = encode(record);
        if self.byte_count + bytes.len() as u64 > MAX_JOURNAL_BYTES {
            return self.rotate();
        }
        let written = self
            .file
            .write_all(&bytes)
            .and_then(|()| self.file.sync_data());
        if let Err(error) = written {
            // What is half written would be cut off at the next start anyway.
            let _ = self.file.set_len(self.byte_count);
            let deed = "write to the position journal";
            return Err(StoreError::system(&self.path, deed, error));
        }
        self.byte_count += bytes.len() as u64;
        Ok(())
    }

    /// Where the show was last on a night.
    #[must_use]
    pub fn last_position(&self, night: &str) -> Option<&PositionRecord> {
        self.last.get(&(self.show, cut_text(night).to_owned()))
    }

    /// Where a show was last on a night, for a program that cannot open the journal because
    /// another has it. None if it cannot be read.
    #[must_use]
    pub fn glance(folder: &Path, show: ShowIdentity, night: &str) -> Option<PositionRecord> {
        let mut last = read_old(folder, show);
        let bytes = fs::read(path_of(folder, show)).unwrap_or_default();
        read_records(&bytes, &mut |record| {
            last.insert(key_of(&record), record);
        });
        last.remove(&(show, cut_text(night).to_owned()))
    }

    /// Notes that a night runs: it was not ended until `note_end` is called.
    ///
    /// # Errors
    /// If the file for that cannot be made.
    pub fn note_begin(&self, night: &str) -> Result<(), StoreError> {
        let path = self.running(night);
        let cannot = |error| StoreError::system(&path, "note that the night runs", error);
        File::create(&path).map_err(cannot)?;
        sync_folder_of(&path).map_err(cannot)
    }

    /// Notes that a night was ended. To be called once the record of that is on the disk.
    ///
    /// # Errors
    /// If the file that says otherwise cannot be removed.
    pub fn note_end(&self, night: &str) -> Result<(), StoreError> {
        let path = self.running(night);
        let removed = fs::remove_file(&path).and_then(|()| sync_folder_of(&path));
        match removed {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                let deed = "note that the night was ended";
                Err(StoreError::system(&path, deed, error))
            }
            _ => Ok(()),
        }
    }

    /// Whether `note_begin` was called for a night and `note_end` was not.
    #[must_use]
    pub fn is_begun(&self, night: &str) -> bool {
        self.running(night).exists()
    }

    /// The file that stands while a night runs.
    fn running(&self, night: &str) -> PathBuf {
        let number = fnv(cut_text(night).as_bytes());
        self.path.with_extension(format!("{number:016x}.runs"))
    }

    /// Saves the journal anew with the last record of each night, the newest
    /// `MAX_KEPT` of them.
    fn rotate(&mut self) -> Result<(), StoreError> {
        let mut kept: Vec<_> = self.last.values().cloned().collect();
        kept.sort_by_key(|record| record.time_s);
        let kept = kept.split_off(kept.len().saturating_sub(MAX_KEPT));
        let bytes: Vec<u8> = kept.iter().flat_map(encode).collect();
        save(&self.path, &bytes)?;
        self.file = open_to_append(&self.path, OPEN)?;
        self.byte_count = bytes.len() as u64;
        self.last = kept
            .into_iter()
            .map(|record| (key_of(&record), record))
            .collect();
        Ok(())
    }
}

fn key_of(record: &PositionRecord) -> Key {
    (record.show, cut_text(&record.night).to_owned())
}

fn lock_beside(path: &Path, attempts: u32) -> Result<File, StoreError> {
    let path = path.with_extension("lock");
    const LOCK: &str = "lock the position journal";
    let cannot = |error| StoreError::system(&path, LOCK, error);
    let file = open_to_append(&path, LOCK)?;
    for attempt in 1..=attempts {
        match file.try_lock() {
            Ok(()) => return Ok(file),
            // Perhaps that program is just ending, or a child process still has the lock.
            Err(TryLockError::WouldBlock) if attempt < attempts => {
                std::thread::sleep(LOCK_PAUSE);
            }
            Err(TryLockError::WouldBlock) => {}
            Err(TryLockError::Error(error)) => return Err(cannot(error)),
        }
    }
    Err(StoreError::words(
        &path,
        "another running copy plays this show and keeps its place: end it, or set \
         XDG_STATE_HOME to another folder for this one",
    ))
}

/// The journal of a show below the state folder.
fn path_of(folder: &Path, show: ShowIdentity) -> PathBuf {
    folder.join(FOLDER_NAME).join(format!("{:016x}", show.0))
}

/// Reads what older versions wrote of a show, in the one file of all shows. It is read without
/// a lock: an incomplete record may be one that is just being written, and is left out.
fn read_old(folder: &Path, show: ShowIdentity) -> BTreeMap<Key, PositionRecord> {
    let mut last = BTreeMap::new();
    let path = folder.join(OLD_FILE_NAME);
    // A pipe or a device in its place is not read: it could block without end.
    let bytes = match look(&path) {
        Ok(Some(_)) => read_file(&path, MAX_JOURNAL_BYTES * 2).unwrap_or_default(),
        _ => Vec::new(),
    };
    read_records(&bytes, &mut |record| {
        if record.show == show {
            last.insert(key_of(&record), record);
        }
    });
    last
}

fn encode(record: &PositionRecord) -> Vec<u8> {
    let mut payload = Vec::new();
    payload.extend_from_slice(&record.show.0.to_le_bytes());
    payload.extend_from_slice(&record.position.to_le_bytes());
    payload.extend_from_slice(&record.page.to_le_bytes());
    payload.extend_from_slice(&record.time_s.to_le_bytes());
    for text in [&record.night, &record.call] {
        let text = cut_text(text);
        payload.push(text.len() as u8);
        payload.extend_from_slice(text.as_bytes());
    }
    let len = (payload.len() as u16).to_le_bytes();
    let mut bytes = vec![VERSION, len[0], len[1]];
    bytes.extend_from_slice(&checksum(VERSION, len, &payload).to_le_bytes());
    bytes.extend_from_slice(&payload);
    bytes
}

/// At most 255 bytes of a text, cut between characters.
fn cut_text(text: &str) -> &str {
    let mut end = text.len().min(usize::from(u8::MAX));
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    text.get(..end).unwrap_or_default()
}

fn checksum(version: u8, len: [u8; 2], payload: &[u8]) -> u32 {
    let mut hasher = crc32fast::Hasher::new();
    hasher.update(&[version]);
    hasher.update(&len);
    hasher.update(payload);
    hasher.finalize()
}

/// Hands over every whole record; returns the end of the last one. Records of a version
/// that is not known are stepped over and stay in the file.
fn read_records(bytes: &[u8], pass: &mut dyn FnMut(PositionRecord)) -> usize {
    let mut at = 0;
    let mut end_of_last = 0;
    while at < bytes.len() {
        let Some((version, payload)) = record_at(bytes, at) else {
            at += 1;
            continue;
        };
        at += HEADER_BYTES + payload.len();
        end_of_last = at;
        if version == VERSION
            && let Some(record) = decode(payload)
        {
            pass(record);
        }
    }
    end_of_last
}

/// Version and payload of a record that begins at a place, if it is whole.
fn record_at(bytes: &[u8], at: usize) -> Option<(u8, &[u8])> {
    let (header, rest) = bytes.get(at..)?.split_first_chunk::<HEADER_BYTES>()?;
    let [version, len_low, len_high, crc @ ..] = *header;
    let len = [len_low, len_high];
    let byte_count = usize::from(u16::from_le_bytes(len));
    // A damaged length must not make reading slow.
    if version == 0 || byte_count > MAX_PAYLOAD_BYTES {
        return None;
    }
    let payload = rest.get(..byte_count)?;
    (checksum(version, len, payload) == u32::from_le_bytes(crc)).then_some((version, payload))
}

fn decode(payload: &[u8]) -> Option<PositionRecord> {
    let (show, rest) = payload.split_first_chunk()?;
    let (position, rest) = rest.split_first_chunk()?;
    let (page, rest) = rest.split_first_chunk()?;
    let (time_s, rest) = rest.split_first_chunk()?;
    let (night, rest) = decode_text(rest)?;
    let (call, _) = decode_text(rest)?;
    Some(PositionRecord {
        show: ShowIdentity(u64::from_le_bytes(*show)),
        night,
        call,
        position: u32::from_le_bytes(*position),
        page: u16::from_le_bytes(*page),
        time_s: u64::from_le_bytes(*time_s),
    })
}

fn decode_text(bytes: &[u8]) -> Option<(String, &[u8])> {
    let (&len, rest) = bytes.split_first()?;
    let (text, rest) = rest.split_at_checked(usize::from(len))?;
    Some((String::from_utf8(text.to_vec()).ok()?, rest))
}

/// A journal larger than this is saved anew.
pub const MAX_JOURNAL_BYTES: u64 = 256 << 10;

/// Nights kept when it is saved anew: at most a quarter of the file, even with long names.
const MAX_KEPT: usize = 100;

/// Attempts to lock, 50 ms apart: a second in all.
pub const LOCK_ATTEMPTS: u32 = 20;
const LOCK_PAUSE: Duration = Duration::from_millis(50);

const VERSION: u8 = 1;
const HEADER_BYTES: usize = 7;
const MAX_PAYLOAD_BYTES: usize = 1_024;
const FOLDER_NAME: &str = "places";
const OLD_FILE_NAME: &str = "positions";
const OPEN: &str = "open the position journal";

// The FNV-1a parameters for 64 bits (RFC 9923; from memory).
const FNV_OFFSET: u64 = 0xcbf2_9ce4_8422_2325;
const FNV_PRIME: u64 = 0x0000_0100_0000_01b3;
