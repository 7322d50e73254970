//! A page that is not there: its text, or the page that a scene turns to.

use crate::check::walk::scene_words;
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Show, Song};
use crate::show::nearest::KnownNames;

pub(super) const RULE: Rule = Rule {
    id: "page-missing",
    level: Level::Warning,
    says: "a page's text that is not in the folder, or a scene that turns to a page its song does not have",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let known = show.page_texts.keys().map(String::as_str).collect();
    for song in &show.songs {
        texts(show, &known, song, told);
        turns(song, told);
    }
}

fn texts(show: &Show, known: &KnownNames, song: &Song, told: &mut Told<'_, '_>) {
    for page in &song.pages {
        let Some(path) = page
            .text
            .as_ref()
            .filter(|path| !show.page_texts.contains_key(*path) && !show.is_unread(path))
        else {
            continue;
        };
        let message = format!("there is no page text {}", quoted(path));
        let help = match known.nearest(path) {
            Some(near) => format!("the nearest is {}", quoted(near)),
            None => {
                "page texts end in .txt; paths start from the show's folder: \"pages/song.txt\""
                    .into()
            }
        };
        told.add(page.site, message, help);
    }
}

fn turns(song: &Song, told: &mut Told<'_, '_>) {
    for scene in &song.scenes {
        let Some(page) = scene
            .page
            .filter(|page| usize::from(*page) > song.pages.len())
        else {
            continue;
        };
        let message = format!(
            "{} turns to page {page}, and the song has {}",
            scene_words(song, scene),
            song.pages.len()
        );
        told.add(
            scene.page_site,
            message,
            "add the page to pages: [ ], or correct the number; pages count from 1",
        );
    }
}
