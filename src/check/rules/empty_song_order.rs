//! A song without positions.

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "empty-song-order",
    level: Level::Warning,
    says: "a song whose order names no scene: the night passes over it",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for song in show.songs.iter().filter(|song| song.order.is_empty()) {
        let message = format!(
            "the order of {} names no scene, so the night passes over it",
            quoted(&song.title)
        );
        told.add(
            song.order_site,
            message,
            "write the names of its scenes into order: [ ], as they are played",
        );
    }
}
