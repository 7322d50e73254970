//! A velocity curve as a plot in text: what is struck goes to the right, what is played up.
//!
//! ```text
//!   32 │        ⡠⠊
//!      │      ⡠⠊
//!      │    ⡠⠊
//!    0 │⠠⠤⠊
//!      └────────────────────────────────────────────────────────────────
//!       0               32              64              96           127
//! ```
//! A cell has 2 by 4 dots, so that 64 by 32 cells hold every velocity; a smaller plot holds
//! every second or fourth.

/// The rows of the plot: 32 with the curve, an axis and its numbers.
///
/// `table` is what each velocity becomes; outside `window` (1–127, both ends in it) nothing is
/// played and nothing is drawn. With `is_ascii` a cell that the curve goes through is a star.
#[must_use]
pub fn plot(table: &[u8; 128], window: (u8, u8), is_ascii: bool) -> Vec<String> {
    let whole = Plot {
        columns: 64,
        rows: 32,
    };
    whole.drawn(table, window, is_ascii)
}

/// The size of a plot, in cells: halves of 64 columns and quarters of 32 rows, or all of them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Plot {
    pub(super) columns: usize,
    pub(super) rows: usize,
}

impl Plot {
    /// Columns before the curve: a number and the vertical axis.
    pub(super) const fn left(self) -> usize {
        6
    }

    /// Columns of the whole plot, its scale included.
    pub(super) const fn width(self) -> usize {
        self.left() + self.columns
    }

    /// The column and row, within the curve, of a velocity that becomes `out`.
    pub(super) fn cell(self, velocity: u8, out: u8) -> (usize, usize) {
        let (x, down) = self.dot(usize::from(velocity), usize::from(out));
        (x / 2, down / 4)
    }

    /// As `cell`, in dots.
    fn dot(self, velocity: usize, out: usize) -> (usize, usize) {
        let down = 127 - out.min(127);
        (
            velocity * 2 * self.columns / 128,
            down * 4 * self.rows / 128,
        )
    }

    /// The rows with the curve, an axis and its numbers; see [`plot`].
    pub(super) fn drawn(self, table: &[u8], window: (u8, u8), is_ascii: bool) -> Vec<String> {
        let [upright, corner, flat] = if is_ascii {
            ['|', '+', '-']
        } else {
            ['│', '└', '─']
        };
        let mut rows = Vec::new();
        let step = 128 / self.rows;
        for (y, row) in self.cells(table, window).iter().enumerate() {
            // The lowest of the velocities that a row of cells stands for.
            let lowest = step * (self.rows - 1 - y);
            let label = match lowest {
                _ if y == 0 => "127".to_owned(),
                lowest if lowest % 32 == 0 => lowest.to_string(),
                _ => String::new(),
            };
            let drawn: String = row.iter().map(|dots| letter(*dots, is_ascii)).collect();
            rows.push(format!("{label:>4} {upright}{}", drawn.trim_end()));
        }
        let axis: String = std::iter::repeat_n(flat, self.columns).collect();
        rows.push(format!("     {corner}{axis}"));
        let numbers = ["0", "32", "64", "96"];
        let mut numbers: String = numbers
            .iter()
            .map(|number| format!("{number:<0$}", self.columns / 4))
            .collect();
        numbers.truncate(self.columns - 3);
        rows.push(format!("      {numbers}127"));
        rows
    }

    /// The dots of each cell, from the top.
    fn cells(self, table: &[u8], window: (u8, u8)) -> Vec<Vec<u8>> {
        let mut cells = vec![vec![0; self.columns]; self.rows];
        let mut before = None;
        for velocity in window.0.max(1)..=window.1.min(127) {
            let at = usize::from(velocity);
            let Some(out) = table.get(at).map(|out| usize::from((*out).min(127))) else {
                continue;
            };
            // Where the curve jumps, a vertical line joins both ends.
            let from = before.map_or(out, |before: usize| match before.cmp(&out) {
                std::cmp::Ordering::Less => before + 1,
                std::cmp::Ordering::Equal => out,
                std::cmp::Ordering::Greater => before - 1,
            });
            for height in from.min(out)..=from.max(out) {
                let (x, down) = self.dot(at, height);
                let cell = cells.get_mut(down / 4).and_then(|row| row.get_mut(x / 2));
                if let (Some(cell), Some(dot)) = (cell, DOTS.get(down % 4)) {
                    *cell |= dot[x % 2];
                }
            }
            before = Some(out);
        }
        cells
    }
}

fn letter(dots: u8, is_ascii: bool) -> char {
    match (dots, is_ascii) {
        (0, _) => ' ',
        (_, true) => '*',
        (dots, false) => char::from_u32(BRAILLE + u32::from(dots)).unwrap_or(' '),
    }
}

/// The pattern without dots (Unicode, Braille Patterns, U+2800 to U+28FF).
const BRAILLE: u32 = 0x2800;

/// The bit of each dot in its pattern, by row and column: dots 1 to 3 and 4 to 6 go down the
/// columns, 7 and 8 stand below them (the same chart).
const DOTS: [[u8; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];

#[cfg(test)]
mod tests {
    use super::*;

    fn table(curve: impl Fn(u8) -> u8) -> [u8; 128] {
        std::array::from_fn(|velocity| curve(velocity as u8))
    }

    /// The highest and lowest dot in each column of the drawn rows, read back from their
    /// characters by the chart alone.
    fn read_back(rows: &[String]) -> Vec<Option<(usize, usize)>> {
        let mut columns: Vec<Option<(usize, usize)>> = vec![None; 128];
        for (y, row) in rows.iter().take(32).enumerate() {
            for (x, letter) in row.chars().skip(6).enumerate() {
                let Some(bits) = u32::from(letter).checked_sub(0x2800) else {
                    continue;
                };
                for (bit, column, down) in [
                    (0x01, 0, 0),
                    (0x02, 0, 1),
                    (0x04, 0, 2),
                    (0x40, 0, 3),
                    (0x08, 1, 0),
                    (0x10, 1, 1),
                    (0x20, 1, 2),
                    (0x80, 1, 3),
                ] {
                    if bits & bit == 0 {
                        continue;
                    }
                    let height = 127 - (4 * y + down);
                    let seen = &mut columns[2 * x + column];
                    *seen = Some(seen.map_or((height, height), |(low, high)| {
                        (low.min(height), high.max(height))
                    }));
                }
            }
        }
        columns
    }

    #[test]
    fn every_velocity_is_where_it_is_played() {
        let bent = table(|v| ((u32::from(v) * u32::from(v)) / 127) as u8);
        let columns = read_back(&plot(&bent, (1, 127), false));
        assert_eq!(columns[0], None, "velocity 0 is no note");
        for velocity in 1..128 {
            let (low, high) = columns[velocity].expect("a dot");
            let out = usize::from(bent[velocity]);
            // A rising curve comes up to where it is from the one before.
            assert_eq!(high, out, "{velocity}");
            assert!(velocity == 1 || low <= usize::from(bent[velocity - 1]) + 1);
        }
    }

    #[test]
    fn outside_its_window_a_zone_is_not_drawn() {
        let columns = read_back(&plot(&table(|v| v), (40, 80), false));
        let drawn: Vec<usize> = (0..128).filter(|at| columns[*at].is_some()).collect();
        assert_eq!(drawn, (40..=80).collect::<Vec<_>>());
    }

    #[test]
    fn ascii_rows_hold_nothing_else_and_fit() {
        let rows = plot(&table(|v| 127 - v), (1, 127), true);
        assert_eq!(rows.len(), 34);
        assert!(rows.iter().all(|row| row.is_ascii() && row.len() <= 70));
        assert_eq!(rows[0], " 127 |**");
        assert_eq!(rows[31], format!("   0 |{}**", " ".repeat(62)));
        let numbers = "      0               32              64              96           127";
        assert_eq!(rows[33], numbers);
    }
}
