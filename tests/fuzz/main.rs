//! The bodies of the fuzz targets as ordinary tests: over their corpora, over mutations of
//! them, and over every file of the shows cut short and with bits flipped. The same bodies
//! run under `cargo fuzz` (see `Cargo.toml` here).
//!
//! | variable | what it does |
//! | --- | --- |
//! | `SEGUE_SEED` | where mutations begin (printed; 1 unless stated) |
//! | `SEGUE_CASES` | mutations of each target; `PROPTEST_CASES` scales the usual number |
//! | `SEGUE_EVERY` | the shows are cut and flipped at each so many bytes |
//! | `SEGUE_CASE` | one case again, as a failure prints it |
//! | `SEGUE_TELL` | an evening prints all that goes in and comes out |
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout
)]

mod bodies;
mod mutate;
mod tampered;

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use mutate::Dice;

/// A target: its name, its body, and mutations in the usual run: some seconds of them.
struct Target {
    name: &'static str,
    body: fn(&[u8]),
    cases: u64,
    /// The longest input that mutations make.
    max_bytes: usize,
}

const TARGETS: [Target; 4] = [
    Target {
        name: "show_text",
        body: bodies::show_text,
        cases: 1_500,
        max_bytes: 4_096,
    },
    Target {
        name: "recording",
        body: bodies::recording,
        cases: 20_000,
        max_bytes: 4_096,
    },
    Target {
        name: "midi_decode",
        body: bodies::midi_decode,
        cases: 20_000,
        max_bytes: 1_024,
    },
    Target {
        name: "engine_inputs",
        body: bodies::engine_inputs,
        cases: 1_500,
        max_bytes: 2_048,
    },
];

/// Failures of one run that are told one by one.
const TOLD: usize = 10;

/// A number from the environment.
fn number(variable: &str) -> Option<u64> {
    let text = std::env::var(variable).ok()?;
    Some(text.parse().expect("the variable is a number"))
}

fn seed() -> u64 {
    number("SEGUE_SEED").unwrap_or(1)
}

/// So many cases, in proportion to `PROPTEST_CASES` (256 is the usual number).
fn scaled(usual: u64) -> u64 {
    usual * number("PROPTEST_CASES").unwrap_or(256) / 256
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn corpus(target: &Target) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = root().join("tests/fuzz/corpus").join(target.name);
    let mut paths: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    paths.sort();
    assert!(!paths.is_empty(), "the corpus is not there");
    paths
        .into_iter()
        .map(|path| {
            let bytes = fs::read(&path).unwrap();
            (path, bytes)
        })
        .collect()
}

/// Whether a body is content with an input; its own words are printed where it is not.
fn holds(body: impl FnOnce()) -> bool {
    catch_unwind(AssertUnwindSafe(body)).is_ok()
}

/// The counts of a run, and how to repeat what failed.
#[derive(Default)]
struct Tally {
    passed: u64,
    failed: u64,
}

impl Tally {
    fn count(&mut self, is_good: bool, how_to_repeat: impl FnOnce() -> String) {
        self.passed += u64::from(is_good);
        self.failed += u64::from(!is_good);
        if !is_good && self.failed <= TOLD as u64 {
            println!("FAILED  repeat with: {}", how_to_repeat());
        }
    }

    /// The last line, and the verdict.
    fn end(&self, what: &str) {
        println!("{what}: {} held, {} did not", self.passed, self.failed);
        assert!(self.passed + self.failed > 0, "nothing was tried");
        assert_eq!(self.failed, 0, "{what}: failures are listed above");
    }
}

#[test]
fn corpora_hold() {
    let mut tally = Tally::default();
    for target in &TARGETS {
        for (path, bytes) in corpus(target) {
            let case = || repeat_input(target, &path);
            tally.count(holds(|| (target.body)(&bytes)), case);
        }
    }
    tally.end("corpora");
}

#[test]
fn mutations_of_show_texts_hold() {
    mutations(&TARGETS[0]);
}

#[test]
fn mutations_of_recordings_hold() {
    mutations(&TARGETS[1]);
}

#[test]
fn mutations_of_cable_bytes_hold() {
    mutations(&TARGETS[2]);
}

#[test]
fn mutations_of_evenings_hold() {
    mutations(&TARGETS[3]);
}

/// Each case has a seed of its own, so that it can be made again without those before it.
fn mutations(target: &Target) {
    let cases = number("SEGUE_CASES").unwrap_or_else(|| scaled(target.cases));
    let seed = seed();
    println!("{}: seed {seed}, {cases} mutations", target.name);
    let seeds: Vec<Vec<u8>> = corpus(target).into_iter().map(|(_, bytes)| bytes).collect();
    let mut tally = Tally::default();
    for case in 0..cases {
        let mut dice = Dice::new(seed, case);
        let input = mutate::mutated(&mut dice, &seeds, target.max_bytes);
        let is_good = holds(|| (target.body)(&input));
        tally.count(is_good, || keep(target, seed, case, &input));
    }
    tally.end(target.name);
}

/// Writes an input that failed, and says how to try it again.
fn keep(target: &Target, seed: u64, case: u64, input: &[u8]) -> String {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("fuzz");
    fs::create_dir_all(&folder).unwrap();
    let path = folder.join(format!("{}-{seed}-{case}", target.name));
    fs::write(&path, input).unwrap();
    repeat_input(target, &path)
}

fn repeat_input(target: &Target, path: &Path) -> String {
    format!(
        "SEGUE_CASE='{} {}' cargo test --test fuzz one_case -- --ignored --nocapture",
        target.name,
        path.display()
    )
}

/// A case again, as a failure has printed it: `TARGET PATH`, or `SHOW/FILE cut BYTE`, or
/// `SHOW/FILE flip BYTE BIT`.
#[test]
#[ignore = "needs SEGUE_CASE"]
fn one_case() {
    let case = std::env::var("SEGUE_CASE").expect("SEGUE_CASE names a case");
    let (word, rest) = case.split_once(' ').expect("the case has two words");
    match TARGETS.iter().find(|target| target.name == word) {
        Some(target) => (target.body)(&fs::read(rest).unwrap()),
        None => tampered::one(&case),
    }
}

/// Every file of the shows that come with the program, cut short and with bits flipped.
#[test]
fn shows_cut_and_flipped_hold() {
    let every = number("SEGUE_EVERY").unwrap_or(EVERY * 256 / scaled(256).max(1));
    tampered::shows(seed(), every.max(1) as usize);
}

/// The usual run looks at each so many bytes of a show.
const EVERY: u64 = 307;

/// Recordings of the corpus cut at every byte, and with every bit flipped.
#[test]
fn recordings_cut_and_flipped_hold() {
    let target = &TARGETS[1];
    let mut tally = Tally::default();
    for (path, bytes) in corpus(target) {
        for tampering in tampered::all_of(&bytes) {
            let input = tampering.of(&bytes);
            let is_good = holds(|| (target.body)(&input));
            let case = || {
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                keep(target, 0, tally_name(&name, &tampering), &input)
            };
            tally.count(is_good, case);
        }
    }
    tally.end("recordings cut and flipped");
}

/// A number that tells one tampering of one file from others, for the name of its file.
fn tally_name(name: &str, tampering: &tampered::Tampering) -> u64 {
    let words = format!("{name} {tampering}");
    words.bytes().fold(7, |hash, byte| {
        u64::from(byte) ^ hash.wrapping_mul(6_364_136_223_846_793_005)
    })
}
