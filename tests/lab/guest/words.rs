//! Case files cut into words, and words read as numbers, bytes and times.

use std::time::Duration;

/// Lines cut into words, with the lines of a `<<` block joined to their first.
pub fn instructions(text: &str) -> Result<Vec<(usize, Vec<String>)>, String> {
    let mut out: Vec<(usize, Vec<String>)> = Vec::new();
    let mut in_block = false;
    for (at, line) in text.lines().enumerate() {
        let mut words = cut(line).map_err(|error| format!("line {}: {error}", at + 1))?;
        let closes = words == [">>"];
        let opens = words.last().is_some_and(|word| word == "<<");
        match (in_block, out.last_mut()) {
            (true, _) if closes => in_block = false,
            (true, Some((_, block))) => block.append(&mut words),
            _ => {
                if opens {
                    words.pop();
                    in_block = true;
                }
                if !words.is_empty() {
                    out.push((at + 1, words));
                }
            }
        }
    }
    if in_block {
        Err("a `<<` is not closed".into())
    } else {
        Ok(out)
    }
}

/// A line as words, without its comment.
fn cut(line: &str) -> Result<Vec<String>, String> {
    let mut words = Vec::new();
    let mut letters = line.chars().peekable();
    while let Some(&letter) = letters.peek() {
        match letter {
            '#' => break,
            '"' => {
                letters.next();
                words.push(quoted(&mut letters)?);
            }
            _ if letter.is_whitespace() => {
                letters.next();
            }
            _ => {
                let mut word = String::new();
                while let Some(letter) = letters.next_if(|letter| !letter.is_whitespace()) {
                    word.push(letter);
                }
                words.push(word);
            }
        }
    }
    Ok(words)
}

fn quoted(letters: &mut impl Iterator<Item = char>) -> Result<String, String> {
    let mut word = String::new();
    loop {
        match letters.next().ok_or("a quote is not closed")? {
            '"' => return Ok(word),
            '\\' => word.push(match letters.next() {
                Some('e') => '\x1b',
                Some('r') => '\r',
                Some(letter @ ('"' | '\\')) => letter,
                _ => return Err("after a backslash comes e, r, a quote or a backslash".into()),
            }),
            letter => word.push(letter),
        }
    }
}

/// Two hexadecimal digits.
pub fn byte(word: &str) -> Result<u8, String> {
    let digits = word.len() == 2 && word.bytes().all(|digit| digit.is_ascii_hexdigit());
    let value = u8::from_str_radix(word, 16).ok().filter(|_| digits);
    value.ok_or_else(|| format!("`{word}` is not a byte in hexadecimal"))
}

/// A number of up to four hexadecimal digits.
pub fn hex_number(word: &str) -> Result<u16, String> {
    u16::from_str_radix(word, 16).map_err(|_| format!("`{word}` is not a hexadecimal number"))
}

/// A decimal number.
pub fn number(word: &str) -> Result<usize, String> {
    word.parse()
        .map_err(|_| format!("`{word}` is not a number"))
}

/// A time such as `200ms` or `2s`.
pub fn time(word: &str) -> Result<Duration, String> {
    let fault = || format!("`{word}` is not a time like 200ms or 2s");
    let (digits, unit_ms) = match word.strip_suffix("ms") {
        Some(digits) => (digits, 1),
        None => (word.strip_suffix('s').ok_or_else(fault)?, 1000),
    };
    let count: u64 = digits.parse().map_err(|_| fault())?;
    Ok(Duration::from_millis(count * unit_ms))
}
