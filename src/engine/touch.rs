//! Where each named source stands: messages of a controller made into positions.
//!
//! Whatever a source sends, its position here is 14 bits wide. A pair and a numbered
//! parameter come in two halves; the second one makes the movement, so that what is moved
//! does not fall back between them, and a first half that stays alone counts after 5 ms.

use super::machine::{Call, Machine};
use super::promptbook::{ControllerId, Promptbook, SourceEntry, SourceId, SourceKind};
use crate::midi::mpe::MANAGER_BEND_RANGE;
use crate::midi::{Channel, Controller, Key, Message, Value7, Value14, cc, scale};

/// How long a first half waits for its second one, in microseconds: five messages of a DIN
/// line.
const HALF_WAIT_US: u64 = 5_000;

/// Where a source stands, and when it moved last (0: never).
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct SourceState {
    pub(super) position: u16,
    pub(super) moved: u64,
}

/// What a controller is in the middle of saying.
#[derive(Clone, Debug)]
pub(super) struct TouchState {
    /// Number of the parameter that data entry is for; none is null, or registered.
    numbered: Option<Value14>,
    number_msb: u8,
    half: Option<Half>,
    /// Pressure of each key.
    keys: [u8; 128],
}

/// An upper half whose lower one has not come.
#[derive(Clone, Copy, Debug)]
struct Half {
    source: SourceId,
    upper: Value7,
    due_us: u64,
}

/// Sources of a controller that are led elsewhere in the present scene, so that they do
/// not go their own way.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Led {
    pub(super) controls: [u64; 2],
    pub(super) bend: bool,
    pub(super) pressure: bool,
    pub(super) poly: bool,
}

impl Led {
    /// Whether this controller number is led elsewhere.
    pub(super) fn control(&self, number: Controller) -> bool {
        let n = number.get();
        self.controls
            .get(usize::from(n / 64))
            .is_some_and(|word| word >> (n % 64) & 1 == 1)
    }

    fn add(&mut self, kind: SourceKind) {
        let mut control = |n: u8| {
            if let Some(word) = self.controls.get_mut(usize::from(n / 64)) {
                *word |= 1 << (n % 64);
            }
        };
        match kind {
            SourceKind::Control(number) | SourceKind::Switch(number) => control(number.get()),
            SourceKind::Pair(number) => {
                control(number.get());
                control(number.get() + 32);
            }
            SourceKind::Bend => self.bend = true,
            SourceKind::Pressure => self.pressure = true,
            SourceKind::PolyPressure => self.poly = true,
            SourceKind::Nrpn(_) | SourceKind::Note(_) => {}
        }
    }
}

impl TouchState {
    pub(super) const fn new() -> Self {
        Self {
            numbered: None,
            number_msb: 127,
            half: None,
            keys: [0; 128],
        }
    }

    /// When something is to be done about it.
    pub(super) fn deadline(&self) -> Option<u64> {
        self.half.map(|half| half.due_us)
    }
}

/// The named sources of a controller, each with its number.
fn sources_of(
    book: &Promptbook,
    controller: ControllerId,
) -> impl Iterator<Item = (SourceId, &SourceEntry)> {
    let span = book
        .controllers
        .get(controller.index())
        .map(|entry| entry.sources)
        .unwrap_or_default();
    (span.start as u16..)
        .map(SourceId)
        .zip(span.of(&book.sources))
}

fn find_source(
    book: &Promptbook,
    controller: ControllerId,
    is_meant: impl Fn(&SourceEntry) -> bool,
) -> Option<(SourceId, SourceEntry)> {
    sources_of(book, controller)
        .find(|(_, entry)| is_meant(entry))
        .map(|(id, entry)| (id, *entry))
}

impl Machine {
    /// Takes note of what a message says of a source, and moves what it is led to. Gives
    /// the message as it is played on: turned round if its source is, none if it is no
    /// part of the playing.
    pub(super) fn touch(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        message: Message,
    ) -> Option<Message> {
        let book = call.book;
        match message {
            Message::Control(channel, number, value) => {
                self.touch_control(call, controller, channel, number, value)
            }
            Message::Bend(channel, value) => {
                let found = find_source(book, controller, |s| s.kind == SourceKind::Bend);
                let Some((id, entry)) = found else {
                    return Some(message);
                };
                let value = if entry.is_inverted {
                    scale::turned(value)
                } else {
                    value
                };
                self.move_source(call, id, value.get());
                Some(Message::Bend(channel, value))
            }
            Message::Pressure(_, value) => {
                let found = find_source(book, controller, |s| s.kind == SourceKind::Pressure);
                if let Some((id, entry)) = found {
                    self.move_source(call, id, entry.position(value));
                }
                Some(message)
            }
            Message::PolyPressure(_, key, value) => {
                self.touch_key(call, controller, key, value);
                Some(message)
            }
            Message::NoteOn(_, key, value) => self
                .touch_note(call, controller, key, value)
                .then_some(message),
            Message::NoteOff(_, key, _) => self
                .touch_note(call, controller, key, Value7::MIN)
                .then_some(message),
            _ => Some(message),
        }
    }

    fn touch_control(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        channel: Channel,
        number: Controller,
        value: Value7,
    ) -> Option<Message> {
        let message = Message::Control(channel, number, value);
        if matches!(number.get(), 6 | 38 | 98..=101) {
            self.touch_numbered(call, controller, number, value);
        }
        let found = find_source(call.book, controller, |s| s.is_control(number));
        let Some((id, entry)) = found else {
            return Some(message);
        };
        if let SourceKind::Pair(upper) = entry.kind {
            if upper == number {
                self.take_upper(call, controller, id, value);
            } else {
                self.take_lower(call, controller, id, value);
            }
            // Half a pair cannot be turned round.
            return (!entry.is_inverted).then_some(message);
        }
        let mut wide = turned_if(entry.is_inverted, scale::widen(value));
        let mut value = if entry.is_inverted {
            scale::narrow(wide)
        } else {
            value
        };
        if matches!(entry.kind, SourceKind::Switch(_)) {
            // 0–63 is off, 64–127 is on (GM2 §3.3.7–3.3.10); turned round the middle is
            // its own opposite, and counts as on.
            value = if value.get() < 64 {
                Value7::MIN
            } else {
                Value7::MAX
            };
            wide = scale::widen(value);
        }
        self.move_source(call, id, wide.get());
        Some(Message::Control(channel, number, value))
    }

    /// A non-registered parameter: its number in two halves, then its value in one or two
    /// (MIDI 1.0). A registered number, or null, ends it.
    fn touch_numbered(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        number: Controller,
        value: Value7,
    ) {
        let state = self.touches.at_mut(controller);
        match number {
            cc::NRPN_MSB => {
                state.number_msb = value.get();
                let lsb = state.numbered.map_or(Value7::MAX, Value14::lsb);
                state.numbered = Some(Value14::from_parts(value, lsb));
            }
            cc::NRPN_LSB => {
                let msb = Value7::clamped(state.number_msb.into());
                state.numbered = Some(Value14::from_parts(msb, value));
            }
            cc::RPN_MSB | cc::RPN_LSB => {
                state.numbered = None;
                state.number_msb = Value7::MAX.get();
            }
            _ => {
                let Some(wanted) = state.numbered else {
                    return;
                };
                let is_wanted = |s: &SourceEntry| s.kind == SourceKind::Nrpn(wanted);
                let Some((id, _)) = find_source(call.book, controller, is_wanted) else {
                    return;
                };
                if number == cc::DATA_MSB {
                    self.take_upper(call, controller, id, value);
                } else {
                    self.take_lower(call, controller, id, value);
                }
            }
        }
    }

    fn take_upper(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        source: SourceId,
        upper: Value7,
    ) {
        self.finish_half(call, controller);
        let state = self.touches.at_mut(controller);
        state.half = Some(Half {
            source,
            upper,
            due_us: call.now_us.saturating_add(HALF_WAIT_US),
        });
    }

    fn take_lower(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        source: SourceId,
        lower: Value7,
    ) {
        let waiting = self
            .touches
            .at_mut(controller)
            .half
            .take_if(|half| half.source == source);
        let before = self.sources.at(source).position;
        let is_inverted = self.is_inverted(call.book, source);
        let upper = waiting.map_or_else(
            || turned_if(is_inverted, Value14::clamped(before.into())).msb(),
            |half| half.upper,
        );
        let value = turned_if(is_inverted, Value14::from_parts(upper, lower));
        self.move_source(call, source, value.get());
    }

    fn is_inverted(&self, book: &Promptbook, source: SourceId) -> bool {
        book.sources
            .get(source.index())
            .is_some_and(|entry| entry.is_inverted)
    }

    /// An upper half that stays alone is all there is: seven bits.
    fn finish_half(&mut self, call: &mut Call<'_>, controller: ControllerId) {
        let half = self.touches.at_mut(controller).half.take();
        if let Some(half) = half {
            let is_inverted = self.is_inverted(call.book, half.source);
            let value = turned_if(is_inverted, scale::widen(half.upper));
            self.move_source(call, half.source, value.get());
        }
    }

    /// Finishes halves whose other half does not come.
    pub(super) fn run_halves(&mut self, call: &mut Call<'_>) {
        for id in (0u8..).map(ControllerId).take(self.touches.len()) {
            let is_due = self
                .touches
                .at(id)
                .deadline()
                .is_some_and(|due| due <= call.now_us);
            if is_due {
                self.finish_half(call, id);
            }
        }
    }

    fn touch_key(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        key: Key,
        value: Value7,
    ) {
        let found = find_source(call.book, controller, |s| {
            s.kind == SourceKind::PolyPressure
        });
        let Some((id, entry)) = found else {
            return;
        };
        let state = self.touches.at_mut(controller);
        if let Some(pressure) = state.keys.get_mut(key.index()) {
            *pressure = value.get();
        }
        let hardest = state.keys.iter().copied().max().unwrap_or(0);
        let position = entry.position(Value7::clamped(hardest.into()));
        // Keys that are pressed less than another change nothing.
        let is_there = self.sources.at(id).moved > 0 && self.sources.at(id).position == position;
        if !is_there {
            self.move_source(call, id, position);
        }
    }

    /// A key: whether it is played.
    fn touch_note(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        key: Key,
        value: Value7,
    ) -> bool {
        let found = find_source(call.book, controller, |s| s.kind == SourceKind::Note(key));
        if let Some((id, entry)) = found {
            self.move_source(call, id, entry.position(value));
            return false;
        }
        let is_pressed = self
            .touches
            .at(controller)
            .keys
            .get(key.index())
            .is_some_and(|pressure| *pressure > 0);
        if is_pressed {
            self.touch_key(call, controller, key, Value7::MIN);
        }
        true
    }

    fn move_source(&mut self, call: &mut Call<'_>, source: SourceId, position: u16) {
        let moved = self.count_movement();
        let state = self.sources.at_mut(source);
        *state = SourceState { position, moved };
        self.follow_source(call, source);
    }

    /// What a lost controller had moved and would spring back by itself is at rest: bend,
    /// pressure, switches and buttons. A knob or a foot stays where it was.
    pub(super) fn rest_sources(&mut self, call: &mut Call<'_>, controller: ControllerId) {
        let book = call.book;
        *self.touches.at_mut(controller) = TouchState::new();
        for (id, entry) in sources_of(book, controller) {
            let rest = match entry.kind {
                SourceKind::Bend => Value14::CENTRE.get(),
                SourceKind::Pressure
                | SourceKind::PolyPressure
                | SourceKind::Switch(_)
                | SourceKind::Note(_) => 0,
                SourceKind::Control(number) if super::pedals::pedal_of(number).is_some() => 0,
                SourceKind::Control(_) | SourceKind::Pair(_) | SourceKind::Nrpn(_) => continue,
            };
            let has_left = self.sources.at(id).moved > 0 && self.sources.at(id).position != rest;
            if has_left {
                self.move_source(call, id, rest);
            }
        }
    }

    /// Works out which sources are led elsewhere in the present scene.
    pub(super) fn lead_sources(&mut self, book: &Promptbook) {
        for controller in self.controllers.iter_mut() {
            controller.led = Led::default();
        }
        let routes = self
            .scene(book)
            .map_or(&[][..], |scene| scene.routes.of(&book.routes));
        for input in routes
            .iter()
            .flat_map(|route| route.inputs.of(&book.route_inputs))
        {
            let Some(entry) = book.sources.get(input.source.index()) else {
                continue;
            };
            let state = self.controllers.at_mut(entry.controller);
            if !input.passes {
                state.led.add(entry.kind);
            }
        }
    }

    /// Whether a controller names its pressure by key.
    pub(super) fn names_poly(&self, book: &Promptbook, controller: ControllerId) -> bool {
        find_source(book, controller, |s| s.kind == SourceKind::PolyPressure).is_some()
    }

    /// Controllers whose bend is led elsewhere, one bit each.
    pub(super) fn led_bends(&self) -> u16 {
        (0u8..)
            .zip(self.controllers.iter())
            .filter(|(_, controller)| controller.led.bend)
            .fold(0, |set, (id, _)| set | super::slots::bit(ControllerId(id)))
    }

    /// The bend range that a controller's bend means, if it says so.
    pub(super) fn bend_range_of(&self, book: &Promptbook, controller: ControllerId) -> Option<u8> {
        let state = self.controllers.at(controller);
        if state.whole_range.is_some() {
            return state.whole_range;
        }
        let found = find_source(book, controller, |s| s.kind == SourceKind::Bend);
        let stated = found.and_then(|(_, entry)| entry.bend_range);
        stated.or(state.mpe.map(|_| MANAGER_BEND_RANGE))
    }
}

const fn turned_if(is_inverted: bool, value: Value14) -> Value14 {
    if is_inverted {
        scale::turned(value)
    } else {
        value
    }
}
