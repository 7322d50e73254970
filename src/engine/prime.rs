//! What the next scene needs, loaded ahead on slots that are silent.
//!
//! A sound of the next position is primed on its planned slot if nothing can be heard of
//! it: the slot carries no sound of the present scene, holds no note by key or pedal, and
//! its ring has passed; the receiver states that it may be primed. It is told what
//! differs, by the same code as at a changeover, in the lane below it. So nothing has to
//! be taken back: a press that comes early finds what was told in `known`, and tells the
//! rest; a slot that is not needed after all is a silent slot with other contents.
//!
//! Little is handed out at a time, so that nothing of it waits in a queue when the press
//! comes: on a slow line one target when the line is free, elsewhere one slot. It is done
//! in calls of its own (`Input::Tick`), never in the call of a note or a press.
//!
//! Pedals of a primed slot are up, and are linked at the press. Sources (bend, pressure,
//! controllers that pass) are told where they stand once they have rested a while: a wheel
//! on the move would else be followed on slots that nobody hears.

use super::foresight::feeds;
use super::input::{Input, Urgency};
use super::known::UNKNOWN;
use super::limits::{MAX_SLOTS, MAX_SOUNDS};
use super::machine::{Call, Machine};
use super::pedals::PEDALS;
use super::promptbook::{PositionEntry, PositionId, Promptbook, SlotEntry, SlotId, SoundEntry};
use super::seats::Seats;
use super::slot::debts::Owed;
use super::view::NextView;
use super::voicing::{Entry, agenda};
use crate::midi::{Message, cc};

/// How long after a press priming begins: what the press sends is on its way by then.
const PAUSE_US: u64 = 10_000;
/// Between two slots of one port, and before a look that a note's end has asked for.
const GAP_US: u64 = 1_000;
/// How long sources rest before their positions are told to primed slots.
const REST_US: u64 = 250_000;
/// How often the price of the press is made anew while priming goes on.
const PRICE_US: u64 = 100_000;

/// A step on the way of a silent slot to a sound of the next scene.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Step {
    PedalsUp,
    Patch,
    Target(Entry),
    Pedals,
    Level,
}

/// All steps to a sound, in their order.
fn steps(sound: &SoundEntry) -> impl Iterator<Item = Step> + use<> {
    [Step::PedalsUp, Step::Patch]
        .into_iter()
        .chain(agenda(sound).map(Step::Target))
        .chain([Step::Pedals, Step::Level])
}

/// How far one slot is on its way to the next scene.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
struct Progress {
    /// How many steps are behind it. Each is passed once, so priming comes to an end whatever
    /// a sound asks for.
    passed: usize,
    /// It was told something.
    has_begun: bool,
    /// It was told all.
    is_done: bool,
}

/// How far the next scene is loaded ahead.
#[derive(Clone, Debug)]
pub(super) struct Priming {
    /// When to look at it again; none while nothing would come of it.
    due_us: Option<u64>,
    /// Until when sources are taken as on the move.
    rest_us: Option<u64>,
    /// Nothing is primed until somebody has taken the show up (after `restore`).
    is_allowed: bool,
    /// A planned slot holds notes, so their end is of interest.
    waits_for_notes: bool,
    slots: [Progress; MAX_SLOTS],
    /// What a press would send, as it was last made out.
    next: NextView,
    priced_us: u64,
    /// It is to be made out anew, after this call.
    is_price_due: bool,
}

impl Priming {
    /// Nothing primed, nothing in the way of it.
    pub(super) fn new() -> Self {
        Self {
            due_us: None,
            rest_us: None,
            is_allowed: true,
            waits_for_notes: false,
            slots: [Progress::default(); MAX_SLOTS],
            next: NextView::default(),
            priced_us: 0,
            is_price_due: false,
        }
    }

    /// What a press would send, as it was last made out.
    pub(super) const fn next(&self) -> NextView {
        self.next
    }

    /// What a press would send was made out anew.
    pub(super) const fn set_next(&mut self, next: NextView) {
        self.next = next;
    }

    /// Whether the price of the press is to be made out anew; once.
    pub(super) const fn take_price_due(&mut self) -> bool {
        std::mem::replace(&mut self.is_price_due, false)
    }

    /// When to look again.
    pub(super) fn deadline(&self) -> Option<u64> {
        let rest_us = self.rest_us.filter(|_| self.is_allowed);
        [self.due_us, rest_us].into_iter().flatten().min()
    }

    /// Nothing is primed any more until `allow_priming`.
    pub(super) const fn forbid(&mut self) {
        self.is_allowed = false;
        self.due_us = None;
        self.rest_us = None;
    }

    /// Whether a slot was told something for the next scene.
    pub(super) fn has_begun(&self, slot: SlotId) -> bool {
        self.slots
            .get(slot.index())
            .is_some_and(|progress| progress.has_begun)
    }

    fn wake(&mut self, at_us: u64) {
        if self.is_allowed {
            self.due_us = Some(self.due_us.map_or(at_us, |due| due.min(at_us)));
        }
    }

    fn restart(&mut self) {
        for progress in &mut self.slots {
            progress.passed = 0;
        }
    }
}

/// What an input may change that priming depends on.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Mark {
    notes: usize,
    movements: u64,
}

/// A sound that is loaded ahead.
#[derive(Clone, Copy)]
struct Ahead<'a> {
    sound: &'a SoundEntry,
    /// Its place among all sounds.
    index: usize,
    /// Controllers that play it.
    feeds: u16,
}

/// What one look at a slot has come to.
enum Look {
    /// Nothing to do there.
    Passed,
    /// Look again at this time.
    Later(u64),
    /// The port is busy with this slot until then.
    Busy(u64),
}

/// Whether an input is a movement of a hold, sostenuto or soft pedal.
fn is_pedal(input: Input) -> bool {
    matches!(input, Input::Midi(_, Message::Control(_, number, _)) if PEDALS.contains(&number))
}

impl Machine {
    /// What `run_priming` compares with.
    pub(super) fn mark(&self) -> Mark {
        Mark {
            notes: self.notes.len(),
            movements: self.movements,
        }
    }

    /// After each input: notes what it means for priming; on a tick, primes what is due.
    pub(super) fn run_priming(&mut self, call: &mut Call<'_>, input: Input, before: Mark) {
        if self.notes.len() < before.notes && self.priming.waits_for_notes {
            self.priming.wake(call.now_us.saturating_add(GAP_US));
        }
        // A pedal is no movement of a source, yet what slots know of it is part of the price.
        let has_moved = self.movements != before.movements || is_pedal(input);
        if has_moved && self.priming.is_allowed {
            self.priming.rest_us = Some(call.now_us.saturating_add(REST_US));
        }
        match input {
            Input::Midi(..) | Input::SignOfLife(_) => {}
            Input::Tick => {
                let is_due = |due: &u64| *due <= call.now_us;
                if self.priming.deadline().is_some_and(|due| is_due(&due)) {
                    self.prime(call);
                }
            }
            // Ports and commands may change anything.
            _ => self.restart_priming(call.now_us),
        }
        if self.next_place(call.book).is_none() {
            self.priming.due_us = None;
            self.priming.rest_us = None;
        }
    }

    /// Compares every planned slot again, soon.
    pub(super) fn restart_priming(&mut self, now_us: u64) {
        self.priming.restart();
        self.priming.wake(now_us.saturating_add(PAUSE_US));
    }

    /// Somebody has taken the show up.
    pub(super) fn allow_priming(&mut self, now_us: u64) {
        self.priming.is_allowed = true;
        self.restart_priming(now_us);
    }

    /// The position changes: somebody has taken the show up, and another scene is next.
    pub(super) fn abandon_priming(&mut self, now_us: u64) {
        self.priming.is_allowed = true;
        self.retarget_priming(now_us);
    }

    /// Another scene is next. What was told so far stands in `known`, and nothing else is
    /// left of it.
    pub(super) fn retarget_priming(&mut self, now_us: u64) {
        let given_up = self.priming.slots.iter();
        let given_up = given_up.filter(|progress| progress.has_begun && !progress.is_done);
        let count = given_up.count() as u64;
        self.counters.primes_abandoned = self.counters.primes_abandoned.saturating_add(count);
        self.priming.slots = [Progress::default(); MAX_SLOTS];
        self.priming.next = NextView::default();
        self.priming.priced_us = 0;
        self.restart_priming(now_us);
    }

    /// The position that a step leads to.
    pub(super) fn next_place<'a>(
        &self,
        book: &'a Promptbook,
    ) -> Option<(PositionId, &'a PositionEntry)> {
        let next = self.next_position().0?;
        Some((next, book.positions.get(next.index())?))
    }

    /// Looks at each sound of the next scene, and tells its slot a little if it may.
    fn prime(&mut self, call: &mut Call<'_>) {
        self.priming.due_us = None;
        self.priming.waits_for_notes = false;
        if self.priming.rest_us.is_some_and(|rest| rest <= call.now_us) {
            self.priming.rest_us = None;
            self.priming.restart();
        }
        let book = call.book;
        let Some((_, place)) = self.next_place(book) else {
            self.priming.next = NextView::default();
            return;
        };
        let sounds = book
            .scenes
            .get(place.scene.index())
            .map_or(&[][..], |scene| scene.sounds.of(&book.sounds));
        let first = book
            .scenes
            .get(place.scene.index())
            .map_or(0, |scene| scene.sounds.start as usize);
        let planned = place.seats.of(&book.seats);
        let mut stays: Seats = [None; MAX_SOUNDS];
        self.keep_seats(call, sounds, planned, &mut stays);

        let mut claims = Claims::default();
        for seat in stays.iter().flatten() {
            claims.slots |= slot_bit(seat.slot);
            // One that would be taken up again for the notes it holds is planned like any
            // other once they have ended.
            let is_held_over = self.slots.at(seat.slot).sound.is_none();
            self.priming.waits_for_notes |= is_held_over;
        }
        let handed_out = call.handed_out;
        call.telling = Urgency::Prime;
        for (number, ((sound, slot), _)) in (0u8..)
            .zip(sounds.iter().zip(planned).zip(&stays))
            .filter(|(_, (_, seat))| seat.is_none())
        {
            let feeds = feeds(book, place, number);
            let ahead = Ahead {
                sound,
                index: first + usize::from(number),
                feeds,
            };
            self.prime_sound(call, &mut claims, ahead, *slot);
        }
        call.telling = Urgency::Changeover;
        let is_quiet = call.handed_out == handed_out;
        let since_us = call.now_us.saturating_sub(self.priming.priced_us);
        if is_quiet || since_us >= PRICE_US {
            self.priming.priced_us = call.now_us;
            self.priming.is_price_due = true;
            // A press would wait for what loads now; once it has loaded, no more.
            if let Some(loaded_us) = self.first_load_us() {
                self.priming
                    .wake(loaded_us.max(call.now_us.saturating_add(1)));
            }
        }
    }

    /// One sound that is new in the next scene, on the slot that is planned for it.
    fn prime_sound(
        &mut self,
        call: &mut Call<'_>,
        claims: &mut Claims,
        ahead: Ahead<'_>,
        slot: SlotId,
    ) {
        let Some(entry) = self.wired(call.book, slot) else {
            return;
        };
        let port = 1u32.checked_shl(u32::from(entry.port.0)).unwrap_or(0);
        let is_claimed = claims.slots & slot_bit(slot) != 0;
        claims.slots |= slot_bit(slot);
        if is_claimed || claims.ports & port != 0 || ahead.feeds == 0 {
            return;
        }
        if !may_prime(call.book, &entry, ahead.sound) {
            return;
        }
        let due_us = match self.prime_slot(call, &entry, slot, ahead) {
            Look::Passed => return,
            Look::Later(due_us) => due_us,
            Look::Busy(due_us) => {
                claims.ports |= port;
                due_us
            }
        };
        // What is due now is due in the next call: time always goes on.
        self.priming.wake(due_us.max(call.now_us.saturating_add(1)));
    }

    fn prime_slot(
        &mut self,
        call: &mut Call<'_>,
        entry: &SlotEntry,
        slot: SlotId,
        ahead: Ahead<'_>,
    ) -> Look {
        let port = self.outputs.at(entry.port);
        let state = self.slots.at(slot);
        if !self.is_listening(entry.port) {
            return port.deadline(call.now_us).map_or(Look::Passed, Look::Later);
        }
        if state.sound.is_some() {
            return Look::Passed;
        }
        if state.sounding.is_held() {
            self.priming.waits_for_notes = true;
            return Look::Passed;
        }
        // A short note that waits for its patch has left the table, but is yet to sound.
        if let Some(item) = self.held_back.iter().find(|item| item.slot == slot) {
            return Look::Later(item.due_us);
        }
        if let Some(until_us) = state.load.until_us() {
            return Look::Busy(until_us);
        }
        if !state.sounding.is_silent(call.now_us) {
            return Look::Later(state.sounding.ring_until_us());
        }
        if state.sounding.may_ring_until_us() > call.now_us {
            return Look::Later(state.sounding.may_ring_until_us());
        }
        if state.debts.owed() != Owed::Nothing {
            return Look::Later(call.now_us.saturating_add(GAP_US));
        }
        let byte_us = call.book.out_ports.get(entry.port.index());
        let is_slow = byte_us.is_some_and(|port| port.byte_us > 0);
        if is_slow && port.line_free_us() > call.now_us {
            return Look::Busy(port.line_free_us());
        }
        if !self.tell_ahead(call, slot, ahead, is_slow) {
            return Look::Passed;
        }
        let line_free_us = self.outputs.at(entry.port).line_free_us();
        Look::Busy(if is_slow {
            line_free_us
        } else {
            call.now_us.saturating_add(GAP_US)
        })
    }

    /// Tells a silent slot what it lacks: all of it up to a patch that has to load, or on
    /// a slow line the next thing. False if it lacks nothing.
    fn tell_ahead(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        ahead: Ahead<'_>,
        is_slow: bool,
    ) -> bool {
        let before = call.handed_out;
        let sound = ahead.sound;
        let Some(progress) = self.priming.slots.get(slot.index()).copied() else {
            return false;
        };

        let state = self.slots.at_mut(slot);
        // Its sources, and how far they bend it, are those of the next scene while it is
        // told, and no longer: what is played does not reach it before the press.
        state.feeds = ahead.feeds;
        let voiced = state.voiced.replace(ahead.index);
        let mut passed = progress.passed;
        for step in steps(sound).skip(passed) {
            self.tell_step(call, slot, sound, step);
            let state = self.slots.at(slot);
            if state.sounding.may_ring_until_us() > call.now_us {
                break;
            }
            passed += 1;
            let is_told = call.handed_out != before;
            if state.load.is_loading() || (is_slow && is_told) {
                break;
            }
        }
        let state = self.slots.at_mut(slot);
        state.feeds = 0;
        state.voiced = voiced;
        let is_told = call.handed_out != before;
        let has_begun = progress.has_begun || is_told;
        let is_done = progress.is_done || passed >= steps(sound).count();
        if has_begun && is_done && !(progress.has_begun && progress.is_done) {
            self.counters.primed = self.counters.primed.saturating_add(1);
        }
        if let Some(kept) = self.priming.slots.get_mut(slot.index()) {
            *kept = Progress {
                passed,
                has_begun,
                is_done,
            };
        }
        is_told
    }

    /// Sends a silent slot what one step asks for.
    fn tell_step(&mut self, call: &mut Call<'_>, slot: SlotId, sound: &SoundEntry, step: Step) {
        match step {
            Step::PedalsUp => self.begin_slot(call, slot),
            Step::Patch => {
                self.tell_zone(call, slot);
                let Some(manners) = self.manners(call.book, slot).copied() else {
                    return;
                };
                if let Some(program) = self.due_program(slot, &sound.patch, manners) {
                    self.load(call, slot, sound, manners, program);
                }
            }
            Step::Target(entry) => {
                let is_moving = self.priming.rest_us.is_some();
                if !(is_moving && entry.is_source()) {
                    self.tell_target(call, slot, sound, entry);
                }
            }
            Step::Pedals => self.settle_pedals(call, slot),
            Step::Level => {
                if let Some(volume) = sound.volume {
                    self.tell_control(call, slot, cc::VOLUME, volume);
                }
            }
        }
    }

    /// A silent slot forgets the feet that it was left to, with its pedals up: whoever
    /// abandons it later has nothing to bring up. If one that came up lets something ring, the
    /// others are still linked, and come up when it has rung out.
    fn begin_slot(&mut self, call: &mut Call<'_>, slot: SlotId) {
        for (pedal, number) in PEDALS.iter().enumerate() {
            let state = self.slots.at_mut(slot);
            if state.sounding.may_ring_until_us() > call.now_us {
                return;
            }
            state.level.stop();
            state.pedals.unlink(pedal);
            let is_down = state.pedals.is_down(pedal);
            if is_down || state.known.control(*number) != UNKNOWN {
                self.sync_pedal(call, slot, pedal, call.telling);
            }
        }
    }
}

/// What is spoken for in one look: slots of sounds that stay or came earlier in the scene,
/// and ports that are busy with a slot.
#[derive(Default)]
struct Claims {
    slots: u128,
    ports: u32,
}

fn slot_bit(slot: SlotId) -> u128 {
    1u128.checked_shl(u32::from(slot.0)).unwrap_or(0)
}

/// Whether a slot is one that may be primed for a sound: its receiver says so and makes
/// sound, it belongs to the sound's group, and nothing else listens on its channel.
fn may_prime(book: &Promptbook, entry: &SlotEntry, sound: &SoundEntry) -> bool {
    let receiver = book.receivers.get(entry.receiver.index());
    let is_willing = receiver.is_some_and(|receiver| receiver.sounds && receiver.manners.may_prime);
    let is_of_group = entry.receiver == sound.receiver && entry.group == sound.group;
    let listeners = book
        .slots
        .iter()
        .filter(|other| other.port == entry.port && other.channel == entry.channel);
    is_willing && is_of_group && listeners.count() == 1
}
