//! The show's clock: what time it is, whether the night is ahead or behind, and how long it
//! is to the break and to the end.
//!
//! Planned is what the night's start and the lengths of songs and breaks say; within a song
//! its scenes are taken as equally long. The pace of the night is the planned time of the
//! present position and the time since the step to it, but never more than is planned for
//! it: a scene that takes longer makes the night late from then on.
//!
//! A night has no date. Until its first step, and in rehearsal, the start that is meant is the
//! next one, or the one before for as long as the night then begun would last; once a night is
//! played, the start nearest in time. More than [`PLAN_S`] off the plan it is no night by the
//! plan, and nothing is said of early or late.
//! A song without a length leaves everything after it unsaid rather than guessed.

use super::ScreenModel;
use crate::engine::view::View;
use crate::sheet::{OrderLine, Sheet};

const DAY_S: i64 = 24 * 3600;

/// How far a night may be off its plan and still be compared with it: 3 hours (common practice,
/// no source: a start later than that is another arrangement).
pub(super) const PLAN_S: i64 = 3 * 3600;

/// How the night runs against its plan. All times in seconds.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Pace {
    /// Time to the planned start, before the first step or in rehearsal; else None.
    pub(super) to_start_s: Option<i64>,
    /// How much later than planned (less than 0: earlier); none without a planned start.
    pub(super) late_s: Option<i64>,
    /// Time left before the next break; None if there is none, or a length is unknown.
    pub(super) to_break_s: Option<i64>,
    /// Time left to the end of the last song, breaks included; None if a length is unknown.
    pub(super) to_end_s: Option<i64>,
    /// How far the night will run past its planned end (less than 0: time to spare); None
    /// without a planned end.
    pub(super) over_s: Option<i64>,
}

impl Pace {
    /// The pace at `time_s` seconds past midnight, `now_us` on the view's clock.
    pub(super) fn of(sheet: &Sheet, view: &View, time_s: u32, now_us: u64) -> Self {
        let Some((from_s, length_s)) = planned(sheet, view.position.index()) else {
            return Self::default();
        };
        let since_us = view
            .step_us
            .map_or(0, |step_us| now_us.saturating_sub(step_us));
        let since_s = i64::try_from(since_us / 1_000_000).unwrap_or(i64::MAX);
        let at_s = from_s.saturating_add(since_s.min(length_s));
        let to_end_s = end(sheet).map(|end_s| end_s - at_s);
        let start_s = sheet.start_minute.map(|minute| i64::from(minute) * 60);
        let time_s = i64::from(time_s);
        if view.step_us.is_none() || !view.sends_cues {
            let to_start_s = start_s.and_then(|start_s| to_start(sheet, start_s, time_s));
            if to_start_s.is_some() {
                return Self {
                    to_start_s,
                    to_end_s,
                    ..Self::default()
                };
            }
        }
        let is_of_plan = |seconds: &i64| seconds.abs() <= PLAN_S;
        let elapsed_s = start_s.map(|start_s| apart(time_s, start_s));
        let late_s = elapsed_s.map(|elapsed_s| elapsed_s - at_s);
        let left_s = sheet
            .end_minute
            .map(|minute| apart(i64::from(minute) * 60, time_s));
        let over_s = to_end_s
            .zip(left_s)
            .map(|(needed_s, left_s)| needed_s - left_s);
        Self {
            to_start_s: None,
            late_s: late_s.filter(is_of_plan),
            to_break_s: next_break(sheet, view.position.index()).map(|break_s| break_s - at_s),
            to_end_s,
            over_s: over_s.filter(is_of_plan),
        }
    }

    /// The pace in words, in pieces from the most to the least important. `true` marks a piece
    /// that warns.
    pub(super) fn words(&self, time_s: u32) -> Vec<(String, bool)> {
        let mut out = Vec::new();
        if let Some(to_start_s) = self.to_start_s {
            out.push((format!("starts in {}", length(to_start_s)), false));
        }
        match self.late_s {
            Some(late_s) if late_s >= 60 => out.push((format!("{} behind", length(late_s)), true)),
            Some(late_s) if late_s <= -60 => {
                out.push((format!("{} ahead", length(-late_s)), false));
            }
            Some(_) => out.push(("on time".into(), false)),
            None => {}
        }
        if let Some(to_break_s) = self.to_break_s {
            out.push((format!("break in {}", length(to_break_s)), false));
        }
        if let Some(to_end_s) = self.to_end_s.filter(|_| self.to_start_s.is_none()) {
            let end = time(i64::from(time_s) + to_end_s);
            out.push((format!("end {end}, in {}", length(to_end_s)), false));
        }
        match self.over_s {
            Some(over_s) if over_s >= 60 => {
                out.push((format!("{} too long", length(over_s)), true));
            }
            Some(over_s) if over_s <= -60 => {
                out.push((format!("{} to spare", length(-over_s)), false));
            }
            _ => {}
        }
        out
    }
}

/// The planned time of day of a position, in seconds past midnight; none where the night has
/// no start, or a song before it no length.
#[must_use]
pub fn planned_s(sheet: &Sheet, position: usize) -> Option<u32> {
    let start_s = i64::from(sheet.start_minute?) * 60;
    let (from_s, _) = planned(sheet, position)?;
    u32::try_from((start_s + from_s).rem_euclid(DAY_S)).ok()
}

/// When a position is planned, as seconds after the night's start, and for how long.
fn planned(sheet: &Sheet, position: usize) -> Option<(i64, i64)> {
    let song = sheet.positions.get(position)?.song;
    let from_s = start(
        sheet,
        |line| matches!(line, OrderLine::Song(at) if *at == song),
    )?;
    let line = sheet.songs.get(song)?;
    let length_s = i64::from(line.length_s?);
    let (first, count) = line.positions;
    let count = i64::try_from(count.max(1)).ok()?;
    let index = i64::try_from(position.saturating_sub(first))
        .ok()?
        .min(count);
    let at = |index: i64| length_s * index / count;
    Some((from_s + at(index), at(index + 1) - at(index)))
}

/// Time to the next start of a night that nobody has begun. None while that night could still
/// be played: until its planned end, by its songs or by its stated end.
fn to_start(sheet: &Sheet, start_s: i64, time_s: i64) -> Option<i64> {
    let since_s = (time_s - start_s).rem_euclid(DAY_S);
    let stated_s = sheet
        .end_minute
        .map(|minute| (i64::from(minute) * 60 - start_s).rem_euclid(DAY_S));
    let length_s = end(sheet).max(stated_s).unwrap_or(DAY_S / 2);
    (since_s >= length_s).then_some(DAY_S - since_s)
}

/// The planned end, as seconds after the night's start.
fn end(sheet: &Sheet) -> Option<i64> {
    sum(sheet, sheet.order.len())
}

/// The planned start of the first break after a position.
fn next_break(sheet: &Sheet, position: usize) -> Option<i64> {
    let song = sheet.positions.get(position)?.song;
    let is_song = |line: &OrderLine| matches!(line, OrderLine::Song(at) if *at == song);
    let at = sheet.order.iter().position(is_song)?;
    let rest = sheet.order.get(at..)?;
    let pause = rest
        .iter()
        .position(|line| matches!(line, OrderLine::Break(_)))?;
    sum(sheet, at + pause)
}

/// The planned start of the first line that is wanted.
fn start(sheet: &Sheet, is_wanted: impl Fn(&OrderLine) -> bool) -> Option<i64> {
    sum(sheet, sheet.order.iter().position(is_wanted)?)
}

/// The lengths of the first `count` lines; none if a song among them has none.
fn sum(sheet: &Sheet, count: usize) -> Option<i64> {
    let length = |line: &OrderLine| match line {
        OrderLine::Song(at) => sheet.songs.get(*at)?.length_s.map(i64::from),
        OrderLine::Skipped { .. } => Some(0),
        OrderLine::Break(seconds) => Some(i64::from(*seconds)),
    };
    sheet.order.iter().take(count).map(length).sum()
}

/// From `from_s` to `to_s`, both times of day in seconds: at most half a day either way, so
/// that a night may go past midnight.
const fn apart(to_s: i64, from_s: i64) -> i64 {
    (to_s - from_s + DAY_S / 2).rem_euclid(DAY_S) - DAY_S / 2
}

/// A time of day as `21:14`.
pub(super) fn time(seconds: i64) -> String {
    let minutes = seconds.rem_euclid(DAY_S) / 60;
    format!("{:02}:{:02}", minutes / 60, minutes % 60)
}

/// A length in words, to the minute: `12 min`, `1 h 05`.
fn length(seconds: i64) -> String {
    let minutes = seconds.max(0) / 60;
    if minutes >= 60 {
        format!("{} h {:02}", minutes / 60, minutes % 60)
    } else {
        format!("{minutes} min")
    }
}

impl ScreenModel<'_> {
    /// The time of day as text.
    pub(super) fn clock(&self) -> String {
        time(i64::from(self.time_s))
    }

    /// The pace of the night now.
    pub(super) fn pace(&self) -> Pace {
        Pace::of(self.sheet, self.view, self.time_s, self.now_us)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::promptbook::PositionId;
    use crate::sheet::{PositionLine, SongLine};
    use proptest::prelude::*;

    /// Three songs of four, two and six minutes, of two positions each, a break of ten
    /// minutes before the last; from 20:00 to 20:30.
    fn sheet() -> Sheet {
        let song = |at: usize, minutes: u32| SongLine {
            length_s: Some(minutes * 60),
            positions: (at * 2, 2),
            ..SongLine::default()
        };
        let position = |at: usize| PositionLine {
            song: at / 2,
            ..PositionLine::default()
        };
        Sheet {
            start_minute: Some(20 * 60),
            end_minute: Some(20 * 60 + 30),
            songs: vec![song(0, 4), song(1, 2), song(2, 6)],
            positions: (0..6).map(position).collect(),
            order: vec![
                OrderLine::Song(0),
                OrderLine::Skipped {
                    call: "2".into(),
                    title: "out".into(),
                },
                OrderLine::Song(1),
                OrderLine::Break(600),
                OrderLine::Song(2),
            ],
            ..Sheet::default()
        }
    }

    fn words(sheet: &Sheet, position: u32, (h, m): (u32, u32), stepped_s: Option<u64>) -> String {
        let now_us = 10_000_000_000;
        let view = View {
            position: PositionId(position),
            step_us: stepped_s.map(|ago| now_us - ago * 1_000_000),
            ..View::default()
        };
        let time_s = (h * 60 + m) * 60;
        let said = Pace::of(sheet, &view, time_s, now_us).words(time_s);
        let said: Vec<String> = said.into_iter().map(|(words, _)| words).collect();
        said.join("; ")
    }

    #[test]
    fn each_position_has_its_planned_time() {
        let planned: Vec<_> = (0..7).map(|at| planned(&sheet(), at)).collect();
        let minutes = |from: i64, length: i64| Some((from * 60, length * 60));
        assert_eq!(
            planned,
            [
                minutes(0, 2),
                minutes(2, 2),
                minutes(4, 1),
                minutes(5, 1),
                minutes(16, 3),
                minutes(19, 3),
                None
            ]
        );
    }

    #[test]
    fn before_the_start_it_counts_down() {
        assert_eq!(words(&sheet(), 0, (18, 55), None), "starts in 1 h 05");
    }

    #[test]
    fn a_night_that_nobody_began_is_the_next_one_once_this_one_would_be_over() {
        // By its songs it ends at 20:22, by its end at 20:30.
        let begun = "29 min behind; break in 6 min; end 20:51, in 22 min; 21 min too long";
        assert_eq!(words(&sheet(), 0, (20, 29), None), begun);
        assert_eq!(words(&sheet(), 0, (20, 30), None), "starts in 23 h 30");
        assert_eq!(words(&sheet(), 0, (2, 15), None), "starts in 17 h 45");
        assert_eq!(words(&sheet(), 0, (8, 30), None), "starts in 11 h 30");
    }

    #[test]
    fn hours_off_the_plan_it_is_no_night_by_the_plan() {
        let played = "break in 6 min; end 23:23, in 22 min";
        assert_eq!(
            words(&sheet(), 0, (23, 0), Some(0)),
            "3 h 00 behind; break in 6 min; end 23:22, in 22 min; 2 h 52 too long"
        );
        assert_eq!(
            words(&sheet(), 0, (23, 1), Some(0)),
            format!("{played}; 2 h 53 too long")
        );
        let in_rehearsal = |h: u32, m: u32| {
            let view = View {
                sends_cues: false,
                step_us: Some(0),
                ..View::default()
            };
            let time_s = (h * 60 + m) * 60;
            Pace::of(&sheet(), &view, time_s, 0).words(time_s)
        };
        assert_eq!(
            in_rehearsal(19, 0),
            [("starts in 1 h 00".to_owned(), false)]
        );
    }

    #[test]
    fn on_time_ahead_and_behind() {
        // The third position, stepped to as planned at 20:04, half a minute later.
        assert_eq!(
            words(&sheet(), 2, (20, 4), Some(30)),
            "on time; break in 1 min; end 20:21, in 17 min; 8 min to spare"
        );
        assert_eq!(
            words(&sheet(), 2, (20, 7), Some(0)),
            "3 min behind; break in 2 min; end 20:25, in 18 min; 5 min to spare"
        );
        assert_eq!(
            words(&sheet(), 4, (20, 11), Some(60)),
            "6 min ahead; end 20:16, in 5 min; 14 min to spare"
        );
    }

    #[test]
    fn a_scene_that_takes_too_long_makes_the_night_late() {
        // Stepped to on time at 20:16, planned for three minutes, played for twenty.
        assert_eq!(
            words(&sheet(), 4, (20, 36), Some(20 * 60)),
            "17 min behind; end 20:39, in 3 min; 9 min too long"
        );
    }

    #[test]
    fn what_is_not_planned_is_not_said() {
        let mut sheet = sheet();
        sheet.songs[2].length_s = None;
        assert_eq!(
            words(&sheet, 0, (20, 1), None),
            "1 min behind; break in 6 min"
        );
        assert_eq!(words(&sheet, 4, (20, 1), None), "");
        sheet.start_minute = None;
        assert_eq!(words(&sheet, 0, (20, 1), None), "break in 6 min");
    }

    #[test]
    fn a_night_may_go_past_midnight() {
        let mut sheet = sheet();
        sheet.start_minute = Some(23 * 60 + 50);
        sheet.end_minute = Some(10);
        assert_eq!(
            words(&sheet, 4, (0, 10), Some(0)),
            "4 min behind; end 00:16, in 6 min; 6 min too long"
        );
    }

    proptest! {
        #[test]
        fn time_goes_by_at_the_same_rate_for_all_of_it(
            position in 0u32..6, minute in 0u32..30, ago in 0u64..600, later in 1u64..600,
        ) {
            let sheet = sheet();
            let now_us = 10_000_000_000;
            let view = View {
                position: PositionId(position),
                step_us: Some(now_us - ago * 1_000_000),
                ..View::default()
            };
            let time_s = (20 * 60 + minute) * 60;
            let at = |seconds: u64| {
                let time_s = time_s + u32::try_from(seconds).unwrap();
                Pace::of(&sheet, &view, time_s, now_us + seconds * 1_000_000)
            };
            let (now, then) = (at(0), at(later));
            let (late, left) = (
                then.late_s.unwrap() - now.late_s.unwrap(),
                now.to_end_s.unwrap() - then.to_end_s.unwrap(),
            );
            // What goes by is played, or makes the night later.
            prop_assert!(late >= 0 && left >= 0);
            prop_assert_eq!(late + left, i64::try_from(later).unwrap());
        }
    }
}
