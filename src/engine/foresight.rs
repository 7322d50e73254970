//! What a press would send now, and what must be waited for after it: the price of the next
//! step, for screens.
//!
//! The step is made on a machine of its own, which is a copy of the one that is played, in an
//! outbox of its own: the code that a press runs is the code that is priced, and nothing that
//! is played or known is touched. The copy is as if all was silent and no line was busy: how
//! notes that are held now will end is the hand's business and costs no bytes of this account.
//!
//! The copy is taken at most every `prime::PRICE_US`, and in the call of a tick only. Its memory
//! is made once, beside that of the machine that is played, and written over each time.

use super::cue_notes::CueNotes;
use super::held_back::MAX_HELD_BACK_US;
use super::input::Outbox;
use super::limits::MAX_SLOTS;
use super::machine::{Call, Machine};
use super::promptbook::{OutPort, PositionEntry, PositionId, Promptbook, SlotId};
use super::slots::{SlotState, bit, byte_count};
use super::view::NextView;

/// A second machine, on which the next step is tried out.
#[derive(Debug)]
pub(super) struct Foresight {
    machine: Machine,
    outbox: Outbox,
}

impl Foresight {
    /// With all the memory that it will need for this book, and others of the same rig.
    pub(super) fn new(book: &Promptbook, at: PositionId) -> Self {
        Self {
            machine: Machine::new(book, at),
            outbox: Outbox::new(),
        }
    }

    /// What a step would send if it was made now, after the last call of `live`.
    pub(super) fn price(&mut self, book: &Promptbook, live: &Machine) -> NextView {
        let Some((next, _)) = live.next_place(book) else {
            return NextView::default();
        };
        let Self { machine, outbox } = self;
        machine.copy_from(live);
        machine.fall_silent();
        let mut call = Call::new(book, live.now_us, outbox);
        // What is owed, or waits for a line, goes out without a press.
        machine.flush_moves(&mut call);
        machine.pay_owed(&mut call);
        machine.free_lines();
        call.out.clear();

        let mut tally = Tally::of(next);
        machine.step(&mut call);
        machine.pay_owed(&mut call);
        tally.take(machine, &mut call);
        for (slot, state) in (0u8..).map(SlotId).zip(machine.slots.iter_mut()) {
            if !machine.seats.contains(&Some(slot)) {
                // It is no matter of the next scene when what was left has loaded.
                state.load.end();
            }
        }
        tally.price.early_us = machine.early_us(book, call.now_us);
        while let Some(loaded_us) = machine.first_load_us() {
            call.now_us = loaded_us.max(call.now_us);
            machine.now_us = call.now_us;
            machine.run_loads(&mut call);
            tally.ready_us = tally.ready_us.max(loaded_us);
            tally.take(machine, &mut call);
        }
        tally.finish(machine, live.now_us)
    }
}

/// What a step has come to so far.
struct Tally {
    price: NextView,
    /// Slots that were told something.
    told: [bool; MAX_SLOTS],
    /// When the last patch has loaded, and the last byte has left.
    ready_us: u64,
}

impl Tally {
    fn of(next: PositionId) -> Self {
        let price = NextView {
            position: Some(next),
            ..NextView::default()
        };
        Self {
            price,
            told: [false; MAX_SLOTS],
            ready_us: 0,
        }
    }

    /// Counts what is in the outbox, and empties it.
    fn take(&mut self, machine: &Machine, call: &mut Call<'_>) {
        let book = call.book;
        for output in call.out.items() {
            add(
                &mut self.price,
                book,
                output.port,
                byte_count(book, &output.payload),
            );
            self.ready_us = self
                .ready_us
                .max(machine.outputs.at(output.port).line_free_us());
            for (told, slot) in self.told.iter_mut().zip(machine.slot_ids()) {
                *told |= machine.wired(book, slot).is_some_and(|entry| {
                    (entry.port, Some(entry.channel)) == (output.port, output.channel)
                });
            }
        }
        call.out.clear();
    }

    fn finish(mut self, machine: &Machine, now_us: u64) -> NextView {
        for seat in machine.seats.iter().flatten() {
            let is_told = self.told.get(seat.index()).copied().unwrap_or(false);
            self.price.sounds = self.price.sounds.saturating_add(1);
            self.price.ready = self.price.ready.saturating_add(u8::from(!is_told));
        }
        self.price.ready_us =
            u32::try_from(self.ready_us.saturating_sub(now_us)).unwrap_or(u32::MAX);
        self.price
    }
}

impl Machine {
    /// Every note has ended and rung out, and nothing is on its way.
    fn fall_silent(&mut self) {
        self.notes.clear();
        self.held_back.clear();
        self.cue_notes = CueNotes::new();
        for slot in self.slots.iter_mut() {
            slot.fall_silent(self.now_us);
        }
    }

    /// No line has anything left to carry.
    fn free_lines(&mut self) {
        for port in self.outputs.iter_mut() {
            port.free_line();
        }
    }

    /// When the next patch has loaded.
    pub(super) fn first_load_us(&self) -> Option<u64> {
        self.slots
            .iter()
            .filter_map(|slot| slot.load.until_us())
            .min()
    }

    /// How long before its patch has loaded a note that is played at once may sound, of the
    /// sound for which that is longest.
    fn early_us(&self, book: &Promptbook, now_us: u64) -> u32 {
        let early = self.seats.iter().flatten().filter_map(|slot| {
            let state = self.slots.at(*slot);
            let manners = self.manners(book, *slot)?;
            // A note follows its program change, unless it waits.
            let sounds_us = if manners.holds_back {
                now_us.saturating_add(MAX_HELD_BACK_US)
            } else {
                state.load.leaves_us(now_us)
            };
            Some(state.load.until_us()?.saturating_sub(sounds_us))
        });
        u32::try_from(early.max().unwrap_or(0)).unwrap_or(u32::MAX)
    }
}

impl SlotState {
    fn fall_silent(&mut self, now_us: u64) {
        self.sounding.fall_silent(now_us);
        self.pedals.forget_ended();
        self.fingers.lose();
        self.bend_tails = 0;
        self.level.stop();
    }
}

/// The controllers that play a sound of a position's scene. A sound that nobody plays is
/// heard through other instruments or lights, so it is not primed.
pub(super) fn feeds(book: &Promptbook, place: &PositionEntry, number: u8) -> u16 {
    let zones = book
        .scenes
        .get(place.scene.index())
        .map_or(&[][..], |scene| scene.zones.of(&book.zones));
    zones
        .iter()
        .filter(|zone| zone.sound.0 == number)
        .fold(0, |feeds, zone| feeds | bit(zone.controller))
}

/// Counts bytes for a port, with what they take on its line.
fn add(price: &mut NextView, book: &Promptbook, port: OutPort, bytes: u64) {
    let byte_us = book
        .out_ports
        .get(port.index())
        .map_or(0, |entry| entry.byte_us);
    if let Some(sum) = price.ports.get_mut(port.index()) {
        let us = byte_us.saturating_mul(bytes);
        sum.bytes = sum
            .bytes
            .saturating_add(u32::try_from(bytes).unwrap_or(u32::MAX));
        sum.us = sum.us.saturating_add(u32::try_from(us).unwrap_or(u32::MAX));
    }
}
