//! A step at which a sound finds no silent slot, and takes one that was played until then.

use crate::check::walk::scene_words;
use crate::check::{Rule, Told};
use crate::plan::{self, Plan, Remark, Trouble};
use crate::show::finding::{Level, quoted};
use crate::show::model::Show;

pub(super) const RULE: Rule = Rule {
    id: "slot-just-played",
    level: Level::Note,
    says: "a step that takes a slot on which notes may still be held, because no other is left",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for night in &show.nights {
        let Ok(plan) = plan::compile(show, night) else {
            // What does not compile is told by the rules that say why.
            continue;
        };
        for remark in &plan.remarks {
            let _ = tell(show, &plan, *remark, told);
        }
    }
}

fn tell(show: &Show, plan: &Plan, remark: Remark, told: &mut Told<'_, '_>) -> Option<()> {
    let place = plan.places.get(remark.position)?;
    let song = show.songs.get(place.song)?;
    let scene = song.scenes.get(place.scene)?;
    let book = &plan.promptbook;
    let entry = book.positions.get(remark.position)?;
    let sounds = book
        .scenes
        .get(entry.scene.index())?
        .sounds
        .of(&book.sounds);
    let sound = sounds.get(remark.sound)?;
    let receiver = show.rig.receivers.get(sound.receiver.index())?;
    let group = receiver.groups.get(usize::from(sound.group))?;
    // A slot without a choice is what `cut-by-manners` is about.
    if group.channels.len() < 2 {
        return None;
    }
    let held = match remark.trouble {
        Trouble::PedalCut => "by key or pedal",
        Trouble::NoSilentSlot => "by key",
        // That is `too-many-sounds`.
        Trouble::NoSlot => return None,
    };
    told.add(
        scene.site,
        format!(
            "no slot of {} is silent when {} comes: notes held {held} from the scene before are not safe there",
            quoted(&receiver.name),
            scene_words(song, scene)
        ),
        "use fewer different sounds here or in the scene before, or give the receiver more slots",
    );
    Some(())
}
