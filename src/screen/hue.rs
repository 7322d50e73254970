//! Which hue a sound has. It keeps its hue from scene to scene, so that the eye can follow it
//! from the current scene to the next.

use crate::sheet::{Sheet, SoundLine};

/// How many hues there are.
pub(super) const HUE_COUNT: usize = 5;

/// The hue (below [`HUE_COUNT`]) of each sound at position `at` of a song that begins at
/// position `first`.
///
/// A sound that stays keeps its hue; one that comes takes that of its receiver and patch, or
/// the next that no other sound of the scene has, as long as there are any. A sound that no
/// zone plays (an effects unit's patch) is not drawn, and takes no hue from those that are.
pub(super) fn hues(sheet: &Sheet, first: usize, at: usize) -> Vec<usize> {
    let song = sheet.positions.get(first.min(at)..=at).unwrap_or(&[]);
    let mut known: Vec<(&SoundLine, usize, bool)> = Vec::new();
    for scene in song.iter().filter_map(|line| sheet.scenes.get(line.scene)) {
        let is_drawn = |at: usize| scene.zones.iter().any(|zone| zone.sound == at);
        let stays = |sound: &SoundLine| {
            let mut drawn = known.iter().filter(|(_, _, was_drawn)| *was_drawn);
            drawn.find(|(other, _, _)| *other == sound)
        };
        let kept = scene.sounds.iter().map(|sound| stays(sound).map(|k| k.1));
        let kept: Vec<Option<usize>> = kept.collect();
        let drawn = kept.iter().enumerate().filter(|(at, _)| is_drawn(*at));
        let mut taken: Vec<usize> = drawn.filter_map(|(_, hue)| *hue).collect();
        known.clear();
        for (at, (sound, kept)) in scene.sounds.iter().zip(kept).enumerate() {
            let wanted = hash(sound) as usize % HUE_COUNT;
            let mut tries = (0..HUE_COUNT).map(|step| (wanted + step) % HUE_COUNT);
            let free = || tries.find(|hue| !taken.contains(hue)).unwrap_or(wanted);
            let hue = kept.unwrap_or_else(free);
            if is_drawn(at) {
                taken.push(hue);
            }
            known.push((sound, hue, is_drawn(at)));
        }
    }
    known.into_iter().map(|(_, hue, _)| hue).collect()
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
    use crate::sheet::{PositionLine, SceneLine, ZoneLine};
    use proptest::prelude::*;

    /// Scenes of patches. A patch of 9 and above is an effects unit's: no zone plays it.
    fn sheet(scenes: &[Vec<u8>]) -> Sheet {
        let sound = |patch: &u8| SoundLine {
            patch: patch.to_string(),
            receiver: 0,
        };
        let zone = |(at, _): (usize, &u8)| ZoneLine {
            sound: at,
            ..ZoneLine::default()
        };
        let drawn = |patches: &Vec<u8>| {
            let zones = patches.iter().enumerate().filter(|(_, patch)| **patch < 9);
            zones.map(zone).collect()
        };
        let scene = |patches: &Vec<u8>| SceneLine {
            sounds: patches.iter().map(sound).collect(),
            zones: drawn(patches),
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
                (
                    proptest::collection::btree_set(0u8..9, 0..=HUE_COUNT),
                    proptest::collection::vec(9u8..12, 0..3),
                    any::<bool>(),
                ),
                1..12,
            ),
        ) {
            let scenes: Vec<Vec<u8>> = scenes
                .into_iter()
                .map(|(drawn, hidden, is_last)| {
                    let drawn: Vec<u8> = drawn.into_iter().collect();
                    let parts = if is_last { [drawn, hidden] } else { [hidden, drawn] };
                    parts.concat()
                })
                .collect();
            let sheet = sheet(&scenes);
            for at in 0..scenes.len() {
                let now = hues(&sheet, 0, at);
                let drawn = scenes[at].iter().zip(&now).filter(|(patch, _)| **patch < 9);
                let mut different: Vec<usize> = drawn.map(|(_, hue)| *hue).collect();
                let count = different.len();
                different.sort_unstable();
                different.dedup();
                prop_assert_eq!(different.len(), count);
                prop_assert!(now.iter().all(|hue| *hue < HUE_COUNT));
                let Some(next_scene) = scenes.get(at + 1) else { continue };
                let next = next_scene.iter().zip(hues(&sheet, 0, at + 1));
                for (patch, hue) in next.filter(|(patch, _)| **patch < 9) {
                    let stays = scenes[at].iter().position(|other| other == patch);
                    prop_assert!(stays.is_none_or(|place| now[place] == hue));
                }
            }
        }
    }
}
