//! A scene that no order names: it is never played.

use std::collections::BTreeSet;

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "unreachable-scene",
    level: Level::Note,
    says: "a scene that its song's order never names",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    // Without an order at all, that is what there is to tell.
    for song in show.songs.iter().filter(|song| !song.order.is_empty()) {
        let named: BTreeSet<usize> = song.order.iter().map(|entry| entry.scene).collect();
        for (_, scene) in song
            .scenes
            .iter()
            .enumerate()
            .filter(|(index, _)| !named.contains(index))
        {
            let message = format!(
                "the order of {} never comes to {}",
                quoted(&song.title),
                quoted(&scene.name)
            );
            told.add(
                scene.site,
                message,
                "add it to the order, or keep it for later: it does no harm",
            );
        }
    }
}
