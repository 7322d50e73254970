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
use super::heard::{Event, Heard};
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
    /// When all notes of a receiver were last given up, in microseconds (see `silence`).
    silenced_us: BTreeMap<usize, u64>,
    violations: Vec<Violation>,
    violation_count: u64,
    pub(super) matched_count: u64,
    next: u64,
}

impl Judge {
    /// A judge that expects nothing and has heard nothing.
    #[must_use]
    pub const fn new(rules: JudgeRules) -> Self {
        Self {
            rules,
            entries: BTreeMap::new(),
            voices: BTreeMap::new(),
            restruck: Vec::new(),
            passages: Vec::new(),
            marks: BTreeMap::new(),
            silenced_us: BTreeMap::new(),
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

    /// Adds a holder to the note. Call it before the last holder lets go.
    pub fn hold(&mut self, id: ExpectId, holder: Holder) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.hold(holder);
        }
    }

    /// Takes a holder away; with the last one gone the note must end.
    pub fn let_go(&mut self, id: ExpectId, holder: Holder, now_us: u64) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.let_go(holder, now_us);
        }
    }

    /// Sets the latest time at which the note must sound. The driver knows how long its
    /// receiver and its line may take.
    pub fn sound_by(&mut self, id: ExpectId, us: u64) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.sound_by_us = Some(us);
        }
    }

    /// Sets the latest time at which the note must be released; only once nothing holds it.
    pub fn end_by(&mut self, id: ExpectId, us: u64) {
        if let Some(entry) = self.entries.get_mut(&id)
            && !entry.is_holding()
        {
            entry.end_by_us = Some(us);
        }
    }

    /// The note's scene is left and its sound does not stay: from now on the note is held over,
    /// or rings, and nothing of the new scene may change it.
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

    /// Takes an `allow` back: this change is a fault again.
    pub fn forbid(&mut self, id: ExpectId, change: Change) {
        if let Some(entry) = self.entries.get_mut(&id) {
            entry.forbid(change);
        }
    }

    /// Withdraws a note that has not sounded yet, as when the receiver itself lost it. False if
    /// it sounds already, or is not known.
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

    /// Gives up all notes of a receiver (panic, unplug, power off): they need only end.
    pub fn silence(&mut self, receiver: usize, now_us: u64) {
        self.silenced_us.insert(receiver, now_us);
        self.entries
            .retain(|_, entry| entry.expect.receiver != receiver || entry.is_carried);
        for entry in self.entries.values_mut() {
            if entry.expect.receiver == receiver {
                entry.give_up(now_us);
            }
        }
    }

    /// Takes all events of a receiver since the last call.
    pub fn hear(&mut self, receiver: usize, model: &ReceiverModel) {
        while self.hear_to_loss(receiver, model).is_some() {}
    }

    /// As `hear`, but stops at a note that the receiver reports lost and returns that event;
    /// None at the end. What came before it is matched and what comes after is not, so a lost
    /// note can be told apart from another of the same key.
    pub fn hear_to_loss(&mut self, receiver: usize, model: &ReceiverModel) -> Option<Event> {
        let mut mark = self.marks.get(&receiver).copied().unwrap_or(0);
        if model.events_dropped() > mark {
            mark = model.events_dropped();
            self.find(mark, receiver, Fault::EventsLost, None);
        }
        let mut lost = None;
        for event in model.events_since(mark) {
            mark += 1;
            self.hear_event(receiver, event);
            if matches!(event.heard, Heard::NoteLost { .. }) {
                lost = Some(*event);
                break;
            }
        }
        self.marks.insert(receiver, mark);
        lost
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

    /// How many expected notes sounded: 0 means that the run judged nothing.
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
                    && !witness.owners.iter().any(|id| self.is_holding(*id))
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

    /// When the last owner of a note let it go, or when it began or was given up with all of
    /// its receiver if that was later (a note that was held back, one that went on for
    /// another key); none while one holds it.
    fn let_go_us(&self, receiver: usize, voice: &Voice) -> Option<u64> {
        let silenced_us = self.silenced_us.get(&receiver).copied().unwrap_or(0);
        let mut last_us = voice.start_us.max(silenced_us);
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

    /// When a note that was let go had to be: the latest of all that asked for the same note
    /// of its slot; none if that is not known of one of them, or one holds it.
    pub(super) fn end_by_us(&self, receiver: usize, voice: &Voice) -> Option<u64> {
        let alike = self
            .voices
            .iter()
            .filter(|((at, _), witness)| *at == receiver && same_note(&witness.voice, voice));
        let mut last_us = None;
        for entry in alike
            .flat_map(|(_, witness)| &witness.owners)
            .filter_map(|id| self.entries.get(id))
        {
            last_us = last_us.max(Some(entry.end_by_us.filter(|_| !entry.is_holding())?));
        }
        last_us
    }

    pub(super) fn holding(&self, owners: &[ExpectId]) -> Vec<ExpectId> {
        let owners = owners.iter().copied();
        owners.filter(|id| self.is_holding(*id)).collect()
    }

    fn is_holding(&self, id: ExpectId) -> bool {
        self.entries.get(&id).is_some_and(Entry::is_holding)
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

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::expect::Wanted;
    use super::super::heard::{Ended, MAX_EVENTS, Released};
    use super::super::spec::{HeldNotes, Kind, Patch, ReceiverSpec, Restrike};
    use super::super::testing;
    use super::super::testing::{CH, control, key, off, on, program};
    use super::*;
    use crate::midi::num::{Controller, Program, Value7, cc};

    const RULES: JudgeRules = JudgeRules {
        wait_us: 30_000,
        grace_us: 1_000,
        may_share_strike: false,
        may_be_stolen: false,
    };

    /// One receiver and its judge; `at` is the order of calls that a driver keeps.
    struct Court {
        model: ReceiverModel,
        judge: Judge,
    }

    impl Court {
        fn new(model: ReceiverModel, rules: JudgeRules) -> Self {
            let judge = Judge::new(rules);
            Self { model, judge }
        }

        fn gm2() -> Self {
            Self::new(testing::model(|m| m.release_us = 500), RULES)
        }

        fn expect(&mut self, now_us: u64, number: u8) -> ExpectId {
            self.judge.expect(Expect {
                down_us: now_us,
                receiver: 0,
                wanted: Wanted::default(),
                key: key(number),
                velocities: (Value7::clamped(1), Value7::MAX),
            })
        }

        fn play(&mut self, now_us: u64, bytes: &[u8]) {
            self.model.feed(now_us, bytes);
            self.judge.hear(0, &self.model);
            self.judge.advance(now_us);
        }

        fn press(&mut self, now_us: u64, number: u8) -> ExpectId {
            let id = self.expect(now_us, number);
            self.play(now_us, &on(number));
            id
        }

        /// Gives what was found, and looks once more when all should be silent.
        fn faults(mut self) -> Vec<Fault> {
            self.play(100_000_000, &[]);
            let found = self.judge.finish(100_000_000);
            found.iter().map(|violation| violation.fault).collect()
        }
    }

    #[test]
    fn a_note_that_is_struck_and_let_go_is_right() {
        let mut court = Court::gm2();
        let id = court.press(0, 60);
        assert_eq!(court.judge.open().count(), 1);
        court.judge.let_go(id, Holder::Key, 10);
        court.play(900, &off(60));
        court.play(5_000, &[]);
        assert_eq!(
            court.judge.open().count(),
            0,
            "and is forgotten when it has rung out"
        );
        assert_eq!(court.judge.matched_count(), 1);
        assert_eq!(court.faults(), []);
    }

    #[test]
    fn a_note_that_is_not_let_go_in_time_is_stuck() {
        let mut court = Court::gm2();
        let id = court.press(0, 60);
        court.judge.let_go(id, Holder::Key, 10);
        court.play(1_010, &[]);
        assert_eq!(court.judge.violations(), [], "within the grace");
        court.play(1_011, &[]);
        let found = court.judge.violations()[0];
        assert_eq!(
            (found.fault, found.at_us, found.expect),
            (Fault::Stuck, 1_011, Some(id))
        );
        court.play(2_000, &[]);
        assert_eq!(court.faults(), [Fault::Stuck], "once");
    }

    #[test]
    fn a_note_that_sounds_after_its_limit_is_late() {
        for (struck_us, faults) in [(2_000, vec![]), (2_001, vec![Fault::Late { by_us: 1 }])] {
            let mut court = Court::gm2();
            let id = court.expect(0, 60);
            court.judge.sound_by(id, 2_000);
            court.play(struck_us, &on(60));
            court.judge.let_go(id, Holder::Key, 5_000);
            court.play(5_000, &off(60));
            assert_eq!(court.faults(), faults);
        }
    }

    #[test]
    fn a_note_that_ends_after_its_limit_is_late_unless_something_holds_it() {
        let late = vec![Fault::LateEnd { by_us: 1 }];
        for (is_held_again, end_us, faults) in [
            (false, 5_900, vec![]),
            (false, 5_901, late),
            (true, 5_901, vec![]),
        ] {
            let mut court = Court::gm2();
            let id = court.press(0, 60);
            court.judge.let_go(id, Holder::Key, 5_000);
            court.judge.end_by(id, 5_900);
            if is_held_again {
                court.judge.hold(id, Holder::Hold);
                court.judge.let_go(id, Holder::Hold, 5_500);
            }
            court.play(end_us, &off(60));
            assert_eq!(court.faults(), faults);
        }
    }

    #[test]
    fn a_note_held_back_may_end_as_late_as_it_began() {
        let mut court = Court::gm2();
        let id = court.expect(0, 60);
        court.judge.let_go(id, Holder::Key, 5);
        court.play(20_000, &on(60));
        court.play(20_900, &off(60));
        assert_eq!(court.faults(), []);
    }

    #[test]
    fn a_pedal_goes_on_holding() {
        let mut court = Court::gm2();
        let id = court.press(0, 60);
        court.judge.hold(id, Holder::Hold);
        court.play(1, &control(64, 127));
        court.judge.let_go(id, Holder::Key, 2);
        court.play(2, &off(60));
        court.play(50_000, &[]);
        assert_eq!(court.judge.violations(), []);
        court.judge.let_go(id, Holder::Hold, 60_000);
        court.play(60_000, &control(64, 0));
        assert_eq!(court.faults(), []);
    }

    #[test]
    fn a_pedal_that_stays_down_in_the_receiver_is_found() {
        let mut court = Court::gm2();
        court.play(0, &control(64, 127));
        let id = court.press(1, 60);
        court.judge.let_go(id, Holder::Key, 2);
        court.play(2, &off(60));
        assert_eq!(court.faults(), [Fault::Stuck]);
    }

    #[test]
    fn a_note_let_go_early_is_found() {
        let mut court = Court::gm2();
        let id = court.press(0, 60);
        court.play(1, &off(60));
        court.judge.let_go(id, Holder::Key, 2);
        assert_eq!(court.faults(), [Fault::LetGo(Released::KeyUp)]);
    }

    #[test]
    fn every_way_to_cut_a_held_note_is_found() {
        type Deed = fn(&mut Court);
        let deeds: [(Deed, Ended); 6] = [
            (|c| c.play(1, &program(1)), Ended::CutByProgram),
            (|c| c.play(1, &control(120, 0)), Ended::AllSoundOff),
            (|c| c.play(1, &[0xff]), Ended::SystemReset),
            (|c| c.play(1, &[0xfe]), Ended::SensingLost),
            (|c| c.model.power_off(1), Ended::PowerOff),
            (
                |c| {
                    c.press(1, 62);
                },
                Ended::Stolen,
            ),
        ];
        for (deed, why) in deeds {
            let mut court = Court::new(
                testing::model(|m| (m.polyphony, m.held_notes) = (1, HeldNotes::Cut)),
                RULES,
            );
            court.press(0, 60);
            deed(&mut court);
            court.play(1_000_000, &[]);
            let first = court.judge.violations().first().map(|found| found.fault);
            assert_eq!(first, Some(Fault::Cut(why)));
        }
    }

    #[test]
    fn a_cut_that_the_scene_asks_for_is_right() {
        let mut court = Court::gm2();
        let id = court.press(0, 60);
        court.judge.hold_over(id);
        court.judge.allow(id, Change::Cut);
        court.play(1, &off(60));
        assert_eq!(court.faults(), []);
    }

    #[test]
    fn stealing_may_be_allowed() {
        let rules = JudgeRules {
            may_be_stolen: true,
            ..RULES
        };
        let mut court = Court::new(testing::model(|m| m.polyphony = 1), rules);
        court.press(0, 60);
        let id = court.press(1, 62);
        court.judge.let_go(id, Holder::Key, 2);
        court.play(2, &off(62));
        assert_eq!(court.faults(), []);
    }

    #[test]
    fn a_ring_that_is_cut_is_found() {
        let mut court = Court::new(
            testing::model(|m| (m.release_us, m.held_notes) = (500, HeldNotes::Cut)),
            RULES,
        );
        let id = court.press(0, 60);
        court.judge.let_go(id, Holder::Key, 1);
        court.judge.hold_over(id);
        court.play(1, &off(60));
        court.play(400, &program(1));
        assert_eq!(court.faults(), [Fault::RingCut(Ended::CutByProgram)]);
    }

    #[test]
    fn a_press_without_sound_is_found() {
        let mut court = Court::gm2();
        let id = court.expect(0, 60);
        court.judge.let_go(id, Holder::Key, 10);
        court.play(30_000, &[]);
        assert_eq!(court.judge.violations(), [], "within the wait");
        court.play(30_001, &[]);
        assert_eq!(court.faults(), [Fault::Missing]);
    }

    #[test]
    fn a_note_nobody_asked_for_is_found() {
        let v = Value7::clamped;
        let right = Expect {
            down_us: 0,
            receiver: 0,
            wanted: Wanted {
                bank_msb: Some(v(0x79)),
                bank_lsb: Some(v(0)),
                program: Some(Program::clamped(0)),
                group: Some(0),
            },
            key: key(60),
            velocities: (v(100), v(100)),
        };
        let wanted = right.wanted;
        let wrong = [
            Expect {
                key: key(61),
                ..right
            },
            Expect {
                velocities: (v(1), v(99)),
                ..right
            },
            Expect {
                receiver: 1,
                ..right
            },
            Expect {
                down_us: 1,
                ..right
            },
            Expect {
                wanted: Wanted {
                    bank_msb: Some(v(1)),
                    ..wanted
                },
                ..right
            },
            Expect {
                wanted: Wanted {
                    bank_lsb: Some(v(1)),
                    ..wanted
                },
                ..right
            },
            Expect {
                wanted: Wanted {
                    program: Some(Program::clamped(1)),
                    ..wanted
                },
                ..right
            },
            Expect {
                wanted: Wanted {
                    group: Some(1),
                    ..wanted
                },
                ..right
            },
        ];
        for expect in wrong {
            let mut court = Court::gm2();
            court.judge.expect(expect);
            court.play(0, &on(60));
            court.play(1_000_000, &off(60));
            assert_eq!(
                court.faults(),
                [Fault::Unasked, Fault::Missing],
                "{expect:?}"
            );
        }
        let mut court = Court::gm2();
        let id = court.judge.expect(right);
        court.play(0, &on(60));
        court.judge.let_go(id, Holder::Key, 9);
        court.play(9, &off(60));
        assert_eq!(court.faults(), []);
    }

    #[test]
    fn all_that_a_held_over_note_may_not_hear_is_found() {
        type IsIt = fn(&Fault) -> bool;
        let deeds: [(&[u8], IsIt); 7] = [
            (&[0xb0, 7, 20], |f| matches!(f, Fault::LevelChanged { .. })),
            (&[0xb0, 11, 20], |f| matches!(f, Fault::LevelChanged { .. })),
            (&[0xe0, 0, 0], |f| matches!(f, Fault::Bent { .. })),
            (&[0xb0, 10, 0], |f| *f == Fault::Panned),
            (&[0xb0, 1, 9], |f| {
                *f == Fault::ControllerChanged(cc::MODULATION)
            }),
            (&[0xb0, 74, 9], |f| {
                *f == Fault::ControllerChanged(Controller::clamped(74))
            }),
            (&[0xc0, 7], |f| *f == Fault::Revoiced),
        ];
        for (bytes, is_it) in deeds {
            for is_ring in [false, true] {
                let mut court = Court::new(
                    testing::model(|m| (m.release_us, m.held_notes) = (500, HeldNotes::Revoice)),
                    RULES,
                );
                let id = court.press(0, 60);
                if is_ring {
                    court.judge.let_go(id, Holder::Key, 1);
                    court.play(1, &off(60));
                }
                court.judge.hold_over(id);
                court.play(2, bytes);
                court.judge.let_go(id, Holder::Key, 3);
                court.play(3, &off(60));
                let faults = court.faults();
                assert!(
                    faults.len() == 1 && is_it(&faults[0]),
                    "{bytes:02x?}: {faults:?}"
                );
            }
            if bytes[0] != 0xc0 {
                let mut court = Court::gm2();
                let id = court.press(0, 60);
                court.play(2, bytes);
                court.judge.let_go(id, Holder::Key, 3);
                court.play(3, &off(60));
                assert_eq!(
                    court.faults(),
                    [],
                    "in its own scene it may hear {bytes:02x?}"
                );
            }
        }
    }

    #[test]
    fn pressure_is_a_held_over_notes_own_until_it_is_let_go() {
        let mut court = Court::gm2();
        let id = court.press(0, 60);
        court.judge.hold_over(id);
        court.play(1, &[0xd0, 40, 0xa0, 60, 50]);
        assert_eq!(court.judge.violations(), []);
        court.judge.let_go(id, Holder::Key, 2);
        court.play(2, &off(60));
        court.play(3, &[0xd0, 0]);
        assert_eq!(court.faults(), [Fault::Pressed]);
    }

    #[test]
    fn a_change_may_be_allowed_and_forbidden_again() {
        let mut court = Court::gm2();
        let id = court.press(0, 60);
        court.play(1, &[0xe0, 0, 0x60]);
        court.judge.hold_over(id);
        court.judge.allow(id, Change::Bend);
        court.play(2, &[0xe0, 0, 0x40]);
        assert_eq!(court.judge.violations(), [], "its own bend going back");
        court.judge.forbid(id, Change::Bend);
        court.play(3, &[0xe0, 0, 0x60]);
        assert_eq!(court.judge.violation_count(), 1);
    }

    /// Two keys ask for the same note: it ends with the last of them, on either receiver.
    #[test]
    fn two_owners_share_a_note() {
        for restrike in [Restrike::Stack, Restrike::Replace] {
            let court = || Court::new(testing::model(|m| m.restrike = restrike), RULES);
            let mut fair = court();
            let (one, two) = (fair.press(0, 60), fair.press(1, 60));
            fair.judge.let_go(two, Holder::Key, 5);
            fair.play(50_000, &[]);
            fair.judge.let_go(one, Holder::Key, 60_000);
            fair.play(60_000, &[off(60), off(60)].concat());
            assert_eq!(fair.faults(), [], "{restrike:?}");

            let mut early = court();
            let (one, two) = (early.press(0, 60), early.press(1, 60));
            early.judge.let_go(one, Holder::Key, 5);
            early.play(5, &[off(60), off(60)].concat());
            early.judge.let_go(two, Holder::Key, 60_000);
            assert_eq!(
                early.faults(),
                [Fault::LetGo(Released::KeyUp)],
                "{restrike:?}"
            );

            // On a stack the first Note Off ends the older voice, which the first key owns;
            // the second voice goes on for it, and may not end before it.
            let mut moved = court();
            let (one, two) = (moved.press(0, 60), moved.press(1, 60));
            moved.judge.let_go(two, Holder::Key, 5);
            if restrike == Restrike::Stack {
                moved.play(5, &off(60));
            }
            moved.play(50_000, &[]);
            assert_eq!(moved.judge.violations(), [], "{restrike:?}");
            moved.play(50_001, &off(60));
            moved.judge.let_go(one, Holder::Key, 60_000);
            let early = Fault::LetGo(Released::KeyUp);
            assert_eq!(moved.faults(), [early], "{restrike:?}");

            let mut late = court();
            let (one, two) = (late.press(0, 60), late.press(1, 60));
            late.judge.let_go(one, Holder::Key, 5);
            late.judge.let_go(two, Holder::Key, 6);
            late.play(6, &off(60));
            let stuck: &[Fault] = match restrike {
                Restrike::Stack => &[Fault::Stuck],
                Restrike::Replace => &[],
            };
            assert_eq!(late.faults(), stuck, "{restrike:?}");
        }
    }

    #[test]
    fn a_second_press_need_not_strike_if_it_may_share() {
        for (may_share_strike, faults) in [(true, &[][..]), (false, &[Fault::Missing][..])] {
            let rules = JudgeRules {
                may_share_strike,
                ..RULES
            };
            let mut court = Court::new(testing::model(|_| {}), rules);
            let one = court.press(0, 60);
            let two = court.expect(1, 60);
            court.judge.let_go(one, Holder::Key, 2);
            court.play(100_000, &[]);
            court.judge.let_go(two, Holder::Key, 100_000);
            court.play(100_000, &off(60));
            let found: Vec<Fault> = court
                .faults()
                .into_iter()
                .filter(|fault| *fault != Fault::Stuck)
                .collect();
            assert_eq!(found, faults);
        }
    }

    #[test]
    fn a_key_struck_again_with_another_patch_cuts_the_old_note() {
        let mut court = Court::new(testing::model(|m| m.restrike = Restrike::Replace), RULES);
        court.press(0, 60);
        court.play(1, &program(9));
        court.press(2, 60);
        assert_eq!(
            court.judge.violations()[0].fault,
            Fault::Cut(Ended::Restruck)
        );
    }

    #[test]
    fn an_effects_unit_may_not_be_interrupted_under_a_note() {
        for is_joined in [true, false] {
            let mut court = Court::gm2();
            let mut unit = ReceiverModel::new(ReceiverSpec::single(Kind::Effects, CH));
            if is_joined {
                court.judge.pass_through(0, 1);
            }
            let id = court.press(0, 60);
            unit.feed(1, &control(12, 9));
            court.judge.hear(1, &unit);
            assert_eq!(court.judge.violations(), [], "by controller yes");
            unit.feed(2, &program(1));
            court.judge.hear(1, &unit);
            court.judge.allow(id, Change::Passage);
            unit.feed(3, &program(2));
            court.judge.hear(1, &unit);
            let faults: Vec<Fault> = court.judge.violations().iter().map(|v| v.fault).collect();
            let expected: &[Fault] = if is_joined {
                &[Fault::Interrupted]
            } else {
                &[]
            };
            assert_eq!(faults, expected);
        }
    }

    #[test]
    fn after_silence_nothing_is_asked_but_that_it_ends() {
        let mut court = Court::gm2();
        court.press(0, 60);
        court.expect(1, 62);
        court.judge.silence(0, 2);
        court.play(2, &control(120, 0));
        assert_eq!(court.faults(), []);
        let mut court = Court::gm2();
        court.press(0, 60);
        court.judge.silence(0, 2);
        assert_eq!(court.faults(), [Fault::Stuck]);
    }

    #[test]
    fn broken_bytes_and_lost_events_are_found() {
        let mut court = Court::gm2();
        court.play(0, &[0x90, 60, 0xb0, 7, 100]);
        assert_eq!(court.faults(), [Fault::BrokenBytes]);
        let mut court = Court::gm2();
        for _ in 0..MAX_EVENTS / 2 + 1 {
            court.model.feed(0, &[0xc0, 1, 0xc0, 2]);
        }
        court.judge.hear(0, &court.model);
        assert_eq!(court.faults(), [Fault::EventsLost]);
    }

    #[test]
    fn a_violation_is_told_in_words() {
        let mut court = Court::gm2();
        court.press(7, 60);
        court.play(9, &control(120, 0));
        assert_eq!(
            court.judge.violations()[0].to_string(),
            "9 us, receiver 0: Cut(AllSoundOff), key 60 on channel 1 with patch 121/0/0 \
             struck at 7 us, expectation 0"
        );
        assert_eq!(Patch::of(121, 0, 0), court.model.slot(CH).patch);
    }

    /// An honest player with a pedal: each deed is (key, is the pedal meant).
    fn deeds() -> impl Strategy<Value = Vec<(u8, bool)>> {
        proptest::collection::vec((60_u8..66, proptest::bool::weighted(0.2)), 1..80)
    }

    /// Plays honestly, but leaves out the messages whose number `is_lost` accepts.
    fn play(deeds: &[(u8, bool)], restrike: Restrike, is_lost: impl Fn(usize) -> bool) -> Court {
        let mut court = Court::new(
            testing::model(|m| (m.restrike, m.release_us, m.polyphony) = (restrike, 700, 256)),
            JudgeRules {
                wait_us: 0,
                grace_us: 0,
                ..RULES
            },
        );
        let mut down: BTreeMap<u8, ExpectId> = BTreeMap::new();
        let mut sustained: Vec<ExpectId> = Vec::new();
        let mut is_pedal_down = false;
        let mut now_us = 0;
        for (count, (number, is_pedal)) in deeds.iter().enumerate() {
            now_us += 300;
            let bytes = if *is_pedal {
                is_pedal_down = !is_pedal_down;
                if is_pedal_down {
                    sustained.extend(down.values());
                    sustained
                        .iter()
                        .for_each(|id| court.judge.hold(*id, Holder::Hold));
                } else {
                    let gone = std::mem::take(&mut sustained);
                    gone.iter()
                        .for_each(|id| court.judge.let_go(*id, Holder::Hold, now_us));
                }
                control(64, if is_pedal_down { 127 } else { 0 })
            } else if let Some(id) = down.remove(number) {
                court.judge.let_go(id, Holder::Key, now_us);
                off(*number)
            } else {
                let id = court.expect(now_us, *number);
                if is_pedal_down {
                    court.judge.hold(id, Holder::Hold);
                    sustained.push(id);
                }
                down.insert(*number, id);
                on(*number)
            };
            let is_sent = !is_lost(count);
            court.play(now_us, if is_sent { &bytes } else { &[] });
            court.play(now_us + 100, &[]);
        }
        court
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn honest_playing_is_right(deeds in deeds(), is_stacked in any::<bool>()) {
            let restrike = if is_stacked { Restrike::Stack } else { Restrike::Replace };
            let court = play(&deeds, restrike, |_| false);
            let presses = court.judge.next;
            prop_assert_eq!(court.judge.matched_count(), presses);
            prop_assert_eq!(court.judge.violations(), []);
        }

        /// A lost note, on or off, is always found while no pedal blurs it.
        #[test]
        fn a_lost_message_is_found(
            deeds in proptest::collection::vec(60_u8..66, 1..40),
            lost in any::<prop::sample::Index>(),
            is_stacked in any::<bool>(),
        ) {
            let restrike = if is_stacked { Restrike::Stack } else { Restrike::Replace };
            let lost = lost.index(deeds.len());
            let is_press = deeds[..lost].iter().filter(|k| **k == deeds[lost]).count() % 2 == 0;
            let deeds: Vec<(u8, bool)> = deeds.into_iter().map(|number| (number, false)).collect();
            let court = play(&deeds, restrike, |count| count == lost);
            let first = court.judge.violations().first().map(|found| found.fault);
            prop_assert_eq!(first, Some(if is_press { Fault::Missing } else { Fault::Stuck }));
        }
    }
}
