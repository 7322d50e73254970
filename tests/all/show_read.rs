//! Shows read from folders: those under `shows/`, and small ones made of texts.

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::{Path, PathBuf},
};

use proptest::prelude::*;
use segue::show::{
    finding::Findings,
    model::{
        Join, Leave, Manners, NightEntry, PatchItem, PickUp, PortKind, ReceiverKind, RouteCurve,
        Shape, Show, SourceKind, When, Zone,
    },
    patches::GENERAL_MIDI,
    read::read,
};

use crate::ron_tree::same_as_ron;

/// The files of a folder and all folders in it, by path relative to it.
pub(crate) fn files_in(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        let entries =
            fs::read_dir(&next).unwrap_or_else(|error| panic!("{}: {error}", next.display()));
        for entry in entries {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let relative = path
                    .strip_prefix(folder)
                    .unwrap()
                    .to_str()
                    .unwrap()
                    .replace('\\', "/");
                files.insert(relative, fs::read(&path).unwrap());
            }
        }
    }
    files
}

/// A folder of this repository.
pub(crate) fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// All shows under `shows/`.
pub(crate) fn shows() -> Vec<PathBuf> {
    let mut shows: Vec<_> = fs::read_dir(repository("shows"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    shows.sort();
    assert!(shows.len() >= 2);
    shows
}

fn told(findings: Findings) -> String {
    findings
        .into_sorted()
        .iter()
        .map(|finding| format!("{finding}\n"))
        .collect()
}

fn files(texts: &[(&str, &str)]) -> BTreeMap<String, Vec<u8>> {
    texts
        .iter()
        .map(|(path, text)| ((*path).to_owned(), text.as_bytes().to_vec()))
        .collect()
}

const RIG: &str = r#"(
    version: 1,
    ports: {"keys": (name: "Keys"), "rack": (name: "Rack", kind: Din)},
    controllers: {"keys": (port: "keys", keys: "C2..C7")},
    receivers: {
        "synth": (port: "rack", slots: "1..8", patches: GeneralMidi, manners: Gm2(load_ms: 5),
            parameters: {"cutoff": (sends: Control(74), neutral: 64), "drive": (sends: Pair(16))}),
        "module": (port: "rack", slots: "9..11", patches: GeneralMidi),
        "lights": (kind: Lights, port: "rack", slots: "16", cues: {"red": Program(3)}),
    },
    curves: {"soft": [(1, 1), (127, 90)]},
    defaults: (from: "keys", to: "synth", level: -2, curve: "soft", patch: "Church Organ"),
)"#;

/// A show with `RIG` and this song, which must read without a finding.
fn show_of(song: &str) -> Show {
    let (show, findings) = read(
        &files(&[("rig.ron", RIG), ("songs/song.ron", song)]),
        "test",
    );
    assert_eq!(told(findings), "");
    show
}

fn zone<'s>(show: &'s Show, scene: &str, zone: &str) -> Option<&'s Zone> {
    let scene = show.songs[0]
        .scenes
        .iter()
        .find(|found| found.name == scene)
        .unwrap();
    scene.zones.iter().find(|found| found.name == zone)
}

fn patch_of<'s>(show: &'s Show, zone: &Zone) -> &'s PatchItem {
    &show.rig.receivers[zone.receiver].patches.patches[zone.patch.unwrap()]
}

#[test]
fn a_misspelt_like_is_told_once() {
    let song = r#"(
        version: 1,
        scenes: {
            "verse": (zones: {"left": (to: "module", group: "9", patch: "Fretless Bass")}),
            "chorus": (like: "vrese", zones: {"left": (level: -6, to: "module")}),
            "coda": (like: "chorus", zones: {"left": (level: -9)}),
        },
        order: ["verse", "chorus", "coda"],
    )"#;
    let (_, findings) = read(
        &files(&[("rig.ron", RIG), ("songs/song.ron", song)]),
        "test",
    );
    let ids: Vec<_> = findings.kept().iter().map(|found| found.id).collect();
    assert_eq!(ids, ["unknown-name"], "{}", told(findings));
    let mended = song.replace("vrese", "verse");
    show_of(&mended);
    let alone = song.replace("like: \"vrese\", ", "");
    let (_, findings) = read(
        &files(&[("rig.ron", RIG), ("songs/song.ron", &alone)]),
        "test",
    );
    let ids: Vec<_> = findings.kept().iter().map(|found| found.id).collect();
    assert_eq!(
        ids,
        ["missing-field", "missing-field"],
        "what is lacking is told"
    );
}

#[test]
fn every_show_reads_without_a_finding_and_twice_alike() {
    for folder in shows() {
        let name = folder.file_name().unwrap().to_str().unwrap();
        let (show, findings) = read(&files_in(&folder), name);
        assert_eq!(told(findings), "", "{name}");
        assert!(!show.songs.is_empty() && !show.nights.is_empty());
        assert_eq!(read(&files_in(&folder), name).0, show);
    }
}

#[test]
fn every_file_of_a_show_reads_as_ron_reads_it() {
    let mut count = 0;
    for folder in ["shows", "tests/data/check"] {
        for (path, bytes) in files_in(&repository(folder)) {
            if path.ends_with(".ron") {
                count += 1;
                same_as_ron(std::str::from_utf8(&bytes).unwrap())
                    .unwrap_or_else(|error| panic!("{path}: {error}"));
            }
        }
    }
    assert!(count > 60, "{count}");
}

/// What the issue of a touring show asks: enough of everything, in few enough files to embed.
#[test]
fn the_touring_show_is_whole() {
    let files = files_in(&repository("shows/quarry-lanterns"));
    assert!(files.len() <= 40, "{}", files.len());
    let (show, _) = read(&files, "quarry-lanterns");
    assert!(show.songs.len() >= 12 && show.nights.len() == 2);
    // Three to play, the pedal box and its spare; eight to send to, one of them a spare.
    assert_eq!(
        (show.rig.controllers.len(), show.rig.receivers.len()),
        (5, 8)
    );
    let spares = show
        .rig
        .receivers
        .iter()
        .filter(|item| item.spare_of.is_some());
    assert_eq!(spares.count(), 1);
    let positions: usize = show.songs.iter().map(|song| song.order.len()).sum();
    assert!(positions >= 100, "{positions}");
    for (song, scene) in show
        .songs
        .iter()
        .flat_map(|song| song.scenes.iter().map(move |scene| (song, scene)))
    {
        assert!(
            scene.when != When::default(),
            "{}/{}",
            song.name,
            scene.name
        );
        assert!(!scene.player.is_empty(), "{}/{}", song.name, scene.name);
    }
    // 88 keys are 21–108 (common practice); the strap keys have four octaves, the surface three.
    let keys: Vec<_> = show
        .rig
        .controllers
        .iter()
        .filter_map(|item| item.keys)
        .collect();
    let numbers: Vec<_> = keys
        .iter()
        .map(|(low, high)| (low.get(), high.get()))
        .collect();
    assert_eq!(numbers, [(21, 108), (36, 84), (48, 84)]);
}

/// What a touring player has under hands and feet, each kind at least once: the README's list
/// of what hands move, a keyboard that is an instrument too, and spares of pedals.
#[test]
fn the_touring_show_has_what_hands_move() {
    let (show, _) = read(
        &files_in(&repository("shows/quarry-lanterns")),
        "quarry-lanterns",
    );
    let rig = &show.rig;
    let sources = || rig.controllers.iter().flat_map(|item| &item.sources);
    let has = |is_it: fn(&SourceKind) -> bool| sources().any(|source| is_it(&source.kind));
    assert!(has(|kind| *kind == SourceKind::Bend));
    assert!(has(|kind| *kind == SourceKind::Pressure));
    assert!(has(|kind| *kind == SourceKind::PolyPressure));
    assert!(has(|kind| matches!(kind, SourceKind::Control(_))));
    assert!(has(|kind| matches!(kind, SourceKind::Switch(_))));
    assert!(has(|kind| matches!(kind, SourceKind::Pair(_))));
    assert!(has(|kind| matches!(kind, SourceKind::Nrpn(..))));
    assert!(has(|kind| matches!(kind, SourceKind::Note(_))));
    assert!(sources().any(|source| source.is_inverted));
    // Nothing is named and then left lying.
    let scenes = || show.songs.iter().flat_map(|song| &song.scenes);
    let routes = || scenes().flat_map(|scene| &scene.routes);
    for (at, item) in rig.controllers.iter().enumerate() {
        for (source, named) in item.sources.iter().enumerate() {
            let is_led = routes()
                .flat_map(|route| &route.inputs)
                .any(|input| (input.controller, input.source) == (at, source));
            let goes_by_itself = item.keys.is_some();
            assert!(is_led || goes_by_itself, "{}: {}", item.name, named.name);
        }
    }
    let shape = |is_it: fn(&Shape) -> bool| routes().any(|route| is_it(&route.shape));
    let curve = |is_it: fn(&RouteCurve) -> bool| {
        routes().any(|route| matches!(&route.shape, Shape::Follow { curve, .. } if is_it(curve)))
    };
    assert!(curve(|curve| *curve == RouteCurve::Linear));
    assert!(curve(|curve| *curve == RouteCurve::Exponential));
    assert!(curve(|curve| *curve == RouteCurve::S));
    assert!(curve(|curve| matches!(curve, RouteCurve::Table(_))));
    assert!(shape(
        |shape| matches!(shape, Shape::Follow { to, .. } if to.0 > to.1)
    ));
    assert!(shape(|shape| matches!(
        shape,
        Shape::Switch {
            is_toggle: true,
            ..
        }
    )));
    assert!(shape(
        |shape| matches!(shape, Shape::Switch { at, is_toggle: false, .. } if at.0 + 8 < at.1)
    ));
    assert!(shape(|shape| matches!(shape, Shape::Steps { .. })));
    assert!(shape(|shape| matches!(shape, Shape::Bands(_))));
    for join in [Join::Last, Join::Highest, Join::Sum] {
        assert!(routes().any(|route| route.join == join && route.inputs.len() > 1));
    }
    for pick_up in [PickUp::Jump, PickUp::Wait, PickUp::Scale] {
        assert!(routes().any(|route| route.pick_up == pick_up));
    }
    assert!(routes().any(|route| route.smooth_ms > 0));
    let mut zones = scenes().flat_map(|scene| &scene.zones);
    assert!(zones.any(|zone| zone.velocity_fades != (0, 0)));

    // Each key pedal does what a switch does already.
    let is_key = |at: usize| rig.ports[rig.controllers[at].port].kind == PortKind::Keys;
    let does = |is_spare: bool| -> BTreeSet<String> {
        let pedals = rig.bindings.iter();
        let chosen = pedals.filter(|pedal| is_key(pedal.controller) == is_spare);
        chosen.map(|pedal| format!("{:?}", pedal.action)).collect()
    };
    assert_eq!(does(true), ["PageNext", "Step"].map(String::from).into());
    assert!(does(true).is_subset(&does(false)));

    // A keyboard's own sounds are played by name, and every panel with sounds has a list.
    let own = rig
        .receivers
        .iter()
        .position(|item| item.keyboard.is_some());
    let is_own = |zone: &Zone| Some(zone.receiver) == own;
    let played = scenes().filter(|scene| scene.zones.iter().any(is_own));
    assert!(played.count() >= 4);
    for item in &rig.receivers {
        let has_panel = item.kind == ReceiverKind::Lights || !item.panel.is_empty();
        assert!(has_panel, "{}", item.name);
    }
}

/// A spare is what it stands in for, on its own port; where it says otherwise is told.
#[test]
fn a_spare_is_like_the_receiver_it_stands_in_for() {
    let rig = |spare: &str| {
        let rig = format!(
            r#"(
    version: 1,
    ports: {{"keys": (name: "Keys"), "rack": (name: "Rack"), "second": (name: "Second")}},
    controllers: {{"keys": (port: "keys", channel: 1, keys: "C2..C7")}},
    receivers: {{
        {spare}
        "synth": (port: "rack", slots: "1..8", patches: GeneralMidi, manners: Gm2(load_ms: 5),
            parameters: {{"cutoff": (sends: Control(74), neutral: 64)}}, cues: {{"chime": Note("C3", 127)}}),
    }},
)"#
        );
        let files = BTreeMap::from([("rig.ron".to_owned(), rig.into_bytes())]);
        let (show, findings) = read(&files, "spare");
        let told: Vec<String> = findings.kept().iter().map(ToString::to_string).collect();
        (show, told.join("\n"))
    };
    // It may be written before what it stands in for.
    let (show, told) = rig(r#""spare": (spare_of: "synth", port: "second"),"#);
    assert_eq!(told, "");
    let [spare, synth] = &show.rig.receivers[..] else {
        panic!("{:?}", show.rig.receivers)
    };
    assert_eq!((spare.spare_of, synth.spare_of), (Some(1), None));
    assert_ne!(spare.port, synth.port);
    let renamed = segue::show::model::Receiver {
        name: synth.name.clone(),
        site: synth.site,
        port: synth.port,
        spare_of: None,
        ..spare.clone()
    };
    assert_eq!(&renamed, synth);
    // The panel is looked at on both; each has an input of the mixer of its own.
    let (show, told) = rig(
        r#""extra": (port: "second", slots: "1", patches: GeneralMidi, mixer: 7, panel: ["filters open"]),
        "other": (spare_of: "extra", port: "keys", mixer: 8),"#,
    );
    assert_eq!(told, "");
    let [extra, other, _] = &show.rig.receivers[..] else {
        panic!("{:?}", show.rig.receivers)
    };
    assert_eq!((extra.mixer, other.mixer), (Some(7), Some(8)));
    assert_eq!(extra.panel, ["filters open"]);
    assert_eq!(extra.panel, other.panel);
    for (spare, words) in [
        (
            r#""spare": (spare_of: "sinth", port: "second"),"#,
            "no receiver \"sinth\"",
        ),
        (
            r#""spare": (spare_of: "synth", port: "second", slots: "1..4"),"#,
            "\"spare\" states \"slots\"",
        ),
        (
            r#""spare": (spare_of: "synth", port: "second", patches: GeneralMidi),"#,
            "\"spare\" states \"patches\"",
        ),
        (
            r#""a": (spare_of: "b", port: "second"), "b": (spare_of: "synth", port: "second"),"#,
            "\"b\" is a spare itself",
        ),
        (
            r#""a": (spare_of: "a", port: "second"),"#,
            "\"a\" is a spare itself",
        ),
        (r#""spare": (spare_of: "synth"),"#, "port"),
    ] {
        let (_, told) = rig(spare);
        assert!(told.contains(words), "{spare}: {told}");
    }
}

/// The examples in the documentation of the format are a show, and read as one.
#[test]
fn the_documented_examples_read_without_a_finding() {
    let source = fs::read_to_string(repository("src/show/read/mod.rs")).unwrap();
    let doc: String = source
        .lines()
        .filter_map(|line| line.strip_prefix("//!"))
        .map(|line| format!("{line}\n"))
        .collect();
    let blocks: Vec<&str> = doc
        .split(" ```ron\n")
        .skip(1)
        .map(|rest| rest.split(" ```").next().unwrap())
        .collect();
    let [rig, song, night] = blocks[..] else {
        panic!("{} examples", blocks.len())
    };
    let other = r#"(version: 1, scenes: {"bridge": ()}, order: ["bridge"])"#;
    let files = files(&[
        ("rig.ron", rig),
        ("songs/ferry-lights.ron", song),
        ("songs/salt-road.ron", other),
        ("songs/paper-weather.ron", other),
        ("nights/hall.ron", night),
        (
            "patches/echo.csv",
            "name,bank_msb,bank_lsb,program,category\nWide Hall,,,0,Hall\n",
        ),
    ]);
    let (show, findings) = read(&files, "documented");
    assert_eq!(told(findings), "");
    assert_eq!((show.songs.len(), show.nights.len()), (3, 1));
}

#[test]
fn defaults_come_down_from_rig_to_song_to_zone() {
    let show = show_of(
        r#"(version: 1, title: "S", defaults: (level: -4, pan: 10),
            scenes: {"one": (zones: {"a": (), "b": (level: 1, pan: -64, curve: "straight")})}, order: ["one"])"#,
    );
    let (a, b) = (
        zone(&show, "one", "a").unwrap(),
        zone(&show, "one", "b").unwrap(),
    );
    assert_eq!((a.level_db, a.pan.unwrap().get(), a.curve), (-4.0, 74, 1));
    assert_eq!((b.level_db, b.pan.unwrap().get(), b.curve), (1.0, 0, 0));
    assert_eq!(patch_of(&show, a).name, "Church Organ");
    // The whole controller, all velocities, and nothing special unless stated.
    assert_eq!((a.keys.0.get(), a.keys.1.get()), (36, 96));
    assert_eq!((a.velocities.0.get(), a.velocities.1.get()), (1, 127));
    assert_eq!(
        (a.transpose, a.is_never_transposed, a.leave),
        (0, false, Leave::Hold)
    );
    // Places are those of what was written, in whichever file.
    assert_eq!(show.place(a.level_site).line, 1);
    assert_eq!(
        show.place(b.keys_site).line_text.trim().get(..7),
        Some("scenes:")
    );
}

#[test]
fn like_takes_over_what_sounds_field_by_field() {
    let show = show_of(
        r#"(version: 1, scenes: {
            "verse": (
                zones: {"left": (keys: "C2..B3", level: -3, transpose: 12, parameters: {"cutoff": 9, "drive": 1}),
                        "right": (keys: "C4..C7", patch: "Vibraphone")},
                parameters: {"synth": {"cutoff": 90, "drive": 7}}, patches: {"module": (patch: "Celesta", group: "9")},
                player: "softly", when: (bar: 9), page: 1, cues: [(to: "lights", cue: "red")], brief: true),
            "chorus": (like: "verse", zones: {"left": (level: -6, parameters: {"cutoff": 10}), "top": ()}, without: ["right"],
                parameters: {"synth": {"drive": Leave}}, patches: {"module": "Marimba"}),
            "last": (like: "chorus", zones: {"left": (transpose: Never)}),
        }, order: ["verse", "chorus", "last"], pages: [(number: 1)])"#,
    );
    let left = zone(&show, "chorus", "left").unwrap();
    assert_eq!(
        (left.level_db, left.transpose, left.keys.1.get()),
        (-6.0, 12, 59)
    );
    let values = |zone: &Zone| {
        zone.settings
            .iter()
            .map(|setting| setting.value)
            .collect::<Vec<_>>()
    };
    assert_eq!(values(left), [Some(10), Some(1)]);
    assert!(zone(&show, "chorus", "right").is_none() && zone(&show, "chorus", "top").is_some());
    let chorus = &show.songs[0].scenes[1];
    let settings: Vec<_> = chorus
        .settings
        .iter()
        .map(|setting| setting.value)
        .collect();
    assert_eq!(settings, [Some(90), None]);
    let module = &show.rig.receivers[1];
    assert_eq!(
        module.patches.patches[chorus.patches[0].patch].name,
        "Marimba"
    );
    assert_eq!(module.groups[chorus.patches[0].group].name, "9");
    // Words and what happens once do not come along.
    assert_eq!(
        (
            chorus.player.as_str(),
            chorus.page,
            chorus.cues.len(),
            chorus.is_brief
        ),
        ("", None, 0, false)
    );
    assert_eq!(chorus.when, When::default());
    let last = zone(&show, "last", "left").unwrap();
    assert_eq!(
        (last.is_never_transposed, last.transpose, last.level_db),
        (true, 0, -6.0)
    );
}

#[test]
fn the_song_gives_parameters_that_a_scene_does_not_name() {
    let show = show_of(
        r#"(version: 1, parameters: {"synth": {"cutoff": 20, "drive": 16383}},
            scenes: {"one": (parameters: {"synth": {"cutoff": 30}}), "two": ()}, order: ["one", "two"])"#,
    );
    let values = |scene: usize| -> Vec<_> {
        show.songs[0].scenes[scene]
            .settings
            .iter()
            .map(|setting| (setting.parameter, setting.value))
            .collect()
    };
    assert_eq!(values(0), [(0, Some(30)), (1, Some(16_383))]);
    assert_eq!(values(1), [(0, Some(20)), (1, Some(16_383))]);
}

#[test]
fn unstated_manners_are_bad_and_leave_slots_fixed() {
    let show = show_of(r#"(version: 1, scenes: {}, order: [])"#);
    let [synth, module, lights] = &show.rig.receivers[..] else {
        panic!()
    };
    assert_eq!(
        synth.manners,
        Manners {
            load_ms: 5,
            ..Manners::gm2()
        }
    );
    assert_eq!(synth.groups.len(), 1);
    assert_eq!(module.manners, Manners::unstated());
    let groups: Vec<_> = module
        .groups
        .iter()
        .map(|group| (group.name.as_str(), group.channels.len()))
        .collect();
    assert_eq!(groups, [("9", 1), ("10", 1), ("11", 1)]);
    assert!(synth.sounds && !lights.sounds);
    assert_eq!(synth.patches.origin, GENERAL_MIDI);
}

#[test]
fn a_broken_song_leaves_the_others_and_their_call_numbers() {
    let good = r#"(version: 1, scenes: {"one": ()}, order: ["one"])"#;
    let files = files(&[
        ("rig.ron", RIG),
        ("songs/a.ron", good),
        ("songs/b.ron", "(version: 1, scenes: {"),
        ("songs/c.ron", good),
        ("songs/d.ron", "(version: 2, anything: Goes)"),
        (
            "nights/n.ron",
            r#"(version: 1, order: ["a", "b", (pause: "1:00"), "d", "c"])"#,
        ),
    ]);
    let (show, findings) = read(&files, "test");
    let names: Vec<_> = show.songs.iter().map(|song| song.name.as_str()).collect();
    assert_eq!(names, ["a", "c"]);
    let ids: Vec<_> = findings
        .kept()
        .iter()
        .map(|finding| (finding.place.file.clone(), finding.id))
        .collect();
    assert!(
        ids.iter()
            .all(|(file, _)| file == "songs/b.ron" || file == "songs/d.ron"),
        "{ids:?}"
    );
    assert!(ids.contains(&("songs/d.ron".into(), "newer-version")));
    let calls: Vec<_> = show.nights[0]
        .order
        .iter()
        .map(|entry| match entry {
            NightEntry::Song { song, call, .. } => (show.songs[*song].name.as_str(), call.as_str()),
            NightEntry::Break { length_s, .. } => {
                ("break", if *length_s == 60 { "60 s" } else { "?" })
            }
        })
        .collect();
    assert_eq!(calls, [("a", "1"), ("break", "60 s"), ("c", "4")]);
}

#[test]
fn a_broken_thing_of_the_rig_is_told_once() {
    let rig = RIG
        .replace("slots: \"1..8\"", "slots: \"1..80\"")
        .replace("keys: \"C2..C7\"", "keys: \"C2..\"");
    let song = r#"(version: 1, scenes: {"one": (zones: {"a": (), "b": ()})}, order: ["one"])"#;
    let (show, findings) = read(
        &files(&[("rig.ron", &rig), ("songs/song.ron", song)]),
        "test",
    );
    let lines: Vec<_> = findings
        .kept()
        .iter()
        .map(|finding| (finding.id, finding.place.line))
        .collect();
    assert_eq!(lines, [("bad-value", 4), ("bad-value", 6)]);
    assert_eq!(
        (
            show.songs[0].order.len(),
            show.songs[0].scenes[0].zones.len()
        ),
        (1, 0)
    );
}

#[test]
fn one_mistake_in_a_default_is_told_once() {
    let song = r#"(version: 1, defaults: (to: "snyth"), scenes: {"one": (zones: {"a": (), "b": ()}), "two": (like: "one")},
        order: ["one", "two"])"#;
    let (_, findings) = read(
        &files(&[("rig.ron", RIG), ("songs/song.ron", song)]),
        "test",
    );
    let words: Vec<_> = findings
        .kept()
        .iter()
        .map(|finding| finding.message.as_str())
        .collect();
    assert_eq!(words, ["no receiver \"snyth\""]);
    assert_eq!(
        findings.kept()[0].help.as_deref(),
        Some("the nearest is \"synth\"")
    );
}

#[test]
fn without_a_rig_the_show_is_empty() {
    let song = ("songs/song.ron", "(version: 1, scenes: {}, order: [)");
    for (rig, id) in [
        (None, "missing-file"),
        (Some("(version: 1, ports: ["), "syntax"),
        (Some("()"), "missing-version"),
    ] {
        let mut all = files(&[song]);
        all.extend(rig.map(|rig| ("rig.ron".to_owned(), rig.as_bytes().to_vec())));
        let (show, findings) = read(&all, "test");
        assert!(show.songs.is_empty() && show.rig.receivers.is_empty());
        // The other files are looked at all the same.
        assert!(
            findings.kept().iter().any(|finding| finding.id == id),
            "{id}"
        );
        assert!(
            findings
                .kept()
                .iter()
                .any(|finding| finding.place.file == "songs/song.ron")
        );
    }
}

#[test]
fn files_that_are_not_text_are_told() {
    let mut all = files(&[
        ("rig.ron", RIG),
        ("pages/long.txt", ""),
        ("songs/song.ron", ""),
    ]);
    all.insert("pages/long.txt".into(), vec![b' '; (8 << 20) + 1]);
    all.insert("pages/latin.txt".into(), b"caf\xe9\n".to_vec());
    all.insert("songs/song.ron".into(), vec![b' '; (8 << 20) + 1]);
    all.insert(
        "songs/mark.ron".into(),
        b"\xef\xbb\xbf(version: 1, scenes: {}, order: [])".to_vec(),
    );
    all.insert("notes/anything.bin".into(), vec![0xff]);
    let (_, findings) = read(&all, "test");
    let ids: Vec<_> = findings
        .kept()
        .iter()
        .map(|finding| (finding.place.file.as_str(), finding.id))
        .collect();
    assert_eq!(ids.len(), 4, "{ids:?}");
    assert!(
        ids.contains(&("pages/latin.txt", "not-utf8"))
            && ids.contains(&("pages/long.txt", "file-too-long"))
    );
    assert!(ids.contains(&("songs/song.ron", "file-too-long")));
    assert!(ids.iter().any(|(file, _)| *file == "songs/mark.ron"));
}

#[test]
fn middle_c_is_what_the_panels_call_it() {
    let rig = RIG.replace("version: 1,", "version: 1, middle_c: \"C3\",");
    let song = r#"(version: 1, scenes: {"one": (zones: {"a": (keys: "C3")})}, order: ["one"])"#;
    let (show, findings) = read(
        &files(&[("rig.ron", &rig), ("songs/song.ron", song)]),
        "test",
    );
    assert_eq!(told(findings), "");
    let key = zone(&show, "one", "a").unwrap().keys.0;
    assert_eq!((key.get(), show.rig.middle_c.name(key)), (60, "C3".into()));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(crate::cases::scaled(64)))]

    /// However a file is damaged, reading and checking end, and end alike.
    #[test]
    fn damage_is_survived(file in 0..4usize, at in 0.0..1.0f64, cut in 0..40usize, put in "[(){}\\[\\]\",:a-c0-9 ]{0,3}") {
        let mut all = files_in(&repository("shows/quarry-lanterns"));
        let path = ["rig.ron", "songs/salt-road.ron", "nights/old-foundry.ron", "patches/main.csv"][file];
        let bytes = all.get_mut(path).unwrap();
        let start = (bytes.len() as f64 * at) as usize;
        let end = (start + cut).min(bytes.len());
        bytes.splice(start..end, put.bytes());
        let (show, findings) = read(&all, "damaged");
        let (again, _) = read(&all, "damaged");
        prop_assert_eq!(&show, &again);
        let told = segue::check::check(&show, &findings);
        for finding in &told {
            prop_assert!(!finding.message.is_empty() && !finding.to_string().is_empty());
        }
        // A song that is not the damaged one is still there, unless the rig itself is gone.
        prop_assert!(show.rig.receivers.is_empty() || show.songs.iter().any(|song| song.name == "ferry-lights"));
    }
}
