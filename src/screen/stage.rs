//! The player's screen, to be read from two metres with both hands busy.
//!
//! ```text
//!  Harbour nights   Tuesday               song 3 of 12  Salt road         show
//!  21:14  3 min behind   break in 12 min   end 22:34, in 1 h 20
//! █ ▟▀▙ ▐        ▐             the current scene's name in large letters
//! █ ▝▀▙ ▜▀ ▐▀▘▐ ▐▀▙ ▟▀▜ ▟▀▘
//! █ ▜▄▛ ▐▄ ▐  ▐ ▐ ▐ ▝▄▟ ▄▄▛
//! █ NOW 3.2  Strings over piano        Am  96 a minute  sounds -2
//! █ lower   C2      C3    |F#3  C4      C5      C6      the zone maps, to scale
//! █ E1-G7  ┣ Upright ━━ -12 ┫┣ Warm strings ━━━━━━━━━━━━━━━ -3dB ┫
//! █ words for the player, or why a press did not step
//! ┊ NEXT 3.3  Glass choir                          press at bar 9 beat 3
//! ┊ lower  ├ Glass choir ───────────────────────────────────────┤
//! ┊ THEN 3.4  Solo  at bar 17                5.1  Felt piano  on "home"
//!  page 2 of 3  words of the page
//!  RIG  rack not verified   organ verified
//!  Space step   PageUp back   Tab screens   ? help
//! ```

use super::big::{Fit, fit};
use super::count_in::CountIn;
use super::health::health;
use super::look::Look;
use super::notice::{self, notice};
use super::order::song_facts;
use super::prompt;
use super::scale::Scale;
use super::stage_plan::{Plan, Wishes};
use super::text::{indent, put, put_right, row, rows, sanitise, width, wrap};
use super::zone_map::{Extent, LARGE_ROWS, NARROW_ROWS, ZoneMap, has_large, lanes, legend};
use super::{Place, ScreenModel};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;
use std::borrow::Cow;

/// Draws the stage into `area`.
pub fn render(model: &ScreenModel, area: Rect, buf: &mut Buffer) {
    let area = area.intersection(buf.area);
    if area.is_empty() {
        return;
    }
    buf.set_style(area, Look::new(model.ui.settings).base());
    Stage::new(model, area).render(buf);
}

/// What the stage is drawn from. The next scenes are drawn in `stage_coming`, the large call
/// number in `stage_call`.
pub(super) struct Stage<'a> {
    pub(super) model: &'a ScreenModel<'a>,
    pub(super) look: Look,
    pub(super) area: Rect,
    pub(super) present: Option<Place<'a>>,
    pub(super) following: Option<Place<'a>>,
    keyboards: Vec<usize>,
    margin: u16,
    scale: Scale,
}

/// Columns of the bar beside a scene, and of the blank after it.
pub(super) const BAR: u16 = 2;

/// What the head says while cues are held back.
const REHEARSAL: &str = "REHEARSAL: cues held";

impl<'a> Stage<'a> {
    fn new(model: &'a ScreenModel<'a>, area: Rect) -> Self {
        let controllers = model.sheet.controllers.iter().enumerate();
        let keyboards = controllers.filter(|(_, line)| line.keys.is_some());
        // The last column stays blank where there is room, as at the left.
        let area = if area.width >= 40 {
            Rect {
                width: area.width - 1,
                ..area
            }
        } else {
            area
        };
        let margin = match area.width {
            0..40 => 0,
            40..100 => 10,
            _ => 14,
        };
        Self {
            model,
            look: Look::new(model.ui.settings),
            area,
            present: model.present(),
            following: model.following(),
            keyboards: keyboards.map(|(index, _)| index).collect(),
            margin,
            scale: Scale::of(model.sheet, area.width.saturating_sub(BAR + margin)),
        }
    }

    fn render(&self, buf: &mut Buffer) {
        let name = self.present.map_or("", |place| place.scene.name.as_str());
        let next = self.following.map_or("", |place| place.scene.name.as_str());
        let plan = Plan::new(self.area.height, &self.wishes(name, next));
        let mut y = 0;
        let mut take = |count: u16| {
            let rect = rows(self.area, y, count);
            y = y.saturating_add(count);
            rect
        };
        self.render_header(plan.clock > 0, take(plan.header), buf);
        self.render_clock(self.has_large_clock(&plan, name), take(plan.clock), buf);
        take(plan.gaps[0]);
        let maps: u16 = plan.now_maps.iter().map(Extent::height).sum();
        let now = take(plan.now_big + plan.now_line + maps + plan.now_legend);
        self.render_now(&plan, name, now, buf);
        take(plan.gaps[1]);
        self.render_words(take(plan.words), buf);
        take(plan.gaps[2]);
        let maps: u16 = plan.next_maps.iter().map(Extent::height).sum();
        let coming = take(plan.next_line + plan.next_big + maps + plan.next_legend);
        self.render_next(&plan, next, coming, buf);
        self.render_then(take(plan.then), buf);
        take(plan.gaps[3]);
        self.render_page(take(plan.page), buf);
        let foot = plan.health + plan.footer;
        let foot = rows(self.area, self.area.height.saturating_sub(foot), foot);
        self.render_health(rows(foot, 0, plan.health), buf);
        prompt::render(self.model, rows(foot, plan.health, plan.footer), buf);
        if plan.words == 0 {
            notice::render_short(self.model, &self.look, self.area, plan.footer, buf);
        }
    }

    fn wishes(&self, name: &str, next: &str) -> Wishes {
        let lanes_of = |place: Option<Place>| -> Vec<u16> {
            let Some(place) = place else {
                return Vec::new();
            };
            let count = |index: &usize| lanes(place.scene, *index).len().min(64);
            let counts = self.keyboards.iter().map(count);
            counts
                .map(|count| u16::try_from(count).unwrap_or(1))
                .collect()
        };
        let has_legend = |place: Option<Place>| {
            place.is_some_and(|p| !legend(self.model.sheet, p.scene, self.scale).is_empty())
        };
        let words = self.words();
        let lines = |text: &str| {
            let lines = wrap(text, self.area.width.saturating_sub(BAR), 64).len();
            u16::try_from(lines).unwrap_or(0)
        };
        let sizes = |text: &str, heights: &[u16]| {
            let fits = heights.iter().filter_map(|height| self.big(text, *height));
            let mut sizes: Vec<u16> = fits.map(|fit| fit.height()).collect();
            sizes.dedup();
            sizes
        };
        let has_large = |lane_rows| {
            self.present
                .is_some_and(|place| has_large(place.scene, self.scale, &self.look, lane_rows))
        };
        Wishes {
            now_lanes: lanes_of(self.present),
            next_lanes: lanes_of(self.following),
            words: lines(&words),
            words_sizes: sizes(&words, &[3, 4, 6]),
            page: self.page().map_or(0, |(_, text)| 1 + lines(text)),
            has_legend: (has_legend(self.present), has_legend(self.following)),
            now_sizes: sizes(name, &[4, 8, 16, 32]),
            next_size: self.big(next, 4).map(|fit| fit.height()),
            then: self.then_count(),
            has_large_sounds: (has_large(NARROW_ROWS), has_large(LARGE_ROWS)),
        }
    }

    /// The mark of the current position, and its scene's words for the player.
    fn words(&self) -> Cow<'a, str> {
        let Some(place) = self.present else {
            return Cow::Borrowed("");
        };
        let words = place.scene.player.as_str();
        match self.model.mark(&place) {
            Some(mark) => Cow::Owned(format!("! {mark}  {words}").trim_end().to_owned()),
            None => Cow::Borrowed(words),
        }
    }

    pub(super) fn big(&self, name: &str, height: u16) -> Option<Fit> {
        fit(
            name,
            self.area.width.saturating_sub(BAR),
            height,
            &self.look,
        )
    }

    fn render_header(&self, has_clock_row: bool, area: Rect, buf: &mut Buffer) {
        let sheet = self.model.sheet;
        let look = &self.look;
        let rig = self.model.rig.mode.as_str();
        let mode = match (self.model.view.sends_cues, rig) {
            (true, _) => rig.to_owned(),
            (false, "rehearsal") => REHEARSAL.to_owned(),
            (false, _) => format!("{rig}  {REHEARSAL}"),
        };
        let clock = if has_clock_row {
            String::new()
        } else {
            format!("  {}", self.model.clock())
        };
        let right = format!("{mode}{clock}");
        let start = put_right(buf, area, 0, right.trim_start(), look.faint());
        let left = Rect {
            width: start.saturating_sub(1),
            ..area
        };
        let song = self.present.map_or(String::new(), |place| {
            let (number, of) = (place.position.song + 1, sheet.songs.len());
            format!("song {number} of {of}  {}", place.song.title)
        });
        // Where there is no room for all, the song is shown rather than the names of show and
        // night.
        let names = width(&sheet.show).saturating_add(width(&sheet.night));
        let all = names.saturating_add(width(&song)).saturating_add(BAR + 5);
        let mut x = BAR;
        if all <= left.width || song.is_empty() {
            x = put(buf, left, (x, 0), &sheet.show, look.faint());
            x = put(buf, left, (x + 2, 0), &sheet.night, look.faint()) + 3;
        }
        put(buf, left, (x, 0), &song, look.strong());
    }

    /// Draws the time of day, unless it is large beside the name, and the pace of the night, as
    /// far as there is room.
    fn render_clock(&self, is_large: bool, area: Rect, buf: &mut Buffer) {
        let look = &self.look;
        let mut x = BAR.saturating_sub(3);
        if !is_large || self.model.pace().words(self.model.time_s).is_empty() {
            x = put(buf, area, (BAR, 0), &self.model.clock(), look.strong());
        }
        for (words, is_warning) in self.model.pace().words(self.model.time_s) {
            let style = if is_warning {
                look.warning()
            } else {
                look.base()
            };
            let at = if x < BAR { BAR } else { x + 3 };
            if at + width(&words) <= area.width {
                x = put(buf, area, (at, 0), &words, style);
            }
        }
    }

    fn render_now(&self, plan: &Plan, name: &str, area: Rect, buf: &mut Buffer) {
        let look = &self.look;
        self.render_bar(look.marks.now_bar, look.now(), area, buf);
        let area = indent(area, BAR);
        let big = rows(area, 0, plan.now_big);
        if let Some(fit) = self.big(name, plan.now_big) {
            fit.render(look, look.now(), big, buf);
            self.render_call(plan.next_big == 0, fit.width(), big, buf);
        }
        self.render_now_line(
            name,
            row(area, plan.now_big).intersection(rows(area, plan.now_big, plan.now_line)),
            buf,
        );
        let maps = rows(area, plan.now_big + plan.now_line, area.height);
        self.render_maps(
            self.present,
            true,
            (&plan.now_maps, plan.now_legend),
            maps,
            buf,
        );
    }

    fn render_now_line(&self, name: &str, area: Rect, buf: &mut Buffer) {
        let look = &self.look;
        let Some(place) = self.present else {
            put(
                buf,
                area,
                (0, 0),
                "NOW  nothing to play in this night",
                look.now(),
            );
            return;
        };
        let mut facts = self.loops();
        facts.extend(self.states());
        let count = CountIn::of(self.model, &place);
        facts.extend(count.map(CountIn::words));
        let of_song = song_facts(place.song);
        if !of_song.is_empty() {
            facts.push(of_song);
        }
        let title = format!("NOW  {}  {name}", place.position.call);
        let x = put(buf, area, (0, 0), &title, look.now());
        // What the player moved comes first: where there is no room for all, the song's
        // facts give way.
        while !facts.is_empty() {
            let words = facts.join("  ");
            if x + 2 + width(&words) <= area.width {
                let styles = (look.base(), look.now());
                match count {
                    Some(count) => count.put_right((&words, styles), area, buf),
                    None => put_right(buf, area, 0, &words, look.base()),
                };
                return;
            }
            facts.pop();
        }
    }

    /// The loop in words, and that it waits while the show is outside it.
    fn loops(&self) -> Vec<String> {
        let at = self.model.view.position;
        let stretch = self.model.view.stretch;
        let is_in = stretch.is_some_and(|(first, last)| (first..=last).contains(&at));
        let waits = if is_in { "" } else { " waits" };
        let words = self.model.loop_words();
        let words = words.map(|words| format!("LOOP {}{waits}", sanitise(&words)));
        words.into_iter().collect()
    }

    /// The switches of the present scene with the names of their states, and the routes that
    /// wait until their source passes the scene's value.
    fn states(&self) -> Vec<String> {
        let routes = self.present.map_or(&[][..], |place| &place.scene.routes);
        let shown = routes.iter().zip(self.model.view.routes).enumerate();
        let words = shown.filter_map(|(index, (line, value))| {
            let state = line.states.iter().find(|(_, own)| Some(*own) == value);
            let waits = self.model.view.waiting >> index & 1 == 1;
            match state {
                _ if line.is_repeated => None,
                Some((state, _)) => Some(format!("{} {state}", line.name)),
                None if waits => Some(format!("{} waits", line.name)),
                None => None,
            }
        });
        words.map(|words| sanitise(&words)).collect()
    }

    fn render_words(&self, area: Rect, buf: &mut Buffer) {
        let inner = indent(area, BAR);
        if let Some(notice) = notice(self.model) {
            let x = put(
                buf,
                inner,
                (0, 0),
                &format!(" {notice} "),
                self.look.notice(),
            );
            put(buf, inner, (x + 2, 0), &self.words(), self.look.strong());
            return;
        }
        let words = self.words();
        if let Some(fit) = self.big(&words, inner.height) {
            fit.render(&self.look, self.look.strong(), inner, buf);
            return;
        }
        let lines = wrap(&words, inner.width, usize::from(inner.height));
        for (y, line) in (0u16..).zip(lines) {
            put(buf, inner, (0, y), &line, self.look.strong());
        }
    }

    pub(super) fn render_maps(
        &self,
        place: Option<Place>,
        is_now: bool,
        (extents, legend_rows): (&[Extent], u16),
        area: Rect,
        buf: &mut Buffer,
    ) {
        let Some(place) = place else { return };
        let hues = self.model.hues(&place);
        let mut y = 0;
        for (extent, controller) in extents.iter().zip(&self.keyboards) {
            let live = self.model.view.controllers.get(*controller);
            let map = ZoneMap {
                sheet: self.model.sheet,
                scene: place.scene,
                hues: &hues,
                controller: *controller,
                live: live.filter(|_| is_now),
                look: &self.look,
                scale: self.scale,
                margin: self.margin,
            };
            map.render(*extent, rows(area, y, extent.height()), buf);
            y += extent.height();
        }
        let words = legend(self.model.sheet, place.scene, self.scale).join("   ");
        let legend = indent(rows(area, y, legend_rows), self.margin);
        put(buf, legend, (0, 0), &words, self.look.strong());
    }

    /// Number and text of the page, if the song has pages.
    fn page(&self) -> Option<(String, &'a str)> {
        let song = self.present?.song;
        let page = usize::from(self.model.view.page);
        let text = song.pages.get(page)?;
        Some((format!("page {} of {}", page + 1, song.pages.len()), text))
    }

    fn render_page(&self, area: Rect, buf: &mut Buffer) {
        let area = indent(area, BAR);
        let Some((title, text)) = self.page() else {
            return;
        };
        let x = put(buf, area, (0, 0), &title, self.look.faint());
        // With one row the page's first words follow its number.
        let (area, from) = if area.height <= 1 {
            (indent(area, x + 2), 0)
        } else {
            (area, 1)
        };
        let lines = wrap(
            text,
            area.width,
            usize::from(area.height.saturating_sub(from)),
        );
        for (y, line) in (from..).zip(lines) {
            put(buf, area, (0, y), &line, self.look.base());
        }
    }

    fn render_health(&self, area: Rect, buf: &mut Buffer) {
        let mut x = put(buf, area, (BAR, 0), "RIG", self.look.faint());
        for (words, style) in health(self.model, &self.look) {
            x = put(buf, area, (x + 2, 0), &words, style);
        }
    }

    pub(super) fn render_bar(&self, mark: &str, style: Style, area: Rect, buf: &mut Buffer) {
        for y in 0..area.height {
            put(buf, area, (0, y), mark, style);
        }
    }
}
