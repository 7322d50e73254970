//! The walls of the house, as a test: who imports whom, which outside crate a room may
//! name, how long a file and a function may be, and that nothing lies about unnamed.
//!
//! It reads the source as text, with the standard library alone. The tables may only
//! shrink in what they allow: a new arrow is a change of design.

#![allow(clippy::unwrap_used)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

/// What a room may import from the others, as path prefixes below `crate::`.
const IMPORTS: &[(&str, &[&str])] = &[
    ("words", &[]),
    ("midi", &[]),
    ("engine", &["midi"]),
    ("wire", &["midi"]),
    ("show", &["midi", "words"]),
    ("sheet", &["midi"]),
    ("plan", &["show", "engine", "wire", "sheet", "midi"]),
    ("check", &["show", "plan", "midi"]),
    (
        "sim",
        &[
            "midi::num",
            "midi::Channel",
            "midi::Key",
            "midi::Controller",
            "midi::Program",
            "midi::Value7",
            "midi::Value14",
        ],
    ),
    ("replay", &["engine", "wire", "midi"]),
    (
        "screen",
        &[
            "words",
            "sheet",
            "engine::view",
            "engine::limits",
            "engine::promptbook",
        ],
    ),
    ("ports", &["midi", "wire"]),
    ("store", &["show", "words"]),
    (
        "ui",
        &[
            "screen",
            "sheet",
            "engine::view",
            "engine::input",
            "engine::promptbook",
            "engine::limits",
            "midi",
        ],
    ),
    (
        "app",
        &[
            "midi", "engine", "wire", "show", "sheet", "plan", "check", "sim", "replay", "screen",
            "ports", "store", "ui", "words",
        ],
    ),
];

/// Rooms without clock, thread, file or socket.
const PURE: &[&str] = &[
    "words", "midi", "engine", "wire", "show", "plan", "check", "sim", "replay", "sheet", "screen",
];

/// Outside crates and the rooms that may name them.
const CRATES: &[(&str, &[&str])] = &[
    ("ratatui", &["screen", "ui"]),
    ("tui_big_text", &["screen"]),
    ("unicode_width", &["screen", "ui", "show"]),
    ("crossterm", &["ui"]),
    ("midir", &["ports"]),
    ("alsa", &["ports"]),
    ("evdev", &["ports"]),
    ("thread_priority", &["ports"]),
    ("rustix", &["ports", "store", "ui", "app"]),
    ("rtrb", &["ports", "app", "ui"]),
    ("triple_buffer", &["app"]),
    ("tokio", &["app", "net"]),
    ("include_dir", &["app"]),
    ("chrono", &["app"]),
    ("unicode_ident", &["show"]),
    ("etcetera", &["store"]),
    ("crc32fast", &["store"]),
    ("ron", &["store", "app"]),
    ("csv", &["show"]),
    ("strsim", &["show"]),
    ("midly", &["replay"]),
    ("clap", &["app"]),
    (
        "serde",
        &["sheet", "show", "store", "app", "check", "replay"],
    ),
    ("serde_json", &["app", "show", "check", "replay"]),
];

/// Words that a pure room may not speak outside its tests.
const IMPURE: &[&str] = &[
    "std::fs",
    "std::thread",
    "std::net",
    "Instant",
    "SystemTime",
    "HashMap",
    "HashSet",
    "Mutex",
    "std::env",
    "std::process",
];

/// What may stand at the top of the repository, besides dotfiles.
const TOP: &[&str] = &[
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE-MIT",
    "LICENSE-APACHE",
    "src",
    "tests",
    "assets",
    "shows",
    "target",
    "proptest-regressions",
];

/// Longest file, in lines, its tests left out.
const MAX_FILE_LINES: usize = 500;
/// Longest function, in lines.
const MAX_FUNCTION_LINES: usize = 70;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// A source file: its path below `src`, and its text up to its tests.
struct Source {
    path: PathBuf,
    text: String,
    code: String,
}

impl Source {
    fn room(&self) -> String {
        let first = self
            .path
            .components()
            .next()
            .unwrap()
            .as_os_str()
            .to_string_lossy();
        first.trim_end_matches(".rs").to_string()
    }

    /// Lines of code with comments taken away, numbered from 1.
    fn lines(&self) -> impl Iterator<Item = (usize, &str)> {
        self.code.lines().enumerate().map(|(at, line)| {
            let cut = line.find("//").unwrap_or(line.len());
            (at + 1, line.get(..cut).unwrap_or(line))
        })
    }
}

fn sources() -> Vec<Source> {
    let mut found = Vec::new();
    let mut folders = vec![root().join("src")];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                let is_test = path.components().any(|c| c.as_os_str() == "tests")
                    || path.ends_with("tests.rs");
                let code = if is_test {
                    String::new()
                } else {
                    text.split("#[cfg(test)]\nmod tests {")
                        .next()
                        .unwrap()
                        .to_string()
                };
                found.push(Source {
                    path: path.strip_prefix(root().join("src")).unwrap().to_path_buf(),
                    text,
                    code,
                });
            }
        }
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    assert!(found.len() > 10, "the sources were not found");
    found
}

fn report(faults: &[String]) {
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

fn is_word_at(line: &str, at: usize, word: &str) -> bool {
    let is_part = |c: char| c.is_alphanumeric() || c == '_';
    let before = line[..at].chars().next_back().is_some_and(is_part);
    let after = line[at + word.len()..].chars().next().is_some_and(is_part);
    !before && !after
}

fn has_word(line: &str, word: &str) -> bool {
    line.match_indices(word)
        .any(|(at, _)| is_word_at(line, at, word))
}

#[test]
fn rooms_import_only_what_they_may() {
    let allowed: BTreeMap<_, _> = IMPORTS.iter().copied().collect();
    let mut faults = Vec::new();
    for source in sources() {
        let room = source.room();
        if room == "lib" || room == "main" {
            continue;
        }
        let Some(prefixes) = allowed.get(room.as_str()) else {
            faults.push(format!(
                "src/{}: the room `{room}` is not in the table",
                source.path.display()
            ));
            continue;
        };
        for (number, line) in source.lines() {
            for (at, _) in line.match_indices("crate::") {
                let target = &line[at + "crate::".len()..];
                let is_own = target.starts_with(&format!("{room}::"))
                    || target.starts_with(&format!("{room}; "));
                let fits = |prefix: &&str| {
                    target.strip_prefix(*prefix).is_some_and(|rest| {
                        !rest.starts_with(|c: char| c.is_alphanumeric() || c == '_')
                    })
                };
                let braces = |prefix: &&str| {
                    // `crate::midi::{Channel, Key}` names each item of a group.
                    let (module, item) = prefix.rsplit_once("::").unwrap_or(("", prefix));
                    !module.is_empty()
                        && target.starts_with(&format!("{module}::{{"))
                        && has_word(target, item)
                };
                if !is_own && !prefixes.iter().any(fits) && !prefixes.iter().any(braces) {
                    faults.push(format!(
                        "src/{}:{number}: `{room}` may not import `{}`",
                        source.path.display(),
                        target.trim()
                    ));
                }
            }
        }
    }
    report(&faults);
}

#[test]
fn outside_crates_stay_in_their_rooms() {
    let mut faults = Vec::new();
    for source in sources() {
        let room = source.room();
        for (number, line) in source.lines() {
            for (name, rooms) in CRATES {
                let names = line.match_indices(&format!("{name}::")).any(|(at, _)| {
                    is_word_at(line, at, name)
                        && !line[..at].ends_with("::")
                        && !line[..at].ends_with('.')
                });
                if names && !rooms.contains(&room.as_str()) {
                    faults.push(format!(
                        "src/{}:{number}: `{room}` may not name the crate `{name}`",
                        source.path.display()
                    ));
                }
            }
        }
    }
    report(&faults);
}

#[test]
fn every_dependency_has_its_rooms_and_its_reason() {
    let manifest = fs::read_to_string(root().join("Cargo.toml")).unwrap();
    let known: BTreeSet<_> = CRATES.iter().map(|(name, _)| *name).collect();
    let mut faults = Vec::new();
    let mut section = "";
    let mut before = "";
    for line in manifest.lines() {
        if line.starts_with('[') {
            section = line;
        } else if section.contains("dependencies") && line.contains(" = ") {
            let name = line.split(' ').next().unwrap();
            let follows_reason = before.starts_with('#') || before.contains(" = ");
            if !follows_reason {
                faults.push(format!("Cargo.toml: `{name}` has no reason beside it"));
            }
            if !section.contains("dev-") && !known.contains(name.replace('-', "_").as_str()) {
                faults.push(format!(
                    "Cargo.toml: `{name}` has no room in the table of crates"
                ));
            }
        }
        before = line;
    }
    report(&faults);
}

#[test]
fn pure_rooms_stay_pure() {
    let mut faults = Vec::new();
    for source in sources()
        .iter()
        .filter(|source| PURE.contains(&source.room().as_str()))
    {
        for (number, line) in source.lines() {
            for word in IMPURE.iter().filter(|word| has_word(line, word)) {
                faults.push(format!(
                    "src/{}:{number}: a pure room says `{word}`",
                    source.path.display()
                ));
            }
        }
    }
    report(&faults);
}

#[test]
fn pure_rooms_deny_the_impure() {
    let mut faults = Vec::new();
    for room in PURE {
        let path = root().join("src").join(room).join("mod.rs");
        let text = fs::read_to_string(&path).unwrap_or_default();
        if !text.contains("clippy::disallowed_methods")
            || !text.contains("clippy::disallowed_types")
        {
            faults.push(format!(
                "src/{room}/mod.rs: does not deny disallowed methods and types"
            ));
        }
    }
    report(&faults);
}

#[test]
fn files_say_what_they_are_and_stay_short() {
    let mut faults = Vec::new();
    for source in sources() {
        let name = source.path.display();
        if !source.text.starts_with("//!") {
            faults.push(format!(
                "src/{name}: the first line does not say what the file is (`//!`)"
            ));
        }
        let lines = source.code.lines().count();
        if lines > MAX_FILE_LINES {
            faults.push(format!(
                "src/{name}: {lines} lines without tests, more than {MAX_FILE_LINES}"
            ));
        }
        for (start, length, head) in functions(&source.code) {
            if length > MAX_FUNCTION_LINES {
                faults.push(format!(
                    "src/{name}:{start}: {length} lines in `{head}`, more than {MAX_FUNCTION_LINES}"
                ));
            }
        }
    }
    report(&faults);
}

/// Functions by their formatting: from the line with `fn` to the line that closes it at
/// the same indentation. Yields first line, length and head.
fn functions(code: &str) -> Vec<(usize, usize, String)> {
    let lines: Vec<&str> = code.lines().collect();
    let mut found = Vec::new();
    for (at, line) in lines.iter().enumerate() {
        let text = line.trim_start();
        let is_head = ["fn ", "pub fn ", "const fn ", "pub const fn "]
            .iter()
            .any(|head| text.starts_with(head))
            || (text.starts_with("pub(") && text.contains(") fn ")
                || text.starts_with("pub(") && text.contains(") const fn "));
        if !is_head || text.ends_with(';') || text.ends_with('}') {
            continue;
        }
        let indent = line.len() - text.len();
        let close = format!("{}}}", " ".repeat(indent));
        if let Some(length) = lines[at..].iter().position(|line| **line == close) {
            found.push((at + 1, length + 1, text.to_string()));
        }
    }
    found
}

#[test]
fn every_file_is_named_by_a_module() {
    let all = sources();
    let mut faults = Vec::new();
    for source in &all {
        let stem = source
            .path
            .file_stem()
            .unwrap()
            .to_string_lossy()
            .to_string();
        let folder = source.path.parent().unwrap().to_path_buf();
        if folder.as_os_str().is_empty() && (stem == "lib" || stem == "main") {
            continue;
        }
        let (name, home) = if stem == "mod" {
            (
                folder.file_name().unwrap().to_string_lossy().to_string(),
                folder.parent().unwrap().to_path_buf(),
            )
        } else {
            (stem, folder)
        };
        let parents = [
            home.join("mod.rs"),
            home.with_extension("rs"),
            PathBuf::from("lib.rs"),
        ];
        let is_named = all.iter().any(|other| {
            let is_parent = if home.as_os_str().is_empty() {
                other.path == parents[2]
            } else {
                parents[..2].contains(&other.path)
            };
            is_parent && has_word(&other.text, &format!("mod {name}"))
        });
        if !is_named {
            faults.push(format!(
                "src/{}: no module names this file",
                source.path.display()
            ));
        }
    }
    report(&faults);
}

#[test]
fn the_top_level_holds_only_what_was_agreed() {
    let mut faults = Vec::new();
    for entry in fs::read_dir(root()).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().to_string();
        if !name.starts_with('.') && !TOP.contains(&name.as_str()) {
            faults.push(format!("{name}: not in the agreed list"));
        }
    }
    report(&faults);
}

#[test]
fn nothing_is_left_open() {
    let marks = ["TO\u{44}O", "FIX\u{4d}E", "#[ign\u{6f}re"];
    let mut faults = Vec::new();
    for source in sources() {
        for (number, line) in source.text.lines().enumerate() {
            for mark in marks.iter().filter(|mark| line.contains(**mark)) {
                faults.push(format!(
                    "src/{}:{}: {mark}",
                    source.path.display(),
                    number + 1
                ));
            }
        }
    }
    report(&faults);
}
