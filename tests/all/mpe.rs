//! MPE zones from the show's files over a modelled line to a receiver that knows them by
//! its own code. Pitches are computed here from what hands do. (The text of the standard
//! was not opened: zones, members, ranges and the sum of bends are from a general-purpose
//! library that was read, the rest from second sources.)

use std::collections::BTreeMap;
use std::sync::Arc;

use segue::engine::input::{Command, Input};
use segue::engine::promptbook::{InPort, PositionId, Promptbook};
use segue::midi::{Channel, Controller, Key, Message, Value7, Value14};
use segue::plan;
use segue::replay::{self, Run};
use segue::sim::{Heard, ReceiverModel, ReceiverSpec, Voice, VoiceId, Zones};
use segue::wire::PortKind;

use crate::small_shows;

/// A show of one song: the surface's MPE zone, the groups of the instrument, the scenes.
fn night(surface: &str, groups: &str, scenes: &[&str]) -> Arc<Promptbook> {
    let rig = format!(
        r#"(
    version: 1,
    ports: {{"pads": (name: "Pads"), "rack": (name: "Rack")}},
    controllers: {{"pads": (port: "pads", channel: Mpe({surface}), keys: "C1..C7")}},
    receivers: {{
        "glass": (port: "rack", groups: {{{groups}}}, patches: GeneralMidi, manners: Gm2(release_s: 0.0)),
    }},
    defaults: (from: "pads", to: "glass"),
)"#
    );
    let scenes: Vec<String> = (scenes.iter())
        .map(|zones| format!("zones: {{{zones}}}"))
        .collect();
    Arc::new(small_shows::book(&rig, &scenes))
}

/// A voice as it is heard: key, velocity, program, and where its pitch, pressure and slide
/// have got to.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Sounding {
    voice: Voice,
    cents: f64,
    pressure: u8,
    slide: u8,
    has_ended: bool,
}

/// What hands do, one thing a millisecond, and what is heard of it in the end.
struct Evening {
    model: ReceiverModel,
    bytes: Vec<Vec<u8>>,
    voices: BTreeMap<VoiceId, Sounding>,
}

impl Evening {
    fn of(book: &Arc<Promptbook>, kind: PortKind, inputs: &[Input]) -> Self {
        let mut all = replay::ready(book);
        for (index, input) in (0_u64..).zip(inputs) {
            all.push((1_000_000 + index * 20_000, *input));
        }
        let run = Run {
            book: Arc::clone(book),
            kinds: &[kind],
            start: PositionId(0),
            inputs: &all,
        };
        let mut evening = Self::silent();
        replay::run(&run, &mut |us, _, bytes| evening.hear(us, bytes));
        evening
    }

    fn silent() -> Self {
        Self {
            model: ReceiverModel::new(ReceiverSpec {
                knows_zones: true,
                ..ReceiverSpec::gm2()
            }),
            bytes: Vec::new(),
            voices: BTreeMap::new(),
        }
    }

    fn hear(&mut self, us: u64, bytes: &[u8]) {
        let mark = self.model.mark();
        self.model.feed(us, bytes);
        self.bytes.push(bytes.to_vec());
        let events: Vec<Heard> = self.model.events_since(mark).map(|e| e.heard).collect();
        for heard in events {
            match heard {
                Heard::NoteStarted(voice) => {
                    let slot = self.model.slot(voice.channel);
                    let sounding = Sounding {
                        voice,
                        cents: voice.pitch_cents,
                        pressure: slot.pressure.get(),
                        slide: slot.controllers[74].get(),
                        has_ended: false,
                    };
                    self.voices.insert(voice.id, sounding);
                }
                Heard::BendChanged { id, to_cents, .. } => self.change(id, |v| v.cents = to_cents),
                Heard::PressureChanged { id, to, .. } => self.change(id, |v| v.pressure = to.get()),
                Heard::ControllerChanged {
                    id, controller, to, ..
                } if controller.get() == 74 => self.change(id, |v| v.slide = to.get()),
                Heard::NoteEnded { id, .. } => self.change(id, |v| v.has_ended = true),
                _ => {}
            }
        }
    }

    fn change(&mut self, id: VoiceId, change: impl FnOnce(&mut Sounding)) {
        change(
            self.voices
                .get_mut(&id)
                .expect("a voice begins before it changes"),
        );
    }

    /// The voice of a velocity, which tells notes apart here.
    fn voice(&self, velocity: u8) -> Sounding {
        let mut found = self.voices.values();
        *found
            .find(|sounding| sounding.voice.velocity.get() == velocity)
            .unwrap_or_else(|| panic!("no note of velocity {velocity} sounded"))
    }
}

fn channel(number: u8) -> Channel {
    Channel::new(number - 1).unwrap()
}

fn v7(value: u8) -> Value7 {
    Value7::new(value).unwrap()
}

fn midi(message: Message) -> Input {
    Input::Midi(InPort(0), message)
}

fn on(finger: u8, key: u8, velocity: u8) -> Input {
    midi(Message::NoteOn(
        channel(finger),
        Key::new(key).unwrap(),
        v7(velocity),
    ))
}

fn off(finger: u8, key: u8) -> Input {
    midi(Message::NoteOff(
        channel(finger),
        Key::new(key).unwrap(),
        v7(64),
    ))
}

fn bend(finger: u8, value: u16) -> Input {
    midi(Message::Bend(channel(finger), Value14::new(value).unwrap()))
}

fn press(finger: u8, value: u8) -> Input {
    midi(Message::Pressure(channel(finger), v7(value)))
}

fn slide(finger: u8, value: u8) -> Input {
    let number = Controller::new(74).unwrap();
    midi(Message::Control(channel(finger), number, v7(value)))
}

const STEP: Input = Input::Command(Command::Step);
const ZONE: &str = r#""zone": Mpe(side: Lower, members: 7)"#;
const ORGAN: &str = r#""all": (patch: "Drawbar Organ")"#;

/// Cents of a bend: semitones / range × 8192 from the centre (MIDI 1.0).
fn cents(value: u16, range: f64) -> f64 {
    (f64::from(value) - 8192.0) / 8192.0 * range * 100.0
}

#[track_caller]
fn near(heard: f64, meant: f64, step: f64) {
    assert!((heard - meant).abs() <= step, "{heard} cents, not {meant}");
}

/// The bytes of the set-up: RPN 6 on the manager, RPN 0 on each member, and what the
/// receiver makes of them.
#[test]
fn an_instrument_is_set_up_before_anything_else() {
    for (side, manager, first, expected) in [
        ("Lower", 0xb0_u8, 0xb1_u8, Zones { lower: 3, upper: 0 }),
        ("Upper", 0xbf, 0xbe, Zones { lower: 0, upper: 3 }),
    ] {
        let zone = format!("\"zone\": Mpe(side: {side}, members: 3, bend_range: 24)");
        let surface = format!("side: {side}, members: 3, bend_range: 24");
        let book = night(&surface, &zone, &[ORGAN]);
        let evening = Evening::of(&book, PortKind::Usb, &[]);
        let set_up: [&[u8]; 8] = [
            &[manager, 101, 0],
            &[manager, 100, 6],
            &[manager, 6, 3],
            &[manager, 101, 127],
            &[manager, 100, 127],
            &[first, 101, 0],
            &[first, 100, 0],
            &[first, 6, 24],
        ];
        assert_eq!(evening.bytes[..8], set_up);
        assert_eq!(evening.model.zones(), expected);
        let members = if manager == 0xb0 { 1..=3 } else { 12..=14 };
        for member in members {
            let slot = evening.model.slot(Channel::new(member).unwrap());
            assert_eq!(slot.bend_range_cents(), 2_400);
        }
        let manager = evening.model.slot(Channel::new(manager & 15).unwrap());
        assert_eq!(manager.bend_range_cents(), 200);
        assert_eq!(manager.selected(), None, "null at the end");
        assert_eq!(evening.model.counters().left_out, 0);
    }
}

#[test]
fn a_whole_zone_arrives_whole() {
    for kind in [PortKind::Usb, PortKind::Din] {
        let book = night("side: Lower, members: 7", ZONE, &[ORGAN]);
        let evening = Evening::of(
            &book,
            kind,
            &[
                bend(2, 9_000),
                press(2, 11),
                slide(2, 20),
                on(2, 60, 1),
                bend(3, 7_000),
                press(3, 33),
                slide(3, 90),
                on(3, 60, 2),
                bend(2, 10_240),
                press(2, 12),
                // The whole: one semitone up for both.
                bend(1, 12_288),
                off(2, 60),
                bend(2, 0),
                press(2, 127),
            ],
        );
        let (one, two) = (evening.voice(1), evening.voice(2));
        assert_ne!(one.voice.channel, two.voice.channel);
        near(one.voice.pitch_cents, cents(9_000, 48.0), 0.01);
        near(one.cents, 1_200.0 + 100.0, 0.01);
        near(two.cents, cents(7_000, 48.0) + 100.0, 0.01);
        assert_eq!((one.pressure, one.slide), (12, 20));
        assert_eq!((two.pressure, two.slide), (33, 90));
        assert!(one.has_ended && !two.has_ended);
        assert_eq!(evening.model.counters().left_out, 0);
    }
}

/// Two MPE zones of an instrument are two slots that are alike: a new sound takes the one
/// that is free, and what is held goes on to hear its own finger and nothing else.
#[test]
fn held_fingers_go_on_over_a_step() {
    let groups = r#""zones": [Mpe(side: Lower, members: 7), Mpe(side: Upper, members: 7)]"#;
    let book = night(
        "side: Lower, members: 7",
        groups,
        &[ORGAN, r#""all": (patch: "Church Organ", level: -6)"#],
    );
    let evening = Evening::of(
        &book,
        PortKind::Usb,
        &[
            on(2, 60, 1),
            press(2, 20),
            STEP,
            bend(2, 10_240),
            press(2, 40),
            slide(2, 9),
            on(3, 64, 2),
            bend(3, 7_000),
            bend(1, 12_288),
            press(3, 50),
            on(2, 67, 3),
            press(2, 60),
            off(2, 60),
        ],
    );
    assert_eq!(evening.model.zones(), Zones { lower: 7, upper: 7 });
    let (held, new, own) = (evening.voice(1), evening.voice(2), evening.voice(3));
    assert_eq!(held.voice.patch.program.get(), 16);
    near(held.cents, 1_200.0, 0.01);
    assert_eq!((held.pressure, held.slide), (60, 9));
    assert!(held.has_ended);
    assert_eq!(new.voice.patch.program.get(), 19);
    near(new.cents, cents(7_000, 48.0) + 100.0, 0.01);
    assert_eq!(new.pressure, 50);
    near(own.voice.pitch_cents, 1_200.0 + 100.0, 0.01);
    assert!(!own.has_ended);
}

#[test]
fn a_plain_sound_hears_one_finger() {
    let groups = r#""plain": "9""#;
    for (finger, leads) in [("Last", 2), ("Highest", 1)] {
        let zone = format!("\"all\": (patch: \"Ocarina\", bend_range: 12, finger: {finger})");
        let surface = "side: Lower, members: 7, bend_range: 12";
        let book = night(surface, groups, &[&zone]);
        let play = [
            on(2, 72, 1),
            bend(2, 9_000),
            press(2, 21),
            on(3, 60, 2),
            bend(3, 8_000),
            press(3, 31),
            bend(2, 9_100),
            press(2, 22),
        ];
        let evening = Evening::of(&book, PortKind::Usb, &play);
        let heard = evening.voice(2);
        assert_eq!(heard.voice.channel, channel(9));
        let (bent, pressed) = if leads == 2 { (8_000, 31) } else { (9_100, 22) };
        near(heard.cents, cents(bent, 12.0), 0.01);
        assert_eq!(heard.pressure, pressed, "{finger}");
        // When it lifts, the other one is heard.
        let lifted = if leads == 2 { off(3, 60) } else { off(2, 72) };
        let more: Vec<Input> = play.into_iter().chain([lifted]).collect();
        let evening = Evening::of(&book, PortKind::Usb, &more);
        let other = evening.voice(3 - leads);
        let (bent, pressed) = if leads == 2 { (9_100, 22) } else { (8_000, 31) };
        near(other.cents, cents(bent, 12.0), 0.01);
        assert_eq!(other.pressure, pressed, "{finger}");
        assert!(!other.has_ended);
    }
}

/// Ranges of the surface and of what it plays, each from 1 to 96 semitones: the pitch is
/// that of the finger, within one step of the receiver's bend, as far as it reaches.
#[test]
fn different_ranges_keep_the_pitch() {
    for (from, to) in [(48, 24), (48, 96), (24, 48), (12, 48), (48, 47), (1, 2)] {
        let surface = format!("side: Lower, members: 7, bend_range: {from}");
        let groups = format!("\"zone\": Mpe(side: Lower, members: 7, bend_range: {to})");
        let book = night(&surface, &groups, &[ORGAN]);
        for value in (0..16_384_u16).step_by(1_021) {
            let evening = Evening::of(&book, PortKind::Usb, &[on(2, 60, 1), bend(2, value)]);
            let most = f64::from(to) * 100.0;
            let step = most / 8192.0;
            let meant = cents(value, f64::from(from)).clamp(-most, most - step);
            near(evening.voice(1).cents, meant, step / 2.0 + 1e-6);
        }
    }
}

#[test]
fn the_same_evening_gives_the_same_bytes() {
    let book = night("side: Lower, members: 7", ZONE, &[ORGAN]);
    let mut inputs = Vec::new();
    for round in 0..40_u16 {
        let finger = 2 + (round % 9) as u8;
        let key = 50 + (round * 7 % 30) as u8;
        inputs.extend([
            bend(finger, round * 400),
            on(finger, key, 90),
            press(finger, 5),
        ]);
        inputs.extend([slide(finger, 70), off(finger, key)]);
    }
    let bytes = |kind| Evening::of(&book, kind, &inputs).bytes;
    for kind in [PortKind::Usb, PortKind::Din] {
        assert_eq!(bytes(kind), bytes(kind));
        let evening = Evening::of(&book, kind, &inputs);
        assert!(evening.voices.values().all(|sounding| sounding.has_ended));
        assert_eq!(evening.model.counters().idle_note_offs, 0);
    }
}

/// Glass Harvest of the touring show: the glass goes on sliding while the marimba comes in
/// and the voice takes the other MPE zone of the touch synth.
#[test]
fn the_touring_show_plays_its_surface_whole() {
    let folder = crate::show_read::repository("shows/quarry-lanterns");
    let (show, _) =
        segue::show::read::read(&crate::show_read::files_in(&folder), "quarry-lanterns");
    let plan = plan::compile(&show, &show.nights[0]).unwrap();
    let port = |name: &str| show.rig.ports.iter().position(|port| port.name == name);
    let pads = plan
        .ports
        .inputs
        .iter()
        .position(|at| Some(*at) == port("surface"));
    let rack = plan
        .ports
        .outputs
        .iter()
        .position(|at| Some(*at) == port("touch rack"));
    let song = show
        .songs
        .iter()
        .position(|song| song.title == "Glass Harvest");
    let start = plan.sheet.positions.iter().position(|line| {
        let song_line = &plan.sheet.songs[line.song];
        song.is_some() && song_line.title == "Glass Harvest"
    });
    let hands = [
        on(2, 60, 1),
        bend(2, 9_000),
        STEP,
        STEP,
        bend(2, 10_240),
        on(3, 64, 2),
        bend(3, 7_000),
        press(2, 77),
    ];
    let book = Arc::new(plan.promptbook.clone());
    let mut inputs = replay::ready(&book);
    for (index, input) in (0_u64..).zip(hands) {
        let input = match input {
            Input::Midi(_, message) => Input::Midi(InPort(pads.unwrap() as u8), message),
            other => other,
        };
        inputs.push((1_000_000 + index * 200_000, input));
    }
    let run = Run {
        book: Arc::clone(&book),
        kinds: &vec![PortKind::Usb; book.out_ports.len()],
        start: PositionId(start.unwrap() as u32),
        inputs: &inputs,
    };
    let mut evening = Evening::silent();
    replay::run(&run, &mut |us, port, bytes| {
        if Some(port.index()) == rack {
            evening.hear(us, bytes);
        }
    });
    let (glass, voice) = (evening.voice(1), evening.voice(2));
    near(glass.cents, 1_200.0, 0.01);
    assert_eq!(glass.pressure, 77);
    near(voice.cents, cents(7_000, 48.0), 0.01);
    assert_ne!(glass.voice.patch, voice.voice.patch);
    assert!(!glass.has_ended && !voice.has_ended);
}

/// What is wrong with an MPE zone is told with its place.
#[test]
fn a_wrong_zone_is_told() {
    for (zone, words) in [
        (
            "Mpe(side: Left, members: 7)",
            "\"Left\" is no side of the channels",
        ),
        (
            "Mpe(side: Lower, members: 16)",
            "expected a whole number from 1 to 15, found 16",
        ),
        ("Mpe(side: Lower)", "members"),
        ("Mpe(side: Lower, members: 3, range: 2)", "range"),
        ("Zone(side: Lower, members: 3)", "is no set of channels"),
        (
            "[Mpe(side: Lower, members: 3), Mpe(side: Lower, members: 3)]",
            "these MPE zones are not alike",
        ),
        (
            "[Mpe(side: Lower, members: 3), Mpe(side: Upper, members: 3, bend_range: 24)]",
            "these MPE zones are not alike",
        ),
    ] {
        let rig = format!(
            r#"(version: 1, ports: {{"rack": (name: "Rack")}}, receivers: {{"glass": (port: "rack", slots: {zone})}})"#
        );
        let (_, findings) = small_shows::reading(&rig, "(version: 1)");
        let told: Vec<String> = findings.iter().map(ToString::to_string).collect();
        assert!(
            told.iter()
                .any(|told| told.contains(words) && told.starts_with("rig.ron:1:")),
            "{zone}: {}",
            told.join("\n")
        );
    }
}
