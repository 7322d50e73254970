//! A transposition that leads keys out of the 128 that MIDI has: they would be silent.

use crate::check::walk::nights_by_song;
use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Night, Show, Song, Zone};

pub(super) const RULE: Rule = Rule {
    id: "transposition-out-of-range",
    level: Level::Error,
    says: "a zone whose keys leave 0 to 127 once zone, song and night have transposed them",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for (song, nights) in show.songs.iter().zip(nights_by_song(show)) {
        for zone in song.scenes.iter().flat_map(|scene| &scene.zones) {
            tell(show, song, zone, None, told);
            for (night, semitones) in &nights {
                tell(show, song, zone, Some((night, *semitones)), told);
            }
        }
    }
}

fn tell(
    show: &Show,
    song: &Song,
    zone: &Zone,
    night: Option<(&Night, i8)>,
    told: &mut Told<'_, '_>,
) {
    let by = match zone.is_never_transposed {
        true => 0,
        false => i16::from(song.transpose) + night.map_or(0, |(_, semitones)| i16::from(semitones)),
    } + i16::from(zone.transpose);
    let moved = |key: crate::midi::Key| i16::from(key.get()) + by;
    if moved(zone.keys.0) >= 0 && moved(zone.keys.1) <= 127 {
        return;
    }
    let middle_c = show.rig.middle_c;
    let tonight = night.map_or_else(String::new, |(night, _)| {
        format!(" in the night {}", quoted(&night.name))
    });
    let message = format!(
        "the zone {} from {} to {} is moved by {by:+} semitones{tonight}, beyond the keys of MIDI",
        quoted(&zone.name),
        middle_c.name(zone.keys.0),
        middle_c.name(zone.keys.1)
    );
    told.add(
        zone.keys_site,
        message,
        "narrow its keys, or transpose less",
    );
}
