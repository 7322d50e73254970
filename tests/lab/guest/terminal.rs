//! A terminal that remembers its cells, so that a case can read the screen:
//! the program sends only the cells that change, and no text stands in its
//! bytes as a reader sees it.
//!
//! It knows the control sequences of ECMA-48 that place, clear and erase, and
//! the two private modes for the other screen (1049) and the cursor (25). Every
//! character is taken to be one cell wide.

/// The cells of a terminal.
pub struct Terminal {
    cells: Vec<Vec<char>>,
    row: usize,
    column: usize,
    state: State,
    utf8: Vec<u8>,
    on_other_screen: bool,
    cursor_hidden: bool,
}

enum State {
    Text,
    Escape,
    /// After `ESC (` and its kin: one more byte belongs to it.
    Charset,
    Control(String),
    /// A title or other string, up to BEL or `ESC \`.
    Words,
}

impl Terminal {
    /// An empty terminal.
    pub fn new(rows: usize, columns: usize) -> Self {
        Self {
            cells: vec![vec![' '; columns]; rows],
            row: 0,
            column: 0,
            state: State::Text,
            utf8: Vec::new(),
            on_other_screen: false,
            cursor_hidden: false,
        }
    }

    /// Takes what the program wrote.
    pub fn feed(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            match std::mem::replace(&mut self.state, State::Text) {
                State::Text => self.text(byte),
                State::Escape => {
                    self.state = match byte {
                        b'[' => State::Control(String::new()),
                        b']' | b'P' | b'_' | b'^' => State::Words,
                        b'(' | b')' | b'*' | b'+' => State::Charset,
                        _ => State::Text,
                    }
                }
                State::Charset => {}
                State::Control(parameters) => self.control(parameters, byte),
                State::Words => {
                    self.state = match byte {
                        0x07 => State::Text,
                        0x1b => State::Escape,
                        _ => State::Words,
                    }
                }
            }
        }
    }

    /// The rows as text.
    pub fn rows(&self) -> impl Iterator<Item = String> {
        self.cells
            .iter()
            .map(|row| row.iter().collect::<String>().trim_end().to_owned())
    }

    /// Whether one row has all the texts, in order.
    pub fn shows(&self, texts: &[String]) -> bool {
        self.rows().any(|row| {
            let mut rest = row.as_str();
            texts
                .iter()
                .all(|text| match rest.split_once(text.as_str()) {
                    Some((_, after)) => {
                        rest = after;
                        true
                    }
                    None => false,
                })
        })
    }

    /// Whether the program left the terminal as it found it.
    pub fn restored(&self) -> bool {
        !self.on_other_screen && !self.cursor_hidden
    }

    fn text(&mut self, byte: u8) {
        match byte {
            0x1b => self.state = State::Escape,
            b'\r' => self.column = 0,
            b'\n' => self.row += 1,
            0x08 => self.column = self.column.saturating_sub(1),
            0..=0x1f | 0x7f => {}
            _ => {
                self.utf8.push(byte);
                match std::str::from_utf8(&self.utf8).map(|text| text.chars().next()) {
                    Ok(Some(letter)) => {
                        self.utf8.clear();
                        self.put(letter);
                    }
                    Err(error) if error.error_len().is_some() => self.utf8.clear(),
                    _ => {}
                }
            }
        }
    }

    fn put(&mut self, letter: char) {
        if let Some(cell) = self
            .cells
            .get_mut(self.row)
            .and_then(|row| row.get_mut(self.column))
        {
            *cell = letter;
        }
        self.column += 1;
    }

    fn control(&mut self, mut parameters: String, byte: u8) {
        if !(0x40..=0x7e).contains(&byte) {
            parameters.push(char::from(byte));
            self.state = State::Control(parameters);
            return;
        }
        let numbers: Vec<usize> = parameters
            .split(';')
            .map(|number| number.parse().unwrap_or(0))
            .collect();
        let first = numbers.first().copied().unwrap_or(0);
        let steps = first.max(1);
        match byte {
            b'H' | b'f' => {
                self.row = steps - 1;
                self.column = numbers.get(1).copied().unwrap_or(1).max(1) - 1;
            }
            b'A' => self.row = self.row.saturating_sub(steps),
            b'B' => self.row += steps,
            b'C' => self.column += steps,
            b'D' => self.column = self.column.saturating_sub(steps),
            b'G' => self.column = steps - 1,
            b'd' => self.row = steps - 1,
            b'J' => self.clear_screen(first),
            b'K' => self.clear_row(first),
            b'X' => self.blank(self.row, self.column, self.column + steps),
            b'h' | b'l' => self.set_mode(&parameters, byte == b'h'),
            _ => {}
        }
    }

    fn set_mode(&mut self, parameters: &str, on: bool) {
        match parameters {
            "?1049" => {
                self.on_other_screen = on;
                self.clear_screen(2);
            }
            "?25" => self.cursor_hidden = !on,
            _ => {}
        }
    }

    fn clear_screen(&mut self, part: usize) {
        let rows = match part {
            0 => self.row + 1..self.cells.len(),
            1 => 0..self.row,
            _ => 0..self.cells.len(),
        };
        for row in rows {
            self.blank(row, 0, usize::MAX);
        }
        if part < 2 {
            self.clear_row(part);
        }
    }

    fn clear_row(&mut self, part: usize) {
        match part {
            0 => self.blank(self.row, self.column, usize::MAX),
            1 => self.blank(self.row, 0, self.column + 1),
            _ => self.blank(self.row, 0, usize::MAX),
        }
    }

    fn blank(&mut self, row: usize, from: usize, to: usize) {
        let cells = self.cells.get_mut(row).into_iter().flatten();
        cells
            .skip(from)
            .take(to - from)
            .for_each(|cell| *cell = ' ');
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shown(bytes: &str) -> Vec<String> {
        let mut terminal = Terminal::new(3, 10);
        terminal.feed(bytes.as_bytes());
        terminal.rows().collect()
    }

    #[test]
    fn cells_are_placed_and_overwritten() {
        assert_eq!(
            shown("\x1b[2;3HVerse\x1b[0;1m\x1b[2;6Hge"),
            ["", "  Verge", ""]
        );
        assert_eq!(shown("é─x\r\nb"), ["é─x", "b", ""]);
    }

    #[test]
    fn clearing_clears_what_it_says() {
        assert_eq!(
            shown("one\r\ntwo\r\nthree\x1b[2;2H\x1b[J"),
            ["one", "t", ""]
        );
        assert_eq!(
            shown("abcdef\x1b[1;3H\x1b[2X\x1b[1;6H\x1b[K"),
            ["ab  e", "", ""]
        );
    }

    #[test]
    fn titles_and_character_sets_leave_no_cells() {
        assert_eq!(
            shown("\x1b]0;title\x07a\x1b]0;title\x1b\\b\x1b(Bc"),
            ["abc", "", ""]
        );
    }

    #[test]
    fn a_row_must_have_the_texts_in_order() {
        let mut terminal = Terminal::new(2, 20);
        terminal.feed(b"now Verse\r\nnext Chorus");
        let texts = |words: &[&str]| -> Vec<String> { words.iter().map(|&w| w.into()).collect() };
        assert!(terminal.shows(&texts(&["next", "Chorus"])));
        assert!(!terminal.shows(&texts(&["now", "Chorus"])));
        assert!(!terminal.shows(&texts(&["Chorus", "next"])));
    }

    #[test]
    fn a_program_that_leaves_the_other_screen_restores() {
        let mut terminal = Terminal::new(2, 20);
        terminal.feed(b"\x1b[?1049h\x1b[?25l");
        assert!(!terminal.restored());
        terminal.feed(b"\x1b[?1049l\x1b[?25h");
        assert!(terminal.restored());
    }
}
