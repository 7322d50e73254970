//! Keys of one's own: a file of lines `COMMAND: KEY KEY`, laid over the table.
//!
//! ```text
//! # keys of the pedal that types letters
//! step: Space PageDown b
//! panic: F10 !
//! ```
//! A key that the file gives to a command is taken from whoever had it. A command that is
//! left without keys is reached by the command line, whose own key cannot be taken away.

use super::keys::{Keys, UiCommand, UiKey};
use crossterm::event::{KeyCode, KeyModifiers};

/// The table's keys with those of a file over them; and what could not be used, in words.
#[must_use]
pub fn remap(text: &str) -> (Keys, Vec<String>) {
    let mut keys = Keys::default();
    let mut refused = Vec::new();
    let mut given: Vec<(UiKey, String)> = Vec::new();
    for (number, line) in (1..).zip(text.lines()) {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        if let Err(words) = apply(line, &mut keys, &mut given) {
            refused.push(format!("line {number}: {words}"));
        }
    }
    (keys, refused)
}

fn apply(line: &str, keys: &mut Keys, given: &mut Vec<(UiKey, String)>) -> Result<(), String> {
    let (name, rest) = line
        .split_once(':')
        .ok_or("no `:` after the name of a command")?;
    let name = name.trim();
    let command = keys
        .rows()
        .find(|row| row.name == name)
        .map(|row| row.command)
        .ok_or_else(|| format!("no command `{name}`; `segue keys` lists them"))?;
    let mut wanted = Vec::new();
    for word in rest.split_whitespace() {
        let key =
            parse(word).ok_or_else(|| format!("no key `{word}`; names are as in the help"))?;
        if let Some((_, other)) = given.iter().find(|(known, _)| *known == key) {
            return Err(format!("{word} is given to `{other}` already"));
        }
        let opens_line = |row: &super::keys::KeyRow| row.command == UiCommand::Line;
        if command != UiCommand::Line && keys.has(key, opens_line) {
            return Err(format!(
                "{word} opens the command line, by which all else is reached"
            ));
        }
        wanted.push(key);
    }
    if wanted.is_empty() && command == UiCommand::Line {
        return Err("the command line needs a key: all else is reached by it".into());
    }
    given.extend(wanted.iter().map(|key| (*key, name.to_owned())));
    keys.give(name, &wanted);
    Ok(())
}

/// A key by the name that the help prints.
#[must_use]
pub fn parse(text: &str) -> Option<UiKey> {
    let mut modifiers = KeyModifiers::NONE;
    let mut rest = text;
    for (word, modifier) in [
        ("Ctrl-", KeyModifiers::CONTROL),
        ("Alt-", KeyModifiers::ALT),
        ("Shift-", KeyModifiers::SHIFT),
    ] {
        if let Some(after) = rest.strip_prefix(word) {
            modifiers |= modifier;
            rest = after;
        }
    }
    let mut letters = rest.chars();
    let code = match (letters.next()?, letters.next()) {
        (c, None) if modifiers.is_empty() => KeyCode::Char(c),
        // Terminals report a small letter where a modifier is held.
        (c, None) => KeyCode::Char(c.to_ascii_lowercase()),
        _ => named(rest)?,
    };
    Some(UiKey { code, modifiers })
}

fn named(name: &str) -> Option<KeyCode> {
    if let Some(number) = name.strip_prefix('F').and_then(|n| n.parse::<u8>().ok()) {
        return (1..=24).contains(&number).then_some(KeyCode::F(number));
    }
    [
        ("Space", KeyCode::Char(' ')),
        ("Enter", KeyCode::Enter),
        ("Tab", KeyCode::Tab),
        ("Esc", KeyCode::Esc),
        ("Backspace", KeyCode::Backspace),
        ("Delete", KeyCode::Delete),
        ("Insert", KeyCode::Insert),
        ("Home", KeyCode::Home),
        ("End", KeyCode::End),
        ("PageUp", KeyCode::PageUp),
        ("PageDown", KeyCode::PageDown),
        ("Up", KeyCode::Up),
        ("Down", KeyCode::Down),
        ("Left", KeyCode::Left),
        ("Right", KeyCode::Right),
    ]
    .into_iter()
    .find_map(|(known, code)| (known == name).then_some(code))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::input::Command;
    use crate::screen::Screen;
    use crate::ui::table::TABLE;

    #[test]
    fn every_key_of_the_table_is_read_by_its_printed_name() {
        for key in TABLE.iter().flat_map(|row| row.keys) {
            assert_eq!(parse(&key.name()), Some(*key), "{}", key.name());
        }
        for word in ["", "Ctrl-", "F0", "F25", "Up-Down", "Spaces"] {
            assert_eq!(parse(word), None, "{word}");
        }
    }

    #[test]
    fn a_key_of_ones_own_is_taken_from_whoever_had_it() {
        let (keys, refused) = remap("# mine\n\npanic: F10 Space\nquit:\n");
        assert_eq!(refused, Vec::<String>::new());
        let command = |word| keys.lookup(parse(word).unwrap(), Screen::Stage);
        let panic = Some(UiCommand::Send(Command::Panic(None)));
        assert_eq!(command("F10").map(|row| row.command), panic);
        assert_eq!(command("Space").map(|row| row.command), panic);
        assert_eq!(command("!"), None);
        assert_eq!(command("q"), None);
        let step = Some(UiCommand::Send(Command::Step));
        assert_eq!(command("PageDown").map(|row| row.command), step);
    }

    #[test]
    fn what_cannot_be_used_is_said_with_its_line_and_the_rest_is_used() {
        let (keys, refused) =
            remap("panik: F10\npanic F10\nmute: Fn9\nstep: :\nback: F10\nresend: F10\n");
        assert_eq!(
            refused,
            [
                "line 1: no command `panik`; `segue keys` lists them",
                "line 2: no `:` after the name of a command",
                "line 3: no key `Fn9`; names are as in the help",
                "line 4: : opens the command line, by which all else is reached",
                "line 6: F10 is given to `back` already",
            ]
        );
        let back = keys.lookup(parse("F10").unwrap(), Screen::Order);
        assert_eq!(back.map(|row| row.name), Some("back"));
    }
}
