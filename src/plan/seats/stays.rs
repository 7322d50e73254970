//! The night of one group of slots, as stays of sounds over positions.
//!
//! Positions are followed in time from 0, or from the present position outwards, forwards
//! and backwards alike.

use std::collections::{BTreeMap, BTreeSet};

use super::colour::Stay;
use super::{Anchor, Group, sounds_at};
use crate::engine::promptbook::{Promptbook, SceneEntry, Setting, SlotId, SoundEntry};
use crate::midi::cc;

/// One group's sounds along a line of positions.
pub(super) struct Stays {
    /// The stays, in order of their first times.
    pub(super) stays: Vec<Stay>,
    /// The sounds of the group at each position.
    pub(super) cells: Vec<Cell>,
}

/// A sound at a position.
pub(super) struct Cell {
    /// Index of the position.
    pub(super) position: usize,
    /// Its time in the line.
    pub(super) time: usize,
    /// The sound's number in the scene.
    pub(super) sound: usize,
    /// Index of the stay it belongs to; None if there was no slot left for it.
    pub(super) stay: Option<usize>,
}

/// Positions in the order in which they are followed, and what slots hold before the first.
pub(super) struct Line {
    /// Each position with its time.
    positions: Vec<(usize, usize)>,
    /// One stay for each slot, in their order, or none at all.
    given: Vec<Stay>,
    /// Stays of the present scene's sounds, by identity.
    open: BTreeMap<u32, usize>,
}

/// The time of the present position if slots hold something already. Sounds from before that
/// are silent by now end at time 0: long enough ago to hinder nothing.
const NOW: usize = 3;

impl Line {
    /// A whole night, with nothing before it.
    pub(super) fn whole(count: usize) -> Self {
        Self {
            positions: (0..count).map(|position| (position, position)).collect(),
            given: Vec::new(),
            open: BTreeMap::new(),
        }
    }

    /// From the present position to the end.
    pub(super) fn forth(anchor: &Anchor, group: Group<'_>, count: usize) -> Self {
        Self::from((anchor.at..count).zip(NOW..), anchor, group)
    }

    /// From the present position back to the start.
    pub(super) fn back(anchor: &Anchor, group: Group<'_>) -> Self {
        Self::from((0..=anchor.at).rev().zip(NOW..), anchor, group)
    }

    fn from(
        positions: impl Iterator<Item = (usize, usize)>,
        anchor: &Anchor,
        group: Group<'_>,
    ) -> Self {
        let given = given(anchor, group);
        let is_seated = |slot: &SlotId| anchor.seats.contains(&Some(*slot));
        let seated = given.iter().enumerate().zip(group.slots);
        let open = seated
            .filter(|(_, slot)| is_seated(slot))
            .map(|((at, stay), _)| (stay.identity, at))
            .collect();
        Self {
            positions: positions.collect(),
            given,
            open,
        }
    }
}

/// What each slot of a group holds, as a stay that began before everything else. There are as
/// many as slots, so the search must leave them where they are.
fn given(anchor: &Anchor, group: Group<'_>) -> Vec<Stay> {
    let present = group.book.positions.get(anchor.at);
    let scene = present.and_then(|entry| group.book.scenes.get(entry.scene.index()));
    let sounds = scene.map_or(&[][..], |scene| scene.sounds.of(&group.book.sounds));
    let stay = |(nobody, slot): (u32, &SlotId)| {
        let held = anchor.slots.get(slot.index());
        let number = anchor.seats.iter().position(|seat| *seat == Some(*slot));
        let carried = number.and_then(|number| Some((number, sounds.get(number)?)));
        let is_busy = held.is_some_and(|held| held.is_busy);
        let (is_played, has_pedal) = carried.map_or((false, false), |(number, _)| {
            hands(group.book, scene, number)
        });
        Stay {
            identity: carried
                .map(|(_, sound)| sound.identity)
                .or_else(|| held?.identity)
                .unwrap_or(u32::MAX - nobody),
            first: 0,
            last: if is_busy || carried.is_some() { NOW } else { 0 },
            is_played: is_played || is_busy,
            has_pedal: has_pedal || held.is_some_and(|held| is_busy && held.has_pedal),
            comes_played: is_played,
            bytes: 0,
        }
    };
    (0..).zip(group.slots).map(stay).collect()
}

/// Follows the sounds of a group along a line. At a position with more sounds than slots,
/// sounds that stay come first, then the others in the scene's order. If slots hold something
/// already, the first position has only the sounds that are seated.
pub(super) fn follow(group: Group<'_>, line: Line) -> Stays {
    let (book, (receiver, group_number)) = (group.book, group.id);
    let is_ours = |sound: &SoundEntry| sound.receiver.0 == receiver && sound.group == group_number;
    let varying = Varying::of(book, is_ours);
    let is_given = !line.given.is_empty();
    let mut open = line.open;
    let mut stays = line.given;
    let mut cells = Vec::new();
    for (position, time) in line.positions {
        let Some(entry) = book.positions.get(position) else {
            continue;
        };
        let scene = book.scenes.get(entry.scene.index());
        let sounds = sounds_at(book, entry);
        let ours = || sounds.iter().enumerate().filter(|(_, s)| is_ours(s));
        let staying: BTreeSet<u32> = ours()
            .map(|(_, sound)| sound.identity)
            .filter(|identity| open.contains_key(identity))
            .collect();
        let is_first = is_given && time == NOW;
        let mut room = if is_first {
            0
        } else {
            group.slots.len().saturating_sub(staying.len())
        };
        let mut here = BTreeMap::new();
        for (number, sound) in ours() {
            let mut stay = open.get(&sound.identity).copied();
            if stay.is_none() && !here.contains_key(&sound.identity) && room > 0 {
                room -= 1;
                stay = Some(stays.len());
                stays.push(Stay {
                    identity: sound.identity,
                    first: time,
                    last: time,
                    is_played: false,
                    has_pedal: false,
                    comes_played: false,
                    bytes: telling_bytes(book, sound, &varying),
                });
            }
            if let Some((index, stay)) = stay.and_then(|i| Some((i, stays.get_mut(i)?))) {
                let (is_played, has_pedal) = hands(book, scene, number);
                if stay.first == time {
                    stay.comes_played = is_played;
                }
                stay.last = time;
                stay.is_played |= is_played;
                // A pedal that is down on notes held over holds them longer than this.
                stay.has_pedal = has_pedal || (is_first && stay.has_pedal);
                here.insert(sound.identity, index);
            }
            cells.push(Cell {
                position,
                time,
                sound: number,
                stay,
            });
        }
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

/// The settings that differ between sounds of the group: only these are ever sent again.
struct Varying {
    pan: bool,
    bend_range: bool,
    settings: BTreeSet<Setting>,
}

impl Varying {
    fn of(book: &Promptbook, is_ours: impl Fn(&SoundEntry) -> bool) -> Self {
        let (mut pans, mut ranges) = (BTreeSet::new(), BTreeSet::new());
        let mut counts: BTreeMap<Setting, usize> = BTreeMap::new();
        let mut sounds = 0;
        for sound in book.sounds.iter().filter(|sound| is_ours(sound)) {
            sounds += 1;
            pans.insert(sound.pan);
            ranges.insert(sound.bend_range);
            for setting in sound.settings.of(&book.settings) {
                *counts.entry(*setting).or_default() += 1;
            }
        }
        counts.retain(|_, count| *count < sounds);
        Self {
            pan: pans.len() > 1,
            bend_range: ranges.len() > 1,
            settings: counts.into_keys().collect(),
        }
    }
}

/// About how many bytes change a slot from another sound to this one. It only weighs plans
/// against each other; what is really sent is measured on the engine (`price`).
fn telling_bytes(book: &Promptbook, sound: &SoundEntry, varying: &Varying) -> u32 {
    let banks = [sound.patch.bank_msb, sound.patch.bank_lsb];
    let patch = 3 * banks.iter().flatten().count() + 2 * usize::from(sound.patch.program.is_some());
    let level = 3 * usize::from(sound.volume.is_some())
        + 3 * usize::from(varying.pan && sound.pan.is_some());
    let bend = NUMBERED_BYTES * usize::from(varying.bend_range && sound.bend_range.is_some());
    let settings: usize = sound
        .settings
        .of(&book.settings)
        .iter()
        .filter(|setting| varying.settings.contains(setting))
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
