//! What hands and feet do: which notes are asked for, who holds them, and what moves.

use std::collections::BTreeSet;

use segue::midi::Key;
use segue::show::model::{BankBytes, Leave, Zone};
use segue::sim::{Change, Expect, ExpectId, Holder, Restrike, Wanted};

use super::sounds::sent_for;
use super::{
    Awaited, BEND, CENTRE, Due, Excuse, FINGERS, Ghost, HOLD, Note, Oracle, PEDALS, PORT_US,
    PRESSURE, SOSTENUTO, SourceName, forbid_later, release_us,
};
use crate::world::SLIDE;

impl<'a> Oracle<'a> {
    pub(crate) fn press_key(&mut self, now_us: u64, keyboard: usize, key: u8, velocity: u8) {
        self.lift_key(now_us, keyboard, key);
        self.hands[keyboard].keys.insert(key);
        if self.is_muted {
            return;
        }
        let mut hits = Vec::new();
        for (index, sound) in self.sounds[self.at].iter().enumerate() {
            for number in &sound.zones {
                let zone = self.zone(self.at, *number);
                let is_hit = zone.controller == self.world.controllers[keyboard]
                    && (zone.keys.0.get()..=zone.keys.1.get()).contains(&key)
                    && (zone.velocities.0.get()..=zone.velocities.1.get()).contains(&velocity);
                if is_hit {
                    hits.push((zone.keys, *number, index));
                }
            }
        }
        // The same note with the same patch on two slots is told apart by its order alone:
        // zones sound from the lowest up.
        hits.sort();
        // Zones that lead one press to one note of one sound ask for it once.
        let mut notes: Vec<(usize, i32, Vec<&'a Zone>)> = Vec::new();
        for (_, number, sound) in hits {
            let zone = self.zone(self.at, number);
            let out_key = self.out_key(zone, key);
            match notes
                .iter_mut()
                .find(|note| (note.0, note.1) == (sound, out_key))
            {
                Some((.., zones)) => zones.push(zone),
                None => notes.push((sound, out_key, vec![zone])),
            }
        }
        for (sound, _, zones) in notes {
            self.ask(now_us, sound, &zones, (keyboard, key, velocity));
        }
    }

    /// Where a zone leads a key, be there such a key or not.
    fn out_key(&self, zone: &Zone, key: u8) -> i32 {
        let others = if zone.is_never_transposed {
            0
        } else {
            self.transposes[self.at]
        };
        i32::from(key) + i32::from(zone.transpose) + others
    }

    pub(super) fn ask(
        &mut self,
        now_us: u64,
        sound: usize,
        zones: &[&Zone],
        (keyboard, key, velocity): (usize, u8, u8),
    ) {
        let [zone, ..] = zones else {
            return;
        };
        let out_key = self.out_key(zone, key);
        let receiver = &self.show.rig.receivers[zone.receiver];
        if !(0..128).contains(&out_key) || !self.is_listening(self.world.ports[zone.receiver]) {
            return;
        }
        let patch = zone.patch.map(|at| &receiver.patches.patches[at]);
        let bank = receiver.manners.bank;
        let heeds = |one: BankBytes| bank == one || bank == BankBytes::Both;
        let expect = Expect {
            down_us: now_us,
            receiver: zone.receiver,
            wanted: Wanted {
                bank_msb: patch
                    .and_then(|patch| patch.bank_msb)
                    .filter(|_| heeds(BankBytes::Msb)),
                bank_lsb: patch
                    .and_then(|patch| patch.bank_lsb)
                    .filter(|_| heeds(BankBytes::Lsb)),
                program: patch.map(|patch| patch.program),
                group: Some(zone.group as u8),
            },
            key: Key::clamped(out_key),
            // The loudest of them is heard.
            velocities: zones
                .iter()
                .map(|zone| sent_for(zone, &self.show.rig.curves[zone.curve], velocity))
                .reduce(|a, b| (a.0.max(b.0), a.1.max(b.1)))
                .expect("some zone asks for it"),
        };
        self.presses += 1;
        let id = self.judge.expect(expect);
        let at = self.present[sound];
        self.owners.insert(id, at);
        self.pressed_us.insert(id, now_us);
        self.asked.push((at, now_us));
        if self.tenancies[at].is_tainted {
            self.cover(id, Excuse::TooFewSlots);
        }
        self.pay(now_us, at);
        self.awaited.push(Awaited {
            id,
            receiver: zone.receiver,
            due_us: now_us + self.held_back_us(now_us, at),
            is_end: false,
        });
        if self.is_doubtful(now_us, at) {
            self.excuse(id, Excuse::Flooded);
        }
        let is_sustained = self.tenancies[at].is_down(HOLD);
        if now_us < self.passage_until_us {
            self.judge.allow(id, Change::Passage);
        }
        if self.world.specs[zone.receiver].manners.restrike == Restrike::Replace {
            if receiver.groups[zone.group].mpe.is_empty() {
                self.replace(now_us, at, out_key as u8);
            } else {
                self.doubt_replaced(at, out_key as u8, id);
            }
        }
        if is_sustained {
            self.judge.hold(id, Holder::Hold);
        }
        self.notes.push(Note {
            id,
            keyboard,
            key,
            out_key: out_key as u8,
            tenancy: at,
            leave: longest(zones),
            is_key_down: true,
            is_latched: false,
            is_sustained,
            leader: zone.finger,
            struck: self.moves + 1,
        });
    }

    /// The same on an MPE zone: only on one member does it give way, and which one a note
    /// takes is not known.
    pub(super) fn doubt_replaced(&mut self, tenancy: usize, out_key: u8, id: ExpectId) {
        let is_like = |note: &&Note| (note.tenancy, note.out_key) == (tenancy, out_key);
        let mut like: Vec<ExpectId> = self.notes.iter().filter(is_like).map(|n| n.id).collect();
        if !like.is_empty() {
            like.push(id);
        }
        for id in like {
            self.excuse(id, Excuse::SharedSlot);
        }
    }

    /// A receiver that keeps one voice a key: a note that only pedals hold gives way to the
    /// new one, and what sostenuto had latched is not latched any more.
    pub(super) fn replace(&mut self, now_us: u64, tenancy: usize, out_key: u8) {
        for note in &mut self.notes {
            if note.tenancy != tenancy || note.out_key != out_key {
                continue;
            }
            let pedals = [note.is_sustained && !note.is_key_down, note.is_latched];
            if pedals.contains(&true) {
                self.tenancies[tenancy].ghosts.push(Ghost {
                    keyboard: note.keyboard,
                    leave: note.leave,
                    key: None,
                    pedals,
                });
            }
            note.is_latched = false;
            self.judge.let_go(note.id, Holder::Sostenuto, now_us);
            if !note.is_key_down {
                note.is_sustained = false;
                self.judge.let_go(note.id, Holder::Hold, now_us);
            }
        }
        self.settle(now_us);
    }

    pub(crate) fn lift_key(&mut self, now_us: u64, keyboard: usize, key: u8) {
        self.hands[keyboard].keys.remove(&key);
        let left: BTreeSet<usize> = self
            .notes
            .iter()
            .filter(|note| note.keyboard == keyboard && note.key == key && note.is_key_down)
            .map(|note| note.tenancy)
            .filter(|at| self.is_finger(keyboard) && !self.tenancies[*at].is_present)
            .collect();
        self.lift(now_us, keyboard, key);
        // With the last finger what it did is over for what rings there.
        let over: Vec<usize> = left
            .into_iter()
            .filter(|at| !self.has_fingers(*at))
            .collect();
        for at in over {
            for (id, _) in self.owners.iter().filter(|(_, owner)| **owner == at) {
                for change in FINGERS {
                    forbid_later(&mut self.due, now_us + PORT_US, *id, change);
                }
            }
        }
    }

    pub(super) fn lift(&mut self, now_us: u64, keyboard: usize, key: u8) {
        for note in &mut self.notes {
            if note.keyboard == keyboard && note.key == key && note.is_key_down {
                note.is_key_down = false;
                self.judge.let_go(note.id, Holder::Key, now_us);
            }
        }
        for at in 0..self.tenancies.len() {
            for ghost in &mut self.tenancies[at].ghosts {
                if ghost.keyboard == keyboard && ghost.key == Some(key) {
                    ghost.key = None;
                }
            }
            self.lay_ghosts(now_us, at);
        }
        self.settle(now_us);
    }

    /// Forgets the ghosts that nothing would hold; their rings would begin.
    pub(super) fn lay_ghosts(&mut self, now_us: u64, at: usize) {
        let tenancy = &mut self.tenancies[at];
        let release_us = release_us(self.show, &tenancy.likeness);
        let before = tenancy.ghosts.len();
        tenancy.ghosts.retain(Ghost::is_held);
        if tenancy.ghosts.len() < before {
            tenancy.ring_until_us = tenancy.ring_until_us.max(now_us + release_us);
        }
    }

    /// Forgets the notes that nothing holds; their rings begin.
    pub(super) fn settle(&mut self, now_us: u64) {
        let gone = self.notes.iter().filter(|note| !note.is_held());
        let gone: Vec<Note> = gone.cloned().collect();
        self.end(now_us, |note| !note.is_held());
        for note in gone {
            self.await_end(now_us, &note);
        }
    }

    pub(super) fn end(&mut self, now_us: u64, is_meant: impl Fn(&Note) -> bool) {
        let show = self.show;
        let tenancies = &mut self.tenancies;
        let ended = &mut self.ended;
        self.notes.retain(|note| {
            if is_meant(note) {
                ended.push((now_us, note.id, note.tenancy));
                let tenancy = &mut tenancies[note.tenancy];
                let release_us = release_us(show, &tenancy.likeness);
                tenancy.ring_until_us = tenancy.ring_until_us.max(now_us + release_us);
            }
            !is_meant(note)
        });
    }

    /// Very much comes at once from a keyboard's controller.
    pub(crate) fn flood(&mut self, now_us: u64, keyboard: usize) {
        self.hurried_us
            .insert(self.world.controllers[keyboard], now_us);
    }

    pub(crate) fn move_source(&mut self, now_us: u64, keyboard: usize, number: u8, value: u8) {
        if let Some(pedal) = PEDALS.iter().position(|pedal| *pedal == number) {
            self.move_pedal(now_us, keyboard, pedal, value);
        } else if number != 67 {
            self.note_movement((keyboard, number), u16::from(value));
        }
    }

    pub(super) fn note_movement(&mut self, source: SourceName, value: u16) {
        self.moves += 1;
        self.moved.insert(source, (self.moves, value));
        self.levers
            .insert(self.world.controllers[source.0], self.moves);
    }

    pub(super) fn move_pedal(&mut self, now_us: u64, keyboard: usize, pedal: usize, value: u8) {
        let was_pressed = self.hands[keyboard].pedals[pedal] >= 64;
        self.hands[keyboard].pedals[pedal] = value;
        let is_down = value >= 64;
        let is_fresh = is_down && !was_pressed;
        for at in 0..self.tenancies.len() {
            if !self.is_listening(self.world.ports[self.tenancies[at].likeness.receiver]) {
                continue;
            }
            let may_hold = is_fresh && self.is_left_to(keyboard, at);
            let tenancy = &mut self.tenancies[at];
            let was_down = tenancy.is_down(pedal);
            if tenancy.is_present && tenancy.feeds.contains(&keyboard) {
                let hears = tenancy.hears.entry(keyboard).or_default();
                hears[pedal] |= !is_down;
                if hears[pedal] {
                    tenancy.told.entry(keyboard).or_default()[pedal] = is_down;
                }
            } else if !is_down || may_hold {
                tenancy.told.entry(keyboard).or_default()[pedal] = is_down;
            }
            self.follow_edge(now_us, at, pedal, was_down);
        }
    }

    /// Whether a sound of a scene that was left is this keyboard's alone: a key of it still
    /// holds a note there, and whatever else is held there is its own. A fresh press holds
    /// held-over notes too, unless that would touch what others hold, or what ends by `fade`.
    fn is_left_to(&self, keyboard: usize, at: usize) -> bool {
        let tenancy = &self.tenancies[at];
        let is_own = |hands: usize| self.world.controllers[hands] == keyboard;
        let notes = || self.notes.iter().filter(|note| note.tenancy == at);
        !tenancy.is_present
            && !tenancy.is_fading
            && notes().any(|note| note.is_key_down)
            && notes().all(|note| is_own(note.keyboard))
            && tenancy.ghosts.iter().all(|ghost| is_own(ghost.keyboard))
    }

    pub(super) fn follow_edge(&mut self, now_us: u64, at: usize, pedal: usize, was_down: bool) {
        let is_down = self.tenancies[at].is_down(pedal);
        if was_down == is_down {
            return;
        }
        for ghost in &mut self.tenancies[at].ghosts {
            ghost.pedals[pedal] = is_down && (pedal == HOLD || ghost.key.is_some());
        }
        self.lay_ghosts(now_us, at);
        for note in self.notes.iter_mut().filter(|note| note.tenancy == at) {
            match (pedal, is_down) {
                (HOLD, true) => {
                    note.is_sustained = true;
                    self.judge.hold(note.id, Holder::Hold);
                }
                (HOLD, false) => {
                    note.is_sustained = false;
                    self.judge.let_go(note.id, Holder::Hold, now_us);
                }
                (_, true) if note.is_key_down => {
                    note.is_latched = true;
                    self.judge.hold(note.id, Holder::Sostenuto);
                }
                (_, true) => {}
                (_, false) => {
                    note.is_latched = false;
                    self.judge.let_go(note.id, Holder::Sostenuto, now_us);
                }
            }
        }
        self.settle(now_us);
    }

    pub(crate) fn bend(&mut self, now_us: u64, keyboard: usize, value: u16) {
        let before = self.hands[keyboard].bend.unwrap_or(CENTRE);
        self.hands[keyboard].bend = Some(value);
        self.note_movement((keyboard, BEND), value);
        let is_back = value == CENTRE || (before > CENTRE) != (value > CENTRE);
        if is_back {
            for tenancy in &mut self.tenancies {
                tenancy.bent_by.remove(&keyboard);
            }
            for note in &self.notes {
                if !self.tenancies[note.tenancy].is_present {
                    forbid_later(&mut self.due, now_us + PORT_US, note.id, Change::Bend);
                }
            }
        }
    }

    pub(crate) fn slide(&mut self, finger: usize, value: u8) {
        self.note_movement((finger, SLIDE), u16::from(value));
    }

    /// Whether hands are a finger of the surface.
    pub(crate) fn is_finger(&self, keyboard: usize) -> bool {
        self.world.controllers[keyboard] != keyboard
    }

    /// Whether more fingers are down on a sound than `known`.
    pub(crate) fn has_unsure(&self, tenancy: usize, known: usize) -> bool {
        let notes = self.notes.iter().filter(|note| {
            note.tenancy == tenancy && note.is_key_down && self.is_finger(note.keyboard)
        });
        notes.count() != known
    }

    /// Whether keys of an ordinary keyboard hold notes where fingers may.
    pub(crate) fn has_keys(&self, tenancy: usize) -> bool {
        let mut notes = self.notes.iter().filter(|note| note.tenancy == tenancy);
        notes.any(|note| !self.is_finger(note.keyboard))
    }

    pub(super) fn is_fingered(&self, id: ExpectId) -> bool {
        let owner = self.owners.get(&id);
        owner.is_some_and(|owner| self.has_fingers(*owner))
    }

    /// Whether fingers have notes where this note sounds.
    pub(super) fn has_fingers(&self, tenancy: usize) -> bool {
        let mut notes = self.notes.iter();
        notes.any(|note| {
            note.tenancy == tenancy && note.is_key_down && self.is_finger(note.keyboard)
        })
    }

    pub(crate) fn press(&mut self, keyboard: usize, value: u8) {
        self.hands[keyboard].pressure = value;
        self.note_movement((keyboard, PRESSURE), u16::from(value));
    }

    /// A keyboard's hold on everything ends.
    pub(crate) fn let_go_of(&mut self, now_us: u64, keyboard: usize) {
        for key in self.hands[keyboard].keys.clone() {
            self.lift_key(now_us, keyboard, key);
        }
        if self.is_finger(keyboard) {
            self.hands[keyboard].bend = None;
            self.hands[keyboard].pressure = 0;
            for source in [BEND, PRESSURE, SLIDE] {
                self.moved.remove(&(keyboard, source));
            }
            return;
        }
        for pedal in [HOLD, SOSTENUTO] {
            self.move_pedal(now_us, keyboard, pedal, 0);
        }
        if self.hands[keyboard].bend.is_some_and(|bend| bend != CENTRE) {
            self.bend(now_us, keyboard, CENTRE);
        }
        if self.hands[keyboard].pressure > 0 {
            self.press(keyboard, 0);
        }
    }

    pub(crate) fn release_all(&mut self, now_us: u64) {
        let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
        for id in open {
            self.judge.allow(id, Change::Bend);
        }
        // All wheels go back, whatever was forbidden when only some of them had.
        self.due
            .retain(|(_, due)| !matches!(due, Due::Forbid(_, Change::Bend)));
        for keyboard in 0..self.hands.len() {
            self.let_go_of(now_us, keyboard);
        }
        self.pedal.is_down = false;
        self.was_released = true;
        self.released_us = Some(now_us);
        for at in 0..self.tenancies.len() {
            for pedal in [HOLD, SOSTENUTO] {
                let was_down = self.tenancies[at].is_down(pedal);
                for told in self.tenancies[at].told.values_mut() {
                    told[pedal] = false;
                }
                self.follow_edge(now_us, at, pedal, was_down);
            }
        }
    }

    pub(crate) fn mute(&mut self, is_muted: bool) {
        self.is_muted = is_muted;
    }
}

/// How a note leaves its scene that several zones ask for: as the one does that keeps it
/// longest.
fn longest(zones: &[&Zone]) -> Leave {
    let leaves = zones.iter().map(|zone| match zone.leave {
        Leave::Fade(0) => Leave::Cut,
        leave => leave,
    });
    let keeps_ms = |leave: &Leave| match leave {
        Leave::Cut => 0,
        Leave::Fade(ms) => u32::from(*ms),
        Leave::Hold => u32::MAX,
    };
    leaves.max_by_key(keeps_ms).unwrap_or(Leave::Hold)
}
