//! The last row: what is being typed or asked, otherwise the commands at hand.

use super::look::Look;
use super::pieces::{Piece, put_pieces};
use super::state::{NOTE_ROWS, NoteMode, Prompt};
use super::text::{cut, put, rows, width};
use super::{KeyLine, ScreenModel};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;

/// Draws the prompt, or the commands at hand, into the first row of `area`.
pub(super) fn render(model: &ScreenModel, area: Rect, buf: &mut Buffer) {
    let look = Look::new(model.ui.settings);
    if area.is_empty() {
        return;
    }
    if let Some(words) = model
        .ui
        .prompt
        .as_ref()
        .map(|prompt| question(model, prompt, area.width))
    {
        buf.set_style(area, look.when());
        put(buf, area, (0, 0), &format!(" {words}"), look.when());
        return;
    }
    if !model.ui.asked.is_empty() {
        put(
            buf,
            area,
            (2, 0),
            &format!(" {} ", model.ui.asked),
            look.notice(),
        );
        return;
    }
    if !model.ui.said.is_empty() {
        put(buf, area, (2, 0), &model.ui.said, look.warning());
        return;
    }
    let x = match model.ui.notes {
        NoteMode::On { .. } => notes(model, &look, area, buf),
        NoteMode::Off => 0,
    };
    if !model.ui.is_help {
        commands(model, &look, x, area, buf);
    }
}

fn question(model: &ScreenModel, prompt: &Prompt, columns: u16) -> String {
    match prompt {
        Prompt::Find(text) => format!("find: {text}_   Enter keeps the cursor here, Esc leaves it"),
        Prompt::Jump(text) => {
            let target = super::state::find_place(model.sheet, text, model.view.position.index());
            match target {
                Some(to) => format!(
                    "jump to: {text}_   {}   Enter jumps, Esc leaves it",
                    name(model, to)
                ),
                None if text.is_empty() => {
                    "jump to: _   a call number, a name or SONG/SCENE; Esc leaves it".to_owned()
                }
                None => format!("jump to: {text}_   no such scene tonight; Esc leaves it"),
            }
        }
        Prompt::Filter { text, before } => {
            let old = match text.is_empty() && !before.is_empty() {
                true => format!("Up takes \"{before}\", "),
                false => String::new(),
            };
            format!("log lines with: {text}_   {old}Enter keeps it, empty shows all, Esc leaves it")
        }
        Prompt::Learn(text) => {
            format!("a name for it: {text}_   Enter writes it into the rig's file, Esc leaves it")
        }
        Prompt::Mark { call, text } => {
            format!(
                "mark {call} with: {text}_   Enter keeps it, empty takes it away, Esc leaves it"
            )
        }
        Prompt::Line {
            text,
            offers,
            refused,
            listed,
        } => {
            if refused.is_empty() && listed.is_some() {
                format!(":{text}_   Enter does it, Esc leaves it")
            } else if refused.is_empty() {
                format!(":{text}_   {}", offered(offers, width(text), columns))
            } else {
                format!(":{text}_   {refused}; Esc leaves it")
            }
        }
        Prompt::ConfirmJump(to) => {
            format!("jump to {}?   Enter jumps, Esc leaves it", name(model, *to))
        }
        Prompt::ConfirmQuit => {
            "leave the show? held notes are let go.   Enter leaves, Esc stays".to_owned()
        }
    }
}

fn name(model: &ScreenModel, position: usize) -> String {
    model.place(position).map_or_else(
        || "nothing".to_owned(),
        |place| format!("{} {}", place.position.call, place.scene.name),
    )
}

/// As many whole offers as fit behind `used` columns of text, and how many more there are.
fn offered(offers: &[String], used: u16, columns: u16) -> String {
    let more = |count: usize| match count {
        0 => String::new(),
        _ => format!("  +{count}, Tab lists them"),
    };
    let words = |count: usize| {
        let shown = offers.get(..count).unwrap_or_default().join("  ");
        format!("{shown}{}", more(offers.len() - count))
    };
    let is_short = |words: &String| width(words).saturating_add(used).saturating_add(6) <= columns;
    let all = Some(words(offers.len())).filter(is_short);
    let some = || (0..offers.len()).map(words).take_while(is_short).last();
    all.or_else(some).unwrap_or_default()
}

/// Draws the completions of a command line over the rows of `area` above its last: as many rows
/// as they need, at most half.
pub(super) fn render_offers(model: &ScreenModel, area: Rect, buf: &mut Buffer) {
    let Some(Prompt::Line {
        offers,
        listed: Some(first),
        ..
    }) = &model.ui.prompt
    else {
        return;
    };
    let look = Look::new(model.ui.settings);
    let offers = offers.get(*first..).unwrap_or_default();
    let wide = offers.iter().map(|offer| width(offer)).max().unwrap_or(0);
    let wide = wide.saturating_add(3).clamp(1, area.width.max(1));
    let columns = usize::from((area.width.saturating_sub(2) / wide).max(1));
    let most = usize::from(area.height / 2).saturating_sub(1);
    let high = offers.len().div_ceil(columns).min(most);
    let rows_taken = u16::try_from(high).unwrap_or(0).saturating_add(1);
    let top = area.height.saturating_sub(rows_taken.saturating_add(1));
    let area = rows(area, top, rows_taken.min(area.height.saturating_sub(1)));
    let blank = " ".repeat(usize::from(area.width));
    for y in 0..area.height {
        put(buf, area, (0, y), &blank, look.base());
    }
    let shown = (high * columns).min(offers.len());
    let head = match (offers.len() - shown, *first) {
        _ if offers.is_empty() => "nothing fits".to_owned(),
        (0, 0) => "Tab completes".to_owned(),
        (0, before) => format!("{before} before these: Tab goes back to the first"),
        (after, _) => format!("{after} more after these: Tab goes on"),
    };
    let rule = look.marks.rule.repeat(2);
    put(buf, area, (0, 0), &format!("{rule} {head} "), look.faint());
    // Offers run down the columns, as lists are read.
    for (at, offer) in offers.iter().take(shown).enumerate() {
        let at = (at / high.max(1), at % high.max(1));
        let (Ok(column), Ok(y)) = (u16::try_from(at.0), u16::try_from(at.1)) else {
            break;
        };
        let x = column.saturating_mul(wide).saturating_add(2);
        put(buf, area, (x, y + 1), offer, look.base());
    }
}

/// What the letters play and the keys that matter meanwhile: what is left out where there is
/// no room is the least needed by somebody whose letters command nothing.
fn notes(model: &ScreenModel, look: &Look, area: Rect, buf: &mut Buffer) -> u16 {
    let NoteMode::On {
        controller,
        base,
        has_releases,
        length_ms,
    } = model.ui.notes
    else {
        return 0;
    };
    let line = model.sheet.controllers.get(controller);
    let name = cut(line.map_or("?", |line| &line.name), LONGEST_NAME);
    let [lower, upper] = NOTE_ROWS;
    let from = |letter: char, base: u8| format!("{letter} {}", model.sheet.key_name(base));
    let each = match has_releases {
        true => String::new(),
        false => format!(", {:.1} s each", f64::from(length_ms) / 1000.0),
    };
    let rows = format!(
        "{}, {}{each}",
        from(lower, base),
        from(upper, base.saturating_add(12))
    );
    let ends = if has_releases {
        "notes end as keys are let go".to_owned()
    } else {
        format!("notes last {length_ms} ms: this terminal reports no releases")
    };
    let warning = look.warning();
    // Keys that are not letters are never notes.
    let key = |rank: u8, command: &str, words: &str| {
        let line = model.keys.iter().find(|line| line.name == command);
        let keys = line.map_or(&[][..], |line| &line.keys);
        let named = keys.iter().find(|key| key.chars().count() > 1);
        let key = named.or(keys.first())?;
        Some(Piece::key(rank, key, words, look))
    };
    let first = |command: &str| {
        let line = model.keys.iter().find(|line| line.name == command);
        line.and_then(|line| line.keys.first().cloned())
    };
    let octaves = [first("octave down"), first("octave up")];
    let octaves: Vec<String> = octaves.into_iter().flatten().collect();
    let mut pieces = vec![
        Piece::new(8, &format!("letters play {name}: {rows}"), warning).or(
            0,
            &format!("{name}: {rows}"),
            warning,
        ),
        Piece::key(5, &octaves.join(" "), "octave", look),
    ];
    pieces.extend(key(2, "panic", "panic"));
    pieces.extend(first("notes").map(|key| Piece::key(4, &key, "next", look)));
    pieces.extend(key(3, "close", "off"));
    pieces.push(Piece::new(9, &ends, look.faint()));
    // The key of the help keeps its place at the end.
    let area = Rect {
        width: area.width.saturating_sub(help_width(model)),
        ..area
    };
    put_pieces(buf, area, 2, (pieces, Vec::new()))
}

/// Columns of a keyboard's name where letters play it.
const LONGEST_NAME: u16 = 12;

/// Columns of the help's key, with the blank before it.
fn help_width(model: &ScreenModel) -> u16 {
    let help = model.keys.iter().find(|line| line.name == "help");
    help.and_then(|line| Some(width(line.keys.first()?) + width(&line.name) + 3))
        .unwrap_or(0)
}

fn commands(model: &ScreenModel, look: &Look, x: u16, area: Rect, buf: &mut Buffer) {
    let screen = model.ui.screen;
    let are_notes = model.ui.notes != NoteMode::Off;
    let is_help = |line: &KeyLine| line.name == "help";
    let first = model.ui.footer.iter().filter_map(|(name, word)| {
        let line = model.keys.iter().find(|line| line.name == *name)?;
        Some((line, *word))
    });
    let is_first = |line: &KeyLine| model.ui.footer.iter().any(|(name, _)| line.name == *name);
    let others = model
        .keys
        .iter()
        .filter(|line| line.footer.contains(&screen) && line.screens.contains(&screen))
        // Letters are notes on the model rig and in rehearsal only.
        .filter(|line| line.name != "notes" || model.ui.may_play || !model.view.sends_cues)
        // While letters are notes, commands on letters are not shown.
        .filter(|line| !are_notes || line.keys.first().is_some_and(|key| width(key) > 1))
        .filter(|line| !is_first(line) && !is_help(line))
        .map(|line| (line, line.name.as_str()));
    let mut x = x.saturating_add(2);
    // The key of the help, which lists all the others, keeps its place at the end.
    let reserved = help_width(model);
    for (line, word) in first.chain(others) {
        let Some(key) = line.keys.first() else {
            continue;
        };
        let needed = width(key).saturating_add(width(word)).saturating_add(1);
        if x.saturating_add(needed).saturating_add(reserved) > area.width {
            break;
        }
        x = put(buf, area, (x, 0), key, look.strong());
        x = put(buf, area, (x + 1, 0), word, look.faint()) + 2;
    }
    let help = model.keys.iter().find(|line| is_help(line));
    let help = help.and_then(|line| Some((line.keys.first()?, &line.name)));
    if let Some((key, name)) = help.filter(|_| reserved + x <= area.width + 2) {
        let x = put(buf, area, (x, 0), key, look.strong());
        put(buf, area, (x + 1, 0), name, look.faint());
    }
}
