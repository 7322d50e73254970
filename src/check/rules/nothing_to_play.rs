//! A night, or a whole show, with no position.

use std::collections::BTreeSet;

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Night, NightEntry, Show, Site, Song};

pub(super) const RULE: Rule = Rule {
    id: "nothing-to-play",
    level: Level::Error,
    says: "a night, or a show without nights, that has no position to play",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    // A song that could not be read was told already, and may be what is played.
    if !told.is_all_read() {
        return;
    }
    for night in show.nights.iter().filter(|night| !is_played(show, night)) {
        // The night of a show that states none is in no file.
        if night.site == Site::default() {
            told.add_file(
                "songs",
                "the show has nothing to play: no song has a scene in its order",
                "write a song: songs/NAME.ron, with the names of its scenes in order: [ ]",
            );
        } else {
            let message = format!("the night {} has nothing to play", quoted(&night.name));
            told.add(
                night.site,
                message,
                "put a song into its order: [ ] that is not skipped and has scenes in its own",
            );
        }
    }
}

/// Whether the night has a position.
fn is_played(show: &Show, night: &Night) -> bool {
    night.order.iter().any(|entry| match entry {
        NightEntry::Song {
            song,
            is_skipped: false,
            skipped_scenes,
            ..
        } => show
            .songs
            .get(*song)
            .is_some_and(|song| has_position(song, skipped_scenes)),
        _ => false,
    })
}

fn has_position(song: &Song, skipped_scenes: &[String]) -> bool {
    let skipped_scenes: BTreeSet<&String> = skipped_scenes.iter().collect();
    let mut scenes = song.order.iter().filter_map(|e| song.scenes.get(e.scene));
    scenes.any(|scene| !skipped_scenes.contains(&scene.name))
}
