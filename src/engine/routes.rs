//! Routes: what the position of a source becomes on the sounds of the present scene.
//!
//! A route has a value: the scene's own until its source moves, by the route's pick-up
//! rule, and what the position says from then on. The value is part of what a slot is to
//! hold (`voicing`), so changeovers, returns and panics send it like any other. A route
//! goes on over a step if it is the same and its sound stays on its slot; every other one
//! begins anew, from positions alone, so that the way to a scene does not matter. A slot
//! that was left hears no route, but a bend finds its way back to rest.

use super::input::Urgency;
use super::known::Parameter;
use super::limits::{MAX_ROUTE_TAILS, MAX_ROUTES, MAX_SOUNDS};
use super::machine::{Call, Machine};
use super::promptbook::{
    Address, Join, PositionId, Promptbook, RouteEntry, Setting, Shape, SlotId, SourceId, Span,
};
use super::route_state::RouteState;
use super::route_way::{CENTRE, bend_of, on_way, stretch, value_at};
use super::seats::{Coming, Seats};
use super::touch::SourceState;
use crate::midi::{Message, Value14, cc};

/// A bend that a left slot is followed back from.
#[derive(Clone, Copy, Debug)]
pub(super) struct RouteTail {
    slot: SlotId,
    route: u32,
}

/// What a scene's routes were before a changeover.
pub(super) struct Departure {
    routes: Span,
    states: [RouteState; MAX_ROUTES],
    seats: [Option<SlotId>; MAX_SOUNDS],
    led: [super::touch::Led; super::limits::MAX_CONTROLLERS],
}

impl Machine {
    /// The routes of the present scene.
    pub(super) fn routes_of<'a>(&self, book: &'a Promptbook) -> &'a [RouteEntry] {
        routes_at(book, self.position)
    }

    /// The slot that a route of the present scene moves.
    pub(super) fn slot_of_route(&self, book: &Promptbook, route: u8) -> Option<SlotId> {
        let entry = self.routes_of(book).get(usize::from(route))?;
        self.seats.get(entry.sound.index()).copied().flatten()
    }

    /// Where the sources of a route stand together; none if none of them ever moved.
    fn joined(&self, book: &Promptbook, entry: &RouteEntry) -> Option<u16> {
        let is_bend = entry.address == Address::Bend;
        let mut joined: Option<(u64, i32)> = None;
        for input in entry.inputs.of(&book.route_inputs) {
            let SourceState { position, moved } = *self.sources.at(input.source);
            if moved == 0 {
                continue;
            }
            let at = i32::from(on_way(position, input.from));
            joined = Some(match (joined, entry.join) {
                (None, _) => (moved, at),
                (Some(other), Join::Last) => other.max((moved, at)),
                (Some(other), Join::Highest) => (moved, other.1.max(at)),
                // Bends are added about their rest, all else from the bottom.
                (Some(other), Join::Sum) if is_bend => (moved, other.1 + at - i32::from(CENTRE)),
                (Some(other), Join::Sum) => (moved, other.1 + at),
            });
        }
        joined.map(|(_, at)| Value14::clamped(at).get())
    }

    /// A source moved: what it is led to follows.
    pub(super) fn follow_source(&mut self, call: &mut Call<'_>, source: SourceId) {
        let book = call.book;
        for (index, entry) in (0u8..).zip(self.routes_of(book)) {
            let inputs = entry.inputs.of(&book.route_inputs);
            if !inputs.iter().any(|input| input.source == source) {
                continue;
            }
            let Some(position) = self.joined(book, entry) else {
                continue;
            };
            let now_us = call.now_us;
            let Some(state) = self.routes.get_mut(usize::from(index)) else {
                continue;
            };
            if state.take(book, entry, position, now_us)
                && let Some(slot) = self.slot_of_route(book, index)
            {
                self.move_route(call, slot, index);
            }
        }
        self.follow_tails(call, source);
        self.run_smooth(call);
    }

    /// Sends what a route is at to its slot, if the slot does not hold it.
    pub(super) fn tell_route(&mut self, call: &mut Call<'_>, route: u8) {
        let book = call.book;
        let (Some(entry), Some(slot)) = (
            self.routes_of(book).get(usize::from(route)),
            self.slot_of_route(book, route),
        ) else {
            return;
        };
        let state = self.slots.at(slot);
        // What a slot that loads is to hold is told when it has loaded.
        if state.load.is_loading() || !self.slot_listens(call, slot) {
            return;
        }
        match entry.address {
            Address::Bend => {
                let value = self.present_bend(book, state);
                if state.known.bend() != value.get() {
                    self.pass(call, slot, |ch| Message::Bend(ch, value));
                }
            }
            Address::Pressure => {
                let value = self.present_pressure(book, state);
                if state.known.pressure() != value.get() {
                    self.pass(call, slot, |ch| Message::Pressure(ch, value));
                }
            }
            Address::Level => self.tell_expression(call, slot),
            _ => self.tell_routed(call, slot, usize::from(route)),
        }
    }

    /// Sends a slot its expression if it does not hold it.
    pub(super) fn tell_expression(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let state = self.slots.at(slot);
        let value = self.present_control(call.book, state, cc::EXPRESSION);
        if state.known.control(cc::EXPRESSION) != value.get() {
            self.pass(call, slot, |ch| Message::Control(ch, cc::EXPRESSION, value));
        }
    }

    /// Values that are smoothed, as far as they are due.
    pub(super) fn run_smooth(&mut self, call: &mut Call<'_>) {
        let book = call.book;
        for (index, entry) in (0u8..).zip(self.routes_of(book)) {
            let Some(state) = self.routes.get_mut(usize::from(index)) else {
                continue;
            };
            if state.next_us.is_none_or(|due| due > call.now_us) {
                continue;
            }
            if state.smooth(book, entry, call.now_us)
                && let Some(slot) = self.slot_of_route(book, index)
            {
                self.move_route(call, slot, index);
            }
        }
    }

    /// Before a changeover: what waits goes out, and what is there is kept to compare.
    pub(super) fn depart(&mut self, call: &mut Call<'_>) -> Departure {
        self.flush_moves(call);
        let mut led = [super::touch::Led::default(); super::limits::MAX_CONTROLLERS];
        for (kept, controller) in led.iter_mut().zip(self.controllers.iter()) {
            *kept = controller.led;
        }
        Departure {
            routes: self
                .scene(call.book)
                .map(|scene| scene.routes)
                .unwrap_or_default(),
            states: self.routes,
            seats: self.seats,
            led,
        }
    }

    /// All routes begin anew at a place: before anything was played, or after a fault.
    pub(super) fn begin_routes(&mut self, book: &Promptbook) {
        self.lead_sources(book);
        self.route_moves.clear();
        for slot in self.slots.iter_mut() {
            slot.numbered = None;
        }
        let mut states = [RouteState::default(); MAX_ROUTES];
        for (state, entry) in states.iter_mut().zip(self.routes_of(book)) {
            *state = RouteState::fresh(book, entry, self.joined(book, entry));
        }
        self.routes = states;
    }

    /// Another promptbook: routes of the present scene that it has as they were go on, all
    /// others begin anew. A held-over note that a route bent keeps its bend.
    pub(super) fn carry_routes(&mut self, (old, routes): (&Promptbook, Span), book: &Promptbook) {
        let before = self.routes;
        self.route_tails = [None; MAX_ROUTE_TAILS];
        self.begin_routes(book);
        let old_routes = routes.of(&old.routes);
        for (state, entry) in self.routes.iter_mut().zip(routes_at(book, self.position)) {
            let known = old_routes
                .iter()
                .zip(&before)
                .find(|(other, _)| is_same((old, other), (book, entry)));
            if let Some((_, kept)) = known {
                *state = *kept;
            }
        }
    }

    /// Sends what the routes of the present scene are at, where it is not held.
    pub(super) fn tell_routes(&mut self, call: &mut Call<'_>) {
        for index in 0..self.routes_of(call.book).len() {
            let index = index as u8;
            let is_moved = self
                .routes
                .get(usize::from(index))
                .is_some_and(|route| route.value.is_some());
            if let Some(slot) = self.slot_of_route(call.book, index).filter(|_| is_moved) {
                self.move_route(call, slot, index);
            }
        }
    }

    /// After a changeover: routes of sounds that stay go on, all others begin anew. Slots
    /// whose sound stays and whose routes do not are marked, so that they are made as the
    /// scene says once they are silent.
    pub(super) fn arrive(&mut self, book: &Promptbook, left: &Departure, seats: &Seats) {
        self.begin_routes(book);
        let old = left.routes.of(&book.routes);
        let stays = |sound: usize| {
            let seat = seats.get(sound).copied().flatten();
            seat.filter(|seat| seat.coming == Coming::Stays)
                .map(|seat| seat.slot)
        };
        let mut goes_on = [false; MAX_ROUTES];
        for (index, entry) in self.routes_of(book).iter().enumerate() {
            let Some(slot) = stays(entry.sound.index()) else {
                continue;
            };
            let before = old.iter().enumerate().take(MAX_ROUTES).find(|(_, other)| {
                let seat = left.seats.get(other.sound.index()).copied().flatten();
                other.identity == entry.identity && seat == Some(slot)
            });
            let kept = before.and_then(|(at, _)| left.states.get(at));
            if let (Some(kept), Some(state)) = (kept, self.routes.get_mut(index)) {
                *state = *kept;
            } else {
                self.mark_rerouted(slot);
            }
            if let Some(goes_on) = before.and_then(|(at, _)| goes_on.get_mut(at)) {
                *goes_on = true;
            }
        }
        for ((index, entry), goes_on) in old.iter().enumerate().zip(goes_on) {
            if goes_on {
                continue;
            }
            let Some(slot) = left.seats.get(entry.sound.index()).copied().flatten() else {
                continue;
            };
            let is_kept = (0..MAX_SOUNDS).any(|sound| stays(sound) == Some(slot));
            if is_kept {
                self.mark_rerouted(slot);
            } else if entry.address == Address::Bend {
                self.start_route_tail(slot, left.routes.start as usize + index);
            }
        }
        // A slot that goes on with notes of an earlier scene: what routes made of it there
        // holds no more.
        for slot in (0..MAX_SOUNDS).filter_map(stays) {
            if !left.seats.contains(&Some(slot)) {
                self.mark_rerouted(slot);
            }
        }
        self.mark_led_anew(left);
    }

    /// Marks the slots fed by a controller whose sources go their own way now, or no more.
    fn mark_led_anew(&mut self, left: &Departure) {
        for (id, (controller, before)) in (0u8..).zip(self.controllers.iter().zip(&left.led)) {
            if controller.led == *before {
                continue;
            }
            for slot in self.slots.iter_mut() {
                if slot.is_fed_by(super::promptbook::ControllerId(id)) {
                    slot.debts.reroute();
                }
            }
        }
    }

    fn mark_rerouted(&mut self, slot: SlotId) {
        self.slots.at_mut(slot).debts.reroute();
    }

    fn start_route_tail(&mut self, slot: SlotId, route: usize) {
        let state = self.slots.at(slot);
        let is_bent =
            state.sound.is_none() && state.sounding.is_held() && state.known.bend() != CENTRE;
        if !is_bent {
            return;
        }
        let Ok(route) = u32::try_from(route) else {
            return;
        };
        if let Some(free) = self.route_tails.iter_mut().find(|tail| tail.is_none()) {
            *free = Some(RouteTail { slot, route });
        }
    }

    /// Slots that were left while a route bent them are followed back to rest, and there
    /// they stay.
    fn follow_tails(&mut self, call: &mut Call<'_>, source: SourceId) {
        let book = call.book;
        for index in 0..MAX_ROUTE_TAILS {
            let Some(tail) = self.route_tails.get(index).copied().flatten() else {
                continue;
            };
            let state = self.slots.at(tail.slot);
            let entry = book.routes.get(tail.route as usize);
            let is_over =
                !state.sounding.is_held() || state.sound.is_some() || state.known.bend() == CENTRE;
            let Some(entry) = entry.filter(|_| !is_over) else {
                self.end_route_tail(index);
                continue;
            };
            let inputs = entry.inputs.of(&book.route_inputs);
            if !inputs.iter().any(|input| input.source == source) {
                continue;
            }
            let Some(at) = self.joined(book, entry) else {
                continue;
            };
            let value = bend_of(book, state, value_at(book, entry, at)).get();
            let is_back = value == CENTRE || (value > CENTRE) != (state.known.bend() > CENTRE);
            let value = Value14::clamped(if is_back { CENTRE } else { value }.into());
            if is_back {
                self.end_route_tail(index);
            }
            self.pass(call, tail.slot, |ch| Message::Bend(ch, value));
        }
    }

    fn end_route_tail(&mut self, index: usize) {
        if let Some(tail) = self.route_tails.get_mut(index) {
            *tail = None;
        }
    }

    /// Sends a setting that a route moves.
    fn tell_routed(&mut self, call: &mut Call<'_>, slot: SlotId, route: usize) {
        let value = self.routes.get(route).and_then(|state| state.value);
        let entry = self.routes_of(call.book).get(route);
        let setting = entry.and_then(|entry| entry.address.setting(value?));
        let Some(setting) = setting else {
            return;
        };
        let numbered = match setting {
            Setting::Rpn(number, value) => Some((Parameter::Rpn(number), value)),
            Setting::Nrpn(number, value) => Some((Parameter::Nrpn(number), value)),
            _ => None,
        };
        match numbered.filter(|_| self.is_slow_slot(call, slot)) {
            Some(numbered) => self.tell_part(call, slot, route as u8, numbered),
            None => self.tell_setting(call, slot, setting, Urgency::Live),
        }
    }
}

/// The routes of a position's scene.
fn routes_at(book: &Promptbook, position: PositionId) -> &[RouteEntry] {
    let place = book.positions.get(position.index());
    let scene = place.and_then(|place| book.scenes.get(place.scene.index()));
    let routes = scene.map_or(&[][..], |scene| scene.routes.of(&book.routes));
    routes.get(..MAX_ROUTES).unwrap_or(routes)
}

/// Whether two routes of two books do the same to the same sound of their scenes.
fn is_same((old, a): (&Promptbook, &RouteEntry), (book, b): (&Promptbook, &RouteEntry)) -> bool {
    let plain = |entry: &RouteEntry| RouteEntry {
        inputs: Span::default(),
        identity: 0,
        shape: a.shape,
        ..*entry
    };
    plain(a) == plain(b)
        && a.inputs.of(&old.route_inputs) == b.inputs.of(&book.route_inputs)
        && is_same_shape((old, a.shape), (book, b.shape))
}

/// Whether two shapes of two books are the same, wherever their values and curves stand.
fn is_same_shape((old, a): (&Promptbook, Shape), (book, b): (&Promptbook, Shape)) -> bool {
    let curve = |book: &Promptbook, curve: Option<u16>| {
        curve.and_then(|curve| book.route_curves.get(usize::from(curve)).copied())
    };
    match (a, b) {
        (
            Shape::Follow {
                low,
                high,
                curve: own,
            },
            Shape::Follow {
                low: other_low,
                high: other_high,
                curve: other,
            },
        ) => (low, high) == (other_low, other_high) && curve(old, own) == curve(book, other),
        (
            Shape::Steps { values, edges },
            Shape::Steps {
                values: others,
                edges: other_edges,
            },
        ) => {
            let values = stretch(values).of(&old.route_values);
            edges == other_edges && values == stretch(others).of(&book.route_values)
        }
        (Shape::Bands { values }, Shape::Bands { values: others }) => {
            stretch(values).of(&old.route_values) == stretch(others).of(&book.route_values)
        }
        (Shape::Switch { .. }, Shape::Switch { .. }) => a == b,
        _ => false,
    }
}
