//! Each rule has a good show, a bad one, and the words expected: `tests/data/check/RULE/`.
//!
//! `UPDATE_EXPECTED=1` writes the expected words anew; read them before you keep them.

use std::{
    collections::BTreeSet,
    env, fs,
    path::{Path, PathBuf},
};

use segue::check::{READING, RULES, check, has_errors};
use segue::show::finding::{Finding, Level};
use segue::show::read::read;

use crate::show_read::{files_in, repository, shows};

fn findings_of(folder: &Path) -> Vec<Finding> {
    let (show, reading) = read(&files_in(folder), "show");
    check(&show, &reading)
}

fn words(findings: &[Finding]) -> String {
    findings
        .iter()
        .map(|finding| format!("{finding}\n"))
        .collect()
}

fn rules() -> BTreeSet<&'static str> {
    let reading = READING.iter().map(|rule| rule.id);
    RULES.iter().map(|rule| rule.id).chain(reading).collect()
}

fn folders() -> Vec<PathBuf> {
    let entries = fs::read_dir(repository("tests/data/check")).unwrap();
    let mut folders: Vec<_> = entries.map(|entry| entry.unwrap().path()).collect();
    folders.sort();
    folders
}

#[test]
fn every_rule_has_its_folder_and_every_folder_its_rule() {
    let named: BTreeSet<String> = folders()
        .iter()
        .map(|folder| folder.file_name().unwrap().to_str().unwrap().to_owned())
        .collect();
    let rules: BTreeSet<String> = rules().into_iter().map(str::to_owned).collect();
    assert_eq!(named, rules);
    assert_eq!(
        rules.len(),
        RULES.len() + READING.len(),
        "an id is used twice"
    );
    assert!(RULES.is_sorted_by_key(|rule| rule.id) && READING.is_sorted_by_key(|rule| rule.id));
    assert!(RULES.iter().all(|rule| !rule.says.is_empty()));
}

#[test]
fn good_shows_have_no_findings() {
    for folder in folders() {
        assert_eq!(
            words(&findings_of(&folder.join("good"))),
            "",
            "{}",
            folder.display()
        );
    }
}

#[test]
fn bad_shows_are_told_in_the_expected_words() {
    let mut failures = Vec::new();
    for folder in folders() {
        let found = words(&findings_of(&folder.join("bad")));
        let file = folder.join("expected.txt");
        if env::var_os("UPDATE_EXPECTED").is_some_and(|value| value == "1") {
            fs::write(&file, &found).unwrap();
        } else if fs::read_to_string(&file).unwrap_or_default() != found {
            failures.push(format!("{}:\n{found}", folder.display()));
        }
    }
    assert!(failures.is_empty(), "{}", failures.join("\n"));
}

/// A bad show is bad in the way its folder says, and in no other.
#[test]
fn bad_shows_break_their_own_rule() {
    for folder in folders() {
        let rule = folder.file_name().unwrap().to_str().unwrap();
        let findings = findings_of(&folder.join("bad"));
        assert!(!findings.is_empty(), "{rule}");
        for finding in &findings {
            assert_eq!(finding.id, rule, "{finding}");
            let level = RULES
                .iter()
                .find(|known| known.id == rule)
                .map_or(Level::Error, |known| known.level);
            assert_eq!(finding.level, level, "{finding}");
            assert!(finding.help.is_some(), "{finding}");
        }
        assert_eq!(
            has_errors(&findings),
            findings.iter().any(|finding| finding.level == Level::Error)
        );
    }
}

#[test]
fn the_shows_of_the_repository_check_clean() {
    for folder in shows() {
        assert_eq!(words(&findings_of(&folder)), "", "{}", folder.display());
    }
}
