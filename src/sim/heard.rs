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
    /// All Sound Off (controller 120) came.
    AllSoundOff,
    /// A newer note took its place at the limit of polyphony.
    Stolen,
    /// The same key was struck again and the receiver keeps one voice a key.
    Restruck,
    /// Active sensing stopped, and the receiver went silent (MIDI 1.0).
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
    /// A controller other than bank select and the mode messages.
    Control(Controller),
    /// The pitch bend wheel (En).
    Bend,
    /// The pressure on the channel (Dn).
    Pressure,
    /// The pressure on this key (An).
    KeyPressure(Key),
}

/// One change of what the receiver lets be heard, or of its state.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Heard {
    /// A voice began; as it was at its start.
    NoteStarted(Voice),
    /// A voice was let go and rings.
    NoteReleased {
        /// The voice that was let go.
        id: VoiceId,
        /// The message that let it go.
        why: Released,
    },
    /// A voice fell silent.
    NoteEnded {
        /// The voice that ended.
        id: VoiceId,
        /// Why it is silent.
        why: Ended,
    },
    /// A note was struck while its patch loads, and lost.
    NoteLost {
        /// The slot that the note came to.
        channel: Channel,
        /// The patch that loads.
        patch: Patch,
        /// The key, as received.
        key: Key,
        /// The velocity, 1–127.
        velocity: Value7,
    },
    /// A slot took a patch.
    Revoiced {
        /// The slot that took it.
        channel: Channel,
        /// The patch in force from now on.
        patch: Patch,
        /// Whether anything sounded on it.
        sounding: bool,
    },
    /// A sounding voice went over to another patch.
    VoiceRevoiced {
        /// The voice that went over.
        id: VoiceId,
        /// The patch it has now.
        patch: Patch,
    },
    /// The level of a sounding voice changed, by volume, expression or master volume.
    LevelChanged {
        /// The voice whose level changed.
        id: VoiceId,
        /// Level before, in dB; silence is `-inf`.
        from_db: f64,
        /// Level after, in dB; silence is `-inf`.
        to_db: f64,
    },
    /// The pitch of a sounding voice changed, by bend, its range or a tuning.
    BendChanged {
        /// The voice whose pitch changed.
        id: VoiceId,
        /// Bend and tuning before, in cents.
        from_cents: f64,
        /// Bend and tuning after, in cents.
        to_cents: f64,
    },
    /// The pan of a sounding voice changed.
    PanChanged {
        /// The voice whose pan changed.
        id: VoiceId,
        /// Pan before: 0 is left, 64 the middle, 127 right.
        from: Value7,
        /// Pan after: 0 is left, 64 the middle, 127 right.
        to: Value7,
    },
    /// The pressure on a sounding voice changed.
    PressureChanged {
        /// The voice that is pressed.
        id: VoiceId,
        /// Pressure before.
        from: Value7,
        /// Pressure after.
        to: Value7,
    },
    /// Any other controller changed on the slot of a sounding voice.
    ControllerChanged {
        /// The voice on that slot.
        id: VoiceId,
        /// The controller that changed.
        controller: Controller,
        /// Its value before.
        from: Value7,
        /// Its value after.
        to: Value7,
    },
    /// A controller, bend or pressure came while the patch loads, and was lost.
    ControllerIgnored {
        /// The slot that it came to.
        channel: Channel,
        /// The message that was lost.
        moved: Moved,
    },
    /// A program change came to a slot whose patch is fixed.
    ProgramIgnored {
        /// The slot whose patch is fixed.
        channel: Channel,
    },
    /// Display or edit focus moved to a slot.
    FocusMoved {
        /// The slot that has the focus now.
        channel: Channel,
    },
    /// An effects unit stopped passing sound while its program changes.
    PassageInterrupted {
        /// The channel that the effects unit listens to.
        channel: Channel,
        /// When sound passes again, in microseconds.
        until_us: u64,
    },
    /// A controller of an effects unit moved.
    WetChanged {
        /// The channel that the effects unit listens to.
        channel: Channel,
        /// The controller that moved.
        controller: Controller,
        /// Its value before.
        from: Value7,
        /// Its value after.
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
    /// When it happened, in microseconds.
    pub at_us: u64,
    /// The change that was heard.
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
