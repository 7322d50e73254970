//! A bend that goes further than its sound: a route, or a wheel that says how far it bends.

use crate::check::walk::{scene_words, scenes};
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Moved, Scene, Shape, Show, Song, SourceKind, Zone};

pub(super) const RULE: Rule = Rule {
    id: "bend-beyond-range",
    level: Level::Warning,
    says: "a bend that goes further than the bend range of its sound",
    run,
};

/// Bend range of a sound that states none (General MIDI 2 §3.4.1).
const USUAL: u8 = 2;

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, scene) in scenes(show) {
        for route in scene.routes.iter().filter(|r| r.target.what == Moved::Bend) {
            let cents = furthest(&route.shape);
            let zones = scene.zones.iter().enumerate().filter(|(index, zone)| {
                zone.receiver == route.target.receiver
                    && (route.zones.is_empty() || route.zones.contains(index))
            });
            for (_, zone) in zones {
                if cents > u32::from(zone.bend_range.unwrap_or(USUAL)) * 100 {
                    let what = format!("the route {}", quoted(&route.name));
                    tell(told, (song, scene), zone, route.site, &what, cents);
                }
            }
        }
        for zone in &scene.zones {
            let controller = show.rig.controllers.get(zone.controller);
            let wheel = controller.and_then(|controller| {
                let mut sources = controller.sources.iter();
                sources.find(|source| source.kind == SourceKind::Bend)
            });
            let Some((source, range)) = wheel.and_then(|s| Some((s, s.bend_range?))) else {
                continue;
            };
            if range > zone.bend_range.unwrap_or(USUAL) {
                let what = quoted(&source.name);
                let cents = u32::from(range) * 100;
                tell(told, (song, scene), zone, zone.site, &what, cents);
            }
        }
    }
}

fn tell(
    told: &mut Told<'_, '_>,
    (song, scene): (&Song, &Scene),
    zone: &Zone,
    site: crate::show::model::Site,
    what: &str,
    cents: u32,
) {
    let message = format!(
        "{what} bends {} semitones, and the zone {} in {} only {}",
        f64::from(cents) / 100.0,
        quoted(&zone.name),
        scene_words(song, scene),
        zone.bend_range.unwrap_or(USUAL)
    );
    told.add(
        site,
        message,
        "widen bend_range: of the zone, or bend less far",
    );
}

fn furthest(shape: &Shape) -> u32 {
    let ends = |(a, b): (i32, i32)| a.unsigned_abs().max(b.unsigned_abs());
    match shape {
        Shape::Follow { to, .. } | Shape::Switch { to, .. } => ends(*to),
        Shape::Steps { values, .. } => values.iter().map(|v| v.unsigned_abs()).max().unwrap_or(0),
        Shape::Bands(bands) => bands
            .iter()
            .map(|(_, value)| value.unsigned_abs())
            .max()
            .unwrap_or(0),
    }
}
