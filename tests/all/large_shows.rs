//! A hundred thousand of anything is read and checked, in work that grows with the size of the
//! file and not with its square: with the square this test does not end in its day.

use std::collections::BTreeMap;

use segue::check::check;
use segue::show::finding::{Finding, Findings, MORE_FINDINGS};
use segue::show::read::read;

const COUNT: usize = 100_000;

const RIG: &str = r#"(version: 1,
    ports: {"keys": (name: "Keys"), "rack": (name: "Rack", kind: Din)},
    controllers: {"keys": (port: "keys", keys: "C2..C7")},
    pedals: {"step": (on: "keys", sends: Control(80), does: Step)},
    receivers: {"synth": (port: "rack", slots: "1..8", patches: "patches/a.csv", manners: Gm2)},
    defaults: (from: "keys", to: "synth"),
)"#;

const HEADER: &str = "name,bank_msb,bank_lsb,program,category";

fn findings(song: &str, list: &str) -> Vec<Finding> {
    let files = [
        ("rig.ron", RIG),
        ("songs/a.ron", song),
        ("patches/a.csv", list),
    ];
    let files = files.map(|(path, text)| (path.to_owned(), text.as_bytes().to_vec()));
    let (show, reading) = read(&BTreeMap::from(files), "show");
    check(&show, &reading)
}

fn list_of_one() -> String {
    format!("{HEADER}\nOrgan,,,1,x\n")
}

/// Each of so many, with commas between.
fn each(count: usize, words: impl Fn(usize) -> String) -> String {
    (0..count).map(words).collect::<Vec<_>>().join(",")
}

fn song(scenes: &str, order: &str) -> String {
    format!("(version: 1, scenes: {{{scenes}}}, order: [{order}])")
}

/// As many findings as are listed, all of one kind, and the note that there are `more`.
fn are_full(findings: &[Finding], id: &str, more: usize) {
    let (last, listed) = findings.split_last().unwrap();
    assert_eq!(last.id, MORE_FINDINGS);
    assert!(last.message.starts_with(&format!("{more} more ")), "{last}");
    assert_eq!(listed.len(), Findings::MAX);
    let other = listed.iter().find(|finding| finding.id != id);
    assert!(other.is_none(), "{other:?}");
}

#[test]
fn scenes_that_are_sound() {
    let scenes = each(COUNT, |at| {
        format!(r#""s{at}":(zones:{{"z":(patch:"Organ")}})"#)
    });
    let order = each(COUNT, |at| format!(r#""s{at}""#));
    let found = findings(&song(&scenes, &order), &list_of_one());
    let ids: Vec<&str> = found.iter().map(|finding| finding.id).collect();
    assert_eq!(ids, [""; 0]);
}

#[test]
fn scenes_that_are_like_each_other_round_and_round() {
    let scenes = each(COUNT, |at| {
        format!(r#""s{at}":(like:"s{}")"#, (at + 1) % COUNT)
    });
    let found = findings(&song(&scenes, r#""s0""#), &list_of_one());
    let cycle = found.iter().find(|finding| finding.id == "like-cycle");
    assert!(
        cycle.unwrap().message.ends_with("and 99989 more"),
        "{cycle:?}"
    );
}

#[test]
fn fields_that_nothing_knows() {
    let fields = each(COUNT, |at| format!("f{at}: 1"));
    let scenes = format!(r#""a":(zones:{{"z":(patch:"Organ", {fields})}})"#);
    let found = findings(&song(&scenes, r#""a""#), &list_of_one());
    are_full(&found, "unknown-field", COUNT - Findings::MAX);
}

#[test]
fn zones_left_out_that_are_not_there() {
    let names = each(COUNT, |at| format!(r#""y{at}""#));
    let scenes =
        format!(r#""a":(zones:{{"z":(patch:"Organ")}}),"b":(like:"a", without:[{names}])"#);
    let found = findings(&song(&scenes, r#""a","b""#), &list_of_one());
    are_full(&found, "unknown-name", COUNT - Findings::MAX);
}

#[test]
fn columns_of_a_patch_list_that_mean_nothing() {
    let columns = each(COUNT, |at| format!("c{at}"));
    let list = format!("{HEADER},{columns}\nOrgan,,,1,x\n");
    let scenes = r#""a":(zones:{"z":(patch:"Organ")})"#;
    let found = findings(&song(scenes, r#""a""#), &list);
    are_full(&found, "bad-patch-list", COUNT - Findings::MAX);
}

#[test]
fn patches_that_a_long_list_does_not_have() {
    let lines: String = (0..20_000)
        .map(|at| {
            format!(
                "Warm Strings {at:05},{},{},{},x\n",
                at >> 14,
                at >> 7 & 127,
                at & 127
            )
        })
        .collect();
    let scenes = each(300, |at| {
        let name = format!("Warm Stings {:05}", at * 61);
        format!(r#""s{at}":(zones:{{"z":(patch:"{name}")}})"#)
    });
    let order = each(300, |at| format!(r#""s{at}""#));
    let found = findings(&song(&scenes, &order), &format!("{HEADER}\n{lines}"));
    assert_eq!(found.len(), 300);
    for (at, finding) in found.iter().enumerate() {
        let near = format!("the nearest is \"Warm Strings {:05}\"", at * 61);
        assert_eq!(finding.help.as_deref(), Some(near.as_str()), "{finding}");
    }
}
