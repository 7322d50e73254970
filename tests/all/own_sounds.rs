//! Keyboards with sounds of their own, and levels of whole scenes, from the show's files to
//! what goes out.

use segue::engine::Engine;
use segue::engine::input::{Command, Input, Outbox, Payload};
use segue::engine::promptbook::{InPort, OutPort, PositionId, Promptbook};
use segue::midi::{Channel, Controller, Key, Message, Program, Value7, Value14};

use crate::small_shows;

/// A show of one song with these scenes, on a keyboard with sounds of its own.
fn night(keys: &str, scenes: &[&str]) -> Promptbook {
    let rig = format!(
        r#"(
    version: 1,
    ports: {{"stage": (name: "Stage")}},
    controllers: {{"stage": (port: "stage", {keys} keys: "A0..C8")}},
    receivers: {{"own": (port: "stage", slots: "1..4", patches: GeneralMidi, manners: Gm2, keyboard: "stage")}},
    defaults: (from: "stage", to: "own"),
)"#
    );
    small_shows::book(&rig, scenes)
}

struct Stage {
    engine: Engine,
    now_us: u64,
    out: Outbox,
}

impl Stage {
    fn new(book: Promptbook) -> Self {
        Self {
            engine: Engine::new(book, PositionId(0)),
            now_us: 0,
            out: Outbox::new(),
        }
    }

    fn give(&mut self, input: Input) -> Vec<Message> {
        self.out.clear();
        self.engine.handle(self.now_us, input, &mut self.out);
        let short = |payload| match payload {
            Payload::Short(message) => Some(message),
            Payload::Blob(_) => None,
        };
        let items = self.out.items().iter();
        items.filter_map(|output| short(output.payload)).collect()
    }

    fn midi(&mut self, message: Message) -> Vec<Message> {
        self.give(Input::Midi(InPort(0), message))
    }

    fn wait(&mut self, wait_us: u64) -> Vec<Message> {
        let end_us = self.now_us + wait_us;
        let mut sent = Vec::new();
        while let Some(due_us) = self.engine.next_deadline().filter(|due| *due <= end_us) {
            self.now_us = due_us;
            sent.extend(self.give(Input::Tick));
        }
        self.now_us = end_us;
        sent
    }
}

fn control(channel: u8, number: u8, value: u8) -> Message {
    Message::Control(
        Channel::new(channel).unwrap(),
        Controller::new(number).unwrap(),
        Value7::new(value).unwrap(),
    )
}

fn locals(sent: &[Message]) -> Vec<Message> {
    let is_local =
        |message: &&Message| matches!(message, Message::Control(_, n, _) if n.get() == 122);
    sent.iter().filter(is_local).copied().collect()
}

const SCENE: &str = r#"zones: {"all": (patch: "Church Organ")}"#;

/// Local Control is controller 122: 0 is off, 127 is on (MIDI 1.0, channel mode messages).
#[test]
fn local_is_off_while_the_show_runs_and_on_after_it() {
    let mut stage = Stage::new(night("channel: 1,", &[SCENE]));
    let sent = stage.give(Input::OutputReady(OutPort(0)));
    assert_eq!(
        sent.first(),
        Some(&control(0, 122, 0)),
        "before anything else"
    );
    assert_eq!(locals(&sent).len(), 1);
    stage.wait(1_000_000);
    stage.give(Input::OutputLost(OutPort(0)));
    let mut sent = stage.give(Input::OutputReady(OutPort(0)));
    sent.extend(stage.wait(20_000_000));
    assert_eq!(locals(&sent), [control(0, 122, 0)], "after its return");
    let sent = stage.give(Input::Command(Command::Resend {
        receiver: None,
        is_forced: false,
    }));
    assert_eq!(locals(&sent), [control(0, 122, 0)], "a resend mends it");
    let panic = stage.give(Input::Command(Command::Panic(None)));
    assert_eq!(locals(&panic), [], "RP-015 leaves it alone, and so do we");
    let sent = stage.give(Input::Command(Command::ReleaseAll));
    assert_eq!(sent.last(), Some(&control(0, 122, 127)), "after all else");
}

#[test]
fn a_keyboard_on_any_channel_is_told_on_each_of_its_own() {
    let mut stage = Stage::new(night("", &[SCENE]));
    let sent = stage.give(Input::OutputReady(OutPort(0)));
    let off: Vec<Message> = (0..4).map(|channel| control(channel, 122, 0)).collect();
    assert_eq!(locals(&sent), off);
}

/// Of what its panel sends only what is played goes on; else it would change its own sounds
/// through us.
#[test]
fn what_its_panel_sends_stops_here() {
    let mut stage = Stage::new(night("channel: 1,", &[SCENE]));
    stage.give(Input::OutputReady(OutPort(0)));
    stage.give(Input::InputReady(InPort(0)));
    stage.wait(1_000_000);
    let channel = Channel::new(0).unwrap();
    let stopped = [
        0, 32, 7, 10, 6, 38, 98, 99, 100, 101, 120, 121, 122, 123, 124, 126, 127,
    ];
    for number in stopped {
        assert_eq!(stage.midi(control(0, number, 1)), [], "{number}");
    }
    assert_eq!(
        stage.midi(Message::Program(channel, Program::new(3).unwrap())),
        []
    );
    for message in [Message::Clock, Message::ActiveSensing] {
        assert_eq!(stage.midi(message), []);
    }
    let value = Value7::new(80).unwrap();
    for message in [
        Message::NoteOn(channel, Key::new(60).unwrap(), value),
        Message::Bend(channel, Value14::new(9_000).unwrap()),
        Message::Pressure(channel, value),
        control(0, 64, 127),
    ] {
        assert_eq!(stage.midi(message).len(), 1, "{message:?}");
    }
    assert_eq!(stage.engine.promptbook().controllers.len(), 1);
}

/// By the level law −6 dB under volume 100 is 100·10^(−6/40) = 70.8 (GM2 §3.3.4).
#[test]
fn a_scenes_level_is_on_top_of_its_zones() {
    let volume_of = |scene: &str, at: u32| {
        let scenes = [SCENE, scene, r#"like: "1", zones: {"all": (pan: 3)}"#];
        let book = night("channel: 1,", &scenes);
        let scene = book.positions[at as usize].scene;
        let sounds = book.scenes[scene.index()].sounds;
        sounds.of(&book.sounds)[0].volume.unwrap().get()
    };
    let quiet = r#"level: -3, zones: {"all": (patch: "Church Organ", level: -3)}"#;
    assert_eq!(volume_of(quiet, 1), 71);
    assert_eq!(volume_of(quiet, 2), 71, "it comes along with `like`");
    assert_eq!(volume_of(quiet, 0), 100);
}
