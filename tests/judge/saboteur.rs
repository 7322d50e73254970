//! Deliberate faults, switched on one by one, to show that the properties can fail.
//!
//! A saboteur sits between player and engine and between engine and wire, and does what an
//! engine with a certain mistake would do.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use segue::engine::input::{Command, Input, Output, Payload, Urgency};
use segue::engine::promptbook::{OutPort, Promptbook, SlotEntry};
use segue::engine::view::View;
use segue::midi::{Channel, Controller, Key, Message, MpeZone, Program, Value7, Value14};

use crate::world::{CUE_CONTROL, CUE_KEY, SLIDE};

/// A mistake.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Mistake {
    ForgetPedalUp,
    ForgetSostenutoUp,
    PedalToNewSounds,
    PressMissesHeldOver,
    DropNoteOff,
    DropNoteOn,
    DoubleNoteOn,
    EndOnFirstOwner,
    WrongKey,
    FlatVelocity,
    WrongSlot,
    SkipProgram,
    SkipBank,
    SkipLevel,
    SkipExpression,
    SkipParameter,
    LevelToHeldOver,
    BendToHeldOver,
    ProgramToHeldOver,
    ForgetBendBack,
    CueOnBack,
    CueTwice,
    ForgetCue,
    ForgetCueEnd,
    PanicKeepsNotes,
    PanicKeepsControllers,
    SplitExclusive,
    ForgetLostInput,
    ForgetReturn,
    HideRefusal,
    DifferEachRun,
    MoveOnReplan,
    ForgetOwnersOnReplan,
    PrimeHeld,
    PrimeRinging,
    PrimeWrongLevel,
    PrimeOtherSlot,
    PrimeBadManners,
    PrimePedalDown,
    PrimeWithoutPatch,
    ForgetToComplete,
    RouteTurnedRound,
    RouteStopsShort,
    RouteToHeldOver,
    MergedPedalsAsOne,
    FingerToManager,
    ReuseMember,
    TransposeBend,
    FingerAfterNote,
    ForgetNextFinger,
    LateNoteOn,
    LateNoteOff,
    HeldBackTooLong,
    NeverHeldBack,
    OtherCurve,
}

impl Mistake {
    pub(crate) const ALL: [Self; 55] = [
        Self::ForgetPedalUp,
        Self::ForgetSostenutoUp,
        Self::PedalToNewSounds,
        Self::PressMissesHeldOver,
        Self::DropNoteOff,
        Self::DropNoteOn,
        Self::DoubleNoteOn,
        Self::EndOnFirstOwner,
        Self::WrongKey,
        Self::FlatVelocity,
        Self::WrongSlot,
        Self::SkipProgram,
        Self::SkipBank,
        Self::SkipLevel,
        Self::SkipExpression,
        Self::SkipParameter,
        Self::LevelToHeldOver,
        Self::BendToHeldOver,
        Self::ProgramToHeldOver,
        Self::ForgetBendBack,
        Self::CueOnBack,
        Self::CueTwice,
        Self::ForgetCue,
        Self::ForgetCueEnd,
        Self::PanicKeepsNotes,
        Self::PanicKeepsControllers,
        Self::SplitExclusive,
        Self::ForgetLostInput,
        Self::ForgetReturn,
        Self::HideRefusal,
        Self::DifferEachRun,
        Self::MoveOnReplan,
        Self::ForgetOwnersOnReplan,
        Self::PrimeHeld,
        Self::PrimeRinging,
        Self::PrimeWrongLevel,
        Self::PrimeOtherSlot,
        Self::PrimeBadManners,
        Self::PrimePedalDown,
        Self::PrimeWithoutPatch,
        Self::ForgetToComplete,
        Self::RouteTurnedRound,
        Self::RouteStopsShort,
        Self::RouteToHeldOver,
        Self::MergedPedalsAsOne,
        Self::FingerToManager,
        Self::ReuseMember,
        Self::TransposeBend,
        Self::FingerAfterNote,
        Self::ForgetNextFinger,
        Self::LateNoteOn,
        Self::LateNoteOff,
        Self::HeldBackTooLong,
        Self::NeverHeldBack,
        Self::OtherCurve,
    ];

    /// Those that only fingers on an MPE surface show.
    pub(crate) const OF_FINGERS: [Self; 5] = [
        Self::FingerToManager,
        Self::ReuseMember,
        Self::TransposeBend,
        Self::FingerAfterNote,
        Self::ForgetNextFinger,
    ];
}

/// Who makes the mistake; without one, nobody.
#[derive(Default)]
pub(crate) struct Saboteur {
    mistake: Option<Mistake>,
    count: u64,
    run: u64,
    sounding: BTreeMap<(u8, Channel, Key), i32>,
    last_cue: Option<Output>,
    has_lost_output: bool,
    /// Slots that were told something ahead since the position changed last.
    primed: BTreeSet<(u8, Channel)>,
    now_us: u64,
    /// What is handed out too late, and when.
    delayed: Vec<(u64, Output)>,
    /// Slots that carry no sound of the present scene, for who needs to know.
    left: BTreeSet<(u8, Channel)>,
}

/// How late a late note is. It is long enough to be heard, and shorter than any other bound
/// that the judge has.
const LATE_US: u64 = 50_000;
/// What 300 ms are longer than the 30 ms that a note waits for its patch at most.
const TOO_LONG_US: u64 = 270_000;

static RUNS: AtomicU64 = AtomicU64::new(0);

impl Saboteur {
    pub(crate) fn with(mistake: Option<Mistake>) -> Self {
        Self {
            mistake,
            run: RUNS.fetch_add(1, Ordering::Relaxed),
            ..Self::default()
        }
    }

    /// The promptbook that the engine gets: one that was made wrongly.
    pub(crate) fn bend_book(&self, book: &Arc<Promptbook>) -> Arc<Promptbook> {
        let mut bent = Arc::clone(book);
        match self.mistake {
            Some(Mistake::NeverHeldBack) => {
                for receiver in &mut Arc::make_mut(&mut bent).receivers {
                    receiver.manners.holds_back = false;
                }
            }
            Some(Mistake::OtherCurve) => {
                let bent = Arc::make_mut(&mut bent);
                let count = bent.curves.len() as u16;
                for zone in &mut bent.zones {
                    zone.curve = (zone.curve + 1) % count;
                }
            }
            _ => {}
        }
        bent
    }

    /// When something that was delayed is due.
    pub(crate) fn due_us(&self) -> Option<u64> {
        self.delayed.iter().map(|(us, _)| *us).min()
    }

    /// What was delayed until now.
    pub(crate) fn take_due(&mut self, now_us: u64) -> Vec<Output> {
        self.now_us = now_us;
        let is_due = |(us, _): &mut (u64, Output)| *us <= now_us;
        let due = self.delayed.extract_if(.., is_due);
        due.map(|(_, output)| output).collect()
    }

    /// How late a message is handed out.
    fn delay_us(&mut self, mistake: Mistake, input: Input, message: Message) -> Option<u64> {
        match (mistake, message) {
            (Mistake::LateNoteOn, Message::NoteOn(..)) => self.every(3).then_some(LATE_US),
            (Mistake::LateNoteOff, Message::NoteOff(..)) => self.every(3).then_some(LATE_US),
            // What was held back is handed out in a call of its own.
            (Mistake::HeldBackTooLong, Message::NoteOn(..)) => {
                (input == Input::Tick).then_some(TOO_LONG_US)
            }
            _ => None,
        }
    }

    /// What the engine gets to know.
    pub(crate) fn bend_input(&mut self, input: Input) -> Option<Input> {
        let is_hidden = match (self.mistake, input) {
            (Some(Mistake::ForgetLostInput), Input::InputLost(_))
            | (Some(Mistake::HideRefusal), Input::OutputOverflow(_)) => true,
            (Some(Mistake::ForgetReturn), Input::OutputReady(_)) => self.has_lost_output,
            (_, Input::OutputLost(_)) => {
                self.has_lost_output = true;
                false
            }
            _ => false,
        };
        (!is_hidden).then_some(input)
    }

    /// Whether the mistake depends on which slots a scene has left.
    pub(crate) fn needs_view(&self) -> bool {
        self.mistake == Some(Mistake::PressMissesHeldOver)
    }

    /// Notes which slots carry no sound of the present scene.
    pub(crate) fn note_left(&mut self, view: &View, book: &Promptbook) {
        let slots = book.slots.iter().zip(&view.slots);
        let left = slots.filter(|(_, state)| state.sound.is_none());
        self.left = left.map(|(slot, _)| (slot.port.0, slot.channel)).collect();
    }

    /// What the wires get.
    pub(crate) fn bend_outputs(
        &mut self,
        (now_us, input): (u64, Input),
        outputs: &[Output],
        book: &Promptbook,
        bent: &mut Vec<Output>,
    ) {
        self.now_us = now_us;
        let Some(mistake) = self.mistake else {
            bent.extend_from_slice(outputs);
            return;
        };
        if is_move(input) {
            self.add_on_move(mistake, input, bent);
        }
        self.prime_wrongly(mistake, outputs, book, bent);
        for output in outputs {
            self.bend_output(mistake, input, *output, book, bent);
        }
        if mistake == Mistake::EndOnFirstOwner {
            self.end_shared(input, outputs, bent);
        }
        if mistake == Mistake::MergedPedalsAsOne {
            self.lift_all(input, bent);
        }
        if is_move(input) {
            self.primed.clear();
        }
        for output in outputs {
            self.follow(output);
        }
    }

    /// Primes what must be left alone: a slot with held notes, one that was let go just
    /// now, a receiver that has not said that it may be primed.
    fn prime_wrongly(
        &self,
        mistake: Mistake,
        outputs: &[Output],
        book: &Promptbook,
        bent: &mut Vec<Output>,
    ) {
        let is_primed = |output: &Output| output.urgency == Urgency::Prime;
        let targets: Vec<(u8, Channel)> = match mistake {
            Mistake::PrimeHeld if outputs.iter().any(is_primed) => {
                let held = self.sounding.iter().filter(|(_, count)| **count > 0);
                held.map(|((port, channel, _), _)| (*port, *channel))
                    .collect()
            }
            Mistake::PrimeRinging => outputs
                .iter()
                .filter_map(|output| match output.payload {
                    Payload::Short(Message::NoteOff(channel, ..)) => Some((output.port.0, channel)),
                    _ => None,
                })
                .collect(),
            Mistake::PrimeBadManners if outputs.iter().any(is_primed) => book
                .slots
                .iter()
                .filter(|slot| !book.receivers[slot.receiver.index()].manners.may_prime)
                .map(|slot| (slot.port.0, slot.channel))
                .collect(),
            _ => Vec::new(),
        };
        bent.extend(targets.into_iter().map(|(port, channel)| Output {
            port: OutPort(port),
            urgency: Urgency::Prime,
            channel: Some(channel),
            payload: Payload::Short(Message::Program(channel, Program::clamped(99))),
        }));
    }

    /// What reaches the port.
    pub(crate) fn bend_bytes(&mut self, mut bytes: Vec<u8>) -> Vec<u8> {
        if self.mistake == Some(Mistake::SplitExclusive) && bytes.first() == Some(&0xf0) {
            bytes.pop();
        }
        bytes
    }

    fn bend_output(
        &mut self,
        mistake: Mistake,
        input: Input,
        output: Output,
        book: &Promptbook,
        bent: &mut Vec<Output>,
    ) {
        let Payload::Short(message) = output.payload else {
            bent.push(output);
            return;
        };
        if let Some(late_us) = self.delay_us(mistake, input, message) {
            self.delayed.push((self.now_us + late_us, output));
            return;
        }
        let is_changeover = output.urgency == Urgency::Changeover;
        let is_primed = output.urgency == Urgency::Prime;
        let was_primed = output
            .channel
            .is_some_and(|channel| self.primed.contains(&(output.port.0, channel)));
        let with = |message| Output {
            payload: Payload::Short(message),
            ..output
        };
        let is_panic = matches!(input, Input::Command(Command::Panic(_)));
        let manager = member_of(book, output.port, message.channel());
        let is_axis = match message {
            Message::Bend(..) | Message::Pressure(..) => true,
            Message::Control(_, number, _) => number.get() == SLIDE,
            _ => false,
        };
        let drops = match (mistake, message) {
            (Mistake::ForgetPedalUp, Message::Control(_, number, value)) => {
                number.get() == 64 && value.get() < 64 && !is_changeover && self.every(2)
            }
            (Mistake::ForgetSostenutoUp, Message::Control(_, number, value)) => {
                number.get() == 66 && value.get() < 64 && !is_changeover
            }
            // A press goes to no slot whose sound has left the scene.
            (Mistake::PressMissesHeldOver, Message::Control(_, number, value)) => {
                let is_left = |channel| self.left.contains(&(output.port.0, channel));
                number.get() == 64 && value.get() >= 64 && output.channel.is_some_and(is_left)
            }
            (Mistake::DropNoteOff, Message::NoteOff(..)) => self.every(5),
            (Mistake::DropNoteOn, Message::NoteOn(..)) => self.every(5),
            (Mistake::SkipProgram, Message::Program(..)) => self.every(2),
            (Mistake::SkipBank, Message::Control(_, number, _)) => {
                matches!(number.get(), 0 | 32) && self.every(2)
            }
            (Mistake::SkipLevel, Message::Control(_, number, value)) => {
                number.get() == 7 && value.get() > 0 && is_changeover && self.every(2)
            }
            (Mistake::SkipExpression, Message::Control(_, number, _)) => {
                number.get() == 11 && is_changeover
            }
            (Mistake::SkipParameter, Message::Control(_, number, _)) => {
                matches!(number.get(), 6 | 38) && self.every(3)
            }
            (Mistake::ForgetBendBack, Message::Bend(_, value)) => value == Value14::CENTRE,
            (Mistake::ForgetCue, Message::Control(_, number, _)) => is_cue(number),
            (Mistake::ForgetCueEnd, Message::NoteOff(_, key, _)) => {
                is_silent(book, &output) && key.get() == CUE_KEY
            }
            (Mistake::PanicKeepsNotes, Message::Control(_, number, _)) => {
                is_panic && matches!(number.get(), 120 | 123)
            }
            (Mistake::PanicKeepsNotes, Message::NoteOff(..)) => is_panic,
            (Mistake::PanicKeepsControllers, _) => is_panic && is_changeover,
            (Mistake::PrimeWithoutPatch, Message::Program(..)) => is_primed,
            // Where a finger stands is not told before its note.
            (Mistake::FingerAfterNote, _) => {
                let is_strike = matches!(input, Input::Midi(_, Message::NoteOn(..)));
                is_strike && is_axis && manager.is_some()
            }
            // What the next finger does is not told when the one before lifts.
            (Mistake::ForgetNextFinger, _) => {
                let is_lift = matches!(input, Input::Midi(_, Message::NoteOff(..)) | Input::Tick);
                is_lift && is_axis && output.urgency == Urgency::Live
            }
            (Mistake::ForgetToComplete, _) => is_move(input) && is_changeover && was_primed,
            (Mistake::RouteStopsShort, _) => is_routed(input, message) && self.every(2),
            _ => false,
        };
        if drops {
            return;
        }
        match (mistake, message) {
            (Mistake::FingerToManager, Message::Bend(..)) if manager.is_some() => {
                if let Some(zone) = manager {
                    bent.push(with(message.on_channel(zone.manager())));
                }
            }
            (Mistake::ReuseMember, _) if manager.is_some_and(|zone| zone.members > 1) => {
                if let Some(zone) = manager {
                    bent.push(with(message.on_channel(zone.channel(1))));
                }
            }
            (Mistake::TransposeBend, Message::Bend(channel, value)) if manager.is_some() => {
                let moved = Value14::clamped(i32::from(value.get()) + 170);
                bent.push(with(Message::Bend(channel, moved)));
            }
            (Mistake::DoubleNoteOn, Message::NoteOn(..)) if self.every(7) => {
                bent.extend([output, output]);
            }
            (Mistake::WrongKey, Message::NoteOn(channel, key, velocity)) if self.every(7) => {
                let key = Key::clamped(i32::from(key.get()) ^ 1);
                bent.push(with(Message::NoteOn(channel, key, velocity)));
            }
            (Mistake::FlatVelocity, Message::NoteOn(channel, key, _)) => {
                bent.push(with(Message::NoteOn(channel, key, Value7::clamped(100))));
            }
            (Mistake::WrongSlot, Message::NoteOn(channel, ..)) if self.every(3) => {
                let other = book
                    .slots
                    .iter()
                    .find(|slot| slot.port == output.port && slot.channel != channel);
                let channel = other.map_or(channel, |slot| slot.channel);
                bent.push(with(message.on_channel(channel)));
            }
            (Mistake::RouteTurnedRound, Message::Control(channel, number, value))
                if is_routed(input, message) =>
            {
                let value = Value7::clamped(127 - i32::from(value.get()));
                bent.push(with(Message::Control(channel, number, value)));
            }
            (Mistake::RouteToHeldOver, _) if is_routed(input, message) => {
                bent.push(output);
                let held = self.sounding.iter().filter(|(_, count)| **count > 0);
                let others = held.filter(|((port, channel, _), _)| {
                    *port == output.port.0 && Some(*channel) != output.channel
                });
                bent.extend(others.map(|((_, channel, _), _)| Output {
                    channel: Some(*channel),
                    ..with(message.on_channel(*channel))
                }));
            }
            (Mistake::CueTwice, Message::Control(_, number, _)) if is_cue(number) => {
                bent.extend([output, output]);
            }
            (Mistake::DifferEachRun, Message::Control(channel, number, _))
                if number.get() == 11 && self.run % 2 == 1 && self.every(3) =>
            {
                let value = Value7::clamped(self.run as i32 % 128);
                bent.push(with(Message::Control(channel, number, value)));
                bent.push(output);
            }
            (Mistake::PrimeWrongLevel, Message::Control(channel, number, _))
                if is_primed && number.get() == 7 =>
            {
                let quiet = Value7::clamped(20);
                bent.push(with(Message::Control(channel, number, quiet)));
            }
            (Mistake::PrimePedalDown, Message::Control(channel, number, _))
                if is_primed && number.get() == 64 =>
            {
                bent.push(with(Message::Control(channel, number, Value7::MAX)));
            }
            (Mistake::PrimeOtherSlot, _) if is_primed => {
                let channel = message.channel();
                let slots: Vec<_> = book
                    .slots
                    .iter()
                    .filter(|slot| slot.port == output.port)
                    .collect();
                let group_of = |slot: &&&SlotEntry| (slot.receiver, slot.group);
                let own = slots.iter().find(|slot| Some(slot.channel) == channel);
                let other = slots
                    .iter()
                    .find(|slot| own.is_some_and(|own| group_of(&own) != group_of(slot)));
                match other {
                    Some(other) => bent.push(Output {
                        channel: Some(other.channel),
                        ..with(message.on_channel(other.channel))
                    }),
                    None => bent.push(output),
                }
            }
            _ => bent.push(output),
        }
    }

    /// What a mistaken engine would send when it goes to another scene.
    fn add_on_move(&mut self, mistake: Mistake, input: Input, bent: &mut Vec<Output>) {
        let held: Vec<(u8, Channel)> = self
            .sounding
            .iter()
            .filter(|(_, count)| **count > 0)
            .map(|((port, channel, _), _)| (*port, *channel))
            .collect();
        let control = |number: i32, value: i32| {
            move |channel| {
                Message::Control(channel, Controller::clamped(number), Value7::clamped(value))
            }
        };
        for (port, channel) in held {
            let message = match mistake {
                Mistake::LevelToHeldOver => control(7, 20)(channel),
                Mistake::BendToHeldOver => Message::Bend(channel, Value14::clamped(9000)),
                Mistake::ProgramToHeldOver => Message::Program(channel, Program::clamped(99)),
                Mistake::PedalToNewSounds => control(64, 127)(channel),
                _ => continue,
            };
            bent.push(Output {
                port: OutPort(port),
                urgency: Urgency::Changeover,
                channel: Some(channel),
                payload: Payload::Short(message),
            });
        }
        if mistake == Mistake::CueOnBack && matches!(input, Input::Command(Command::Back)) {
            bent.extend(self.last_cue);
        }
    }

    /// Brings hold up wherever notes sound with the first foot that comes up, though that of
    /// another keyboard may be down there.
    fn lift_all(&self, input: Input, bent: &mut Vec<Output>) {
        let Input::Midi(_, Message::Control(_, number, value)) = input else {
            return;
        };
        if number.get() != 64 || value.get() >= 64 {
            return;
        }
        for ((port, channel, _), _) in self.sounding.iter().filter(|(_, count)| **count != 0) {
            bent.push(Output {
                port: OutPort(*port),
                urgency: Urgency::Live,
                channel: Some(*channel),
                payload: Payload::Short(Message::Control(*channel, number, value)),
            });
        }
    }

    /// Ends notes with the first key that is let go, though another key holds them.
    fn end_shared(&mut self, input: Input, outputs: &[Output], bent: &mut Vec<Output>) {
        let is_off = matches!(input, Input::Midi(_, Message::NoteOff(..)));
        let is_sent = outputs
            .iter()
            .any(|output| matches!(output.payload, Payload::Short(Message::NoteOff(..))));
        if !is_off || is_sent {
            return;
        }
        for ((port, channel, key), count) in self.sounding.iter().filter(|(_, c)| **c > 1) {
            for _ in 0..*count {
                bent.push(Output {
                    port: OutPort(*port),
                    urgency: Urgency::Live,
                    channel: Some(*channel),
                    payload: Payload::Short(Message::NoteOff(*channel, *key, Value7::clamped(64))),
                });
            }
        }
    }

    /// Whether all that sounds is forgotten as the night is planned anew.
    pub(crate) fn forgets_owners(&self) -> bool {
        self.mistake == Some(Mistake::ForgetOwnersOnReplan)
    }

    /// What an engine would send that moves a sounding slot as the night is planned anew:
    /// the notes end there and are struck on another slot of the group.
    pub(crate) fn move_sounding(&self, book: &Promptbook) -> Vec<Output> {
        if self.mistake != Some(Mistake::MoveOnReplan) {
            return Vec::new();
        }
        let mut sent = Vec::new();
        for ((port, channel, key), _) in self.sounding.iter().filter(|(_, count)| **count > 0) {
            let is_here = |slot: &&SlotEntry| slot.port.0 == *port && slot.channel == *channel;
            let Some(here) = book.slots.iter().find(is_here) else {
                continue;
            };
            let other = book.slots.iter().find(|slot| {
                (slot.receiver, slot.group) == (here.receiver, here.group)
                    && slot.channel != *channel
            });
            let Some(other) = other else {
                continue;
            };
            let messages = [
                Message::NoteOff(*channel, *key, Value7::clamped(64)),
                Message::NoteOn(other.channel, *key, Value7::clamped(80)),
            ];
            sent.extend(messages.map(|message| Output {
                port: here.port,
                urgency: Urgency::Live,
                channel: message.channel(),
                payload: Payload::Short(message),
            }));
        }
        sent
    }

    fn follow(&mut self, output: &Output) {
        let port = output.port.0;
        if let (Urgency::Prime, Some(channel)) = (output.urgency, output.channel) {
            self.primed.insert((port, channel));
        }
        match output.payload {
            Payload::Short(Message::NoteOn(channel, key, _)) => {
                *self.sounding.entry((port, channel, key)).or_default() += 1;
            }
            Payload::Short(Message::NoteOff(channel, key, _)) => {
                *self.sounding.entry((port, channel, key)).or_default() -= 1;
            }
            Payload::Short(Message::Control(_, number, _)) if is_cue(number) => {
                self.last_cue = Some(*output);
            }
            _ => {}
        }
    }

    /// True at every `n`th call.
    fn every(&mut self, n: u64) -> bool {
        self.count += 1;
        self.count.is_multiple_of(n)
    }
}

/// The MPE zone of a port that a channel is a member of.
fn member_of(book: &Promptbook, port: OutPort, channel: Option<Channel>) -> Option<MpeZone> {
    let channel = channel?;
    let slots = book.slots.iter().filter(|slot| slot.port == port);
    slots
        .filter_map(|slot| slot.mpe)
        .find(|zone| zone.member(channel).is_some_and(|member| member > 0))
}

/// Whether a message goes to a receiver that makes no sound.
fn is_silent(book: &Promptbook, output: &Output) -> bool {
    let mut slots = book.slots.iter();
    let slot = slots.find(|slot| slot.port == output.port && Some(slot.channel) == output.channel);
    slot.is_some_and(|slot| !book.receivers[slot.receiver.index()].sounds)
}

fn is_cue(number: Controller) -> bool {
    number.get() == CUE_CONTROL
}

/// Whether a message is what a route made of a movement: not the movement itself.
fn is_routed(input: Input, message: Message) -> bool {
    let Input::Midi(_, moved) = input else {
        return false;
    };
    let is_led = match moved {
        Message::Control(_, number, _) => matches!(number.get(), 1 | 11),
        Message::Bend(..) | Message::Pressure(..) => true,
        _ => false,
    };
    let is_kind = |message: Message| match message {
        Message::Control(_, number, _) => 1000 + i32::from(number.get()),
        Message::Bend(..) => 1,
        Message::Pressure(..) => 2,
        _ => 0,
    };
    is_led && is_kind(message) > 0 && is_kind(message) != is_kind(moved)
}

fn is_move(input: Input) -> bool {
    matches!(
        input,
        Input::Command(
            Command::Step | Command::Back | Command::Jump(_) | Command::SongDown | Command::SongUp
        )
    )
}
