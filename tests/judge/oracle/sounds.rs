//! The sounds of a scene, and what zones make of velocities.

use segue::midi::Value7;
use segue::show::model::{Curve, LevelChange, ParameterValue, ReceiverKind, Show, Zone};

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
        let receiver = &show.rig.receivers[zone.receiver];
        debug_assert_eq!(receiver.kind, ReceiverKind::Instrument);
        let values = (0..receiver.parameters.len()).map(|parameter| {
            zone.settings
                .iter()
                .chain(settings)
                .find(|v| v.receiver == zone.receiver && v.parameter == parameter)
                .map_or(receiver.parameters[parameter].neutral, |v| v.value)
        });
        let level = zone.level_db as i32;
        let mut likeness = Likeness {
            receiver: zone.receiver,
            group: zone.group,
            patch: zone.patch,
            pan: zone.pan.map(Value7::get),
            bend_range: zone.bend_range,
            values: values.collect(),
            own_level: (zone.level_change == LevelChange::New).then_some(level),
            copy: 0,
        };
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
