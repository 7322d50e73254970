//! The help: every command by key, made from the one key table, and the marks explained.
//!
//! ```text
//!   HELP  NOW 3.2 Strings over bass                       Esc or ? closes
//!   Space, PageDown, Right     to the next scene
//!   /                          find a scene by typing              running order
//!   MARKS
//!   ┣━ ━┫  a zone of the current scene     █  a sounding key
//!   0 lines above, 46 below: Down and Up scroll
//! ```

use super::look::Look;
use super::notice::{notice_piece, short_notice};
use super::pieces::{Piece, put_pieces};
use super::prompt;
use super::state::{NoteMode, Screen};
use super::text::{put, put_right, row, rows};
use super::{KeyLine, ScreenModel};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use ratatui::style::Style;

/// Draws the help into `area`.
pub fn render(model: &ScreenModel, area: Rect, buf: &mut Buffer) {
    let area = area.intersection(buf.area);
    if area.is_empty() {
        return;
    }
    let look = Look::new(model.ui.settings);
    buf.set_style(area, look.base());
    let foot = area.height.saturating_sub(1).min(1);
    let body = rows(area, 2, area.height.saturating_sub(2 + foot));
    let lines = lines(model, &look);
    let hidden = render_lines(&lines, model.ui.help_scroll, body, buf);
    render_head(model, &look, row(area, 0), buf);
    let foot = rows(area, area.height - foot, foot);
    let is_taken = model.ui.prompt.is_some() || !model.ui.said.is_empty();
    let (above, below) = hidden;
    if above + below > 0 && !is_taken && model.ui.notes == NoteMode::Off {
        let words = format!("{above} lines above, {below} below: Down and Up scroll");
        put(buf, foot, (2, 0), &words, look.warning());
        return;
    }
    // The foot shows only prompts and keyboard notes, because the commands are listed above.
    prompt::render(model, foot, buf);
}

/// Where the show is and what must be seen now: steps, rescue and the switches of the whole rig
/// work while the help is open.
fn render_head(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) {
    let mut left = vec![Piece::new(4, "HELP", look.strong())];
    if let Some(place) = model.present() {
        let call = format!("NOW {}", place.position.call);
        let words = format!("{call} {}", place.scene.name);
        left.push(Piece::new(5, &words, look.now()).or(1, &call, look.now()));
        if place.song.pages.len() > 1 {
            let page = format!("page {}", model.view.page.saturating_add(1));
            left.push(Piece::new(3, &page, look.base()));
        }
    }
    if !model.view.sends_cues {
        left.push(Piece::new(2, "REHEARSAL", look.warning()));
    }
    let notice = short_notice(model);
    left.extend(notice.map(|words| notice_piece(&words, 7, look)));
    let right = Piece::new(6, "Esc or ? closes ", look.faint());
    put_pieces(buf, area, 2, (left, vec![right]));
}

/// A line of the help: keys or mark, words, and where it works.
struct HelpLine {
    left: String,
    words: String,
    place: String,
    style: Style,
}

/// Columns of the keys, and of a whole line where two stand side by side.
const KEYS: u16 = 26;
const COLUMN: u16 = 98;

/// Draws what fits from line `scroll` on. Returns how many lines are hidden above and below.
fn render_lines(lines: &[HelpLine], scroll: usize, area: Rect, buf: &mut Buffer) -> (usize, usize) {
    let columns = (area.width / COLUMN).max(1);
    let width = area.width / columns;
    let height = usize::from(area.height);
    if height == 0 {
        return (0, lines.len());
    }
    let capacity = height * usize::from(columns);
    let first = scroll.min(lines.len().saturating_sub(capacity));
    for (index, line) in lines.iter().skip(first).take(capacity).enumerate() {
        let x = u16::try_from(index / height).unwrap_or(0) * width;
        let y = u16::try_from(index % height).unwrap_or(0);
        let cell = Rect {
            x: area.x + x,
            width,
            ..row(area, y)
        };
        let keys = Rect {
            width: KEYS.min(width),
            ..cell
        };
        put(buf, keys, (2, 0), &line.left, line.style);
        let place = format!("{} ", line.place);
        let end = put_right(buf, cell, 0, &place, line.style);
        put(
            buf,
            Rect { width: end, ..cell },
            (KEYS + 1, 0),
            &line.words,
            line.style,
        );
    }
    (first, lines.len().saturating_sub(first + capacity))
}

fn lines(model: &ScreenModel, look: &Look) -> Vec<HelpLine> {
    // The commands of the screen on which help was opened come first.
    let screen = model.ui.screen;
    let is_of_it =
        |line: &&KeyLine| line.footer.contains(&screen) || line.screens.as_slice() == [screen];
    let (own, others): (Vec<&KeyLine>, Vec<&KeyLine>) = model.keys.iter().partition(is_of_it);
    let ordered = own.into_iter().chain(others);
    let mut out: Vec<HelpLine> = ordered.map(|line| command(line, look)).collect();
    let blank = || HelpLine {
        left: String::new(),
        words: String::new(),
        place: String::new(),
        style: look.base(),
    };
    out.push(blank());
    for (mark, words, style) in marks(look) {
        out.push(HelpLine {
            left: mark,
            words: words.to_owned(),
            style,
            ..blank()
        });
    }
    out
}

fn command(line: &KeyLine, look: &Look) -> HelpLine {
    let is_everywhere = Screen::ALL
        .iter()
        .all(|screen| line.screens.contains(screen));
    let names: Vec<&str> = line.screens.iter().map(|screen| screen.name()).collect();
    HelpLine {
        left: if line.keys.is_empty() {
            format!(":{}", line.name)
        } else {
            line.keys.join("  ")
        },
        words: line.words.clone(),
        place: if is_everywhere {
            String::new()
        } else {
            names.join(", ")
        },
        style: look.base(),
    }
}

fn marks(look: &Look) -> Vec<(String, &'static str, Style)> {
    let marks = &look.marks;
    let zone = |[left, line, right]: [&str; 3]| format!("{left}{line} a name {line}{right}");
    vec![
        (
            marks.now_bar.to_owned(),
            "beside what is played now",
            look.now(),
        ),
        (
            marks.next_bar.to_owned(),
            "beside what comes next",
            look.next(),
        ),
        (
            zone(marks.now),
            "a zone of the current scene",
            look.strong(),
        ),
        (zone(marks.next), "a zone of the next scene", look.base()),
        (
            marks.lit.to_owned(),
            "a key that sounds in this scene",
            look.lit(),
        ),
        (
            marks.held.to_owned(),
            "a key whose note is held over from a scene that was left",
            look.held(),
        ),
        (
            "|F#3".to_owned(),
            "a zone begins here, or the one below ends",
            look.strong(),
        ),
        (
            "Glass c.".to_owned(),
            "a name cut short ends in a full stop",
            look.base(),
        ),
    ]
}
