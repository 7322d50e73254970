//! Why a violation is not one.

use segue::midi::{Key, Program, Value7};
use segue::sim::ExpectId;

use super::{ALL_CHANGES, HOLD, Note, Oracle, PORT_US, SOSTENUTO};

/// Why a violation is not one. Counted, so that a rule cannot be excused away.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Excuse {
    /// The group had fewer slots than sounds that were to be kept: some had to be taken. Until
    /// the group is quiet nobody knows whose notes were harmed. Where only rings stood in the
    /// way, only they are covered.
    TooFewSlots,
    /// A note was sent 30 ms after its press, the longest that DESIGN lets it wait, and the
    /// receiver, still loading, lost it.
    LostInLoading,
    /// The port refused messages, or had more than it carries in time. Covers what sounded or
    /// was asked for until it had drained, and sounds that have not been silent since.
    Flooded,
    /// Channel pressure or bend of one note reaches all notes of its slot: MIDI has no other.
    SharedSlot,
    /// It sounded when the cable came out, and nothing reaches it.
    CableOut,
    /// A person had everything sent again, sounding slots of the scene too.
    Forced,
    /// It waited for a slow port when a panic came, and ends at once.
    InFlight,
    /// A note struck while its patch loads is silent until the level comes; a pedal told
    /// when the patch has loaded is too late for a key let go before, and then holds what was
    /// struck since the loading began, until it comes up: stated limits.
    Loading,
}

/// A note that a receiver says it lost while a patch loaded.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lost {
    pub(crate) key: Key,
    pub(crate) velocity: Value7,
    pub(crate) program: Program,
    pub(crate) group: u8,
}

impl<'a> Oracle<'a> {
    /// Whether another note holds the slot of this one, or did while what it heard waited
    /// for a slow port.
    pub(crate) fn is_shared(&self, id: ExpectId, at_us: u64) -> bool {
        let holding = self.notes.iter().map(|note| (note.id, note.tenancy));
        let lately = self.ended.iter().filter(|(us, ..)| us + PORT_US > at_us);
        let mut others = holding
            .chain(lately.map(|(_, other, at)| (*other, *at)))
            .filter(|(other, _)| *other != id);
        let owner = self.owners.get(&id);
        owner.is_some_and(|owner| others.any(|(_, at)| at == *owner))
    }

    /// The excuse of another key that holds the same note: what became of its own voice, the
    /// note goes on for it.
    pub(crate) fn is_claimed(&self, id: ExpectId) -> Option<Excuse> {
        let owner = self.owners.get(&id)?;
        let (_, expect, _) = self.judge.open().find(|(open, ..)| *open == id)?;
        let is_same = |note: &&Note| note.tenancy == *owner && note.out_key == expect.key.get();
        let held = self.notes.iter().filter(is_same).map(|note| note.id);
        let open = self.judge.open().filter(|(other, other_expect, _)| {
            other_expect.key == expect.key && self.owners.get(other) == Some(owner)
        });
        held.chain(open.map(|(other, ..)| other))
            .filter(|other| *other != id)
            .find_map(|other| self.excused.get(&other).copied())
    }

    /// Violations that name this note are excused from now on.
    pub(super) fn cover(&mut self, id: ExpectId, why: Excuse) {
        if self.excused.insert(id, why).is_none() {
            *self.spared.entry(why).or_default() += 1;
        }
    }

    /// The same, and nothing that it hears is a violation.
    pub(super) fn excuse(&mut self, id: ExpectId, why: Excuse) {
        self.cover(id, why);
        for change in ALL_CHANGES {
            self.judge.allow(id, change);
        }
    }

    /// Whether a note was let go, or struck under sostenuto, while its slot loads: a pedal
    /// that it caught is told when the patch has loaded, and so too late or too early for it.
    pub(crate) fn caught_too_late(&self, id: ExpectId, at_us: u64, struck_us: u64) -> bool {
        // Its voice may be one that another key struck since, which goes on for it.
        let struck_us =
            (self.pressed_us.get(&id).copied()).map_or(struck_us, |us| us.min(struck_us));
        self.owners.get(&id).is_some_and(|owner| {
            let tenancy = &self.tenancies[*owner];
            let manners = &self.show.rig.receivers[tenancy.likeness.receiver].manners;
            let until_us = tenancy.ride_until_us;
            manners.load_ms > 0
                && (at_us < until_us && tenancy.is_down(HOLD)
                    || struck_us < until_us && tenancy.is_down(SOSTENUTO))
        })
    }

    /// Whether a note was struck while its slot loads, and a pedal was down by the time it had
    /// loaded: told then, it takes the note along, be its key up by now, until it comes up.
    pub(crate) fn taken_along(&self, id: ExpectId, struck_us: u64, pedal: usize) -> bool {
        self.owners.get(&id).is_some_and(|owner| {
            let tenancy = &self.tenancies[*owner];
            struck_us < tenancy.ride_until_us && tenancy.is_down(pedal)
        })
    }

    /// A receiver said that it lost a note because it was loading. True if the note had
    /// been held back for the 30 ms that DESIGN allows (if the rig says so), so that nothing
    /// is wrong.
    pub(crate) fn lose_note(&mut self, at_us: u64, receiver: usize, lost: Lost) -> bool {
        let waits = self.show.rig.receivers[receiver].manners.holds_back;
        // At the program's end nothing waits any more.
        let waited_us = if waits && !self.was_released {
            30_000
        } else {
            0
        };
        // What waits for a slot is sent together, when the first of it has waited enough.
        let has_waited = |id: &ExpectId, down_us: u64| {
            let owner = self.owners.get(id);
            let first_us = self
                .asked
                .iter()
                .filter(|(tenancy, first_us)| Some(tenancy) == owner && first_us + PORT_US > at_us)
                .map(|(_, first_us)| *first_us)
                .min();
            // What still waits when its slot is taken for another sound is sent at once, or it
            // would sound with that.
            let is_hurried = |moved_us: u64| {
                down_us <= moved_us && moved_us <= at_us && at_us < moved_us + PORT_US
            };
            self.moved_us.is_some_and(is_hurried)
                || first_us.unwrap_or(down_us) + waited_us <= at_us
        };
        let candidates: Vec<ExpectId> = self
            .judge
            .open()
            .filter(|(id, expect, _)| {
                let (low, high) = expect.velocities;
                expect.receiver == receiver
                    && expect.key == lost.key
                    && (low..=high).contains(&lost.velocity)
                    && expect.wanted.program == Some(lost.program)
                    && expect.wanted.group == Some(lost.group)
                    && has_waited(id, expect.down_us)
                    && expect.down_us + PORT_US > at_us
            })
            .map(|(id, ..)| id)
            .collect();
        let found = candidates.into_iter().find(|id| self.judge.withdraw(*id));
        if let Some(id) = found {
            *self.excuses.entry(Excuse::LostInLoading).or_default() += 1;
            // Its key still holds the note for others.
            self.excused.insert(id, Excuse::LostInLoading);
        }
        found.is_some()
    }
}
