//! Which item a port sends next, and when.
//!
//! Three rules, the first above the second above the third:
//! 1. Order. Items of one channel leave in the order they came, whatever their lanes: a
//!    note for a slot that is still being changed over pulls that changeover forward. An
//!    item without a channel (SysEx, system common) keeps its place among all items of
//!    its own lane, so one that is pulled forward past it pulls it along. Only real-time
//!    bytes keep no order with anything: they leave first.
//! 2. Lanes. The most urgent lane that has an item is served.
//! 3. Pace. The port is given no more than its line carries, and at most a small burst
//!    ahead, since what lies in a driver's buffer can be neither overtaken nor dropped.
//!    What has no haste is sent when the line is free: a note waits for one message of it.
//!
//! An item is never split: a stored SysEx occupies the line from end to end, and a note
//! behind it waits. It is started only when nothing more urgent waits, or when the first
//! rule pulls it along.

use std::collections::VecDeque;

use super::item::{Item, Lane};
use super::meter::{LaneCount, Line, Snapshot};
use super::price::{PortKind, cost_us};
use super::queue::{PerLane, Queue, Waiting};

/// How many items may wait at a port, and how far it may send ahead.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Limits {
    /// Real-time bytes that may wait.
    pub realtime: u16,
    /// Items that may wait in the live lane.
    pub live: u16,
    /// Items that may wait in the changeover lane.
    pub changeover: u16,
    /// Items that may wait in the prime lane.
    pub prime: u16,
    /// Items that may wait in the bulk lane.
    pub bulk: u16,
    /// Line time that may lie in the driver's buffer, in µs. An item that takes longer is sent
    /// when the line is free.
    pub burst_us: u64,
}

impl Limits {
    /// Half a second of clock at the fastest usual tempo.
    pub const REALTIME: u16 = 64;
    /// Every key of a keyboard down and up again.
    pub const LIVE: u16 = 256;
    /// Sixteen channels with 64 messages each, a second of a DIN line.
    pub const CHANGEOVER: u16 = 1_024;
    /// As many as for a changeover: the next scene is preloaded.
    pub const PRIME: u16 = 1_024;
    /// Stored SysEx files, by number.
    pub const BULK: u16 = 256;
    /// Three notes of a chord on a DIN line: a late timer does not pull a chord apart,
    /// and a note waits no longer than this for what has left already.
    pub const BURST_US: u64 = 3_000;
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            realtime: Self::REALTIME,
            live: Self::LIVE,
            changeover: Self::CHANGEOVER,
            prime: Self::PRIME,
            bulk: Self::BULK,
            burst_us: Self::BURST_US,
        }
    }
}

/// The lane was full; here is the item back.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Full(pub Item);

/// What to do with a port now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Next {
    /// Write this, all of it; then ask again.
    Send(Item),
    /// Send nothing before this time, in µs; ask again then, or after a push.
    Wait(u64),
    /// No item waits; ask again after a push.
    Idle,
}

/// The queue of one port.
#[derive(Debug)]
pub struct Wire {
    kind: PortKind,
    burst_us: u64,
    realtime: VecDeque<Waiting>,
    realtime_capacity: usize,
    lanes: PerLane<Queue>,
    counts: PerLane<LaneCount>,
    line: Line,
    order: u64,
    bytes_sent: u64,
}

impl Wire {
    /// An empty queue, with all its memory, for a port whose line is idle.
    #[must_use]
    pub fn new(kind: PortKind, limits: Limits, now_us: u64) -> Self {
        Self {
            kind,
            burst_us: limits.burst_us,
            realtime: VecDeque::with_capacity(usize::from(limits.realtime)),
            realtime_capacity: usize::from(limits.realtime),
            lanes: PerLane {
                live: Queue::new(limits.live),
                changeover: Queue::new(limits.changeover),
                prime: Queue::new(limits.prime),
                bulk: Queue::new(limits.bulk),
            },
            counts: PerLane::default(),
            line: Line::new(now_us),
            order: 0,
            bytes_sent: 0,
        }
    }

    /// Queues an item. A time before the last one given counts as the last one.
    ///
    /// # Errors
    /// Gives the item back if its lane is full; counted as refused.
    pub fn push(&mut self, now_us: u64, item: Item) -> Result<(), Full> {
        let waiting = Waiting {
            item,
            order: self.order,
            since_us: self.line.advance(now_us),
        };
        let taken = if item.is_realtime() {
            let room = self.realtime.len() < self.realtime_capacity;
            if room {
                self.realtime.push_back(waiting);
            }
            room
        } else {
            self.lanes.of_mut(item.lane).push(waiting)
        };
        let len = self.lanes.of(item.lane).len() as u64;
        let count = self.counts.of_mut(item.lane);
        if !taken {
            count.refused += 1;
            return Err(Full(item));
        }
        count.high_water = count.high_water.max(len);
        self.order += 1;
        Ok(())
    }

    /// Says what to do now. An item that it hands out is booked as sent.
    pub fn next(&mut self, now_us: u64) -> Next {
        let now_us = self.line.advance(now_us);
        let Some(pick) = self.pick() else {
            return Next::Idle;
        };
        let Some(bytes) = self.item_of(pick).map(|waiting| waiting.item.byte_count()) else {
            return Next::Idle;
        };
        let cost_us = cost_us(self.kind, bytes);
        let allowed_ahead_us = if self.is_urgent() {
            self.burst_us.saturating_sub(cost_us)
        } else {
            0
        };
        let due_us = self.line.free_us().saturating_sub(allowed_ahead_us);
        if due_us > now_us {
            return Next::Wait(due_us);
        }
        let Some(waiting) = self.take(pick) else {
            return Next::Idle;
        };
        self.line.book(cost_us);
        self.bytes_sent += u64::from(bytes);
        let count = self.counts.of_mut(waiting.item.lane);
        count.sent += 1;
        let waited_us = now_us - waiting.since_us;
        count.longest_wait_us = count.longest_wait_us.max(waited_us);
        Next::Send(waiting.item)
    }

    /// Drops all items of the prime and bulk lanes; returns how many.
    pub fn drop_prime_and_bulk(&mut self) -> usize {
        self.drop_lane(Lane::Prime) + self.drop_lane(Lane::Bulk)
    }

    /// Drops all items, as when the port is lost; returns how many. The line time of what was
    /// sent stays booked.
    pub fn clear(&mut self) -> usize {
        let mut dropped = self.realtime.len();
        while let Some(waiting) = self.realtime.pop_front() {
            self.counts.of_mut(waiting.item.lane).dropped += 1;
        }
        for lane in Lane::ALL {
            dropped += self.drop_lane(lane);
        }
        dropped
    }

    /// The counts of a lane. Real-time bytes are counted in the lane they were given.
    #[must_use]
    pub fn count(&self, lane: Lane) -> LaneCount {
        LaneCount {
            waiting: self.lanes.of(lane).len() as u64,
            ..*self.counts.of(lane)
        }
    }

    /// A copy of the counters and of the line's state, for another thread to read.
    #[must_use]
    pub fn snapshot(&self) -> Snapshot {
        Snapshot {
            line: self.line,
            waiting: self.waiting(),
            bytes_sent: self.bytes_sent,
            lanes: Lane::ALL.map(|lane| self.count(lane)),
        }
    }

    /// How many items wait.
    #[must_use]
    pub fn waiting(&self) -> usize {
        let in_lanes: usize = Lane::ALL
            .iter()
            .map(|&lane| self.lanes.of(lane).len())
            .sum();
        self.realtime.len() + in_lanes
    }

    /// Whether a real-time byte waits, or an item of the live or changeover lane.
    fn is_urgent(&self) -> bool {
        self.realtime.len() + self.lanes.live.len() + self.lanes.changeover.len() > 0
    }

    /// The item to send next: the head of the most urgent lane, or an older item that must go
    /// before it.
    fn pick(&self) -> Option<Pick> {
        if !self.realtime.is_empty() {
            return Some(Pick::Realtime);
        }
        let best = Lane::ALL
            .into_iter()
            .find(|&lane| self.lanes.of(lane).len() > 0)?;
        let mut place = Place { lane: best, at: 0 };
        // Each turn goes to an older item, so it ends.
        while let Some(older) = self.must_precede(place) {
            place = older;
        }
        Some(Pick::Queued(place))
    }

    /// An older item that must leave before the one at a place.
    fn must_precede(&self, place: Place) -> Option<Place> {
        let queue = self.lanes.of(place.lane);
        if queue.has_barrier_before(place.at) {
            return Some(Place { at: 0, ..place });
        }
        let waiting = queue.item_at(place.at)?;
        let channel = waiting.item.channel?;
        let oldest = |lane: Lane| {
            let (at, first) = self.lanes.of(lane).first_of(channel)?;
            (first.order < waiting.order).then_some((first.order, Place { lane, at }))
        };
        Lane::ALL
            .into_iter()
            .filter_map(oldest)
            .min_by_key(|&(order, _)| order)
            .map(|(_, place)| place)
    }

    fn item_of(&self, pick: Pick) -> Option<&Waiting> {
        match pick {
            Pick::Realtime => self.realtime.front(),
            Pick::Queued(place) => self.lanes.of(place.lane).item_at(place.at),
        }
    }

    fn take(&mut self, pick: Pick) -> Option<Waiting> {
        match pick {
            Pick::Realtime => self.realtime.pop_front(),
            Pick::Queued(place) => self.lanes.of_mut(place.lane).remove(place.at),
        }
    }

    fn drop_lane(&mut self, lane: Lane) -> usize {
        let dropped = self.lanes.of_mut(lane).clear();
        self.counts.of_mut(lane).dropped += dropped as u64;
        dropped
    }
}

/// Where an item waits.
#[derive(Clone, Copy, Debug)]
struct Place {
    lane: Lane,
    at: usize,
}

#[derive(Clone, Copy, Debug)]
enum Pick {
    Realtime,
    Queued(Place),
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Channel, Message, Value14};
    use crate::wire::item::Payload;
    use proptest::prelude::*;

    /// An item that differs from all others: bends and song positions carry a number.
    fn numbered(lane: Lane, channel: Option<u8>, number: u16) -> Item {
        let value = Value14::new(number).expect("14 bits");
        let message = match channel.and_then(Channel::new) {
            Some(channel) => Message::Bend(channel, value),
            None => Message::SongPosition(value),
        };
        Item::message(lane, message)
    }

    fn number_of(item: &Item) -> Option<u16> {
        match &item.payload {
            Payload::Short(bytes) => match bytes.as_slice() {
                [_, lsb, msb] => Some(u16::from(*msb) << 7 | u16::from(*lsb)),
                _ => None,
            },
            Payload::Blob { id, .. } => Some(*id),
        }
    }

    fn drain(wire: &mut Wire, mut now_us: u64) -> Vec<(u64, Item)> {
        let mut sent = Vec::new();
        loop {
            match wire.next(now_us) {
                Next::Send(item) => sent.push((now_us, item)),
                Next::Wait(until_us) => {
                    assert!(until_us > now_us, "a wait leads forward");
                    now_us = until_us;
                }
                Next::Idle => return sent,
            }
        }
    }

    fn numbers(sent: &[(u64, Item)]) -> Vec<u16> {
        sent.iter()
            .filter_map(|(_, item)| number_of(item))
            .collect()
    }

    fn wire(kind: PortKind) -> Wire {
        Wire::new(kind, Limits::default(), 0)
    }

    fn push_all(wire: &mut Wire, items: &[Item]) {
        for &item in items {
            wire.push(0, item).expect("room");
        }
    }

    #[test]
    fn a_note_pulls_its_own_changeover_forward_and_no_other() {
        let mut wire = wire(PortKind::Software);
        push_all(
            &mut wire,
            &[
                numbered(Lane::Prime, Some(1), 1),
                numbered(Lane::Changeover, Some(0), 2),
                numbered(Lane::Changeover, Some(1), 3),
                numbered(Lane::Changeover, Some(0), 4),
                numbered(Lane::Live, Some(2), 5),
                numbered(Lane::Live, Some(1), 6),
                numbered(Lane::Changeover, Some(1), 7),
            ],
        );
        assert_eq!(numbers(&drain(&mut wire, 0)), [5, 1, 3, 6, 2, 4, 7]);
    }

    #[test]
    fn a_sysex_keeps_its_place_in_its_lane() {
        let mut wire = wire(PortKind::Software);
        push_all(
            &mut wire,
            &[
                numbered(Lane::Changeover, Some(5), 1),
                Item::blob(Lane::Changeover, 2, 100),
                numbered(Lane::Changeover, Some(5), 3),
                numbered(Lane::Changeover, Some(1), 4),
                numbered(Lane::Live, Some(1), 5),
            ],
        );
        assert_eq!(numbers(&drain(&mut wire, 0)), [1, 2, 4, 5, 3]);
    }

    #[test]
    fn realtime_goes_first_of_all() {
        let mut wire = wire(PortKind::Software);
        push_all(
            &mut wire,
            &[
                numbered(Lane::Live, Some(0), 1),
                Item::message(Lane::Bulk, Message::Clock),
            ],
        );
        let sent = drain(&mut wire, 0);
        assert_eq!(sent[0].1, Item::message(Lane::Bulk, Message::Clock));
        assert_eq!(wire.count(Lane::Bulk).sent, 1);
    }

    /// Three messages of 960 µs fit 3 ms; a chord of ten is 9.6 ms of line (31.25 kbaud).
    #[test]
    fn a_burst_leaves_at_once_and_the_rest_at_the_pace_of_the_line() {
        let mut wire = wire(PortKind::Din);
        for number in 0..10 {
            wire.push(0, numbered(Lane::Live, Some(0), number))
                .expect("room");
        }
        let times: Vec<_> = drain(&mut wire, 0).iter().map(|(us, _)| *us).collect();
        let paced = (1..=7).map(|n| (3 + n) * 960 - Limits::BURST_US);
        let expected: Vec<_> = [0, 0, 0].into_iter().chain(paced).collect();
        assert_eq!(times, expected);
    }

    #[test]
    fn a_blob_waits_for_a_free_line_and_occupies_it() {
        let mut wire = wire(PortKind::UsbToDin);
        push_all(
            &mut wire,
            &[
                numbered(Lane::Bulk, Some(0), 1),
                Item::blob(Lane::Bulk, 2, 1_000),
                numbered(Lane::Bulk, Some(0), 3),
            ],
        );
        let times: Vec<_> = drain(&mut wire, 0).iter().map(|(us, _)| *us).collect();
        assert_eq!(times, [0, 960, 960 + 320_000]);
    }

    /// Three messages of the prime lane do not lie in the driver together: a note that
    /// comes then waits for one of them, 960 µs (31.25 kbaud), and not for all.
    #[test]
    fn what_is_primed_never_runs_ahead_of_the_line() {
        let mut wire = wire(PortKind::Din);
        let primes = [1, 2, 3].map(|number| numbered(Lane::Prime, Some(0), number));
        push_all(&mut wire, &primes);
        assert_eq!(wire.next(0), Next::Send(primes[0]));
        assert_eq!(wire.next(0), Next::Wait(960));
        let note = numbered(Lane::Live, Some(1), 4);
        wire.push(100, note).expect("room");
        assert_eq!(wire.next(100), Next::Send(note), "within the burst");
        let rest: Vec<_> = drain(&mut wire, 100).iter().map(|(us, _)| *us).collect();
        assert_eq!(rest, [1_920, 2_880]);
    }

    #[test]
    fn a_full_lane_gives_the_item_back_and_counts() {
        let limits = Limits {
            live: 2,
            realtime: 1,
            ..Limits::default()
        };
        let mut wire = Wire::new(PortKind::Din, limits, 0);
        let clock = Item::message(Lane::Live, Message::Clock);
        push_all(&mut wire, &[numbered(Lane::Live, None, 1), clock]);
        push_all(&mut wire, &[numbered(Lane::Live, Some(3), 2)]);
        let third = numbered(Lane::Live, Some(3), 3);
        assert_eq!(wire.push(0, third), Err(Full(third)));
        assert_eq!(wire.push(0, clock), Err(Full(clock)));
        let count = wire.count(Lane::Live);
        assert_eq!((count.refused, count.high_water), (2, 2));
        assert_eq!(wire.waiting(), 3);
    }

    #[test]
    fn dropping_spares_what_is_played_and_changed_over() {
        let mut wire = wire(PortKind::Din);
        for (number, lane) in (0..).zip(Lane::ALL) {
            wire.push(0, numbered(lane, Some(1), number)).expect("room");
        }
        wire.push(0, Item::blob(Lane::Bulk, 9, 10)).expect("room");
        assert_eq!(wire.drop_prime_and_bulk(), 3);
        assert_eq!(wire.count(Lane::Bulk).dropped, 2);
        assert_eq!(numbers(&drain(&mut wire, 0)), [0, 1]);
        push_all(&mut wire, &[Item::message(Lane::Live, Message::Clock)]);
        push_all(&mut wire, &[numbered(Lane::Live, Some(1), 5)]);
        assert_eq!((wire.clear(), wire.waiting()), (2, 0));
        assert_eq!(wire.next(0), Next::Idle);
    }

    /// MIDI clock at 120 BPM is 1.54 % of a DIN link: 48 bytes of 320 µs a second.
    #[test]
    fn the_meter_tells_the_load_of_the_last_second() {
        let mut wire = wire(PortKind::Din);
        for tick in 0..96 {
            let now_us = tick * 1_000_000 / 48;
            wire.push(now_us, Item::message(Lane::Live, Message::Clock))
                .expect("room");
            drain(&mut wire, now_us);
        }
        let reading = wire.snapshot().read(2_000_000);
        assert_eq!((reading.bytes_sent, reading.busy_permille), (96, 15));
        // A dump of 2 s fills the line and then leaves it.
        wire.push(2_000_000, Item::blob(Lane::Bulk, 1, 6_250))
            .expect("room");
        drain(&mut wire, 2_000_000);
        assert_eq!(wire.snapshot().read(3_000_000).busy_permille, 1_000);
        assert_eq!(wire.snapshot().read(4_500_000).busy_permille, 500);
        assert_eq!(wire.snapshot().read(60_000_000).busy_permille, 0);
    }

    #[test]
    fn a_clock_that_runs_backwards_is_held() {
        let mut wire = wire(PortKind::Din);
        wire.push(1_000, numbered(Lane::Live, Some(0), 1))
            .expect("room");
        assert!(matches!(wire.next(0), Next::Send(_)));
        assert_eq!(wire.count(Lane::Live).longest_wait_us, 0);
    }

    #[derive(Clone, Debug)]
    enum Deed {
        Push(Lane, Option<u8>),
        Blob(Lane, u32),
        Clock(Lane),
        Pass(u64),
    }

    fn any_lane() -> impl Strategy<Value = Lane> {
        prop::sample::select(Lane::ALL.to_vec())
    }

    fn any_deeds() -> impl Strategy<Value = Vec<Deed>> {
        // Few channels, so that they meet in several lanes.
        let deed = prop_oneof![
            12 => (any_lane(), prop::option::weighted(0.9, 0..4_u8)).prop_map(|(l, c)| Deed::Push(l, c)),
            1 => (any_lane(), 1..60_u32).prop_map(|(lane, len)| Deed::Blob(lane, len)),
            1 => any_lane().prop_map(Deed::Clock),
            4 => (0..4_000_u64).prop_map(Deed::Pass),
        ];
        prop::collection::vec(deed, 1..120)
    }

    fn any_kind() -> impl Strategy<Value = PortKind> {
        use PortKind::{Din, Software, Usb, UsbToDin};
        prop::sample::select(vec![Din, Software, Usb, UsbToDin])
    }

    /// What was taken in and what was sent, both in order.
    struct Walk {
        taken: Vec<Item>,
        sent: Vec<(u64, Item)>,
        wire: Wire,
    }

    fn walk(kind: PortKind, deeds: &[Deed]) -> Walk {
        let limits = Limits {
            live: 8,
            changeover: 8,
            prime: 8,
            bulk: 8,
            realtime: 2,
            ..Limits::default()
        };
        let mut wire = Wire::new(kind, limits, 0);
        let (mut taken, mut sent, mut now_us) = (Vec::new(), Vec::new(), 0);
        for (number, deed) in (0..).zip(deeds) {
            let item = match *deed {
                Deed::Push(lane, channel) => numbered(lane, channel, number),
                Deed::Blob(lane, len) => Item::blob(lane, number, len),
                Deed::Clock(lane) => Item::message(lane, Message::Clock),
                Deed::Pass(us) => {
                    // A driver that is woken late: it asks once, at the end.
                    now_us += us;
                    while let Next::Send(item) = wire.next(now_us) {
                        sent.push((now_us, item));
                    }
                    continue;
                }
            };
            if wire.push(now_us, item).is_ok() {
                taken.push(item);
            }
        }
        sent.extend(drain(&mut wire, now_us));
        Walk { taken, sent, wire }
    }

    fn numbers_where(items: impl Iterator<Item = Item>, want: impl Fn(&Item) -> bool) -> Vec<u16> {
        items
            .filter(want)
            .filter_map(|item| number_of(&item))
            .collect()
    }

    proptest! {
        #[test]
        fn nothing_is_lost_or_doubled(kind in any_kind(), deeds in any_deeds()) {
            let walk = walk(kind, &deeds);
            let sorted = |items: Vec<Item>| {
                let mut shown: Vec<_> = items.iter().map(|item| format!("{item:?}")).collect();
                shown.sort();
                shown
            };
            let sent: Vec<_> = walk.sent.iter().map(|(_, item)| *item).collect();
            let pushes = deeds.iter().filter(|deed| !matches!(deed, Deed::Pass(_))).count();
            prop_assert_eq!(sorted(sent), sorted(walk.taken));
            let counts = Lane::ALL.map(|lane| walk.wire.count(lane));
            let counted: u64 = counts.iter().map(|count| count.sent + count.refused).sum();
            prop_assert_eq!(counted, pushes as u64);
            prop_assert!(counts.iter().all(|count| count.high_water <= 8));
        }

        #[test]
        fn order_is_kept_in_each_channel(kind in any_kind(), deeds in any_deeds()) {
            let walk = walk(kind, &deeds);
            for channel in (0..4).map(Channel::new) {
                let of_it = |item: &Item| item.channel == channel;
                prop_assert_eq!(
                    numbers_where(walk.sent.iter().map(|(_, item)| *item), of_it),
                    numbers_where(walk.taken.iter().copied(), of_it)
                );
            }
        }

        /// What was queued before an item without a channel in the same lane leaves before it.
        #[test]
        fn order_is_kept_around_items_without_a_channel(deeds in any_deeds()) {
            let walk = walk(PortKind::Din, &deeds);
            for lane in Lane::ALL {
                let in_lane = |item: &Item| item.lane == lane && !item.is_realtime();
                let sent = numbers_where(walk.sent.iter().map(|(_, item)| *item), in_lane);
                let taken = numbers_where(walk.taken.iter().copied(), in_lane);
                let loose = |item: &Item| in_lane(item) && item.channel.is_none();
                for number in numbers_where(walk.taken.iter().copied(), loose) {
                    let before = |order: &[u16]| {
                        let mut set: Vec<_> =
                            order.iter().copied().take_while(|&n| n != number).collect();
                        set.sort_unstable();
                        set
                    };
                    prop_assert_eq!(before(&sent), before(&taken));
                }
            }
        }

        /// 31.25 kbaud over any window, except for the burst or one item that takes longer.
        #[test]
        fn the_line_is_never_overdriven(deeds in any_deeds()) {
            let sent = walk(PortKind::Din, &deeds).sent;
            for (first, (start_us, _)) in sent.iter().enumerate() {
                let mut total_us = 0;
                for (us, item) in &sent[first..] {
                    let cost = cost_us(PortKind::Din, item.byte_count());
                    total_us += cost;
                    let room_us = us - start_us + cost.max(Limits::BURST_US);
                    prop_assert!(total_us <= room_us, "{total_us} µs given room for {room_us}");
                }
            }
        }

        /// Whatever waits below on other channels, a note leaves within the burst.
        #[test]
        fn a_note_on_a_quiet_channel_waits_no_longer_than_the_burst(
            deeds in any_deeds(), at_us in 0..20_000_u64,
        ) {
            let mut wire = wire(PortKind::Din);
            for (number, deed) in (0..).zip(&deeds) {
                if let Deed::Push(lane, channel) = *deed {
                    let lane = lane.max(Lane::Changeover);
                    wire.push(0, numbered(lane, channel, number)).expect("room");
                }
            }
            let mut now_us = 0;
            while now_us < at_us {
                match wire.next(now_us) {
                    Next::Send(_) => {}
                    Next::Wait(until_us) => now_us = until_us,
                    Next::Idle => break,
                }
            }
            let note = numbered(Lane::Live, Some(15), 16_000);
            wire.push(now_us, note).expect("room");
            let sent = drain(&mut wire, now_us);
            prop_assert_eq!(sent[0].1, note);
            prop_assert!(sent[0].0 - now_us <= Limits::BURST_US);
        }
    }
}
