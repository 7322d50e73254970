//! Ports lost, back and flooded; panics and resends: what is in doubt, and until when.

use std::collections::BTreeSet;

use segue::sim::{Change, ExpectId};

use super::{Excuse, FLOOD_US, Oracle, PORT_US, Port, Tenancy, release_us};

impl<'a> Oracle<'a> {
    /// Silence: nothing is held any more, and pedals that are down count from their next
    /// fresh press.
    pub(crate) fn panic(&mut self, now_us: u64) {
        self.reload(now_us);
        for receiver in 0..self.world.specs.len() {
            if self.show.rig.receivers[receiver].sounds {
                self.give_up(now_us, receiver);
            }
        }
    }

    /// Nothing more is asked of what a receiver sounds but that it ends.
    pub(super) fn give_up(&mut self, now_us: u64, receiver: usize) {
        self.judge.silence(receiver, now_us);
        // What was on its way there is lost with the line, or ends with everything.
        self.awaited.retain(|awaited| awaited.receiver != receiver);
        let tenancies = &self.tenancies;
        let is_there = |at: usize| tenancies[at].likeness.receiver == receiver;
        self.notes.retain(|note| !is_there(note.tenancy));
        self.owners.retain(|_, owner| !is_there(*owner));
        for at in 0..self.tenancies.len() {
            if self.tenancies[at].likeness.receiver == receiver {
                self.refresh(at);
            }
        }
        self.tainted.retain(|(at, _)| *at != receiver);
    }

    pub(super) fn refresh(&mut self, at: usize) {
        let tenancy = &mut self.tenancies[at];
        tenancy.told.clear();
        tenancy.hears.clear();
        tenancy.ring_until_us = 0;
        tenancy.is_tainted = false;
        tenancy.is_doubtful = false;
        tenancy.is_owed = false;
        tenancy.ghosts.clear();
        for keyboard in tenancy.feeds.clone() {
            self.link(0, at, keyboard, false);
        }
    }

    pub(crate) fn lose_port(&mut self, now_us: u64, port: usize) {
        self.ports[port] = Port::Out;
        for receiver in self.on_port(port) {
            self.give_up(now_us, receiver);
            self.effects.remove(&receiver);
        }
    }

    pub(crate) fn find_port(&mut self, now_us: u64, port: usize) {
        if self.ports[port] != Port::Out {
            return;
        }
        let boot_ms = self
            .on_port(port)
            .into_iter()
            .map(|at| self.show.rig.receivers[at].manners.boot_ms)
            .max();
        let boot_us = u64::from(boot_ms.unwrap_or(0)) * 1000;
        self.ports[port] = Port::Starting(now_us + boot_us);
        self.advance(now_us);
    }

    /// A sign of life ends the wait.
    pub(crate) fn hear_sign(&mut self, now_us: u64, port: usize) {
        if matches!(self.ports[port], Port::Starting(_)) {
            self.listen(now_us, port);
        }
    }

    pub(super) fn listen(&mut self, now_us: u64, port: usize) {
        self.ports[port] = Port::Listening;
        let receivers = self.on_port(port);
        for at in 0..self.tenancies.len() {
            if receivers.contains(&self.tenancies[at].likeness.receiver) {
                self.refresh(at);
            }
        }
        self.allow_passages(now_us);
    }

    /// Messages are refused, or more of them wait than a slow line carries in time: until
    /// that is over notes may be lost or late, what is held may be let go, and what is let
    /// go may sound on. Who holds a note holds it all the same.
    pub(crate) fn flood_port(&mut self, now_us: u64, port: usize) {
        self.flooded_us[port] = Some(now_us);
        let receivers = self.on_port(port);
        let open: Vec<ExpectId> = self
            .judge
            .open()
            .filter(|(_, expect, _)| receivers.contains(&expect.receiver))
            .map(|(id, ..)| id)
            .collect();
        for id in open {
            self.excuse(id, Excuse::Flooded);
        }
        for at in 0..self.tenancies.len() {
            if receivers.contains(&self.tenancies[at].likeness.receiver) {
                self.reload_one(now_us, at);
            }
        }
    }

    /// All that the port took has gone out. What was refused will not come; slots are set
    /// right at once if they are silent, else as soon as they are.
    pub(crate) fn drain_port(&mut self, now_us: u64, port: usize) {
        let receivers = self.on_port(port);
        let lost: Vec<ExpectId> = self
            .judge
            .open()
            .filter(|(_, expect, _)| {
                // What the engine holds back for a patch may still come.
                receivers.contains(&expect.receiver) && expect.down_us + 35_000 < now_us
            })
            .map(|(id, ..)| id)
            .collect();
        for id in lost {
            if self.judge.withdraw(id) {
                *self.excuses.entry(Excuse::Flooded).or_default() += 1;
            }
        }
        // An effects unit is sent its program again too.
        self.effects
            .retain(|receiver, _| !receivers.contains(receiver));
        self.passage_until_us = now_us + PORT_US;
        let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
        for id in open {
            self.judge.allow(id, Change::Passage);
        }
        for at in 0..self.tenancies.len() {
            if receivers.contains(&self.tenancies[at].likeness.receiver) {
                let is_held = self.is_held(at);
                let ring_until_us = self.last_ring_us(at);
                let is_ringing = ring_until_us + FLOOD_US > now_us;
                // What let it go may have come just now.
                let ring_until_us = if is_ringing {
                    ring_until_us.max(now_us + release_us(self.show, &self.tenancies[at].likeness))
                } else {
                    ring_until_us
                };
                self.reload_one(now_us, at);
                let tenancy = &mut self.tenancies[at];
                // It may have any slot of its group.
                tenancy.ring_until_us = ring_until_us;
                tenancy.is_doubtful = is_held || is_ringing;
            }
        }
    }

    /// When the last note in the group of a tenancy has rung out, those held aside.
    pub(super) fn last_ring_us(&self, at: usize) -> u64 {
        let group = |tenancy: &Tenancy| (tenancy.likeness.receiver, tenancy.likeness.group);
        let mine = group(&self.tenancies[at]);
        let like = self.tenancies.iter().filter(|other| group(other) == mine);
        like.map(|other| other.ring_until_us).max().unwrap_or(0)
    }

    /// Whether the port of a receiver was flooded at this time or later.
    pub(crate) fn is_flooded(&self, at_us: u64, receiver: usize) -> bool {
        self.flooded_us[self.world.ports[receiver]].is_some_and(|until_us| at_us <= until_us)
    }

    /// What was to be sent again goes out when the last note has rung out.
    pub(super) fn pay(&mut self, now_us: u64, at: usize) {
        let ring_until_us = self.tenancies[at].ring_until_us;
        if self.tenancies[at].is_owed && !self.is_held(at) {
            self.reload_one(ring_until_us, at);
            self.tenancies[at].is_owed = ring_until_us + PORT_US > now_us;
        }
    }

    /// Whether a sound's slot has not been set right since a flood: it has sounded on.
    pub(super) fn is_doubtful(&mut self, now_us: u64, at: usize) -> bool {
        let ring_until_us = self.tenancies[at].ring_until_us;
        let right_us = ring_until_us + FLOOD_US;
        if self.tenancies[at].is_doubtful && !self.is_held(at) && right_us < now_us {
            self.tenancies[at].is_doubtful = false;
            self.reload_one(right_us, at);
        }
        self.tenancies[at].is_doubtful
    }

    /// The state is sent again, an effects unit's program with it: a person asked for that.
    pub(crate) fn allow_passages(&mut self, now_us: u64) {
        self.passage_until_us = now_us + PORT_US;
        self.reload(now_us);
        for at in 0..self.tenancies.len() {
            self.tenancies[at].is_owed |=
                self.is_held(at) || self.tenancies[at].ring_until_us + PORT_US > now_us;
        }
        let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
        for id in open {
            self.judge.allow(id, Change::Passage);
        }
        self.effects.clear();
    }

    /// Patches may be loading again from now on.
    pub(super) fn reload(&mut self, now_us: u64) {
        for at in 0..self.tenancies.len() {
            self.reload_one(now_us, at);
        }
    }

    pub(super) fn reload_one(&mut self, now_us: u64, at: usize) {
        let tenancy = &mut self.tenancies[at];
        let manners = &self.show.rig.receivers[tenancy.likeness.receiver].manners;
        let until_us = now_us + u64::from(manners.load_ms) * 1000 + PORT_US;
        tenancy.ride_until_us = tenancy.ride_until_us.max(until_us);
    }

    /// Sounding slots of the scene are sent everything too: a person asked for that. Notes
    /// held over from other scenes are not theirs and stay protected, unless their receiver
    /// has no zone in this scene: its slots are then made for what the scene states.
    pub(crate) fn force(&mut self) {
        let played: BTreeSet<usize> = self.sounds[self.at]
            .iter()
            .map(|sound| sound.likeness.receiver)
            .collect();
        let is_meant =
            |tenancy: &Tenancy| tenancy.is_present || !played.contains(&tenancy.likeness.receiver);
        let open: Vec<ExpectId> = self
            .judge
            .open()
            .map(|(id, ..)| id)
            .filter(|id| {
                let owner = self.owners.get(id);
                owner.is_none_or(|at| is_meant(&self.tenancies[*at]))
            })
            .collect();
        for at in 0..self.tenancies.len() {
            let tenancy = &self.tenancies[at];
            if !tenancy.is_present && is_meant(tenancy) && self.is_held(at) {
                let likeness = &tenancy.likeness;
                self.tainted.insert((likeness.receiver, likeness.group));
                // Its slot is not its own any more.
                self.tenancies[at].is_tainted = true;
            }
        }
        for id in open {
            self.excuse(id, Excuse::Forced);
        }
    }

    pub(super) fn on_port(&self, port: usize) -> Vec<usize> {
        (0..self.world.ports.len())
            .filter(|at| self.world.ports[*at] == port)
            .collect()
    }
}
