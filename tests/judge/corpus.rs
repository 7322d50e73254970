//! Scripts of mistakes found once: each must play clean for ever.

use std::fs;
use std::path::{Path, PathBuf};

use crate::run::{Options, run};
use crate::script::Script;

fn files() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/judge");
    let mut files: Vec<PathBuf> = fs::read_dir(&folder)
        .unwrap_or_else(|error| panic!("{}: {error}", folder.display()))
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|found| found == "script"))
        .collect();
    files.sort();
    files
}

#[test]
fn scripts_of_old_mistakes_play_clean() {
    let files = files();
    assert!(!files.is_empty());
    let mut failures = Vec::new();
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        let script =
            Script::parse(&text).unwrap_or_else(|error| panic!("{}: {error}", file.display()));
        let report = run(&script, Options::default())
            .unwrap_or_else(|| panic!("{}: nothing to play", file.display()));
        let name = file.file_stem().unwrap().to_string_lossy().into_owned();
        for finding in &report.findings {
            failures.push(format!("{name}: {:?}: {}", finding.rule, finding.text));
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// Plays the script in the file that `SEGUE_SCRIPT` names; with `SEGUE_TELL=1` it prints
/// every input and every message.
#[test]
#[ignore = "needs SEGUE_SCRIPT, a script's file"]
fn one_script() {
    let file = std::env::var("SEGUE_SCRIPT").expect("SEGUE_SCRIPT names a file");
    let script = Script::parse(&fs::read_to_string(file).unwrap()).unwrap();
    let report = run(&script, Options::default()).expect("something to play");
    let findings: Vec<_> = report.findings.iter().map(|f| (f.rule, &f.text)).collect();
    assert!(findings.is_empty(), "{findings:#?}");
}

/// A script says the same after it was written and read back.
#[test]
fn scripts_survive_their_text() {
    for file in files() {
        let script = Script::parse(&fs::read_to_string(&file).unwrap()).unwrap();
        assert_eq!(Script::parse(&script.to_text()), Ok(script));
    }
}
