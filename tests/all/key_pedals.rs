//! Pedals that are computer keyboards, from the rig's file to the step.

use std::fs;
use std::process::Command;

use segue::engine::Engine;
use segue::engine::input::{Input, Outbox};
use segue::engine::promptbook::{InPort, PositionId};
use segue::engine::view::View;
use segue::midi::{Channel, Key, KeyCode, Message, Value7};
use segue::plan;
use segue::replay::{Take, TakeEvent, write_recording};
use segue::show::model::Show;

use crate::small_shows;

const SONG: &str = r#"(version: 1, scenes: {
    "one": (zones: {"all": (patch: "Church Organ")}),
    "two": (zones: {"all": (patch: "Vibraphone")}),
    "three": (zones: {"all": (patch: "Marimba")}),
}, order: ["one", "two", "three"])"#;

/// A rig with a page pedal, and what its pedals are.
fn rig(pedals: &str) -> String {
    format!(
        r#"(
    version: 1,
    ports: {{
        "cable": (name: "Rack"),
        "page pedal": (usb: "1209:0ab1", serial: "P-7", kind: Keys),
    }},
    controllers: {{
        "keys": (port: "cable", channel: 1, keys: "C2..C7"),
        "page foot": (port: "page pedal"),
    }},
    pedals: {{{pedals}}},
    receivers: {{"synth": (port: "cable", slots: "1..8", patches: GeneralMidi, manners: Gm2, keyboard: Apart)}},
    defaults: (from: "keys", to: "synth"),
)"#
    )
}

fn show(pedals: &str) -> (Show, Vec<String>) {
    let (show, findings) = small_shows::reading(&rig(pedals), SONG);
    let told = findings.iter().map(ToString::to_string).collect();
    (show, told)
}

/// The show, played from its start by keys pressed a second apart.
struct Foot {
    engine: Engine,
    port: InPort,
    now_us: u64,
}

impl Foot {
    fn new(pedals: &str) -> Self {
        let (show, told) = show(pedals);
        assert!(told.is_empty(), "{}", told.join("\n"));
        let plan = plan::compile(&show, &show.nights[0]).unwrap();
        let at = plan.ports.inputs.iter().position(|port| *port == 1);
        Self {
            engine: Engine::new(plan.promptbook, PositionId(0)),
            port: InPort(at.unwrap() as u8),
            now_us: 0,
        }
    }

    /// Where the show is once this key has gone down or come up.
    fn key(&mut self, name: &str, is_down: bool) -> u32 {
        let key = KeyCode::named(name).unwrap();
        self.now_us += 1_000_000;
        let input = Input::Midi(self.port, key.message(is_down));
        let mut out = Outbox::new();
        self.engine.handle(self.now_us, input, &mut out);
        let mut view = View::default();
        self.engine.view(&mut view);
        view.position.0
    }
}

#[test]
fn a_page_pedal_steps_and_goes_back_on_the_press() {
    let mut foot = Foot::new(
        r#""on": (on: "page foot", sends: Key("PageDown"), does: Step),
        "off": (on: "page foot", sends: Key("PageUp"), does: Back),"#,
    );
    assert_eq!(foot.key("PageDown", true), 1);
    assert_eq!(foot.key("PageDown", false), 1);
    assert_eq!(foot.key("PageDown", true), 2);
    assert_eq!(foot.key("PageUp", true), 1);
    assert_eq!(foot.key("Space", true), 1, "no pedal of the rig");
}

/// Codes beyond 127 are other keys than those 128 below them.
#[test]
fn a_key_is_known_by_all_of_its_code() {
    let mut foot = Foot::new(
        r#""media": (on: "page foot", sends: Key("NextSong"), does: Step),
        "number": (on: "page foot", sends: Key(115), does: Step),"#,
    );
    let lower = KeyCode::new(163 - 128).and_then(KeyCode::name);
    assert_eq!(foot.key(lower.unwrap(), true), 0);
    assert_eq!(foot.key("NextSong", true), 1);
    assert_eq!(foot.key("VolumeUp", true), 2);
}

#[test]
fn a_key_may_latch_or_be_turned_round() {
    let mut latching =
        Foot::new(r#""a": (on: "page foot", sends: Key("B"), does: Step, latching: true),"#);
    assert_eq!(latching.key("B", true), 1);
    assert_eq!(latching.key("B", false), 2);
    let mut inverted =
        Foot::new(r#""a": (on: "page foot", sends: Key("B"), does: Step, inverted: true),"#);
    assert_eq!(inverted.key("B", true), 0);
    assert_eq!(inverted.key("B", false), 1);
}

/// A second pedal on the same command is the first one's spare.
#[test]
fn two_pedals_may_do_the_same() {
    let mut foot = Foot::new(
        r#""a": (on: "page foot", sends: Key("PageDown"), does: Step),
        "b": (on: "page foot", sends: Key("Right"), does: Step),"#,
    );
    assert_eq!(foot.key("PageDown", true), 1);
    assert_eq!(foot.key("Right", true), 2);
}

#[test]
fn a_name_that_is_no_key_is_told_with_the_nearest() {
    let (_, told) = show(r#""a": (on: "page foot", sends: Key("PagDown"), does: Step),"#);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].contains("\"PagDown\" is the name of no key"),
        "{told:?}"
    );
    assert!(told[0].contains("the nearest is \"PageDown\""), "{told:?}");
    let (_, told) = show(r#""a": (on: "page foot", sends: Key(768), does: Step),"#);
    assert!(told[0].contains("a whole number from 1 to 767"), "{told:?}");
}

/// A recording holds keys as notes in the track of their controller, and a replay steps by them.
#[test]
fn a_recording_of_keys_is_replayed() {
    let home = tempfile::tempdir().unwrap();
    let folder = home.path().join("show");
    fs::create_dir_all(folder.join("songs")).unwrap();
    let pedals = r#""on": (on: "page foot", sends: Key("NextSong"), does: Step),"#;
    fs::write(folder.join("rig.ron"), rig(pedals)).unwrap();
    fs::write(folder.join("songs/song.ron"), SONG).unwrap();
    let bytes = |message: Message| TakeEvent::Bytes(message.encode().as_slice().to_vec());
    let key = KeyCode::named("NextSong").unwrap();
    let (channel, middle) = (Channel::new(0).unwrap(), Key::new(60).unwrap());
    let note = Message::NoteOn(channel, middle, Value7::MAX);
    let takes = [
        Take {
            name: "page foot".into(),
            events: vec![
                (500_000, bytes(key.message(true))),
                (600_000, bytes(key.message(false))),
            ],
        },
        Take {
            name: "keys".into(),
            events: vec![(400_000, bytes(note)), (900_000, bytes(note))],
        },
    ];
    let file = home.path().join("night.mid");
    fs::write(&file, write_recording(&takes).unwrap()).unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_segue"))
        .args(["replay", folder.to_str().unwrap(), file.to_str().unwrap()])
        .args(["--json", "--out"])
        .arg(home.path().join("out"))
        .output()
        .unwrap();
    let errors = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success(), "{errors}");
    // Three ports that are there, and four messages; nothing was left out.
    assert!(errors.starts_with("7 inputs"), "{errors}");
    assert_eq!(errors.lines().count(), 1, "{errors}");
    // Two notes, struck before and after the key: two sounds, so two channels.
    let lines = String::from_utf8(output.stdout).unwrap();
    let struck: Vec<&str> = lines
        .lines()
        .filter_map(|line| line.split_once("\"bytes\": \"")?.1.get(..5))
        .filter(|bytes| bytes.starts_with('9'))
        .collect();
    assert_eq!(struck.len(), 2, "{lines}");
    assert_ne!(struck[0], struck[1]);
    assert!(
        struck.iter().all(|bytes| bytes.ends_with("3c")),
        "{struck:?}"
    );
}
