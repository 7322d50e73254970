//! What the judge can find wrong, and in what words.

use std::fmt;

use super::expect::ExpectId;
use super::heard::{Ended, Released};
use super::voice::{Voice, VoiceState};
use crate::midi::num::Controller;

/// What was done wrong.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Fault {
    /// A voice sounds that no key and no pedal holds.
    Stuck,
    /// A voice was let go while its key or pedal holds it.
    LetGo(Released),
    /// A voice was silenced while its key or pedal holds it.
    Cut(Ended),
    /// A voice was silenced while it rang.
    RingCut(Ended),
    /// A key was pressed and nothing sounded in time.
    Missing,
    /// A note sounded later than its receiver and its line account for.
    Late {
        /// How much later, in microseconds.
        by_us: u64,
    },
    /// A note was let go later than its receiver and its line account for.
    LateEnd {
        /// How much later, in microseconds.
        by_us: u64,
    },
    /// A voice sounds that nobody asked for, or with the wrong patch, key or velocity.
    Unasked,
    /// A sounding voice went over to another patch.
    Revoiced,
    /// The level of a held-over note changed; in dB.
    LevelChanged {
        /// Level before, in dB.
        from_db: f64,
        /// Level after, in dB.
        to_db: f64,
    },
    /// The pitch of a held-over note changed; in cents.
    Bent {
        /// Bend and tuning before, in cents.
        from_cents: f64,
        /// Bend and tuning after, in cents.
        to_cents: f64,
    },
    /// The pan of a held-over note changed.
    Panned,
    /// The pressure on a held-over note changed when it may not.
    Pressed,
    /// Another controller of a held-over note changed.
    ControllerChanged(Controller),
    /// An effects unit was interrupted while sound passed through it.
    Interrupted,
    /// Bytes came that are no whole message.
    BrokenBytes,
    /// The model's log overflowed before it was heard, so nothing can be said.
    EventsLost,
}

/// A fault, where and when.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Violation {
    /// When it happened, or was found to be overdue, in microseconds.
    pub at_us: u64,
    /// Index of the receiver, as in `Expect::receiver`.
    pub receiver: usize,
    /// Which rule was broken.
    pub fault: Fault,
    /// The voice it was done to, as it was at its start.
    pub voice: Option<Voice>,
    /// The expectation it breaks.
    pub expect: Option<ExpectId>,
}

impl fmt::Display for Violation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} us, receiver {}: {:?}",
            self.at_us, self.receiver, self.fault
        )?;
        if let Some(voice) = &self.voice {
            write!(
                f,
                ", key {} on channel {} with patch {}/{}/{} struck at {} us",
                voice.key.get(),
                voice.channel.get() + 1,
                voice.patch.bank_msb.get(),
                voice.patch.bank_lsb.get(),
                voice.patch.program.get(),
                voice.start_us,
            )?;
            if let VoiceState::Ringing { until_us } = voice.state {
                write!(f, ", ringing until {until_us} us")?;
            }
        }
        if let Some(ExpectId(number)) = self.expect {
            write!(f, ", expectation {number}")?;
        }
        Ok(())
    }
}
