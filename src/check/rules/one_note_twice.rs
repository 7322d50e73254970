//! Two zones that lead one key to one note of one sound: it is struck once, not layered.

use crate::check::walk::scene_words;
use crate::check::{Rule, Told};
use crate::plan::{self, Plan};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Show, Zone};

pub(super) const RULE: Rule = Rule {
    id: "one-note-twice",
    level: Level::Note,
    says: "two zones that lead the same keys to the same note of the same sound: it is struck once",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for night in &show.nights {
        let Ok(plan) = plan::compile(show, night) else {
            // What does not compile is told by the rules that say why.
            continue;
        };
        for position in 0..plan.places.len() {
            let _ = tell(show, &plan, position, told);
        }
    }
}

/// Which sounds are one sound, and by how much keys are moved, is the planner's to say.
fn tell(show: &Show, plan: &Plan, position: usize, told: &mut Told<'_, '_>) -> Option<()> {
    let place = plan.places.get(position)?;
    let song = show.songs.get(place.song)?;
    let scene = song.scenes.get(place.scene)?;
    let book = &plan.promptbook;
    let number = book.positions.get(position)?.scene.index();
    let entries = book.scenes.get(number)?.zones.of(&book.zones);
    // The planner sorts a scene's zones so.
    let mut zones: Vec<&Zone> = scene.zones.iter().collect();
    zones.sort_by_key(|zone| (zone.controller, zone.keys));
    for (index, (later, zone)) in entries.iter().zip(&zones).enumerate() {
        let mut others = entries.iter().zip(&zones).take(index);
        let found = others.find(|(earlier, _)| {
            (earlier.controller, earlier.sound, earlier.transpose)
                == (later.controller, later.sound, later.transpose)
                && overlap(earlier.keys, later.keys)
                && overlap(earlier.velocities, later.velocities)
        });
        let Some((earlier, other)) = found else {
            continue;
        };
        let middle_c = show.rig.middle_c;
        told.add(
            zone.site,
            format!(
                "the zones {} and {} of {} play one sound, and from {} to {} the same notes of it: each is struck once, with the louder velocity",
                quoted(&other.name),
                quoted(&zone.name),
                scene_words(song, scene),
                middle_c.name(earlier.keys.0.max(later.keys.0)),
                middle_c.name(earlier.keys.1.min(later.keys.1)),
            ),
            "part their keys or velocities, or give one another patch, level or transposition",
        );
    }
    Some(())
}

fn overlap<T: PartialOrd>(a: (T, T), b: (T, T)) -> bool {
    a.0 <= b.1 && b.0 <= a.1
}
