//! The last row: what is being typed or asked, otherwise the commands at hand.

use super::ScreenModel;
use super::look::Look;
use super::state::{NoteMode, Prompt};
use super::text::{put, width};
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
        .map(|prompt| question(model, prompt))
    {
        buf.set_style(area, look.when());
        put(buf, area, (0, 0), &format!(" {words}"), look.when());
        return;
    }
    if !model.ui.said.is_empty() {
        put(buf, area, (2, 0), &model.ui.said, look.warning());
        return;
    }
    let x = notes(model).map_or(0, |words| put(buf, area, (2, 0), &words, look.warning()));
    commands(model, &look, x, area, buf);
}

fn question(model: &ScreenModel, prompt: &Prompt) -> String {
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
        Prompt::Filter(text) => {
            format!("log lines with: {text}_   Enter keeps it, empty shows all")
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
        } => {
            if refused.is_empty() {
                format!(":{text}_   {}", offers.join("  "))
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

/// How to go on while letters are notes; then where they lie and how their end is known.
fn notes(model: &ScreenModel) -> Option<String> {
    let NoteMode::On {
        controller,
        base,
        has_releases,
        length_ms,
    } = model.ui.notes
    else {
        return None;
    };
    let from = model.sheet.key_name(base);
    let end = if has_releases {
        "end as keys are let go".to_owned()
    } else {
        format!("last {length_ms} ms: this terminal reports no releases")
    };
    let name = model
        .sheet
        .controllers
        .get(controller)
        .map_or("?", |line| &line.name);
    let key = |command: &str| {
        let line = model.keys.iter().find(|line| line.name == command);
        line.and_then(|line| line.keys.first())
            .map_or("?", String::as_str)
    };
    let (next, off) = (key("notes"), key("close"));
    Some(format!(
        "{next} next, {off} off: letters play {name} from {from}, {end}"
    ))
}

fn commands(model: &ScreenModel, look: &Look, x: u16, area: Rect, buf: &mut Buffer) {
    let screen = model.ui.screen;
    let lines = model
        .keys
        .iter()
        .filter(|line| line.footer.contains(&screen) && line.screens.contains(&screen))
        // Letters are notes on the model rig and in rehearsal only.
        .filter(|line| line.name != "notes" || model.ui.may_play || !model.view.sends_cues);
    let mut x = x.saturating_add(2);
    // The way to all the others keeps its place at the end.
    let help = model.keys.iter().find(|line| line.name == "help");
    let help = help.and_then(|line| Some((line.keys.first()?, &line.name)));
    let reserved = help.map_or(0, |(key, name)| width(key) + width(name) + 3);
    let is_help = |line: &super::KeyLine| line.name == "help";
    for line in lines.filter(|line| !is_help(line)) {
        let Some(key) = line.keys.first() else {
            continue;
        };
        let needed = width(key)
            .saturating_add(width(&line.name))
            .saturating_add(1);
        if x.saturating_add(needed).saturating_add(reserved) > area.width {
            break;
        }
        x = put(buf, area, (x, 0), key, look.strong());
        x = put(buf, area, (x + 1, 0), &line.name, look.faint()) + 2;
    }
    if let Some((key, name)) = help.filter(|_| reserved + x <= area.width) {
        let x = put(buf, area, (x, 0), key, look.strong());
        put(buf, area, (x + 1, 0), name, look.faint());
    }
}
