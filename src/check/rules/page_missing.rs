//! A page that is not there: its text, or the page that a scene turns to.

use crate::check::walk::scene_words;
use crate::check::{Rule, Told};
use crate::show::finding::{Level, nearest, quoted};
use crate::show::model::{Show, Song};

pub(super) const RULE: Rule = Rule {
    id: "page-missing",
    level: Level::Warning,
    says: "a page's text that is not in the folder, or a scene that turns to a page its song does not have",
    run,
};

fn run(show: &Show, told: &mut Told<'_>) {
    for song in &show.songs {
        texts(show, song, told);
        turns(song, told);
    }
}

fn texts(show: &Show, song: &Song, told: &mut Told<'_>) {
    for page in &song.pages {
        let Some(path) = page.text.as_ref().filter(|path| !show.page_texts.contains_key(*path)) else { continue };
        let message = format!("there is no page text {}", quoted(path));
        let help = match nearest(path, show.page_texts.keys().map(String::as_str)) {
            Some(near) => format!("the nearest is {}", quoted(near)),
            None => "page texts end in .txt; paths start from the show's folder: \"pages/song.txt\"".into(),
        };
        told.add(page.site, message, help);
    }
}

fn turns(song: &Song, told: &mut Told<'_>) {
    for scene in &song.scenes {
        let Some(page) = scene.page.filter(|page| usize::from(*page) > song.pages.len()) else { continue };
        let message = format!("{} turns to page {page}, and the song has {}", scene_words(song, scene), song.pages.len());
        told.add(scene.page_site, message, "add the page to pages: [ ], or correct the number; pages count from 1");
    }
}
