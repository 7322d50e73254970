//! Recording: what is played and stepped, and what is sent, as a Standard MIDI File that
//! `segue replay` reads.
//!
//! The playing thread hands over small values; the scribe writes each down at once, in a take
//! (`replay::take`) that may be cut anywhere. When it ends, a Standard MIDI File is made of it;
//! of one that a kill has cut, at the next start.

use std::collections::VecDeque;
use std::error::Error;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::editions::Editions;
use super::marks;
use super::takes::TakesStatus;
use crate::engine::input::{Command, Input, Payload};
use crate::engine::promptbook::{InPort, OutPort, Promptbook};
use crate::midi::{Channel, Message};
use crate::replay::{OUT_TRACK, TICK_US, TakeEvent, TakeWriter, take, write_recording};
use crate::screen::LogLevel;
use crate::sheet::Sheet;
use crate::store::{self, Abandoned, Growing, StoreError};

/// What may wait for the scribe: a step of a full rig, and some.
pub(super) const TAKEN_LIMIT: usize = 16_384;
/// Events of one recording: those that `replay::read` takes.
const EVENT_LIMIT: usize = crate::replay::read::MAX_EVENTS;
/// Bytes of a take, less what one more event may have.
const BYTE_LIMIT: u64 = take::MAX_BYTES as u64 - (1 << 20);
/// Bytes of all takes that wait in memory because they cannot be written: some 500,000 events.
const WAITING_LIMIT: usize = 16 << 20;
/// Takes that have not become files yet.
const TAKE_LIMIT: usize = 64;
/// Takes of earlier starts that one start makes files of.
const RECOVERED_LIMIT: usize = 64;
/// After how long it is tried again what could not be done, in microseconds.
const RETRY_US: u64 = 1_000_000;
/// How much a power cut may cost, in microseconds. What a kill costs is what the playing
/// thread has handed over since the scribe's last look, 20 ms before.
const SYNC_US: u64 = 1_000_000;

/// The ending of a take.
const TAKE: &str = "take";
/// The ending of a Standard MIDI File.
const MIDI: &str = "mid";

/// One thing that happened while a recording runs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Taken {
    /// Something came in.
    In(u64, Input),
    /// Something was sent.
    Out(u64, OutPort, Payload),
    /// A take begins, and the one before it has ended.
    Begin {
        /// Its number.
        take: u64,
        at_us: u64,
        /// The show was at this position, in this edition of the night.
        position: u32,
        edition: u32,
    },
    /// The night was changed: from now on it is this edition.
    Night(u64, u32),
}

/// What a recorder has to say in the log, and to who is at the screen.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Said {
    pub(super) level: LogLevel,
    pub(super) words: String,
    pub(super) answer: String,
}

/// Recordings in the making.
pub(super) struct Recorder {
    book: Arc<Promptbook>,
    editions: Editions,
    /// The sheet of the edition that is recorded.
    sheet: Arc<Sheet>,
    /// Where recordings go; none for the state folder's.
    folder: Option<PathBuf>,
    /// The last one may still be played; those before it wait to become files.
    takes: VecDeque<Live>,
    said: Vec<Said>,
    /// A take that ended by itself, until the playing thread has been told.
    given_up: Option<u64>,
    /// The latest take of which it was said that the scribe did not follow.
    told_overrun: u64,
}

/// One take.
struct Live {
    number: u64,
    begun_us: u64,
    /// The time of what was kept last.
    last_us: Option<u64>,
    count: usize,
    writer: TakeWriter,
    file: Growing,
    is_ended: bool,
    /// What stands in the way of writing it, in words.
    trouble: Option<String>,
    /// When it is tried again.
    again_us: u64,
    /// When it last reached the disk.
    synced_us: u64,
}

/// The track of commands; its name sorts before all others.
const COMMANDS: &str = "";

impl Recorder {
    /// Nothing recorded yet.
    pub(super) fn new(book: Arc<Promptbook>, editions: Editions, folder: Option<PathBuf>) -> Self {
        Self {
            book,
            sheet: editions.edition(0).0,
            editions,
            folder,
            takes: VecDeque::new(),
            said: Vec::new(),
            given_up: None,
            told_overrun: 0,
        }
    }

    /// Whether anything is to be written, now or soon.
    pub(super) fn is_busy(&self) -> bool {
        !self.takes.is_empty()
    }

    /// How writing goes, for the screens.
    pub(super) fn status(&self) -> TakesStatus {
        let trouble = self.takes.iter().find_map(|live| live.trouble.clone());
        TakesStatus {
            is_written: self.takes.back().is_some_and(|live| {
                !live.is_ended && live.trouble.is_none() && live.file.path().is_some()
            }),
            trouble: trouble.unwrap_or_default(),
        }
    }

    /// What there is to say since the last time.
    pub(super) fn take_said(&mut self) -> Vec<Said> {
        std::mem::take(&mut self.said)
    }

    fn say(&mut self, level: LogLevel, words: String, answer: String) {
        self.said.push(Said {
            level,
            words,
            answer,
        });
    }

    fn begin(&mut self, number: u64, at_us: u64) {
        for live in &mut self.takes {
            live.is_ended = true;
        }
        if self.takes.len() >= TAKE_LIMIT {
            self.given_up = Some(number);
            let words = format!("not recording: {TAKE_LIMIT} recordings wait to be written");
            self.say(LogLevel::Error, words.clone(), words);
            return;
        }
        let folder = match self.folder() {
            Ok(folder) => folder,
            Err(error) => {
                self.given_up = Some(number);
                let words = format!("not recording: {error}");
                self.say(LogLevel::Error, words.clone(), words);
                return;
            }
        };
        self.takes.push_back(Live {
            number,
            begun_us: at_us,
            last_us: None,
            count: 0,
            writer: TakeWriter::default(),
            file: Growing::new(&folder, &stamp(), TAKE, MIDI),
            is_ended: false,
            trouble: None,
            again_us: 0,
            synced_us: at_us,
        });
        self.say(LogLevel::Note, "recording".into(), String::new());
    }

    fn folder(&self) -> Result<PathBuf, StoreError> {
        match &self.folder {
            Some(folder) => Ok(folder.clone()),
            None => Ok(store::state_dir()?.join("recordings")),
        }
    }

    /// All takes up to the number `ended` have been handed over; `overrun` is the latest that
    /// ended because too much came at once.
    pub(super) fn end(&mut self, ended: u64, overrun: u64) {
        for live in self.takes.iter_mut().filter(|live| live.number <= ended) {
            live.is_ended = true;
        }
        if overrun > self.told_overrun {
            self.told_overrun = overrun;
            let words = "recording ended early: more was played than could be written";
            self.say(LogLevel::Error, words.into(), words.into());
        }
    }

    /// Writes what waits, and makes files of takes that have ended; with the show all have. A
    /// take that ended by itself is given back, for whoever plays to be told.
    pub(super) fn work(&mut self, now_us: u64, is_over: bool) -> Option<u64> {
        let mut takes = std::mem::take(&mut self.takes);
        takes.retain_mut(|live| {
            live.is_ended |= is_over;
            if now_us < live.again_us && !is_over {
                return true;
            }
            match live.write(now_us) {
                Ok(saved) => {
                    if live.trouble.take().is_some() {
                        let words = "recording: what had to wait is written".to_owned();
                        self.say(LogLevel::Note, words.clone(), words);
                    }
                    if let Some(saved) = &saved {
                        self.say_saved("recording ended", saved);
                    }
                    saved.is_none()
                }
                Err(error) => {
                    let words = live.trouble_words(&error);
                    if is_over {
                        let words = live.loss_words(&words);
                        self.say(LogLevel::Error, words.clone(), words);
                    } else if live.trouble.is_none() {
                        self.say(LogLevel::Error, words.clone(), String::new());
                    }
                    live.trouble = Some(words);
                    live.again_us = now_us + RETRY_US;
                    true
                }
            }
        });
        self.takes = takes;
        self.given_up.take()
    }

    fn say_saved(&mut self, what: &str, saved: &Saved) {
        let words = format!("{what}: {}", saved.words());
        let answer = format!("recorded in {}", store::short_path(&saved.path));
        self.say(LogLevel::Note, words, answer);
    }

    /// Makes files of takes that a kill has cut.
    pub(super) fn recover(&mut self) {
        let Ok(folder) = self.folder() else {
            return;
        };
        for mut left in store::abandoned(&folder, TAKE, RECOVERED_LIMIT) {
            let path = left.path.clone();
            let saved = recover(&mut left);
            match saved.and_then(|saved| left.remove().map(|()| saved)) {
                Ok(saved) => self.say_saved("recording that was cut off", &saved),
                Err(error) => {
                    let words = format!("recording {} is cut off: {error}", path.display());
                    self.say(LogLevel::Warning, words, String::new());
                }
            }
        }
    }

    /// Keeps one thing.
    pub(super) fn take(&mut self, taken: Taken) {
        match taken {
            Taken::Begin {
                take,
                at_us,
                position,
                edition,
            } => {
                self.begin(take, at_us);
                self.sheet = self.editions.edition(edition).0;
                let line = self.sheet.positions.get(position as usize);
                if let Some(place) = line.map(|line| format!("place {}", line.call)) {
                    self.push(COMMANDS, at_us, TakeEvent::Mark(place));
                }
            }
            Taken::Night(at_us, edition) => {
                let (sheet, words) = self.editions.edition(edition);
                self.sheet = sheet;
                let changed = words.split(';').next().unwrap_or_default();
                self.push(COMMANDS, at_us, TakeEvent::Mark(changed.to_owned()));
            }
            Taken::In(at_us, Input::Midi(port, message)) => {
                if let Some(name) = self.controller(port, message.channel()) {
                    let bytes = message.encode().as_slice().to_vec();
                    self.push(&name, at_us, TakeEvent::Bytes(bytes));
                }
            }
            Taken::In(at_us, Input::Command(command)) => self.take_command(at_us, command),
            Taken::In(..) => {}
            Taken::Out(at_us, port, payload) => {
                let Some(line) = self.sheet.out_ports.get(port.index()) else {
                    return;
                };
                let bytes = match payload {
                    Payload::Short(message) => message.encode().as_slice().to_vec(),
                    Payload::Blob(blob) => {
                        let bytes = self.book.blobs.get(blob.index());
                        bytes.map_or_else(Vec::new, |bytes| bytes.to_vec())
                    }
                };
                let name = format!("{OUT_TRACK}{}", line.name);
                self.push(&name, at_us, TakeEvent::Bytes(bytes));
            }
        }
    }

    /// Keys of the computer keyboard are what their controller would have sent; what has a
    /// mark is one; nothing else changes what is played.
    fn take_command(&mut self, at_us: u64, command: Command) {
        let (controller, message) = match command {
            Command::NoteOn(controller, key, velocity) => {
                (controller, Message::NoteOn(Channel::MIN, key, velocity))
            }
            Command::NoteOff(controller, key) => {
                let neutral = crate::midi::Value7::clamped(64);
                (controller, Message::NoteOff(Channel::MIN, key, neutral))
            }
            _ => {
                if let Some(text) = marks::text(command, &self.sheet) {
                    self.push(COMMANDS, at_us, TakeEvent::Mark(text));
                }
                return;
            }
        };
        if let Some(line) = self.sheet.controllers.get(controller.index()) {
            let bytes = message.encode().as_slice().to_vec();
            let name = line.name.clone();
            self.push(&name, at_us, TakeEvent::Bytes(bytes));
        }
    }

    fn controller(&self, port: InPort, channel: Option<Channel>) -> Option<String> {
        let on_port = || {
            let all = self.book.controllers.iter().zip(&self.sheet.controllers);
            all.filter(|(entry, _)| entry.port == port)
        };
        let own = on_port().find(|(entry, _)| {
            entry.channel.is_some() && channel.is_some_and(|channel| entry.has_channel(channel))
        });
        let any = || on_port().find(|(entry, _)| entry.channel.is_none());
        // A surface may set up more members than the rig says.
        let surface = || on_port().find(|(entry, _)| entry.mpe.is_some());
        own.or_else(any)
            .or_else(surface)
            .map(|(_, line)| line.name.clone())
    }

    fn push(&mut self, track: &str, at_us: u64, event: TakeEvent) {
        let waiting: usize = self.takes.iter().map(|live| live.file.waiting()).sum();
        let Some(live) = self.takes.back_mut().filter(|live| !live.is_ended) else {
            return;
        };
        let full = if live.count >= EVENT_LIMIT || live.file.byte_count() >= BYTE_LIMIT {
            "recording ended: it is as long as one can be"
        } else if waiting >= WAITING_LIMIT {
            "recording ended: no more of it can wait in memory; what waits is still tried"
        } else {
            live.push(track, at_us, &event);
            return;
        };
        live.is_ended = true;
        self.given_up = Some(live.number);
        self.say(LogLevel::Error, full.into(), full.into());
    }
}

impl Live {
    fn push(&mut self, track: &str, at_us: u64, event: &TakeEvent) {
        self.count += 1;
        // What is written is in order of time, whichever clock a backend stamped it with. What
        // came in stands in tracks of its own: in one tick of the file nobody could tell which
        // came first, so each gets a later one.
        let later_us = if track.starts_with(OUT_TRACK) {
            0
        } else {
            TICK_US
        };
        let least_us = self.last_us.map_or(0, |us| us + later_us);
        let us = at_us.saturating_sub(self.begun_us).max(least_us);
        self.last_us = Some(us);
        self.file
            .add(self.writer.lines(track, us, event).as_bytes());
    }

    /// Writes what waits; makes the file if the take has ended.
    fn write(&mut self, now_us: u64) -> Result<Option<Saved>, StoreError> {
        self.file.write()?;
        if self.is_ended || now_us.saturating_sub(self.synced_us) >= SYNC_US {
            self.file.sync()?;
            self.synced_us = now_us;
        }
        let Some(path) = self.file.path().filter(|_| self.is_ended) else {
            return Ok(None);
        };
        let bytes = store::read_file(path, take::MAX_BYTES as u64)?;
        let saved = save(path, &bytes)?;
        store::remove(path)?;
        Ok(Some(saved))
    }

    /// What the end of the show makes of what stands in the way.
    fn loss_words(&self, trouble: &str) -> String {
        match (self.file.waiting(), self.file.path()) {
            (0, _) => format!("{trouble}; the next start tries again"),
            (_, Some(path)) => format!(
                "the end of the recording is lost: {trouble}; what was written is in {}",
                store::short_path(path)
            ),
            (_, None) => format!("the recording is lost: {trouble}"),
        }
    }

    fn trouble_words(&self, error: &StoreError) -> String {
        // Which file it is, is of no help; why it is not written, is.
        let why = Error::source(error).map_or_else(|| error.to_string(), ToString::to_string);
        match (self.file.waiting(), self.file.path()) {
            (0, Some(path)) => format!(
                "recording not made a file yet: {why}; it is whole in {}",
                store::short_path(path)
            ),
            (waiting, _) => format!("recording not written: {why}; {waiting} bytes wait in memory"),
        }
    }
}

/// Makes a Standard MIDI File of a take, beside it.
fn save(path: &Path, bytes: &[u8]) -> Result<Saved, StoreError> {
    let unreadable = |error: &dyn std::fmt::Display| StoreError::words(path, error.to_string());
    let read = take::read(bytes).map_err(|error| unreadable(&error))?;
    let file = write_recording(&read.tracks).map_err(|error| unreadable(&error))?;
    let folder = path.parent().unwrap_or(Path::new("."));
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    Ok(Saved {
        path: store::save_unused(folder, &stem, MIDI, &file)?,
        count: read.event_count,
        lost: read.left_out,
    })
}

/// Makes a file of a take that a kill has cut.
fn recover(left: &mut Abandoned) -> Result<Saved, StoreError> {
    let bytes = left.read(take::MAX_BYTES as u64)?;
    save(&left.path, &bytes)
}

/// A recording that was written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Saved {
    /// The file.
    pub(super) path: PathBuf,
    /// Events in it.
    count: usize,
    /// Lines of the take that were cut off or damaged.
    lost: usize,
}

impl Saved {
    /// What was saved and where, in words.
    pub(super) fn words(&self) -> String {
        let lost = match self.lost {
            0 => String::new(),
            1 => ", one more was cut off".to_owned(),
            lost => format!(", {lost} more were damaged"),
        };
        let path = self.path.display();
        format!("{} events saved to {path}{lost}", self.count)
    }
}

/// The present as part of a file's name.
pub(super) fn stamp() -> String {
    chrono::Local::now().format("%Y%m%d-%H%M%S").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::load;
    use crate::engine::promptbook::{BlobId, ControllerId};
    use crate::midi::{Key, Value7};
    use crate::plan;
    use crate::replay::{self, Mark, RecordedEvent};
    use std::collections::BTreeMap;

    /// A recorder of the demo, with a stored message in its book, and the folder it writes to.
    fn recorder() -> (Recorder, tempfile::TempDir) {
        let folder = tempfile::tempdir().unwrap();
        let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
        let night = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
        let plan = plan::compile(&loaded.show, night).unwrap();
        let mut book = plan.promptbook;
        book.blobs = Box::new([[0xf0, 0x7d, 0x01, 0xf7].into()]);
        let editions = Editions::new(Arc::new(plan.sheet));
        let inside = folder.path().join("recordings");
        (
            Recorder::new(Arc::new(book), editions, Some(inside)),
            folder,
        )
    }

    fn begin(take: u64, at_us: u64, position: u32) -> Taken {
        Taken::Begin {
            take,
            at_us,
            position,
            edition: 0,
        }
    }

    fn note(channel: Channel) -> Message {
        Message::NoteOn(channel, Key::clamped(60), Value7::clamped(90))
    }

    fn step(at_us: u64) -> Taken {
        Taken::In(at_us, Input::Command(Command::Step))
    }

    /// Files of an ending that were written, by name.
    fn files(folder: &tempfile::TempDir, ending: &str) -> Vec<PathBuf> {
        let inside = std::fs::read_dir(folder.path().join("recordings"));
        let paths = inside
            .into_iter()
            .flatten()
            .map(|entry| entry.unwrap().path());
        let mut found: Vec<_> = paths
            .filter(|path| path.extension().is_some_and(|e| e == ending))
            .collect();
        found.sort();
        found
    }

    /// The tracks of the only take, as they are in its file now.
    fn tracks(
        recorder: &mut Recorder,
        folder: &tempfile::TempDir,
    ) -> BTreeMap<String, Vec<(u64, TakeEvent)>> {
        assert_eq!(recorder.work(0, false), None);
        let [path] = &files(folder, TAKE)[..] else {
            panic!("one take");
        };
        let read = take::read(&std::fs::read(path).unwrap()).unwrap();
        read.tracks
            .into_iter()
            .map(|take| (take.name, take.events))
            .collect()
    }

    fn times(events: &[(u64, TakeEvent)]) -> Vec<u64> {
        events.iter().map(|(us, _)| *us).collect()
    }

    /// The times of steps in a recording.
    fn steps(path: &Path) -> Vec<u64> {
        let recording = replay::read(&std::fs::read(path).unwrap()).unwrap();
        let steps = recording.events.iter();
        steps
            .filter(|event| event.event == RecordedEvent::Mark(Mark::Step))
            .map(|event| event.us)
            .collect()
    }

    #[test]
    fn a_recording_begins_at_its_place_and_at_0() {
        let (mut recorder, folder) = recorder();
        recorder.take(step(5));
        assert!(!recorder.is_busy(), "nothing before it begins");
        let call = recorder.sheet.positions[3].call.clone();
        recorder.take(begin(1, 7_000_000, 3));
        recorder.take(step(8_000_000));
        let marks = [
            (0, TakeEvent::Mark(format!("place {call}"))),
            (1_000_000, TakeEvent::Mark("step".into())),
        ];
        assert_eq!(tracks(&mut recorder, &folder)[COMMANDS], marks);
    }

    /// Of what came in, no two stand in one tick, or their order would be lost; what was sent
    /// has a track of its own port and may.
    #[test]
    fn the_order_of_what_came_in_is_kept() {
        let (mut recorder, folder) = recorder();
        recorder.take(begin(1, 0, 0));
        let (entry, line) = (
            &recorder.book.controllers[0],
            &recorder.sheet.controllers[0],
        );
        let channel = entry.channel.unwrap_or(Channel::MIN);
        let (port, name) = (entry.port, line.name.clone());
        for _ in 0..2 {
            recorder.take(Taken::In(100, Input::Midi(port, note(channel))));
        }
        recorder.take(Taken::In(100, Input::Command(Command::Back)));
        for _ in 0..2 {
            let sent = Payload::Short(note(channel));
            recorder.take(Taken::Out(100, OutPort(0), sent));
        }
        let out = format!("{OUT_TRACK}{}", recorder.sheet.out_ports[0].name);
        let tracks = tracks(&mut recorder, &folder);
        assert_eq!(times(&tracks[&name]), [100, 100 + TICK_US]);
        assert_eq!(times(&tracks[COMMANDS]), [0, 100 + 2 * TICK_US]);
        assert_eq!(times(&tracks[&out]), [100 + 2 * TICK_US; 2]);
    }

    #[test]
    fn a_stored_message_is_kept_with_its_bytes() {
        let (mut recorder, folder) = recorder();
        recorder.take(begin(1, 0, 0));
        recorder.take(Taken::Out(10, OutPort(1), Payload::Blob(BlobId(0))));
        let out = format!("{OUT_TRACK}{}", recorder.sheet.out_ports[1].name);
        let bytes = TakeEvent::Bytes(vec![0xf0, 0x7d, 0x01, 0xf7]);
        assert_eq!(tracks(&mut recorder, &folder)[&out], [(10, bytes)]);
    }

    #[test]
    fn what_comes_in_stands_under_its_controller_letters_too() {
        let (mut recorder, folder) = recorder();
        recorder.take(begin(1, 0, 0));
        let all = recorder.book.controllers.len();
        let mut wanted = Vec::new();
        for at in 0..all {
            let (entry, name) = (
                &recorder.book.controllers[at],
                recorder.sheet.controllers[at].name.clone(),
            );
            let (port, channel) = (entry.port, entry.channel.unwrap_or(Channel::MIN));
            recorder.take(Taken::In(0, Input::Midi(port, note(channel))));
            let id = ControllerId(u8::try_from(at).unwrap());
            let letter = Command::NoteOn(id, Key::clamped(61), Value7::clamped(90));
            recorder.take(Taken::In(0, Input::Command(letter)));
            wanted.push(name);
        }
        wanted.sort();
        let mut tracks = tracks(&mut recorder, &folder);
        tracks.remove(COMMANDS);
        assert_eq!(
            tracks.keys().collect::<Vec<_>>(),
            wanted.iter().collect::<Vec<_>>()
        );
        assert!(tracks.values().all(|events| events.len() == 2));
    }

    /// Two takes in one second, the second begun before the first was seen to end: two files,
    /// each with its own steps.
    #[test]
    fn every_take_has_a_file_of_its_own() {
        let (mut recorder, folder) = recorder();
        recorder.take(begin(1, 0, 0));
        recorder.take(step(1_000));
        recorder.take(begin(3, 5_000, 1));
        recorder.take(step(5_040));
        recorder.take(step(5_080));
        recorder.end(3, 0);
        recorder.work(0, false);
        assert!(!recorder.is_busy());
        assert_eq!(files(&folder, TAKE), Vec::<PathBuf>::new());
        let mut found: Vec<_> = files(&folder, MIDI)
            .iter()
            .map(|path| steps(path))
            .collect();
        found.sort_by_key(Vec::len);
        assert_eq!(found, [vec![1_000], vec![40, 80]]);
    }

    /// A kill: nothing was ended, and what was handed over is there, both read as it is and
    /// made a file by the next start.
    #[test]
    fn a_take_that_was_cut_is_made_a_file_at_the_next_start() {
        let (mut killed, folder) = recorder();
        killed.take(begin(1, 0, 0));
        killed.take(step(1_000));
        killed.work(0, false);
        let taken = files(&folder, TAKE);
        let (mut next, _) = recorder();
        next.folder = Some(folder.path().join("recordings"));
        next.recover();
        assert_eq!(next.take_said(), [], "it is still being written");
        drop(killed);
        next.recover();
        assert!(
            next.take_said()[0]
                .words
                .starts_with("recording that was cut off: 2 events")
        );
        assert_eq!(files(&folder, TAKE), Vec::<PathBuf>::new());
        assert_eq!(files(&folder, MIDI), [taken[0].with_extension(MIDI)]);
        assert_eq!(steps(&files(&folder, MIDI)[0]), [1_000]);
    }

    /// A folder that cannot be written to, for a while: nothing is lost, and it is said as
    /// long as it lasts.
    #[test]
    fn what_cannot_be_written_waits_and_is_tried_again() {
        let (mut recorder, folder) = recorder();
        // Where the folder should be there is a file.
        let inside = folder.path().join("recordings");
        std::fs::write(&inside, "").unwrap();
        recorder.take(begin(1, 0, 0));
        recorder.take(step(1_000));
        recorder.work(0, false);
        let status = recorder.status();
        assert!(!status.is_written);
        assert!(
            status.trouble.starts_with("recording not written: "),
            "{status:?}"
        );
        recorder.take(step(2_000));
        recorder.end(1, 0);
        std::fs::remove_file(&inside).unwrap();
        recorder.work(RETRY_US - 1, false);
        assert_ne!(recorder.status().trouble, "", "not tried so soon");
        recorder.work(RETRY_US, false);
        assert_eq!(recorder.status(), TakesStatus::default());
        assert_eq!(steps(&files(&folder, MIDI)[0]), [1_000, 2_000]);
    }

    /// What can never be written does not fill the memory: the take ends, in words.
    #[test]
    fn what_waits_has_a_limit_and_the_take_ends_there() {
        let (mut recorder, folder) = recorder();
        std::fs::write(folder.path().join("recordings"), "").unwrap();
        recorder.book = {
            let mut book = (*recorder.book).clone();
            let large: Vec<u8> = [&[0xf0][..], &[1; 1 << 20], &[0xf7]].concat();
            book.blobs = Box::new([large.into()]);
            Arc::new(book)
        };
        recorder.take(begin(1, 0, 0));
        for at in 0..20 {
            recorder.take(Taken::Out(at, OutPort(0), Payload::Blob(BlobId(0))));
        }
        assert_eq!(recorder.work(0, false), Some(1));
        let waiting = recorder.takes[0].file.waiting();
        assert!((WAITING_LIMIT..WAITING_LIMIT + (3 << 20)).contains(&waiting));
        let said = recorder.take_said();
        assert!(
            said.iter()
                .any(|said| said.words.starts_with("recording ended: no more"))
        );
        assert!(!recorder.status().is_written);
    }
}
