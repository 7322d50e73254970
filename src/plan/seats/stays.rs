//! The night of one group of slots, as stays of sounds over positions.

use std::collections::{BTreeMap, BTreeSet};

use super::colour::Stay;
use super::sounds_at;
use crate::engine::promptbook::{Promptbook, SceneEntry, Setting, SoundEntry};
use crate::midi::cc;

/// One group's sounds over the whole night.
pub(super) struct Stays {
    /// The stays, in order of their first positions.
    pub(super) stays: Vec<Stay>,
    /// For each position: the sounds of the group (their numbers in the scene) and which
    /// stay each belongs to; none if there was no slot left for it.
    pub(super) cells: Vec<Vec<(usize, Option<usize>)>>,
}

/// Follows the sounds of a group through the night. At a position with more sounds than
/// slots those that stay come first, then the others as the scene lists them.
pub(super) fn follow(book: &Promptbook, (receiver, group): (u8, u8), slots: usize) -> Stays {
    let is_ours = |sound: &SoundEntry| sound.receiver.0 == receiver && sound.group == group;
    let varying = varying_settings(book, is_ours);
    let mut stays: Vec<Stay> = Vec::new();
    let mut cells = Vec::with_capacity(book.positions.len());
    let mut open: BTreeMap<u32, usize> = BTreeMap::new();
    for (position, entry) in book.positions.iter().enumerate() {
        let scene = book.scenes.get(entry.scene.index());
        let sounds = sounds_at(book, entry);
        let ours = || sounds.iter().enumerate().filter(|(_, s)| is_ours(s));
        let staying: BTreeSet<u32> = ours()
            .map(|(_, sound)| sound.identity)
            .filter(|identity| open.contains_key(identity))
            .collect();
        let mut room = slots.saturating_sub(staying.len());
        let mut here = BTreeMap::new();
        let mut row = Vec::new();
        for (number, sound) in ours() {
            let mut stay = open.get(&sound.identity).copied();
            if stay.is_none() && !here.contains_key(&sound.identity) && room > 0 {
                room -= 1;
                stay = Some(stays.len());
                stays.push(Stay {
                    identity: sound.identity,
                    first: position,
                    last: position,
                    is_played: false,
                    has_pedal: false,
                    comes_played: false,
                    bytes: telling_bytes(book, sound, &varying),
                });
            }
            if let Some((index, stay)) = stay.and_then(|i| Some((i, stays.get_mut(i)?))) {
                let (is_played, has_pedal) = hands(book, scene, number);
                if stay.first == position {
                    stay.comes_played = is_played;
                }
                stay.last = position;
                stay.is_played |= is_played;
                stay.has_pedal = has_pedal;
                here.insert(sound.identity, index);
            }
            row.push((number, stay));
        }
        cells.push(row);
        open = here;
    }
    Stays { stays, cells }
}

/// Whether keys play a sound, and whether one of their controllers has a hold pedal.
fn hands(book: &Promptbook, scene: Option<&SceneEntry>, sound: usize) -> (bool, bool) {
    let zones = scene.map_or(&[][..], |scene| scene.zones.of(&book.zones));
    let mut ours = zones
        .iter()
        .filter(|zone| zone.sound.index() == sound)
        .peekable();
    let is_played = ours.peek().is_some();
    let has_pedal = ours
        .filter_map(|zone| book.controllers.get(zone.controller.index()))
        .any(|controller| controller.passes_control(cc::HOLD));
    (is_played, has_pedal)
}

/// Settings that are not the same in all sounds of the group: only these are ever sent again.
fn varying_settings(book: &Promptbook, is_ours: impl Fn(&SoundEntry) -> bool) -> BTreeSet<Setting> {
    let mut counts: BTreeMap<Setting, usize> = BTreeMap::new();
    let mut sounds = 0;
    for sound in book.sounds.iter().filter(|sound| is_ours(sound)) {
        sounds += 1;
        for setting in sound.settings.of(&book.settings) {
            *counts.entry(*setting).or_default() += 1;
        }
    }
    counts.retain(|_, count| *count < sounds);
    counts.into_keys().collect()
}

/// About how many bytes tell this sound to a slot that holds another one. It only weighs
/// one plan against another; what is really sent is measured on the engine (`price`).
fn telling_bytes(book: &Promptbook, sound: &SoundEntry, varying: &BTreeSet<Setting>) -> u32 {
    let banks = [sound.patch.bank_msb, sound.patch.bank_lsb];
    let patch = 3 * banks.iter().flatten().count() + 2 * usize::from(sound.patch.program.is_some());
    let level = 3 * usize::from(sound.volume.is_some()) + 3 * usize::from(sound.pan.is_some());
    let bend = NUMBERED_BYTES * usize::from(sound.bend_range.is_some());
    let settings: usize = sound
        .settings
        .of(&book.settings)
        .iter()
        .filter(|setting| varying.contains(setting))
        .map(|setting| match setting {
            Setting::Control(..) => 3,
            Setting::Pair(..) => 6,
            Setting::Rpn(..) | Setting::Nrpn(..) => NUMBERED_BYTES,
            Setting::Exclusive(_, blob) => book.blobs.get(blob.index()).map_or(0, |b| b.len()),
        })
        .sum();
    (patch + level + bend + settings) as u32
}

/// A numbered parameter: number, value and null, six controllers of three bytes.
const NUMBERED_BYTES: usize = 18;
