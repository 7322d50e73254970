//! How the rows of the stage are shared out.
//!
//! What must be seen comes first: where we are, what comes next, the lanes under the
//! fingers. Each further wish is granted while there are rows for it, in one fixed order,
//! so that a larger terminal always shows what a smaller one does.

use super::zone_map::{Extent, LARGE_ROWS, NARROW_ROWS};

/// What a scene could show, if there were rows for all of it.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Wishes {
    /// Lanes of each keyboard in the current scene: 0 if it is idle there.
    pub(super) now_lanes: Vec<u16>,
    /// Lanes of each keyboard in the next scene, 0 if idle; empty if there is no next.
    pub(super) next_lanes: Vec<u16>,
    /// Rows of words for the player.
    pub(super) words: u16,
    /// Heights at which the words can be drawn large, rising.
    pub(super) words_sizes: Vec<u16>,
    /// Rows of the page.
    pub(super) page: u16,
    /// Whether a legend is needed that says which letter is which sound: for now, and for next.
    pub(super) has_legend: (bool, bool),
    /// Heights at which the current scene's name can be drawn large, rising.
    pub(super) now_sizes: Vec<u16>,
    /// Height at which the next scene's name can be drawn large.
    pub(super) next_size: Option<u16>,
    /// Scenes after the next one.
    pub(super) then: u16,
    /// Some sound's name can be drawn in narrow letters in its zone, and in large ones.
    pub(super) has_large_sounds: (bool, bool),
}

/// Rows of each part, from the top. A part with 0 rows is left out.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Plan {
    pub(super) header: u16,
    /// The time of day and how the night goes.
    pub(super) clock: u16,
    pub(super) now_big: u16,
    pub(super) now_line: u16,
    pub(super) now_maps: Vec<Extent>,
    pub(super) now_legend: u16,
    pub(super) words: u16,
    pub(super) next_line: u16,
    pub(super) next_big: u16,
    pub(super) next_maps: Vec<Extent>,
    pub(super) next_legend: u16,
    /// The scenes after the next one: a row for each, or one for all.
    pub(super) then: u16,
    pub(super) page: u16,
    pub(super) health: u16,
    pub(super) footer: u16,
    /// Blank rows: after the header, before the words, before the next scene, before the page.
    pub(super) gaps: [u16; 4],
}

impl Plan {
    /// Shares out `height` rows.
    pub(super) fn new(height: u16, wishes: &Wishes) -> Self {
        let mut budget = Budget { left: height };
        let mut plan = Self::default();
        budget.grant(1, || plan.now_line = 1);
        budget.grant(1, || plan.next_line = 1);
        plan.now_maps = vec![NO_ROWS; wishes.now_lanes.len()];
        plan.next_maps = vec![NO_ROWS; wishes.next_lanes.len()];
        plan.start_maps(&mut budget, wishes);
        budget.grant(1, || plan.health = 1);
        budget.grant(1, || plan.header = 1);
        budget.grant(1, || plan.footer = 1);
        for size in wishes.now_sizes.iter().take(1) {
            budget.grant(*size, || plan.now_big = *size);
        }
        budget.grant(1, || plan.words = 1);
        grow(&mut plan.now_maps, &mut budget, |index, map| {
            add_lane(map, wishes.now_lanes.get(index))
        });
        grow(&mut plan.next_maps, &mut budget, |index, map| {
            add_lane(map, wishes.next_lanes.get(index))
        });
        grow(&mut plan.next_maps, &mut budget, |index, map| {
            is_busy(&wishes.next_lanes, index) && !std::mem::replace(&mut map.has_marks, true)
        });
        budget.grant(1, || plan.clock = 1);
        budget.grant(wishes.then.min(1), || plan.then = wishes.then.min(1));
        plan.enrich(&mut budget, wishes);
        plan
    }

    fn open(&mut self, gap: usize, budget: &mut Budget) {
        if let Some(rows) = self.gaps.get_mut(gap) {
            budget.grant(1, || *rows = 1);
        }
    }

    fn start_maps(&mut self, budget: &mut Budget, wishes: &Wishes) {
        let first_lane = |lanes: &[u16], wants_busy: bool, index: usize, map: &mut Extent| {
            let is_wanted = map.lanes == 0 && is_busy(lanes, index) == wants_busy;
            map.lanes += u16::from(is_wanted);
            is_wanted
        };
        grow(&mut self.now_maps, budget, |index, map| {
            first_lane(&wishes.now_lanes, true, index, map)
        });
        grow(&mut self.next_maps, budget, |index, map| {
            first_lane(&wishes.next_lanes, true, index, map)
        });
        // An idle keyboard may have notes held over; one that will be idle can wait.
        grow(&mut self.now_maps, budget, |index, map| {
            first_lane(&wishes.now_lanes, false, index, map)
        });
        grow(&mut self.now_maps, budget, |index, map| {
            is_busy(&wishes.now_lanes, index) && !std::mem::replace(&mut map.has_marks, true)
        });
    }

    /// Adds what makes a screen easier to read, once all that must be seen has rows.
    fn enrich(&mut self, budget: &mut Budget, wishes: &Wishes) {
        budget.grant(u16::from(wishes.has_legend.0), || {
            self.now_legend = u16::from(wishes.has_legend.0)
        });
        budget.grant(u16::from(wishes.has_legend.1), || {
            self.next_legend = u16::from(wishes.has_legend.1)
        });
        if wishes.page > 0 {
            budget.grant(1, || self.page = 1);
        }
        if wishes.words > 1 {
            budget.grant(1, || self.words = 2);
        }
        grow(&mut self.now_maps, budget, |index, map| {
            is_busy(&wishes.now_lanes, index) && !std::mem::replace(&mut map.has_keys, true)
        });
        self.open(GAP_BEFORE_NEXT, budget);
        // From two metres the next name and the moment to press are read only if large.
        if let Some(size) = wishes.next_size {
            budget.grant(size, || self.next_big = size);
        }
        // So are the words for the player, if they fit in a line, and which sound is where.
        let is_line = |size: &&u16| **size <= LARGE_LINE;
        if let Some(size) = wishes.words_sizes.iter().find(is_line) {
            let more = size.saturating_sub(self.words);
            budget.grant(more, || self.words = self.words.max(*size));
        }
        if wishes.has_large_sounds.0 {
            grow(&mut self.now_maps, budget, |index, map| {
                let is_low = is_busy(&wishes.now_lanes, index) && map.lane_rows < NARROW_ROWS;
                map.lane_rows = map.lane_rows.max(NARROW_ROWS);
                is_low
            });
        }
        for size in wishes.now_sizes.iter().filter(|size| **size <= TALL) {
            let more = size.saturating_sub(self.now_big);
            budget.grant(more, || self.now_big = *size);
        }
        if wishes.then > self.then {
            budget.grant(wishes.then - self.then, || self.then = wishes.then);
        }
        grow(&mut self.next_maps, budget, |_, map| {
            let is_missing = map.lanes == 0;
            map.lanes += u16::from(is_missing);
            is_missing
        });
        for gap in [GAP_AFTER_HEADER, GAP_BEFORE_WORDS, GAP_BEFORE_PAGE] {
            self.open(gap, budget);
        }
        self.enlarge(budget, wishes);
    }

    /// Uses the rows of a large terminal for larger letters.
    fn enlarge(&mut self, budget: &mut Budget, wishes: &Wishes) {
        for lane_rows in [2, NARROW_ROWS, LARGE_ROWS] {
            let mut higher = self.now_maps.clone();
            for (index, map) in higher.iter_mut().enumerate() {
                let is_wanted = lane_rows < LARGE_ROWS || wishes.has_large_sounds.1;
                if is_wanted && is_busy(&wishes.now_lanes, index) {
                    map.lane_rows = map.lane_rows.max(lane_rows);
                }
            }
            let height = |maps: &[Extent]| -> u16 { maps.iter().map(Extent::height).sum() };
            let more = height(&higher).saturating_sub(height(&self.now_maps));
            budget.grant(more, || self.now_maps = higher);
        }
        for size in &wishes.words_sizes {
            let more = size.saturating_sub(self.words);
            budget.grant(more, || self.words = self.words.max(*size));
        }
        for size in wishes.now_sizes.iter().filter(|size| **size > TALL) {
            let more = size.saturating_sub(self.now_big);
            budget.grant(more, || self.now_big = *size);
        }
        let page = wishes.page.saturating_sub(self.page).min(budget.left);
        budget.grant(page, || self.page += page);
        let words = wishes.words.saturating_sub(self.words).min(budget.left);
        budget.grant(words, || self.words += words);
    }
}

/// A map without rows.
const NO_ROWS: Extent = Extent {
    has_marks: false,
    has_keys: false,
    lanes: 0,
    lane_rows: 1,
};

/// The gaps, as `Plan::gaps` has them.
const GAP_AFTER_HEADER: usize = 0;
const GAP_BEFORE_WORDS: usize = 1;
const GAP_BEFORE_NEXT: usize = 2;
const GAP_BEFORE_PAGE: usize = 3;

/// Rows of a line of large letters at most.
const LARGE_LINE: u16 = 4;

/// A name up to this high comes before what a large terminal adds.
const TALL: u16 = 8;

/// Rows that are not given to a part yet.
struct Budget {
    left: u16,
}

impl Budget {
    fn grant(&mut self, rows: u16, give: impl FnOnce()) {
        if rows <= self.left {
            self.left -= rows;
            give();
        }
    }
}

/// Grows the maps in turn, one row each, as long as `change` agrees and rows are left.
fn grow(maps: &mut [Extent], budget: &mut Budget, change: impl Fn(usize, &mut Extent) -> bool) {
    loop {
        let before = budget.left;
        for (index, map) in maps.iter_mut().enumerate() {
            let mut wanted = *map;
            if budget.left > 0 && change(index, &mut wanted) {
                budget.grant(wanted.height().saturating_sub(map.height()), || {
                    *map = wanted
                });
            }
        }
        if budget.left == before {
            return;
        }
    }
}

/// Whether a keyboard has zones in the scene whose lanes these are.
fn is_busy(lanes: &[u16], index: usize) -> bool {
    lanes.get(index).is_some_and(|count| *count > 0)
}

fn add_lane(map: &mut Extent, wanted: Option<&u16>) -> bool {
    let has_more = wanted.is_some_and(|wanted| map.lanes < *wanted);
    map.lanes += u16::from(has_more);
    has_more
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn height(plan: &Plan) -> u16 {
        let maps = plan.now_maps.iter().chain(&plan.next_maps);
        let maps: u16 = maps.map(Extent::height).sum();
        let parts = [
            plan.header,
            plan.clock,
            plan.then,
            plan.now_big,
            plan.now_line,
            plan.now_legend,
            plan.words,
            plan.next_line,
            plan.next_big,
            plan.next_legend,
            plan.page,
            plan.health,
            plan.footer,
            plan.gaps.iter().sum(),
        ];
        maps + parts.iter().sum::<u16>()
    }

    fn wishes() -> impl Strategy<Value = Wishes> {
        let lanes = || proptest::collection::vec(0u16..6, 0..5);
        (
            lanes(),
            lanes(),
            0u16..9,
            0u16..30,
            any::<(bool, bool)>(),
            any::<Option<bool>>(),
        )
            .prop_map(
                |(now_lanes, next_lanes, words, page, has_legend, next)| Wishes {
                    now_lanes,
                    next_lanes,
                    words,
                    words_sizes: vec![3, 4],
                    page,
                    has_legend,
                    now_sizes: vec![4, 8, 16],
                    next_size: next.map(|_| 4),
                    then: words % 3,
                    has_large_sounds: (next.is_some(), next.unwrap_or(false)),
                },
            )
    }

    proptest! {
        #[test]
        fn no_more_rows_are_given_than_there_are(rows in 0u16..80, wishes in wishes()) {
            prop_assert!(height(&Plan::new(rows, &wishes)) <= rows);
        }
    }

    // A larger terminal must not draw the name smaller.
    #[test]
    fn the_name_grows_with_the_terminal() {
        let wishes = Wishes {
            now_lanes: vec![2, 1],
            next_lanes: vec![1, 2],
            now_sizes: vec![4, 8, 16],
            next_size: Some(4),
            ..Wishes::default()
        };
        let high: Vec<u16> = (0..80)
            .map(|rows| Plan::new(rows, &wishes).now_big)
            .collect();
        assert!(high.is_sorted(), "{high:?}");
        assert_eq!((high[24], high[36], high[79]), (4, 8, 16));
    }

    #[test]
    fn an_idle_keyboard_takes_one_row_now_and_none_of_what_others_need() {
        let wishes = Wishes {
            now_lanes: vec![2, 0, 1],
            next_lanes: vec![2, 0, 0],
            words: 2,
            page: 2,
            now_sizes: vec![4],
            ..Wishes::default()
        };
        let heights = |maps: &[Extent]| maps.iter().map(Extent::height).collect::<Vec<_>>();
        let small = Plan::new(24, &wishes);
        assert_eq!(heights(&small.now_maps)[1], 1);
        assert_eq!((small.words, small.page), (2, 1));
        let large = Plan::new(60, &wishes);
        assert_eq!(
            (heights(&large.now_maps)[1], heights(&large.next_maps)[1]),
            (1, 1)
        );
    }

    // The smallest terminal promised: two keyboards of two layers each, now and next.
    #[test]
    fn at_24_rows_two_keyboards_have_all_their_lanes_now_and_next() {
        let wishes = Wishes {
            now_lanes: vec![2, 2],
            next_lanes: vec![2, 2],
            words: 1,
            page: 1,
            now_sizes: vec![4],
            ..Wishes::default()
        };
        let plan = Plan::new(24, &wishes);
        assert_eq!(plan.now_big, 4);
        assert!(
            plan.now_maps
                .iter()
                .all(|map| map.lanes == 2 && map.has_marks)
        );
        assert!(plan.next_maps.iter().all(|map| map.lanes == 2));
        assert_eq!(
            (plan.header, plan.words, plan.health, plan.footer),
            (1, 1, 1, 1)
        );
    }
}
