//! Routes: what the position of a source becomes on the sounds of the present scene.
//!
//! A route has a value: the scene's own until its source moves, by the route's pick-up
//! rule, and what the position says from then on. The value is part of what a slot is to
//! hold (`voicing`), so changeovers, returns and panics send it like any other. A route
//! goes on over a step if it is the same and its sound stays on its slot; every other one
//! begins anew, from positions alone, so that the way to a scene does not matter. A slot
//! that was left hears no route, but a bend finds its way back to rest.

use super::input::Urgency;
use super::limits::{MAX_ROUTE_TAILS, MAX_ROUTES, MAX_SOUNDS};
use super::machine::{Call, Machine};
use super::promptbook::{
    Address, Edges, Join, PickUp, Promptbook, RouteEntry, Shape, SlotId, SourceId, Span,
};
use super::seats::{Coming, Seats};
use super::slots::SlotState;
use super::touch::SourceState;
use crate::midi::{Message, Value7, Value14, cc};

/// The end of a source's way.
const END: u16 = 16_383;
/// A source's centre.
const CENTRE: u16 = 8_192;
/// Time between two steps of a value that is smoothed, in microseconds.
const SMOOTH_STEP_US: u64 = 5_000;

/// A route of the present scene at run time.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct RouteState {
    phase: Phase,
    /// A switch is down.
    is_down: bool,
    /// Which of the values of a toggle or of steps.
    chosen: u8,
    /// The value; none if nobody has said one yet.
    pub(super) value: Option<i32>,
    /// Where it stands on its way, and where it is bound for.
    at: u16,
    goal: u16,
    /// When the next step of a smoothed value is due.
    pub(super) next_us: Option<u64>,
}

/// How far a source has been picked up.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum Phase {
    /// The source has the say from its next movement on.
    #[default]
    Follows,
    /// It has not passed the scene's value; where it stood last, if anywhere.
    Waits(Option<u16>),
    /// Its way leads from the scene's value to the ends: where it stood, if anywhere, and
    /// the place of the value.
    Scales(Option<u16>, u16),
}

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

impl RouteState {
    /// A route as its scene comes in: by positions and the scene's own value alone.
    fn fresh(book: &Promptbook, entry: &RouteEntry, position: Option<u16>) -> Self {
        let mut state = Self {
            value: entry.snapshot,
            ..Self::default()
        };
        match entry.shape {
            Shape::Follow { .. } | Shape::Bands { .. } => state.arrive(book, entry, position),
            Shape::Switch {
                up,
                down,
                edges,
                is_toggle,
            } => {
                state.is_down = position.is_some_and(|at| at >= edges.down_from);
                let is_on = entry.snapshot.is_some_and(|own| {
                    own.abs_diff(down) < own.abs_diff(up)
                });
                state.chosen = u8::from(is_on);
                if !is_toggle && position.is_some() {
                    state.value = Some(if state.is_down { down } else { up });
                }
            }
            Shape::Steps { values, edges } => {
                state.is_down = position.is_some_and(|at| at >= edges.down_from);
                let values = stretch(values).of(&book.route_values);
                let nearest = entry.snapshot.and_then(|own| {
                    let steps = values.iter().zip(0u8..);
                    steps.min_by_key(|(step, _)| own.abs_diff(step.value))
                });
                // Without a value of the scene the first press takes the first value.
                let before_first = u8::try_from(values.len()).unwrap_or(1).saturating_sub(1);
                state.chosen = nearest.map_or(before_first, |(_, index)| index);
            }
        }
        state
    }

    fn arrive(&mut self, book: &Promptbook, entry: &RouteEntry, position: Option<u16>) {
        let Some(own) = entry.snapshot.filter(|_| entry.pick_up != PickUp::Jump) else {
            if let Some(at) = position {
                (self.at, self.goal) = (at, at);
                self.value = Some(value_at(book, entry, at));
            } else if let Some(own) = entry.snapshot {
                self.at = place_of(book, entry, own);
                self.goal = self.at;
            }
            return;
        };
        let place = place_of(book, entry, own);
        (self.at, self.goal) = (place, place);
        let is_there = position.is_some_and(|at| value_at(book, entry, at) == own);
        self.phase = match entry.pick_up {
            _ if is_there => Phase::Follows,
            PickUp::Scale if matches!(entry.shape, Shape::Follow { .. }) => {
                Phase::Scales(position, place)
            }
            _ => Phase::Waits(position),
        };
    }

    /// Where the value is bound for now that the source stands at `position`; none as long
    /// as it has not been picked up.
    fn pick_up(&mut self, book: &Promptbook, entry: &RouteEntry, position: u16) -> Option<u16> {
        match self.phase {
            Phase::Follows => Some(position),
            Phase::Waits(before) => {
                let own = entry.snapshot.unwrap_or(0);
                let side = |at: u16| (value_at(book, entry, at) - own).signum();
                let is_past = side(position) == 0
                    || before.is_some_and(|before| side(before) != side(position));
                self.phase = if is_past {
                    Phase::Follows
                } else {
                    Phase::Waits(Some(position))
                };
                is_past.then_some(position)
            }
            Phase::Scales(None, place) => {
                self.phase = Phase::Scales(Some(position), place);
                None
            }
            Phase::Scales(Some(_), _) if position == 0 || position == END => {
                self.phase = Phase::Follows;
                Some(position)
            }
            Phase::Scales(Some(from), place) => Some(scaled(position, from, place)),
        }
    }

    /// Takes what a source's new position says; true if the value changed or is bound to.
    fn take(&mut self, book: &Promptbook, entry: &RouteEntry, position: u16, now_us: u64) -> bool {
        let before = self.value;
        match entry.shape {
            Shape::Follow { .. } | Shape::Bands { .. } => {
                let Some(goal) = self.pick_up(book, entry, position) else {
                    return false;
                };
                self.goal = goal;
                let is_smooth =
                    entry.smooth_us > 0 && matches!(entry.shape, Shape::Follow { .. });
                if is_smooth && before.is_some() {
                    let is_on_its_way = self.next_us.is_some();
                    if self.at != goal && !is_on_its_way {
                        self.next_us = Some(now_us);
                    }
                    return false;
                }
                self.at = goal;
                self.value = Some(value_at(book, entry, goal));
            }
            Shape::Switch {
                up,
                down,
                edges,
                is_toggle,
            } => {
                let is_press = self.press(edges, position);
                if is_toggle && !is_press {
                    return false;
                }
                if is_toggle {
                    self.chosen ^= 1;
                }
                let is_on = if is_toggle { self.chosen == 1 } else { self.is_down };
                self.value = Some(if is_on { down } else { up });
            }
            Shape::Steps { values, edges } => {
                if !self.press(edges, position) {
                    return false;
                }
                let values = stretch(values).of(&book.route_values);
                let next = usize::from(self.chosen) + 1;
                let next = if next < values.len() { next } else { 0 };
                self.chosen = u8::try_from(next).unwrap_or(0);
                self.value = values.get(next).map(|step| step.value);
            }
        }
        self.value != before
    }

    /// Whether the switch went down just now.
    fn press(&mut self, edges: Edges, position: u16) -> bool {
        let was_down = self.is_down;
        self.is_down = if was_down {
            position >= edges.up_below
        } else {
            position >= edges.down_from
        };
        self.is_down && !was_down
    }

    /// One step of a smoothed value; true if it changed.
    fn smooth(&mut self, book: &Promptbook, entry: &RouteEntry, now_us: u64) -> bool {
        let way = u64::from(END) * SMOOTH_STEP_US / entry.smooth_us.max(1);
        let step = u16::try_from(way.clamp(1, u64::from(END))).unwrap_or(END);
        self.at = if self.at < self.goal {
            self.at.saturating_add(step).min(self.goal)
        } else {
            self.at.saturating_sub(step).max(self.goal)
        };
        self.next_us = (self.at != self.goal).then(|| now_us.saturating_add(SMOOTH_STEP_US));
        let value = Some(value_at(book, entry, self.at));
        std::mem::replace(&mut self.value, value) != value
    }

    /// Whether the scene's value still holds because the source has not passed it.
    pub(super) const fn is_waiting(&self) -> bool {
        matches!(self.phase, Phase::Waits(_))
    }
}

impl Machine {
    /// The routes of the present scene.
    pub(super) fn routes_of<'a>(&self, book: &'a Promptbook) -> &'a [RouteEntry] {
        let routes = self
            .scene(book)
            .map_or(&[][..], |scene| scene.routes.of(&book.routes));
        routes.get(..MAX_ROUTES).unwrap_or(routes)
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
            let state = self.sources.get(input.source.index());
            let Some(SourceState { position, moved }) = state.copied().filter(|s| s.moved > 0)
            else {
                continue;
            };
            let at = i32::from(on_way(position, input.from));
            joined = Some(match (joined, entry.join) {
                (None, _) => (moved, at),
                (Some(other), Join::Last) => other.max((moved, at)),
                (Some(other), Join::Highest) => (moved, other.1.max(at)),
                // Bends are added about their rest, all else from the bottom.
                (Some(other), Join::Sum) if is_bend => {
                    (moved, other.1 + at - i32::from(CENTRE))
                }
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
        let Some(state) = self.slots.get(slot.index()) else {
            return;
        };
        // What a slot that loads is to hold is told when it has loaded.
        if state.loads_until_us.is_some() || !self.slot_listens(call, slot) {
            return;
        }
        match entry.address {
            Address::Bend => {
                let value = self.present_bend(book, state);
                if state.known.bend != value.get() {
                    self.pass(call, slot, |ch| Message::Bend(ch, value));
                }
            }
            Address::Pressure => {
                let value = self.present_pressure(book, state);
                if state.known.pressure != value.get() {
                    self.pass(call, slot, |ch| Message::Pressure(ch, value));
                }
            }
            Address::Level => self.tell_expression(call, slot),
            _ => self.tell_routed(call, slot, usize::from(route)),
        }
    }

    /// Sends a slot its expression if it does not hold it.
    pub(super) fn tell_expression(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let Some(state) = self.slots.get(slot.index()) else {
            return;
        };
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

    /// The route of the present scene that moves this of a slot's sound, and its value.
    pub(super) fn routed(
        &self,
        book: &Promptbook,
        state: &SlotState,
        is_meant: impl Fn(Address) -> bool,
    ) -> Option<i32> {
        let sound = self.own_sound(book, state)?;
        self.routes_of(book)
            .iter()
            .zip(&self.routes)
            .find(|(entry, _)| entry.sound.0 == sound && is_meant(entry.address))
            .and_then(|(_, route)| route.value)
    }

    /// The sound of the present scene that a slot carries and is made for.
    pub(super) fn own_sound(&self, book: &Promptbook, state: &SlotState) -> Option<u8> {
        let sound = state.sound?;
        let first = self.scene(book)?.sounds.start as usize;
        (state.voiced == Some(first + usize::from(sound))).then_some(sound)
    }

    /// A bend by route as the slot's receiver must hear it.
    pub(super) fn bend_by_route(&self, book: &Promptbook, state: &SlotState) -> Option<Value14> {
        let bent = self.routed(book, state, |address| address == Address::Bend)?;
        Some(bend_of(book, state, bent))
    }

    /// The part of a sound's expression that routes leave.
    pub(super) fn level_by_route(&self, book: &Promptbook, state: &SlotState) -> Value7 {
        self.routed(book, state, |address| address == Address::Level)
            .map_or(Value7::MAX, Value7::clamped)
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
        let mut states = [RouteState::default(); MAX_ROUTES];
        for (state, entry) in states.iter_mut().zip(self.routes_of(book)) {
            *state = RouteState::fresh(book, entry, self.joined(book, entry));
        }
        self.routes = states;
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
        self.mark_led_anew(left);
    }

    /// Marks the slots fed by a controller whose sources go their own way now, or no more.
    fn mark_led_anew(&mut self, left: &Departure) {
        for (id, (controller, before)) in (0u8..).zip(self.controllers.iter().zip(&left.led)) {
            if controller.led == *before {
                continue;
            }
            for slot in self.slots.iter_mut() {
                slot.is_rerouted |= slot.is_fed_by(super::promptbook::ControllerId(id));
            }
        }
    }

    fn mark_rerouted(&mut self, slot: SlotId) {
        if let Some(state) = self.slots.get_mut(slot.index()) {
            state.is_rerouted = true;
        }
    }

    fn start_route_tail(&mut self, slot: SlotId, route: usize) {
        let is_bent = self.slots.get(slot.index()).is_some_and(|state| {
            state.sound.is_none() && state.notes > 0 && state.known.bend != CENTRE
        });
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
            let Some(state) = self.slots.get(tail.slot.index()) else {
                continue;
            };
            let entry = book.routes.get(tail.route as usize);
            let is_over = state.notes == 0 || state.sound.is_some() || state.known.bend == CENTRE;
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
            let is_back = value == CENTRE || (value > CENTRE) != (state.known.bend > CENTRE);
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
        if let Some(setting) = setting {
            self.tell_setting(call, slot, setting, Urgency::Live);
        }
    }
}

/// A bend in ten-thousandths of a semitone for a slot, by the bend range of its sound.
fn bend_of(book: &Promptbook, state: &SlotState, bent: i32) -> Value14 {
    let range = state
        .voiced
        .and_then(|index| book.sounds.get(index))
        .and_then(|sound| sound.bend_range)
        .unwrap_or(super::voicing::NEUTRAL_BEND_RANGE);
    let range = i64::from(range.get()).max(1);
    // 8192 + semitones / range × 8192 (MIDI 1.0), to the nearest.
    let (top, bottom) = (i64::from(bent) * i64::from(CENTRE), range * 10_000);
    let steps = (top + bottom / 2 * top.signum()) / bottom;
    Value14::clamped(i32::try_from(i64::from(CENTRE) + steps).unwrap_or(0))
}

/// A position as its place on the stretch that counts.
fn on_way(position: u16, from: (u16, u16)) -> u16 {
    if from == (0, END) {
        return position;
    }
    let run = u32::from(from.1.saturating_sub(from.0)).max(1);
    let into = u32::from(position.max(from.0) - from.0).min(run);
    u16::try_from((into * u32::from(END) + run / 2) / run).unwrap_or(END)
}

/// A position on a way that leads from (`from`, `place`) to both ends.
fn scaled(position: u16, from: u16, place: u16) -> u16 {
    let (at, from, place) = (i64::from(position), i64::from(from), i64::from(place));
    let end = i64::from(END);
    let scaled = if at >= from {
        place + (at - from) * (end - place) / (end - from).max(1)
    } else {
        place * at / from.max(1)
    };
    u16::try_from(scaled.clamp(0, end)).unwrap_or(0)
}

const fn stretch((start, len): (u32, u32)) -> Span {
    Span { start, len }
}

/// The value of a route at a place on its way.
fn value_at(book: &Promptbook, entry: &RouteEntry, at: u16) -> i32 {
    match entry.shape {
        Shape::Follow { low, high, curve } => {
            let at = curve
                .and_then(|curve| book.route_curves.get(usize::from(curve)))
                .map_or(at, |knots| on_curve(knots, at));
            between(low, high, at)
        }
        Shape::Bands { values } => {
            let values = stretch(values).of(&book.route_values);
            let band = values.iter().take_while(|band| band.from <= at).last();
            band.map_or(0, |band| band.value)
        }
        Shape::Switch { up, down, .. } => {
            if at >= CENTRE {
                down
            } else {
                up
            }
        }
        Shape::Steps { .. } => 0,
    }
}

/// A curve between its knots.
fn on_curve(knots: &[u16], at: u16) -> u16 {
    let index = usize::from(at / 128);
    let part = u32::from(at % 128);
    let knot = |index: usize| u32::from(knots.get(index).copied().unwrap_or(END));
    // The last stretch ends at 16383, one short of a whole 128.
    let run = if index == 127 { 127 } else { 128 };
    let (a, b) = (knot(index), knot(index + 1));
    let way = (a * (run - part.min(run)) + b * part.min(run) + run / 2) / run;
    u16::try_from(way).unwrap_or(END)
}

/// The value between two ends: half way at the centre, so that what rests in the middle
/// rests in the middle; halves go up.
fn between(low: i32, high: i32, at: u16) -> i32 {
    let (low, high) = (i64::from(low), i64::from(high));
    let middle_twice = low + high;
    let (from_twice, to_twice, into, run) = if at <= CENTRE {
        (low * 2, middle_twice, i64::from(at), i64::from(CENTRE))
    } else {
        let into = i64::from(at - CENTRE);
        (middle_twice, high * 2, into, i64::from(END - CENTRE))
    };
    let twice_run = from_twice * run + (to_twice - from_twice) * into;
    let value = (twice_run + run).div_euclid(2 * run);
    i32::try_from(value).unwrap_or(0)
}

/// The first place on the way at which the value is nearest to `value`.
fn place_of(book: &Promptbook, entry: &RouteEntry, value: i32) -> u16 {
    let places = (0..=127u16).map(|step| step * 129);
    let near = places
        .min_by_key(|at| value.abs_diff(value_at(book, entry, *at)))
        .unwrap_or(0);
    let fine = near.saturating_sub(128)..=near.saturating_add(128).min(END);
    fine.min_by_key(|at| value.abs_diff(value_at(book, entry, *at)))
        .unwrap_or(near)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::scale;

    #[test]
    fn seven_bits_led_to_seven_bits_stay_what_they_are() {
        for value in 0..=127 {
            let at = scale::widen(Value7::new(value).unwrap()).get();
            assert_eq!(between(0, 127, at), i32::from(value));
        }
    }

    #[test]
    fn fourteen_bits_led_to_fourteen_stay_within_a_step() {
        for at in 0..=END {
            assert!(between(0, 16_383, at).abs_diff(i32::from(at)) <= 1, "{at}");
        }
        assert_eq!(between(0, 16_383, 0), 0);
        assert_eq!(between(0, 16_383, CENTRE), 8_192);
        assert_eq!(between(0, 16_383, END), 16_383);
    }

    #[test]
    fn what_rests_in_the_middle_bends_nothing() {
        assert_eq!(between(-120_000, 120_000, CENTRE), 0);
        assert_eq!(between(-120_000, 120_000, 0), -120_000);
        assert_eq!(between(-120_000, 120_000, END), 120_000);
        assert_eq!(between(127, 0, 0), 127);
        assert_eq!(between(127, 0, END), 0);
    }

    #[test]
    fn a_scaled_way_passes_the_value_and_both_ends() {
        assert_eq!(scaled(4_000, 4_000, 12_000), 12_000);
        assert_eq!(scaled(END, 4_000, 12_000), END);
        assert_eq!(scaled(0, 4_000, 12_000), 0);
        assert_eq!(scaled(2_000, 4_000, 12_000), 6_000);
    }

    #[test]
    fn a_straight_curve_changes_nothing() {
        let mut knots = [0u16; 129];
        for (index, knot) in knots.iter_mut().enumerate() {
            *knot = ((index * 16_383 + 64) / 128) as u16;
        }
        for at in 0..=END {
            assert!(on_curve(&knots, at).abs_diff(at) <= 1, "{at}");
        }
        assert_eq!(on_curve(&knots, END), END);
    }
}
