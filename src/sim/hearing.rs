//! How the judge hears: from one event of a receiver to the notes it concerns.

use super::expect::{Change, ExpectId};
use super::heard::{Ended, Event, Heard};
use super::judge::{Judge, Restruck, Witness, same_note};
use super::verdict::Fault;
use super::voice::{Voice, VoiceId, VoiceState};

impl Judge {
    pub(super) fn hear_event(&mut self, receiver: usize, event: &Event) {
        let at_us = event.at_us;
        match event.heard {
            Heard::NoteStarted(voice) => self.hear_start(receiver, voice),
            Heard::NoteReleased { id, why } => {
                let Some(witness) = self.voices.get_mut(&(receiver, id)) else {
                    return;
                };
                let (voice, first) = (witness.voice, witness.owners.first().copied());
                witness.voice.state = VoiceState::Ringing { until_us: u64::MAX };
                if let Some(end_by_us) = self.end_by_us(receiver, &voice).filter(|us| *us < at_us) {
                    let by_us = at_us - end_by_us;
                    self.find_for(at_us, receiver, Fault::LateEnd { by_us }, &voice, first);
                }
                self.lose_voice((receiver, id), at_us, Fault::LetGo(why));
            }
            Heard::NoteEnded { id, why } => self.hear_end((receiver, id), at_us, why),
            Heard::VoiceRevoiced { id, .. } => {
                self.disturb((receiver, id), at_us, Change::Revoice, Fault::Revoiced);
            }
            Heard::LevelChanged { id, from_db, to_db } => {
                let fault = Fault::LevelChanged { from_db, to_db };
                self.disturb((receiver, id), at_us, Change::Level, fault);
            }
            Heard::BendChanged {
                id,
                from_cents,
                to_cents,
            } => {
                let fault = Fault::Bent {
                    from_cents,
                    to_cents,
                };
                self.disturb((receiver, id), at_us, Change::Bend, fault);
            }
            Heard::PanChanged { id, .. } => {
                self.disturb((receiver, id), at_us, Change::Pan, Fault::Panned);
            }
            Heard::PressureChanged { id, .. } => {
                self.disturb((receiver, id), at_us, Change::Pressure, Fault::Pressed);
            }
            Heard::ControllerChanged { id, controller, .. } => {
                let fault = Fault::ControllerChanged(controller);
                self.disturb((receiver, id), at_us, Change::Control, fault);
            }
            Heard::PassageInterrupted { .. } => self.hear_interruption(receiver, at_us),
            Heard::JunkByte(_) | Heard::MessageBroken | Heard::ExclusiveBroken => {
                self.find(at_us, receiver, Fault::BrokenBytes, None);
            }
            _ => {}
        }
    }

    fn hear_start(&mut self, receiver: usize, voice: Voice) {
        let mut owners = self.inherit(receiver, &voice);
        let wait_us = self.rules.wait_us;
        let asked = self
            .entries
            .iter_mut()
            .find(|(_, entry)| entry.waits_for(receiver, &voice, wait_us));
        let mut is_reported = false;
        let mut late = None;
        if let Some((id, entry)) = asked {
            let id = *id;
            let sound_by_us = entry.sound_by_us.unwrap_or(u64::MAX);
            late = voice.start_us.checked_sub(sound_by_us).map(|us| (id, us));
            entry.is_struck = true;
            if entry.is_carried {
                // Its note shared a voice until now; from here on this voice carries it.
                for witness in self.voices.values_mut() {
                    witness.owners.retain(|owner| *owner != id);
                }
            }
            entry.is_carried = true;
            owners.retain(|owner| *owner != id);
            owners.push(id);
            self.matched_count += 1;
        } else {
            self.find(voice.start_us, receiver, Fault::Unasked, Some(&voice));
            is_reported = true;
        }
        if let Some((id, by_us)) = late.filter(|(_, by_us)| *by_us > 0) {
            let fault = Fault::Late { by_us };
            self.find_for(voice.start_us, receiver, fault, &voice, Some(id));
        }
        let witness = Witness {
            voice,
            owners,
            is_reported,
        };
        self.voices.insert((receiver, voice.id), witness);
    }

    /// The owners of the voice that this one replaced. A voice with another patch inherits
    /// none.
    fn inherit(&mut self, receiver: usize, voice: &Voice) -> Vec<ExpectId> {
        let mut heirs = Vec::new();
        let (mine, others) = std::mem::take(&mut self.restruck)
            .into_iter()
            .partition(|gone| gone.receiver == receiver && same_note(&gone.witness.voice, voice));
        self.restruck = others;
        let mine: Vec<Restruck> = mine;
        for gone in mine {
            if gone.witness.voice.patch == voice.patch {
                heirs.extend(gone.witness.owners);
            } else {
                let fault = Fault::Cut(Ended::Restruck);
                let (old, owners) = (gone.witness.voice, gone.witness.owners);
                self.cut(receiver, &old, &owners, (voice.start_us, fault));
            }
        }
        heirs
    }

    fn hear_end(&mut self, at: (usize, VoiceId), at_us: u64, why: Ended) {
        if why == Ended::Restruck {
            if let Some(mut witness) = self.voices.remove(&at) {
                let holding = self.holding(&witness.owners);
                let gone = std::mem::replace(&mut witness.owners, holding);
                self.forget(gone.iter().filter(|id| !witness.owners.contains(id)));
                let receiver = at.0;
                self.restruck.push(Restruck { receiver, witness });
            }
            return;
        }
        let Some(witness) = self.voices.get(&at) else {
            return;
        };
        let is_spared = why == Ended::Stolen && self.rules.may_be_stolen;
        if !is_spared && why != Ended::RingDone {
            let (voice, first) = (witness.voice, witness.owners.first().copied());
            if !voice.is_held() && self.forbids(&witness.owners, Change::Cut) {
                self.find_for(at_us, at.0, Fault::RingCut(why), &voice, first);
            }
        }
        if !is_spared {
            self.lose_voice(at, at_us, Fault::Cut(why));
        }
        if let Some(witness) = self.voices.remove(&at) {
            self.forget(witness.owners.iter());
        }
    }

    /// A voice ended. Owners that still hold their note move to another voice of the same note;
    /// without one, the note was cut.
    fn lose_voice(&mut self, at: (usize, VoiceId), at_us: u64, fault: Fault) {
        let Some(witness) = self.voices.get(&at) else {
            return;
        };
        let voice = witness.voice;
        let owners = witness.owners.clone();
        let holding = self.holding(&owners);
        let sibling = self.voices.iter_mut().find(|((receiver, id), other)| {
            *receiver == at.0
                && *id != at.1
                && same_note(&other.voice, &voice)
                && other.voice.patch == voice.patch
                && other.voice.is_held()
        });
        match sibling {
            // Owners that have let go move too: they determine when the note should have ended.
            Some((_, other)) => other.owners.extend(&owners),
            None => self.cut(at.0, &voice, &holding, (at_us, fault)),
        }
        if let Some(witness) = self.voices.get_mut(&at) {
            witness.owners.retain(|id| !holding.contains(id));
        }
    }

    /// A voice ended while owners hold its note: checks whether that is a fault.
    fn cut(
        &mut self,
        receiver: usize,
        voice: &Voice,
        holding: &[ExpectId],
        (at_us, fault): (u64, Fault),
    ) {
        if self.forbids(holding, Change::Cut) {
            self.find_for(at_us, receiver, fault, voice, holding.first().copied());
        }
        for id in holding {
            self.entries.remove(id);
        }
    }

    fn disturb(&mut self, at: (usize, VoiceId), at_us: u64, change: Change, fault: Fault) {
        let Some(witness) = self.voices.get(&at) else {
            return;
        };
        // A held note is judged by the owners that hold it, a ringing one by those that held
        // it.
        let holding = self.holding(&witness.owners);
        let is_ring = holding.is_empty();
        let judges = if is_ring { &witness.owners } else { &holding };
        // Its Note Off may still be on the way, and pressure before it.
        let is_late_pressure = is_ring
            && !witness.voice.is_held()
            && change == Change::Pressure
            && self.are_left(judges);
        if is_late_pressure || self.forbids(judges, change) {
            let (voice, first) = (witness.voice, judges.first().copied());
            self.find_for(at_us, at.0, fault, &voice, first);
        }
    }

    fn hear_interruption(&mut self, effects: usize, at_us: u64) {
        let hurt: Vec<(usize, Voice)> = self
            .voices
            .iter()
            .filter(|((receiver, _), witness)| {
                self.passages.contains(&(*receiver, effects))
                    && self.forbids(&witness.owners, Change::Passage)
            })
            .map(|((receiver, _), witness)| (*receiver, witness.voice))
            .collect();
        for (receiver, voice) in hurt {
            self.find(at_us, receiver, Fault::Interrupted, Some(&voice));
        }
    }
}
