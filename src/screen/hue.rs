//! Which hue a sound has: the same wherever it comes, so that the eye can follow it from
//! the current scene to the next.

use crate::sheet::{SceneLine, SoundLine};

/// How many hues there are.
pub(super) const HUE_COUNT: usize = 5;

/// The hue (below [`HUE_COUNT`]) of a sound of a scene, from its receiver and patch alone.
///
/// Where two sounds of the scene want one hue, one of them (always the same) takes the next
/// free hue, as long as there are any: then it may have another hue in another scene.
pub(super) fn hue(scene: &SceneLine, sound: usize) -> usize {
    let sounds = scene.sounds.iter().enumerate();
    let mut wishes: Vec<(u32, usize)> = sounds.map(|(at, sound)| (hash(sound), at)).collect();
    wishes.sort_unstable();
    let mut taken = [false; HUE_COUNT];
    for (hash, at) in wishes {
        let wanted = hash as usize % HUE_COUNT;
        let mut tries = (0..HUE_COUNT).map(|step| (wanted + step) % HUE_COUNT);
        let hue = tries.find(|hue| taken.get(*hue) == Some(&false));
        let hue = hue.unwrap_or(wanted);
        if at == sound {
            return hue;
        }
        if let Some(place) = taken.get_mut(hue) {
            *place = true;
        }
    }
    sound % HUE_COUNT
}

/// FNV-1a over the receiver and the patch's name: the same in every run and on every machine.
fn hash(sound: &SoundLine) -> u32 {
    let bytes = [sound.receiver as u8]
        .into_iter()
        .chain(sound.patch.bytes());
    bytes.fold(0x811c_9dc5, |hash, byte| {
        (hash ^ u32::from(byte)).wrapping_mul(0x0100_0193)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn scene(patches: &[&str]) -> SceneLine {
        let sound = |patch: &&str| SoundLine {
            patch: (*patch).into(),
            receiver: 0,
        };
        SceneLine {
            sounds: patches.iter().map(sound).collect(),
            ..SceneLine::default()
        }
    }

    #[test]
    fn a_sound_keeps_its_hue_wherever_it_stands_in_a_scene() {
        let names = ["Bass", "Strings", "Glass", "Organ", "Brass"];
        for name in names {
            let alone = hue(&scene(&[name]), 0);
            assert_eq!(hue(&scene(&[name, name]), 0), alone);
        }
        let (one, other) = (
            scene(&names),
            scene(&["Brass", "Organ", "Glass", "Strings", "Bass"]),
        );
        for at in 0..names.len() {
            assert_eq!(hue(&one, at), hue(&other, names.len() - 1 - at));
        }
    }

    #[test]
    fn no_two_sounds_of_a_scene_share_a_hue_while_there_are_enough() {
        let scene = scene(&["Bass", "Strings", "Glass", "Organ", "Brass"]);
        let mut hues: Vec<_> = (0..5).map(|at| hue(&scene, at)).collect();
        hues.sort_unstable();
        assert_eq!(hues, [0, 1, 2, 3, 4]);
        assert!(hue(&scene, usize::MAX) < HUE_COUNT);
    }
}
