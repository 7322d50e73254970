//! The judge: compares what model receivers let be heard with what was played.
//!
//! It knows nothing of slots, plans or messages. Whoever drives it says, from a
//! specification of their own, which sounds each key press asks for (`expect`), what holds
//! them (`hold`, `let_go`), and when their scene is left (`hold_over`). It hears what the
//! receivers did and finds notes that are stuck, cut, missing, unasked, or disturbed while
//! held over. Expectations and voices are matched by receiver, patch, key and velocity, not
//! by channel, since slots of a group may be swapped.
//!
//! Order of calls, for each moment: first what was played and commanded (`expect`,
//! `let_go`, `hold_over`, `allow`, `silence`), then `hear` for every receiver, then
//! `advance`. At the end `finish`.
//!
//! Two presses that ask for the same note of the same slot: each must be struck (unless
//! `may_share_strike`), and the note goes on until the last of them is let go, whether the
//! receiver stacks voices or replaces them.

use std::collections::BTreeMap;

use crate::midi::num::{Channel, Key};

use super::expect::{Change, Entry, Expect, ExpectId, Holder, JudgeRules};
use super::heard::{Ended, Event, Heard};
use super::receiver::ReceiverModel;
use super::verdict::{Fault, Violation};
use super::voice::{Voice, VoiceId, VoiceState};

/// Violations kept; past it they are only counted.
pub const MAX_VIOLATIONS: usize = 1_024;

/// A voice as the judge knows it.
#[derive(Clone, Debug)]
struct Witness {
    voice: Voice,
    owners: Vec<ExpectId>,
    is_reported: bool,
}

/// A voice that ended because its key was struck again; its owners go to the next one.
#[derive(Clone, Debug)]
struct Restruck {
    receiver: usize,
    witness: Witness,
}

/// The judge of one run.
#[derive(Clone, Debug)]
pub struct Judge {
    rules: JudgeRules,
    entries: BTreeMap<ExpectId, Entry>,
    voices: BTreeMap<(usize, VoiceId), Witness>,
    restruck: Vec<Restruck>,
    passages: Vec<(usize, usize)>,
    marks: BTreeMap<usize, u64>,
    violations: Vec<Violation>,
    violation_count: u64,
    matched_count: u64,
    next: u64,
}

impl Judge {
    /// A judge who has heard nothing yet.
    #[must_use]
    pub const fn new(rules: JudgeRules) -> Self {
        Self {
            rules,
            entries: BTreeMap::new(),
            voices: BTreeMap::new(),
            restruck: Vec::new(),
            passages: Vec::new(),
            marks: BTreeMap::new(),
            violations: Vec::new(),
            violation_count: 0,
            matched_count: 0,
            next: 0,
        }
    }

    /// Says that the sound of `instrument` passes through the effects unit `effects`.
    pub fn pass_through(&mut self, instrument: usize, effects: usize) {
        self.passages.push((instrument, effects));
    }

    /// A key went down and asks for this note. Its key holds it.
    pub fn expect(&mut self, expect: Expect) -> ExpectId {
        let id = ExpectId(self.next);
        self.next += 1;
        let mut entry = Entry::new(expect);
        if self.rules.may_share_strike {
            let carrier = self.voices.iter_mut().find(|((receiver, _), witness)| {
                *receiver == expect.receiver
                    && expect.asks_for(&witness.voice)
                    && witness.voice.is_held()
            });
            if let Some((_, witness)) = carrier {
                witness.owners.push(id);
                entry.is_carried = true;
            }
        }
        self.entries.insert(id, entry);
        id
    }

    /// Something more holds the note.
    pub fn hold(&mut self, id: ExpectId, holder: Holder) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.hold(holder);
        }
    }

    /// Something holds the note no more; with the last holder it must end.
    pub fn let_go(&mut self, id: ExpectId, holder: Holder, now_us: u64) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.let_go(holder, now_us);
        }
    }

    /// The note's scene is left and its sound does not stay: from now on it is held over
    /// (or its ring is), and may hear nothing of the new scene.
    pub fn hold_over(&mut self, id: ExpectId) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.leave();
        }
    }

    /// Allows one kind of change, for example the note's own bend going back.
    pub fn allow(&mut self, id: ExpectId, change: Change) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.allow(change);
        }
    }

    /// Forbids it again.
    pub fn forbid(&mut self, id: ExpectId, change: Change) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.forbid(change);
        }
    }

    /// Asks no more for a note that has not sounded yet, as when the receiver itself lost it
    /// and nobody could help. False if it sounds, or is not known.
    pub fn withdraw(&mut self, id: ExpectId) -> bool {
        let waits = self
            .entries
            .get(&id)
            .is_some_and(|entry| !entry.is_struck && !entry.is_carried);
        if waits {
            self.entries.remove(&id);
        }
        waits
    }

    /// Panic, unplug or power off: nothing is asked of this receiver's notes any more but
    /// that they end.
    pub fn silence(&mut self, receiver: usize, now_us: u64) {
        self.entries
            .retain(|_, entry| entry.expect.receiver != receiver || entry.is_carried);
        for entry in self.entries.values_mut() {
            if entry.expect.receiver == receiver {
                entry.give_up(now_us);
            }
        }
    }

    /// Takes all that a receiver let be heard since the last call.
    pub fn hear(&mut self, receiver: usize, model: &ReceiverModel) {
        let mark = self.marks.get(&receiver).copied().unwrap_or(0);
        if model.events_dropped() > mark {
            self.find(model.events_dropped(), receiver, Fault::EventsLost, None);
        }
        for event in model.events_since(mark) {
            self.hear_event(receiver, event);
        }
        self.marks.insert(receiver, model.mark());
    }

    /// Lets time pass: finds notes that are missing or stuck by now.
    pub fn advance(&mut self, now_us: u64) {
        self.find_missing(now_us);
        self.find_stuck(now_us);
    }

    /// The end: everything asked for by now must have sounded, everything let go must have
    /// been let go. Gives all that was found.
    #[must_use]
    pub fn finish(mut self, now_us: u64) -> Vec<Violation> {
        self.rules.wait_us = 0;
        self.rules.grace_us = 0;
        self.advance(now_us.saturating_add(1));
        self.violations
    }

    /// What was found so far, at most `MAX_VIOLATIONS`.
    #[must_use]
    pub fn violations(&self) -> &[Violation] {
        &self.violations
    }

    /// How many violations there were in all.
    #[must_use]
    pub const fn violation_count(&self) -> u64 {
        self.violation_count
    }

    /// How many notes were asked for and came: a run that judged nothing has 0.
    #[must_use]
    pub const fn matched_count(&self) -> u64 {
        self.matched_count
    }

    /// Expectations whose note has not ended yet, oldest first, and whether each is held.
    pub fn open(&self) -> impl Iterator<Item = (ExpectId, &Expect, bool)> {
        self.entries
            .iter()
            .map(|(id, entry)| (*id, &entry.expect, entry.is_holding()))
    }

    fn hear_event(&mut self, receiver: usize, event: &Event) {
        let at_us = event.at_us;
        match event.heard {
            Heard::NoteStarted(voice) => self.hear_start(receiver, voice),
            Heard::NoteReleased { id, why } => {
                let Some(witness) = self.voices.get_mut(&(receiver, id)) else {
                    return;
                };
                witness.voice.state = VoiceState::Ringing { until_us: u64::MAX };
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
        if let Some((id, entry)) = asked {
            let id = *id;
            entry.is_struck = true;
            if entry.is_carried {
                // It shared a voice until now; from here on its own one carries it.
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
        let witness = Witness {
            voice,
            owners,
            is_reported,
        };
        self.voices.insert((receiver, voice.id), witness);
    }

    /// Owners of the voice whose place this one took. A voice of another patch is no heir.
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

    /// A voice no longer carries its owners: those that still hold it go to another voice
    /// of the same note, or it was cut.
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
            // Those who let go already come along: they say since when it should be quiet.
            Some((_, other)) => other.owners.extend(&owners),
            None => self.cut(at.0, &voice, &holding, (at_us, fault)),
        }
        if let Some(witness) = self.voices.get_mut(&at) {
            witness.owners.retain(|id| !holding.contains(id));
        }
    }

    /// A note was taken from those who hold it.
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
        // A note that is held is judged by those who hold it, a ring by those who did.
        let holding = self.holding(&witness.owners);
        let is_ring = holding.is_empty();
        let judges = if is_ring { &witness.owners } else { &holding };
        let is_late_pressure = is_ring && change == Change::Pressure && self.are_left(judges);
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

    fn find_missing(&mut self, now_us: u64) {
        let wait_us = self.rules.wait_us;
        let missing: Vec<(ExpectId, Expect)> = self
            .entries
            .iter()
            .filter(|(_, entry)| entry.is_missing(now_us, wait_us))
            .map(|(id, entry)| (*id, entry.expect))
            .collect();
        for (id, expect) in missing {
            self.entries.remove(&id);
            self.keep(Violation {
                at_us: now_us,
                receiver: expect.receiver,
                fault: Fault::Missing,
                voice: None,
                expect: Some(id),
            });
        }
    }

    fn find_stuck(&mut self, now_us: u64) {
        let grace_us = self.rules.grace_us;
        let stuck: Vec<(usize, VoiceId)> = self
            .voices
            .iter()
            .filter(|((receiver, _), witness)| {
                witness.voice.is_held()
                    && !witness.is_reported
                    && self
                        .let_go_us(*receiver, &witness.voice)
                        .is_some_and(|gone_us| gone_us.saturating_add(grace_us) < now_us)
            })
            .map(|(at, _)| *at)
            .collect();
        for at in stuck {
            let Some(witness) = self.voices.get_mut(&at) else {
                continue;
            };
            witness.is_reported = true;
            let (voice, first) = (witness.voice, witness.owners.first().copied());
            self.find_for(now_us, at.0, Fault::Stuck, &voice, first);
        }
    }

    /// When the last owner of a note let it go; none while one holds it.
    fn let_go_us(&self, receiver: usize, voice: &Voice) -> Option<u64> {
        let mut last_us = 0;
        for ((at, _), witness) in &self.voices {
            if *at != receiver || !same_note(&witness.voice, voice) {
                continue;
            }
            for entry in witness.owners.iter().filter_map(|id| self.entries.get(id)) {
                if entry.is_holding() {
                    return None;
                }
                last_us = last_us.max(entry.let_go_us);
            }
        }
        Some(last_us)
    }

    fn holding(&self, owners: &[ExpectId]) -> Vec<ExpectId> {
        let is_holding = |id: &ExpectId| self.entries.get(id).is_some_and(Entry::is_holding);
        owners.iter().copied().filter(is_holding).collect()
    }

    /// Whether there are owners and none of them allows the change.
    fn forbids(&self, owners: &[ExpectId], change: Change) -> bool {
        let mut owners = owners
            .iter()
            .filter_map(|id| self.entries.get(id))
            .peekable();
        owners.peek().is_some() && owners.all(|entry| !entry.allows(change))
    }

    fn are_left(&self, owners: &[ExpectId]) -> bool {
        self.forbids(owners, Change::Control)
    }

    /// Forgets owners whose note has ended, unless another voice carries them.
    fn forget<'a>(&mut self, owners: impl Iterator<Item = &'a ExpectId>) {
        for id in owners {
            if !self.voices.values().any(|w| w.owners.contains(id)) {
                self.entries.remove(id);
            }
        }
    }

    fn find(&mut self, at_us: u64, receiver: usize, fault: Fault, voice: Option<&Voice>) {
        self.keep(Violation {
            at_us,
            receiver,
            fault,
            voice: voice.copied(),
            expect: None,
        });
    }

    fn find_for(
        &mut self,
        at_us: u64,
        receiver: usize,
        fault: Fault,
        voice: &Voice,
        expect: Option<ExpectId>,
    ) {
        self.keep(Violation {
            at_us,
            receiver,
            fault,
            voice: Some(*voice),
            expect,
        });
    }

    fn keep(&mut self, violation: Violation) {
        self.violation_count += 1;
        if self.violations.len() < MAX_VIOLATIONS {
            self.violations.push(violation);
        }
    }
}

/// Whether two voices of one receiver are the same key of the same slot.
fn same_note(a: &Voice, b: &Voice) -> bool {
    let note = |voice: &Voice| -> (Channel, Key) { (voice.channel, voice.key) };
    note(a) == note(b)
}
