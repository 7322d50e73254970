//! Shows of a rig and one song, written out in a test.

use std::collections::BTreeMap;

use segue::engine::promptbook::Promptbook;
use segue::plan;
use segue::show::finding::{Finding, Findings};
use segue::show::model::Show;
use segue::show::read::read;

/// What is read of a rig and a song.
pub(crate) fn reading(rig: &str, song: &str) -> (Show, Vec<Finding>) {
    let files = BTreeMap::from([
        ("rig.ron".to_owned(), rig.as_bytes().to_vec()),
        ("songs/song.ron".to_owned(), song.as_bytes().to_vec()),
    ]);
    let (show, findings): (Show, Findings) = read(&files, "show");
    (show, findings.kept().to_vec())
}

/// The same, with nothing wrong in it.
pub(crate) fn show(rig: &str, song: &str) -> Show {
    let (show, findings) = reading(rig, song);
    let told: Vec<String> = findings.iter().map(ToString::to_string).collect();
    assert!(told.is_empty(), "{}", told.join("\n"));
    show
}

/// A song of these scenes, named after their places: what stands in each.
pub(crate) fn song<S: AsRef<str>>(scenes: &[S]) -> String {
    let (mut names, mut all) = (String::new(), String::new());
    for (index, scene) in scenes.iter().enumerate() {
        names += &format!("\"{index}\", ");
        all += &format!("\"{index}\": ({}),\n", scene.as_ref());
    }
    format!("(version: 1, scenes: {{{all}}}, order: [{names}])")
}

/// The promptbook of a rig and these scenes.
pub(crate) fn book<S: AsRef<str>>(rig: &str, scenes: &[S]) -> Promptbook {
    let show = show(rig, &song(scenes));
    plan::compile(&show, &show.nights[0]).unwrap().promptbook
}
