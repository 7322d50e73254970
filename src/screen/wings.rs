//! The technician's screen: ports, receivers, what each slot is believed to hold, counters
//! and the log.
//!
//! ```text
//!   WINGS  show   3.2 Strings over bass   real-time                       21:14
//!   OUT          kind        state        busy        queue       sent    last
//!   rack         USB         verified     ▮▯▯▯▯  6 %  0 0 0 0     48 kB   1 s
//!   RECEIVERS
//!   main         instrument  verified     1 Upright bass vol 100 1 note; 2 ...
//!   IN           kind        state        messages    last
//!   COUNTERS     steps 31   swallowed 2   ...
//!   LOG
//!   21:13:59     step to 3.2 Strings over bass
//! ```
//!
//! From 150 columns on the receivers stand at the right, a row a slot.

use super::ScreenModel;
use super::look::Look;
use super::notice::{notice_piece, short_notice};
use super::order::SMALL;
use super::pieces::{Piece, put_pieces};
use super::prompt;
use super::state::Prompt;
use super::text::{indent, put, put_right, row, rows, sanitise, tint, width, wrap};
use super::wings_learn::learning;
use super::wings_ports::{Line, draw, in_ports, out_ports, receivers, slots};
use super::wings_rows::{RowLine, WingsRow, notes, pedal_lines};
use super::wings_zones::{PLOT_LINES, zones};
use crate::report::status::{LogLevel, LogLine};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Draws the wings into `area`.
pub fn render(model: &ScreenModel, area: Rect, buf: &mut Buffer) {
    let area = area.intersection(buf.area);
    if area.is_empty() {
        return;
    }
    let look = Look::new(model.ui.settings);
    buf.set_style(area, look.base());
    let foot = area.height.saturating_sub(1).min(1);
    render_header(model, &look, row(area, 0), buf);
    let body = rows(area, 1, area.height - 1 - foot);
    let columns = Columns::new(model, &look, body);
    if let Some(right) = &columns.right {
        for y in 0..body.height {
            put(
                buf,
                indent(body, 102),
                (0, y),
                look.marks.fence,
                look.faint(),
            );
        }
        right.render(model, &look, buf);
    }
    columns.left.render(model, &look, buf);
    let log = rows(columns.area, columns.left.area.height, columns.area.height);
    render_log(model, &look, log, buf);
    prompt::render(model, rows(area, area.height - foot, foot), buf);
}

fn render_header(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let notice = short_notice(model);
    if let Some(words) = notice.as_ref().filter(|_| area.width < SMALL) {
        put(buf, area, (0, 0), &format!(" {words} "), look.notice());
        return;
    }
    let mut left = vec![
        Piece::new(7, "WINGS", look.strong()),
        Piece::new(4, &model.rig.mode, look.base()),
    ];
    if let Some(place) = model.present() {
        let words = format!("{} {}", place.position.call, place.scene.name);
        left.push(Piece::new(8, &words, look.now()).or(3, &place.position.call, look.now()));
    }
    left.extend(super::notice::notice(model).map(|words| notice_piece(&words, 5, look)));
    let (words, short, style) = match model.rig.is_realtime {
        Some(true) => ("real-time priority", "real-time", look.good()),
        Some(false) => ("no real-time priority", "no real-time", look.warning()),
        None => ("priority not known", "", look.faint()),
    };
    left.push(Piece::new(9, words, style).or(6, short, style));
    let clock = Piece::new(2, &format!("{} ", model.clock()), look.faint());
    put_pieces(buf, area, 2, (left, vec![clock]));
}

/// The fewest rows of the log, however much is above it.
const LOG_ROWS: u16 = 4;

/// The row of the wings at a cell.
pub(super) fn row_at(model: &ScreenModel, area: Rect, (x, y): (u16, u16)) -> Option<WingsRow> {
    let look = Look::new(model.ui.settings);
    let foot = area.height.saturating_sub(1).min(1);
    let body = rows(area, 1, area.height.saturating_sub(1 + foot));
    let columns = Columns::new(model, &look, body);
    [Some(columns.left), columns.right]
        .into_iter()
        .flatten()
        .find(|column| column.area.contains((x, y).into()))
        .and_then(|column| {
            let at = column.first + usize::from(y.checked_sub(column.area.y)?);
            column.lines.get(at)?.1
        })
}

/// What is drawn above the log, and beside it where there is room.
struct Columns {
    /// Where the left column and the log stand.
    area: Rect,
    left: Column,
    right: Option<Column>,
}

/// A column of lines that scrolls.
struct Column {
    lines: Vec<RowLine>,
    /// Index of the first visible line.
    first: usize,
    area: Rect,
}

impl Columns {
    fn new(model: &ScreenModel, look: &Look, body: Rect) -> Self {
        let is_wide = body.width >= 150;
        let area = Rect {
            width: if is_wide { 100 } else { body.width },
            ..body
        };
        let plain = |lines: Vec<Line>| lines.into_iter().map(|line| (line, None));
        let mut left: Vec<RowLine> = plain(learning(model, look)).collect();
        // Warnings about the show itself come where no list can push them off the screen.
        left.extend(plain(warnings(model, look)));
        left.extend(plain(out_ports(model, look)));
        let mut right = Vec::new();
        if is_wide {
            left.extend(plain(in_ports(model, look)));
            right.extend(slots(model, look));
            right.extend(notes(model, look));
            right.push((Vec::new(), None));
            right.extend(pedal_lines(model, look));
            right.extend(zones(model, look));
        } else {
            // On a small screen each receiver has one row, so that the inputs stay visible.
            let most_rows = if body.height < 28 { 1 } else { 4 };
            left.extend(plain(in_ports(model, look)));
            left.extend(receivers(model, look, (area.width, most_rows)));
        }
        left.extend(plain(remarks(model, look)));
        left.extend(plain(
            next_step(model, look, area.width)
                .into_iter()
                .chain(ready_after(model, look))
                .collect(),
        ));
        if !is_wide {
            left.extend(notes(model, look));
            left.extend(pedal_lines(model, look));
        }
        left.extend(plain(counters(model, look, area.width)));
        left.extend(plain(plan_remarks(model, look, area.width)));
        if !is_wide {
            left.extend(zones(model, look));
        }
        let wanted = u16::try_from(left.len()).unwrap_or(u16::MAX);
        let height = wanted.min(area.height.saturating_sub(LOG_ROWS));
        let left = Column::new(model, left, rows(area, 0, height));
        let right = is_wide.then(|| Column::new(model, right, indent(body, 103)));
        Self { area, left, right }
    }
}

impl Column {
    /// A column that is scrolled so that the cursor is visible.
    fn new(model: &ScreenModel, lines: Vec<RowLine>, area: Rect) -> Self {
        let height = usize::from(area.height);
        // While a control is learned, its lines at the top stay visible.
        let is_learning = matches!(model.ui.prompt, Some(Prompt::Learn(_)));
        let cursor = model.ui.wings.filter(|_| !is_learning);
        let at = lines
            .iter()
            .position(|(_, row)| cursor.is_some() && *row == cursor);
        // Lines below the cursor's that belong to it are shown too, as far as there is room.
        let below = match cursor {
            Some(WingsRow::Zone(_)) => PLOT_LINES.min(height.saturating_sub(3)),
            _ => 0,
        };
        // One line is taken by the count of hidden lines.
        let first = at.map_or(0, |at| (at + below + 2).saturating_sub(height));
        let first = first.min(lines.len().saturating_sub(height));
        Self { lines, first, area }
    }

    /// The last row says how many lines do not fit, the first how many are above.
    fn render(&self, model: &ScreenModel, look: &Look, buf: &mut Buffer) {
        let height = usize::from(self.area.height);
        let shown = self.lines.iter().skip(self.first);
        for (y, (line, at)) in (0..self.area.height).zip(shown) {
            draw(buf, row(self.area, y), line);
            if at.is_some() && *at == model.ui.wings {
                let row = row(self.area, y);
                tint(buf, row, (0, 0), row.width, look.cursor());
                put(buf, row, (0, 0), look.marks.pointer, look.cursor());
            }
        }
        let hidden = self.lines.len().saturating_sub(self.first + height);
        let last = self.area.height.saturating_sub(1);
        for (y, count, where_) in [(0, self.first, "above"), (last, hidden, "below")] {
            if count > 0 && self.area.height > 0 {
                let words = format!(" +{count} rows {where_} ");
                put_right(buf, row(self.area, y), 0, &words, look.faint());
            }
        }
    }
}

fn counters(model: &ScreenModel, look: &Look, columns: u16) -> Vec<Line> {
    let counters = &model.view.counters;
    let refused: u64 = model.rig.out_ports.iter().map(|port| port.refused).sum();
    let overflows: u64 = model.rig.in_ports.iter().map(|port| port.overflows).sum();
    let calm = [
        ("steps", counters.steps),
        ("swallowed", counters.swallowed),
        ("notes", counters.notes),
        ("unwanted", counters.unwanted),
        ("detours", counters.detours),
        ("primed", counters.primed),
        ("primes given up", counters.primes_abandoned),
    ];
    let grave = [
        ("harmed", counters.harmed),
        ("sent before loaded", counters.held_back_early),
        ("cue notes cut short", counters.cue_notes_cut),
        ("out of range", counters.notes_out_of_range),
        ("notes refused", counters.notes_refused),
        ("outbox refused", counters.out_refused),
        ("queue refused", refused),
        ("input overflows", overflows),
        ("keys lost", model.ui.keys_lost),
        ("loops broken", counters.loops),
        ("faults", counters.faults),
    ];
    let mut out: Vec<Line> = vec![vec![(2, "COUNTERS".to_owned(), look.strong())]];
    let mut x = 15;
    // Counters of faults come first: a small terminal may cut the rest.
    let (bad, well): (Vec<_>, Vec<_>) = grave.into_iter().partition(|(_, count)| *count > 0);
    let bad = bad
        .into_iter()
        .map(|(name, count)| (name, count, look.bad()));
    let calm = calm
        .into_iter()
        .map(|(name, count)| (name, count, look.base()));
    let well = well
        .into_iter()
        .map(|(name, count)| (name, count, look.faint()));
    let all = bad.chain(calm).chain(well);
    for (name, count, style) in all {
        let words = format!("{name} {count}");
        if x + width(&words) > columns.saturating_sub(1) && x > 15 {
            out.push(Vec::new());
            x = 15;
        }
        let next = x + width(&words) + 3;
        if let Some(line) = out.last_mut() {
            line.push((x, words, style));
        }
        x = next;
    }
    out
}

/// Words for the technician.
fn remarks(model: &ScreenModel, look: &Look) -> Vec<Line> {
    let mut out: Vec<Line> = Vec::new();
    let mut say = |head: &str, words: &str, style: Style| {
        out.push(vec![
            (2, head.to_owned(), look.faint()),
            (15, words.to_owned(), style),
        ]);
    };
    if let Some(place) = model
        .present()
        .filter(|place| !place.scene.technician.is_empty())
    {
        say("technician", &place.scene.technician, look.strong());
    }
    out
}

/// Lines of the warnings that stand as long as their cause does.
fn warnings(model: &ScreenModel, look: &Look) -> Vec<Line> {
    let line = |words: &String| {
        vec![
            (2, "warning".to_owned(), look.faint()),
            (15, words.clone(), look.warning()),
        ]
    };
    model.rig.warnings.iter().map(line).collect()
}

/// How ready the next step is, and what a press would send now: the slowest port first.
fn next_step(model: &ScreenModel, look: &Look, columns: u16) -> Option<Line> {
    let next = &model.view.next;
    let line = model.sheet.positions.get(next.position?.index())?;
    let mut ports: Vec<_> = model
        .sheet
        .out_ports
        .iter()
        .zip(&next.ports)
        .filter(|(_, press)| press.bytes > 0)
        .collect();
    ports.sort_by_key(|(_, press)| std::cmp::Reverse((press.us, press.bytes)));
    let mut words = format!("{}: {} of {} ready", line.call, next.ready, next.sounds);
    if ports.is_empty() {
        words.push_str(", press sends nothing");
    }
    for (at, (port, press)) in ports.into_iter().enumerate() {
        let head = if at == 0 { "press sends " } else { "" };
        let time = if press.us > 0 {
            format!(" in {:.1} ms", f64::from(press.us) / 1e3)
        } else {
            String::new()
        };
        let more = format!(
            ", {head}{} B{time} to {}",
            press.bytes,
            sanitise(&port.name)
        );
        if 15 + width(&words) + width(&more) > columns.saturating_sub(1) {
            break;
        }
        words.push_str(&more);
    }
    Some(vec![
        (2, "next".to_owned(), look.faint()),
        (15, words, look.base()),
    ])
}

/// How long after a press the next scene can be played in full, if not at once, and whether a
/// note that comes with it is held back long enough.
fn ready_after(model: &ScreenModel, look: &Look) -> Option<Line> {
    let next = &model.view.next;
    next.position.filter(|_| next.ready_us > 0)?;
    let ms = |us: u32| f64::from(us) / 1e3;
    let mut words = format!("{:.1} ms", ms(next.ready_us));
    if next.early_us > 0 {
        let early = format!(
            "; a first note sounds {:.1} ms before its patch",
            ms(next.early_us)
        );
        words.push_str(&early);
    }
    Some(vec![
        (2, "ready after".to_owned(), look.faint()),
        (15, words, look.base()),
    ])
}

/// Positions after the present one whose remarks are shown; those further on are counted.
const REMARKS_AHEAD: usize = 2;

/// Remarks of the plan about the present position and the next ones.
fn plan_remarks(model: &ScreenModel, look: &Look, columns: u16) -> Vec<Line> {
    let line = |head: &str, words: String, style: Style| {
        vec![(2, head.to_owned(), look.faint()), (15, words, style)]
    };
    let present = model.view.position.index();
    let last = present.saturating_add(REMARKS_AHEAD);
    let remarks = &model.sheet.remarks;
    let mut out: Vec<Line> = Vec::new();
    let near = remarks
        .iter()
        .filter(|remark| (present..=last).contains(&remark.position));
    for remark in near {
        let pieces = wrap(&remark.words, columns.saturating_sub(16).max(1), 2);
        for (piece, head) in pieces.into_iter().zip(["plan", ""]) {
            out.push(line(head, piece, look.base()));
        }
    }
    let later = remarks.iter().filter(|remark| remark.position > last);
    match later.count() {
        0 => {}
        count => {
            let more = if out.is_empty() {
                format!("nothing here, {} further on", remarks_words(count))
            } else {
                format!("and {count} further on")
            };
            out.push(line("plan", more, look.faint()));
        }
    }
    out
}

fn remarks_words(count: usize) -> String {
    match count {
        1 => "1 remark".to_owned(),
        more => format!("{more} remarks"),
    }
}

/// Whether a log line passes a filter: it contains the text, has the level that the filter
/// names, or its time begins with it.
#[must_use]
pub fn passes(filter: &str, line: &LogLine) -> bool {
    let wanted = filter.trim().to_lowercase();
    let word = match line.level {
        LogLevel::Note => "",
        LogLevel::Warning => "warning",
        LogLevel::Error => "error",
    };
    wanted == word || line.words.to_lowercase().contains(&wanted) || line.time.starts_with(&wanted)
}

fn render_log(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let x = put(buf, area, (2, 0), "LOG", look.strong());
    let lines: Vec<&LogLine> = model
        .log
        .iter()
        .filter(|line| passes(&model.ui.log_filter, line))
        .collect();
    let mut x = x;
    if !model.ui.log_filter.is_empty() {
        let (shown, all) = (lines.len(), model.log.len());
        let words = format!("{shown} of {all} lines, with \"{}\"", model.ui.log_filter);
        x = put(buf, area, (x + 2, 0), &words, look.notice());
    }
    let scroll = model.ui.log_scroll.min(lines.len());
    if scroll > 0 {
        put(
            buf,
            area,
            (x + 2, 0),
            &format!("{scroll} newer below"),
            look.notice(),
        );
    }
    let area = rows(area, 1, area.height);
    let end = lines.len() - scroll;
    let columns = area.width.saturating_sub(24);
    let mut rows_shown: Vec<(String, &'static str, String, Style)> = Vec::new();
    for line in lines.get(..end).unwrap_or(&[]).iter().rev() {
        if rows_shown.len() >= usize::from(area.height) {
            break;
        }
        let (word, style) = match line.level {
            LogLevel::Note => ("", look.base()),
            LogLevel::Warning => ("warning", look.warning()),
            LogLevel::Error => ("error", look.bad()),
        };
        // Lines are drawn from the bottom up: the last piece of a long line first.
        let pieces = wrap(&line.words, columns, 3);
        for (index, piece) in pieces.iter().enumerate().rev() {
            let (time, word) = if index == 0 {
                (line.time.clone(), word)
            } else {
                (String::new(), "")
            };
            rows_shown.push((time, word, piece.clone(), style));
        }
    }
    rows_shown.truncate(usize::from(area.height));
    for (y, (time, word, words, style)) in (0u16..).zip(rows_shown.iter().rev()) {
        let line = vec![
            (2, time.clone(), look.faint()),
            (15, (*word).to_owned(), *style),
            (24, words.clone(), *style),
        ];
        draw(buf, row(area, y), &line);
    }
}
