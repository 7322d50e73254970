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
use super::receiver::ReceiverModel;
use super::verdict::{Fault, Violation};
use super::voice::{Voice, VoiceId};

/// Violations kept; past it they are only counted.
pub const MAX_VIOLATIONS: usize = 1_024;

/// A voice as the judge knows it.
#[derive(Clone, Debug)]
pub(super) struct Witness {
    pub(super) voice: Voice,
    pub(super) owners: Vec<ExpectId>,
    pub(super) is_reported: bool,
}

/// A voice that ended because its key was struck again; its owners go to the next one.
#[derive(Clone, Debug)]
pub(super) struct Restruck {
    pub(super) receiver: usize,
    pub(super) witness: Witness,
}

/// The judge of one run.
#[derive(Clone, Debug)]
pub struct Judge {
    pub(super) rules: JudgeRules,
    pub(super) entries: BTreeMap<ExpectId, Entry>,
    pub(super) voices: BTreeMap<(usize, VoiceId), Witness>,
    pub(super) restruck: Vec<Restruck>,
    pub(super) passages: Vec<(usize, usize)>,
    marks: BTreeMap<usize, u64>,
    violations: Vec<Violation>,
    violation_count: u64,
    pub(super) matched_count: u64,
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

    /// When the last owner of a note let it go, or when it began if that was later (a note
    /// that was held back); none while one holds it.
    fn let_go_us(&self, receiver: usize, voice: &Voice) -> Option<u64> {
        let mut last_us = voice.start_us;
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

    pub(super) fn holding(&self, owners: &[ExpectId]) -> Vec<ExpectId> {
        let is_holding = |id: &ExpectId| self.entries.get(id).is_some_and(Entry::is_holding);
        owners.iter().copied().filter(is_holding).collect()
    }

    /// Whether there are owners and none of them allows the change.
    pub(super) fn forbids(&self, owners: &[ExpectId], change: Change) -> bool {
        let mut owners = owners
            .iter()
            .filter_map(|id| self.entries.get(id))
            .peekable();
        owners.peek().is_some() && owners.all(|entry| !entry.allows(change))
    }

    pub(super) fn are_left(&self, owners: &[ExpectId]) -> bool {
        self.forbids(owners, Change::Control)
    }

    /// Forgets owners whose note has ended, unless another voice carries them.
    pub(super) fn forget<'a>(&mut self, owners: impl Iterator<Item = &'a ExpectId>) {
        for id in owners {
            if !self.voices.values().any(|w| w.owners.contains(id)) {
                self.entries.remove(id);
            }
        }
    }

    pub(super) fn find(
        &mut self,
        at_us: u64,
        receiver: usize,
        fault: Fault,
        voice: Option<&Voice>,
    ) {
        self.keep(Violation {
            at_us,
            receiver,
            fault,
            voice: voice.copied(),
            expect: None,
        });
    }

    pub(super) fn find_for(
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
pub(super) fn same_note(a: &Voice, b: &Voice) -> bool {
    let note = |voice: &Voice| -> (Channel, Key) { (voice.channel, voice.key) };
    note(a) == note(b)
}
