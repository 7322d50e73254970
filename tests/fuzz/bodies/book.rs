//! A show made of decisions: a few instruments with good and bad manners, scenes that play
//! on them, and everything compiled as a real show would be.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::Arc;

use segue::engine::promptbook::Promptbook;
use segue::plan;
use segue::show::read;

use super::Choices;

/// The promptbook of a show that these bytes decide on; none if nothing of it can be played.
pub(super) fn promptbook(decisions: &[u8]) -> Option<Arc<Promptbook>> {
    let mut choices = Choices::new(decisions);
    let rig = rig(&mut choices);
    let song = song(&mut choices);
    let files = BTreeMap::from([
        ("rig.ron".to_owned(), rig.into_bytes()),
        ("songs/song.ron".to_owned(), song.into_bytes()),
    ]);
    let (show, _) = read::read(&files, "show");
    let plan = plan::compile(&show, show.nights.first()?).ok()?;
    Some(Arc::new(plan.promptbook))
}

fn rig(choices: &mut Choices<'_>) -> String {
    let kinds = ["Usb", "Din", "UsbToDin", "Software"];
    let (first, second) = (choices.one_of(&kinds), choices.one_of(&kinds));
    let surface = match choices.below(3) {
        0 => r#""upper": (port: "second", keys: "C2..C7", channel: Mpe(side: Lower, members: 5)),"#,
        _ => {
            r#""upper": (port: "second", channel: 2, keys: "C2..C7", sources: {"bar": Control(16), "hold": Control(64)}),"#
        }
    };
    let mut receivers = String::new();
    for name in INSTRUMENTS {
        let port = choices.one_of(&["rack", "shelf"]);
        let slots = match choices.below(6) {
            0 => "slots: Mpe(side: Lower, members: 3)".to_owned(),
            n => format!(
                "slots: \"{}\"",
                ["1", "2..3", "1..4", "1..16", "5, 7"][usize::from(n - 1)]
            ),
        };
        let manners = manners(choices);
        let _ = writeln!(
            receivers,
            r#""{name}": (port: "{port}", {slots}, patches: GeneralMidi, {manners} parameters: {{
                "cutoff": (sends: Control(74), neutral: 64),
                "depth": (sends: Nrpn(1, 8), neutral: 0),
                "rotor": (sends: Control(82), states: {{"slow": 0, "fast": 127}}, neutral: 0),
                "drive": (sends: Exclusive("F0 7D 01 vv F7"), neutral: 0),
            }}),"#
        );
    }
    format!(
        r#"(version: 1,
        ports: {{"first": (usb: "1209:0001"), "second": (usb: "1209:0002"),
            "rack": (usb: "1209:0003", kind: {first}), "shelf": (usb: "1209:0004", kind: {second})}},
        controllers: {{
            "lower": (port: "first", channel: 1, keys: "A0..C8", sources: {{"wheel": Control(1),
                "bender": Bend, "touch": Pressure, "hold": Control(64), "foot": Control(11)}}),
            {surface}
        }},
        pedals: {{"step": (on: "lower", sends: Control(80), does: Step),
            "back": (on: "lower", sends: Control(81), does: Back)}},
        receivers: {{{receivers}
            "desk": (kind: Lights, port: "shelf", slots: "10",
                cues: {{"blue": Program(3), "go": Exclusive("F0 7D 02 F7"), "chime": Note("C3", 100)}}),
        }},
        defaults: (from: "lower", to: "organ"),
        )"#
    )
}

/// Instruments of the rig.
const INSTRUMENTS: [&str; 2] = ["organ", "synth"];

fn manners(choices: &mut Choices<'_>) -> String {
    let byte = choices.byte();
    if byte < 60 {
        return "manners: Gm2,".to_owned();
    }
    let is = |bit: u8| byte >> bit & 1 == 1;
    format!(
        "manners: (bank: {}, load_ms: {}, resets_controllers: {}, cuts_notes: {}, holds_back: {}, \
         release_s: {}, boot_ms: {}, may_prime: {}),",
        choices.one_of(&["None", "Msb", "Lsb", "Both"]),
        choices.one_of(&["0", "20", "300"]),
        is(0),
        is(1),
        is(2),
        choices.one_of(&["0.1", "2.0"]),
        choices.one_of(&["0", "300", "4000"]),
        is(3),
    )
}

fn song(choices: &mut Choices<'_>) -> String {
    let count = 2 + choices.below(4);
    let mut scenes = String::new();
    for scene in 0..count {
        let mut zones = String::new();
        for zone in 0..choices.below(4) {
            let _ = write!(zones, "\"zone {zone}\": ({}),", zone_fields(choices));
        }
        let cues = match choices.below(5) {
            0 => r#"cues: [(to: "desk", cue: "blue")],"#,
            1 => r#"cues: [(to: "desk", cue: "go"), (to: "desk", cue: "chime")],"#,
            _ => "",
        };
        let route = choices.one_of(&[
            "",
            r#"routes: {"led": (from: ("lower", "wheel"), to: "organ", set: "cutoff")},"#,
            r#"routes: {"led": (from: ("lower", "bender"), to: "synth", set: Level)},"#,
            r#"routes: {"led": (from: ("lower", "touch"), to: "organ", set: "rotor", mode: Bands([(0, "slow"), (64, "fast")]))},"#,
        ]);
        let parameters = choices.one_of(&[
            "",
            r#"parameters: {"organ": {"cutoff": 99, "drive": 5}},"#,
            r#"parameters: {"synth": {"depth": 20}},"#,
        ]);
        let _ = write!(
            scenes,
            "\"scene {scene}\": (zones: {{{zones}}}, {cues} {route} {parameters}),"
        );
    }
    let order: String = (0..count)
        .map(|scene| format!("\"scene {scene}\","))
        .collect();
    format!("(version: 1, scenes: {{{scenes}}}, order: [{order}])")
}

fn zone_fields(choices: &mut Choices<'_>) -> String {
    format!(
        "from: \"{}\", to: \"{}\", patch: \"{}\", keys: \"{}\", {}",
        choices.one_of(&["lower", "upper"]),
        choices.one_of(&INSTRUMENTS),
        choices.one_of(&[
            "Drawbar Organ",
            "Celesta",
            "String Ensemble 1",
            "Tuba",
            "Vibraphone"
        ]),
        choices.one_of(&["C2..C7", "C2..B3", "C4..C7", "C4..C4"]),
        choices.one_of(&[
            "",
            "level: -6,",
            "pan: -20, transpose: 12,",
            "leave: Cut,",
            "leave: Fade(300), level_change: New,",
            "catch: true, bend_range: 12,",
            "velocity: \"1..80\", transpose: -12,",
            "parameters: {\"cutoff\": 20},",
        ]),
    )
}
