//! The reading layer: a small document is read by it, and all that is wrong is told in one run.

use std::fs;

use segue::show::{
    finding::Findings,
    tree::{
        Fields, Node, Report, Spanned, Tree, Version,
        readers::{decimal, inner, list, map, name, switch, text, variant, whole, word},
        version::read_version,
    },
};

use crate::cases;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Port {
    Usb,
    Din,
}

#[derive(Debug, PartialEq)]
enum Press {
    Note(u8),
    Control { number: u8, least: u8 },
    Key,
}

#[derive(Debug, PartialEq)]
struct Box {
    name: Option<Spanned<String>>,
    channel: Option<u8>,
    port: Option<Port>,
    level_db: f64,
    latching: bool,
    press: Option<Press>,
    words: Vec<Spanned<String>>,
    sources: Vec<(Spanned<String>, Spanned<u8>)>,
}

fn read(root: &Node, report: &mut Report<'_>) -> Option<Vec<Spanned<Box>>> {
    let Version::One = read_version(root, report)?;
    let mut fields = Fields::open(root, "rig", report)?;
    fields.skip("version");
    let boxes = fields.required("boxes", list(pedal_box));
    fields.finish();
    boxes.map(|boxes| boxes.value)
}

fn pedal_box(node: &Node, report: &mut Report<'_>) -> Option<Box> {
    let mut fields = Fields::open(node, "pedal box", report)?;
    let read = Box {
        name: fields.required("name", name),
        channel: fields
            .required("channel", whole(1..=16u8))
            .map(|channel| channel.value),
        port: fields
            .optional(
                "port",
                word("kind of port", &[("Usb", Port::Usb), ("Din", Port::Din)]),
            )
            .map(|port| port.value),
        level_db: fields
            .optional("level_db", decimal(-60.0..=6.0))
            .map_or(0.0, |level| level.value),
        latching: fields
            .optional("latching", switch)
            .is_some_and(|latching| latching.value),
        press: fields.optional("press", press).map(|press| press.value),
        words: fields
            .optional("words", list(text))
            .map(|words| words.value)
            .unwrap_or_default(),
        sources: fields
            .optional("sources", map(name, whole(0..=127u8)))
            .map(|sources| sources.value)
            .unwrap_or_default(),
    };
    fields.finish();
    Some(read)
}

fn press(node: &Node, report: &mut Report<'_>) -> Option<Press> {
    Some(
        match variant("press", &["Note", "Control", "Key"])(node, report)? {
            "Note" => Press::Note(inner(node, report, whole(0..=127u8))?.value),
            "Control" => {
                let mut fields = Fields::of_variant(node, "press", report)?;
                let number = fields.required("number", whole(0..=119u8));
                let least = fields
                    .optional("least", whole(1..=127u8))
                    .map_or(64, |least| least.value);
                fields.finish();
                Press::Control {
                    number: number?.value,
                    least,
                }
            }
            _ => Press::Key,
        },
    )
}

#[test]
fn files_give_the_expected_findings() {
    let mut failures = Vec::new();
    for file in cases::files("ron/read", "ron") {
        let tree = Tree::from_bytes(&fs::read(&file).unwrap());
        let path = format!("{}.ron", cases::name(&file));
        let mut findings = Findings::new();
        let _ = read(tree.root(), &mut Report::open(&path, &tree, &mut findings));
        let text: String = findings
            .into_sorted()
            .iter()
            .map(|finding| format!("{finding}\n"))
            .collect();
        cases::expect(&file, &text, &mut failures);
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

#[test]
fn values_come_with_their_places() {
    let source = r#"(version: 1, boxes: [
        PedalBox(name: "left", channel: 16, port: Din, level_db: -6, latching: true, press: Control(number: 80),
            words: ["a", "b"], sources: {"hold": 64, "wheel": 1}),
        (name: "right", channel: 1, press: Note(60)),
        (name: "far", channel: 1, press: Key),
    ])"#;
    let tree = Tree::new(source);
    let mut findings = Findings::new();
    let boxes = read(
        tree.root(),
        &mut Report::open("rig.ron", &tree, &mut findings),
    )
    .unwrap();
    assert_eq!(findings.kept(), []);
    let left = &boxes[0].value;
    assert_eq!(
        (left.channel, left.port, left.level_db, left.latching),
        (Some(16), Some(Port::Din), -6.0, true)
    );
    assert_eq!(
        left.press,
        Some(Press::Control {
            number: 80,
            least: 64
        })
    );
    assert_eq!(
        (&boxes[1].value.press, &boxes[2].value.press),
        (&Some(Press::Note(60)), &Some(Press::Key))
    );
    let sources: Vec<_> = left
        .sources
        .iter()
        .map(|(key, value)| (tree.slice(key.span), value.value))
        .collect();
    assert_eq!(sources, [("\"hold\"", 64), ("\"wheel\"", 1)]);
    let words: Vec<_> = left
        .words
        .iter()
        .map(|word| tree.slice(word.span))
        .collect();
    assert_eq!(words, ["\"a\"", "\"b\""]);
    assert_eq!(tree.slice(left.name.as_ref().unwrap().span), "\"left\"");
    assert!(tree.slice(boxes[1].span).starts_with("(name: \"right\""));
}

#[test]
fn a_broken_file_still_gives_what_can_be_read() {
    let tree = Tree::new(
        r#"(version: 1, boxes: [(name: "left" channel: 3), (name: "right", channel: $, words: ["a", 5]), (name: "far", channel: 4"#,
    );
    let mut findings = Findings::new();
    let boxes = read(
        tree.root(),
        &mut Report::open("rig.ron", &tree, &mut findings),
    )
    .unwrap();
    let channels: Vec<_> = boxes.iter().map(|found| found.value.channel).collect();
    assert_eq!(channels, [Some(3), None, Some(4)]);
    let ids: Vec<_> = findings
        .into_sorted()
        .iter()
        .map(|finding| (finding.id, finding.place.column))
        .collect();
    assert_eq!(
        ids,
        [
            ("syntax", 36),
            ("syntax", 74),
            ("wrong-kind", 90),
            ("syntax", 95)
        ]
    );
}
