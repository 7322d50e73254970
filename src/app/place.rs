//! Where in the night: a call number or SONG/SCENE, as a person types it.

use crate::plan::Plan;
use crate::show::model::Show;

/// The position that a call number (`7.3`) or SONG/SCENE (`salt-road/bridge`, by file name
/// or title; the first time the scene comes) names. SONG alone is its first position.
///
/// # Errors
/// In words, if tonight has no such place.
pub(super) fn find(show: &Show, plan: &Plan, text: &str) -> Result<usize, String> {
    if let Some(at) = plan.places.iter().position(|place| place.call == text) {
        return Ok(at);
    }
    let (song, scene) = text.split_once('/').map_or((text, None), |(song, scene)| (song, Some(scene)));
    let at = plan.places.iter().position(|place| {
        let Some(item) = show.songs.get(place.song) else { return false };
        let is_song = item.name == song || item.title == song;
        is_song && scene.is_none_or(|scene| item.scenes.get(place.scene).is_some_and(|s| s.name == scene))
    });
    at.ok_or_else(|| {
        format!("tonight has no position \"{text}\"; name a call number such as 7.3, or SONG/SCENE")
    })
}
