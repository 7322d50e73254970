//! A default that is stated is the default: the plan and the findings are the same.

use std::collections::BTreeMap;

use proptest::collection::vec;
use proptest::prelude::*;
use segue::check::check;
use segue::plan::compile;
use segue::show::read::read;

/// Four slots that are alike, and one that is not.
const RIG: &str = r#"(
    version: 1,
    ports: {"keys": (name: "Keys"), "rack": (name: "Rack")},
    controllers: {"keys": (port: "keys", channel: 1, keys: "C2..C7")},
    pedals: {"foot": (on: "keys", sends: Control(80), does: Step)},
    receivers: {
        "main": (port: "rack", groups: {"four": "1..4", "one": "5"}, patches: "patches/main.csv",
            manners: Gm2(bank: Msb), parameters: {
                "rotor": (sends: Control(82), states: {"slow": 0, "fast": 127}, neutral: 0),
                "delay": (sends: Exclusive("F0 7D 01 vv F7"), neutral: 40),
            }),
    },
    defaults: (from: "keys", to: "main", group: "four"),
)"#;

/// "Strings" and "Same Strings" differ in what the receiver does not heed.
const PATCHES: &str = "name,bank_msb,bank_lsb,program,category\n\
    Strings,1,0,48,\nSame Strings,1,7,48,\nOrgan,0,0,16,\nBrass,0,1,61,\n";

/// What is sent for these scenes, as seats, sounds and messages; and what check finds.
fn outcome(scenes: &[String]) -> (String, Vec<&'static str>) {
    let scene = |(at, zones): (usize, &String)| format!("\"{at}\": (zones: {{{zones}}}),");
    let names: Vec<String> = (0..scenes.len()).map(|at| format!("\"{at}\"")).collect();
    let song = format!(
        "(version: 1, scenes: {{{}}}, order: [{}])",
        scenes.iter().enumerate().map(scene).collect::<String>(),
        names.join(", ")
    );
    let files = [
        ("rig.ron", RIG.to_owned()),
        ("patches/main.csv", PATCHES.to_owned()),
        ("songs/song.ron", song),
    ];
    let files: BTreeMap<String, Vec<u8>> = files
        .into_iter()
        .map(|(name, text)| (name.to_owned(), text.into_bytes()))
        .collect();
    let (show, reading) = read(&files, "show");
    assert!(!reading.has_errors(), "{:?}", reading.kept());
    let ids = check(&show, &reading)
        .iter()
        .map(|finding| finding.id)
        .collect();
    let plan = compile(&show, &show.nights[0]).unwrap();
    (format!("{:?} {:?}", plan.promptbook, plan.remarks), ids)
}

/// Each way in which a scene may state what it is anyway.
const DEFAULTS: [&str; 7] = [
    "pan: 0",
    "bend_range: 2",
    "parameters: {\"rotor\": 0}",
    "parameters: {\"rotor\": \"slow\"}",
    "parameters: {\"delay\": 40}",
    "level_change: New",
    "level: 0.01",
];

#[test]
fn a_scene_that_states_a_default_plays_the_same_sound() {
    let plain = "\"a\": (patch: \"Strings\")";
    // Elsewhere in the show pan and bend range are stated: every sound is told them then.
    let other = "\"a\": (patch: \"Organ\", pan: 20, bend_range: 12)";
    let scenes = |second: &str| vec![plain.to_owned(), second.to_owned(), other.to_owned()];
    let (expected, findings) = outcome(&scenes(plain));
    assert!(findings.is_empty(), "{findings:?}");
    let stated = DEFAULTS.map(|default| format!("\"a\": (patch: \"Strings\", {default})"));
    let alias = "\"a\": (patch: \"Same Strings\")".to_owned();
    let failures: Vec<String> = stated
        .into_iter()
        .chain([alias])
        .filter(|second| outcome(&scenes(second)) != (expected.clone(), Vec::new()))
        .collect();
    assert!(failures.is_empty(), "{failures:#?}");
}

#[test]
fn zones_that_differ_in_a_stated_default_share_a_fixed_slot() {
    let failures: Vec<String> = DEFAULTS
        .map(|default| {
            format!(
                "\"a\": (group: \"one\", patch: \"Strings\", keys: \"C2..B3\"), \
                 \"b\": (group: \"one\", patch: \"Strings\", keys: \"C4..C6\", {default})"
            )
        })
        .into_iter()
        .chain([
            "\"a\": (group: \"one\", patch: \"Strings\", keys: \"C2..B3\"), \
                 \"b\": (group: \"one\", patch: \"Same Strings\", keys: \"C4..C6\")"
                .to_owned(),
        ])
        .filter(|zones| !outcome(std::slice::from_ref(zones)).1.is_empty())
        .collect();
    assert!(failures.is_empty(), "{failures:#?}");
}

/// The sound rides at two levels elsewhere. In one scene it has one level: that a zone of it
/// takes a new level makes no second sound, for which there would be no slot.
#[test]
fn zones_at_one_level_are_one_sound_though_only_one_takes_a_new_level() {
    let scenes = |first: &str, second: &str| {
        vec![
            "\"a\": (patch: \"Strings\", level: -6)".to_owned(),
            "\"a\": (patch: \"Strings\", level: -3)".to_owned(),
            format!(
                "\"a\": (patch: \"Strings\", keys: \"C2..B3\"{first}), \
                 \"b\": (patch: \"Strings\", keys: \"C4..C6\"{second}), \
                 \"c\": (patch: \"Organ\"), \"d\": (patch: \"Organ\", pan: 20), \
                 \"e\": (patch: \"Brass\")"
            ),
        ]
    };
    let new = ", level_change: New";
    let both = outcome(&scenes(new, new));
    assert_eq!(both.1, ["slot-just-played"], "four sounds on four slots");
    assert_eq!(outcome(&scenes("", new)), both);
    assert_eq!(outcome(&scenes(new, "")), both);
    // Where none of them does, the level rides from the scene before.
    assert_ne!(outcome(&scenes("", "")).0, both.0);
}

proptest! {
    /// Scenes of up to five zones (more than slots), each rewritten with a default stated.
    #[test]
    fn to_state_a_default_changes_nothing(
        scenes in vec(vec((0..3_usize, 0..3_usize, 0..7_usize), 1..6), 1..6),
    ) {
        let written = |is_stated: bool| -> Vec<String> {
            let zone = |(at, (patch, level, default)): (usize, &(usize, usize, usize))| {
                let patch = ["Strings", "Organ", "Brass"][*patch];
                let level = ["", ", level: -6", ", pan: 20, bend_range: 12"][*level];
                // A field that is written already, or that would change a level that rides.
                let default = DEFAULTS[*default];
                let is_free = !level.contains(&default[..3]) && !default.starts_with("level");
                let default = if is_stated && is_free { format!(", {default}") } else { String::new() };
                format!("\"{at}\": (patch: \"{patch}\"{level}{default}), ")
            };
            let mut scenes: Vec<String> =
                scenes.iter().map(|zones| zones.iter().enumerate().map(zone).collect()).collect();
            scenes.push("\"a\": (patch: \"Brass\", pan: -20, bend_range: 7)".into());
            scenes
        };
        prop_assert_eq!(outcome(&written(true)), outcome(&written(false)));
    }
}
