//! The pictures of the documents: each is made by the program itself with the command that
//! `tests/data/pictures.txt` has, so that none promises what the program does not show.
//!
//! `UPDATE_EXPECTED=1` writes them anew.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use crate::show_read::repository;

fn picture(args: &[&str], out: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_segue"))
        .current_dir(repository(""))
        .arg("picture")
        .args(args)
        .arg("-o")
        .arg(out)
        .output()
        .unwrap()
}

/// Each picture's file name and the words of its command.
fn list() -> Vec<(String, Vec<String>)> {
    let text = fs::read_to_string(repository("tests/data/pictures.txt")).unwrap();
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    let words = lines.map(|line| line.split_whitespace().map(String::from));
    words
        .filter_map(|mut words| Some((words.next()?, words.collect())))
        .collect()
}

#[test]
fn the_documents_show_what_the_program_draws() {
    let folder = tempfile::tempdir().unwrap();
    for (name, args) in list() {
        let args: Vec<&str> = args.iter().map(String::as_str).collect();
        let out = folder.path().join(&name);
        let output = picture(&args, &out);
        assert!(output.status.success(), "{name}: {output:?}");
        let drawn = fs::read_to_string(&out).unwrap();
        let path = repository("assets").join(&name);
        if std::env::var_os("UPDATE_EXPECTED").is_some() {
            fs::write(&path, &drawn).unwrap();
        }
        assert!(
            fs::read_to_string(&path).unwrap_or_default() == drawn,
            "{} differs from the screen",
            path.display()
        );
    }
}

#[test]
fn every_picture_of_a_document_is_made_by_its_command() {
    let known: BTreeSet<String> = list().into_iter().map(|(name, _)| name).collect();
    let readme = fs::read_to_string(repository("README.md")).unwrap();
    let shown = readme.split("](assets/").skip(1);
    let shown = shown.filter_map(|rest| rest.split_once(')'));
    let shown: BTreeSet<String> = shown.map(|(name, _)| name.to_owned()).collect();
    assert!(!shown.is_empty());
    let unknown: Vec<_> = shown.difference(&known).collect();
    assert!(unknown.is_empty(), "no command for {unknown:?}");
}

#[test]
fn each_screen_and_theme_has_its_own_picture_of_the_size_that_is_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let show = [
        "shows/quarry-lanterns",
        "--night",
        "harbour-hall",
        "--size",
        "80x24",
    ];
    let mut seen = BTreeSet::new();
    for screen in ["stage", "wings", "order"] {
        for theme in ["dark", "light", "high-contrast", "red-light"] {
            let out = folder.path().join("it.svg");
            let more = ["--screen", screen, "--theme", theme];
            let output = picture(&[&show[..], &more[..]].concat(), &out);
            assert!(output.status.success(), "{output:?}");
            let drawn = fs::read_to_string(&out).unwrap();
            assert!(
                drawn.contains("width=\"800\" height=\"480\""),
                "{screen} {theme}"
            );
            assert!(seen.insert(drawn), "{screen} {theme} is like another");
        }
    }
}

#[test]
fn what_cannot_be_drawn_is_refused_with_words() {
    let folder = tempfile::tempdir().unwrap();
    let show = ["shows/quarry-lanterns", "--night", "harbour-hall"];
    for (args, words) in [
        (&["--at", "99.9"][..], "99.9"),
        (&["--size", "0x24"], "at most 500x200"),
        (&["--size", "80"], "columns x rows"),
        (&["--theme", "pink"], "red-light"),
        (&["--screen", "pit"], "wings"),
        (&["--down", "harp:C4"], "the rig has: keys, strap"),
        (&["--down", "keys:H9"], "keys:H9"),
        (&["--down", "C4"], "name a controller"),
        (
            &["--held", "keys:C4"],
            "nothing comes before the first position",
        ),
        (&["--clock", "25:00"], "hour:minute"),
    ] {
        let out = folder.path().join("it.svg");
        let output = picture(&[&show[..], args].concat(), &out);
        assert_eq!(output.status.code(), Some(2), "{args:?}");
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(told.contains(words), "{args:?}: {told}");
        assert!(!out.exists(), "{args:?}");
    }
}
