//! What hands move, thinned for slow lines.
//!
//! On a line of DIN speed a movement is sent at once if the line has nothing live left to
//! carry and was not moved on a moment ago; else it is noted that something moved, and when
//! its turn comes the present position goes out, whatever lay between. So the first value
//! goes at once, the last one always arrives, and a note finds at most one movement before
//! it. Movements take turns, slot by slot and within a slot one by one.

use super::input::Urgency;
use super::machine::{Call, Machine};
use super::pedals::PEDALS;
use super::promptbook::{OutPort, SlotId};
use super::spare::Wiring;
use crate::midi::{Channel, Controller, Message, Value7};

/// A line whose byte takes this long or longer is slow: 31,250 baud, ten bits a byte (MIDI
/// 1.0).
const SLOW_BYTE_US: u64 = 320;
/// Movements may use at most one part in `SHARE` of a slow line.
const SHARE: u64 = 2;

/// Where in a slot's set of movements the bend is; before it are the controllers.
pub(super) const BEND: u8 = 128;
/// The channel pressure.
pub(super) const PRESSURE: u8 = 129;
/// The first of the three pedals.
pub(super) const FIRST_PEDAL: u8 = 130;
/// The first axis of the first member of an MPE zone: three for each of fifteen members.
pub(super) const FIRST_MEMBER: u8 = 133;

/// Movements that wait for their turn.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Waiting {
    bits: [u64; 3],
    last: u8,
}

impl Waiting {
    /// None waits.
    pub(super) const NONE: Self = Self {
        bits: [0; 3],
        last: 0,
    };

    /// Adds one, 0–191.
    pub(super) fn add(&mut self, number: u8) {
        if let Some(word) = self.bits.get_mut(usize::from(number / 64)) {
            *word |= 1 << (number % 64);
        }
    }

    /// Whether this one waits.
    pub(super) fn has(&self, number: u8) -> bool {
        self.bits
            .get(usize::from(number / 64))
            .is_some_and(|word| word >> (number % 64) & 1 == 1)
    }

    /// Whether none waits.
    pub(super) fn is_empty(&self) -> bool {
        self.bits == [0; 3]
    }

    /// Takes the next one after the one taken last, round and round.
    fn take(&mut self) -> Option<u8> {
        if self.is_empty() {
            return None;
        }
        let count = 192_u16;
        let next = (1..=count)
            .map(|step| ((u16::from(self.last) + step) % count) as u8)
            .find(|number| self.has(*number))?;
        if let Some(word) = self.bits.get_mut(usize::from(next / 64)) {
            *word &= !(1 << (next % 64));
        }
        self.last = next;
        Some(next)
    }

    /// Takes one out.
    pub(super) fn remove(&mut self, number: u8) {
        if let Some(word) = self.bits.get_mut(usize::from(number / 64)) {
            *word &= !(1 << (number % 64));
        }
    }

    pub(super) fn clear(&mut self) {
        self.bits = [0; 3];
    }
}

/// A movement that waits.
#[derive(Clone, Copy, Debug)]
enum Move {
    /// Of a slot, by its number in the slot's set.
    Slot(SlotId, u8),
    /// Of a route of the present scene.
    Route(u8),
}

impl Machine {
    /// Passes a movement on to a slot, now or when its line has room.
    pub(super) fn pass_move(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        number: u8,
        message: impl FnOnce(Channel) -> Message,
    ) {
        if self.may_move(call, slot) {
            self.moving(call, slot, |machine, call| {
                machine.pass(call, slot, message)
            });
        } else {
            self.postpone(call, slot, number);
        }
    }

    /// Notes that something moved for a slot whose line has no room.
    pub(super) fn postpone(&mut self, call: &Call<'_>, slot: SlotId, number: u8) {
        self.slots.at_mut(slot).moves.add(number);
        self.expect_moves(call, slot);
    }

    /// Sends what a route is at, now or when the line has room.
    pub(super) fn move_route(&mut self, call: &mut Call<'_>, slot: SlotId, route: u8) {
        if self.may_move(call, slot) {
            self.moving(call, slot, |machine, call| machine.tell_route(call, route));
        } else {
            self.await_route(call, slot, route);
        }
    }

    /// A route waits for its turn on the line.
    pub(super) fn await_route(&mut self, call: &Call<'_>, slot: SlotId, route: u8) {
        self.route_moves.add(route);
        self.expect_moves(call, slot);
    }

    /// Whether movements to a slot take turns.
    pub(super) fn is_slow_slot(&self, call: &Call<'_>, slot: SlotId) -> bool {
        port_of(&self.wiring, call, slot).is_some_and(|port| is_slow(call, port))
    }

    fn expect_moves(&mut self, call: &Call<'_>, slot: SlotId) {
        if let Some(port) = port_of(&self.wiring, call, slot) {
            self.outputs.at_mut(port).expect_moves();
        }
    }

    /// Whether a movement may go to a slot now.
    pub(super) fn may_move(&self, call: &Call<'_>, slot: SlotId) -> bool {
        let Some(port) = port_of(&self.wiring, call, slot) else {
            return false;
        };
        !is_slow(call, port) || (self.outputs.at(port).moves_from_us() <= call.now_us)
    }

    /// Does something that sends a movement, and books its share of the line.
    pub(super) fn moving(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        send: impl FnOnce(&mut Self, &mut Call<'_>),
    ) {
        let Some(port) = port_of(&self.wiring, call, slot).filter(|port| is_slow(call, *port))
        else {
            send(self, call);
            return;
        };
        let line_us = |machine: &Self| machine.outputs.at(port).line_free_us().max(machine.now_us);
        let before_us = line_us(self);
        send(self, call);
        let cost_us = line_us(self).saturating_sub(before_us);
        let until_us = call.now_us.saturating_add(cost_us.saturating_mul(SHARE));
        self.outputs.at_mut(port).rest_moves(until_us);
    }

    /// Sends the movements whose turn has come.
    pub(super) fn run_moves(&mut self, call: &mut Call<'_>) {
        call.is_played = true;
        for id in self.outputs.ids() {
            // On a quick line only what a finger hands over to another comes here, at once.
            let is_quick = !is_slow(call, id);
            while {
                let port = self.outputs.at(id);
                port.has_moves() && (is_quick || port.moves_from_us() <= call.now_us)
            } {
                let Some((found, slot)) = self.next_move(call, id) else {
                    self.outputs.at_mut(id).take_moves();
                    break;
                };
                self.moving(call, slot, |machine, call| machine.send_move(call, found));
            }
        }
        call.is_played = false;
    }

    /// Sends all movements that wait, room or not: a step must not leave any behind.
    pub(super) fn flush_moves(&mut self, call: &mut Call<'_>) {
        for id in self.outputs.ids() {
            if !self.outputs.at_mut(id).take_moves() {
                continue;
            }
            while let Some((found, _)) = self.next_move(call, id) {
                self.send_move(call, found);
            }
        }
    }

    /// The movement of a port whose turn it is: routes, then slot after slot.
    fn next_move(&mut self, call: &Call<'_>, port: OutPort) -> Option<(Move, SlotId)> {
        let count = self.slots.len();
        for step in 0..=count {
            let turn = (self.move_turn + step) % (count + 1);
            let found = match turn.checked_sub(1) {
                None => self.next_route_move(call, port),
                Some(slot) => {
                    let slot = SlotId(slot as u8);
                    let is_here = port_of(&self.wiring, call, slot) == Some(port);
                    is_here
                        .then(|| self.slots.at_mut(slot).moves.take())
                        .flatten()
                        .map(|number| (Move::Slot(slot, number), slot))
                }
            };
            if found.is_some() {
                self.move_turn = (turn + 1) % (count + 1);
                return found;
            }
        }
        None
    }

    fn next_route_move(&mut self, call: &Call<'_>, port: OutPort) -> Option<(Move, SlotId)> {
        let mut others = Waiting::default();
        let mut found = None;
        while let Some(route) = self.route_moves.take() {
            match self.slot_of_route(call.book, route) {
                Some(slot) if port_of(&self.wiring, call, slot) == Some(port) => {
                    found = Some((Move::Route(route), slot));
                    break;
                }
                Some(_) => others.add(route),
                None => {}
            }
        }
        for (own, other) in self.route_moves.bits.iter_mut().zip(others.bits) {
            *own |= other;
        }
        found
    }

    /// Sends a movement now, if it waits for its turn.
    pub(super) fn send_waiting(&mut self, call: &mut Call<'_>, slot: SlotId, number: u8) {
        let state = self.slots.at_mut(slot);
        if state.moves.has(number) {
            state.moves.remove(number);
            self.send_move(call, Move::Slot(slot, number));
        }
    }

    fn send_move(&mut self, call: &mut Call<'_>, found: Move) {
        let (slot, number) = match found {
            Move::Route(route) => {
                self.tell_route(call, route);
                return;
            }
            Move::Slot(slot, number) => (slot, number),
        };
        let state = self.slots.at(slot);
        match number {
            BEND => {
                let value = self.present_bend(call.book, state);
                if state.known.bend() != value.get() {
                    self.pass(call, slot, |ch| Message::Bend(ch, value));
                }
            }
            PRESSURE => {
                let value = self.present_pressure(call.book, state);
                if state.known.pressure() != value.get() {
                    self.pass(call, slot, |ch| Message::Pressure(ch, value));
                }
            }
            FIRST_MEMBER.. => self.tell_place_moved(call, slot, number),
            FIRST_PEDAL.. => {
                let pedal = usize::from(number - FIRST_PEDAL);
                if pedal < PEDALS.len() {
                    self.sync_pedal(call, slot, pedal, Urgency::Live);
                }
            }
            _ => {
                let control = Controller::clamped(number.into());
                let value: Value7 = self.present_control(call.book, state, control);
                if state.known.control(control) != value.get() {
                    self.pass(call, slot, |ch| Message::Control(ch, control, value));
                }
            }
        }
    }
}

fn port_of(wiring: &Wiring, call: &Call<'_>, slot: SlotId) -> Option<OutPort> {
    Some(wiring.entry(call.book, slot)?.port)
}

fn is_slow(call: &Call<'_>, port: OutPort) -> bool {
    call.book
        .out_ports
        .get(port.index())
        .is_some_and(|entry| entry.byte_us >= SLOW_BYTE_US)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn movements_take_turns() {
        let mut waiting = Waiting::default();
        for number in [5, 128, 130] {
            waiting.add(number);
        }
        assert_eq!(waiting.take(), Some(5));
        waiting.add(5);
        assert_eq!(waiting.take(), Some(128));
        assert_eq!(waiting.take(), Some(130));
        assert_eq!(waiting.take(), Some(5));
        assert_eq!(waiting.take(), None);
        assert!(waiting.is_empty());
    }
}
