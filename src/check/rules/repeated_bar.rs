//! A scene that comes several times in its song and names one bar to press at.

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "repeated-bar",
    level: Level::Note,
    says: "a scene that comes several times in its song, with a bar to press at that is right only once",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for song in &show.songs {
        let mut times = vec![0_usize; song.scenes.len()];
        for entry in &song.order {
            if let Some(count) = times.get_mut(entry.scene) {
                *count += 1;
            }
        }
        for (scene, times) in song.scenes.iter().zip(times) {
            if let Some(bar) = scene.when.bar.filter(|_| times > 1) {
                let message = format!(
                    "{} comes {times} times in {}, and bar {bar} is right for one of them",
                    quoted(&scene.name),
                    quoted(&song.title)
                );
                told.add(
                    scene.site,
                    message,
                    "say the word that is sung, or make each a scene of its own with like:",
                );
            }
        }
    }
}
