//! Slips that nobody would miss until the night: each is one finding at its place.

use std::collections::BTreeMap;
use std::fs;

use segue::check::check;
use segue::show::finding::{Finding, Level};
use segue::show::read::read;

use crate::show_read::{files_in, repository, shows};

const RIG: &str = r#"(version: 1,
    ports: {"keys": (name: "Keys"), "rack": (name: "Rack", kind: Din)},
    controllers: {"keys": (port: "keys", keys: "C2..C7")},
    pedals: {"step": (on: "keys", sends: Control(80), does: Step)},
    receivers: {
        "synth": (port: "rack", slots: "1..8", patches: GeneralMidi, manners: Gm2,
            parameters: {"cutoff": (sends: Control(74), neutral: 64, range: "0..100")}),
        "echo": (kind: Effects, port: "rack", slots: "12", patches: "patches/echo.csv"),
    },
    defaults: (from: "keys", to: "synth"),
)"#;

const ECHO: &str = "name,bank_msb,bank_lsb,program,category\nHall,,,1,x\nRoom,,,2,x\n";

const SONG: &str = r#"(version: 1,
    scenes: {"a": (zones: {"z": (patch: "Church Organ")}, parameters: {"synth": {"cutoff": 3}})},
    order: ["a"])"#;

/// The findings of a show of these three files, as `place id message`.
fn told(rig: &str, song: &str, echo: &str) -> Vec<String> {
    let files = [
        ("rig.ron", rig),
        ("songs/song.ron", song),
        ("patches/echo.csv", echo),
    ];
    let files = files.map(|(path, text)| (path.to_owned(), text.as_bytes().to_vec()));
    let (show, reading) = read(&BTreeMap::from(files), "show");
    let words = |f: &Finding| format!("{} {} {}", f.place, f.id, f.message);
    check(&show, &reading).iter().map(words).collect()
}

#[test]
fn the_show_of_these_tests_is_clean() {
    assert_eq!(told(RIG, SONG, ECHO), [""; 0]);
}

#[test]
fn names_in_defaults_that_every_zone_overrides_are_found() {
    let zone =
        r#"(from: "keys", to: "synth", curve: "straight", group: "main", patch: "Church Organ")"#;
    let song = SONG.replace(r#"(patch: "Church Organ")"#, zone);
    for (field, what) in [
        (r#"from: "kees""#, "controller"),
        (r#"to: "sinth""#, "receiver"),
        (r#"curve: "strait""#, "curve"),
        (r#"group: "mane""#, "slot group"),
        (r#"patch: "Chorch Organ""#, "patch"),
        (r#"parameters: {"cutof": 3}"#, "parameter"),
    ] {
        let name = field.split('"').nth(1).unwrap();
        let in_song = song.replacen("scenes", &format!("defaults: ({field}), scenes"), 1);
        let found = told(RIG, &in_song, ECHO);
        assert_eq!(found.len(), 1, "{field}: {found:?}");
        assert!(found[0].contains("songs/song.ron:2:"), "{found:?}");
        assert!(
            found[0].contains(what) && found[0].contains(name),
            "{found:?}"
        );
        let rest = match what {
            "controller" => r#"to: "synth""#,
            "receiver" => r#"from: "keys""#,
            _ => r#"from: "keys", to: "synth""#,
        };
        let rig = RIG.replace(r#"from: "keys", to: "synth""#, &format!("{field}, {rest}"));
        let found = told(&rig, &song, ECHO);
        assert_eq!(found.len(), 1, "{field}: {found:?}");
        assert!(found[0].contains("rig.ron:10:"), "{found:?}");
        assert!(
            found[0].contains(what) && found[0].contains(name),
            "{found:?}"
        );
    }
}

/// What fits another receiver than the one that is stated is left to the zones, which may
/// name that one.
#[test]
fn a_default_that_fits_another_receiver_is_no_slip() {
    let song = SONG.replacen("scenes", r#"defaults: (patch: "Hall"), scenes"#, 1);
    assert_eq!(told(RIG, &song, ECHO), [""; 0]);
}

#[test]
fn values_out_of_range_that_every_scene_overrides_are_found() {
    let at_song = SONG.replacen(
        "scenes",
        r#"parameters: {"synth": {"cutoff": 101}}, scenes"#,
        1,
    );
    let zone = r#"zones: {"z": (patch: "Church Organ", parameters: {"cutoff": 4})}"#;
    let own = SONG.replace(r#"zones: {"z": (patch: "Church Organ")}"#, zone);
    let defaults = own.replacen(
        "scenes",
        r#"defaults: (parameters: {"cutoff": 101}), scenes"#,
        1,
    );
    for song in [at_song, defaults] {
        let found = told(RIG, &song, ECHO);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].contains("songs/song.ron:2:"), "{found:?}");
        assert!(found[0].contains("parameter-out-of-range"), "{found:?}");
    }
}

#[test]
fn without_in_a_scene_that_is_like_none_is_found() {
    let song = SONG.replace("zones:", "without: [\"left\", \"right\"], zones:");
    let expected = "songs/song.ron:2:30 unknown-name the scene \"a\" is like no other, so it has \
                    no zone \"left\" to leave out";
    assert_eq!(told(RIG, &song, ECHO), [expected]);
}

#[test]
fn an_empty_order_is_found_where_it_stands() {
    let song = SONG.replace("[\"a\"]", "[]");
    let found = told(RIG, &song, ECHO);
    let order = found
        .iter()
        .find(|words| words.contains("empty-song-order"));
    assert!(
        order.unwrap().starts_with("songs/song.ron:3:12 "),
        "{found:?}"
    );
}

#[test]
fn an_unclosed_quote_of_a_patch_list_is_found_where_it_opens() {
    let open = ECHO.replace("Hall", "\"Hall");
    let expected = "patches/echo.csv:2:1 bad-patch-list this quote is not closed";
    assert_eq!(told(RIG, SONG, &open), [expected]);
    // What cannot be read is not called unknown as well.
    let song = SONG.replace("zones:", "patches: {\"echo\": \"Room\"}, zones:");
    assert_eq!(told(RIG, &song, &open), [expected]);
    let later = ECHO.replace(",x\nRoom", ",\"x\nRoom");
    let expected = "patches/echo.csv:2:10 bad-patch-list this quote is not closed";
    assert_eq!(told(RIG, &song, &later), [expected]);
    // The quote of another line closes it, and what is between is no name.
    let swallowed = ECHO.replace("Hall", "\"Hall").replace("Room", "\"Room\"");
    let expected = "patches/echo.csv:2:1 bad-patch-list this quote is not closed on its line";
    assert_eq!(told(RIG, &song, &swallowed), [expected]);
}

/// Every quote of every file of the shows, missing in turn: one finding, on the line where it
/// was, whatever the quotes after it seem to enclose.
#[test]
fn one_missing_quote_is_one_finding() {
    let mut tried = 0;
    for show in shows() {
        let files = files_in(&show);
        for (path, bytes) in files.iter().filter(|(path, _)| path.ends_with(".ron")) {
            let text = std::str::from_utf8(bytes).unwrap();
            let quotes: Vec<usize> = text.match_indices('"').map(|(at, _)| at).collect();
            // Files are many and alike; some of each are enough.
            for at in quotes.iter().step_by(quotes.len() / 24 + 1) {
                let line = text[..*at].matches('\n').count() + 1;
                if text[..*at].rsplit('\n').next().unwrap().contains("//") {
                    continue;
                }
                let mut broken = text.to_owned();
                broken.remove(*at);
                let tree = segue::show::tree::Tree::new(&broken);
                let places: Vec<u32> = tree
                    .problems()
                    .kept()
                    .iter()
                    .map(|problem| tree.lines().line(problem.span.unwrap().start))
                    .collect();
                let shown = broken.lines().nth(line - 1).unwrap();
                assert_eq!(
                    places,
                    [line as u32],
                    "{path}:{line}: {shown}: {:#?}",
                    tree.problems()
                );
                tried += 1;
            }
        }
    }
    assert!(tried > 300, "{tried}");
}

/// The examples of the reference at the head of `show::read`, as files.
fn reference() -> Vec<String> {
    let source = fs::read_to_string(repository("src/show/read/mod.rs")).unwrap();
    let lines = source.lines().map_while(|line| line.strip_prefix("//!"));
    let text: Vec<&str> = lines
        .map(|line| line.strip_prefix(' ').unwrap_or(line))
        .collect();
    let text = text.join("\n");
    let blocks = text.split("```ron\n").skip(1);
    blocks
        .map(|block| block.split_once("```").unwrap().0.to_owned())
        .collect()
}

#[test]
fn the_examples_of_the_reference_are_a_show_without_errors() {
    let [rig, song, night]: [String; 3] = reference().try_into().unwrap();
    let main = "name,bank_msb,bank_lsb,program,category\nWide Hall,,,1,x\nShort Room,,,2,x\n";
    let other = SONG.replace("\"z\": (patch", "\"z\": (to: \"main\", patch");
    let other = other
        .replace("synth", "main")
        .replace("order: [\"a\"]", "order: [\"a\", \"bridge\"]");
    let other = other.replace("scenes: {", "scenes: {\"bridge\": (like: \"a\"), ");
    let files = [
        ("rig.ron", rig.as_str()),
        ("songs/ferry-lights.ron", &song),
        ("songs/salt-road.ron", &other),
        ("songs/paper-weather.ron", &other),
        ("nights/harbour-hall.ron", &night),
        ("patches/echo.csv", main),
        ("pages/ferry-lights.txt", "words"),
    ];
    let files = files.map(|(path, text)| (path.to_owned(), text.as_bytes().to_vec()));
    let (show, reading) = read(&BTreeMap::from(files), "show");
    // They show every field, not a show to be played: what is doubtful in them may stay.
    let errors = check(&show, &reading);
    let errors = errors
        .iter()
        .filter(|finding| finding.level == Level::Error);
    let found: Vec<String> = errors.map(ToString::to_string).collect();
    assert!(found.is_empty(), "{}", found.join("\n"));
    assert_eq!(show.songs.len(), 3);
}
