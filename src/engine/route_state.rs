//! A route at run time: how far its source is picked up, what a switch chose, and the value.

use super::promptbook::{Edges, PickUp, Promptbook, RouteEntry, Shape};
use super::route_way::{END, place_of, scaled, stretch, value_at};

/// Time between two steps of a value that is smoothed, in microseconds.
const SMOOTH_STEP_US: u64 = 5_000;

/// A route of the present scene at run time.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct RouteState {
    phase: Phase,
    /// A switch is down.
    is_down: bool,
    /// Which of the values of a toggle or of steps.
    chosen: u8,
    /// The value; none if nobody has said one yet.
    pub(super) value: Option<i32>,
    /// Where it stands on its way, and where it is bound for.
    at: u16,
    goal: u16,
    /// When the next step of a smoothed value is due.
    pub(super) next_us: Option<u64>,
}

/// How far a source has been picked up.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum Phase {
    /// The source has the say from its next movement on.
    #[default]
    Follows,
    /// It has not passed the scene's value; where it stood last, if anywhere.
    Waits(Option<u16>),
    /// Its way leads from the scene's value to the ends: where it stood, if anywhere, and
    /// the place of the value.
    Scales(Option<u16>, u16),
}

impl RouteState {
    /// A route as its scene comes in: by positions and the scene's own value alone.
    pub(super) fn fresh(book: &Promptbook, entry: &RouteEntry, position: Option<u16>) -> Self {
        let mut state = Self {
            value: entry.snapshot,
            ..Self::default()
        };
        match entry.shape {
            Shape::Follow { .. } | Shape::Bands { .. } => state.arrive(book, entry, position),
            Shape::Switch {
                up,
                down,
                edges,
                is_toggle,
            } => {
                state.is_down = position.is_some_and(|at| at >= edges.down_from);
                let is_on = entry
                    .snapshot
                    .is_some_and(|own| own.abs_diff(down) < own.abs_diff(up));
                state.chosen = u8::from(is_on);
                if !is_toggle && position.is_some() {
                    state.value = Some(if state.is_down { down } else { up });
                }
            }
            Shape::Steps { values, edges } => {
                state.is_down = position.is_some_and(|at| at >= edges.down_from);
                let values = stretch(values).of(&book.route_values);
                let nearest = entry.snapshot.and_then(|own| {
                    let steps = values.iter().zip(0u8..);
                    steps.min_by_key(|(step, _)| own.abs_diff(step.value))
                });
                // Without a value of the scene the first press takes the first value.
                let before_first = u8::try_from(values.len()).unwrap_or(1).saturating_sub(1);
                state.chosen = nearest.map_or(before_first, |(_, index)| index);
            }
        }
        state
    }

    fn arrive(&mut self, book: &Promptbook, entry: &RouteEntry, position: Option<u16>) {
        let Some(own) = entry.snapshot.filter(|_| entry.pick_up != PickUp::Jump) else {
            if let Some(at) = position {
                (self.at, self.goal) = (at, at);
                self.value = Some(value_at(book, entry, at));
            } else if let Some(own) = entry.snapshot {
                self.at = place_of(book, entry, own);
                self.goal = self.at;
            }
            return;
        };
        let place = place_of(book, entry, own);
        (self.at, self.goal) = (place, place);
        let is_there = position.is_some_and(|at| value_at(book, entry, at) == own);
        self.phase = match entry.pick_up {
            _ if is_there => Phase::Follows,
            PickUp::Scale if matches!(entry.shape, Shape::Follow { .. }) => {
                Phase::Scales(position, place)
            }
            _ => Phase::Waits(position),
        };
    }

    /// Where the value is bound for now that the source stands at `position`; none as long
    /// as it has not been picked up.
    fn pick_up(&mut self, book: &Promptbook, entry: &RouteEntry, position: u16) -> Option<u16> {
        match self.phase {
            Phase::Follows => Some(position),
            Phase::Waits(before) => {
                let own = entry.snapshot.unwrap_or(0);
                let side = |at: u16| (value_at(book, entry, at) - own).signum();
                let is_past = side(position) == 0
                    || before.is_some_and(|before| side(before) != side(position));
                self.phase = if is_past {
                    Phase::Follows
                } else {
                    Phase::Waits(Some(position))
                };
                is_past.then_some(position)
            }
            Phase::Scales(None, place) => {
                self.phase = Phase::Scales(Some(position), place);
                None
            }
            Phase::Scales(Some(_), _) if position == 0 || position == END => {
                self.phase = Phase::Follows;
                Some(position)
            }
            Phase::Scales(Some(from), place) => Some(scaled(position, from, place)),
        }
    }

    /// Takes what a source's new position says; true if the value changed or is bound to.
    pub(super) fn take(
        &mut self,
        book: &Promptbook,
        entry: &RouteEntry,
        position: u16,
        now_us: u64,
    ) -> bool {
        let before = self.value;
        match entry.shape {
            Shape::Follow { .. } | Shape::Bands { .. } => {
                let Some(goal) = self.pick_up(book, entry, position) else {
                    return false;
                };
                self.goal = goal;
                let is_smooth = entry.smooth_us > 0 && matches!(entry.shape, Shape::Follow { .. });
                if is_smooth && before.is_some() {
                    // The scene's own value may lie beyond the way's end.
                    let is_there = self.at == goal && before == Some(value_at(book, entry, goal));
                    if !is_there && self.next_us.is_none() {
                        self.next_us = Some(now_us);
                    }
                    return false;
                }
                self.at = goal;
                self.value = Some(value_at(book, entry, goal));
            }
            Shape::Switch {
                up,
                down,
                edges,
                is_toggle,
            } => {
                let is_press = self.press(edges, position);
                if is_toggle && !is_press {
                    return false;
                }
                if is_toggle {
                    self.chosen ^= 1;
                }
                let is_on = if is_toggle {
                    self.chosen == 1
                } else {
                    self.is_down
                };
                self.value = Some(if is_on { down } else { up });
            }
            Shape::Steps { values, edges } => {
                if !self.press(edges, position) {
                    return false;
                }
                let values = stretch(values).of(&book.route_values);
                let next = usize::from(self.chosen) + 1;
                let next = if next < values.len() { next } else { 0 };
                self.chosen = u8::try_from(next).unwrap_or(0);
                self.value = values.get(next).map(|step| step.value);
            }
        }
        self.value != before
    }

    /// Whether the switch went down just now.
    fn press(&mut self, edges: Edges, position: u16) -> bool {
        let was_down = self.is_down;
        self.is_down = if was_down {
            position >= edges.up_below
        } else {
            position >= edges.down_from
        };
        self.is_down && !was_down
    }

    /// One step of a smoothed value; true if it changed.
    pub(super) fn smooth(&mut self, book: &Promptbook, entry: &RouteEntry, now_us: u64) -> bool {
        let way = u64::from(END) * SMOOTH_STEP_US / entry.smooth_us.max(1);
        let step = u16::try_from(way.clamp(1, u64::from(END))).unwrap_or(END);
        self.at = if self.at < self.goal {
            self.at.saturating_add(step).min(self.goal)
        } else {
            self.at.saturating_sub(step).max(self.goal)
        };
        self.next_us = (self.at != self.goal).then(|| now_us.saturating_add(SMOOTH_STEP_US));
        let value = Some(value_at(book, entry, self.at));
        std::mem::replace(&mut self.value, value) != value
    }

    /// Whether the scene's value still holds because the source has not passed it.
    pub(super) const fn is_waiting(&self) -> bool {
        matches!(self.phase, Phase::Waits(_))
    }
}
