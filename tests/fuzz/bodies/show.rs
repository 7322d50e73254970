//! Files of a show, as anybody may have left them.

use std::collections::BTreeMap;
use std::sync::Arc;

use segue::check;
use segue::engine::input::{Command, Input};
use segue::engine::promptbook::{ControllerId, PositionId};
use segue::midi::{Key, Value7};
use segue::plan::{self, Plan};
use segue::replay::{self, Run};
use segue::show::finding::Finding;
use segue::show::read;
use segue::show::tree::Tree;

use super::decode::messages;
use super::ear::{Ear, assert_exclusive};
use super::words::assert_plain;

/// The show that one file of is replaced.
const RIG: &str = r#"(
    version: 1,
    ports: {"in": (usb: "1209:0001"), "rack": (usb: "1209:0003", kind: Din)},
    controllers: {"keys": (port: "in", channel: 1, keys: "A0..C8", sources: {"wheel": Control(1)})},
    pedals: {"step": (on: "keys", sends: Control(80), does: Step)},
    receivers: {
        "synth": (port: "rack", slots: "1..3", patches: "patches/synth.csv", manners: Gm2,
            parameters: {"reverb": (sends: Control(91), neutral: 40)}),
        "desk": (kind: Lights, port: "rack", slots: "16", cues: {"blue": Program(3)}),
    },
    defaults: (from: "keys", to: "synth"),
)"#;
const SONG: &str = r#"(
    version: 1, title: "Song", pages: [(number: 0, text: "pages/song.txt")],
    scenes: {
        "one": (zones: {"all": (patch: "Piano")}, cues: [(to: "desk", cue: "blue")]),
        "two": (like: "one", zones: {"low": (keys: "A0..B3", patch: "Bass", level: -3)}),
    },
    order: ["one", "two", "one"],
)"#;
const NIGHT: &str =
    r#"(version: 1, order: ["song", (pause: "10:00"), (song: "song", transpose: 2)])"#;
const PATCHES: &str = "name,program\nPiano,1\nBass,34\n";
const PAGE: &str = "a page\nof words\n";

const PATHS: [(&str, &str); 5] = [
    ("rig.ron", RIG),
    ("songs/song.ron", SONG),
    ("nights/night.ron", NIGHT),
    ("patches/synth.csv", PATCHES),
    ("pages/song.txt", PAGE),
];

/// The first byte says which file of a small show is replaced by the others.
pub(crate) fn show_text(data: &[u8]) {
    let Some((which, text)) = data.split_first() else {
        return;
    };
    let mut files: BTreeMap<String, Vec<u8>> = PATHS
        .iter()
        .map(|(path, text)| ((*path).to_owned(), text.as_bytes().to_vec()))
        .collect();
    let (path, _) = PATHS[usize::from(*which) % PATHS.len()];
    files.insert(path.to_owned(), text.to_vec());
    show_files(&files, path);
}

/// Any files give a show and findings in plain words, whose places are in their files; what
/// of it can be played ends all its notes. `path` is the one that was tampered with.
pub(crate) fn show_files(files: &BTreeMap<String, Vec<u8>>, path: &str) {
    if let Some(bytes) = files.get(path).filter(|_| path.ends_with(".ron")) {
        tree(bytes);
    }
    let (show, findings) = read::read(files, "show");
    let findings = check::check(&show, &findings);
    for finding in &findings {
        assert_plain(&finding.to_string());
        assert_in_place(finding, files);
    }
    let json = serde_json::to_string(&findings).expect("findings are JSON");
    let _: serde_json::Value = serde_json::from_str(&json).expect("findings are JSON");
    for night in &show.nights {
        if let Ok(plan) = plan::compile(&show, night) {
            play(&plan);
        }
    }
}

/// Every byte of a file is in one token.
fn tree(bytes: &[u8]) {
    let tree = Tree::from_bytes(bytes);
    let Ok(text) = str::from_utf8(bytes) else {
        assert!(!tree.is_sound(), "what is not UTF-8 is no show text");
        return;
    };
    let together: String = tree
        .tokens()
        .iter()
        .map(|token| tree.slice(token.span()))
        .collect();
    assert_eq!(together, text, "the tokens are not the text");
}

fn assert_in_place(finding: &Finding, files: &BTreeMap<String, Vec<u8>>) {
    let place = &finding.place;
    let Some(bytes) = files.get(&place.file) else {
        return;
    };
    if let Some(span) = place.span {
        assert!(
            span.start <= span.end && span.end <= bytes.len(),
            "{finding}"
        );
    }
    let lines = bytes.split(|byte| *byte == b'\n').count();
    // A line break of another kind may be counted too.
    let most = lines + bytes.iter().filter(|byte| **byte == b'\r').count();
    assert!(
        place.line as usize <= most,
        "line {}: {finding}",
        place.line
    );
}

/// Plays a chord, and steps on while it is held.
fn play(plan: &Plan) {
    let book = Arc::new(plan.promptbook.clone());
    let mut inputs = replay::ready(&book);
    let mut us = 100_000;
    let keys = |is_on: bool, us: u64, inputs: &mut Vec<(u64, Input)>| {
        for at in 0..book.controllers.len().min(3) {
            for key in [38, 55, 62, 79].map(Key::clamped) {
                let (controller, velocity) = (ControllerId(at as u8), Value7::clamped(80));
                let command = match is_on {
                    true => Command::NoteOn(controller, key, velocity),
                    false => Command::NoteOff(controller, key),
                };
                inputs.push((us, Input::Command(command)));
            }
        }
    };
    for step in 0..STEPS {
        keys(step % 2 == 0, us, &mut inputs);
        inputs.push((us + 50_000, Input::Command(Command::Step)));
        us += 300_000;
    }
    inputs.push((us, Input::Command(Command::ReleaseAll)));
    let mut ear = Ear::default();
    let run = Run {
        book: Arc::clone(&book),
        kinds: &[],
        start: PositionId(0),
        inputs: &inputs,
    };
    let outcome = replay::run(&run, &mut |_, port, bytes| {
        if bytes.first() == Some(&0xf0) {
            return assert_exclusive(bytes);
        }
        let found = messages(bytes);
        assert_eq!(found.len(), 1, "{bytes:02x?} is not one message");
        ear.hear(port.0, found[0]);
    });
    assert_eq!(outcome.view.counters.faults, 0, "faults were counted");
    ear.assert_even();
}

/// Steps of a night that are played.
const STEPS: u64 = 6;
