//! Which hue a sound has: it keeps it from scene to scene, so that the eye can follow it
//! from the current scene to the next.

use crate::sheet::{Sheet, SoundLine};

/// How many hues there are.
pub(super) const HUE_COUNT: usize = 5;

/// The hue (below [`HUE_COUNT`]) of each sound at position `at` of a song that begins at
/// position `first`.
///
/// A sound that stays keeps its hue; one that comes takes that of its receiver and patch, or
/// the next that no other sound of the scene has, as long as there are any.
pub(super) fn hues(sheet: &Sheet, first: usize, at: usize) -> Vec<usize> {
    let song = sheet.positions.get(first.min(at)..=at).unwrap_or(&[]);
    let mut known: Vec<(&SoundLine, usize)> = Vec::new();
    for scene in song.iter().filter_map(|line| sheet.scenes.get(line.scene)) {
        let stays = |sound: &SoundLine| known.iter().find(|(other, _)| *other == sound);
        let kept = scene.sounds.iter().map(|sound| stays(sound).map(|k| k.1));
        let kept: Vec<Option<usize>> = kept.collect();
        let mut taken: Vec<usize> = kept.iter().copied().flatten().collect();
        known.clear();
        for (sound, kept) in scene.sounds.iter().zip(kept) {
            let wanted = hash(sound) as usize % HUE_COUNT;
            let mut tries = (0..HUE_COUNT).map(|step| (wanted + step) % HUE_COUNT);
            let free = || tries.find(|hue| !taken.contains(hue)).unwrap_or(wanted);
            let hue = kept.unwrap_or_else(free);
            taken.push(hue);
            known.push((sound, hue));
        }
    }
    known.into_iter().map(|(_, hue)| hue).collect()
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
    use crate::sheet::{PositionLine, SceneLine};
    use proptest::prelude::*;

    fn sheet(scenes: &[Vec<u8>]) -> Sheet {
        let sound = |patch: &u8| SoundLine {
            patch: patch.to_string(),
            receiver: 0,
        };
        let scene = |patches: &Vec<u8>| SceneLine {
            sounds: patches.iter().map(sound).collect(),
            ..SceneLine::default()
        };
        let position = |scene| PositionLine {
            scene,
            ..PositionLine::default()
        };
        Sheet {
            scenes: scenes.iter().map(scene).collect(),
            positions: (0..scenes.len()).map(position).collect(),
            ..Sheet::default()
        }
    }

    proptest! {
        #[test]
        fn a_sound_keeps_its_hue_and_shares_it_with_none(
            scenes in proptest::collection::vec(
                proptest::collection::btree_set(0u8..9, 0..=HUE_COUNT), 1..12),
        ) {
            let scenes: Vec<Vec<u8>> = scenes.into_iter().map(Vec::from_iter).collect();
            let sheet = sheet(&scenes);
            for at in 0..scenes.len() {
                let now = hues(&sheet, 0, at);
                let mut different = now.clone();
                different.sort_unstable();
                different.dedup();
                prop_assert_eq!(different.len(), scenes[at].len());
                prop_assert!(now.iter().all(|hue| *hue < HUE_COUNT));
                let Some(next_scene) = scenes.get(at + 1) else { continue };
                for (patch, hue) in next_scene.iter().zip(hues(&sheet, 0, at + 1)) {
                    let stays = scenes[at].iter().position(|other| other == patch);
                    prop_assert!(stays.is_none_or(|place| now[place] == hue));
                }
            }
        }
    }
}
