//! What the fingers of a surface do, and what is to be heard of it.

use std::collections::BTreeMap;

use segue::midi::mpe::Leader;
use segue::midi::{Program, Value7};
use segue::sim::{Expect, ExpectId};

use super::{BEND, CENTRE, Note, Oracle, PRESSURE};
use crate::world::SLIDE;

/// A finger that is down, and what it does.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Touch {
    pub(crate) receiver: usize,
    pub(crate) group: usize,
    pub(crate) key: u8,
    pub(crate) velocities: (Value7, Value7),
    pub(crate) program: Option<Program>,
    pub(crate) tenancy: usize,
    /// Its place among all notes, by age.
    pub(crate) order: usize,
    pub(crate) leader: Leader,
    pub(crate) bend: u16,
    /// The bend of the whole surface, if nothing else bends the sound.
    pub(crate) whole: Option<u16>,
    /// Its pressure, if it pressed after anybody else.
    pub(crate) pressure: Option<u8>,
    pub(crate) slide: Option<u8>,
    /// How far its sound bends, on one channel.
    pub(crate) bend_range: u8,
}

impl<'a> Oracle<'a> {
    /// How many notes of one key are held in a group, by whatever hands.
    pub(crate) fn strikes(&self, (receiver, group, key): (usize, usize, u8)) -> usize {
        let is_there = |note: &&Note| {
            let likeness = &self.tenancies[note.tenancy].likeness;
            (likeness.receiver, likeness.group, note.out_key) == (receiver, group, key)
        };
        self.notes.iter().filter(is_there).count()
    }

    /// What is to be heard of each finger that is down on a sound of its own, if it is known:
    /// what leads where it sounds, by `place` (a channel, or the same for all of a sound).
    pub(crate) fn touches(&self, now_us: u64) -> Vec<Touch> {
        let expects: BTreeMap<ExpectId, &Expect> = self
            .judge
            .open()
            .map(|(id, expect, _)| (id, expect))
            .collect();
        let fingers = self.notes.iter().enumerate().filter(|(_, note)| {
            let is_sure = !self.excused.contains_key(&note.id)
                && self.tenancies[note.tenancy].ride_until_us < now_us
                && !self.tenancies[note.tenancy].is_tainted;
            self.is_finger(note.keyboard) && note.is_key_down && is_sure
        });
        let touch = |(order, note): (usize, &Note)| {
            let expect = expects.get(&note.id)?;
            let tenancy = &self.tenancies[note.tenancy];
            let surface = self.world.controllers[note.keyboard];
            let moved = |keyboard, source| self.moved.get(&(keyboard, source)).copied();
            // Others that play the sound may have the last word on what reaches all of it.
            let others = (0..self.hands.len()).filter(|at| self.world.controllers[*at] != surface);
            // Who else played a sound that was left is not known any more.
            let is_untouched = others
                .flat_map(|at| [(at, BEND), (at, PRESSURE)])
                .all(|source| !self.moved.contains_key(&source));
            let is_alone = (tenancy.is_present || is_untouched)
                && tenancy.feeds.iter().all(|feed| *feed == surface)
                && self.notes.iter().all(|other| {
                    other.tenancy != note.tenancy
                        || self.world.controllers[other.keyboard] == surface
                });
            let whole = moved(surface, BEND).map_or(CENTRE, |(_, value)| value);
            // A sound that is taken up again keeps the bend it has until that moves.
            // What moved last reaches all of a sound, and stays when its hands leave.
            let others_last = (0..self.hands.len())
                .filter(|at| self.world.controllers[*at] != surface)
                .filter_map(|at| moved(at, BEND))
                .max();
            let is_last = moved(note.keyboard, BEND).max(moved(surface, BEND)) >= others_last;
            let is_new = note.struck > tenancy.since;
            let is_whole_sure =
                moved(surface, BEND).map_or(is_untouched || is_new, |(order, _)| {
                    tenancy.is_present
                        && tenancy.feeds.contains(&surface)
                        && (is_new || order > tenancy.since)
                });
            let pressed = moved(note.keyboard, PRESSURE);
            let whole_pressed = (0..self.hands.len())
                .filter(|at| !self.is_finger(*at))
                .filter_map(|at| moved(at, PRESSURE))
                .max();
            Some(Touch {
                receiver: expect.receiver,
                group: tenancy.likeness.group,
                key: note.out_key,
                velocities: expect.velocities,
                program: expect.wanted.program,
                tenancy: note.tenancy,
                order,
                leader: note.leader,
                bend: moved(note.keyboard, BEND).map_or(CENTRE, |(_, value)| value),
                whole: (is_alone && is_whole_sure && is_last).then_some(whole),
                pressure: (whole_pressed.is_none() || pressed > whole_pressed)
                    .then(|| pressed.map_or(0, |(_, value)| value as u8)),
                slide: moved(note.keyboard, SLIDE).map(|(_, value)| value as u8),
                bend_range: tenancy.likeness.bend_range.unwrap_or(2),
            })
        };
        fingers.filter_map(touch).collect()
    }
}
