//! The position journal: where each show was, kept through a kill and a power cut.
//!
//! Records are only ever appended, each with its length and checksum, and each reaches
//! the disk before `append` returns. A record torn by a kill is thrown away at the next
//! start; one damaged in the middle costs itself only, since reading goes on at the next
//! that is whole. A journal that has grown too large is saved anew with the last record
//! of each show and night.
//!
//! ```text
//! record: version u8 │ length u16 │ crc32 u32 │ payload
//! payload: show u64 │ position u32 │ page u16 │ time u64 │ night │ call
//! texts: length u8 │ UTF-8          numbers: little endian
//! ```
//! The checksum covers version, length and payload.

use std::collections::BTreeMap;
use std::fs::{self, File, TryLockError};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::error::StoreError;
use super::open;
use super::save::{save, sync_folder_of};

/// Which show it is: a number made from where its folder is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct ShowIdentity(u64);

impl ShowIdentity {
    /// The identity of a show in a folder, whatever way led there. A show that is not in
    /// a folder (the one compiled in) has its name for a path.
    #[must_use]
    pub fn of_folder(folder: &Path) -> Self {
        let real = fs::canonicalize(folder);
        let path = real.as_deref().unwrap_or(folder);
        // FNV-1a: the same in every version of this program, unlike the standard
        // library's hash.
        let add = |hash: u64, byte: &u8| (hash ^ u64::from(*byte)).wrapping_mul(FNV_PRIME);
        let bytes = path.as_os_str().as_encoded_bytes();
        Self(bytes.iter().fold(FNV_OFFSET, add))
    }
}

/// Where a show was.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PositionRecord {
    /// The show.
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

/// An open journal. Only one program has it at any time.
#[derive(Debug)]
pub struct Journal {
    path: PathBuf,
    file: File,
    byte_count: u64,
    last: BTreeMap<Key, PositionRecord>,
    /// Held for as long as the journal is open; the system lets go of it after a kill.
    _lock: File,
}

/// What the last record is kept for.
type Key = (ShowIdentity, String);

impl Journal {
    /// Opens or makes the journal `positions` in a folder, and cuts off what a kill has
    /// left half written.
    ///
    /// # Errors
    /// If another running program has it (after a second of trying), or files cannot be read and written.
    pub fn open(folder: &Path) -> Result<Self, StoreError> {
        let path = folder.join(FILE_NAME);
        let lock = lock_beside(&path)?;
        let cannot = |error| StoreError::system(&path, "open the position journal", error);
        let file = open_to_append(&path)?;
        let bytes = fs::read(&path).map_err(cannot)?;
        let mut last = BTreeMap::new();
        let whole = read_records(&bytes, &mut |record| {
            last.insert(key_of(&record), record);
        }) as u64;
        file.set_len(whole).map_err(cannot)?;
        sync_folder_of(&path).map_err(cannot)?;
        Ok(Self {
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

    /// Where a show was last on a night.
    #[must_use]
    pub fn last_position(&self, show: ShowIdentity, night: &str) -> Option<&PositionRecord> {
        self.last.get(&(show, cut_text(night).to_owned()))
    }

    /// Saves the journal anew with the last record of each show and night, the newest
    /// `MAX_KEPT` of them.
    fn rotate(&mut self) -> Result<(), StoreError> {
        let mut kept: Vec<_> = self.last.values().cloned().collect();
        kept.sort_by_key(|record| record.time_s);
        let kept = kept.split_off(kept.len().saturating_sub(MAX_KEPT));
        let bytes: Vec<u8> = kept.iter().flat_map(encode).collect();
        save(&self.path, &bytes)?;
        self.file = open_to_append(&self.path)?;
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

fn open_to_append(path: &Path) -> Result<File, StoreError> {
    open::to_append(path)
        .map_err(|error| StoreError::system(path, "open the position journal", error))
}

fn lock_beside(path: &Path) -> Result<File, StoreError> {
    let path = path.with_extension("lock");
    let cannot = |error| StoreError::system(&path, "lock the position journal", error);
    let file = open::to_append(&path).map_err(cannot)?;
    for _ in 0..LOCK_ATTEMPTS {
        match file.try_lock() {
            Ok(()) => return Ok(file),
            // Perhaps one that is just ending, or a child of it that has not yet let go.
            Err(TryLockError::WouldBlock) => std::thread::sleep(LOCK_PAUSE),
            Err(TryLockError::Error(error)) => return Err(cannot(error)),
        }
    }
    Err(StoreError::words(
        &path,
        "another running copy keeps the position journal, so this one will not remember \
         its position: end the other, or set XDG_STATE_HOME to another folder",
    ))
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

/// Shows and nights kept then: no more than a quarter of the file, even with long names.
const MAX_KEPT: usize = 100;

/// A second in all.
const LOCK_ATTEMPTS: usize = 20;
const LOCK_PAUSE: Duration = Duration::from_millis(50);

const VERSION: u8 = 1;
const HEADER_BYTES: usize = 7;
const MAX_PAYLOAD_BYTES: usize = 1_024;
const FILE_NAME: &str = "positions";

// The FNV-1a parameters for 64 bits (RFC 9923; from memory).
const FNV_OFFSET: u64 = 0xcbf2_9ce4_8422_2325;
const FNV_PRIME: u64 = 0x0000_0100_0000_01b3;
