//! What each slot is known to hold, and the only place where messages to slots leave.
//!
//! A changeover is a difference against this table, so whatever goes out is noted here.

use super::input::{Output, Payload, Urgency};
use super::known::{Known, Parameter};
use super::machine::{Call, Machine};
use super::moves::Waiting;
use super::mpe::Place;
use super::promptbook::{BlobId, ControllerId, Promptbook, SlotId};
use super::routed::NumberedPart;
use super::slot::debts::Debts;
use super::slot::fingers::Fingers;
use super::slot::level::Level;
use super::slot::load::Load;
use super::slot::pedals::SlotPedals;
use super::slot::sounding::Sounding;
use crate::midi::{Channel, Controller, Message, MpeZone, Program, Value7};

/// A slot at run time.
#[derive(Clone, Debug)]
pub(super) struct SlotState {
    /// What it is known to hold.
    pub(super) known: Known,
    /// The sound of the present scene that it carries.
    pub(super) sound: Option<u8>,
    /// The sound it was last made for: index into all sounds of the promptbook.
    pub(super) voiced: Option<usize>,
    /// How many movements of sources there had been when its sound was left.
    pub(super) left_at: u64,
    /// Controllers that had a zone on its sound then.
    pub(super) left_by: u16,
    /// Controllers that have a zone on its sound in the present scene, one bit each.
    pub(super) feeds: u16,
    /// Controllers that left it while bent: they are followed back to centre.
    pub(super) bend_tails: u16,
    /// Its patch while it loads.
    pub(super) load: Load,
    /// Its level while it moves.
    pub(super) level: Level,
    /// Its pedals.
    pub(super) pedals: SlotPedals,
    /// Notes that it holds, and what rings.
    pub(super) sounding: Sounding,
    /// What it is yet to be sent.
    pub(super) debts: Debts,
    /// Fingers of MPE surfaces that it hears.
    pub(super) fingers: Fingers,
    /// A route in the middle of sending a numbered parameter, and the part that is next.
    pub(super) numbered: Option<(u8, NumberedPart)>,
    /// Movements that wait for its line.
    pub(super) moves: Waiting,
    /// What the whole show plays on slots of its group.
    pub(super) usage: Usage,
    /// The MPE zone that it is, if it is one.
    pub(super) mpe: Option<MpeZone>,
}

/// What the whole show plays on the slots of one group: what a slot that is taken must be
/// told even if the scene does not name it, so that the way here does not matter.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Usage {
    /// Passed controllers, one bit each.
    pub(super) sources: [u64; 2],
    /// Some zone plays it.
    pub(super) is_played: bool,
    /// Some sound states a pan.
    pub(super) states_pan: bool,
    /// Some sound states a bend range.
    pub(super) states_bend_range: bool,
}

impl Usage {
    /// What either of two shows plays.
    pub(super) fn add(&mut self, other: Self) {
        for (sum, word) in self.sources.iter_mut().zip(other.sources) {
            *sum |= word;
        }
        self.is_played |= other.is_played;
        self.states_pan |= other.states_pan;
        self.states_bend_range |= other.states_bend_range;
    }
}

impl SlotState {
    /// A slot of which nothing is known.
    pub(super) const fn new(usage: Usage, mpe: Option<MpeZone>) -> Self {
        Self {
            known: Known::nothing(),
            sound: None,
            voiced: None,
            left_at: 0,
            left_by: 0,
            feeds: 0,
            bend_tails: 0,
            load: Load::NONE,
            level: Level::AT_REST,
            pedals: SlotPedals::UP,
            sounding: Sounding::NOTHING,
            debts: Debts::NONE,
            fingers: Fingers::NONE,
            numbered: None,
            moves: Waiting::NONE,
            usage,
            mpe,
        }
    }

    /// Whether what it sounds as belongs to the present scene. A sound that still waits for
    /// the last one to ring out is not there yet.
    pub(super) fn is_of_scene(&self) -> bool {
        self.sound.is_some() && !self.debts.owes_sound()
    }

    /// Its scene is left, or its sound is no more in it, after so many movements of sources.
    pub(super) fn leave_scene(&mut self, movements: u64) {
        if self.is_of_scene() {
            self.left_at = movements;
            self.left_by = self.feeds;
        }
        self.sound = None;
    }

    /// Whether this controller has a zone on its sound.
    pub(super) fn is_fed_by(&self, controller: ControllerId) -> bool {
        self.feeds & bit(controller) != 0
    }
}

/// The bit of a controller in a set of controllers.
pub(super) fn bit(controller: ControllerId) -> u16 {
    1u16.checked_shl(u32::from(controller.0)).unwrap_or(0)
}

impl Machine {
    /// Sends one message to a slot if its port listens, and notes what it does there.
    pub(super) fn send(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        urgency: Urgency,
        message: impl FnOnce(Channel) -> Message,
    ) {
        self.send_to(call, (slot, 0), urgency, message);
    }

    /// Sends one message to a channel of a slot. Those of an MPE zone keep one order: a note
    /// on a member must not overtake its patch on the manager.
    pub(super) fn send_to(
        &mut self,
        call: &mut Call<'_>,
        (slot, member): Place,
        urgency: Urgency,
        message: impl FnOnce(Channel) -> Message,
    ) {
        let Some(entry) = self.wired(call.book, slot) else {
            return;
        };
        if !self.is_listening(entry.port) {
            return;
        }
        let message = message(entry.member_channel(member));
        self.slots.at_mut(slot).known.note_on(member, message);
        let output = Output {
            port: entry.port,
            urgency,
            channel: Some(entry.channel),
            payload: Payload::Short(message),
        };
        self.note_told(self.device(call.book, slot));
        self.hand_out(call, output);
    }

    /// Hands out one message; one that the outbox refuses makes its port's state unknown.
    pub(super) fn hand_out(&mut self, call: &mut Call<'_>, output: Output) {
        call.handed_out = call.handed_out.saturating_add(1);
        self.book_line(call, &output);
        if let Payload::Short(message) = output.payload
            && output.urgency == Urgency::Live
            && call.is_played
        {
            self.echo.sent(message, call.now_us);
        }
        let refused_before = call.out.refused();
        call.out.push(output);
        if call.out.refused() != refused_before {
            self.counters.out_refused = self.counters.out_refused.saturating_add(1);
            self.outputs.at_mut(output.port).flood();
        }
    }

    /// Keeps count of what a slow line has still to carry. A patch loads from the moment
    /// its program change has left; what is more urgent may yet go before it, and pull other
    /// slots' changeovers along, so that it leaves with the last of them.
    fn book_line(&mut self, call: &Call<'_>, output: &Output) {
        let byte_us = call
            .book
            .out_ports
            .get(output.port.index())
            .map_or(0, |port| port.byte_us);
        if byte_us == 0 {
            return;
        }
        let line = self.outputs.at_mut(output.port);
        let cost_us = byte_us.saturating_mul(byte_count(call.book, &output.payload));
        line.book(call.now_us, cost_us, output.urgency);
        let line_free_us = line.line_free_us();
        for (slot, state) in (0u8..).map(SlotId).zip(self.slots.iter_mut()) {
            if !state.load.is_overtaken_by(output.urgency, call.now_us) {
                continue;
            }
            let port = self.wiring.entry(call.book, slot).map(|entry| entry.port);
            if port == Some(output.port) {
                state.load.delay_to(line_free_us);
            }
        }
    }

    /// When all that was handed out so far to a slot's port has left its line; now, if the
    /// line is quick.
    pub(super) fn line_free_us(&self, call: &Call<'_>, slot: SlotId) -> u64 {
        self.wired(call.book, slot).map_or(call.now_us, |entry| {
            self.outputs.at(entry.port).line_free_us().max(call.now_us)
        })
    }

    /// Sends a controller as part of what makes a sound, unless it is known to stand there.
    pub(super) fn tell_control(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        number: Controller,
        value: Value7,
    ) {
        let is_known = self.slots.at(slot).known.control(number) == value.get();
        if !is_known {
            self.send_control(call, slot, call.telling, number, value);
        }
    }

    /// Sends a controller.
    pub(super) fn send_control(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        urgency: Urgency,
        number: Controller,
        value: Value7,
    ) {
        self.send(call, slot, urgency, |ch| {
            Message::Control(ch, number, value)
        });
    }

    /// Sends a program change as part of what makes a sound.
    pub(super) fn send_program(&mut self, call: &mut Call<'_>, slot: SlotId, program: Program) {
        self.send(call, slot, call.telling, |ch| Message::Program(ch, program));
        let free_us = self.line_free_us(call, slot);
        let state = self.slots.at_mut(slot);
        state.load.program_sent(free_us, call.telling);
    }

    /// Sends a stored System Exclusive message that sets a parameter of a slot.
    pub(super) fn send_exclusive(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        name: u16,
        blob: BlobId,
    ) {
        let Some(entry) = self.wired(call.book, slot) else {
            return;
        };
        if !self.is_listening(entry.port) {
            return;
        }
        let output = Output {
            port: entry.port,
            urgency: call.telling,
            channel: Some(entry.channel),
            payload: Payload::Blob(blob),
        };
        self.note_told(self.device(call.book, slot));
        self.hand_out(call, output);
        self.note_parameter(call, slot, Parameter::Exclusive(name), blob.0);
    }

    pub(super) fn note_parameter(
        &mut self,
        call: &Call<'_>,
        slot: SlotId,
        parameter: Parameter,
        value: u16,
    ) {
        if self.slot_listens(call, slot) {
            self.slots
                .at_mut(slot)
                .known
                .set_parameter(parameter, value);
        }
    }

    /// Whether messages to this slot reach anyone.
    pub(super) fn slot_listens(&self, call: &Call<'_>, slot: SlotId) -> bool {
        self.wired(call.book, slot)
            .is_some_and(|entry| self.is_listening(entry.port))
    }

    /// All slots, by number.
    pub(super) fn slot_ids(&self) -> impl Iterator<Item = SlotId> + use<> {
        // `new` keeps at most MAX_SLOTS (128) of them.
        (0..u8::try_from(self.slots.len()).unwrap_or(u8::MAX)).map(SlotId)
    }
}

/// How many bytes go out, with their status byte.
pub(super) fn byte_count(book: &Promptbook, payload: &Payload) -> u64 {
    let bytes = match payload {
        Payload::Short(message) => message.encode().as_slice().len(),
        Payload::Blob(blob) => book.blobs.get(blob.index()).map_or(0, |blob| blob.len()),
    };
    bytes as u64
}
