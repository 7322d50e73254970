//! The model receiver itself: power, time, bytes in, what is heard out.
//!
//! Things that fall due (a patch is loaded, a ring is done, sensing is lost) happen at
//! their own time and in order, however seldom the model is called.

use std::collections::VecDeque;

use crate::midi::num::{Channel, Value14};

use super::heard::{Ended, Event, Heard, HeardLog};
use super::law;
use super::parse::{Item, Parser};
use super::slot::SlotState;
use super::spec::{Kind, ReceiverSpec};
use super::voice::{Voice, Voices};
use super::zones::Zones;

/// Messages that wait for a patch to load; past it the newest is lost and counted.
pub const MAX_DELAYED: usize = 1_024;
/// Recorded messages kept; past it the oldest is dropped and counted.
pub const MAX_RECEIVED: usize = 4_096;
/// Answers kept until they are taken; past it the newest is dropped and counted.
pub const MAX_ANSWERS: usize = 16;
/// Silence after active sensing that counts as a lost link, in microseconds
/// (MIDI 1.0, System Real-Time; from memory).
pub const SENSING_US: u64 = 300_000;

/// A message as it was recorded.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Received {
    /// When its last byte came, in microseconds.
    pub at_us: u64,
    /// Its bytes, with full status.
    pub bytes: Vec<u8>,
}

/// What was counted since the model was made.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counters {
    /// Bytes that came while power was off or the receiver booted.
    pub deaf_bytes: u64,
    /// Data bytes that belong to no message.
    pub junk_bytes: u64,
    /// Messages and System Exclusives that broke off.
    pub broken_messages: u64,
    /// Note Offs for a key of which no note was held.
    pub idle_note_offs: u64,
    /// Channel messages on channels it does not listen to.
    pub unheard: u64,
    /// Messages lost because `MAX_DELAYED` waited.
    pub delayed_lost: u64,
    /// Recorded messages dropped at `MAX_RECEIVED`.
    pub received_dropped: u64,
    /// Answers dropped at `MAX_ANSWERS`.
    pub answers_dropped: u64,
    /// Parameters refused at `MAX_PARAMETERS`.
    pub parameters_refused: u64,
    /// Messages on member channels of MPE zones that are ignored there.
    pub left_out: u64,
    /// Data entries ignored because the parameter number was null.
    pub entries_unselected: u64,
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Power {
    Off,
    Booting { until_us: u64 },
    On,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct Delayed {
    pub(super) status: u8,
    pub(super) first: u8,
    pub(super) second: u8,
}

/// A model receiver, switched on and listening.
#[derive(Clone, Debug)]
pub struct ReceiverModel {
    pub(super) spec: ReceiverSpec,
    pub(super) now_us: u64,
    pub(super) slots: Box<[SlotState; 16]>,
    pub(super) voices: Voices,
    pub(super) log: HeardLog,
    pub(super) delayed: VecDeque<Delayed>,
    pub(super) master: Value14,
    pub(super) counters: Counters,
    pub(super) zones: Zones,
    pub(super) answers: VecDeque<Vec<u8>>,
    power: Power,
    parser: Parser,
    /// When the last byte came, once active sensing was seen.
    sensed_us: Option<u64>,
    received: VecDeque<Received>,
}

impl ReceiverModel {
    /// A receiver as this spec has it, booted, at time 0.
    #[must_use]
    pub fn new(spec: ReceiverSpec) -> Self {
        let slots = Box::new(slots_at_power_on(&spec));
        Self {
            spec,
            now_us: 0,
            slots,
            voices: Voices::default(),
            log: HeardLog::default(),
            delayed: VecDeque::new(),
            master: Value14::MAX,
            counters: Counters::default(),
            zones: Zones::default(),
            answers: VecDeque::new(),
            power: Power::On,
            parser: Parser::new(),
            sensed_us: None,
            received: VecDeque::new(),
        }
    }

    /// Takes bytes that came off the wire at `now_us`, in any chunks.
    pub fn feed(&mut self, now_us: u64, bytes: &[u8]) {
        self.advance(now_us);
        if self.power != Power::On {
            self.counters.deaf_bytes += bytes.len() as u64;
            return;
        }
        if !bytes.is_empty() && self.sensed_us.is_some() {
            self.sensed_us = Some(self.now_us);
        }
        for byte in bytes {
            for item in self.parser.push(*byte).into_iter().flatten() {
                self.take(item);
            }
        }
    }

    /// Lets time pass up to `now_us`; what falls due happens at its own time.
    pub fn advance(&mut self, now_us: u64) {
        while let Some(due_us) = self.next_deadline().filter(|due| *due <= now_us) {
            self.now_us = self.now_us.max(due_us);
            self.fall_due();
        }
        self.now_us = self.now_us.max(now_us);
    }

    /// Switches power off: every voice ends at once.
    pub fn power_off(&mut self, now_us: u64) {
        self.advance(now_us);
        self.fall_silent(Ended::PowerOff);
        self.reset();
        self.forget_input();
        self.power = Power::Off;
    }

    /// Switches power on: deaf until it has booted, and as new after that.
    pub fn power_on(&mut self, now_us: u64) {
        self.advance(now_us);
        if self.power == Power::Off {
            self.power = Power::Booting {
                until_us: self.now_us.saturating_add(self.spec.manners.boot_us),
            };
            self.advance(now_us);
        }
    }

    /// When something falls due next, in microseconds; none if time alone changes nothing.
    #[must_use]
    pub fn next_deadline(&self) -> Option<u64> {
        let boot = match self.power {
            Power::Booting { until_us } => Some(until_us),
            _ => None,
        };
        let loaded = self.slots.iter().filter_map(|s| s.loading_until_us).min();
        [
            boot,
            self.sensing_lost_us(),
            loaded,
            self.voices.next_ring_us(),
        ]
        .into_iter()
        .flatten()
        .min()
    }

    /// Takes the answers sent since the last call (to Identity Requests).
    pub fn take_answers(&mut self) -> Vec<Vec<u8>> {
        self.answers.drain(..).collect()
    }

    /// How the receiver was described when it was made.
    #[must_use]
    pub const fn spec(&self) -> &ReceiverSpec {
        &self.spec
    }

    /// Whether power is on and it has booted.
    #[must_use]
    pub fn is_listening(&self) -> bool {
        self.power == Power::On
    }

    /// All voices that sound, rings included, oldest first.
    pub fn voices(&self) -> impl Iterator<Item = &Voice> {
        self.voices.iter()
    }

    /// The slot of this channel, as it is now.
    #[must_use]
    pub fn slot(&self, channel: Channel) -> &SlotState {
        &self.slots[channel.index()]
    }

    /// Level of a slot in dB, master volume included; silence is `-inf`.
    #[must_use]
    pub fn level_db(&self, channel: Channel) -> f64 {
        let slot = self.slot(self.ruling(channel));
        slot.level_db(self.spec.manners.level_law) + law::master_db(self.master)
    }

    /// Amplitudes of left and right of a slot (RP-036).
    #[must_use]
    pub fn pan_gains(&self, channel: Channel) -> (f64, f64) {
        law::pan_gains(self.slot(self.ruling(channel)).pan())
    }

    /// Master Volume (universal SysEx), 0–16383.
    #[must_use]
    pub const fn master_volume(&self) -> Value14 {
        self.master
    }

    /// Events from number `mark` on, oldest first. Begin with 0, go on with [`Self::mark`].
    pub fn events_since(&self, mark: u64) -> impl Iterator<Item = &Event> {
        self.log.since(mark)
    }

    /// Number of the next event.
    #[must_use]
    pub fn mark(&self) -> u64 {
        self.log.mark()
    }

    /// Events with a smaller number than this were dropped.
    #[must_use]
    pub const fn events_dropped(&self) -> u64 {
        self.log.dropped()
    }

    /// Messages recorded, oldest first: from a receiver that makes no sound all, from any other
    /// the System Exclusives and system common messages; active sensing and clock are left out.
    pub fn received(&self) -> impl Iterator<Item = &Received> {
        self.received.iter()
    }

    /// How often the receiver met what it could not use.
    #[must_use]
    pub const fn counters(&self) -> &Counters {
        &self.counters
    }

    /// Whether the input has come to the end of a message.
    #[must_use]
    pub const fn is_between_messages(&self) -> bool {
        !self.parser.is_inside_message()
    }

    pub(super) fn hear(&mut self, heard: Heard) {
        self.log.push(self.now_us, heard);
    }

    pub(super) fn fall_silent(&mut self, why: Ended) {
        self.voices
            .end_where(self.now_us, why, &mut self.log, |_| true);
    }

    /// System On: silence, and all as at power-on (GM2 §4.9). The 100 ms that the standard
    /// grants for it are not taken.
    pub(super) fn reset(&mut self) {
        self.fall_silent(Ended::SystemReset);
        *self.slots = slots_at_power_on(&self.spec);
        self.zones = Zones::default();
        self.delayed.clear();
        self.master = Value14::MAX;
    }

    fn take(&mut self, item: Item) {
        match item {
            Item::Channel {
                status,
                first,
                second,
            } => {
                let channel = Channel::clamped(i32::from(status & 0x0f));
                if !self.spec.hears(channel) {
                    self.counters.unheard += 1;
                    return;
                }
                if self.spec.kind == Kind::Silent {
                    self.record(&[status, first, second][..channel_len(status)]);
                }
                self.take_channel(channel, status, first, second);
            }
            Item::Common { status, data } => {
                let len = match status {
                    0xf1 | 0xf3 => 2,
                    0xf2 => 3,
                    _ => 1,
                };
                self.record(&[status, data[0], data[1]][..len]);
            }
            Item::RealTime(0xfe) => self.sensed_us = Some(self.now_us),
            Item::RealTime(byte) => self.take_real_time(byte),
            Item::Exclusive(bytes) => {
                self.hear(Heard::ExclusiveTaken { bytes: bytes.len() });
                self.record(&bytes);
                self.take_exclusive(&bytes);
            }
            Item::BrokenExclusive => {
                self.counters.broken_messages += 1;
                self.hear(Heard::ExclusiveBroken);
            }
            Item::Incomplete => {
                self.counters.broken_messages += 1;
                self.hear(Heard::MessageBroken);
            }
            Item::Junk(byte) => {
                self.counters.junk_bytes += 1;
                self.hear(Heard::JunkByte(byte));
            }
        }
    }

    fn take_real_time(&mut self, byte: u8) {
        match byte {
            0xff => {
                self.reset();
                self.forget_input();
            }
            0xfa..=0xfc => self.record(&[byte]),
            _ => {}
        }
    }

    /// The input as at power-on: no status in force, active sensing never seen.
    fn forget_input(&mut self) {
        self.parser = Parser::new();
        self.sensed_us = None;
    }

    /// Does what is due by `now_us`.
    fn fall_due(&mut self) {
        if matches!(self.power, Power::Booting { until_us } if until_us <= self.now_us) {
            self.power = Power::On;
            self.hear(Heard::Booted);
        }
        self.voices.end_rings(self.now_us, &mut self.log);
        self.finish_loading();
        if self.sensing_lost_us().is_some_and(|due| due <= self.now_us) {
            self.sensed_us = None;
            if self.spec.manners.heeds_sensing {
                self.fall_silent(Ended::SensingLost);
            }
        }
    }

    fn sensing_lost_us(&self) -> Option<u64> {
        self.sensed_us
            .map(|last| last.saturating_add(SENSING_US + 1))
    }

    fn record(&mut self, bytes: &[u8]) {
        if self.received.len() >= MAX_RECEIVED {
            self.received.pop_front();
            self.counters.received_dropped += 1;
        }
        self.received.push_back(Received {
            at_us: self.now_us,
            bytes: bytes.to_vec(),
        });
    }
}

fn slots_at_power_on(spec: &ReceiverSpec) -> [SlotState; 16] {
    std::array::from_fn(|index| {
        let channel = Channel::clamped(i32::try_from(index).unwrap_or(0));
        let mut slot = SlotState::at_power_on(channel);
        if let Some(patch) = spec.fixed_patch(channel) {
            slot.patch = patch;
            slot.patch_before = patch;
        }
        slot
    })
}

const fn channel_len(status: u8) -> usize {
    match status {
        0xc0..=0xdf => 2,
        _ => 3,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::spec::{LoadingControllers, LoadingNotes};
    use super::super::testing::*;
    use super::*;

    /// MIDI 1.0, System Real-Time (from memory): a receiver that never saw FE ignores the
    /// rule; after the first FE, silence of more than 300 ms turns all voices off and ends
    /// the watch.
    #[test]
    fn active_sensing_watches_the_link_once_it_was_seen() {
        let mut model = model(|_| {});
        model.feed(0, &on(60));
        model.advance(10_000_000);
        assert_eq!(model.voices().count(), 1, "never seen");
        model.feed(10_000_000, &[0xfe]);
        model.feed(10_300_000, &[0xfe]);
        model.feed(10_600_000, &on(62));
        model.advance(10_900_000);
        assert_eq!(
            model.voices().count(),
            2,
            "any byte counts, and 300 ms are not too long"
        );
        model.advance(20_000_000);
        let why = Ended::SensingLost;
        assert_eq!(ends(&model), [(10_900_001, 0, why), (10_900_001, 1, why)]);
        model.feed(20_000_000, &on(64));
        model.advance(30_000_000);
        assert_eq!(model.voices().count(), 1, "no longer watched");
    }

    #[test]
    fn manner_sensing_may_go_unheeded() {
        let mut model = model(|m| m.heeds_sensing = false);
        model.feed(0, &[0xfe, 0x90, 60, 100]);
        model.advance(1_000_000);
        assert_eq!(model.voices().count(), 1);
    }

    #[test]
    fn manner_power_and_boot() {
        let mut model = model(|m| m.boot_us = 5_000_000);
        model.feed(0, &[0xb0, 7, 9, 0x90, 60, 100, 0x90]);
        model.power_off(1);
        assert_eq!(ends(&model), [(1, 0, Ended::PowerOff)]);
        assert!(!model.is_listening());
        model.feed(2, &on(61));
        model.power_on(1_000_000);
        model.feed(5_999_999, &on(62));
        assert_eq!(model.counters().deaf_bytes, 6);
        assert_eq!(model.next_deadline(), Some(6_000_000));
        model.feed(6_000_000, &[63, 100]);
        assert_eq!(
            model.counters().junk_bytes,
            2,
            "no status is in force at power-on"
        );
        model.feed(6_000_001, &on(64));
        assert_eq!(sounding(&model).len(), 1);
        assert_eq!(model.slot(CH), &SlotState::at_power_on(CH));
        let booted = Event {
            at_us: 6_000_000,
            heard: Heard::Booted,
        };
        assert!(model.events_since(0).any(|event| *event == booted));
    }

    #[test]
    fn manner_a_note_rings_after_it_is_let_go() {
        for release_us in [0, 700] {
            let mut model = model(|m| m.release_us = release_us);
            model.feed(100, &on(60));
            model.feed(200, &off(60));
            model.advance(10_000);
            assert_eq!(ends(&model), [(200 + release_us, 0, Ended::RingDone)]);
        }
    }

    #[test]
    fn time_never_runs_backwards() {
        let mut model = model(|_| {});
        model.feed(500, &on(60));
        model.feed(400, &off(60));
        assert_eq!(ends(&model), [(500, 0, Ended::RingDone)]);
    }

    /// MIDI 1.0: System Reset is as power-on (from memory).
    #[test]
    fn system_reset_is_as_power_on() {
        let mut model = model(|_| {});
        model.feed(0, &[0xb0, 7, 9, 0xc0, 5, 0x90, 60, 100, 0xff, 62, 100]);
        assert_eq!(ends(&model), [(0, 0, Ended::SystemReset)]);
        assert_eq!(model.slot(CH), &SlotState::at_power_on(CH));
        assert_eq!(model.counters().junk_bytes, 2);
    }

    #[test]
    fn a_silent_receiver_records_what_it_is_told() {
        let mut model = ReceiverModel::new(ReceiverSpec::single(Kind::Silent, CH));
        model.feed(1, &[0xc0, 4, 5, 0x90, 60, 1]);
        model.feed(2, &[0xf8, 0xfe, 0xfa, 0xf2, 1, 2, 0xf3, 9, 0xc1, 7]);
        model.feed(3, &[0xf0, 0x7d, 1, 0xf7]);
        let received: Vec<(u64, Vec<u8>)> = model
            .received()
            .map(|r| (r.at_us, r.bytes.clone()))
            .collect();
        let expected: [(u64, &[u8]); 7] = [
            (1, &[0xc0, 4]),
            (1, &[0xc0, 5]),
            (1, &[0x90, 60, 1]),
            (2, &[0xfa]),
            (2, &[0xf2, 1, 2]),
            (2, &[0xf3, 9]),
            (3, &[0xf0, 0x7d, 1, 0xf7]),
        ];
        assert_eq!(received, expected.map(|(at, bytes)| (at, bytes.to_vec())));
        assert_eq!(model.voices().count(), 0, "it makes no sound");
    }

    #[test]
    fn what_is_recorded_is_bounded() {
        let mut model = ReceiverModel::new(ReceiverSpec::single(Kind::Silent, CH));
        for _ in 0..MAX_RECEIVED + 2 {
            model.feed(0, &program(1));
        }
        assert_eq!(model.received().count(), MAX_RECEIVED);
        assert_eq!(model.counters().received_dropped, 2);
    }

    #[test]
    fn broken_bytes_are_told_and_counted() {
        let mut model = model(|_| {});
        model.feed(0, &[5, 0x90, 60, 0xb0, 7, 1, 0xf0, 1, 0x90]);
        assert_eq!(
            heard(&model, 0),
            [
                Heard::JunkByte(5),
                Heard::MessageBroken,
                Heard::ExclusiveBroken
            ]
        );
        assert_eq!(model.counters().broken_messages, 2);
        assert!(!model.is_between_messages());
        model.feed(1, &[60, 1]);
        assert!(model.is_between_messages());
    }

    fn any_manners() -> impl Strategy<Value = ReceiverSpec> {
        (any::<bool>(), 0_u64..3, 0_u64..3, 1_u16..6).prop_map(|(is_bad, load, ring, voices)| {
            let mut spec = ReceiverSpec::gm2();
            if is_bad {
                spec.manners = super::super::ModelManners::bad();
            }
            spec.manners.load_us = load * 400;
            spec.manners.loading_controllers = LoadingControllers::Delayed;
            spec.manners.loading_notes = LoadingNotes::Delayed;
            spec.manners.release_us = ring * 300;
            spec.manners.polyphony = voices;
            spec
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        /// How bytes are cut into chunks, and how often time is asked, changes nothing; and
        /// every voice begins once and ends at most once.
        #[test]
        fn chunks_do_not_matter(
            spec in any_manners(),
            parts in proptest::collection::vec(
                (0_u64..500, proptest::collection::vec(any::<u8>(), 0..12)),
                0..60,
            ),
        ) {
            let mut whole = ReceiverModel::new(spec.clone());
            let mut cut = ReceiverModel::new(spec.clone());
            let mut now_us = 0;
            for (wait_us, bytes) in &parts {
                for step in 0..*wait_us / 100 {
                    cut.advance(now_us + step * 100);
                }
                now_us += wait_us;
                whole.feed(now_us, bytes);
                for byte in bytes {
                    cut.feed(now_us, &[*byte]);
                }
            }
            let events = |model: &ReceiverModel| model.events_since(0).copied().collect::<Vec<_>>();
            prop_assert_eq!(events(&whole), events(&cut));
            let mut alive = std::collections::BTreeSet::new();
            for event in whole.events_since(0) {
                match event.heard {
                    Heard::NoteStarted(voice) => prop_assert!(alive.insert(voice.id)),
                    Heard::NoteEnded { id, .. } => prop_assert!(alive.remove(&id)),
                    _ => {}
                }
                prop_assert!(alive.len() <= usize::from(spec.manners.polyphony));
            }
            prop_assert_eq!(alive.into_iter().collect::<Vec<_>>(), whole.voices().map(|v| v.id).collect::<Vec<_>>());
        }
    }
}
