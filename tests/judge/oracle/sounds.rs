//! The sounds of a scene, and what zones make of velocities.

use std::collections::BTreeSet;

use segue::midi::Value7;
use segue::show::model::{
    BankBytes, Curve, LevelChange, ParameterValue, PatchItem, Receiver, ReceiverKind, Show, Zone,
};

/// What makes two sounds the same.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) struct Likeness {
    pub(crate) receiver: usize,
    pub(crate) group: usize,
    pub(super) patch: Option<usize>,
    pub(super) pan: Option<u8>,
    pub(super) bend_range: Option<u8>,
    pub(super) values: Vec<Option<u16>>,
    pub(super) own_level: Option<i32>,
    pub(super) copy: usize,
}

/// A sound of a scene.
#[derive(Clone, Debug)]
pub(crate) struct Sound {
    pub(crate) likeness: Likeness,
    pub(super) level: i32,
    pub(super) zones: Vec<usize>,
}

/// The sounds of a scene: zones that ask for the same share one; alike ones that differ in
/// level are told apart by their order.
pub(super) fn sounds_of(show: &Show, zones: &[Zone], settings: &[ParameterValue]) -> Vec<Sound> {
    let mut sounds: Vec<Sound> = Vec::new();
    for (index, zone) in zones.iter().enumerate() {
        let level = zone.level_db as i32;
        let mut likeness = written(show, zone, settings);
        if takes_new_level(show, (zones, settings), zone, &likeness) {
            likeness.own_level = Some(level);
        }
        let alike = |sound: &Sound| {
            Likeness {
                copy: 0,
                ..sound.likeness.clone()
            } == likeness
        };
        let shared = sounds
            .iter()
            .position(|sound| alike(sound) && sound.level == level);
        if let Some(shared) = shared {
            sounds[shared].zones.push(index);
            continue;
        }
        likeness.copy = sounds.iter().filter(|sound| alike(sound)).count();
        sounds.push(Sound {
            likeness,
            level,
            zones: vec![index],
        });
    }
    sounds
}

/// A sound as it is sent, without its level and its place among alike ones.
fn written(show: &Show, zone: &Zone, settings: &[ParameterValue]) -> Likeness {
    let receiver = &show.rig.receivers[zone.receiver];
    debug_assert_eq!(receiver.kind, ReceiverKind::Instrument);
    let values = (0..receiver.parameters.len()).map(|parameter| {
        zone.settings
            .iter()
            .chain(settings)
            .find(|v| v.receiver == zone.receiver && v.parameter == parameter)
            .map_or(receiver.parameters[parameter].neutral, |v| v.value)
    });
    Likeness {
        receiver: zone.receiver,
        group: zone.group,
        patch: zone.patch.map(|patch| first_alike(receiver, patch)),
        // Where nothing is stated the receiver is at the centre, and at two semitones
        // (GM2 §3.3.5, §3.4.1): to state that is to say the same.
        pan: zone.pan.map(Value7::get).filter(|pan| *pan != 64),
        bend_range: zone.bend_range.filter(|range| *range != 2),
        values: values.collect(),
        own_level: None,
        copy: 0,
    }
}

/// Whether another level is another sound: the show has the sound at several levels, and
/// the zone asks for it, or none of those that do not ever changes its level.
fn takes_new_level(
    show: &Show,
    (zones, settings): (&[Zone], &[ParameterValue]),
    zone: &Zone,
    likeness: &Likeness,
) -> bool {
    let (mut all, mut riding) = (BTreeSet::new(), BTreeSet::new());
    for scene in show.songs.iter().flat_map(|song| &song.scenes) {
        for other in &scene.zones {
            if show.rig.receivers[other.receiver].kind == ReceiverKind::Instrument
                && written(show, other, &scene.settings) == *likeness
            {
                all.insert(other.level_db as i32);
                if !asks_for_new(show, (&scene.zones, &scene.settings), other, likeness) {
                    riding.insert(other.level_db as i32);
                }
            }
        }
    }
    let asks = asks_for_new(show, (zones, settings), zone, likeness);
    all.len() > 1 && (asks || riding.len() <= 1)
}

/// Whether a zone, or another of its scene with the same sound at the same level, asks for a
/// new one at another level: they are one sound.
fn asks_for_new(
    show: &Show,
    (zones, settings): (&[Zone], &[ParameterValue]),
    zone: &Zone,
    likeness: &Likeness,
) -> bool {
    zones.iter().any(|other| {
        other.level_change == LevelChange::New
            && other.level_db as i32 == zone.level_db as i32
            && show.rig.receivers[other.receiver].kind == ReceiverKind::Instrument
            && written(show, other, settings) == *likeness
    })
}

/// The first patch of a list for which a receiver is sent the same: bank bytes that it does
/// not heed are no part of it.
fn first_alike(receiver: &Receiver, patch: usize) -> usize {
    let sent = |item: &PatchItem| {
        let bank = receiver.manners.bank;
        let msb = matches!(bank, BankBytes::Msb | BankBytes::Both);
        let lsb = matches!(bank, BankBytes::Lsb | BankBytes::Both);
        let bytes = (item.bank_msb.filter(|_| msb), item.bank_lsb.filter(|_| lsb));
        (bytes, item.program)
    };
    let list = &receiver.patches.patches;
    list.iter()
        .position(|item| sent(item) == sent(&list[patch]))
        .unwrap_or(patch)
}

/// What a zone may make of a velocity: by its curve, then faded towards the ends of its
/// window, rounded either way; never a silent note.
pub(super) fn sent_for(zone: &Zone, curve: &Curve, velocity: u8) -> (Value7, Value7) {
    let curved = curved(curve, f64::from(velocity));
    let rooms = [
        (velocity - zone.velocities.0.get(), zone.velocity_fades.0),
        (zone.velocities.1.get() - velocity, zone.velocity_fades.1),
    ];
    // The n-th step of a fade over m velocities has n / (m + 1) of the power, which goes with
    // the square of velocity.
    let power = rooms
        .map(|(steps, fade)| (f64::from(steps) + 1.0) / (f64::from(fade) + 1.0))
        .into_iter()
        .fold(1.0, f64::min);
    let value = |y: f64| Value7::clamped((y as i32).max(1));
    (
        value((curved.floor() * power.sqrt()).floor()),
        value((curved.ceil() * power.sqrt()).ceil()),
    )
}

/// A curve at a velocity: straight lines between its points, level before the first and
/// after the last.
fn curved(curve: &Curve, x: f64) -> f64 {
    let points: Vec<(f64, f64)> = curve
        .points
        .iter()
        .map(|(x, y)| (f64::from(x.get()), f64::from(y.get())))
        .collect();
    match (points.first(), points.last()) {
        (Some(first), _) if x <= first.0 => first.1,
        (_, Some(last)) if x >= last.0 => last.1,
        (Some(_), _) => points
            .windows(2)
            .find(|pair| x <= pair[1].0)
            .map_or(x, |pair| {
                let share = (x - pair[0].0) / (pair[1].0 - pair[0].0);
                pair[0].1 + share * (pair[1].1 - pair[0].1)
            }),
        _ => x,
    }
}
