//! Show control for what injures: found by check, and sent by no replay of the show.

use std::collections::BTreeMap;
use std::sync::Arc;

use segue::check::check;
use segue::engine::input::{Command, Input};
use segue::engine::promptbook::PositionId;
use segue::plan::compile;
use segue::replay::{Run, ready, run};
use segue::show::read::read;

const RIG: &str = r#"(
    version: 1,
    ports: {"keys": (name: "Keys"), "desk": (name: "Desk")},
    controllers: {"keys": (port: "keys", channel: 1, keys: "C2..C7")},
    pedals: {"foot": (on: "keys", sends: Control(80), does: Step)},
    receivers: {
        "desk": (kind: Lights, port: "desk", slots: "16", cues: {"cue": Exclusive("MESSAGE")}),
    },
)"#;

const SONG: &str = r#"(
    version: 1,
    scenes: {"dark": (), "cue": (cues: [(to: "desk", cue: "cue")])},
    order: ["dark", "cue"],
)"#;

/// What check finds in a show with this cue, what a step to it sends, and how many messages
/// were held back.
fn played(message: &str) -> (Vec<&'static str>, Vec<Vec<u8>>, u64) {
    let files = [
        ("rig.ron", RIG.replace("MESSAGE", message)),
        ("songs/song.ron", SONG.to_owned()),
    ];
    let files: BTreeMap<String, Vec<u8>> = files
        .into_iter()
        .map(|(name, text)| (name.to_owned(), text.into_bytes()))
        .collect();
    let (show, reading) = read(&files, "show");
    let errors = check(&show, &reading)
        .iter()
        .map(|finding| finding.id)
        .filter(|id| *id != "nothing-to-play")
        .collect();
    let book = Arc::new(compile(&show, &show.nights[0]).unwrap().promptbook);
    let mut inputs = ready(&book);
    inputs.push((1_000_000, Input::Command(Command::Step)));
    let mut sent = Vec::new();
    let outcome = run(
        &Run {
            book,
            kinds: &[],
            start: PositionId(0),
            inputs: &inputs,
        },
        &mut |_, _, bytes| sent.push(bytes.to_vec()),
    );
    sent.retain(|bytes| bytes.first() == Some(&0xf0));
    (errors, sent, outcome.barred)
}

/// MIDI Show Control 1.1.1, table of command formats: 20H-2FH machinery, 50H-5FH process
/// control, 60H-6FH pyrotechnics, 7FH all types.
#[test]
fn every_command_format_is_refused_or_sent_as_the_standard_has_it() {
    for format in 0..=0x7f_u8 {
        let injures = matches!(format, 0x20..=0x2f | 0x50..=0x5f | 0x60..=0x6f | 0x7f);
        let (errors, sent, barred) = played(&format!("F0 7F 01 02 {format:02X} 01 31 F7"));
        assert_eq!(
            errors.contains(&"machinery"),
            injures,
            "{format:02x}: {errors:?}"
        );
        let whole = vec![0xf0, 0x7f, 0x01, 0x02, format, 0x01, 0x31, 0xf7];
        let expected = if injures { Vec::new() } else { vec![whole] };
        assert_eq!(sent, expected, "{format:02x}");
        assert_eq!(barred, u64::from(injures), "{format:02x}");
    }
}
