//! The running order: the night from top to end, with a cursor to jump by.
//!
//! ```text
//!   RUNNING ORDER  Tuesday, Quay Hall  20:00 to 22:30      6 songs  20 scenes
//!    3    Salt Road                            in Am  96 a minute  3:30
//!         3.1  Riff                            bar 9 beat 3
//! > █ NOW 3.2  Strings over bass               bar 9 beat 3
//!   ┊ NXT 3.3  Glass choir                     on "home"
//!         left out tonight: Tin whistle weather
//!         ----- break of 20 min -----
//!   Enter jumps to 3.2 Strings over bass: held notes go on, cues are not sent
//!   / find   Enter jump   Tab screens   ? help
//! ```
//!
//! Beside the list, where there is room, stands the scene under the cursor with its map.

use super::look::Look;
use super::notice::{notice_piece, short_notice};
use super::pieces::{Piece, put_pieces};
use super::prompt;
use super::scale::Scale;
use super::stage_coming::moment;
use super::state::{Listing, Prompt};
use super::text::{indent, put, put_right, row, rows, tint, wrap};
use super::zone_map::{Extent, ZoneMap, lanes, legend};
use super::{Place, ScreenModel};
use crate::sheet::{OrderLine, SongLine};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Draws the running order into `area`.
pub fn render(model: &ScreenModel, area: Rect, buf: &mut Buffer) {
    let area = area.intersection(buf.area);
    if area.is_empty() {
        return;
    }
    let look = Look::new(model.ui.settings);
    buf.set_style(area, look.base());
    let [head, body, foot] = parts(area);
    render_header(model, &look, head, buf);
    let list = Rect {
        width: list_width(area.width),
        ..body
    };
    render_list(model, &look, list, buf);
    if list.width < body.width {
        render_preview(model, &look, indent(body, list.width + 2), buf);
    }
    render_intent(model, &look, row(foot, 0), buf);
    prompt::render(model, row(foot, 1), buf);
    // Without a header the notice takes the first row.
    if head.is_empty()
        && let Some(words) = short_notice(model)
    {
        put(buf, area, (0, 0), &format!(" {words} "), look.notice());
    }
}

/// Below this width a notice has the header to itself.
pub(super) const SMALL: u16 = 60;

/// The list keeps to this width where the scene under the cursor has room beside it.
const LIST_COLUMNS: u16 = 70;

const fn list_width(width: u16) -> u16 {
    if width >= LIST_COLUMNS + 45 {
        LIST_COLUMNS
    } else {
        width
    }
}

/// The position under the cursor.
fn cursor(model: &ScreenModel) -> usize {
    model.ui.cursor.unwrap_or(model.view.position.index())
}

fn render_header(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let sheet = model.sheet;
    let notice = short_notice(model);
    if let Some(words) = notice.as_ref().filter(|_| area.width < SMALL) {
        put(buf, area, (0, 0), &format!(" {words} "), look.notice());
        return;
    }
    let counts = format!(
        "{}  {}",
        counted(sheet.songs.len(), "song"),
        counted(sheet.positions.len(), "scene"),
    );
    let times: Vec<String> = [sheet.start_minute, sheet.end_minute]
        .into_iter()
        .flatten()
        .map(|minute| format!("{:02}:{:02}", minute / 60, minute % 60))
        .collect();
    let mut left =
        vec![Piece::new(5, "RUNNING ORDER", look.strong()).or(0, "ORDER", look.strong())];
    left.extend(notice.map(|words| notice_piece(&words, 7, look)));
    if !model.view.sends_cues {
        left.push(Piece::new(2, "REHEARSAL", look.warning()));
    }
    // A mode in capitals must not be forgotten, such as a recording that runs.
    if model.rig.mode == model.rig.mode.to_uppercase() && !model.rig.mode.is_empty() {
        left.push(Piece::new(1, &model.rig.mode, look.warning()));
    }
    left.push(Piece::new(4, &sheet.night, look.base()));
    left.push(Piece::new(6, &times.join(" to "), look.faint()));
    let right = vec![
        Piece::new(8, &counts, look.faint()),
        Piece::new(3, &format!("{} ", model.clock()), look.faint()),
    ];
    put_pieces(buf, area, 2, (left, right));
}

/// `1 song`, `2 songs`.
fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

fn render_list(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let shown = shown(model, area);
    if shown.is_empty() {
        put(
            buf,
            area,
            (9, 0),
            "no place is marked tonight",
            look.faint(),
        );
    }
    for (y, listing) in (0..area.height).zip(shown) {
        render_listing(model, look, listing, row(area, y), buf);
    }
}

/// The rows that are in sight: the cursor stands in the middle, except near both ends.
fn shown(model: &ScreenModel, area: Rect) -> Vec<Listing> {
    let mut all = model.ui.listings(model.sheet);
    let wanted = model.ui.cursor_row(model.view.position.index());
    let at = all
        .iter()
        .position(|listing| *listing == wanted)
        .unwrap_or(0);
    let height = usize::from(area.height);
    let first = at
        .saturating_sub(height / 2)
        .min(all.len().saturating_sub(height));
    all.drain(..first);
    all.truncate(height);
    all
}

/// The row of the list at a cell.
pub(super) fn listing_at(model: &ScreenModel, area: Rect, (x, y): (u16, u16)) -> Option<Listing> {
    let [_, body, _] = parts(area);
    let is_in_list = x < list_width(area.width) && y >= body.y && y < body.bottom();
    let row = usize::from(y.checked_sub(body.y)?);
    is_in_list.then(|| shown(model, body).get(row).copied())?
}

/// Header, body and foot.
fn parts(area: Rect) -> [Rect; 3] {
    let foot = area.height.min(2);
    let head = area.height.saturating_sub(foot).min(1);
    [
        rows(area, 0, head),
        rows(area, head, area.height - foot - head),
        rows(area, area.height - foot, foot),
    ]
}

fn render_listing(
    model: &ScreenModel,
    look: &Look,
    listing: Listing,
    area: Rect,
    buf: &mut Buffer,
) {
    match listing {
        Listing::Song(index) => {
            let Some(song) = model.sheet.songs.get(index) else {
                return;
            };
            let start = put_right(
                buf,
                area,
                0,
                &format!("{} ", song_facts(song)),
                look.faint(),
            );
            let left = Rect {
                width: start.saturating_sub(1),
                ..area
            };
            put(buf, left, (4, 0), &song.call, look.strong());
            let x = put(buf, left, (9, 0), &song.title, look.strong());
            if song.tonight != 0 {
                let words = format!("{:+} tonight", song.tonight);
                put(buf, left, (x + 2, 0), &words, look.when());
            }
        }
        Listing::Position(index) => render_position(model, look, index, area, buf),
        Listing::Skipped(line) => {
            if let Some(OrderLine::Skipped { call, title }) = model.sheet.order.get(line) {
                put(buf, area, (4, 0), call, look.left_out());
                let x = put(buf, area, (9, 0), "left out tonight: ", look.faint());
                put(buf, area, (x, 0), title, look.left_out());
                point(model, look, listing, area, buf);
            }
        }
        Listing::Break(seconds) => {
            let line = look.marks.rule.repeat(5);
            let words = format!("{line} break of {} min {line}", seconds / 60);
            put(buf, area, (9, 0), &words, look.base());
        }
    }
}

fn render_position(model: &ScreenModel, look: &Look, index: usize, area: Rect, buf: &mut Buffer) {
    let Some(place) = model.place(index) else {
        return;
    };
    let present = model.view.position.index();
    let (mark, word, style) = if index == present {
        (look.marks.now_bar, "NOW", look.now())
    } else if Some(index) == model.step_from(present) {
        (look.marks.next_bar, "NEXT", look.next())
    } else {
        ("", "", look.base())
    };
    put(buf, area, (2, 0), mark, style);
    put(buf, area, (4, 0), word, style);
    let when_x = (area.width / 2).max(9 + 8);
    let left = Rect {
        width: when_x.min(area.width).saturating_sub(1),
        ..area
    };
    put(buf, left, (9, 0), &place.position.call, style);
    let mut x = put(buf, left, (15, 0), &place.scene.name, style);
    let at = crate::engine::promptbook::PositionId(u32::try_from(index).unwrap_or(u32::MAX));
    let looped = model.view.stretch;
    if looped.is_some_and(|(first, last)| (first..=last).contains(&at)) {
        x = put(buf, left, (x + 2, 0), "LOOP", look.when());
    }
    if let Some(mark) = model.mark(&place) {
        put(buf, left, (x + 2, 0), &format!("! {mark}"), look.warning());
    }
    let brief = if place.scene.is_brief { "  brief" } else { "" };
    let when = match place.scene.when.as_str() {
        "" => brief.trim_start().to_owned(),
        when => format!("next {}{brief}", moment(when)),
    };
    put(buf, area, (when_x, 0), &when, look.faint());
    point(model, look, Listing::Position(index), area, buf);
}

/// The pointer, on the row that has the cursor.
fn point(model: &ScreenModel, look: &Look, listing: Listing, area: Rect, buf: &mut Buffer) {
    if listing == model.ui.cursor_row(model.view.position.index()) {
        tint(buf, area, (0, 0), area.width, look.cursor());
        put(buf, area, (0, 0), look.marks.pointer, look.cursor());
    }
}

/// What Enter would do, in words.
fn render_intent(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let target = cursor(model);
    let skipped = model.ui.left_out.and_then(|at| model.sheet.order.get(at));
    if let Some(OrderLine::Skipped { title, .. }) = skipped {
        let line = model.keys.iter().find(|line| line.name == "skip");
        let key = line.and_then(|line| line.keys.first());
        let key = key.map_or("?", String::as_str);
        let words = format!("{key} takes {title} in again");
        put(buf, area, (2, 0), &words, look.strong());
        return;
    }
    let Some(place) = model.place(target) else {
        return;
    };
    let to = format!("{} {}", place.position.call, place.scene.name);
    let is_finding = matches!(model.ui.prompt, Some(Prompt::Find(_)));
    let (words, more) = if target == model.view.position.index() {
        (format!("the show is at {to}"), "")
    } else if is_finding {
        (format!("found {to}"), "")
    } else if model.view.sends_cues {
        (
            format!("Enter asks, then jumps to {to}"),
            "held notes go on; no cue unless it says so",
        )
    } else {
        (
            format!("Enter jumps to {to}"),
            "held notes go on; cues are held in rehearsal",
        )
    };
    let x = put(buf, area, (2, 0), &words, look.strong());
    // In the list a long mark is cut.
    match model.mark(&place) {
        Some(mark) => put(buf, area, (x + 2, 0), &format!("! {mark}"), look.warning()),
        None => put(buf, area, (x + 2, 0), more, look.faint()),
    };
}

/// The scene under the cursor, with its map and all its words.
fn render_preview(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let Some(place) = model.place(cursor(model)) else {
        return;
    };
    for y in 0..area.height {
        put(buf, area, (0, y), look.marks.fence, look.faint());
    }
    // The last column stays blank, as on the stage.
    let area = indent(area, 2);
    let area = Rect {
        width: area.width.saturating_sub(1),
        ..area
    };
    let title = format!("{}  {}", place.position.call, place.scene.name);
    put(buf, area, (0, 0), &title, look.strong());
    put(buf, area, (0, 1), &place.song.title, look.faint());
    let mut y = 3 + render_maps(model, look, place, rows(area, 3, area.height), buf);
    for (head, words, style) in [
        (
            "marked",
            model.mark(&place).unwrap_or_default(),
            look.warning(),
        ),
        ("press at", place.scene.when.as_str(), look.strong()),
        ("player", place.scene.player.as_str(), look.base()),
        ("technician", place.scene.technician.as_str(), look.base()),
    ] {
        if head == "marked" && words.is_empty() {
            continue;
        }
        y += 1 + render_words(
            look,
            (head, words, style),
            rows(area, y + 1, area.height),
            buf,
        );
    }
}

fn render_words(
    look: &Look,
    (head, words, style): (&str, &str, Style),
    area: Rect,
    buf: &mut Buffer,
) -> u16 {
    if words.is_empty() {
        return 0;
    }
    put(buf, area, (0, 0), head, look.faint());
    let area = indent(area, 12);
    let lines = wrap(words, area.width, usize::from(area.height));
    for (y, line) in (0u16..).zip(&lines) {
        put(buf, area, (0, y), line, style);
    }
    u16::try_from(lines.len()).unwrap_or(0)
}

fn render_maps(
    model: &ScreenModel,
    look: &Look,
    place: Place,
    area: Rect,
    buf: &mut Buffer,
) -> u16 {
    const MARGIN: u16 = 10;
    let hues = model.hues(&place);
    let scale = Scale::of(model.sheet, area.width.saturating_sub(MARGIN));
    let mut y = 0;
    for (controller, _) in model
        .sheet
        .controllers
        .iter()
        .enumerate()
        .filter(|(_, c)| c.keys.is_some())
    {
        let lanes = u16::try_from(lanes(place.scene, controller).len().clamp(1, 64)).unwrap_or(1);
        let extent = Extent {
            has_marks: true,
            has_keys: false,
            lanes,
            lane_rows: 1,
        };
        let map = ZoneMap {
            sheet: model.sheet,
            scene: place.scene,
            hues: &hues,
            controller,
            live: None,
            look,
            scale,
            margin: MARGIN,
        };
        map.render(extent, rows(area, y, extent.height()), buf);
        y += extent.height();
    }
    // Zones too narrow for a name have a letter.
    let words = legend(model.sheet, place.scene, scale).join("   ");
    let below = indent(rows(area, y, area.height), MARGIN);
    let lines = wrap(&words, below.width, LEGEND_ROWS);
    for (y, line) in (0..).zip(&lines) {
        put(buf, below, (0, y), line, look.strong());
    }
    y.saturating_add(u16::try_from(lines.len()).unwrap_or(0))
}

/// The most rows of the legend.
const LEGEND_ROWS: usize = 3;

/// Key, tempo, transposition (the song's own and tonight's in one) and length of a song, as far as it has them.
pub(super) fn song_facts(song: &SongLine) -> String {
    let mut facts = Vec::new();
    if !song.key.is_empty() {
        facts.push(format!("in {}", song.key));
    }
    if let Some(tempo) = song.tempo.filter(|tempo| tempo.is_finite()) {
        facts.push(format!("{tempo:.0} a minute"));
    }
    if song.transpose != 0 {
        facts.push(format!("sounds {:+}", song.transpose));
    }
    if let Some(length_s) = song.length_s {
        facts.push(format!("{}:{:02}", length_s / 60, length_s % 60));
    }
    facts.join("  ")
}
