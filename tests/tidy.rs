//! The walls of the house, as a test: who imports whom, which outside crate a room may
//! name, what a pure room may use of the standard library, that no public function is without
//! a caller, and that nothing lies about unnamed.
//!
//! It reads the source with `syn`, so that groups, renames, `super::super` and macros are seen
//! as the compiler sees them. The tables may only shrink in what they allow: a new arrow is a
//! change of design.

#![allow(clippy::unwrap_used, clippy::panic)]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use proc_macro2::{TokenStream, TokenTree};
use syn::spanned::Spanned;
use syn::visit::{self, Visit};

/// What a room may import from the others, as path prefixes below `crate::`.
const IMPORTS: &[(&str, &[&str])] = &[
    ("words", &[]),
    ("midi", &[]),
    ("vocabulary", &["midi"]),
    ("engine", &["midi", "vocabulary"]),
    ("wire", &["midi"]),
    ("show", &["midi", "vocabulary", "words"]),
    ("sheet", &["midi", "vocabulary"]),
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
            "report",
            "engine::view",
            "engine::limits",
            "engine::promptbook",
        ],
    ),
    ("report", &["midi", "engine", "sheet"]),
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
            "midi",
            "engine",
            "wire",
            "show",
            "sheet",
            "plan",
            "check",
            "sim",
            "replay",
            "report",
            "screen",
            "ports",
            "store",
            "ui",
            "vocabulary",
            "words",
        ],
    ),
];

/// Rooms without clock, thread, file or socket.
const PURE: &[&str] = &[
    "words",
    "vocabulary",
    "midi",
    "engine",
    "wire",
    "show",
    "plan",
    "check",
    "sim",
    "replay",
    "sheet",
    "screen",
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
    ("triple_buffer", &["app", "ports"]),
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
        &[
            "sheet",
            "show",
            "store",
            "app",
            "check",
            "replay",
            "report",
            "vocabulary",
        ],
    ),
    ("serde_json", &["app", "show", "check", "replay"]),
];

/// What a pure room may name of `std`, as path prefixes below `std::`: nothing that reads a
/// clock, a file, a socket or the environment, that starts or waits for a thread, or whose
/// order differs from run to run. (`sync::Arc` is how a book is shared; it waits for nobody. `cell::Cell` is how a table counts
/// misses; it is seen by one thread.)
const PURE_STD: &[&str] = &[
    "array",
    "borrow",
    "cell::OnceCell",
    "char",
    "cmp",
    "collections::BTreeMap",
    "collections::BTreeSet",
    "collections::BinaryHeap",
    "collections::VecDeque",
    "collections::btree_map",
    "convert",
    "error",
    "f64::consts",
    "fmt",
    "iter",
    "marker",
    "mem",
    "num",
    "ops",
    "ptr::eq",
    "slice",
    "str",
    "string",
    "cell::Cell",
    "sync::Arc",
    "time::Duration",
    "vec",
];

/// Macros that a pure room may not call.
const IMPURE_MACROS: &[&str] = &["thread_local", "print", "println", "eprint", "eprintln"];

/// Public functions that only unit tests call: published formulas that data files are checked
/// against, and what the model receivers show to whoever tests them.
const CALLED_BY_TESTS: &[&str] = &[
    "bend_for",
    "frequency_hz",
    "is_between_messages",
    "key_pressure",
    "master_volume",
    "modulation",
    "releases",
    "take_answers",
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

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// One source file of `src`.
struct Source {
    /// Its path below `src`.
    path: PathBuf,
    text: String,
    file: syn::File,
    /// Whether the whole file is tests.
    is_test: bool,
}

impl Source {
    /// The room that it belongs to: its first folder, or its own name.
    fn room(&self) -> String {
        self.module().first().cloned().unwrap_or_default()
    }

    /// Its module path: `["engine", "swap"]`; none for `lib.rs` and `main.rs`.
    fn module(&self) -> Vec<String> {
        let mut parts: Vec<String> = self
            .path
            .with_extension("")
            .components()
            .map(|part| part.as_os_str().to_string_lossy().to_string())
            .collect();
        if matches!(
            parts.last().map(String::as_str),
            Some("mod" | "lib" | "main")
        ) {
            parts.pop();
        }
        parts
    }

    /// Every path that its code names outside tests.
    fn paths(&self) -> Vec<Named> {
        if self.is_test {
            return Vec::new();
        }
        paths_in(&self.file, self.module())
    }
}

/// A path that code names: `crate::midi::Key` as written, made absolute where it begins with
/// `self` or `super`.
#[derive(Debug, PartialEq, Eq)]
struct Named {
    line: usize,
    parts: Vec<String>,
    /// The last part stands for all that is below it: `use path::*`.
    is_glob: bool,
}

impl Named {
    fn text(&self) -> String {
        self.parts.join("::") + if self.is_glob { "::*" } else { "" }
    }

    /// Whether it lies at or below `prefix`, a path such as `engine::view`.
    fn is_within(&self, root: &str, prefix: &str) -> bool {
        let wanted = std::iter::once(root).chain(prefix.split("::"));
        let mut own = self.parts.iter().map(String::as_str);
        wanted.into_iter().all(|part| own.next() == Some(part))
    }
}

fn paths_in(file: &syn::File, module: Vec<String>) -> Vec<Named> {
    let mut reader = PathReader {
        module,
        found: Vec::new(),
    };
    reader.visit_file(file);
    reader.found
}

/// Collects paths; knows in which module it is, so that `super` can be followed.
struct PathReader {
    module: Vec<String>,
    found: Vec<Named>,
}

impl PathReader {
    fn name(&mut self, line: usize, parts: Vec<String>, is_glob: bool) {
        let mut own = self.module.clone();
        let mut rest = parts.into_iter().peekable();
        let is_relative = matches!(rest.peek().map(String::as_str), Some("self" | "super"));
        while let Some(step) = rest.next_if(|part| part == "self" || part == "super") {
            if step == "super" {
                own.pop();
            }
        }
        let parts = if is_relative {
            std::iter::once("crate".to_owned())
                .chain(own)
                .chain(rest)
                .collect()
        } else {
            rest.collect()
        };
        self.found.push(Named {
            line,
            parts,
            is_glob,
        });
    }

    fn read_use(&mut self, tree: &syn::UseTree, before: &[String]) {
        let line = tree.span().start().line;
        let with = |ident: &syn::Ident| {
            let mut parts = before.to_vec();
            // `use a::b::{self}` names `a::b`.
            if before.is_empty() || ident != "self" {
                parts.push(ident.to_string());
            }
            parts
        };
        match tree {
            syn::UseTree::Path(path) => self.read_use(&path.tree, &with(&path.ident)),
            syn::UseTree::Name(name) => self.name(line, with(&name.ident), false),
            syn::UseTree::Rename(name) => self.name(line, with(&name.ident), false),
            syn::UseTree::Glob(_) => self.name(line, before.to_vec(), true),
            syn::UseTree::Group(group) => {
                for item in &group.items {
                    self.read_use(item, before);
                }
            }
        }
    }

    /// Paths in the arguments of a macro, which are tokens only.
    fn read_tokens(&mut self, tokens: TokenStream) {
        let mut parts: Vec<String> = Vec::new();
        let mut colons = 0;
        let mut line = 0;
        for token in tokens {
            match token {
                TokenTree::Ident(ident) if parts.is_empty() || colons == 2 => {
                    if parts.is_empty() {
                        line = ident.span().start().line;
                    }
                    parts.push(ident.to_string());
                    colons = 0;
                }
                TokenTree::Punct(punct) if punct.as_char() == ':' && colons < 2 => colons += 1,
                other => {
                    self.end_tokens(line, &mut parts);
                    colons = 0;
                    match other {
                        TokenTree::Ident(ident) => {
                            line = ident.span().start().line;
                            parts.push(ident.to_string());
                        }
                        TokenTree::Group(group) => self.read_tokens(group.stream()),
                        _ => {}
                    }
                }
            }
        }
        self.end_tokens(line, &mut parts);
    }

    fn end_tokens(&mut self, line: usize, parts: &mut Vec<String>) {
        let parts = std::mem::take(parts);
        if parts.len() > 1 {
            self.name(line, parts, false);
        }
    }
}

/// Whether an item is there for tests alone.
fn is_for_tests(attributes: &[syn::Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        let mut is_test = attribute.path().is_ident("test");
        if attribute.path().is_ident("cfg") {
            // `test` itself, or one of what must hold; `not(test)` is for the program.
            let _ = attribute.parse_nested_meta(|meta| {
                is_test |= meta.path.is_ident("test");
                if meta.path.is_ident("all") {
                    meta.parse_nested_meta(|inner| {
                        is_test |= inner.path.is_ident("test");
                        skip(&inner)
                    })?;
                    return Ok(());
                }
                skip(&meta)
            });
        }
        is_test
    })
}

/// Passes over what stands behind the name of an attribute's part.
fn skip(meta: &syn::meta::ParseNestedMeta<'_>) -> syn::Result<()> {
    if meta.input.peek(syn::token::Paren) {
        let inside;
        syn::parenthesized!(inside in meta.input);
        inside.parse::<TokenStream>()?;
    } else if meta.input.peek(syn::Token![=]) {
        meta.value()?.parse::<syn::Lit>()?;
    }
    Ok(())
}

fn attributes_of(item: &syn::Item) -> &[syn::Attribute] {
    match item {
        syn::Item::Const(item) => &item.attrs,
        syn::Item::Enum(item) => &item.attrs,
        syn::Item::Fn(item) => &item.attrs,
        syn::Item::Impl(item) => &item.attrs,
        syn::Item::Macro(item) => &item.attrs,
        syn::Item::Mod(item) => &item.attrs,
        syn::Item::Static(item) => &item.attrs,
        syn::Item::Struct(item) => &item.attrs,
        syn::Item::Trait(item) => &item.attrs,
        syn::Item::Type(item) => &item.attrs,
        syn::Item::Use(item) => &item.attrs,
        _ => &[],
    }
}

impl<'ast> Visit<'ast> for PathReader {
    fn visit_item(&mut self, item: &'ast syn::Item) {
        if !is_for_tests(attributes_of(item)) {
            visit::visit_item(self, item);
        }
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        if !is_for_tests(&item.attrs) {
            visit::visit_impl_item_fn(self, item);
        }
    }

    fn visit_item_mod(&mut self, item: &'ast syn::ItemMod) {
        self.module.push(item.ident.to_string());
        visit::visit_item_mod(self, item);
        self.module.pop();
    }

    fn visit_item_use(&mut self, item: &'ast syn::ItemUse) {
        self.read_use(&item.tree, &[]);
    }

    fn visit_item_extern_crate(&mut self, item: &'ast syn::ItemExternCrate) {
        let line = item.span().start().line;
        self.name(line, vec!["extern".into(), item.ident.to_string()], false);
    }

    fn visit_path(&mut self, path: &'ast syn::Path) {
        let parts: Vec<String> = path.segments.iter().map(|s| s.ident.to_string()).collect();
        if parts.len() > 1 {
            self.name(path.span().start().line, parts, false);
        }
        visit::visit_path(self, path);
    }

    fn visit_macro(&mut self, called: &'ast syn::Macro) {
        if let Some(last) = called.path.segments.last() {
            let line = called.span().start().line;
            let name = format!("{}!", last.ident);
            self.found.push(Named {
                line,
                parts: vec![name],
                is_glob: false,
            });
        }
        self.read_tokens(called.tokens.clone());
        visit::visit_macro(self, called);
    }
}

/// Every Rust file below a folder of the repository.
fn rust_files(folder: &str) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path);
            }
        }
    }
    found
}

fn sources() -> Vec<Source> {
    let mut found = Vec::new();
    for path in rust_files("src") {
        let text = fs::read_to_string(&path).unwrap();
        let is_test =
            path.components().any(|c| c.as_os_str() == "tests") || path.ends_with("tests.rs");
        let file = syn::parse_file(&text).unwrap_or_else(|e| panic!("{path:?}: {e}"));
        found.push(Source {
            path: path.strip_prefix(root().join("src")).unwrap().to_path_buf(),
            text,
            file,
            is_test,
        });
    }
    found.sort_by(|a, b| a.path.cmp(&b.path));
    assert!(found.len() > 10, "the sources were not found");
    found
}

fn report(faults: &[String]) {
    assert!(faults.is_empty(), "\n{}\n", faults.join("\n"));
}

/// What is wrong with a path that names a room, if anything is.
fn import_fault(room: &str, named: &Named) -> Option<String> {
    if named.parts.first().map(String::as_str) == Some("extern") {
        return Some(format!("`{}`: no crate is renamed here", named.text()));
    }
    if named.parts.first().map(String::as_str) != Some("crate") {
        return None;
    }
    let rooms: Vec<_> = IMPORTS.iter().map(|(name, _)| *name).collect();
    let target = named.parts.get(1).map(String::as_str);
    // `crate` alone or a name at its root that is no room: a macro, or every room at once.
    let Some(target) = target.filter(|target| rooms.contains(target)) else {
        let is_macro = named.parts.len() == 2 && !named.is_glob;
        return (!is_macro).then(|| format!("`{room}` may not import `{}`", named.text()));
    };
    let allowed = IMPORTS.iter().find(|(name, _)| *name == room)?.1;
    let may = target == room
        || allowed
            .iter()
            .any(|prefix| named.is_within("crate", prefix));
    (!may).then(|| format!("`{room}` may not import `{}`", named.text()))
}

fn faults_of_imports(room: &str, paths: &[Named], at: &str) -> Vec<String> {
    let faults = paths.iter().filter_map(|named| {
        import_fault(room, named).map(|fault| format!("src/{at}:{}: {fault}", named.line))
    });
    faults.collect()
}

#[test]
fn rooms_import_only_what_they_may() {
    let mut faults = Vec::new();
    for source in sources() {
        let room = source.room();
        if room.is_empty() {
            continue;
        }
        let at = source.path.display().to_string();
        if !IMPORTS.iter().any(|(name, _)| *name == room) {
            faults.push(format!("src/{at}: the room `{room}` is not in the table"));
        }
        faults.extend(faults_of_imports(&room, &source.paths(), &at));
    }
    report(&faults);
}

/// Paths named by a piece of code that stands in `src/engine/prime.rs`.
fn paths_of(code: &str) -> Vec<Named> {
    let file = syn::parse_file(code).unwrap();
    paths_in(&file, vec!["engine".into(), "prime".into()])
}

#[test]
fn every_way_round_the_wall_is_seen() {
    let ways = [
        "use crate::app;",
        "use super::super::app::cli;",
        "use super::super::*;",
        "use crate::{midi::Key, app};",
        "use crate::midi::{Key, Channel}; use crate::show::{model::Show, read};",
        "use crate::show as s;",
        "fn f() { crate::show::read::show() }",
        "fn f(s: &str) { let a = \"//\"; let b: crate::show::Show; }",
        "fn f() { println!(\"{}\", crate::show::x()) }",
        "mod inner { use super::super::super::show; }",
        "extern crate self as me;",
    ];
    for way in ways {
        let faults = faults_of_imports("engine", &paths_of(way), "engine/prime.rs");
        assert!(!faults.is_empty(), "not seen: {way}");
    }
    let fine = [
        "use crate::midi::{Key, cc};",
        "use super::slots::Owed;",
        "use super::super::midi::Key;",
        "mod inner { use super::super::slots::Owed; }",
        "fn f() { crate::engine::fault::see() }",
        "#[cfg(test)] mod tests { use crate::plan::compile; }",
    ];
    for way in fine {
        let faults = faults_of_imports("engine", &paths_of(way), "engine/prime.rs");
        assert_eq!(faults, [""; 0], "{way}");
    }
}

#[test]
fn outside_crates_stay_in_their_rooms() {
    let mut faults = Vec::new();
    for source in sources() {
        let room = source.room();
        for named in source.paths() {
            let first = named.parts.first().map(String::as_str).unwrap_or_default();
            let known = CRATES.iter().find(|(name, _)| *name == first);
            if known.is_some_and(|(_, rooms)| !rooms.contains(&room.as_str())) {
                faults.push(format!(
                    "src/{}:{}: `{room}` may not name the crate `{first}`",
                    source.path.display(),
                    named.line
                ));
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
            if line.contains("package =") {
                faults.push(format!("Cargo.toml: `{name}` is another crate's new name"));
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

/// What a pure room may not say, if this path is such a thing.
fn impurity(named: &Named) -> Option<String> {
    let first = named.parts.first().map(String::as_str)?;
    if let Some(name) = first.strip_suffix('!') {
        let is_banned = IMPURE_MACROS.contains(&name);
        return is_banned.then(|| format!("a pure room calls `{first}`"));
    }
    let is_std = matches!(first, "std" | "core" | "alloc");
    // A whole module named as one (`use std::time;`) hides what is taken from it.
    let is_whole = named.parts.len() < 2;
    let may = PURE_STD.iter().any(|prefix| named.is_within(first, prefix));
    (is_std && (is_whole || !may)).then(|| format!("a pure room says `{}`", named.text()))
}

#[test]
fn pure_rooms_stay_pure() {
    let mut faults = Vec::new();
    for source in sources()
        .iter()
        .filter(|source| PURE.contains(&source.room().as_str()))
    {
        for named in source.paths() {
            if let Some(fault) = impurity(&named) {
                faults.push(format!(
                    "src/{}:{}: {fault}",
                    source.path.display(),
                    named.line
                ));
            }
        }
    }
    report(&faults);
}

#[test]
fn every_impurity_is_seen() {
    let impure = [
        "use std::sync::RwLock;",
        "use std::sync::{Arc, mpsc};",
        "use std::{time, fmt};",
        "use std::time::Instant as Moment;",
        "fn f() { let a = \"//\"; std::fs::read(a); }",
        "use std::*;",
        "thread_local! { static A: u8 = 0; }",
        "fn f() { assert!(std::env::args().count() > 1) }",
    ];
    for code in impure {
        let faults: Vec<_> = paths_of(code).iter().filter_map(impurity).collect();
        assert!(!faults.is_empty(), "not seen: {code}");
    }
    let fine = "use std::sync::Arc; use std::{fmt, collections::{BTreeMap, VecDeque}};";
    let faults: Vec<_> = paths_of(fine).iter().filter_map(impurity).collect();
    assert_eq!(faults, [""; 0]);
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

/// Functions that other code can see, and every identifier that the program's code says.
#[derive(Default)]
struct Calls {
    /// Name and line of each function that other modules can see.
    seen: Vec<(String, usize)>,
    said: BTreeMap<String, usize>,
}

impl Calls {
    fn say(&mut self, tokens: TokenStream) {
        for token in tokens {
            match token {
                TokenTree::Ident(ident) => *self.said.entry(ident.to_string()).or_default() += 1,
                TokenTree::Group(group) => self.say(group.stream()),
                _ => {}
            }
        }
    }

    fn define(&mut self, visibility: &syn::Visibility, signature: &syn::Signature) {
        if !matches!(visibility, syn::Visibility::Inherited) {
            let line = signature.span().start().line;
            self.seen.push((signature.ident.to_string(), line));
        }
    }
}

impl<'ast> Visit<'ast> for Calls {
    fn visit_item(&mut self, item: &'ast syn::Item) {
        if !is_for_tests(attributes_of(item)) {
            visit::visit_item(self, item);
        }
    }

    fn visit_item_fn(&mut self, item: &'ast syn::ItemFn) {
        self.define(&item.vis, &item.sig);
        visit::visit_item_fn(self, item);
    }

    fn visit_impl_item_fn(&mut self, item: &'ast syn::ImplItemFn) {
        if !is_for_tests(&item.attrs) {
            self.define(&item.vis, &item.sig);
            visit::visit_impl_item_fn(self, item);
        }
    }

    fn visit_ident(&mut self, ident: &'ast syn::Ident) {
        *self.said.entry(ident.to_string()).or_default() += 1;
    }

    fn visit_macro(&mut self, called: &'ast syn::Macro) {
        self.say(called.tokens.clone());
        visit::visit_macro(self, called);
    }
}

/// Every identifier of the tests and the bench.
fn said_by_tests() -> BTreeMap<String, usize> {
    let mut calls = Calls::default();
    for path in rust_files("tests") {
        let text = fs::read_to_string(&path).unwrap();
        if let Ok(tokens) = text.parse::<TokenStream>() {
            calls.say(tokens);
        }
    }
    calls.said
}

#[test]
fn every_public_function_has_a_caller() {
    let mut defined: Vec<(String, String)> = Vec::new();
    let mut said: BTreeMap<String, usize> = BTreeMap::new();
    for source in sources().iter().filter(|source| !source.is_test) {
        let mut calls = Calls::default();
        calls.visit_file(&source.file);
        for (name, line) in calls.seen {
            defined.push((name, format!("src/{}:{line}", source.path.display())));
        }
        for (name, count) in calls.said {
            *said.entry(name).or_default() += count;
        }
    }
    let mut definitions: BTreeMap<&str, usize> = BTreeMap::new();
    for (name, _) in &defined {
        *definitions.entry(name).or_default() += 1;
    }
    let by_tests = said_by_tests();
    let mut faults = Vec::new();
    for (name, at) in &defined {
        let is_called = said.get(name).copied().unwrap_or(0) > definitions[name.as_str()];
        let is_looked_through = by_tests.contains_key(name);
        let is_listed = CALLED_BY_TESTS.contains(&name.as_str());
        if !is_called && !is_looked_through && !is_listed {
            faults.push(format!("{at}: nobody calls `{name}`"));
        }
    }
    for name in CALLED_BY_TESTS {
        let is_needed = definitions.contains_key(name)
            && said.get(*name).copied().unwrap_or(0) <= definitions[name]
            && !by_tests.contains_key(*name);
        if !is_needed {
            faults.push(format!(
                "the list of functions for tests need not hold `{name}`"
            ));
        }
    }
    report(&faults);
}

#[test]
fn files_say_what_they_are() {
    let mut faults = Vec::new();
    for source in sources() {
        if !source.text.starts_with("//!") {
            faults.push(format!(
                "src/{}: the first line does not say what the file is (`//!`)",
                source.path.display()
            ));
        }
    }
    report(&faults);
}

#[test]
fn every_file_is_named_by_a_module() {
    let all = sources();
    let mut named: BTreeSet<Vec<String>> = BTreeSet::new();
    for source in &all {
        for item in &source.file.items {
            if let syn::Item::Mod(item) = item
                && item.content.is_none()
            {
                let mut path = source.module();
                path.push(item.ident.to_string());
                named.insert(path);
            }
        }
    }
    let faults: Vec<String> = all
        .iter()
        .filter(|source| !source.module().is_empty() && !named.contains(&source.module()))
        .map(|source| format!("src/{}: no module names this file", source.path.display()))
        .collect();
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
