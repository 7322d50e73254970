//! The voices of a model receiver: started, held, sustained, ringing, stolen.

use crate::midi::num::{Channel, Key, Value7};

use super::heard::{Ended, Heard, HeardLog, Released};
use super::spec::{Patch, ReceiverSpec, Restrike};

/// The number of a voice; grows with each note and is never used twice.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct VoiceId(pub u64);

/// What keeps a voice sounding.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum VoiceState {
    /// Its key: no Note Off came yet.
    Held,
    /// The sostenuto pedal, which latched it.
    Sostenuto,
    /// The hold pedal: the key is up.
    Sustained,
    /// Nothing: it rings out.
    Ringing {
        /// Until when, in microseconds.
        until_us: u64,
    },
}

/// One sounding voice: one note, from Note On until it is silent.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Voice {
    /// Its number, never used twice.
    pub id: VoiceId,
    /// The channel of its slot.
    pub channel: Channel,
    /// The group of its slot.
    pub group: u8,
    /// Its key, as received.
    pub key: Key,
    /// The patch it sounds with.
    pub patch: Patch,
    /// The velocity it was struck with, 1–127.
    pub velocity: Value7,
    /// When it began, in microseconds.
    pub start_us: u64,
    /// What keeps it sounding.
    pub state: VoiceState,
    /// Level of its slot at its start, in dB.
    pub level_db: f64,
    /// Bend and tuning of its slot at its start, in cents.
    pub pitch_cents: f64,
    /// Whether the soft pedal was down at its start.
    pub is_soft: bool,
    /// Whether the sostenuto pedal has latched it.
    pub is_latched: bool,
    /// Voices it takes of the receiver's polyphony.
    pub size: u16,
}

impl Voice {
    /// Whether a key or pedal holds it.
    #[must_use]
    pub const fn is_held(&self) -> bool {
        !matches!(self.state, VoiceState::Ringing { .. })
    }
}

/// A receiver's voices, oldest first. Their number is bounded by its polyphony.
#[derive(Clone, Debug, Default)]
pub(crate) struct Voices {
    list: Vec<Voice>,
    next: u64,
}

/// Pedals of a slot, where they matter for a note's end.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Pedals {
    pub(crate) hold: bool,
    pub(crate) sostenuto: bool,
}

impl Voices {
    pub(crate) fn iter(&self) -> impl Iterator<Item = &Voice> {
        self.list.iter()
    }

    pub(crate) fn on(&self, channel: Channel) -> impl Iterator<Item = &Voice> {
        self.list.iter().filter(move |v| v.channel == channel)
    }

    pub(crate) fn sounds_on(&self, channel: Channel) -> bool {
        self.on(channel).next().is_some()
    }

    /// Begins a voice; its number is given here.
    pub(crate) fn start(&mut self, mut voice: Voice, spec: &ReceiverSpec, log: &mut HeardLog) {
        let now_us = voice.start_us;
        if spec.manners.restrike == Restrike::Replace {
            self.end_where(now_us, Ended::Restruck, log, |v| {
                v.channel == voice.channel && v.key == voice.key
            });
        }
        let limit = usize::from(spec.manners.polyphony.max(voice.size));
        while self.size() + usize::from(voice.size) > limit {
            let stolen = self.list.remove(0);
            let why = Ended::Stolen;
            log.push(now_us, Heard::NoteEnded { id: stolen.id, why });
        }
        voice.id = VoiceId(self.next);
        self.next += 1;
        self.list.push(voice);
        log.push(now_us, Heard::NoteStarted(voice));
    }

    /// A Note Off: lets go of the oldest voice whose key is down. False if there is none.
    pub(crate) fn key_up(
        &mut self,
        now_us: u64,
        (channel, key): (Channel, Key),
        pedals: Pedals,
        spec: &ReceiverSpec,
        log: &mut HeardLog,
    ) -> bool {
        let found = self
            .list
            .iter_mut()
            .find(|v| v.channel == channel && v.key == key && v.state == VoiceState::Held);
        let Some(voice) = found else {
            return false;
        };
        let_go(voice, now_us, Released::KeyUp, pedals, spec, log);
        self.end_rings(now_us, log);
        true
    }

    /// A Note Off for every key of a slot that is down.
    pub(crate) fn all_keys_up(
        &mut self,
        now_us: u64,
        channel: Channel,
        pedals: Pedals,
        spec: &ReceiverSpec,
        log: &mut HeardLog,
    ) {
        for voice in &mut self.list {
            if voice.channel == channel && voice.state == VoiceState::Held {
                let_go(voice, now_us, Released::AllNotesOff, pedals, spec, log);
            }
        }
        self.end_rings(now_us, log);
    }

    /// The sostenuto pedal goes down: it latches the keys that are down now.
    pub(crate) fn latch(&mut self, channel: Channel) {
        for voice in &mut self.list {
            if voice.channel == channel && voice.state == VoiceState::Held {
                voice.is_latched = true;
            }
        }
    }

    /// A pedal went up: lets go of what nothing else holds.
    pub(crate) fn pedal_up(
        &mut self,
        now_us: u64,
        channel: Channel,
        pedals: Pedals,
        spec: &ReceiverSpec,
        log: &mut HeardLog,
    ) {
        for voice in &mut self.list {
            if voice.channel != channel {
                continue;
            }
            voice.is_latched &= pedals.sostenuto;
            if matches!(voice.state, VoiceState::Sustained | VoiceState::Sostenuto) {
                let_go(voice, now_us, Released::PedalUp, pedals, spec, log);
            }
        }
        self.end_rings(now_us, log);
    }

    /// Takes every voice of a slot over to another patch.
    pub(crate) fn revoice(&mut self, now_us: u64, channel: Channel, to: Patch, log: &mut HeardLog) {
        for voice in &mut self.list {
            if voice.channel == channel && voice.patch != to {
                voice.patch = to;
                let (id, patch) = (voice.id, to);
                log.push(now_us, Heard::VoiceRevoiced { id, patch });
            }
        }
    }

    /// Ends at once every voice that `is_meant`.
    pub(crate) fn end_where(
        &mut self,
        now_us: u64,
        why: Ended,
        log: &mut HeardLog,
        is_meant: impl Fn(&Voice) -> bool,
    ) {
        self.list.retain(|voice| {
            let ends = is_meant(voice);
            if ends {
                log.push(now_us, Heard::NoteEnded { id: voice.id, why });
            }
            !ends
        });
    }

    /// When the next ring is done.
    pub(crate) fn next_ring_us(&self) -> Option<u64> {
        self.list
            .iter()
            .filter_map(|voice| match voice.state {
                VoiceState::Ringing { until_us } => Some(until_us),
                _ => None,
            })
            .min()
    }

    /// Ends the rings that are done by now.
    pub(crate) fn end_rings(&mut self, now_us: u64, log: &mut HeardLog) {
        self.end_where(
            now_us,
            Ended::RingDone,
            log,
            |voice| matches!(voice.state, VoiceState::Ringing { until_us } if until_us <= now_us),
        );
    }

    fn size(&self) -> usize {
        self.list.iter().map(|voice| usize::from(voice.size)).sum()
    }
}

/// Hands a voice to the pedal that is down, or lets it ring.
fn let_go(
    voice: &mut Voice,
    now_us: u64,
    why: Released,
    pedals: Pedals,
    spec: &ReceiverSpec,
    log: &mut HeardLog,
) {
    voice.state = if voice.is_latched {
        VoiceState::Sostenuto
    } else if pedals.hold {
        VoiceState::Sustained
    } else {
        let until_us = now_us.saturating_add(spec.release_us(voice.patch));
        log.push(now_us, Heard::NoteReleased { id: voice.id, why });
        VoiceState::Ringing { until_us }
    };
}
