//! Spares: a second receiver of the same model, kept in the same state, that takes over.
//!
//! The scenes know the main receiver only. Its slots are wired to its own channels, or to
//! those of a spare that has taken over; a spare's slots are wired to whoever stands by.
//! State goes to the one that is played, by the rules of any slot; whoever stands by follows
//! by difference, slot by slot, at the end of each call. Notes, and the pedals that hold
//! them, go to the one that is played only: a receiver that stands by is silent.

use super::input::Urgency;
use super::known::{Known, Parameter, UNKNOWN, UNKNOWN_BEND};
use super::limits::{MAX_RECEIVERS, MAX_SLOTS};
use super::machine::{Call, Machine};
use super::mpe::Place;
use super::notes::{NEUTRAL_RELEASE, Note};
use super::pedals::SOSTENUTO;
use super::promptbook::{OutPort, Promptbook, ReceiverId, SlotEntry, SlotId};
use super::rescue::Deed;
use crate::midi::{Controller, Message, Program, Value7, Value14, cc};

/// Which channels the slots are wired to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wiring {
    /// For each slot the slot of the promptbook whose port and channel it has.
    slots: [SlotId; MAX_SLOTS],
    /// The same for whole receivers. Both are permutations.
    receivers: [ReceiverId; MAX_RECEIVERS],
}

impl Wiring {
    /// Everything on its own channels.
    pub(super) fn new() -> Self {
        let mut wiring = Self {
            slots: [SlotId(0); MAX_SLOTS],
            receivers: [ReceiverId(0); MAX_RECEIVERS],
        };
        for (number, slot) in (0u8..).zip(&mut wiring.slots) {
            *slot = SlotId(number);
        }
        for (number, receiver) in (0u8..).zip(&mut wiring.receivers) {
            *receiver = ReceiverId(number);
        }
        wiring
    }

    /// The slot of the promptbook that a slot is wired to.
    pub(super) fn slot(&self, slot: SlotId) -> SlotId {
        self.slots.get(slot.index()).copied().unwrap_or(slot)
    }

    /// The slot that is wired to a slot of the promptbook.
    pub(super) fn slot_wired_to(&self, wanted: SlotId) -> SlotId {
        let found = self.slots.iter().position(|slot| *slot == wanted);
        found
            .and_then(|index| u8::try_from(index).ok())
            .map_or(wanted, SlotId)
    }

    /// The receiver that a receiver of the scenes is wired to.
    pub(super) fn receiver(&self, receiver: ReceiverId) -> ReceiverId {
        let wired = self.receivers.get(receiver.index());
        wired.copied().unwrap_or(receiver)
    }

    /// A slot of the promptbook with the port and channel that it is wired to.
    pub(super) fn entry(&self, book: &Promptbook, slot: SlotId) -> Option<SlotEntry> {
        let own = *book.slots.get(slot.index())?;
        let wired = book.slots.get(self.slot(slot).index())?;
        Some(SlotEntry {
            port: wired.port,
            channel: wired.channel,
            ..own
        })
    }
}

/// A slot of the scenes, and the slot beside it that stands by.
type Pair = (SlotId, SlotId);

impl Machine {
    /// A slot with the port and channel that it is wired to.
    pub(super) fn wired(&self, book: &Promptbook, slot: SlotId) -> Option<SlotEntry> {
        self.wiring.entry(book, slot)
    }

    /// The receiver that what is sent to a slot reaches.
    pub(super) fn device(&self, book: &Promptbook, slot: SlotId) -> Option<ReceiverId> {
        let wired = book.slots.get(self.wiring.slot(slot).index())?;
        Some(wired.receiver)
    }

    /// The port of the receiver that is played where the scenes name `receiver`.
    pub(super) fn wired_port(&self, book: &Promptbook, receiver: ReceiverId) -> Option<OutPort> {
        let wired = self.wiring.receiver(receiver);
        Some(book.receivers.get(wired.index())?.port)
    }

    /// A cue that touches a slot makes unknown what it touched.
    pub(super) fn unlearn(&mut self, book: &Promptbook, port: OutPort, message: Message) {
        for (slot, state) in (0u8..).map(SlotId).zip(self.slots.iter_mut()) {
            let entry = self.wiring.entry(book, slot);
            let is_touched = entry.is_some_and(|entry| {
                entry.port == port && Some(entry.channel) == message.channel()
            });
            if !is_touched {
                continue;
            }
            state.known.forget(message);
        }
    }

    /// Whether a receiver is a spare, or has been replaced by one, and so is not played.
    pub(super) fn stands_by(&self, book: &Promptbook, receiver: ReceiverId) -> bool {
        let main = main_of(book, receiver);
        self.wiring.receiver(main) != receiver
    }

    /// Tells all that stand by what differs from what is played.
    pub(super) fn follow_spares(&mut self, call: &mut Call<'_>) {
        for spare in spares(call.book) {
            let main = main_of(call.book, spare);
            for pair in pairs(call.book, main, spare) {
                self.follow(call, pair);
            }
        }
    }

    fn follow(&mut self, call: &mut Call<'_>, (played, idle): Pair) {
        if !self.slot_listens(call, idle) {
            return;
        }
        if !self.slot_listens(call, played) {
            self.follow_scene(call, (played, idle));
            return;
        }
        let (from, to) = (self.slots.at(played), self.slots.at(idle));
        if from.known == to.known {
            return;
        }
        let wanted = from.known.clone();
        call.telling = Urgency::Prime;
        self.follow_patch(call, (played, idle), &wanted);
        let is_loading = self.slots.at(idle).load.is_loading();
        if !is_loading {
            self.follow_rest(call, idle, &wanted);
        }
        call.telling = Urgency::Changeover;
    }

    /// While the one that is played is away, whoever stands by is told what the scene asks of
    /// it, as if the two had changed places already; its pedals go with the notes.
    fn follow_scene(&mut self, call: &mut Call<'_>, pair: Pair) {
        let (played, idle) = pair;
        let is_seated = self.slots.at(played).sound.is_some();
        let is_loading = self.slots.at(idle).load.is_loading();
        if !is_seated || is_loading {
            return;
        }
        self.exchange(pair);
        self.catch_up(call.book, played);
        let sound = self.voiced(call.book, played).copied();
        let manners = self.manners(call.book, played).copied();
        if let (Some(sound), Some(manners)) = (sound, manners) {
            call.telling = Urgency::Prime;
            let program = self.due_program(played, &sound.patch, manners);
            let loads =
                program.is_some_and(|program| self.load(call, played, &sound, manners, program));
            if !loads {
                self.settle_settings(call, played, &sound);
            }
            call.telling = Urgency::Changeover;
        }
        self.exchange(pair);
    }

    /// The patch first: it may reset what comes after it, or take its time.
    fn follow_patch(&mut self, call: &mut Call<'_>, (played, idle): Pair, wanted: &Known) {
        let Some(known) = Some(&self.slots.at(idle).known) else {
            return;
        };
        let is_held = (known.program(), known.bank()) == (wanted.program(), wanted.bank());
        let Some(program) = Program::new(wanted.program()).filter(|_| !is_held) else {
            return;
        };
        for (number, value) in [
            (cc::BANK_MSB, wanted.bank().0),
            (cc::BANK_LSB, wanted.bank().1),
        ] {
            if let Some(value) = Value7::new(value) {
                self.tell_control(call, idle, number, value);
            }
        }
        self.send_program(call, idle, program);
        let Some(manners) = self.manners(call.book, idle).copied() else {
            return;
        };
        let load_us = self
            .voiced(call.book, played)
            .map_or(manners.load_us, |sound| sound.load_us);
        let state = self.slots.at_mut(idle);
        // What the played one has in force although it was never told is no matter here.
        state.known.set_bank(wanted.bank());
        state.load.begin(call.now_us, load_us);
        if manners.resets_controllers {
            state.known.forget_controllers();
        }
    }

    fn follow_rest(&mut self, call: &mut Call<'_>, idle: SlotId, wanted: &Known) {
        for (parameter, value) in wanted.parameters() {
            let is_held = self.slots.at(idle).known.parameter(parameter) == Some(value);
            match parameter {
                _ if is_held => {}
                Parameter::Exclusive(name) => {
                    let blob = super::promptbook::BlobId(value);
                    self.send_exclusive(call, idle, name, blob);
                }
                _ => {
                    let value = Value14::clamped(value.into());
                    self.send_numbered(call, idle, call.telling, (parameter, value));
                }
            }
        }
        for (number, value) in (0u8..120).zip(wanted.controls()) {
            let (Some(number), Some(value)) = (Controller::new(number), Value7::new(value)) else {
                continue;
            };
            let is_held = self.slots.at(idle).known.control(number) == value.get();
            if is_held || is_pedal(number) {
                continue;
            }
            self.tell_control(call, idle, number, value);
            // The upper half of a pair sets the lower half to 0 (MIDI 1.0).
            if number.get() < 32 {
                let state = self.slots.at_mut(idle);
                let fine = Controller::clamped(i32::from(number.get()) + 32);
                state.known.set_control(fine, UNKNOWN);
            }
        }
        let Some(known) = Some(&self.slots.at(idle).known) else {
            return;
        };
        let (bend, pressure) = (known.bend(), known.pressure());
        if bend != wanted.bend() && wanted.bend() != UNKNOWN_BEND {
            let value = Value14::clamped(wanted.bend().into());
            self.send(call, idle, call.telling, |ch| Message::Bend(ch, value));
        }
        if pressure != wanted.pressure()
            && let Some(value) = Value7::new(wanted.pressure())
        {
            self.send(call, idle, call.telling, |ch| Message::Pressure(ch, value));
        }
    }

    /// `wanted` is played from now on; if it is already, the one that it is the spare of, or
    /// its first spare. Keys that are down are struck anew there, at the velocity they were
    /// struck with; what only a pedal holds ends, and the sostenuto pedal counts from its
    /// next press.
    pub(super) fn take_over(&mut self, call: &mut Call<'_>, wanted: ReceiverId) {
        let book = call.book;
        let main = main_of(book, wanted);
        let before = self.wiring.receiver(main);
        let after = match wanted {
            _ if before != wanted => Some(wanted),
            _ if wanted != main => Some(main),
            _ => spares(book).find(|spare| main_of(book, *spare) == main),
        };
        let Some(after) = after else {
            self.report(Deed::NoSpare(wanted));
            return;
        };
        let is_there = book
            .receivers
            .get(after.index())
            .is_some_and(|entry| self.is_listening(entry.port));
        if !is_there {
            self.report(Deed::SpareAbsent(after));
            return;
        }
        let standing_by = (0u8..)
            .map(ReceiverId)
            .take(book.receivers.len().min(MAX_RECEIVERS))
            .find(|receiver| self.wiring.receiver(*receiver) == after);
        let Some(standing_by) = standing_by else {
            return;
        };
        self.end_cues_of(call, Some(before));
        for (slot, _) in pairs(book, main, standing_by) {
            self.hush(call, slot);
        }
        for pair in pairs(book, main, standing_by) {
            self.exchange(pair);
        }
        self.wiring
            .receivers
            .swap(main.index(), standing_by.index());
        let mut notes = 0_u16;
        for (slot, _) in pairs(book, main, standing_by) {
            if self.catch_up_sound(call, slot) {
                self.revoice(call, slot);
            }
            self.settle_pedals(call, slot);
            notes = notes.saturating_add(self.strike_anew(call, slot));
        }
        self.restart_priming(call.now_us);
        self.report(Deed::TookOver {
            from: before,
            to: after,
            notes,
        });
    }

    fn catch_up_sound(&mut self, call: &Call<'_>, slot: SlotId) -> bool {
        let is_seated =
            self.slots.at(slot).sound.is_some() && !self.slots.at(slot).load.is_loading();
        if is_seated {
            self.catch_up(call.book, slot);
        }
        is_seated
    }

    /// Ends everything of ours on the channel that a slot is wired to now: keys, what the
    /// pedals hold, and what nobody knows of. The keys stay owners of their notes.
    fn hush(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let mut index = 0;
        while let Some(note) = self.notes.get(index) {
            if note.slot == slot && !note.is_key_down() && !self.is_yet_to_sound(note) {
                self.drop_note(call, index);
                continue;
            }
            if note.slot == slot {
                let sounding = note
                    .offs
                    .saturating_sub(self.waiting_strikes((slot, note.member), note.out_key));
                for _ in 0..sounding {
                    let place = (slot, note.member);
                    self.send_to(call, place, Urgency::Live, |ch| {
                        Message::NoteOff(ch, note.out_key, NEUTRAL_RELEASE)
                    });
                }
            }
            index += 1;
        }
        self.notes.unlatch(slot);
        let state = self.slots.at_mut(slot);
        let is_played = state.usage.is_played;
        state.level.stop_fade();
        state.pedals.ignore(SOSTENUTO);
        if is_played {
            self.quieten(call, slot);
        }
    }

    /// What belongs to the channel and not to the sound changes places.
    fn exchange(&mut self, (played, idle): Pair) {
        let Some((one, other)) = self.slots.two_mut(played, idle) else {
            return;
        };
        std::mem::swap(&mut one.known, &mut other.known);
        std::mem::swap(&mut one.load, &mut other.load);
        one.sounding.exchange_rings(&mut other.sounding);
        one.pedals.exchange_late_rises(&mut other.pedals);
        one.debts.exchange_doubts(&mut other.debts);
        // A parameter that hands were in the middle of naming is named anew there.
        (one.numbered, other.numbered) = (None, None);
        self.wiring.slots.swap(played.index(), idle.index());
    }

    /// Strikes the keys of a slot that are down, but those whose first strike still waits.
    fn strike_anew(&mut self, call: &mut Call<'_>, slot: SlotId) -> u16 {
        let (mut index, mut count) = (0, 0_u16);
        while let Some(note) = self.notes.get(index) {
            let place = (slot, note.member);
            let waiting = self.waiting_strikes(place, note.out_key);
            if note.slot == slot && note.offs > waiting {
                self.notes.set_offs(index, waiting.saturating_add(1));
                count = count.saturating_add(1);
                self.play(
                    call,
                    place,
                    note.out_key,
                    Some(note.velocity),
                    NEUTRAL_RELEASE,
                );
            }
            index += 1;
        }
        count
    }

    /// Whether a note that only a pedal holds was struck and let go while its slot loads: it
    /// will sound, and under that pedal.
    fn is_yet_to_sound(&self, note: Note) -> bool {
        let place = (note.slot, note.member);
        let is_of_key = |other: &&Note| {
            (other.slot, other.member, other.out_key) == (note.slot, note.member, note.out_key)
                && other.is_key_down()
        };
        let of_keys = self.notes.iter().filter(is_of_key);
        let of_keys: u16 = of_keys.map(|other| other.offs).sum();
        self.waiting_strikes(place, note.out_key) > of_keys
    }

    /// Strikes of a key that wait for the slot's patch.
    fn waiting_strikes(&self, place: Place, key: crate::midi::Key) -> u16 {
        let waiting = self.held_back.iter().filter(|item| {
            (item.slot, item.member) == place && item.key == key && item.velocity.is_some()
        });
        u16::try_from(waiting.count()).unwrap_or(u16::MAX)
    }
}

/// The receiver that the scenes play where `receiver` is meant.
pub(super) fn main_of(book: &Promptbook, receiver: ReceiverId) -> ReceiverId {
    book.receivers
        .get(receiver.index())
        .and_then(|entry| entry.spare_of)
        .unwrap_or(receiver)
}

/// All spares of the rig.
fn spares(book: &Promptbook) -> impl Iterator<Item = ReceiverId> + use<'_> {
    (0u8..)
        .map(ReceiverId)
        .zip(book.receivers.iter().take(MAX_RECEIVERS))
        .filter(|(_, entry)| entry.spare_of.is_some())
        .map(|(id, _)| id)
}

/// The slots of a receiver, each with its counterpart of a spare: they are laid out alike.
fn pairs(
    book: &Promptbook,
    main: ReceiverId,
    spare: ReceiverId,
) -> impl Iterator<Item = Pair> + use<> {
    let slots = |receiver: ReceiverId| {
        let span = book
            .receivers
            .get(receiver.index())
            .map_or_else(Default::default, |entry| entry.slots);
        let start = u8::try_from(span.start).unwrap_or(u8::MAX);
        let end = start.saturating_add(u8::try_from(span.len).unwrap_or(u8::MAX));
        (start..end).map(SlotId)
    };
    slots(main).zip(slots(spare))
}

const fn is_pedal(number: Controller) -> bool {
    matches!(number.get(), 64 | 66 | 67)
}
