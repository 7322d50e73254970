//! Changes of a show file that leave every other byte as it is.

use super::tree::token::TokenKind;
use super::tree::{Field, Kind, Node, Tree};

/// Puts an entry (`"name": value`) at the end of the map that `path` leads to, by names of
/// fields and keys of maps. Where the last name is missing, its field is made, with `first`
/// before the entry.
///
/// # Errors
/// If the text is not sound, or nothing is where the path leads; in words.
pub fn add_entry(text: &str, path: &[&str], first: &str, entry: &str) -> Result<String, String> {
    let tree = Tree::new(text);
    if !tree.is_sound() {
        return Err("the file cannot be read as it is now: mend it first".into());
    }
    let (last, way) = path.split_last().ok_or("a path has a name")?;
    let mut node = tree.root();
    for name in way {
        node = inner(node, name).ok_or_else(|| format!("there is no \"{name}\" in the file"))?;
    }
    let changed = match (inner(node, last), &node.kind) {
        (Some(map), _) => {
            let Kind::Map(entries) = &map.kind else {
                return Err(format!("\"{last}\" is no map in curly brackets"));
            };
            let ends = entries
                .iter()
                .map(|entry| (entry.key.span.start, entry.value.span.end));
            put(&tree, map, &ends.collect::<Vec<_>>(), entry)
        }
        (None, Kind::Struct { fields, .. }) => {
            let ends = fields
                .iter()
                .map(|field| (field.name.span.start, field.value.span.end));
            let piece = format!("{last}: {{{first}{entry}}}");
            put(&tree, node, &ends.collect::<Vec<_>>(), &piece)
        }
        (None, _) => return Err(format!("there is no place for \"{last}\"")),
    };
    let read = Tree::new(&changed);
    match read.problems().kept().first() {
        Some(problem) => Err(format!("it cannot be put in: {}", problem.message)),
        None => Ok(changed),
    }
}

/// The value of a field or of a map's key.
fn inner<'n>(node: &'n Node, name: &str) -> Option<&'n Node> {
    match &node.kind {
        Kind::Struct { fields, .. } => {
            let found = fields
                .iter()
                .find(|field: &&Field| field.name.name == name)?;
            Some(&found.value)
        }
        Kind::Map(entries) => {
            let is_it = |key: &Node| matches!(&key.kind, Kind::Text(text) if text == name);
            let found = entries.iter().find(|entry| is_it(&entry.key))?;
            Some(&found.value)
        }
        _ => None,
    }
}

/// Puts a piece before the closing bracket of `node`, after what is in it: `ends` are where
/// each thing begins and ends. A thing a line stays a thing a line, and a comment stays where it
/// is.
fn put(tree: &Tree, node: &Node, ends: &[(usize, usize)], piece: &str) -> String {
    let text = tree.text();
    let close = node.span.end.saturating_sub(1);
    let (Some((first, _)), Some((_, last))) = (ends.first(), ends.last()) else {
        return [&text[..close], piece, &text[close..]].concat();
    };
    let mut comma = ",";
    let mut has_line_comment = false;
    // The end of what is written before the bracket, blanks left out.
    let mut written = *last;
    for token in tree.tokens() {
        let span = token.span();
        if span.start < *last || span.end > close {
            continue;
        }
        match token.kind {
            TokenKind::Blank => continue,
            TokenKind::Comma => comma = "",
            TokenKind::LineComment => has_line_comment = true,
            _ => {}
        }
        written = span.end;
    }
    let line = text[..*first].rfind('\n').map_or(0, |at| at + 1);
    let indent = &text[line..*first];
    let is_line_each = indent.chars().all(char::is_whitespace) && line > node.span.start;
    let (gap, after) = if is_line_each {
        (format!("{}{indent}", line_end(text)), ",")
    } else if has_line_comment {
        (line_end(text).to_owned(), "")
    } else {
        (" ".to_owned(), "")
    };
    [
        &text[..*last],
        comma,
        &text[*last..written],
        &gap,
        piece,
        after,
        &text[written..],
    ]
    .concat()
}

fn line_end(text: &str) -> &'static str {
    if text.contains("\r\n") { "\r\n" } else { "\n" }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ENTRY: &str = "\"knob\": Control(74)";

    fn added(text: &str) -> String {
        let path = ["controllers", "keys", "sources"];
        let changed = add_entry(text, &path, "\"bend\": Bend, ", ENTRY).expect("a change");
        // All bytes of the old text are there in their order.
        let mut rest = changed.bytes();
        assert!(text.bytes().all(|byte| rest.any(|other| other == byte)));
        changed
    }

    #[test]
    fn an_entry_goes_on_in_the_manner_of_those_before_it() {
        for (before, after) in [
            ("{}", "{\"knob\": Control(74)}"),
            ("{\"a\": Bend}", "{\"a\": Bend, \"knob\": Control(74)}"),
            ("{\"a\": Bend, }", "{\"a\": Bend, \"knob\": Control(74) }"),
            (
                "{\n  \"a\": Bend, // up\n  \"b\": Control(1) // last\n  // end\n}",
                "{\n  \"a\": Bend, // up\n  \"b\": Control(1), // last\n  // end\n  \"knob\": Control(74),\n}",
            ),
            (
                "{\r\n\t\"a\": Bend,\r\n}",
                "{\r\n\t\"a\": Bend,\r\n\t\"knob\": Control(74),\r\n}",
            ),
            (
                "{\"a\": Bend, // up\n}",
                "{\"a\": Bend, // up\n\"knob\": Control(74)\n}",
            ),
        ] {
            let around = |sources: &str| {
                format!(
                    "(controllers: {{\"keys\": (port: \"p\", sources: {sources})}}) // \u{e9}\n"
                )
            };
            assert_eq!(added(&around(before)), around(after));
        }
    }

    #[test]
    fn a_field_that_is_missing_is_made_with_what_it_replaces() {
        let text = "(controllers: {\"keys\": (port: \"p\", keys: \"C2..C7\",)})";
        assert_eq!(
            added(text),
            "(controllers: {\"keys\": (port: \"p\", keys: \"C2..C7\", \
             sources: {\"bend\": Bend, \"knob\": Control(74)})})"
        );
    }

    #[test]
    fn what_cannot_be_done_is_said_and_nothing_changes() {
        let path = ["controllers", "keys", "sources"];
        let fails = |text: &str, entry: &str| add_entry(text, &path, "", entry).unwrap_err();
        assert!(fails("(controllers: {", ENTRY).contains("mend it first"));
        assert_eq!(
            fails("(ports: {})", ENTRY),
            "there is no \"controllers\" in the file"
        );
        assert!(fails("(controllers: {\"keys\": (sources: [])})", ENTRY).contains("no map"));
        let text = "(controllers: {\"keys\": (sources: {})})";
        assert!(fails(text, "\"knob: Bend").contains("cannot be put in"));
        let text = "(controllers: {\"keys\": (sources: {\"knob\": Bend})})";
        assert!(
            fails(text, ENTRY).contains("twice"),
            "{}",
            fails(text, ENTRY)
        );
    }
}
