//! Where keys lie across the screen: one scale for all keyboards, so that a pitch stands in
//! one column wherever it is drawn.

use crate::sheet::Sheet;

/// Maps keys to columns: from the lowest to the highest key of all keyboards.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Scale {
    low: u8,
    keys: u16,
    /// Columns of all keys together.
    pub(super) columns: u16,
}

impl Scale {
    /// The scale on which all keyboards of `sheet` fit into `columns`.
    pub(super) fn of(sheet: &Sheet, columns: u16) -> Self {
        let ranges = || sheet.controllers.iter().filter_map(|line| line.keys);
        let low = ranges().map(|(low, _)| low).min().unwrap_or(0);
        let high = ranges().map(|(_, high)| high).max().unwrap_or(127).max(low);
        let keys = u16::from(high - low) + 1;
        // A whole number of columns a key where there is room, so that keys are even.
        let columns = if columns > keys {
            columns / keys * keys
        } else {
            columns
        };
        Self { low, keys, columns }
    }

    /// The first column of `key`; keys past an end lie on that end.
    fn start(&self, key: u16) -> u16 {
        let offset = key.saturating_sub(u16::from(self.low)).min(self.keys);
        let column = u32::from(offset) * u32::from(self.columns) / u32::from(self.keys.max(1));
        u16::try_from(column).unwrap_or(self.columns)
    }

    /// First column and number of columns of the keys `low` to `high`.
    pub(super) fn span(&self, (low, high): (u8, u8)) -> (u16, u16) {
        let start = self
            .start(u16::from(low))
            .min(self.columns.saturating_sub(1));
        let end = self.start(u16::from(high).saturating_add(1));
        (start, end.saturating_sub(start).max(1))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::ControllerLine;

    fn sheet(ranges: &[(u8, u8)]) -> Sheet {
        let controllers = ranges.iter().map(|keys| ControllerLine {
            keys: Some(*keys),
            ..ControllerLine::default()
        });
        Sheet {
            controllers: controllers.collect(),
            ..Sheet::default()
        }
    }

    // Key ranges: 88 keys are A0 to C8 (21 to 108), 61 are C2 to C7 (36 to 96).
    #[test]
    fn every_key_has_its_own_columns_where_there_is_room() {
        let scale = Scale::of(&sheet(&[(21, 108), (36, 96)]), 200);
        assert_eq!(scale.span((21, 21)), (0, 2));
        assert_eq!(scale.span((108, 108)), (174, 2));
        assert_eq!(scale.span((36, 96)), (30, 122));
        assert_eq!(
            scale.span((60, 71)).1,
            24,
            "an octave is twelve keys wide anywhere"
        );
    }

    #[test]
    fn neighbouring_zones_touch_and_never_overlap() {
        for columns in 1..260 {
            let scale = Scale::of(&sheet(&[(21, 108)]), columns);
            for split in 22..=108u8 {
                let (start, count) = scale.span((21, split - 1));
                let (next, rest) = scale.span((split, 108));
                // One column at least for each: where keys share one, the zones do too.
                assert!(
                    start + count <= next.max(1),
                    "{columns} columns, split {split}"
                );
                assert!(next + rest <= columns.max(next + 1));
            }
        }
    }
}
