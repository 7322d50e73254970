//! The waiting items of one lane: first in, first out, but the oldest item of one channel
//! may be taken out of order.
//!
//! Counts per channel spare the search where nothing of a channel waits, which is the
//! usual case.

use std::collections::VecDeque;

use super::item::{Item, Lane};
use crate::midi::Channel;

/// An item with its place in the order of all lanes and its time of arrival.
#[derive(Clone, Copy, Debug)]
pub(super) struct Waiting {
    pub(super) item: Item,
    /// Counts up over all lanes of the port.
    pub(super) order: u64,
    pub(super) since_us: u64,
}

/// A queue of fixed capacity.
#[derive(Debug)]
pub(super) struct Queue {
    waiting: VecDeque<Waiting>,
    capacity: usize,
    by_channel: [u16; CHANNELS],
    /// Items without a channel.
    barriers: u16,
}

impl Queue {
    /// A queue for at most `capacity` items.
    pub(super) fn new(capacity: u16) -> Self {
        Self {
            waiting: VecDeque::with_capacity(usize::from(capacity)),
            capacity: usize::from(capacity),
            by_channel: [0; CHANNELS],
            barriers: 0,
        }
    }

    /// Puts an item at the end; `false` if the queue is full.
    pub(super) fn push(&mut self, waiting: Waiting) -> bool {
        if self.waiting.len() >= self.capacity {
            return false;
        }
        if let Some(count) = self.count_mut(waiting.item.channel) {
            *count += 1;
        }
        self.waiting.push_back(waiting);
        true
    }

    /// Takes out the item at a place.
    pub(super) fn remove(&mut self, at: usize) -> Option<Waiting> {
        let waiting = self.waiting.remove(at)?;
        if let Some(count) = self.count_mut(waiting.item.channel) {
            *count = count.saturating_sub(1);
        }
        Some(waiting)
    }

    /// Drops all; returns how many there were.
    pub(super) fn clear(&mut self) -> usize {
        let dropped = self.waiting.len();
        self.waiting.clear();
        self.by_channel = [0; CHANNELS];
        self.barriers = 0;
        dropped
    }

    /// The item at a place.
    pub(super) fn item_at(&self, at: usize) -> Option<&Waiting> {
        self.waiting.get(at)
    }

    pub(super) fn len(&self) -> usize {
        self.waiting.len()
    }

    /// The oldest item of a channel, with its place.
    pub(super) fn first_of(&self, channel: Channel) -> Option<(usize, &Waiting)> {
        if self.by_channel.get(channel.index()).is_none_or(|&n| n == 0) {
            return None;
        }
        self.waiting
            .iter()
            .enumerate()
            .find(|(_, waiting)| waiting.item.channel == Some(channel))
    }

    /// Whether an item without a channel waits before a place.
    pub(super) fn has_barrier_before(&self, at: usize) -> bool {
        self.barriers > 0
            && self
                .waiting
                .iter()
                .take(at)
                .any(|waiting| waiting.item.channel.is_none())
    }

    fn count_mut(&mut self, channel: Option<Channel>) -> Option<&mut u16> {
        match channel {
            Some(channel) => self.by_channel.get_mut(channel.index()),
            None => Some(&mut self.barriers),
        }
    }
}

/// One value for each lane.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct PerLane<T> {
    pub(super) live: T,
    pub(super) changeover: T,
    pub(super) prime: T,
    pub(super) bulk: T,
}

impl<T> PerLane<T> {
    /// The value of a lane.
    pub(super) const fn of(&self, lane: Lane) -> &T {
        match lane {
            Lane::Live => &self.live,
            Lane::Changeover => &self.changeover,
            Lane::Prime => &self.prime,
            Lane::Bulk => &self.bulk,
        }
    }

    /// The value of a lane, to change it.
    pub(super) const fn of_mut(&mut self, lane: Lane) -> &mut T {
        match lane {
            Lane::Live => &mut self.live,
            Lane::Changeover => &mut self.changeover,
            Lane::Prime => &mut self.prime,
            Lane::Bulk => &mut self.bulk,
        }
    }
}

const CHANNELS: usize = 16;
