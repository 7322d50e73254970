//! The count-in: where a song begins, the beats of its bar are counted at its tempo.
//!
//! It begins as the song's first scene comes and ends as somebody plays, or after eight bars.
//! No more than three numbers change in a second, so fast tempi are counted every second
//! beat (or third): WCAG 2.2, 2.3.1, allows no more than three flashes.

use super::text::{put, put_right, width};
use super::{Place, ScreenModel};
use crate::engine::view::View;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// The longest bar that is counted in, in beats.
const MOST_BEATS: u8 = 12;
/// Bars that are counted.
const BARS: u64 = 8;
/// Most changes of the number in a minute: three in a second.
const MOST_A_MINUTE: f64 = 180.0;

/// The count-in of a song: shown at its first position until somebody plays.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct CountIn {
    /// Beats of a bar.
    beats: u8,
    /// The beat it is, from 1; none while nothing moves.
    pub(super) beat: Option<u8>,
}

impl CountIn {
    /// The count-in at a place; None unless it is a song's first position and the song states
    /// its beats.
    pub(super) fn of(model: &ScreenModel, place: &Place) -> Option<Self> {
        let song = place.song;
        let beats = song
            .beats
            .filter(|beats| (1..=MOST_BEATS).contains(beats))?;
        if place.index != song.positions.0 {
            return None;
        }
        let view = model.view;
        let is_played = is_playing(view) || model.ui.played_us == Some(view.step_us);
        let since_us = view.step_us.map(|us| model.now_us.saturating_sub(us));
        let beat = song
            .tempo
            .zip(since_us.filter(|_| !is_played))
            .and_then(|(tempo, since_us)| beat(f64::from(tempo), since_us, beats));
        Some(Self { beats, beat })
    }

    /// `count-in 1 2 3 4`.
    pub(super) fn words(self) -> String {
        format!("{WORD}{}", numbers(self.beats))
    }

    /// Draws facts at the right end of a row, with the current beat highlighted among them.
    /// Returns the column where they begin.
    pub(super) fn put_right(
        self,
        (facts, styles): (&str, (Style, Style)),
        area: Rect,
        buf: &mut Buffer,
    ) -> u16 {
        let start = put_right(buf, area, 0, facts, styles.0);
        if let (Some(beat), Some(at)) = (self.beat, facts.find(&self.words())) {
            let before = facts.get(..at).map_or(0, width) + width(WORD);
            let before = match beat {
                1 => before,
                _ => before + width(&numbers(beat - 1)) + 1,
            };
            put(buf, area, (start + before, 0), &beat.to_string(), styles.1);
        }
        start
    }
}

/// Whether a key is down.
#[must_use]
pub fn is_playing(view: &View) -> bool {
    let mut controllers = view.controllers.iter();
    controllers.any(|seen| !seen.keys_down.is_empty())
}

/// The word before the numbers.
const WORD: &str = "count-in ";

fn numbers(beats: u8) -> String {
    let numbers: Vec<String> = (1..=beats).map(|beat| beat.to_string()).collect();
    numbers.join(" ")
}

/// The beat this long after the first, from 1. None once all bars are over, or without a tempo.
fn beat(tempo: f64, since_us: u64, beats: u8) -> Option<u8> {
    if !(1.0..=1000.0).contains(&tempo) {
        return None;
    }
    let index = (since_us as f64 * tempo / 60e6) as u64;
    let step = (tempo / MOST_A_MINUTE).ceil() as u64;
    let shown = index / step * step;
    let count = u64::from(beats);
    (shown < count * BARS).then_some((shown % count) as u8 + 1)
}

/// The beat that the stage shows now: when it changes, the screen must be drawn again.
#[must_use]
pub fn counted_beat(model: &ScreenModel) -> Option<u8> {
    CountIn::of(model, &model.present()?)?.beat
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beats_follow_the_tempo_for_eight_bars() {
        let at = |ms: u64| beat(120.0, ms * 1000, 4);
        let seen: Vec<_> = (0..5).map(|index| at(index * 500 + 10)).collect();
        assert_eq!(seen, [Some(1), Some(2), Some(3), Some(4), Some(1)]);
        assert_eq!(at(499), Some(1));
        assert_eq!((at(15_990), at(16_010)), (Some(4), None));
        assert_eq!(beat(f64::NAN, 0, 4), None);
    }

    // WCAG 2.2, 2.3.1: no more than three flashes in any second.
    #[test]
    fn no_more_than_three_numbers_change_in_a_second() {
        for tempo in [40.0, 120.0, 180.0, 181.0, 240.0, 300.0, 500.0, 999.0] {
            for beats in 2..=MOST_BEATS {
                let shown: Vec<_> = (0..4000).map(|ms| beat(tempo, ms * 1000, beats)).collect();
                let changes: Vec<usize> =
                    (1..4000).filter(|at| shown[*at] != shown[at - 1]).collect();
                for from in &changes {
                    let near = changes.iter().filter(|at| (*from..from + 999).contains(at));
                    assert!(near.count() <= 3, "{tempo} {beats}");
                }
            }
        }
    }
}
