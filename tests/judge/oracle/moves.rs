//! Going to another position: what comes, what stays, what is left and how.

use std::collections::{BTreeMap, BTreeSet};

use segue::show::model::{Leave, Moved, Route};
use segue::sim::{Change, ExpectId};

use super::{
    ALL_CHANGES, CENTRE, Due, Excuse, FINGERS, HOLD, IN_SCENE, Likeness, Oracle, PORT_US,
    SOSTENUTO, Tenancy, Way, forbid_later, sounds_of,
};
use crate::world::{PAGES, Spot};

/// How long a message that might be an echo of what was sent waits to be played, in
/// microseconds: longer than any round trip of a loop.
const MAYBE_ECHO_US: u64 = 30_000;

/// Whether a group has slots for the sounds of a scene.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Room {
    Enough,
    TooLittle,
    /// Notes were harmed there, or something fades.
    Unsure,
}

impl<'a> Oracle<'a> {
    pub(crate) fn step(&mut self, now_us: u64, drains_us: &[u64]) {
        self.go(now_us, self.at.checked_add(1), Some(true), drains_us);
    }

    pub(crate) fn back(&mut self, now_us: u64, drains_us: &[u64]) {
        self.go(now_us, self.at.checked_sub(1), None, drains_us);
    }

    pub(crate) fn jump(&mut self, now_us: u64, to: usize, drains_us: &[u64]) {
        self.go(now_us, Some(to), Some(false), drains_us);
    }

    pub(crate) fn song_down(&mut self, now_us: u64, drains_us: &[u64]) {
        let to = self.song_starts.iter().copied().find(|at| *at > self.at);
        self.go(now_us, to, Some(false), drains_us);
    }

    pub(crate) fn song_up(&mut self, now_us: u64, drains_us: &[u64]) {
        let to = self
            .song_starts
            .iter()
            .rev()
            .copied()
            .find(|at| *at < self.at);
        self.go(now_us, to, None, drains_us);
    }

    /// The pedal that steps: DESIGN's live rules (40 ms bounce, 250 ms double press).
    pub(crate) fn step_pedal(&mut self, now_us: u64, is_down: bool, drains_us: &[u64]) {
        if self.pedal.is_down == is_down {
            return;
        }
        self.pedal.is_down = is_down;
        let is_near = |last: Option<u64>, us| last.is_some_and(|last| now_us - last < us);
        if is_near(self.pedal.accepted_us, 40_000) {
            return;
        }
        self.pedal.accepted_us = Some(now_us);
        if !is_down {
            return;
        }
        let (song, scene) = self.line[self.at];
        let is_brief = self.show.songs[song].scenes[scene].is_brief;
        if is_near(self.pedal.step_us, 250_000) && !is_brief {
            return;
        }
        let from = self.at;
        self.step(now_us, drains_us);
        if self.at != from {
            self.pedal.step_us = Some(now_us);
        }
    }

    /// The night is another one from now on. The show stays in its scene: where a song
    /// plays a scene several times, at the same turn of it.
    pub(crate) fn change_night(&mut self, spots: &[Spot]) {
        let here = self.line[self.at];
        let is_here = |place: &&(usize, usize)| **place == here;
        let turn = self.line[..self.at].iter().filter(is_here).count();
        self.set_line(spots);
        let mut places = self.line.iter().enumerate();
        let at = places
            .by_ref()
            .filter(|(_, place)| **place == here)
            .nth(turn);
        self.at = at.expect("the present song is never left out").0;
    }

    pub(super) fn set_line(&mut self, spots: &[Spot]) {
        self.line.clear();
        self.song_starts.clear();
        self.transposes.clear();
        self.sounds.clear();
        for spot in spots {
            if spot.is_start {
                self.song_starts.push(self.line.len());
            }
            self.line.push((spot.song, spot.scene));
            self.transposes.push(spot.transpose);
            let scene = &self.show.songs[spot.song].scenes[spot.scene];
            let sounds = sounds_of(self.show, &scene.zones, &scene.settings);
            self.sounds.push(sounds);
        }
    }

    pub(super) fn go(
        &mut self,
        now_us: u64,
        to: Option<usize>,
        cues: Option<bool>,
        drains_us: &[u64],
    ) {
        let Some(to) = to.filter(|to| *to < self.line.len()) else {
            return;
        };
        self.moved_us = Some(now_us);
        self.prune(now_us);
        let coming = self.tenants(now_us, to);
        let stays: BTreeSet<usize> = coming.iter().filter_map(|(_, at)| *at).collect();
        for at in self.present.clone() {
            self.tenancies[at].left = self.moves;
            self.tenancies[at].left_by = self.tenancies[at].feeds.clone();
            self.tenancies[at].left_us = now_us;
            let is_bent = self.bends_by_route(self.tenancies[at].likeness.receiver);
            self.tenancies[at].is_route_bent &= self.is_held(at);
            self.tenancies[at].is_route_bent |= is_bent;
            let mine = self.notes.iter().filter(|note| note.tenancy == at);
            let is_off = |at: &usize| self.hands[*at].bend.is_some_and(|bend| bend != CENTRE);
            let bent_by = mine.map(|note| note.keyboard).filter(is_off).collect();
            self.tenancies[at].bent_by = bent_by;
        }
        self.leave(now_us, &stays, drains_us);
        self.take_shortage(now_us, to, &coming);
        let from = std::mem::replace(&mut self.at, to);
        self.turn_page(from, to);
        let feeds_before: Vec<BTreeSet<usize>> =
            self.tenancies.iter().map(|t| t.feeds.clone()).collect();
        for tenancy in &mut self.tenancies {
            tenancy.is_present = false;
            tenancy.feeds.clear();
        }
        self.present = coming
            .into_iter()
            .map(|(index, at)| match at {
                Some(at) => {
                    self.stay(now_us, to, index, at, &feeds_before[at]);
                    at
                }
                None => self.move_in(now_us, to, index),
            })
            .collect();
        self.note_effects(now_us, to);
        self.expect_cues(to, cues);
    }

    /// A scene that names no page stays on the page of its song, or starts a song.
    pub(super) fn turn_page(&mut self, from: usize, to: usize) {
        let (song, scene) = self.line[to];
        let named = self.show.songs[song].scenes[scene].page;
        self.page = match named {
            Some(page) => page - 1,
            None if self.line[from].0 == song => self.page,
            None => 0,
        };
    }

    /// The number that page tablets are to show: pages are counted through the night.
    pub(crate) fn page_number(&self) -> u8 {
        (self.line[self.at].0 as u16 * PAGES + self.page) as u8
    }

    /// The tenancies that go on with the sounds of a position: those of the present scene,
    /// and those left since when nothing has moved. Where a group has no room for the other
    /// sounds beside what is held there, what was left goes on though something moved. Where
    /// it is not known whether it has, it is taken to go on, and what plays it is excused.
    pub(super) fn tenants(&mut self, now_us: u64, to: usize) -> Vec<(usize, Option<usize>)> {
        let sounds: Vec<(usize, &Likeness)> = self.sounds[to]
            .iter()
            .map(|sound| &sound.likeness)
            .enumerate()
            .collect();
        let unmoved: Vec<Option<usize>> = sounds
            .iter()
            .map(|(_, likeness)| self.tenant_of(likeness, false))
            .collect();
        let mut tenants = Vec::new();
        let is_unsure = |at: &usize| !self.tenancies[*at].is_present && self.may_have_moved(*at);
        let mut unsure: Vec<usize> = unmoved
            .iter()
            .flatten()
            .copied()
            .filter(is_unsure)
            .collect();
        for (index, likeness) in sounds {
            let at = unmoved[index].or_else(|| {
                let room = self.room(now_us, to, likeness, &unmoved);
                let left = self.tenant_of(likeness, true);
                unsure.extend(left.filter(|_| room == Room::Unsure));
                left.filter(|_| room != Room::Enough)
            });
            tenants.push((index, at));
        }
        for at in unsure {
            self.doubt(at);
        }
        tenants
    }

    /// Whether a group has room for the sounds that come beside what is held there.
    fn room(
        &self,
        now_us: u64,
        to: usize,
        likeness: &Likeness,
        going_on: &[Option<usize>],
    ) -> Room {
        let place = |likeness: &Likeness| (likeness.receiver, likeness.group);
        let (receiver, group) = place(likeness);
        if self.tainted.contains(&(receiver, group)) {
            return Room::Unsure;
        }
        let slots = self.show.rig.receivers[receiver].groups[group]
            .channels
            .len();
        let coming = self.sounds[to].iter();
        let coming = coming.filter(|sound| place(&sound.likeness) == (receiver, group));
        let others = (0..self.tenancies.len()).filter(|at| {
            place(&self.tenancies[*at].likeness) == (receiver, group)
                && !going_on.contains(&Some(*at))
        });
        // A fade ends early while its slot loads, and late on a slow port.
        let (fading, staying): (Vec<usize>, Vec<usize>) =
            others.partition(|at| self.tenancies[*at].is_fading);
        let held = staying.iter().filter(|at| self.is_held(**at)).count();
        let fading = fading.iter().filter(|at| {
            self.is_held(**at) || self.tenancies[**at].ring_until_us + PORT_US > now_us
        });
        let needed = coming.count() + held;
        if needed > slots {
            Room::TooLittle
        } else if needed + fading.count() > slots {
            Room::Unsure
        } else {
            Room::Enough
        }
    }

    /// It is not known whether a sound goes on where it was left.
    fn doubt(&mut self, at: usize) {
        let likeness = &self.tenancies[at].likeness;
        self.tainted.insert((likeness.receiver, likeness.group));
        self.tenancies[at].is_tainted = true;
        for id in self.owned_by(at) {
            self.excuse(id, Excuse::TooFewSlots);
        }
    }

    /// The notes of a sound, those that ring included.
    fn owned_by(&self, at: usize) -> Vec<ExpectId> {
        let owners = self.owners.iter();
        let mine = owners.filter(|(_, owner)| **owner == at);
        mine.map(|(id, _)| *id).collect()
    }

    /// The tenancy that goes on with this sound: in the present scene, else the one left last
    /// of those with held notes; if something moved since, only if it may have.
    fn tenant_of(&self, likeness: &Likeness, may_have_moved: bool) -> Option<usize> {
        let same = |at: &usize| self.tenancies[*at].likeness == *likeness;
        let left = |at: &usize| {
            let tenancy = &self.tenancies[*at];
            !tenancy.is_present && !tenancy.is_fading && same(at) && self.is_held(*at)
        };
        let present = self.present.iter().copied().find(|at| same(at));
        present.or_else(|| {
            (0..self.tenancies.len())
                .filter(left)
                .filter(|at| may_have_moved || !self.has_moved_since(*at))
                .max_by_key(|at| self.tenancies[*at].left)
        })
    }

    /// Whether those who played a sound that was left have moved anything since.
    fn has_moved_since(&self, at: usize) -> bool {
        let tenancy = &self.tenancies[at];
        let moved = |keyboard: &usize| self.levers.get(keyboard).copied().unwrap_or(0);
        tenancy.left_by.iter().any(|by| moved(by) > tenancy.left)
    }

    /// Whether those who played a sound that was left were flooded just before: some of that
    /// may have counted only afterwards.
    fn may_have_moved(&self, at: usize) -> bool {
        let tenancy = &self.tenancies[at];
        let flooded = |by: &usize| self.hurried_us.get(by).copied();
        let mut floods = tenancy.left_by.iter().filter_map(flooded);
        floods.any(|us| us <= tenancy.left_us && tenancy.left_us < us + MAYBE_ECHO_US)
    }

    /// `cut` and `fade`. A slot fades only if all its notes do; else those that would are
    /// let go at once.
    pub(super) fn leave(&mut self, now_us: u64, stays: &BTreeSet<usize>, drains_us: &[u64]) {
        let mut ends = BTreeMap::new();
        for at in self.present.clone() {
            if stays.contains(&at) {
                continue;
            }
            let mine: Vec<(ExpectId, Leave)> = self
                .notes
                .iter()
                .filter(|note| note.tenancy == at)
                .map(|note| (note.id, note.leave))
                .collect();
            let is_pedal_down =
                self.tenancies[at].is_down(HOLD) || self.tenancies[at].is_down(SOSTENUTO);
            let ghosts = self.tenancies[at].ghosts.iter().map(|ghost| ghost.leave);
            let leaves: Vec<Leave> = mine.iter().map(|(_, leave)| *leave).chain(ghosts).collect();
            if is_pedal_down && leaves.iter().any(|leave| *leave != leaves[0]) {
                // A pedal belongs to the whole slot: it cannot come up for some of its notes.
                for (id, leave) in &mine {
                    if *leave != Leave::Hold {
                        self.excuse(*id, Excuse::SharedSlot);
                    }
                }
            }
            let fades = |leave: &Leave| matches!(leave, Leave::Fade(_));
            // As the slot is treated: it fades if all that would hold it does, ghosts with it.
            let lasting = leaves.iter().filter(|leave| **leave != Leave::Cut);
            let fade_ms = lasting
                .map(|leave| match leave {
                    Leave::Fade(ms) => Some(*ms),
                    _ => None,
                })
                .reduce(|longest, ms| Some(longest?.max(ms?)))
                .flatten();
            let tenancy = &mut self.tenancies[at];
            if fade_ms.is_some() || is_pedal_down && tenancy.ghosts.iter().any(|g| fades(&g.leave))
            {
                let rings = self.owners.iter().filter(|(_, owner)| **owner == at);
                ends.extend(rings.map(|(id, _)| (*id, u64::MAX)));
            }
            let end_us = now_us + u64::from(fade_ms.unwrap_or(0)) * 1000;
            let ending = mine
                .iter()
                .filter(|(_, leave)| fade_ms.is_some() || *leave != Leave::Hold);
            ends.extend(ending.map(|(id, _)| (*id, end_us)));
            // What ends is forgotten with its ghosts; the pedal comes up, or stays for others.
            if fade_ms.is_some() {
                tenancy.is_fading = true;
                self.due.push((end_us, Due::Lay(at)));
            } else {
                tenancy.ghosts.retain(|ghost| ghost.leave == Leave::Hold);
            }
        }
        for (id, us) in &ends {
            self.judge.allow(*id, Change::Cut);
            if *us < u64::MAX {
                self.due.push((*us, Due::End(*id)));
            }
        }
        self.advance(now_us);
        self.hold_over(now_us, stays, &ends.into_keys().collect(), drains_us);
    }

    /// Notes and rings of sounds that do not stay.
    pub(super) fn hold_over(
        &mut self,
        now_us: u64,
        stays: &BTreeSet<usize>,
        spared: &BTreeSet<ExpectId>,
        drains_us: &[u64],
    ) {
        let open: Vec<(ExpectId, usize)> = self
            .judge
            .open()
            .map(|(id, expect, _)| (id, expect.receiver))
            .collect();
        for (id, receiver) in open {
            let Some(owner) = self.owners.get(&id).copied() else {
                continue;
            };
            if stays.contains(&owner) || spared.contains(&id) || !self.tenancies[owner].is_present {
                continue;
            }
            let way = Way {
                is_riding: self.tenancies[owner].ride_until_us > now_us,
                is_bent: self.is_bent(id),
                is_fingered: self.has_fingers(owner),
            };
            let drain_us = drains_us[self.world.ports[receiver]];
            if drain_us > 0 {
                self.due
                    .retain(|(_, due)| !matches!(due, Due::Leave(other, _) if *other == id));
                self.due.push((now_us + drain_us, Due::Leave(id, way)));
            } else {
                self.leave_now(now_us, id, way);
            }
        }
    }

    /// From now on the note hears nothing of the new scene: only its own pressure, its own
    /// bend on the way back, and the rest of a level that was already on its way.
    pub(super) fn leave_now(&mut self, now_us: u64, id: ExpectId, way: Way) {
        // Given up meanwhile, as by a panic.
        let Some(owner) = self.owners.get(&id).copied() else {
            return;
        };
        self.judge.hold_over(id);
        if now_us < self.passage_until_us {
            self.judge.allow(id, Change::Passage);
        }
        // All wheels may be on their way back.
        let is_released = self.released_us.is_some_and(|us| us + PORT_US > now_us);
        if way.is_bent || is_released {
            self.judge.allow(id, Change::Bend);
        }
        if way.is_bent && !self.is_bent(id) {
            // It went back while the line was busy.
            forbid_later(&mut self.due, now_us + PORT_US, id, Change::Bend);
        }
        if way.is_fingered {
            for change in FINGERS {
                self.judge.allow(id, change);
                if !self.has_fingers(owner) {
                    // They lifted while the line was busy.
                    forbid_later(&mut self.due, now_us + PORT_US, id, change);
                }
            }
        }
        let ride_us = self.tenancies[owner].ride_until_us.max(now_us);
        if way.is_riding {
            for change in [Change::Level, Change::Pan, Change::Control, Change::Bend] {
                self.judge.allow(id, change);
                forbid_later(&mut self.due, ride_us + PORT_US, id, change);
            }
        }
        if self.excused.contains_key(&id) {
            for change in ALL_CHANGES {
                self.judge.allow(id, change);
            }
        }
    }

    /// Whether a route of the present scene bends a receiver's sounds.
    pub(super) fn bends_by_route(&self, receiver: usize) -> bool {
        let mut routes = self.routes(self.at).iter();
        routes.any(|route| (route.target.receiver, route.target.what) == (receiver, Moved::Bend))
    }

    /// The routes of a position's scene.
    pub(crate) fn routes(&self, at: usize) -> &'a [Route] {
        let (song, scene) = self.line[at];
        &self.show.songs[song].scenes[scene].routes
    }

    /// A group that has fewer slots than sounds to keep: what is left there may be harmed.
    pub(super) fn take_shortage(
        &mut self,
        now_us: u64,
        to: usize,
        coming: &[(usize, Option<usize>)],
    ) {
        let mut groups: BTreeMap<(usize, usize), (usize, Vec<usize>)> = BTreeMap::new();
        for (index, at) in coming {
            let likeness = &self.sounds[to][*index].likeness;
            let group = groups
                .entry((likeness.receiver, likeness.group))
                .or_default();
            group.0 += 1;
            group.1.extend(at);
        }
        for ((receiver, group), (sounds, stays)) in groups {
            let size = self.show.rig.receivers[receiver].groups[group]
                .channels
                .len();
            let mine = |tenancy: &Tenancy| {
                (tenancy.likeness.receiver, tenancy.likeness.group) == (receiver, group)
            };
            let left: Vec<usize> = (0..self.tenancies.len())
                .filter(|at| mine(&self.tenancies[*at]) && !stays.contains(at))
                .collect();
            let held = left.iter().filter(|at| self.is_held(**at)).count();
            let rings = |at: &&usize| {
                self.is_held(**at) || self.tenancies[**at].ring_until_us + PORT_US > now_us
            };
            let busy = left.iter().filter(rings).count();
            let news = sounds - stays.len();
            let is_tainted = self.tainted.contains(&(receiver, group));
            if !is_tainted && (news == 0 || busy + sounds <= size) {
                continue;
            }
            // Once notes were harmed it is not known which are left.
            let is_harmed = is_tainted || (held + sounds) > size;
            // If there is room beside the held notes, only slots that merely ring are taken.
            let spared = left.iter().filter(|at| is_harmed || !self.is_held(**at));
            let owned: Vec<ExpectId> = self
                .owners
                .iter()
                .filter(|(_, owner)| spared.clone().any(|at| at == *owner))
                .map(|(id, _)| *id)
                .collect();
            for id in owned {
                self.excuse(id, Excuse::TooFewSlots);
            }
            self.harm_allowed += if is_tainted {
                sounds as u64
            } else {
                (held + sounds).saturating_sub(size) as u64
            };
            for at in left {
                self.tenancies[at].is_tainted |= is_harmed;
            }
            if is_harmed {
                self.tainted.insert((receiver, group));
            }
        }
    }

    /// A sound that comes: pedals that are down count from their next fresh press, unless
    /// a zone catches them.
    pub(super) fn move_in(&mut self, now_us: u64, to: usize, index: usize) -> usize {
        let likeness = self.sounds[to][index].likeness.clone();
        let load_ms = self.show.rig.receivers[likeness.receiver].manners.load_ms;
        let group = (likeness.receiver, likeness.group);
        self.tenancies.push(Tenancy {
            is_tainted: self.tainted.contains(&group),
            is_doubtful: false,
            is_owed: false,
            is_route_bent: false,
            bent_by: BTreeSet::new(),
            ghosts: Vec::new(),
            likeness,
            level: self.sounds[to][index].level,
            feeds: BTreeSet::new(),
            told: BTreeMap::new(),
            hears: BTreeMap::new(),
            is_present: true,
            since: self.moves,
            left: self.moves,
            left_by: BTreeSet::new(),
            left_us: now_us,
            is_fading: false,
            ring_until_us: 0,
            // A slow port adds to the loading time.
            ride_until_us: now_us + u64::from(load_ms) * 1000 + u64::from(load_ms > 0) * PORT_US,
        });
        let at = self.tenancies.len() - 1;
        for (keyboard, catches) in self.feeds(to, index) {
            self.link(0, at, keyboard, catches);
        }
        at
    }

    pub(super) fn stay(
        &mut self,
        now_us: u64,
        to: usize,
        index: usize,
        at: usize,
        fed_before: &BTreeSet<usize>,
    ) {
        let level = self.sounds[to][index].level;
        let moves = self.moves;
        let tenancy = &mut self.tenancies[at];
        tenancy.is_present = true;
        if tenancy.level != level || tenancy.ride_until_us > now_us {
            // A ride on its way starts anew from where it is.
            tenancy.level = level;
            // The last value of the ride may wait for a slow port.
            tenancy.ride_until_us = tenancy.ride_until_us.max(now_us + 50_000 + 30_000);
        }
        let owned = self.owned_by(at);
        // Whatever was to be forbidden since its scene was left is the scene's own again.
        self.due.retain(|(_, due)| match due {
            Due::Forbid(id, _) | Due::Leave(id, _) => !owned.contains(id),
            Due::End(_) | Due::Lay(_) => true,
        });
        for id in owned {
            for change in IN_SCENE {
                self.judge.allow(id, change);
            }
        }
        for (keyboard, catches) in self.feeds(to, index) {
            if !fed_before.contains(&keyboard) {
                self.tenancies[at].since = moves;
            }
            if !fed_before.contains(&keyboard) || catches {
                self.link(now_us, at, keyboard, catches);
            } else {
                self.tenancies[at].feeds.insert(keyboard);
            }
        }
    }

    pub(super) fn link(&mut self, now_us: u64, at: usize, keyboard: usize, catches: bool) {
        for pedal in [HOLD, SOSTENUTO] {
            let is_down = self.hands[keyboard].pedals[pedal] >= 64;
            // Sostenuto holds what is down as it goes down: without a note it holds nothing.
            let catches = catches && (pedal == HOLD || self.is_held(at));
            let tenancy = &mut self.tenancies[at];
            let was_down = tenancy.is_down(pedal);
            tenancy.feeds.insert(keyboard);
            let told = tenancy.told.entry(keyboard).or_default();
            let hears = !is_down || catches || told[pedal];
            if hears {
                told[pedal] = is_down;
            }
            tenancy.hears.entry(keyboard).or_default()[pedal] = hears;
            self.follow_edge(now_us, at, pedal, was_down);
        }
    }

    /// Keyboards with a zone on a sound, and whether one of those zones catches.
    pub(super) fn feeds(&self, to: usize, index: usize) -> BTreeMap<usize, bool> {
        let mut feeds = BTreeMap::new();
        for zone in &self.sounds[to][index].zones {
            let zone = self.zone(to, *zone);
            *feeds.entry(zone.controller).or_insert(false) |= zone.catches;
        }
        feeds
    }

    /// An effects unit changes its program only if the scene says another one.
    pub(super) fn note_effects(&mut self, now_us: u64, to: usize) {
        let (song, scene) = self.line[to];
        let show = self.show;
        for stated in &show.songs[song].scenes[scene].patches {
            if self.effects.insert(stated.receiver, stated.patch) == Some(stated.patch) {
                continue;
            }
            self.passage_until_us = now_us + PORT_US;
            let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
            for id in open {
                self.judge.allow(id, Change::Passage);
            }
        }
    }

    /// Cues go out on a step; on a jump those that say so; never on a way back.
    pub(super) fn expect_cues(&mut self, to: usize, cues: Option<bool>) {
        let (song, scene) = self.line[to];
        for cue in &self.show.songs[song].scenes[scene].cues {
            let is_due = cues.is_some_and(|is_step| is_step || cue.on_jump);
            if is_due && self.is_listening(self.world.ports[cue.receiver]) {
                let scenes_before: usize = self.show.songs[..song]
                    .iter()
                    .map(|song| song.scenes.len())
                    .sum();
                self.cues
                    .push((cue.receiver, (scenes_before + scene) as u8));
            }
        }
    }
}
