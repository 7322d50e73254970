//! What is heard of a model receiver, as a bounded log.

use std::collections::VecDeque;

use crate::midi::num::{Channel, Controller, Key, Value7};

use super::spec::Patch;
use super::voice::{Voice, VoiceId};

/// Events kept; past it the oldest is dropped and counted.
pub const MAX_EVENTS: usize = 65_536;

/// Why a note was let go.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Released {
    /// By its Note Off.
    KeyUp,
    /// By the pedal that held it.
    PedalUp,
    /// By All Notes Off, or a change of mode (123–127).
    AllNotesOff,
}

/// Why a voice fell silent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Ended {
    /// It was let go and rang out.
    RingDone,
    /// A program change cut it.
    CutByProgram,
    /// All Sound Off.
    AllSoundOff,
    /// A newer note took its place at the limit of polyphony.
    Stolen,
    /// The same key was struck again and the receiver keeps one voice a key.
    Restruck,
    /// Active sensing stopped.
    SensingLost,
    /// Power was switched off.
    PowerOff,
    /// System Reset or General MIDI System On.
    SystemReset,
    /// Its channel entered or left an MPE zone.
    ZoneChanged,
}

/// What a played message other than a note moves.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Moved {
    /// A controller.
    Control(Controller),
    /// Pitch bend.
    Bend,
    /// Channel pressure.
    Pressure,
    /// Pressure on one key.
    KeyPressure(Key),
}

/// One thing heard.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Heard {
    /// A voice began; as it was at its start.
    NoteStarted(Voice),
    /// A voice was let go and rings.
    NoteReleased {
        /// The voice.
        id: VoiceId,
        /// Why.
        why: Released,
    },
    /// A voice fell silent.
    NoteEnded {
        /// The voice.
        id: VoiceId,
        /// Why.
        why: Ended,
    },
    /// A note was struck while its patch loads, and lost.
    NoteLost {
        /// Its slot.
        channel: Channel,
        /// The patch that loads.
        patch: Patch,
        /// Its key.
        key: Key,
        /// Its velocity.
        velocity: Value7,
    },
    /// A slot took a patch.
    Revoiced {
        /// The slot.
        channel: Channel,
        /// Its patch from now on.
        patch: Patch,
        /// Whether anything sounded on it.
        sounding: bool,
    },
    /// A sounding voice went over to another patch.
    VoiceRevoiced {
        /// The voice.
        id: VoiceId,
        /// The patch it has now.
        patch: Patch,
    },
    /// The level of a sounding voice changed, by volume, expression or master volume.
    LevelChanged {
        /// The voice.
        id: VoiceId,
        /// From, in dB.
        from_db: f64,
        /// To, in dB.
        to_db: f64,
    },
    /// The pitch of a sounding voice changed, by bend, its range or a tuning.
    BendChanged {
        /// The voice.
        id: VoiceId,
        /// From, in cents.
        from_cents: f64,
        /// To, in cents.
        to_cents: f64,
    },
    /// The place of a sounding voice changed.
    PanChanged {
        /// The voice.
        id: VoiceId,
        /// From.
        from: Value7,
        /// To.
        to: Value7,
    },
    /// The pressure on a sounding voice changed.
    PressureChanged {
        /// The voice.
        id: VoiceId,
        /// From.
        from: Value7,
        /// To.
        to: Value7,
    },
    /// Another controller changed that a sounding voice hears.
    ControllerChanged {
        /// The voice.
        id: VoiceId,
        /// The controller.
        controller: Controller,
        /// From.
        from: Value7,
        /// To.
        to: Value7,
    },
    /// Something moved while the patch loads, and was lost.
    ControllerIgnored {
        /// The slot.
        channel: Channel,
        /// What moved.
        moved: Moved,
    },
    /// A program change came to a slot whose patch is fixed.
    ProgramIgnored {
        /// The slot.
        channel: Channel,
    },
    /// Display or edit focus moved to a slot.
    FocusMoved {
        /// The slot.
        channel: Channel,
    },
    /// An effects unit stopped passing sound while its program changes.
    PassageInterrupted {
        /// Its channel.
        channel: Channel,
        /// Until when.
        until_us: u64,
    },
    /// A controller of an effects unit moved.
    WetChanged {
        /// Its channel.
        channel: Channel,
        /// The controller.
        controller: Controller,
        /// From.
        from: Value7,
        /// To.
        to: Value7,
    },
    /// A data byte that belongs to no message, or F7 without F0.
    JunkByte(u8),
    /// A message broke off before its last byte.
    MessageBroken,
    /// A System Exclusive broke off before its F7, or was too long.
    ExclusiveBroken,
    /// A whole System Exclusive came, of so many bytes.
    ExclusiveTaken {
        /// F0 and F7 counted.
        bytes: usize,
    },
    /// The receiver listens: power came and it has booted.
    Booted,
}

/// One event and its time.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Event {
    /// When, in microseconds.
    pub at_us: u64,
    /// What.
    pub heard: Heard,
}

/// The log: events numbered from 0, the last `MAX_EVENTS` of them kept.
#[derive(Clone, Debug, Default)]
pub struct HeardLog {
    events: VecDeque<Event>,
    dropped: u64,
}

impl HeardLog {
    pub(crate) fn push(&mut self, at_us: u64, heard: Heard) {
        if self.events.len() >= MAX_EVENTS {
            self.events.pop_front();
            self.dropped += 1;
        }
        self.events.push_back(Event { at_us, heard });
    }

    /// Number of the next event.
    #[must_use]
    pub fn mark(&self) -> u64 {
        self.dropped + self.events.len() as u64
    }

    /// How many events were dropped; those from `dropped` on are here.
    #[must_use]
    pub const fn dropped(&self) -> u64 {
        self.dropped
    }

    /// The events from number `mark` on.
    pub fn since(&self, mark: u64) -> impl Iterator<Item = &Event> {
        let skip = mark.saturating_sub(self.dropped);
        let skip = usize::try_from(skip).unwrap_or(usize::MAX);
        self.events.iter().skip(skip)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_log_keeps_its_numbers_when_it_drops() {
        let mut log = HeardLog::default();
        for at_us in 0..MAX_EVENTS as u64 + 10 {
            log.push(at_us, Heard::Booted);
        }
        assert_eq!(log.mark(), MAX_EVENTS as u64 + 10);
        assert_eq!(log.dropped(), 10);
        assert_eq!(log.since(0).next().map(|e| e.at_us), Some(10));
        assert_eq!(log.since(500).next().map(|e| e.at_us), Some(500));
        assert_eq!(log.since(log.mark()).count(), 0);
    }
}
