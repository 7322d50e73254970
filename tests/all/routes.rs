//! What hands and feet move, from the show's files to what a receiver holds: every kind of
//! source onto every kind of parameter, and what happens to it over scenes.

use std::sync::Arc;

use proptest::prelude::*;
use segue::engine::Engine;
use segue::engine::input::{Command, Input, Outbox, Payload};
use segue::engine::promptbook::{InPort, OutPort, PositionId, Promptbook};
use segue::engine::view::View;
use segue::midi::{Channel, Controller, Key, Message, Value7, Value14};
use segue::replay::{self, Run};
use segue::sim::slot::Parameter;
use segue::sim::{ReceiverModel, ReceiverSpec, SlotState};
use segue::wire::PortKind;

use crate::small_shows;

const SOURCES: &str = r#"
    "wheel": Control(2), "foot": Control(4), "expression": Control(11), "bend": Bend,
    "hold": Control(64), "button": Switch(80), "knob": Pair(17), "data": Nrpn(3, 4),
    "pad": Note("C1"), "touch": Pressure, "keys": PolyPressure,
    "turned": (sends: Control(5), inverted: true),
    "turned switch": (sends: Switch(81), inverted: true),
"#;

const PARAMETERS: &str = r#"
    "cutoff": (sends: Control(74), neutral: 64),
    "fine": (sends: Pair(16), neutral: 0),
    "depth": (sends: Rpn(0, 5), neutral: 64),
    "rate": (sends: Nrpn(1, 8), neutral: 0),
    "time": (sends: Exclusive("F0 7D 01 vv F7"), neutral: 0),
    "rotary": (sends: Control(82), neutral: 0, states: {"stop": 0, "slow": 64, "fast": 127}),
"#;

/// A show of one song: what stands in the rig's `routes`, and the scenes.
fn night(routes: &str, scenes: &[&str]) -> Promptbook {
    night_on("Usb", SOURCES, routes, scenes)
}

fn night_on(kind: &str, sources: &str, routes: &str, scenes: &[&str]) -> Promptbook {
    let rig = format!(
        r#"(
    version: 1,
    ports: {{"keys": (name: "Keys"), "upper": (name: "Upper"), "rack": (name: "Rack", kind: {kind})}},
    controllers: {{
        "lower": (port: "keys", channel: 1, keys: "C2..C7", sources: {{{sources}}}),
        "upper": (port: "upper", channel: 1, keys: "C2..C7", sources: {{
            "ribbon": (sends: Bend, bend_range: 12), "lever": Control(1),
        }}),
    }},
    receivers: {{
        "main": (port: "rack", slots: "1..4", patches: GeneralMidi, manners: Gm2,
            parameters: {{{PARAMETERS}}}),
    }},
    defaults: (from: "lower", to: "main"),
    routes: {{{routes}}},
)"#
    );
    small_shows::book(&rig, scenes)
}

const ORGAN: &str = r#"zones: {"all": (patch: "Drawbar Organ")}"#;
const PIANO: &str = r#"zones: {"all": (patch: "Acoustic Grand Piano")}"#;

fn with(scene: &str, more: &str) -> String {
    format!("{scene}, {more}")
}

fn message(hex: &str) -> Message {
    let bytes: Vec<u8> = hex
        .split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect();
    let at = |index: usize| bytes.get(index).copied().unwrap_or(0);
    let v7 = |index| Value7::new(at(index)).unwrap();
    let channel = Channel::new(at(0) & 15).unwrap();
    let key = || Key::new(at(1)).unwrap();
    match at(0) >> 4 {
        8 => Message::NoteOff(channel, key(), v7(2)),
        9 => Message::NoteOn(channel, key(), v7(2)),
        10 => Message::PolyPressure(channel, key(), v7(2)),
        11 => Message::Control(channel, Controller::new(at(1)).unwrap(), v7(2)),
        13 => Message::Pressure(channel, v7(1)),
        14 => Message::Bend(channel, Value14::from_parts(v7(2), v7(1))),
        _ => panic!("{hex}"),
    }
}

fn model() -> ReceiverModel {
    ReceiverModel::new(ReceiverSpec::gm2())
}

/// A night being played, with a model at the far end.
struct Stage {
    engine: Engine,
    now_us: u64,
    out: Outbox,
    model: ReceiverModel,
    /// Times and messages that went out, as hex.
    sent: Vec<(u64, String)>,
}

impl Stage {
    fn new(book: Promptbook) -> Self {
        let mut stage = Self {
            engine: Engine::new(book, PositionId(0)),
            now_us: 1_000_000,
            out: Outbox::new(),
            model: model(),
            sent: Vec::new(),
        };
        stage.input(Input::InputReady(InPort(0)));
        stage.input(Input::InputReady(InPort(1)));
        stage.input(Input::OutputReady(OutPort(0)));
        stage
    }

    /// What goes out for one input, as hex.
    fn input(&mut self, input: Input) -> String {
        self.out.clear();
        self.engine.handle(self.now_us, input, &mut self.out);
        let book = Arc::clone(self.engine.promptbook());
        let mut words = Vec::new();
        for output in self.out.items() {
            let bytes = match output.payload {
                Payload::Short(message) => message.encode().as_slice().to_vec(),
                Payload::Blob(blob) => book.blobs[blob.index()].to_vec(),
            };
            self.model.feed(self.now_us, &bytes);
            let hex: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
            self.sent.push((self.now_us, hex.join(" ")));
            words.push(hex.join(" "));
        }
        words.join(", ")
    }

    fn lower(&mut self, hex: &str) -> String {
        self.input(Input::Midi(InPort(0), message(hex)))
    }

    fn upper(&mut self, hex: &str) -> String {
        self.input(Input::Midi(InPort(1), message(hex)))
    }

    fn step(&mut self) -> String {
        self.input(Input::Command(Command::Step))
    }

    fn jump(&mut self, to: u32) -> String {
        self.input(Input::Command(Command::Jump(PositionId(to))))
    }

    fn wait(&mut self, ms: u64) {
        let end_us = self.now_us + ms * 1000;
        while let Some(due_us) = self.engine.next_deadline().filter(|due| *due <= end_us) {
            self.now_us = self.now_us.max(due_us);
            self.input(Input::Tick);
            let next = self.engine.next_deadline();
            assert!(
                next.is_none_or(|next| next > due_us),
                "a deadline was not served"
            );
        }
        self.now_us = end_us;
    }

    fn view(&self) -> Box<View> {
        let mut view = Box::new(View::default());
        self.engine.view(&mut view);
        view
    }

    /// The slot of the first sound, as the model has it.
    fn slot(&self) -> &SlotState {
        self.model.slot(self.channel())
    }

    fn channel(&self) -> Channel {
        let slot = self.view().seats[0].unwrap();
        self.engine.promptbook().slots[slot.index()].channel
    }

    fn control(&self, number: u8) -> u8 {
        self.slot().controllers[usize::from(number)].get()
    }
}

/// A kind of source: its name in the rig, the positions tried, and what it sends for each.
struct Touch {
    name: &'static str,
    most: u16,
    positions: &'static [u16],
    is_turned: bool,
    sends: fn(u16) -> Vec<String>,
}

const WIDE: &[u16] = &[
    0, 1, 100, 4_096, 8_191, 8_192, 8_193, 12_345, 16_382, 16_383,
];
const NARROW: &[u16] = &[0, 1, 31, 63, 64, 65, 100, 126, 127];

fn halves(value: u16) -> (u16, u16) {
    (value >> 7, value & 127)
}

fn touches() -> Vec<Touch> {
    let touch = |name, positions: &'static [u16], sends| Touch {
        name,
        most: positions[positions.len() - 1],
        positions,
        is_turned: false,
        sends,
    };
    vec![
        touch("wheel", NARROW, |v| vec![format!("b0 02 {v:02x}")]),
        Touch {
            is_turned: true,
            ..touch("turned", NARROW, |v| vec![format!("b0 05 {v:02x}")])
        },
        touch("button", &[0, 127], |v| vec![format!("b0 50 {v:02x}")]),
        Touch {
            is_turned: true,
            ..touch("turned switch", &[0, 127], |v| {
                vec![format!("b0 51 {v:02x}")]
            })
        },
        touch("knob", WIDE, |v| {
            let (msb, lsb) = halves(v);
            vec![format!("b0 11 {msb:02x}"), format!("b0 31 {lsb:02x}")]
        }),
        touch("data", WIDE, |v| {
            let (msb, lsb) = halves(v);
            vec![
                "b0 63 03".into(),
                "b0 62 04".into(),
                format!("b0 06 {msb:02x}"),
                format!("b0 26 {lsb:02x}"),
            ]
        }),
        touch("pad", &[0, 1, 64, 127], |v| {
            if v == 0 {
                return vec!["80 18 40".into()];
            }
            vec![format!("90 18 {v:02x}")]
        }),
        touch("bend", WIDE, |v| {
            let (msb, lsb) = halves(v);
            vec![format!("e0 {lsb:02x} {msb:02x}")]
        }),
        touch("touch", NARROW, |v| vec![format!("d0 {v:02x}")]),
        touch("keys", NARROW, |v| vec![format!("a0 3c {v:02x}")]),
    ]
}

/// A kind of parameter: its name in a route, its range there, and its value at the far end.
struct Aim {
    set: &'static str,
    range: &'static str,
    ends: (f64, f64),
    /// One step of its resolution.
    step: f64,
    value: fn(&SlotState, &[Vec<u8>]) -> f64,
}

fn aims() -> Vec<Aim> {
    let aim = |set, most, value| Aim {
        set,
        range: "",
        ends: (0.0, most),
        step: 1.0,
        value,
    };
    vec![
        aim("\"cutoff\"", 127.0, |slot, _| {
            slot.controllers[74].get().into()
        }),
        aim("\"fine\"", 16_383.0, |slot, _| {
            let (msb, lsb) = (slot.controllers[16], slot.controllers[48]);
            Value14::from_parts(msb, lsb).get().into()
        }),
        aim("\"depth\"", 16_383.0, |slot, _| {
            slot.parameter(Parameter::Registered(Value14::clamped(5)))
                .get()
                .into()
        }),
        aim("\"rate\"", 16_383.0, |slot, _| {
            slot.parameter(Parameter::NonRegistered(Value14::clamped(136)))
                .get()
                .into()
        }),
        aim("\"time\"", 127.0, |_, sent| {
            let last = sent.iter().rev().find(|bytes| bytes[0] == 0xf0);
            last.map_or(0.0, |bytes| f64::from(bytes[3]))
        }),
        Aim {
            range: "range: \"-12..12\",",
            ends: (-1_200.0, 1_200.0),
            step: 1_200.0 / 8_192.0,
            ..aim("Bend", 0.0, |slot, _| slot.pitch_cents())
        },
        aim("Pressure", 127.0, |slot, _| slot.pressure.get().into()),
        aim("Level", 127.0, |slot, _| slot.controllers[11].get().into()),
    ]
}

/// How far along its way a source is: half way at its centre, which both resolutions have
/// exactly (MIDI 1.0: 64 and 8192).
fn part(position: u16, most: u16) -> f64 {
    let centre = f64::from(most / 2 + 1);
    let (position, most) = (f64::from(position), f64::from(most));
    if position <= centre {
        position / centre / 2.0
    } else {
        0.5 + (position - centre) / (most - centre) / 2.0
    }
}

/// Every kind of source onto every kind of parameter, each position played in virtual time
/// and judged at the far end, within one step of the parameter.
#[test]
fn every_source_moves_every_parameter() {
    let scene = r#"zones: {"all": (patch: "Drawbar Organ", bend_range: 12)}"#;
    let mut cells = 0;
    for touch in touches() {
        for aim in aims() {
            let route = format!(
                "\"r\": (from: (\"lower\", \"{}\"), to: \"main\", set: {}, {})",
                touch.name, aim.set, aim.range
            );
            let book = Arc::new(night(&route, &[scene]));
            for position in touch.positions {
                let value = played(&book, &aim, &(touch.sends)(*position));
                let along = part(*position, touch.most);
                let along = if touch.is_turned { 1.0 - along } else { along };
                let wanted = aim.ends.0 + (aim.ends.1 - aim.ends.0) * along;
                assert!(
                    (value - wanted).abs() <= aim.step,
                    "{} at {position} onto {}: {value}, not {wanted}",
                    touch.name,
                    aim.set
                );
                cells += 1;
            }
        }
    }
    assert_eq!(cells, (3 * 9 + 3 * 10 + 2 * 2 + 4 + 9) * 8);
}

/// The value at the far end after these messages, from another place than where they lead.
fn played(book: &Arc<Promptbook>, aim: &Aim, messages: &[String]) -> f64 {
    let mut inputs = replay::ready(book);
    for (index, hex) in (0u64..).zip(messages) {
        let input = Input::Midi(InPort(0), message(hex));
        inputs.push((1_000_000 + index * 1_000, input));
    }
    let kinds = vec![PortKind::Usb; book.out_ports.len()];
    let mut model = model();
    let mut sent = Vec::new();
    let run = Run {
        book: Arc::clone(book),
        kinds: &kinds,
        start: PositionId(0),
        inputs: &inputs,
    };
    let outcome = replay::run(&run, &mut |now_us, _, bytes| {
        model.feed(now_us, bytes);
        sent.push(bytes.to_vec());
    });
    let slot = book.slots[outcome.view.seats[0].unwrap().index()];
    (aim.value)(model.slot(slot.channel), &sent)
}

const FILTER: &str = r#""filter": (from: ("lower", "wheel"), to: "main", set: "cutoff")"#;

#[test]
fn a_led_source_goes_its_own_way_no_more_unless_it_says_so() {
    let mut stage = Stage::new(night(FILTER, &[ORGAN]));
    assert_eq!(stage.lower("b0 02 20"), "b0 4a 20");
    assert_eq!(
        stage.lower("b0 04 20"),
        "b0 04 20",
        "what is not led passes"
    );
    let both = r#""filter": (from: ("lower", "wheel"), to: "main", set: "cutoff", pass: true)"#;
    let mut stage = Stage::new(night(both, &[ORGAN]));
    assert_eq!(stage.lower("b0 02 20"), "b0 4a 20, b0 02 20");
}

#[test]
fn a_scene_takes_a_route_away_or_changes_a_part_of_it() {
    let off = with(PIANO, "routes: {\"filter\": Off}");
    let turned = with(ORGAN, "routes: {\"filter\": (inverted: true)}");
    let mut stage = Stage::new(night(FILTER, &[ORGAN, &off, &turned]));
    stage.lower("b0 02 20");
    stage.step();
    assert_eq!(stage.control(74), 64, "the neutral value");
    assert_eq!(stage.control(2), 0x20, "the wheel is a wheel again");
    stage.step();
    assert_eq!(stage.control(74), 127 - 0x20);
}

#[test]
fn jump_takes_the_position_and_before_any_movement_the_scenes_value() {
    let at_90 = with(PIANO, "parameters: {\"main\": {\"cutoff\": 90}}");
    let mut stage = Stage::new(night(FILTER, &[ORGAN, &at_90]));
    assert_eq!(stage.control(74), 64);
    stage.step();
    assert_eq!(stage.control(74), 90);
    stage.jump(0);
    stage.lower("b0 02 20");
    stage.step();
    assert_eq!(stage.control(74), 0x20);
}

#[test]
fn wait_holds_the_scenes_value_until_the_source_passes_it() {
    let wait = r#""filter": (from: ("lower", "wheel"), to: "main", set: "cutoff", pick_up: Wait)"#;
    let at_90 = with(PIANO, "parameters: {\"main\": {\"cutoff\": 90}}");
    let mut stage = Stage::new(night(wait, &[ORGAN, &at_90]));
    stage.lower("b0 02 20");
    stage.step();
    assert_eq!(stage.control(74), 90);
    assert_eq!(stage.view().waiting, 1);
    assert_eq!(stage.lower("b0 02 50"), "");
    let out = stage.lower("b0 02 60");
    assert!(out.ends_with("4a 60"), "passed 90: {out}");
    assert_eq!(stage.view().waiting, 0);
    let out = stage.lower("b0 02 10");
    assert!(out.ends_with("4a 10"), "{out}");
}

#[test]
fn scale_leads_from_the_scenes_value_to_both_ends() {
    let scale =
        r#""filter": (from: ("lower", "wheel"), to: "main", set: "cutoff", pick_up: Scale)"#;
    let at_90 = with(PIANO, "parameters: {\"main\": {\"cutoff\": 90}}");
    let mut stage = Stage::new(night(scale, &[ORGAN, &at_90]));
    stage.lower("b0 02 40");
    stage.step();
    assert_eq!(stage.control(74), 90);
    stage.lower("b0 02 20");
    assert_eq!(stage.control(74), 45, "half of what is left below");
    stage.lower("b0 02 7f");
    assert_eq!(stage.control(74), 127);
    stage.lower("b0 02 20");
    assert_eq!(
        stage.control(74),
        0x20,
        "an end was reached: they agree again"
    );
}

#[test]
fn switches_press_once_and_flutter_never() {
    let momentary = r#""r": (from: ("lower", "foot"), to: "main", set: "rotary",
        mode: Momentary(at: "60..70"), range: "slow..fast")"#;
    let mut stage = Stage::new(night(momentary, &[ORGAN]));
    let mut held = Vec::new();
    for value in [0, 65, 69, 70, 65, 60, 59, 65, 127] {
        stage.lower(&format!("b0 04 {value:02x}"));
        held.push(stage.control(82));
    }
    assert_eq!(held, [64, 64, 64, 127, 127, 127, 64, 64, 127]);

    let toggle = r#""r": (from: ("lower", "button"), to: "main", set: "rotary",
        mode: Toggle, range: "slow..fast")"#;
    let slow = with(ORGAN, "parameters: {\"main\": {\"rotary\": \"slow\"}}");
    let mut stage = Stage::new(night(toggle, &[&slow]));
    let mut held = vec![stage.control(82)];
    for value in [127, 0, 127, 127, 0, 127] {
        stage.lower(&format!("b0 50 {value:02x}"));
        held.push(stage.control(82));
    }
    assert_eq!(held, [64, 127, 127, 64, 64, 64, 127]);
}

#[test]
fn steps_and_bands_have_three_states() {
    let steps = r#""r": (from: ("lower", "button"), to: "main", set: "rotary",
        mode: Steps(["stop", "slow", "fast"]))"#;
    let slow = with(ORGAN, "parameters: {\"main\": {\"rotary\": \"slow\"}}");
    let mut stage = Stage::new(night(steps, &[&slow]));
    assert_eq!(stage.view().routes[0], Some(64));
    let mut held = Vec::new();
    for _ in 0..3 {
        stage.lower("b0 50 7f");
        stage.lower("b0 50 00");
        held.push(stage.control(82));
    }
    assert_eq!(held, [127, 0, 64], "on from where the scene is");
    let bands = r#""r": (from: ("lower", "wheel"), to: "main", set: "rotary",
        mode: Bands([(0, "stop"), (43, "slow"), (86, "fast")]))"#;
    let mut stage = Stage::new(night(bands, &[ORGAN]));
    let mut held = Vec::new();
    for value in [0, 42, 43, 85, 86, 127] {
        stage.lower(&format!("b0 02 {value:02x}"));
        held.push(stage.control(82));
    }
    assert_eq!(held, [0, 0, 64, 64, 127, 127]);
    assert_eq!(stage.view().routes[0], Some(127), "and the view says which");
}

#[test]
fn two_sources_join() {
    for (join, held) in [
        ("Last", [0x20, 0x50, 0x10, 0x10]),
        ("Highest", [0x20, 0x50, 0x50, 0x10]),
        ("Sum", [0x20, 0x70, 0x60, 0x20]),
    ] {
        let route = format!(
            r#""r": (from: [("lower", "wheel"), ("lower", "foot")], join: {join},
                to: "main", set: "cutoff")"#
        );
        let mut stage = Stage::new(night(&route, &[ORGAN]));
        let mut found = Vec::new();
        for hex in ["b0 02 20", "b0 04 50", "b0 02 10", "b0 04 10"] {
            stage.lower(hex);
            found.push(stage.control(74));
        }
        // Seven bits are summed in fourteen: within a step.
        let is_near = |(a, b): (&u8, &u8)| a.abs_diff(*b) <= 1;
        assert!(found.iter().zip(&held).all(is_near), "{join}: {found:?}");
    }
}

#[test]
fn a_route_reaches_the_zones_it_names() {
    let scene = r#"zones: {
            "low": (keys: "C2..B3", patch: "Drawbar Organ"),
            "high": (keys: "C4..C7", patch: "Acoustic Grand Piano"),
        }, routes: {"r": (from: ("lower", "wheel"), to: "main", set: "cutoff", zones: ["high"])}"#;
    let mut stage = Stage::new(night("", &[scene]));
    let seats = stage.view().seats;
    let channel = stage.engine.promptbook().slots[seats[1].unwrap().index()].channel;
    let out = stage.lower("b0 02 20");
    assert_eq!(out, format!("b{:x} 4a 20", channel.get()));
}

/// Invariant 2: a slot that was left hears nothing of the new scene's routes.
#[test]
fn a_held_over_note_hears_no_route_but_its_own_bend_back() {
    let first = with(
        ORGAN,
        r#"routes: {"dive": (from: ("lower", "wheel"), to: "main", set: Bend, range: "0..2")}"#,
    );
    let second = with(
        PIANO,
        r#"routes: {"filter": (from: ("lower", "wheel"), to: "main", set: "cutoff")}"#,
    );
    let mut stage = Stage::new(night("", &[&first, &second]));
    let old = stage.channel();
    stage.lower("90 3c 64");
    assert_eq!(stage.lower("b0 02 7f"), "e0 7f 7f");
    stage.step();
    let new = stage.channel();
    assert_ne!(old, new);
    let filter = |value: u8| format!("b{:x} 4a {value:02x}", new.get());
    let out = stage.lower("b0 02 40");
    assert!(out.contains(&filter(0x40)), "{out}");
    assert!(
        out.contains(&format!("e{:x}", old.get())),
        "its own way back: {out}"
    );
    stage.lower("b0 02 00");
    assert_eq!(stage.model.slot(old).bend, Value14::CENTRE);
    assert_eq!(stage.lower("b0 02 50"), filter(0x50), "and there it stays");
    assert_eq!(stage.model.slot(old).controllers[74].get(), 64);
}

/// Invariant 4: routes begin anew from positions alone.
#[test]
fn the_way_to_a_scene_does_not_matter() {
    let rig = r#"
        "filter": (from: ("lower", "wheel"), to: "main", set: "cutoff"),
        "fine": (from: ("lower", "knob"), to: "main", set: "fine", pick_up: Wait),
        "rate": (from: ("lower", "foot"), to: "main", set: "rate", pick_up: Scale),
        "rotary": (from: ("lower", "button"), to: "main", set: "rotary", mode: Toggle),
        "dive": (from: ("lower", "turned"), to: "main", set: Bend, range: "-2..2"),
        "fade": (from: ("lower", "touch"), to: "main", set: Level)"#;
    let off = with(
        PIANO,
        "routes: {\"filter\": Off, \"dive\": Off, \"fade\": Off}",
    );
    let strings = r#"zones: {"all": (patch: "String Ensemble 1")}"#;
    let scenes = [ORGAN, off.as_str(), strings];
    let hands = [
        "b0 02 21", "b0 11 20", "b0 31 05", "b0 04 33", "b0 50 7f", "b0 50 00", "b0 05 30",
        "d0 44", "b0 0b 60",
    ];
    let mut cold = Stage::new(night(rig, &scenes));
    for hex in hands {
        cold.lower(hex);
    }
    cold.jump(1);
    cold.jump(2);
    for walk in [&[1, 0, 2][..], &[1, 2, 1, 0, 1, 2], &[2, 1, 2]] {
        let mut walked = Stage::new(night(rig, &scenes));
        for (at, hex) in hands.iter().enumerate() {
            walked.lower(hex);
            walked.jump(walk[at % walk.len()]);
            walked.wait(5);
        }
        for to in walk {
            walked.jump(*to);
        }
        walked.wait(10);
        assert!(
            walked.slot().is_like(cold.slot()),
            "{walk:?}: {:?} {:?}",
            walked.slot(),
            cold.slot()
        );
    }
}

#[test]
fn a_route_of_a_sound_that_stays_goes_on() {
    let wait = r#""filter": (from: ("lower", "wheel"), to: "main", set: "cutoff", pick_up: Wait),
        "rotary": (from: ("lower", "button"), to: "main", set: "rotary", mode: Toggle)"#;
    let words = with(ORGAN, "player: \"the same again\"");
    let mut stage = Stage::new(night(wait, &[ORGAN, &words, PIANO]));
    for hex in ["b0 02 7f", "b0 02 20", "b0 50 7f", "b0 50 00", "90 3c 64"] {
        stage.lower(hex);
    }
    assert_eq!((stage.control(74), stage.control(82)), (0x20, 127));
    assert_eq!(
        stage.step(),
        "",
        "what hands made of a sound that stays is left alone"
    );
    assert_eq!((stage.control(74), stage.control(82)), (0x20, 127));
    stage.lower("b0 02 30");
    assert_eq!(stage.control(74), 0x30);
    stage.step();
    assert_eq!(
        (stage.control(74), stage.control(82)),
        (64, 0),
        "a new sound is as the scene says"
    );
}

#[test]
fn a_route_that_ends_gives_back_the_scenes_value_once_its_sound_is_silent() {
    let off = with(ORGAN, "routes: {\"filter\": Off}");
    let mut stage = Stage::new(night(FILTER, &[ORGAN, &off]));
    stage.lower("b0 02 20");
    stage.lower("90 3c 64");
    assert_eq!(stage.step(), "", "not while it sounds");
    stage.lower("80 3c 40");
    stage.wait(5_000);
    assert_eq!(stage.control(74), 64);
    assert_eq!(stage.control(2), 0x20);
}

#[test]
fn a_smoothed_route_arrives() {
    let smooth = r#""r": (from: ("lower", "wheel"), to: "main", set: "cutoff", smooth_ms: 100)"#;
    let mut stage = Stage::new(night(smooth, &[ORGAN]));
    stage.lower("b0 02 00");
    stage.wait(200);
    stage.sent.clear();
    stage.lower("b0 02 7f");
    let start_us = stage.now_us;
    stage.wait(200);
    assert_eq!(stage.control(74), 127);
    let arrived_us = stage.sent.last().unwrap().0 - start_us;
    assert!((90_000..=105_000).contains(&arrived_us), "{arrived_us}");
    let values: Vec<&str> = stage.sent.iter().map(|(_, hex)| &hex[6..]).collect();
    assert!(values.is_sorted() && values.len() >= 15, "{values:?}");
}

/// By the level law parts of expression multiply as their levels add up (GM2 §3.3.6:
/// 64 and 64 of 127 are −23.8 dB).
#[test]
fn a_layer_fades_under_its_foot() {
    let scene = r#"zones: {
            "organ": (patch: "Drawbar Organ", level: 4.15),
            "strings": (patch: "String Ensemble 1", level: 4.15),
        }, routes: {"bar": (from: ("lower", "wheel"), to: "main", set: Level, zones: ["strings"])}"#;
    let mut stage = Stage::new(night("", &[scene]));
    let seats = stage.view().seats;
    let channel = |at: usize| stage.engine.promptbook().slots[seats[at].unwrap().index()].channel;
    let (organ, strings) = (channel(0), channel(1));
    for hex in ["b0 0b 40", "b0 02 40"] {
        stage.lower(hex);
    }
    let level = |stage: &Stage, channel| stage.model.level_db(channel);
    assert!((level(&stage, organ) - -11.9).abs() <= 0.1);
    assert!(
        (level(&stage, strings) - -23.8).abs() <= 0.2,
        "{}",
        level(&stage, strings)
    );
    stage.lower("b0 02 00");
    assert_eq!(level(&stage, strings), f64::NEG_INFINITY);
    stage.lower("b0 0b 50");
    assert_eq!(
        level(&stage, strings),
        f64::NEG_INFINITY,
        "the foot does not bring it back"
    );
    stage.lower("b0 02 7f");
    assert_eq!(stage.model.slot(strings).controllers[11].get(), 0x50);
}

/// A wheel of two semitones and a ribbon of twelve on one sound of twelve: the pitch that
/// each means, within one step of the bend.
#[test]
fn wheels_of_different_ranges_bend_one_sound() {
    let sources = r#""bend": (sends: Bend, bend_range: 2)"#;
    let scene = r#"zones: {
            "low": (patch: "Drawbar Organ", bend_range: 12),
            "high": (from: "upper", patch: "Drawbar Organ", bend_range: 12),
        }"#;
    let mut stage = Stage::new(night_on("Usb", sources, "", &[scene]));
    let step = 1_200.0 / 8_192.0;
    for (value, of_wheel) in [
        (12_288_u16, 100.0),
        (10_240, 50.0),
        (0, -200.0),
        (8_192, 0.0),
    ] {
        let (msb, lsb) = halves(value);
        stage.lower(&format!("e0 {lsb:02x} {msb:02x}"));
        assert!(
            (stage.slot().pitch_cents() - of_wheel).abs() <= step,
            "wheel {value}"
        );
        stage.upper(&format!("e0 {lsb:02x} {msb:02x}"));
        let of_ribbon = of_wheel * 6.0;
        assert!(
            (stage.slot().pitch_cents() - of_ribbon).abs() <= step,
            "ribbon {value}"
        );
    }
}

#[test]
fn half_a_pair_alone_counts_after_a_moment() {
    let route = r#""r": (from: ("lower", "knob"), to: "main", set: "fine")"#;
    let mut stage = Stage::new(night(route, &[ORGAN]));
    stage.lower("b0 11 20");
    assert_eq!(stage.control(16), 0);
    stage.wait(6);
    assert_eq!((stage.control(16), stage.control(48)), (0x20, 0));
    stage.lower("b0 31 15");
    assert_eq!((stage.control(16), stage.control(48)), (0x20, 0x15));
}

#[test]
fn a_led_pedal_holds_nothing_and_one_that_holds_comes_up() {
    let route =
        r#"routes: {"r": (from: ("lower", "hold"), to: "main", set: "rotary", mode: Momentary)}"#;
    let led = with(PIANO, route);
    let mut stage = Stage::new(night("", &[ORGAN, &led]));
    let old = stage.channel();
    stage.lower("90 3c 64");
    stage.lower("b0 40 7f");
    stage.lower("80 3c 40");
    stage.step();
    assert_eq!(stage.control(64), 0, "a pedal that is led is no pedal");
    stage.lower("b0 40 00");
    assert_eq!(stage.model.slot(old).controllers[64].get(), 0);
    stage.lower("b0 40 7f");
    assert_eq!((stage.control(64), stage.control(82)), (0, 127));
}

#[test]
fn a_switch_that_is_turned_round_holds_when_it_sends_nothing() {
    let sources = r#""hold": (sends: Switch(64), inverted: true)"#;
    let mut stage = Stage::new(night_on("Usb", sources, "", &[ORGAN]));
    assert_eq!(stage.lower("b0 40 00"), "b0 40 7f");
    assert_eq!(stage.lower("b0 40 7f"), "b0 40 00");
}

#[test]
fn panic_resend_return_and_loss_keep_what_hands_say() {
    let rig = r#"
        "filter": (from: ("lower", "wheel"), to: "main", set: "cutoff"),
        "dive": (from: ("lower", "bend"), to: "main", set: Bend, range: "-1..1")"#;
    let mut stage = Stage::new(night(rig, &[ORGAN]));
    stage.lower("b0 02 20");
    stage.lower("e0 00 60");
    let bent = stage.slot().bend;
    for command in [
        Command::Panic(None),
        Command::Resend {
            receiver: None,
            is_forced: true,
        },
    ] {
        stage.input(Input::Command(command));
        assert_eq!((stage.control(74), stage.slot().bend), (0x20, bent));
    }
    stage.input(Input::OutputLost(OutPort(0)));
    stage.model = model();
    stage.lower("b0 02 30");
    stage.input(Input::OutputReady(OutPort(0)));
    stage.input(Input::SignOfLife(OutPort(0)));
    assert_eq!((stage.control(74), stage.slot().bend), (0x30, bent));
    stage.input(Input::InputLost(InPort(0)));
    assert_eq!(
        stage.slot().bend,
        Value14::CENTRE,
        "a lost wheel springs back"
    );
    assert_eq!(stage.control(74), 0x30, "a lost lever stays");
    let kept = stage.engine.checkpoint();
    stage.engine.restore(&kept).unwrap();
    stage.input(Input::Command(Command::Resend {
        receiver: None,
        is_forced: true,
    }));
    assert_eq!(
        stage.control(74),
        64,
        "after a fault nothing is known of hands"
    );
}

/// A device that hands on all it is sent, onto two slots each time: without a break each
/// message becomes two, four, eight.
#[test]
fn a_loop_is_broken_and_counted_and_what_was_struck_ends() {
    let scene = r#"zones: {
            "a": (patch: "Drawbar Organ"), "b": (patch: "String Ensemble 1"),
        }"#;
    let mut book = night("", &[scene]);
    for controller in &mut book.controllers {
        controller.channel = None;
    }
    let mut stage = Stage::new(book);
    stage.sent.clear();
    let mut round: Vec<String> = vec!["90 3c 64".into(), "b0 02 20".into()];
    for _ in 0..200 {
        let came: Vec<String> = std::mem::take(&mut round);
        stage.now_us += 2_000;
        for hex in came {
            let out = stage.lower(&hex);
            round.extend(
                out.split(", ")
                    .filter(|hex| !hex.is_empty())
                    .map(str::to_owned),
            );
        }
    }
    assert!(round.is_empty(), "it went on: {round:?}");
    assert!(stage.sent.len() < 200, "{}", stage.sent.len());
    assert_eq!(stage.view().counters.loops, 1);
    stage.now_us += 3_000_000;
    for hex in ["80 3c 40", "81 3c 40", "82 3c 40", "83 3c 40"] {
        stage.lower(hex);
    }
    stage.wait(10_000);
    assert_eq!(stage.model.voices().count(), 0);
    assert_ne!(stage.lower("90 3e 64"), "", "and the show goes on");
}

/// When each message has left a DIN line: 320 µs a byte, one after the other (MIDI 1.0).
fn on_line(sent: &[(u64, Vec<u8>)]) -> Vec<(u64, Vec<u8>)> {
    let mut free_us = 0;
    let left = sent.iter().map(|(us, bytes)| {
        free_us = free_us.max(*us) + 320 * bytes.len() as u64;
        (free_us, bytes.clone())
    });
    left.collect()
}

fn run_on_din(book: &Arc<Promptbook>, mut inputs: Vec<(u64, Input)>) -> Vec<(u64, Vec<u8>)> {
    inputs.sort_by_key(|(us, _)| *us);
    let mut all = replay::ready(book);
    all.append(&mut inputs);
    let mut sent = Vec::new();
    let run = Run {
        book: Arc::clone(book),
        kinds: &[PortKind::Din],
        start: PositionId(0),
        inputs: &all,
    };
    replay::run(&run, &mut |us, _, bytes| sent.push((us, bytes.to_vec())));
    sent
}

/// A pedal that sends a thousand noisy values a second onto a DIN port, led to a parameter
/// of each kind and passed as expression, with chords in both hands: no note is later on
/// the modelled line than 2 ms behind its turn without the pedal, and the last value arrives.
#[test]
fn a_noisy_pedal_delays_no_note_and_its_last_value_arrives() {
    for parameter in ["cutoff", "fine", "rate", "depth"] {
        play_noise(parameter);
    }
}

fn play_noise(parameter: &str) {
    let rig = format!(r#""filter": (from: ("lower", "foot"), to: "main", set: "{parameter}")"#);
    let scene = r#"zones: {
            "a": (patch: "Drawbar Organ"), "b": (patch: "String Ensemble 1"),
        }"#;
    let book = Arc::new(night_on("Din", SOURCES, &rig, &[scene]));
    let start_us = 60_000_000;
    let mut notes = Vec::new();
    for beat in 0..40_u64 {
        let at_us = start_us + beat * 47_300 + (beat * 7_919) % 5_000;
        for key in 0..4 + beat % 5 {
            let hex = format!("90 {:02x} 64", 48 + key * 2 + beat % 2);
            notes.push((at_us + key * 300, Input::Midi(InPort(0), message(&hex))));
            let hex = format!("80 {:02x} 40", 48 + key * 2 + beat % 2);
            notes.push((
                at_us + 30_000 + key * 100,
                Input::Midi(InPort(0), message(&hex)),
            ));
        }
    }
    let mut noise = Vec::new();
    let mut seed = 1_u64;
    for ms in 0..2_000_u64 {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        let jitter = (seed >> 33) % 5;
        for control in ["04", "0b"] {
            let hex = format!("b0 {control} {:02x}", (ms / 17 + jitter) % 128);
            noise.push((
                start_us + ms * 1_000 + 13,
                Input::Midi(InPort(0), message(&hex)),
            ));
        }
    }
    let end_us = start_us + 2_000_500;
    noise.push((end_us, Input::Midi(InPort(0), message("b0 04 2a"))));
    noise.push((end_us + 1, Input::Midi(InPort(0), message("b0 0b 2b"))));

    let is_note = |bytes: &[u8]| matches!(bytes[0] >> 4, 8 | 9);
    let leaves = |inputs: Vec<(u64, Input)>| {
        let sent = on_line(&run_on_din(&book, inputs));
        sent.into_iter()
            .filter(move |(_, bytes)| is_note(bytes))
            .collect::<Vec<_>>()
    };
    let quiet = leaves(notes.clone());
    let noisy = leaves([notes.clone(), noise.clone()].concat());
    assert_eq!(quiet.len(), noisy.len());
    let mut latest = 0;
    for (alone, among) in quiet.iter().zip(&noisy) {
        assert_eq!(alone.1, among.1, "notes keep their order");
        latest = latest.max(among.0.saturating_sub(alone.0));
    }
    assert!(latest <= 2_000, "a note was {latest} µs late");

    let sent = run_on_din(&book, [notes, noise].concat());
    let mut model = model();
    for (us, bytes) in &sent {
        model.feed(*us, bytes);
    }
    let foot = aims()
        .into_iter()
        .find(|aim| aim.set == format!("\"{parameter}\""))
        .unwrap();
    for channel in [0, 1] {
        let slot = model.slot(Channel::new(channel).unwrap());
        let value = (foot.value)(slot, &[]);
        let wanted = foot.ends.1 * part(0x2a, 127);
        assert!(
            (value - wanted).abs() <= 1.0,
            "{parameter} {channel}: {value}"
        );
        assert_eq!(slot.controllers[11].get(), 0x2b, "{parameter} {channel}");
    }
    // Thinned, not starved: both move on about every ten milliseconds.
    let expressions = sent
        .iter()
        .filter(|(us, bytes)| *us >= start_us && bytes[0] == 0xb0 && bytes[1] == 11);
    let count = expressions.count();
    assert!((40..600).contains(&count), "{parameter}: {count}");
}

/// The routes in the documentation of the format are routes, and read as such.
#[test]
fn the_documented_routes_read_without_a_finding() {
    let source = include_str!("../../src/show/read/routes.rs");
    let lines = source.lines().filter_map(|line| line.strip_prefix("//!"));
    let doc: String = lines.map(|line| format!("{line}\n")).collect();
    let block = doc.split(" ```ron\n").nth(1).unwrap();
    let routes = block.split(" ```").next().unwrap().trim();
    let rig = format!(
        r#"(version: 1, ports: {{"keys": (name: "Keys"), "rack": (name: "Rack")}},
    controllers: {{
        "lower": (port: "keys", channel: 1, keys: "C2..C7", sources: {{
            "wheel": Control(1), "stick": Control(2), "bar": Control(3), "ribbon": Bend,
        }}),
        "feet": (port: "keys", channel: 2, sources: {{"foot": Control(4)}}),
    }},
    receivers: {{"main": (port: "rack", slots: "1..4", patches: GeneralMidi, manners: Gm2,
        parameters: {{
            "cutoff": (sends: Control(74), neutral: 64),
            "rotary": (sends: Control(82), neutral: 0, states: {{"stop": 0, "slow": 64, "fast": 127}}),
        }})}},
    defaults: (from: "lower", to: "main"), {routes})"#
    );
    let song = r#"(version: 1, scenes: {"one": (zones: {
        "organ": (patch: "Drawbar Organ"), "strings": (patch: "String Ensemble 1"),
    })}, order: ["one"])"#;
    let show = small_shows::show(&rig, song);
    assert_eq!(show.songs[0].scenes[0].routes.len(), 4);
}

#[test]
fn what_is_wrong_with_a_route_is_told() {
    for (route, id, words) in [
        (
            r#"(to: "main", set: "cutoff")"#,
            "missing-field",
            "has no \"from\"",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main")"#,
            "missing-field",
            "has no \"set\"",
        ),
        (
            r#"(from: ("lower", "wheal"), to: "main", set: "cutoff")"#,
            "unknown-name",
            "no source \"wheal\"",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "cut")"#,
            "unknown-name",
            "no parameter \"cut\"",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "cutoff", range: "0..128")"#,
            "parameter-out-of-range",
            "goes from 0 to 127, not 128",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "rotary", range: "slow..quick")"#,
            "unknown-name",
            "no state \"quick\"",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: Bend)"#,
            "missing-field",
            "does not say how far",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: Bend, range: "-97..97")"#,
            "parameter-out-of-range",
            "goes from -96 to 96",
        ),
        (
            r#"(from: (on: "lower", source: "wheel", range: "0..200"), to: "main", set: "cutoff")"#,
            "bad-value",
            "goes from 0 to 127",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "cutoff", mode: Toggle(at: "0..64"))"#,
            "bad-value",
            "must be able to be up",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "cutoff", mode: Steps([1]))"#,
            "bad-value",
            "takes 2 to 16 values",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "cutoff", mode: Bands([(1, 0), (64, 127)]))"#,
            "bad-value",
            "do not go up from 0",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "cutoff", zones: ["none"])"#,
            "unknown-name",
            "this scene has no zone \"none\"",
        ),
        (
            r#"(from: ("lower", "wheel"), to: "main", set: "cutoff", curve: [(5, 0)])"#,
            "bad-value",
            "at least two points",
        ),
    ] {
        let told = findings_of(route);
        assert_eq!(told.len(), 1, "{route}: {told:?}");
        assert_eq!(told[0].0, id, "{route}: {told:?}");
        assert!(told[0].1.contains(words), "{route}: {told:?}");
    }
}

fn findings_of(route: &str) -> Vec<(&'static str, String)> {
    let rig = format!(
        r#"(version: 1, ports: {{"keys": (name: "Keys"), "rack": (name: "Rack")}},
    controllers: {{"lower": (port: "keys", keys: "C2..C7", sources: {{{SOURCES}}})}},
    receivers: {{"main": (port: "rack", slots: "1..4", patches: GeneralMidi, manners: Gm2,
        parameters: {{{PARAMETERS}}})}},
    defaults: (from: "lower", to: "main"))"#
    );
    let song = format!(
        r#"(version: 1, scenes: {{"one": ({ORGAN}, routes: {{"r": {route}}})}}, order: ["one"])"#
    );
    let (_, findings) = small_shows::reading(&rig, &song);
    let told = findings.iter();
    told.map(|finding| (finding.id, finding.message.clone()))
        .collect()
}

/// What a hand may do, from three random numbers.
fn hand(kind: u8, a: u8, b: u8) -> String {
    let (a, b) = (a & 127, b & 127);
    match kind % 9 {
        0 => format!("b0 02 {a:02x}"),
        1 => format!("b0 04 {a:02x}"),
        2 => format!("b0 0b {a:02x}"),
        3 => format!("e0 {a:02x} {b:02x}"),
        4 => format!("b0 50 {:02x}", a & 64),
        5 => format!("b0 11 {a:02x}"),
        6 => format!("b0 31 {a:02x}"),
        7 => format!("d0 {a:02x}"),
        _ => format!("b0 05 {a:02x}"),
    }
}

/// Routes of every kind, other ones in each scene; the last scene has none, and no sound of
/// the others.
fn restless_night(kind: &str) -> Promptbook {
    let rig = r#"
        "filter": (from: ("lower", "wheel"), to: "main", set: "cutoff", curve: S),
        "rotary": (from: ("lower", "button"), to: "main", set: "rotary", mode: Toggle)"#;
    let scenes = [
        with(
            ORGAN,
            r#"routes: {"fade": (from: [("lower", "touch"), ("lower", "turned")], join: Highest, to: "main", set: Level)}"#,
        ),
        with(
            PIANO,
            r#"routes: {
            "filter": (pick_up: Wait, smooth_ms: 80), "rotary": Off,
            "rate": (from: ("lower", "knob"), to: "main", set: "rate"),
            "dive": (from: ("lower", "foot"), to: "main", set: Bend, range: "0..-2"),
        }, parameters: {"main": {"cutoff": 20}}"#,
        ),
        with(
            ORGAN,
            r#"routes: {
            "filter": Off, "rotary": (mode: Steps(["stop", "slow", "fast"])),
            "bent": (from: ("lower", "bend"), to: "main", set: "fine", pick_up: Scale),
        }"#,
        ),
        r#"zones: {"all": (patch: "Celesta")}, routes: {"filter": Off, "rotary": Off}"#.to_owned(),
    ];
    let scenes: Vec<&str> = scenes.iter().map(String::as_str).collect();
    night_on(kind, SOURCES, rig, &scenes)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(crate::cases::scaled(48)))]

    /// Invariants 1, 2 and 4 with routes: a slot that was left hears of movements only its
    /// bend on its way back, all notes end, and a scene is the same by whatever way it was
    /// come to.
    #[test]
    fn routes_leave_held_notes_alone_and_every_way_leads_to_the_same_scene(
        events in proptest::collection::vec((0..14_u8, any::<u8>(), any::<u8>()), 1..60),
        target in 0..3_u32,
        is_slow in any::<bool>(),
    ) {
        let book = restless_night(if is_slow { "Din" } else { "Usb" });
        let mut walked = Stage::new(book.clone());
        let mut cold = Stage::new(book);
        cold.jump(3);
        for (kind, a, b) in events {
            walked.wait(u64::from(a % 8));
            walked.sent.clear();
            let used: Vec<u8> = walked.view().slots.iter().enumerate()
                .filter(|(_, slot)| slot.sound.is_some())
                .map(|(slot, _)| walked.engine.promptbook().slots[slot].channel.get())
                .collect();
            match kind {
                0..=8 => {
                    let hex = hand(kind, a, b);
                    walked.lower(&hex);
                    cold.lower(&hex);
                    for (_, sent) in &walked.sent {
                        let status = u8::from_str_radix(&sent[..2], 16).unwrap();
                        let is_left = !used.contains(&(status & 15));
                        let is_allowed = matches!(status >> 4, 13 | 14);
                        prop_assert!(!is_left || is_allowed, "{hex}: {sent} to a slot that was left");
                    }
                }
                9 | 10 => drop(walked.lower(&format!("90 {:02x} 64", 48 + a % 12))),
                11 => drop(walked.lower(&format!("80 {:02x} 40", 48 + a % 12))),
                12 => drop(walked.jump(u32::from(a % 3))),
                _ => drop(walked.step()),
            }
        }
        for stage in [&mut walked, &mut cold] {
            for key in 48..60 {
                stage.lower(&format!("80 {key:02x} 40"));
            }
            stage.jump(3);
            stage.wait(20_000);
            prop_assert_eq!(stage.model.voices().count(), 0);
            stage.jump(target);
            stage.wait(1_000);
        }
        prop_assert!(
            walked.slot().is_like(cold.slot()),
            "{:?}\n{:?}", walked.slot(), cold.slot()
        );
        prop_assert_eq!(walked.view().counters.faults, 0);
    }
}
