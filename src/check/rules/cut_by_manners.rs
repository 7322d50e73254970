//! A fixed slot whose patch changes at a step, on an instrument that then cuts held notes.

use crate::check::walk::{scene_words, steps};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{ReceiverKind, Scene, Show, Zone};

pub(super) const RULE: Rule = Rule {
    id: "cut-by-manners",
    level: Level::Note,
    says: "a step that cuts held notes, because a fixed slot changes its patch and its manners say so",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for song in &show.songs {
        for (from, to) in steps(song) {
            for zone in &to.zones {
                if cuts(show, zone) && changes(from, zone) {
                    let receiver = show
                        .rig
                        .receivers
                        .get(zone.receiver)
                        .map_or("", |receiver| &receiver.name);
                    let message = format!(
                        "notes held on {} from {} are cut here: its one slot changes its patch",
                        quoted(receiver),
                        scene_words(song, from)
                    );
                    told.add(
                        zone.site,
                        message,
                        "if it does keep held notes, say cuts_notes: false in its manners",
                    );
                }
            }
        }
    }
}

fn cuts(show: &Show, zone: &Zone) -> bool {
    show.rig
        .receivers
        .get(zone.receiver)
        .is_some_and(|receiver| {
            let is_fixed = receiver
                .groups
                .get(zone.group)
                .is_some_and(|group| group.channels.len() == 1);
            receiver.kind == ReceiverKind::Instrument && is_fixed && receiver.manners.cuts_notes
        })
}

fn changes(from: &Scene, zone: &Zone) -> bool {
    from.zones.iter().any(|before| {
        before.receiver == zone.receiver
            && before.group == zone.group
            && zone.patch.is_some()
            && before.patch.is_some()
            && before.patch != zone.patch
    })
}
