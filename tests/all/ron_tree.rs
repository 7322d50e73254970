//! The tree of a show file against `ron`: the same files are read, with the same values; and
//! against the file itself: no byte is lost.

use std::fs;

use proptest::prelude::*;
use ron::value::{Map, Number as RonNumber, Value};
use segue::show::{
    finding::{Findings, Span},
    tree::{Kind, MAX_DEPTH, MAX_FILE_BYTES, Node, Number, Problems, Report, Tree},
};

use crate::cases;

/// What this program refuses and `ron` reads, each for a reason. Everything else must agree.
const STRICTER: [(&str, &str); 10] = [
    ("byte_strings", "byte strings have no use in a show"),
    ("range", "a range is text, so that keys can be named in it"),
    (
        "not_finite",
        "no level, time or number of a show is infinite",
    ),
    (
        "duplicate_fields",
        "`ron` lets the last one win when it reads without a type",
    ),
    ("duplicate_keys", "`ron` lets the last one win"),
    // Findings of these, when a generated text has nothing else wrong, prove no disagreement.
    ("duplicate-field", "as above"),
    ("duplicate-key", "as above"),
    ("not-finite", "as above"),
    ("byte-string", "as above"),
    ("bare-range", "as above"),
];

fn is_stricter(name: &str) -> bool {
    STRICTER.iter().any(|(known, _)| *known == name)
}

fn ron_reads(text: &str) -> Option<Value> {
    ron::from_str(text).ok()
}

/// The value of a tree as `ron` gives it: without names, and with variants as units.
fn value_of(node: &Node) -> Value {
    let sequence = |nodes: &[Node]| Value::Seq(nodes.iter().map(value_of).collect());
    match &node.kind {
        Kind::Bool(value) => Value::Bool(*value),
        Kind::Number(Number::Int(value)) => Value::Number(whole(*value)),
        Kind::Number(Number::Float(value)) => Value::Number(RonNumber::F64((*value).into())),
        Kind::Char(value) => Value::Char(*value),
        Kind::Text(text) => Value::String(text.clone()),
        Kind::Word(_) | Kind::Unit => Value::Unit,
        Kind::None => Value::Option(None),
        Kind::Some(node) => Value::Option(Some(Box::new(value_of(node)))),
        Kind::List(items) | Kind::Tuple { items, .. } => sequence(items),
        Kind::Map(entries) => Value::Map(
            entries
                .iter()
                .map(|entry| (value_of(&entry.key), value_of(&entry.value)))
                .collect(),
        ),
        Kind::Struct { fields, .. } => {
            let pair = |name: &str, node| (Value::String(name.into()), value_of(node));
            Value::Map(
                fields
                    .iter()
                    .map(|field| pair(&field.name.name, &field.value))
                    .collect(),
            )
        }
        Kind::Wrong => panic!("a sound tree holds nothing wrong"),
    }
}

/// Types of numbers are a matter of writing: all whole ones and all others are made alike.
fn normal(value: Value) -> Value {
    match value {
        Value::Number(RonNumber::F32(value)) => {
            Value::Number(RonNumber::F64(f64::from(value.get()).into()))
        }
        Value::Number(RonNumber::F64(value)) => Value::Number(RonNumber::F64(value)),
        Value::Number(RonNumber::U64(value)) => Value::Number(whole(value.into())),
        Value::Number(other) => {
            let signed: i64 = Value::Number(other).into_rust().unwrap();
            Value::Number(whole(signed.into()))
        }
        Value::Option(Some(value)) => Value::Option(Some(Box::new(normal(*value)))),
        Value::Seq(items) => Value::Seq(items.into_iter().map(normal).collect()),
        Value::Map(map) => Value::Map(
            map.into_iter()
                .map(|(key, value)| (normal(key), normal(value)))
                .collect::<Map>(),
        ),
        other => other,
    }
}

fn whole(value: i128) -> RonNumber {
    match i64::try_from(value) {
        Ok(value) => RonNumber::I64(value),
        Err(_) => RonNumber::U64(value.try_into().unwrap()),
    }
}

fn tokens_give_the_text_back(tree: &Tree, text: &str) {
    let mut end = 0;
    for token in tree.tokens() {
        assert_eq!(token.span().start, end, "a gap or overlap in {text:?}");
        assert!(token.span().end > end, "an empty token in {text:?}");
        end = token.span().end;
    }
    assert_eq!(end, text.len());
    assert_eq!(tree.text(), text);
}

/// The first thing in which `ron` and the tree disagree.
pub(crate) fn same_as_ron(text: &str) -> Result<(), String> {
    let tree = Tree::new(text);
    tokens_give_the_text_back(&tree, text);
    let ron = ron::from_str::<Value>(text);
    let problems = tree.problems();
    match (tree.is_sound(), ron) {
        (true, Ok(value)) => {
            let (ours, theirs) = (normal(value_of(tree.root())), normal(value));
            (ours == theirs)
                .then_some(())
                .ok_or(format!("{text:?}: we read {ours:?}, ron reads {theirs:?}"))
        }
        (false, Err(_)) => Ok(()),
        (true, Err(error)) => Err(format!("{text:?}: we read it, ron says {error}")),
        (false, Ok(_)) if problems.kept().iter().all(|p| is_stricter(p.id)) => Ok(()),
        (false, Ok(value)) => Err(format!(
            "{text:?}: ron reads {value:?}, we say {:?}",
            problems.kept()
        )),
    }
}

/// Every span lies inside that of the value around it, and spans of children follow one another.
fn spans_nest(node: &Node) {
    let children: Vec<&Node> = match &node.kind {
        Kind::List(items) | Kind::Tuple { items, .. } => items.iter().collect(),
        Kind::Struct { fields, .. } => fields.iter().map(|field| &field.value).collect(),
        Kind::Map(entries) => entries
            .iter()
            .flat_map(|entry| [&entry.key, &entry.value])
            .collect(),
        Kind::Some(node) => vec![node],
        _ => vec![],
    };
    let mut end = node.span.start;
    for child in children {
        assert!(
            end <= child.span.start
                && child.span.start <= child.span.end
                && child.span.end <= node.span.end
        );
        end = child.span.end;
        spans_nest(child);
    }
}

#[test]
fn good_files_read_as_ron_reads_them() {
    for file in cases::files("ron/good", "ron") {
        let unix = fs::read_to_string(&file).unwrap();
        for text in [unix.clone(), unix.replace('\n', "\r\n")] {
            let tree = Tree::new(&text);
            assert!(
                tree.is_sound(),
                "{}: {:?}",
                file.display(),
                tree.problems().kept()
            );
            assert!(
                ron_reads(&text).is_some(),
                "{}: ron refuses it",
                file.display()
            );
            same_as_ron(&text).unwrap();
            spans_nest(tree.root());
        }
    }
}

#[test]
fn bad_files_give_the_expected_findings() {
    let mut failures = Vec::new();
    for file in cases::files("ron/bad", "ron") {
        let bytes = fs::read(&file).unwrap();
        let tree = Tree::from_bytes(&bytes);
        assert!(!tree.is_sound(), "{} has nothing wrong", file.display());
        spans_nest(tree.root());
        let accepted = std::str::from_utf8(&bytes).is_ok_and(|text| ron_reads(text).is_some());
        let name = cases::name(&file);
        assert_eq!(
            accepted,
            is_stricter(name),
            "{name}: `ron` and the list of what is stricter disagree"
        );
        let mut findings = Findings::new();
        let path = format!("{name}.ron");
        let _ = Report::open(&path, &tree, &mut findings);
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
fn hostile_files_are_refused_in_linear_time() {
    // If any step looked at the rest of the file again for each piece, this test would all but hang.
    let many = 200_000;
    for piece in [
        "[", "(", "{", "/*", "\"", "\\\"\n", "'", "r#\"", "r#\"\"", "b\"", "#", "#![", "..", "$",
        "a", "a:", "(a:", "1,", "\"\\u{", ":", "]", "Some(", "{1:0},", "a.b ", "\"\\\n\"", ",",
        "'\\", "\n\"",
    ] {
        let pieces = piece.repeat(many);
        for text in [
            pieces.clone(),
            format!("({pieces}"),
            format!("[{pieces}"),
            format!("{{{pieces}"),
        ] {
            let tree = Tree::new(&text);
            assert!(!tree.is_sound() || piece == "a", "{piece}");
            assert!(tree.problems().kept().len() <= Problems::MAX);
            tokens_give_the_text_back(&tree, &text);
        }
    }
    let fields: String = std::iter::repeat_n("same: 1,\n", 500_000).collect();
    let tree = Tree::new(&format!("({fields})"));
    assert_eq!(tree.problems().more(), 499_999 - Problems::MAX);
    // The two that are quickest to write by accident: a key held down, and a file cut in two.
    for piece in ["[", "/*"] {
        assert_eq!(
            Tree::new(&piece.repeat(1_000_000)).problems().kept().len(),
            1,
            "{piece}"
        );
    }
}

#[test]
fn limits_have_their_own_words() {
    let ids = |bytes: &[u8]| {
        Tree::from_bytes(bytes)
            .problems()
            .kept()
            .iter()
            .map(|p| p.id)
            .collect::<Vec<_>>()
    };
    assert_eq!(ids(&vec![b' '; MAX_FILE_BYTES + 1]), ["file-too-long"]);
    assert_eq!(
        ids(&[b" ".repeat(MAX_FILE_BYTES - 2), b"()".to_vec()].concat()),
        [""; 0]
    );
    let nested = |depth| ["[".repeat(depth), "]".repeat(depth)].concat();
    assert_eq!(ids(nested(MAX_DEPTH).as_bytes()), [""; 0]);
    assert_eq!(ids(nested(MAX_DEPTH + 1).as_bytes()), ["too-deep"]);
    assert_eq!(ids(nested(1_000_000).as_bytes()), ["too-deep"]);
    let tree = Tree::from_bytes(b"(a: \"\xff\")");
    assert_eq!(tree.problems().kept()[0].span, Some(Span::new(5, 5)));
}

#[test]
fn replace_leaves_all_other_bytes() {
    let text = "// a\r\n(level_db: -6.0, /* why */ name: \"é\")\r\n";
    let tree = Tree::new(text);
    let Kind::Struct { fields, .. } = &tree.root().kind else {
        panic!()
    };
    let changed = tree.replace(fields[0].value.span, "-3.5").unwrap();
    assert_eq!(
        changed,
        "// a\r\n(level_db: -3.5, /* why */ name: \"é\")\r\n"
    );
    let place = fields[1].value.span;
    // Half a character, and beyond the end.
    assert_eq!(
        tree.replace(Span::new(place.start + 2, place.end), ""),
        None
    );
    assert_eq!(tree.replace(Span::new(0, 1_000), ""), None);
}

#[test]
fn columns_are_those_of_ron() {
    // `ron` stops at the strange character; its column counts characters, from 1.
    let text = "(\n    name: \"東é\", $)";
    let error = ron::from_str::<Value>(text).unwrap_err();
    let tree = Tree::new(text);
    let span = tree.problems().kept()[0].span.unwrap();
    let (line, column) = tree.lines().position(text, span.start);
    assert_eq!(
        (line as usize, column as usize),
        (error.span.end.line, error.span.end.col)
    );
}

/// Blanks and comments between tokens.
fn blank() -> impl Strategy<Value = &'static str> {
    prop::sample::select(vec![
        "",
        "",
        "",
        " ",
        "\n",
        "\r\n",
        "\t",
        " // note\n",
        "/* a /* b */ ] */",
        "\u{2028}",
    ])
}

fn scalar() -> impl Strategy<Value = String> {
    prop_oneof![
        any::<i64>().prop_map(|v| v.to_string()),
        any::<u64>().prop_map(|v| format!("0x{v:x}")),
        any::<i16>().prop_map(|v| format!("{v}i16")),
        any::<f64>()
            .prop_filter("finite", |v| v.is_finite())
            .prop_map(|v| format!("{v:?}")),
        any::<f32>()
            .prop_filter("finite", |v| v.is_finite())
            .prop_map(|v| format!("{v:?}f32")),
        "[0-9._eE+xbf-]{1,8}",
        ".{0,12}".prop_map(|v| format!("{v:?}")),
        "[^\"]{0,8}".prop_map(|v| format!("r#\"{v}\"#")),
        "\"[a\\\\nrtx0-9u{}'\n ]{0,10}\"",
        any::<char>().prop_map(|v| format!("{v:?}")),
        name(),
        prop::sample::select(vec![
            "true", "false", "None", "()", "Some(1)", "( )", "inf", "1..5", "b'a'"
        ])
        .prop_map(str::to_owned),
    ]
}

fn name() -> impl Strategy<Value = String> {
    prop_oneof![
        "[a-zA-Z_éß][a-z0-9_é]{0,5}",
        "r#[a-z.+-]{1,4}",
        prop::sample::select(vec![
            "true".to_owned(),
            "Some".into(),
            "r".into(),
            "b".into(),
            "br".into()
        ])
    ]
}

fn document() -> impl Strategy<Value = String> {
    let leaf = (blank(), scalar(), blank()).prop_map(|(a, value, b)| format!("{a}{value}{b}"));
    leaf.prop_recursive(5, 64, 6, |inner| {
        let comma = prop::sample::select(vec![",", ""]);
        let name = (blank(), name(), blank())
            .prop_map(|(a, name, b)| format!("{a}{name}{b}"))
            .boxed();
        let items = prop::collection::vec(inner.clone(), 0..6);
        let fields = prop::collection::vec((name.clone(), inner.clone()), 0..6);
        let entries = prop::collection::vec((inner.clone(), inner), 0..4);
        let joined = |pairs: Vec<(String, String)>| {
            pairs
                .into_iter()
                .map(|(k, v)| format!("{k}:{v}"))
                .collect::<Vec<_>>()
                .join(",")
        };
        prop_oneof![
            (items.clone(), comma.clone())
                .prop_map(|(items, comma)| format!("[{}{comma}]", items.join(","))),
            (prop::option::of(name.clone()), items, comma.clone()).prop_map(
                |(name, items, comma)| format!(
                    "{}({}{comma})",
                    name.unwrap_or_default(),
                    items.join(",")
                )
            ),
            (prop::option::of(name), fields, comma.clone()).prop_map(
                move |(name, fields, comma)| format!(
                    "{}({}{comma})",
                    name.unwrap_or_default(),
                    joined(fields)
                )
            ),
            (entries, comma)
                .prop_map(move |(entries, comma)| format!("{{{}{comma}}}", joined(entries))),
        ]
    })
}

/// A text made of pieces of the grammar in any order.
fn soup() -> impl Strategy<Value = String> {
    let pieces = vec![
        "(",
        ")",
        "[",
        "]",
        "{",
        "}",
        ",",
        ":",
        "=",
        "#",
        "!",
        "/",
        "//",
        "/*",
        "*/",
        "\"",
        "\\",
        "'",
        "r",
        "b",
        "r#",
        "a",
        "Some",
        "None",
        "true",
        "1",
        "-",
        "+",
        ".",
        "..",
        "0x",
        "e",
        "_",
        " ",
        "\n",
        "\r\n",
        "é",
        "\u{feff}",
        "inf",
        "NaN",
        "#![enable(",
        "implicit_some",
        "u8",
        "f32",
    ];
    prop::collection::vec(prop::sample::select(pieces), 0..14).prop_map(|pieces| pieces.concat())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(cases::scaled(3_000)))]

    #[test]
    fn documents_read_as_ron_reads_them(text in document()) {
        same_as_ron(&text).map_err(TestCaseError::fail)?;
    }

    #[test]
    fn damaged_documents_are_refused_as_ron_refuses_them(
        text in document(), at in any::<prop::sample::Index>(), cut in 0usize..4, piece in soup(),
    ) {
        let mut chars: Vec<char> = text.chars().collect();
        let at = at.index(chars.len() + 1);
        let end = (at + cut).min(chars.len());
        chars.splice(at..end, piece.chars());
        let text: String = chars.into_iter().collect();
        same_as_ron(&text).map_err(TestCaseError::fail)?;
        spans_nest(Tree::new(&text).root());
    }

    #[test]
    fn soup_is_refused_as_ron_refuses_it(text in soup()) {
        same_as_ron(&text).map_err(TestCaseError::fail)?;
    }

    #[test]
    fn any_bytes_give_a_tree(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        let tree = Tree::from_bytes(&bytes);
        prop_assert!(bytes.starts_with(tree.text().as_bytes()));
    }

    #[test]
    fn replacing_a_value_by_itself_changes_nothing(text in document()) {
        let tree = Tree::new(&text);
        let span = tree.root().span;
        let again = tree.replace(span, tree.slice(span));
        prop_assert_eq!(again.as_deref(), Some(text.as_str()));
    }
}
