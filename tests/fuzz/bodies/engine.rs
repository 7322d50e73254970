//! A show being played by anybody, with anything going wrong.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::Arc;

use segue::engine::Engine;
use segue::engine::input::{Command, Input, Outbox, Payload};
use segue::engine::promptbook::{
    ControllerId, InPort, OutPort, PositionId, Promptbook, ReceiverId, SlotId,
};
use segue::engine::rescue::PedalId;
use segue::engine::view::View;
use segue::midi::{Channel, Controller, Key, Message, Program, Value7, Value14};

use super::Choices;
use super::book::promptbook;
use super::ear::{Ear, assert_exclusive};

/// Bytes that decide on the show; those that follow are what is done.
const SHOW_BYTES: usize = 40;

/// Time that a show is given to come to rest, in microseconds: longer than any stated wait.
const REST_US: u64 = 120_000_000;

/// Shows kept, so that many evenings of the same one are quick.
const KEPT: usize = 64;

/// Nothing that anybody does brings the engine down, makes it send what is no message, or
/// leaves a note after `ReleaseAll`.
pub(crate) fn engine_inputs(data: &[u8]) {
    let (decisions, deeds) = data.split_at(data.len().min(SHOW_BYTES));
    let Some(book) = kept(decisions) else {
        return;
    };
    let mut hall = Hall::new(book);
    let mut choices = Choices::new(deeds);
    while !choices.is_over() {
        hall.act(&mut choices);
    }
    hall.end();
}

fn kept(decisions: &[u8]) -> Option<Arc<Promptbook>> {
    thread_local! {
        static BOOKS: RefCell<BTreeMap<Vec<u8>, Option<Arc<Promptbook>>>> = const { RefCell::new(BTreeMap::new()) };
    }
    BOOKS.with_borrow_mut(|books| {
        if books.len() >= KEPT && !books.contains_key(decisions) {
            books.clear();
        }
        let book = books.entry(decisions.to_vec());
        book.or_insert_with(|| promptbook(decisions)).clone()
    })
}

struct Hall {
    engine: Engine,
    book: Arc<Promptbook>,
    now_us: u64,
    out: Outbox,
    ear: Ear,
    view: Box<View>,
    /// A Note Off may have gone out for a note that did not sound: after `EndNote`, which
    /// ends what nobody knows of, and `restore`, which takes notes that wait as sounding.
    ends_twice: bool,
    /// Everything is printed: `SEGUE_TELL` is set.
    is_told: bool,
}

impl Hall {
    fn new(book: Arc<Promptbook>) -> Self {
        let mut hall = Self {
            engine: Engine::new(Arc::clone(&book), PositionId(0)),
            now_us: 0,
            out: Outbox::new(),
            ear: Ear::default(),
            view: Box::new(View::default()),
            ends_twice: false,
            is_told: std::env::var_os("SEGUE_TELL").is_some(),
            book,
        };
        for port in 0..hall.book.in_ports.len() {
            hall.give(Input::InputReady(InPort(port as u8)));
        }
        for port in 0..hall.book.out_ports.len() {
            hall.give(Input::OutputReady(OutPort(port as u8)));
        }
        hall
    }

    fn give(&mut self, input: Input) {
        self.out.clear();
        self.engine.handle(self.now_us, input, &mut self.out);
        if self.is_told {
            self.tell(&format!("{input:?}"));
            for output in self.out.items() {
                self.tell(&format!("    {:?} {:?}", output.port, output.payload));
            }
        }
        assert_eq!(self.out.refused(), 0, "the outbox is never over-full");
        for output in self.out.items() {
            assert!(output.port.index() < self.book.out_ports.len());
            match output.payload {
                Payload::Short(message) => {
                    // Messages on members of an MPE zone keep the order of its manager.
                    assert_eq!(output.channel.is_some(), message.channel().is_some());
                    self.ear.hear(output.port.0, message);
                }
                Payload::Blob(id) => assert_exclusive(&self.book.blobs[id.index()]),
            }
        }
    }

    fn tell(&self, words: &str) {
        if self.is_told {
            println!("{} µs {words}", self.now_us);
        }
    }

    fn wait(&mut self, time_us: u64) {
        let end_us = self.now_us.saturating_add(time_us);
        while let Some(due_us) = self.engine.next_deadline().filter(|due| *due <= end_us) {
            self.now_us = due_us.max(self.now_us);
            self.give(Input::Tick);
            let next_us = self.engine.next_deadline();
            assert!(
                next_us.is_none_or(|next_us| next_us > due_us),
                "a deadline that was met is due again"
            );
        }
        self.now_us = end_us;
    }

    /// One thing that is done, and a little time.
    fn act(&mut self, choices: &mut Choices<'_>) {
        match choices.below(32) {
            0..=8 => {
                let port = InPort(choices.below(2));
                let message = message(choices);
                self.give(Input::Midi(port, message));
            }
            9..=14 => {
                let controller = ControllerId(choices.below(3));
                let (key, velocity) = (
                    key(choices),
                    Value7::clamped(i32::from(choices.byte()).max(1)),
                );
                self.give(Input::Command(match choices.below(2) {
                    0 => Command::NoteOn(controller, key, velocity),
                    _ => Command::NoteOff(controller, key),
                }));
            }
            15..=18 => self.wait(u64::from(choices.byte()) * 5_000),
            19 => self.wait(u64::from(choices.byte()) * 100_000),
            20 | 21 => self.give(Input::Command(Command::Step)),
            22 => self.give(Input::Command(Command::Back)),
            23 => {
                let at = PositionId(choices.byte().into());
                self.give(Input::Command(Command::Jump(at)));
            }
            24..=26 => {
                let command = command(choices);
                self.ends_twice |= matches!(command, Command::EndNote(..));
                self.give(Input::Command(command));
            }
            27 | 28 => self.plug(choices),
            29 => {
                // After a fault the playing thread goes on from its last checkpoint.
                let checkpoint = self.engine.checkpoint();
                let restored = self.engine.restore(&checkpoint);
                assert_eq!(restored, Ok(()), "its own checkpoint");
                self.ends_twice = true;
                self.tell("restored");
            }
            30 => self.engine.view(&mut self.view),
            _ => self.give(Input::Tick),
        }
    }

    fn plug(&mut self, choices: &mut Choices<'_>) {
        let (what, port) = (choices.below(6), choices.below(3));
        let is_out = usize::from(port) < self.book.out_ports.len();
        match what {
            0 => self.give(Input::InputLost(InPort(port))),
            1 => self.give(Input::InputReady(InPort(port))),
            2 if is_out => {
                self.give(Input::OutputLost(OutPort(port)));
                self.ear.forget(port);
            }
            3 if is_out => self.give(Input::OutputReady(OutPort(port))),
            4 if is_out => self.give(Input::SignOfLife(OutPort(port))),
            5 if is_out => self.give(Input::OutputOverflow(OutPort(port))),
            _ => {}
        }
    }

    fn end(mut self) {
        self.give(Input::Command(Command::ReleaseAll));
        self.wait(REST_US);
        self.engine.view(&mut self.view);
        assert_eq!(self.view.counters.faults, 0, "faults were counted");
        self.ear.assert_silent();
        if !self.ends_twice {
            self.ear.assert_even();
        }
    }
}

/// Any message, those of keys and pedals most often.
fn message(choices: &mut Choices<'_>) -> Message {
    let channel = Channel::clamped(i32::from(choices.below(3)));
    let value = |choices: &mut Choices<'_>| Value7::clamped((choices.byte() & 0x7f).into());
    match choices.below(12) {
        0..=2 => Message::NoteOn(channel, key(choices), value(choices)),
        3..=4 => Message::NoteOff(channel, key(choices), value(choices)),
        5 => {
            let pedal = [64, 66, 67, 1, 11, 80, 81, 16][usize::from(choices.below(8))];
            Message::Control(channel, Controller::clamped(pedal), value(choices))
        }
        6 => {
            let number = Controller::clamped((choices.byte() & 0x7f).into());
            Message::Control(channel, number, value(choices))
        }
        7 => Message::Bend(channel, Value14::from_parts(value(choices), value(choices))),
        8 => Message::Pressure(channel, value(choices)),
        9 => Message::PolyPressure(channel, key(choices), value(choices)),
        10 => Message::Program(channel, Program::clamped((choices.byte() & 0x7f).into())),
        _ => [
            Message::Clock,
            Message::ActiveSensing,
            Message::Reset,
            Message::Stop,
            Message::TuneRequest,
        ][usize::from(choices.below(5))],
    }
}

/// A dozen keys, so that they meet.
fn key(choices: &mut Choices<'_>) -> Key {
    Key::clamped(i32::from(choices.below(12)) * 3 + 40)
}

fn command(choices: &mut Choices<'_>) -> Command {
    let receiver = ReceiverId(choices.below(4));
    let is_on = choices.below(2) == 0;
    match choices.below(18) {
        0 => Command::SongDown,
        1 => Command::SongUp,
        2 => Command::PageNext,
        3 => Command::PageBack,
        4 => Command::Panic(is_on.then_some(receiver)),
        5 => Command::Resend {
            receiver: None,
            is_forced: is_on,
        },
        6 => Command::Resend {
            receiver: Some(receiver),
            is_forced: is_on,
        },
        7 => Command::Mute(is_on),
        8 => Command::Fade(is_on),
        9 => Command::MuteOne(receiver, is_on),
        10 => Command::EndNote(SlotId(choices.byte()), key(choices)),
        11 => Command::IgnorePedal(pedal(choices), is_on),
        12 => Command::LockPedals(is_on),
        13 => Command::TakeOver(receiver),
        14 => Command::Loop(is_on.then(|| {
            let place = |choices: &mut Choices<'_>| PositionId(choices.below(8).into());
            (place(choices), place(choices))
        })),
        15 => Command::Cues(is_on),
        16 => Command::ReleaseAll,
        _ => Command::Panic(None),
    }
}

fn pedal(choices: &mut Choices<'_>) -> PedalId {
    match choices.below(2) {
        0 => PedalId::Binding(choices.below(3)),
        _ => PedalId::Held(ControllerId(choices.below(3)), choices.below(3)),
    }
}
