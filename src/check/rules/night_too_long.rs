//! A night whose songs and breaks take longer than there is time.

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{Night, NightEntry, Show};

pub(super) const RULE: Rule = Rule {
    id: "night-too-long",
    level: Level::Warning,
    says: "a night whose songs and breaks take longer than from its start to its end",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for night in &show.nights {
        let (Some(start), Some(end)) = (night.start_minute, night.end_minute) else {
            continue;
        };
        // An end that is earlier on the clock is after midnight.
        let minutes = if end > start {
            end - start
        } else {
            end + 24 * 60 - start
        };
        let there_is_s = u32::from(minutes) * 60;
        let planned_s = planned_s(show, night);
        if planned_s > there_is_s {
            let message = format!(
                "the night {} plans {} minutes, and has {}",
                quoted(&night.name),
                planned_s.div_ceil(60),
                there_is_s / 60
            );
            told.add(
                night.site,
                message,
                "skip a song, shorten a break, or move the end",
            );
        }
    }
}

/// What is planned at least: songs without a length count nothing.
fn planned_s(show: &Show, night: &Night) -> u32 {
    let entries = night.order.iter().map(|entry| match entry {
        NightEntry::Break { length_s, .. } => *length_s,
        NightEntry::Song {
            is_skipped: true, ..
        } => 0,
        NightEntry::Song { song, .. } => show
            .songs
            .get(*song)
            .and_then(|song| song.length_s)
            .unwrap_or(0),
    });
    entries.fold(0, u32::saturating_add)
}
