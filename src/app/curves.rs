//! `segue curves`: velocity curves as plots, those of the rig or that of one zone.

use std::io::Write;

use super::{cli, load};
use crate::plan::curves;
use crate::screen::plot;
use crate::show::model::{Show, Zone};
use crate::words::clean;

/// Prints them.
///
/// # Errors
/// If the show cannot be read, there is no such zone, or the output cannot be written.
pub(super) fn run(
    args: &cli::Curves,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Result<(), String> {
    let files = load::folder(&args.show, None)?;
    let loaded = load::show(&files, &load::name_of(&args.show));
    loaded.tell_errors(&args.show, "shown", err);
    let show = loaded.show;
    let text = match &args.zone {
        Some(path) => {
            let zone = find(&show, path)?;
            let window = (zone.velocities.0.get(), zone.velocities.1.get());
            let named = show.rig.curves.get(zone.curve);
            let name = named.map_or("", |curve| curve.name.as_str());
            let title = format!(
                "{path}: curve \"{name}\", velocities {}..{}",
                window.0, window.1
            );
            drawn(
                &title,
                &curves::of_zone(&show.rig, zone),
                window,
                args.ascii,
            )
        }
        None => show
            .rig
            .curves
            .iter()
            .map(|curve| {
                let title = format!("curve \"{}\"", curve.name);
                drawn(&title, &curves::table(curve), (1, 127), args.ascii)
            })
            .collect(),
    };
    out.write_all(text.as_bytes())
        .map_err(|error| format!("standard output: {error}"))
}

/// A title, the plot, and some of it as numbers.
fn drawn(title: &str, table: &[u8; 128], window: (u8, u8), is_ascii: bool) -> String {
    let mut text = format!("{}\n", clean(title));
    for row in plot(table, window, is_ascii) {
        text.push_str(&row);
        text.push('\n');
    }
    let struck = [1, 16, 32, 48, 64, 80, 96, 112, 127];
    let is_played = |velocity: &u8| (window.0..=window.1).contains(velocity);
    let numbers = |of: &dyn Fn(u8) -> String| -> String {
        struck
            .iter()
            .map(|velocity| format!("{:>5}", of(*velocity)))
            .collect()
    };
    let played = |velocity: u8| match table.get(usize::from(velocity)) {
        Some(out) if is_played(&velocity) => out.to_string(),
        _ => "-".into(),
    };
    text.push_str(&format!(
        "struck {}\n",
        numbers(&|velocity| velocity.to_string())
    ));
    text.push_str(&format!("played {}\n\n", numbers(&played)));
    text
}

/// The zone at `SONG/SCENE/ZONE`, by their names in the files.
fn find<'s>(show: &'s Show, path: &str) -> Result<&'s Zone, String> {
    let mut names = path.splitn(3, '/');
    let (Some(song), Some(scene), Some(zone)) = (names.next(), names.next(), names.next()) else {
        return Err(format!("{path}: a zone is named SONG/SCENE/ZONE"));
    };
    let found = show.songs.iter().find(|item| item.name == song);
    let scenes = &found
        .ok_or_else(|| format!("there is no song \"{song}\""))?
        .scenes;
    let found = scenes.iter().find(|item| item.name == scene);
    let zones = &found
        .ok_or_else(|| format!("{song}: there is no scene \"{scene}\""))?
        .zones;
    let names: Vec<&str> = zones.iter().map(|zone| zone.name.as_str()).collect();
    let found = zones.iter().find(|item| item.name == zone);
    found.ok_or_else(|| {
        format!(
            "{song}/{scene}: there is no zone \"{zone}\"; there are: {}",
            names.join(", ")
        )
    })
}
