//! Random playing, stepping and loss, judged by bookkeeping of its own.
//!
//! `Ear` is a receiver's memory made only from what goes out; it knows nothing of the
//! engine's tables. Each property is one invariant of the design.

use std::collections::BTreeMap;
use std::sync::Arc;

use proptest::prelude::*;

use super::rig::*;
use crate::engine::Engine;
use crate::engine::input::{Command, Input, Outbox, Output, Payload, Urgency};
use crate::engine::promptbook::*;
use crate::engine::swap::Swap;
use crate::engine::view::{NextView, View};
use crate::midi::{Channel, Message, Value14};

const SLOTS: u8 = 16;
const SCENES: u32 = 6;
const BASS: u8 = 8;

/// One thing that a player, a cable or a clock does.
#[derive(Clone, Copy, Debug)]
enum Deed {
    On(u8, u8),
    Off(u8, u8),
    Pedal(u8, u8, u8),
    Bend(u8, u16),
    Press(u8, u8),
    Wheel(u8, u8),
    Foot(u8, u8),
    Step,
    Back,
    Jump(u32),
    Wait(u64),
    LoseInput(u8),
    LoseOutput(u8),
    FindOutput(u8),
    Panic,
    Resend,
    Overflow(u8),
    Fade(bool),
}

fn playing() -> impl Strategy<Value = Deed> {
    let keys = 40u8..48;
    let hands = 0u8..2;
    let values = prop_oneof![Just(0u8), Just(127), Just(50), Just(90)];
    prop_oneof![
        6 => (hands.clone(), keys.clone()).prop_map(|(c, k)| Deed::On(c, k)),
        6 => (hands.clone(), keys).prop_map(|(c, k)| Deed::Off(c, k)),
        3 => (hands.clone(), 0u8..3, values.clone()).prop_map(|(c, p, v)| Deed::Pedal(c, p, v)),
        1 => (hands.clone(), prop_oneof![Just(8192u16), 0u16..16384])
            .prop_map(|(c, v)| Deed::Bend(c, v)),
        1 => (hands.clone(), values.clone()).prop_map(|(c, v)| Deed::Press(c, v)),
        1 => (hands.clone(), values.clone()).prop_map(|(c, v)| Deed::Wheel(c, v)),
        1 => (hands, values).prop_map(|(c, v)| Deed::Foot(c, v)),
        2 => Just(Deed::Step),
        1 => Just(Deed::Back),
        1 => (0..SCENES).prop_map(Deed::Jump),
        2 => (0u64..80).prop_map(Deed::Wait),
    ]
}

fn trouble() -> impl Strategy<Value = Deed> {
    prop_oneof![
        12 => playing(),
        1 => (0u8..2).prop_map(Deed::LoseInput),
        1 => (0u8..2).prop_map(Deed::LoseOutput),
        2 => (0u8..2).prop_map(Deed::FindOutput),
        1 => Just(Deed::Panic),
        1 => Just(Deed::Resend),
        1 => any::<bool>().prop_map(Deed::Fade),
        1 => (0u8..2).prop_map(Deed::Overflow),
    ]
}

/// Two keyboards on a many-slot instrument with these manners, and a fixed-slot one.
/// Every note is held until it is let go.
fn show(manners: Manners, slots: u8) -> Promptbook {
    show_with(manners, slots, 0, [Leave::Hold; 2])
}

/// The same with sounds that ring, cut, fade and catch.
fn wild(manners: Manners, slots: u8) -> Promptbook {
    show_with(manners, slots, 25_000, [Leave::Cut, Leave::Fade(35)])
}

fn show_with(manners: Manners, slots: u8, release_us: u64, leave: [Leave; 2]) -> Promptbook {
    let [first_leave, second_leave] = leave;
    let mut book = Book::new();
    let (low, high) = (book.controller(), book.controller());
    let main = book.instrument(slots, manners);
    let organ = book.instrument(1, BAD);
    let slow = |s: Sound, load_us| {
        s.with(|s| {
            s.load_us = load_us;
            s.release_us = release_us;
        })
    };
    // What a scene does not name is filled in by the planner; here by hand.
    let bright = |n: u8, value| {
        slow(sound(main, n), manners.load_us).set(Setting::Control(cc(74), v7(value)))
    };
    let pad = |n: u8| bright(n, 64);
    let fixed = |n: u8| slow(sound(organ, n), 100_000);
    let split = |zone: &mut ZoneEntry| zone.keys = (key(0), key(43));
    book.scene(&[pad(1).on(low), pad(2).seat(1).on(high)]);
    book.scene(&[pad(3).seat(2).on(low).on(high), fixed(9).on(high)]);
    book.scene(&[pad(1).on(high), pad(BASS).seat(3).zone(low, split)]);
    book.scene(&[
        pad(4).seat(1).on(low).with(|s| s.pan = Some(v7(20))),
        pad(5).seat(2).zone(high, |zone| {
            zone.transpose = 12;
            zone.leave = first_leave;
        }),
    ]);
    book.scene(&[
        pad(3).seat(4).on(high).with(|s| s.volume = Some(v7(60))),
        fixed(9).on(low),
    ]);
    book.scene(&[
        bright(6, 99).zone(low, |zone| {
            zone.leave = second_leave;
            zone.catches = first_leave == Leave::Cut;
        }),
        pad(7).seat(1).on(low).with(|s| s.bend_range = Some(v7(12))),
        fixed(10).on(high),
    ]);
    book.finish()
}

/// What a channel was told, by bytes alone.
#[derive(Clone, Default, PartialEq, Eq, Debug)]
struct Told {
    program: Option<u8>,
    controls: BTreeMap<u8, u8>,
    numbered: BTreeMap<(u8, u8), (u8, u8)>,
    bend: Option<u16>,
    pressure: Option<u8>,
    /// Note Ons less Note Offs.
    notes: BTreeMap<u8, i32>,
}

impl Told {
    fn hear(&mut self, message: Message) {
        match message {
            Message::NoteOn(_, key, velocity) => {
                assert!(velocity.get() > 0);
                *self.notes.entry(key.get()).or_default() += 1;
            }
            Message::NoteOff(_, key, _) => *self.notes.entry(key.get()).or_default() -= 1,
            Message::Control(_, number, _) if matches!(number.get(), 120 | 123) => {}
            Message::Control(_, number, value) if number.get() == 121 => {
                assert_eq!(value.get(), 0);
                // RP-015, the part that this show uses.
                self.controls.insert(1, 0);
                self.controls.insert(11, 127);
                for pedal in [64, 66, 67] {
                    self.controls.insert(pedal, 0);
                }
                self.bend = Some(8192);
                self.pressure = Some(0);
            }
            Message::Control(_, number, value) => {
                let at = |told: &Self, n| told.controls.get(&n).copied().unwrap_or(127);
                if number.get() == 38 {
                    let number = (at(self, 101), at(self, 100));
                    self.numbered.insert(number, (at(self, 6), value.get()));
                }
                self.controls.insert(number.get(), value.get());
            }
            Message::Program(_, program) => self.program = Some(program.get()),
            Message::Bend(_, value) => self.bend = Some(value.get()),
            Message::Pressure(_, value) => self.pressure = Some(value.get()),
            _ => {}
        }
    }

    /// What makes its sound, without notes and the passing numbers of parameters.
    fn sound(&self) -> Self {
        let mut sound = self.clone();
        sound.notes.clear();
        for number in [6, 38, 98, 99, 100, 101] {
            sound.controls.remove(&number);
        }
        sound
    }
}

type Place = (u8, u8);

/// Plays deeds and remembers what went out.
struct Hall {
    engine: Engine,
    now_us: u64,
    out: Outbox,
    ear: BTreeMap<Place, Told>,
    /// Messages of the last deed.
    last: Vec<(Place, Message)>,
}

impl Hall {
    fn new(book: Promptbook) -> Self {
        let mut hall = Self {
            engine: Engine::new(book, PositionId(0)),
            now_us: 0,
            out: Outbox::new(),
            ear: BTreeMap::new(),
            last: Vec::new(),
        };
        for port in 0..2 {
            hall.give(Input::OutputReady(OutPort(port)));
        }
        hall.wait(1000);
        hall
    }

    fn give(&mut self, input: Input) {
        self.out.clear();
        self.engine.handle(self.now_us, input, &mut self.out);
        assert_eq!(self.out.refused(), 0, "the outbox is never over-full");
        for output in self.out.items() {
            let Payload::Short(message) = output.payload else {
                continue;
            };
            assert_eq!(output.channel, message.channel());
            let place = (output.port.0, message.channel().unwrap().get());
            self.ear.entry(place).or_default().hear(message);
            self.last.push((place, message));
        }
    }

    fn wait(&mut self, wait_ms: u64) {
        let end_us = self.now_us + wait_ms * 1000;
        while let Some(due_us) = self.engine.next_deadline().filter(|due| *due <= end_us) {
            self.now_us = due_us;
            self.give(Input::Tick);
            assert!(self.engine.next_deadline().is_none_or(|next| next > due_us));
        }
        self.now_us = end_us;
    }

    fn midi(&mut self, controller: u8, message: Message) {
        self.give(Input::Midi(InPort(controller), message));
    }

    fn control(&mut self, controller: u8, number: u8, value: u8) {
        self.midi(
            controller,
            Message::Control(Channel::MIN, cc(number), v7(value)),
        );
    }

    fn act(&mut self, deed: Deed) {
        self.last.clear();
        match deed {
            Deed::On(c, k) => self.midi(c, Message::NoteOn(Channel::MIN, key(k), v7(90))),
            Deed::Off(c, k) => self.midi(c, Message::NoteOff(Channel::MIN, key(k), v7(64))),
            Deed::Pedal(c, p, v) => self.control(c, [64, 66, 67][usize::from(p)], v),
            Deed::Bend(c, v) => {
                self.midi(c, Message::Bend(Channel::MIN, Value14::new(v).unwrap()));
            }
            Deed::Press(c, v) => self.midi(c, Message::Pressure(Channel::MIN, v7(v))),
            Deed::Wheel(c, v) => self.control(c, 1, v),
            Deed::Foot(c, v) => self.control(c, 11, v),
            Deed::Step => self.give(Input::Command(Command::Step)),
            Deed::Back => self.give(Input::Command(Command::Back)),
            Deed::Jump(to) => self.give(Input::Command(Command::Jump(PositionId(to)))),
            Deed::Wait(ms) => self.wait(ms),
            Deed::LoseInput(port) => self.give(Input::InputLost(InPort(port))),
            Deed::LoseOutput(port) => {
                self.give(Input::OutputLost(OutPort(port)));
                // Whatever sounded there is beyond reach and beyond counting.
                self.ear.retain(|place, _| place.0 != port);
            }
            Deed::FindOutput(port) => self.give(Input::OutputReady(OutPort(port))),
            Deed::Panic => self.give(Input::Command(Command::Panic(None))),
            Deed::Resend => self.give(Input::Command(Command::Resend {
                receiver: None,
                is_forced: false,
            })),
            Deed::Fade(is_out) => self.give(Input::Command(Command::Fade(is_out))),
            Deed::Overflow(port) => self.give(Input::OutputOverflow(OutPort(port))),
        }
    }

    /// Everything under hands and feet comes up; everything that waits comes to rest.
    fn let_go(&mut self) {
        for controller in 0..2 {
            for k in 40..48 {
                self.act(Deed::Off(controller, k));
            }
            for pedal in 0..3 {
                self.act(Deed::Pedal(controller, pedal, 0));
            }
        }
        self.wait(5000);
    }

    fn view(&self) -> Box<View> {
        let mut view = Box::new(View::default());
        self.engine.view(&mut view);
        view
    }

    /// What the slots of the present scene's sounds were told, sound by sound.
    fn scene_told(&self) -> Vec<Told> {
        let book = self.engine.promptbook();
        let seats = self.view().seats;
        seats
            .iter()
            .flatten()
            .map(|slot| {
                let entry = book.slots[slot.index()];
                let place = (entry.port.0, entry.channel.get());
                self.ear.get(&place).cloned().unwrap_or_default().sound()
            })
            .collect()
    }
}

/// Manners with a wait, otherwise good.
const SLOW: Manners = Manners {
    load_us: 40_000,
    resets_controllers: true,
    ..GOOD
};

fn manners() -> impl Strategy<Value = Manners> {
    let primed = |manners| Manners {
        may_prime: true,
        ..manners
    };
    prop_oneof![
        Just(GOOD),
        Just(SLOW),
        Just(BAD),
        Just(PRIMED),
        Just(primed(SLOW)),
        Just(primed(BAD))
    ]
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Invariant 1: after all keys and pedals are up, each Note On has had its Note Off.
    #[test]
    fn every_note_ends(
        manners in manners(),
        slots in prop_oneof![Just(4u8), Just(SLOTS)],
        deeds in prop::collection::vec(trouble(), 1..120),
    ) {
        let mut hall = Hall::new(wild(manners, slots));
        for deed in deeds {
            hall.act(deed);
        }
        hall.let_go();
        for (place, told) in &hall.ear {
            for (key, balance) in &told.notes {
                prop_assert_eq!(*balance, 0, "key {} at {:?}", key, place);
            }
            for pedal in 64..=67 {
                let value = told.controls.get(&pedal).copied().unwrap_or(0);
                prop_assert_eq!(value, 0, "pedal {} at {:?}", pedal, place);
            }
        }
        let view = hall.view();
        prop_assert!(view.slots.iter().all(|slot| slot.notes == 0));
        prop_assert_eq!(view.counters.faults, 0);
        prop_assert_eq!(hall.engine.next_deadline(), None, "everything has come to rest");
    }

    /// Invariant 2: a slot with a note held from a scene that was left hears nothing of
    /// the new scene.
    #[test]
    fn held_over_notes_are_left_alone(
        manners in manners(),
        deeds in prop::collection::vec(playing(), 1..80),
    ) {
        let mut hall = Hall::new(show(manners, SLOTS));
        for deed in deeds {
            let before = hall.view();
            let ear_before = hall.ear.clone();
            hall.act(deed);
            let moves = matches!(deed, Deed::Step | Deed::Back | Deed::Jump(_));
            for (place, message) in &hall.last {
                // The organ has one slot and bad manners: there nothing can be spared.
                let slot = usize::from(place.1);
                let held = ear_before.get(place).map_or(0, |told| told.notes.values().sum::<i32>());
                let was_left = before.slots[slot].sound.is_none();
                if place.0 != 0 {
                    continue;
                }
                // A note that waited for the old patch may come out now, let go already.
                let is_end = |told: &Message| match (*message, *told) {
                    (Message::NoteOff(_, off, _), Message::NoteOn(_, on, _)) => off == on,
                    _ => false,
                };
                let is_short = hall.last.iter().any(|(at, told)| at == place && is_end(told));
                let is_off = matches!(message, Message::NoteOff(..)) && !is_short;
                prop_assert!(!(moves && is_off), "{:?} ended a note at {:?}", deed, place);
                // Held by key as the ear counts them, or by pedal.
                if held == 0 && before.slots[slot].notes == 0 {
                    continue;
                }
                if moves && hall.view().slots[slot].sound.is_none() {
                    prop_assert!(false, "{:?} sent {:?} to {:?}", deed, message, place);
                }
                if !was_left || moves {
                    continue;
                }
                // Key up, the pedal's way up and a fresh press, its own bend and pressure; what still loads
                // for a note that waits was promised before.
                let is_allowed = match *message {
                    Message::NoteOff(..) | Message::Pressure(..) => true,
                    Message::Bend(_, value) => {
                        let bent = ear_before[place].bend.unwrap_or(8192);
                        bent != 8192 || value.get() == 8192
                    }
                    Message::Control(_, number, value) => {
                        let told = ear_before[place].controls.get(&number.get());
                        // A fresh press holds what a key still holds (soft holds nothing).
                        let is_press = matches!(deed, Deed::Pedal(_, 0 | 1, 64..));
                        // Below 64 sostenuto is up, wherever it stands (GM2 §3.3.9).
                        let is_up = number.get() == 66 && value.get() < 64;
                        is_up || matches!(number.get(), 64 | 66) && is_press && held > 0
                            || matches!(number.get(), 64 | 66 | 67)
                                && told.is_some_and(|t| value.get() < *t)
                    }
                    _ => false,
                };
                let is_finishing = before.slots[slot].is_loading || matches!(deed, Deed::Wait(_));
                prop_assert!(is_allowed || is_finishing, "{:?} sent {:?} to {:?}", deed, message, place);
            }
        }
        let counters = hall.view().counters;
        prop_assert!(counters.faults == 0);
    }

    /// Invariant 4: whatever the walk, a position's slots are told the same as by a cold
    /// jump there, up to which slot of the group it is.
    #[test]
    fn the_way_to_a_position_does_not_matter(
        manners in manners(),
        deeds in prop::collection::vec(trouble(), 1..80),
        to in 0..SCENES,
    ) {
        let mut walked = Hall::new(wild(manners, SLOTS));
        let mut cold = Hall::new(wild(manners, SLOTS));
        for deed in deeds {
            walked.act(deed);
            // Equal hands and feet: the same movements, but nothing else.
            match deed {
                Deed::Bend(..) | Deed::Press(..) | Deed::Wheel(..) | Deed::Foot(..)
                | Deed::LoseInput(_) | Deed::Fade(_) => cold.act(deed),
                _ => {}
            }
        }
        for port in 0..2 {
            walked.act(Deed::FindOutput(port));
        }
        walked.let_go();
        for hall in [&mut walked, &mut cold] {
            hall.act(Deed::Jump(to));
            hall.let_go();
        }
        prop_assert_eq!(walked.scene_told(), cold.scene_told());
    }

    /// Invariant 7: the same inputs give the same messages.
    #[test]
    fn twice_is_the_same(
        manners in manners(),
        deeds in prop::collection::vec(trouble(), 1..80),
    ) {
        let play = || {
            let mut hall = Hall::new(wild(manners, 4));
            let mut all: Vec<Vec<(Place, Message)>> = Vec::new();
            for deed in &deeds {
                hall.act(*deed);
                all.push(hall.last.clone());
            }
            all
        };
        prop_assert_eq!(play(), play());
    }

    /// Invariant 6: after panic nothing is held, and the scene's slots are as from cold.
    #[test]
    fn after_panic_all_is_silent_and_set(
        manners in manners(),
        deeds in prop::collection::vec(playing(), 1..80),
    ) {
        let mut walked = Hall::new(wild(manners, SLOTS));
        let mut cold = Hall::new(wild(manners, SLOTS));
        for deed in deeds {
            walked.act(deed);
            if matches!(deed, Deed::Bend(..) | Deed::Press(..) | Deed::Wheel(..) | Deed::Foot(..)) {
                cold.act(deed);
            }
        }
        walked.act(Deed::Panic);
        prop_assert!(walked.ear.values().all(|told| told.notes.values().all(|n| *n == 0)));
        prop_assert!(walked.view().slots.iter().all(|slot| slot.notes == 0));
        walked.let_go();
        let at = walked.view().position;
        cold.act(Deed::Jump(at.0));
        cold.let_go();
        prop_assert_eq!(walked.scene_told(), cold.scene_told());
    }
}

/// The judge can fail: a Note Off taken away is noticed.
#[test]
fn the_ear_hears_a_missing_note_off() {
    let mut told = Told::default();
    told.hear(Message::NoteOn(Channel::MIN, key(60), v7(1)));
    assert_eq!(told.notes[&60], 1);
    let output = Output {
        port: OutPort(0),
        urgency: Urgency::Live,
        channel: Some(Channel::MIN),
        payload: Payload::Short(Message::NoteOff(Channel::MIN, key(60), v7(64))),
    };
    if let Payload::Short(message) = output.payload {
        told.hear(message);
    }
    assert_eq!(told.notes[&60], 0);
}

/// The same night with everything numbered otherwise: a scene and a sound that are played
/// nowhere come first.
fn renumbered(book: &Promptbook) -> Promptbook {
    let mut new = book.clone();
    let first = book.sounds[0];
    new.sounds = std::iter::once(SoundEntry { pan: None, ..first })
        .chain(book.sounds.iter().copied())
        .collect();
    let shifted = book.scenes.iter().map(|scene| SceneEntry {
        sounds: Span {
            start: scene.sounds.start + 1,
            ..scene.sounds
        },
        ..*scene
    });
    new.scenes = std::iter::once(SceneEntry::default())
        .chain(shifted)
        .collect();
    for position in &mut new.positions {
        position.scene.0 += 1;
    }
    new
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Taking a book that says the same changes no message, whatever sounds.
    #[test]
    fn an_equal_night_taken_at_any_time_changes_nothing(
        manners in manners(),
        slots in prop_oneof![Just(4u8), Just(SLOTS)],
        deeds in proptest::collection::vec((trouble(), prop::bool::weighted(0.3)), 1..120),
    ) {
        let book = wild(manners, slots);
        let (mut plain, mut swapped) = (Hall::new(book.clone()), Hall::new(book.clone()));
        let books = [book.clone(), renumbered(&book)].map(Arc::new);
        let mut swaps = 0;
        for (deed, is_swap) in deeds {
            if is_swap {
                swaps += 1;
                let at = swapped.view().position;
                let old = Arc::clone(swapped.engine.promptbook());
                let mut swap = Swap::prepare(&old, Arc::clone(&books[swaps % 2]), at, at).unwrap();
                swapped.out.clear();
                let now_us = swapped.now_us;
                swapped.engine.take_book(now_us, &mut swap, &mut swapped.out).unwrap();
                prop_assert_eq!(swapped.out.items(), &[]);
            }
            plain.act(deed);
            swapped.act(deed);
            prop_assert_eq!(&plain.last, &swapped.last, "{:?}", deed);
        }
        plain.let_go();
        swapped.let_go();
        prop_assert_eq!(&plain.last, &swapped.last);
        let (mut view, other) = (plain.view(), swapped.view());
        view.edition = other.edition;
        prop_assert_eq!(view, other);
    }
}

impl Hall {
    /// What a press sends to each port until its patches have loaded, in bytes, and when the
    /// last of it went out.
    fn press(&mut self) -> ([u32; 2], u64) {
        let start_us = self.now_us;
        let end_us = start_us + 500_000;
        let (mut bytes, mut last_us) = ([0; 2], start_us);
        let mut input = Input::Command(Command::Step);
        loop {
            self.give(input);
            for output in self.out.items() {
                let Payload::Short(message) = output.payload else {
                    continue;
                };
                if output.urgency != Urgency::Prime {
                    bytes[output.port.index()] += message.encode().as_slice().len() as u32;
                    last_us = self.now_us;
                }
            }
            let due = self.engine.next_deadline().filter(|due| *due <= end_us);
            let Some(due_us) = due else { break };
            (self.now_us, input) = (due_us, Input::Tick);
        }
        (bytes, last_us - start_us)
    }

    fn price(&mut self) -> NextView {
        let engine = &mut self.engine;
        engine.foresight.price(&engine.book, &engine.machine)
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// The press is tried out on a machine of its own, at any time: the one that is played is
    /// the same afterwards in all its parts, and once all is silent the press sends what the
    /// price says, by when it says.
    #[test]
    fn a_price_changes_nothing_and_is_what_the_press_sends(
        manners in manners(),
        slots in prop_oneof![Just(4u8), Just(SLOTS)],
        deeds in prop::collection::vec(playing(), 1..60),
    ) {
        let mut hall = Hall::new(wild(manners, slots));
        for deed in deeds {
            hall.act(deed);
            let before = format!("{:?}", hall.engine.machine);
            hall.price();
            prop_assert_eq!(before, format!("{:?}", hall.engine.machine));
        }
        hall.let_go();
        let price = hall.price();
        prop_assert_eq!(price, hall.view().next, "and it is shown");
        if price.position.is_some() {
            let (bytes, last_us) = hall.press();
            prop_assert_eq!(price.ports.map(|port| port.bytes)[..2].to_vec(), bytes.to_vec());
            prop_assert!(u64::from(price.ready_us) >= last_us, "{price:?}: {last_us}");
        }
    }
}
