//! Recording: what is played and stepped, and what is sent, as a Standard MIDI File that
//! `segue replay` reads.
//!
//! The playing thread hands over small values; the scribe keeps them and writes the file.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use super::editions::Editions;
use super::marks;
use crate::engine::input::{Command, Input, Payload};
use crate::engine::promptbook::{InPort, OutPort, Promptbook};
use crate::midi::{Channel, Message};
use crate::replay::{OUT_TRACK, TICK_US, Take, TakeEvent, write_recording};
use crate::sheet::Sheet;
use crate::store;

/// What may wait for the scribe: a step of a full rig, and some.
pub(super) const TAKEN_LIMIT: usize = 16_384;
/// Events of one recording: those that `replay::read` takes.
const EVENT_LIMIT: usize = crate::replay::read::MAX_EVENTS;

/// One thing that happened while a recording runs.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Taken {
    /// Something came in.
    In(u64, Input),
    /// Something was sent.
    Out(u64, OutPort, Payload),
    /// The show was at this position, in this edition of the night, as the recording began.
    Begin(u64, u32, u32),
    /// The night was changed: from now on it is this edition.
    Night(u64, u32),
}

/// A recording in the making.
pub(super) struct Recorder {
    book: Arc<Promptbook>,
    editions: Editions,
    /// The sheet of the edition that is recorded.
    sheet: Arc<Sheet>,
    begun_us: Option<u64>,
    tracks: BTreeMap<String, Vec<(u64, TakeEvent)>>,
    /// The time of what was kept last.
    last_us: Option<u64>,
    count: usize,
    lost: usize,
}

/// The track of commands; its name sorts before all others.
const COMMANDS: &str = "";

impl Recorder {
    /// Nothing recorded yet.
    pub(super) fn new(book: Arc<Promptbook>, editions: Editions) -> Self {
        Self {
            book,
            sheet: editions.edition(0).0,
            editions,
            begun_us: None,
            tracks: BTreeMap::new(),
            last_us: None,
            count: 0,
            lost: 0,
        }
    }

    /// Whether there is anything to save.
    pub(super) const fn is_running(&self) -> bool {
        self.begun_us.is_some()
    }

    /// Keeps one thing.
    pub(super) fn take(&mut self, taken: Taken) {
        match taken {
            Taken::Begin(at_us, position, edition) => {
                (self.begun_us, self.last_us) = (Some(at_us), None);
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
        let Some(begun_us) = self.begun_us else {
            return;
        };
        if self.count >= EVENT_LIMIT {
            self.lost += 1;
            return;
        }
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
        let us = at_us.saturating_sub(begun_us).max(least_us);
        self.last_us = Some(us);
        let events = self.tracks.entry(track.to_owned()).or_default();
        events.push((us, event));
    }

    /// Writes the file and begins anew.
    ///
    /// # Errors
    /// If it cannot be made or written, in words.
    pub(super) fn save(&mut self) -> Result<Saved, String> {
        self.begun_us = None;
        let tracks = std::mem::take(&mut self.tracks);
        let (count, lost) = (
            std::mem::take(&mut self.count),
            std::mem::take(&mut self.lost),
        );
        let takes: Vec<Take> = tracks
            .into_iter()
            .map(|(name, events)| Take { name, events })
            .collect();
        let bytes = write_recording(&takes).map_err(|error| error.to_string())?;
        let path = path()?;
        store::make_folder_of(&path)
            .and_then(|()| store::save(&path, &bytes))
            .map_err(|error| error.to_string())?;
        Ok(Saved { path, count, lost })
    }
}

/// A recording that was written.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Saved {
    /// The file.
    pub(super) path: PathBuf,
    /// Events in it.
    count: usize,
    /// Events that it had no room for.
    lost: usize,
}

impl Saved {
    /// What was saved and where, in words.
    pub(super) fn words(&self) -> String {
        let lost = match self.lost {
            0 => String::new(),
            lost => format!(", {lost} more did not fit"),
        };
        let path = self.path.display();
        format!("{} events saved to {path}{lost}", self.count)
    }
}

fn path() -> Result<PathBuf, String> {
    let dir = store::state_dir().map_err(|error| error.to_string())?;
    Ok(dir.join(format!("recordings/{}.mid", stamp())))
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

    /// A recorder of the demo, with a stored message in its book.
    fn recorder() -> Recorder {
        let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
        let night = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
        let plan = plan::compile(&loaded.show, night).unwrap();
        let mut book = plan.promptbook;
        book.blobs = Box::new([[0xf0, 0x7d, 0x01, 0xf7].into()]);
        Recorder::new(Arc::new(book), Editions::new(Arc::new(plan.sheet)))
    }

    fn note(channel: Channel) -> Message {
        Message::NoteOn(channel, Key::clamped(60), Value7::clamped(90))
    }

    fn times(recorder: &Recorder, track: &str) -> Vec<u64> {
        let events = recorder.tracks.get(track);
        events.map_or_else(Vec::new, |events| {
            events.iter().map(|(us, _)| *us).collect()
        })
    }

    #[test]
    fn a_recording_begins_at_its_place_and_at_0() {
        let mut recorder = recorder();
        recorder.take(Taken::In(5, Input::Command(Command::Step)));
        assert!(!recorder.is_running(), "nothing before it begins");
        let call = recorder.sheet.positions[3].call.clone();
        recorder.take(Taken::Begin(7_000_000, 3, 0));
        recorder.take(Taken::In(8_000_000, Input::Command(Command::Step)));
        let marks = [
            (0, TakeEvent::Mark(format!("place {call}"))),
            (1_000_000, TakeEvent::Mark("step".into())),
        ];
        assert_eq!(recorder.tracks[COMMANDS], marks);
    }

    /// Of what came in, no two stand in one tick, or their order would be lost; what was sent
    /// has a track of its own port and may.
    #[test]
    fn the_order_of_what_came_in_is_kept() {
        let mut recorder = recorder();
        recorder.take(Taken::Begin(0, 0, 0));
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
        assert_eq!(times(&recorder, &name), [100, 100 + TICK_US]);
        assert_eq!(times(&recorder, COMMANDS), [0, 100 + 2 * TICK_US]);
        let out = format!("{OUT_TRACK}{}", recorder.sheet.out_ports[0].name);
        assert_eq!(times(&recorder, &out), [100 + 2 * TICK_US; 2]);
    }

    #[test]
    fn a_stored_message_is_kept_with_its_bytes() {
        let mut recorder = recorder();
        recorder.take(Taken::Begin(0, 0, 0));
        recorder.take(Taken::Out(10, OutPort(1), Payload::Blob(BlobId(0))));
        let out = format!("{OUT_TRACK}{}", recorder.sheet.out_ports[1].name);
        let bytes = TakeEvent::Bytes(vec![0xf0, 0x7d, 0x01, 0xf7]);
        assert_eq!(recorder.tracks[&out], [(10, bytes)]);
    }

    #[test]
    fn what_comes_in_stands_under_its_controller_letters_too() {
        let mut recorder = recorder();
        recorder.take(Taken::Begin(0, 0, 0));
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
        let tracks: Vec<&String> = recorder
            .tracks
            .keys()
            .filter(|name| *name != COMMANDS)
            .collect();
        assert_eq!(tracks, wanted.iter().collect::<Vec<_>>());
        assert!(tracks.iter().all(|name| recorder.tracks[*name].len() == 2));
    }
}
