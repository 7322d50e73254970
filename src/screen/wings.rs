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
use super::notice::notice;
use super::prompt;
use super::status::LogLevel;
use super::text::{indent, put, put_right, row, rows, sanitise, width, wrap};
use super::wings_ports::{Line, draw, in_ports, out_ports, receivers, slots};
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
    if area.width >= 150 {
        let left = Rect { width: 100, ..body };
        let right = indent(body, 102);
        for y in 0..right.height {
            put(buf, right, (0, y), look.marks.fence, look.faint());
        }
        render_column(&slots(model, &look), indent(right, 1), buf);
        let mut top = out_ports(model, &look);
        top.extend(in_ports(model, &look));
        render_rest(model, &look, &top, left, buf);
    } else {
        let mut top = out_ports(model, &look);
        let most_rows = if area.height < 30 { 2 } else { 4 };
        top.extend(receivers(model, &look, (area.width, most_rows)));
        top.extend(in_ports(model, &look));
        render_rest(model, &look, &top, body, buf);
    }
    prompt::render(model, rows(area, area.height - foot, foot), buf);
}

fn render_header(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let start = put_right(buf, area, 0, &format!("{} ", model.clock()), look.faint());
    let area = Rect {
        width: start,
        ..area
    };
    let x = put(buf, area, (2, 0), "WINGS", look.strong());
    let mut x = put(buf, area, (x + 2, 0), &model.rig.mode, look.base());
    if let Some(place) = model.present() {
        let words = format!("{} {}", place.position.call, place.scene.name);
        x = put(buf, area, (x + 3, 0), &words, look.now());
    }
    if let Some(words) = notice(model) {
        put(buf, area, (x + 3, 0), &format!(" {words} "), look.notice());
        return;
    }
    let (words, style) = match model.rig.is_realtime {
        Some(true) => ("real-time priority", look.good()),
        Some(false) => ("no real-time priority", look.warning()),
        None => ("priority not known", look.faint()),
    };
    put(buf, area, (x + 3, 0), words, style);
}

/// Rows that the log keeps however much stands above it.
const LOG_ROWS: u16 = 4;

/// What is given, then the counters, what the technician should know, and the log.
fn render_rest(model: &ScreenModel, look: &Look, top: &[Line], area: Rect, buf: &mut Buffer) {
    let mut lines: Vec<Line> = top.to_vec();
    lines.extend(remarks(model, look));
    lines.extend(next_step(model, look, area.width));
    lines.extend(counters(model, look, area.width));
    lines.extend(plan_remarks(model, look, area.width));
    let wanted = u16::try_from(lines.len()).unwrap_or(u16::MAX);
    let rows_above = wanted.min(area.height.saturating_sub(LOG_ROWS));
    render_column(&lines, rows(area, 0, rows_above), buf);
    render_log(model, look, rows(area, rows_above, area.height), buf);
}

/// Lines from the top; the last row says how many did not fit.
fn render_column(lines: &[Line], area: Rect, buf: &mut Buffer) {
    let height = usize::from(area.height);
    for (y, line) in (0..area.height).zip(lines) {
        draw(buf, row(area, y), line);
    }
    if lines.len() > height && area.height > 0 {
        let words = format!(" +{} rows ", lines.len() - height);
        let style = lines
            .first()
            .and_then(|line| line.first())
            .map_or_else(Style::new, |p| p.2);
        put_right(buf, row(area, area.height - 1), 0, &words, style);
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
    // What went wrong comes first: a small terminal may cut the rest.
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

/// Words for the technician and standing warnings.
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
    for words in &model.rig.warnings {
        say("warning", words, look.warning());
    }
    out
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

/// Positions after the present one whose remarks are shown; those further on are counted.
const REMARKS_AHEAD: usize = 2;

/// What the plan remarks on the present position and the next ones.
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
        count => out.push(line(
            "plan",
            format!("and {count} further on"),
            look.faint(),
        )),
    }
    out
}

fn render_log(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let x = put(buf, area, (2, 0), "LOG", look.strong());
    let scroll = model.ui.log_scroll.min(model.log.len());
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
    let end = model.log.len() - scroll;
    let columns = area.width.saturating_sub(24);
    let mut rows_shown: Vec<(String, &'static str, String, Style)> = Vec::new();
    for line in model.log.get(..end).unwrap_or(&[]).iter().rev() {
        if rows_shown.len() >= usize::from(area.height) {
            break;
        }
        let (word, style) = match line.level {
            LogLevel::Note => ("", look.base()),
            LogLevel::Warning => ("warning", look.warning()),
            LogLevel::Error => ("error", look.bad()),
        };
        // Built from the bottom up: the last piece of a long line first.
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
