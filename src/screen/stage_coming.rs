//! What comes on the stage: the next scene with the moment to press for it, and the two
//! scenes after it.
//!
//! ```text
//! ┊ NEXT 3.3  Glass choir                          press at bar 9 beat 3
//! ┊ ▟▀▙ ▐  ▟▀▙ ...             large, with the moment at the right, if both fit
//! ┊ lower  ├ Glass choir ───────────────────────────────────────┤
//! ┊ THEN  3.4  Solo brass, at bar 17     5.1  Felt piano, on "home"
//! ```

use super::Place;
use super::big::{Fit, fit, smallest};
use super::stage::{BAR, Stage};
use super::stage_plan::Plan;
use super::text::{cut, indent, put, put_right, row, rows, width};
use crate::sheet::OrderLine;
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

/// Columns between the next scene's name and the moment to press.
const BETWEEN: u16 = 4;

/// Columns of a later scene's name that are not given to its moment.
const NAME: u16 = 11;

/// Scenes shown after the next one.
const THEN: usize = 2;

impl<'a> Stage<'a> {
    pub(super) fn render_next(&self, plan: &Plan, name: &str, area: Rect, buf: &mut Buffer) {
        let look = &self.look;
        self.render_bar(look.marks.next_bar, look.next(), area, buf);
        let area = indent(area, BAR);
        self.render_next_line(name, rows(area, 0, plan.next_line), buf);
        let big = rows(area, plan.next_line, plan.next_big);
        self.render_next_big(name, big, buf);
        let maps = rows(area, plan.next_line + plan.next_big, area.height);
        self.render_maps(
            self.following,
            false,
            (&plan.next_maps, plan.next_legend),
            maps,
            buf,
        );
    }

    /// Draws the next scene's name large, with the moment to press at the right if both fit. A
    /// notice takes their place: a player whose press did not step looks here.
    fn render_next_big(&self, name: &str, area: Rect, buf: &mut Buffer) {
        let look = &self.look;
        if let Some(notice) = self.large_notice(area.width, area.height) {
            notice.render(look, look.warning(), area, buf);
            return;
        }
        let when = self.present.map_or("", |now| now.scene.when.as_str());
        // The moment to press gets the room that the smallest name leaves: both are wanted.
        let narrow = smallest(name, area.width, area.height, look).map_or(0, |fit| fit.width());
        let room = area.width.saturating_sub(narrow.saturating_add(BETWEEN));
        let when = fit(when, room, area.height, look);
        let when_width = when.as_ref().map_or(0, Fit::width);
        let room = area
            .width
            .saturating_sub(when_width.saturating_add(BETWEEN));
        if let (Some(name), Some(when)) = (fit(name, room, area.height, look), when) {
            name.render(look, look.next(), area, buf);
            when.render(
                look,
                look.strong(),
                indent(area, area.width - when_width),
                buf,
            );
        } else if let Some(name) = self.big(name, area.height) {
            name.render(look, look.next(), area, buf);
        }
    }

    /// Draws the next scene and when to press for it; the `when` keeps its room, the name is
    /// cut.
    fn render_next_line(&self, name: &str, area: Rect, buf: &mut Buffer) {
        let look = &self.look;
        let Some(place) = self.following else {
            put(buf, area, (0, 0), "NEXT  the night is over", look.next());
            return;
        };
        let when = self.present.map_or("", |now| now.scene.when.as_str());
        let mut left = area;
        if !when.is_empty() {
            let words = format!(" press {} ", moment(when));
            let short = if width(&words) > area.width / 2 {
                format!(" {when} ")
            } else {
                words
            };
            let start = put_right(buf, area, 0, &short, look.when());
            left.width = start.saturating_sub(1);
        }
        let mut title = format!("NEXT  {}  {name}", place.position.call);
        if self
            .present
            .is_some_and(|now| now.position.song != place.position.song)
        {
            title = format!("{title}   new song: {}{}", place.song.title, self.pause());
        }
        put(buf, left, (0, 0), &title, look.next());
    }

    /// The break before the next song, if there is one.
    fn pause(&self) -> String {
        let order = &self.model.sheet.order;
        let present = self.model.view.position.index();
        let next = self
            .following
            // A loop that starts again has no break before it.
            .filter(|place| place.index > present)
            .map(|place| OrderLine::Song(place.position.song));
        let index = order.iter().position(|line| Some(line) == next.as_ref());
        let before = index.and_then(|index| order.get(..index)).unwrap_or(&[]);
        let pause = before
            .iter()
            .rev()
            .find(|line| !matches!(line, OrderLine::Skipped { .. }));
        match pause {
            Some(OrderLine::Break(seconds)) => format!(", after a break of {} min", seconds / 60),
            _ => String::new(),
        }
    }

    /// The scenes after the next one, each with the position before it: as far as the night
    /// goes, and only once round a loop.
    fn then(&self) -> Vec<(Place<'a>, Place<'a>)> {
        let mut seen = vec![self.model.view.position.index()];
        let mut out = Vec::new();
        let mut before = self.following;
        while let Some(place) = before.filter(|place| !seen.contains(&place.index)) {
            seen.push(place.index);
            let next = self.model.step_from(place.index);
            before = next.and_then(|at| self.model.place(at));
            match before {
                Some(next) if out.len() < THEN && !seen.contains(&next.index) => {
                    out.push((place, next));
                }
                _ => break,
            }
        }
        out
    }

    /// How many scenes `then` gives.
    pub(super) fn then_count(&self) -> u16 {
        u16::try_from(self.then().len()).unwrap_or(0)
    }

    /// The scenes after the next one: a row for each, or all in one row.
    pub(super) fn render_then(&self, area: Rect, buf: &mut Buffer) {
        let then = self.then();
        self.render_bar(self.look.marks.next_bar, self.look.next(), area, buf);
        let area = indent(area, BAR);
        put(buf, area, (0, 0), "THEN", self.look.faint());
        let area = indent(area, 6);
        let columns = match area.height {
            1 => u16::try_from(then.len()).unwrap_or(1).max(1),
            _ => 1,
        };
        for (index, (before, place)) in (0u16..).zip(&then) {
            let wide = area.width / columns;
            let part = row(indent(area, index % columns * wide), index / columns);
            let part = Rect {
                width: wide.saturating_sub(2).min(part.width),
                ..part
            };
            self.render_later(before, place, part, buf);
        }
    }

    /// Draws one later scene: its call number and name, and when to press for it. Where they do
    /// not fit, first the name is cut as far as it stays recognisable, then the moment.
    fn render_later(&self, before: &Place, place: &Place, area: Rect, buf: &mut Buffer) {
        let when = before.scene.when.as_str();
        let song = if before.position.song != place.position.song {
            format!(" ({})", place.song.title)
        } else {
            String::new()
        };
        let call = format!("{}  ", place.position.call);
        let x = put(buf, area, (0, 0), &call, self.look.base());
        let words = if when.is_empty() || area.width < 24 {
            String::new()
        } else {
            format!(", {}", moment(when))
        };
        let name = format!("{}{song}", place.scene.name);
        let all = area.width.saturating_sub(x);
        let room = all.saturating_sub(width(&words)).max(NAME.min(all));
        let x = put(buf, area, (x, 0), &cut(&name, room), self.look.strong());
        let words = cut(&words, area.width.saturating_sub(x));
        put(buf, area, (x, 0), &words, self.look.base());
    }
}

/// A moment as it follows `press`: `at bar 9`, `on "home"`.
pub(super) fn moment(when: &str) -> String {
    if when.starts_with("on ") {
        when.to_owned()
    } else {
        format!("at {when}")
    }
}
