//! The desk, with the other ends of its queues in the test's hands.

use super::super::recorder::Taken;
use super::super::replanning::{Answer, Ask};
use super::*;
use crate::app::load;
use crate::engine::input::Origin;
use crate::engine::swap::Swap;
use crate::midi::{Channel, Key, Message, Value7};
use crate::plan;
use crate::ports::{GateParts, ModelEar, PortError, Sink, open_model};
use crate::wire::{Item, Lane, PortKind};
use std::sync::Mutex;
use std::sync::atomic::AtomicBool;

/// A desk that waits at the start of the demo, with the other ends of its queues.
struct Bench {
    desk: Desk,
    map: PortMap,
    commands: rtrb::Producer<Asked>,
    asks: rtrb::Producer<Ask>,
    answers: rtrb::Consumer<Answer>,
    plan: Plan,
    notices: rtrb::Consumer<Notice>,
    views: triple_buffer::Output<View>,
}

/// A command asked for while nothing is recorded.
const fn asked(edition: u32, command: Command) -> Asked {
    Asked {
        edition,
        wish: 0,
        command,
        origin: Origin::Screen,
    }
}

impl Bench {
    fn waiting() -> Self {
        let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
        let night = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
        let plan = plan::compile(&loaded.show, night).unwrap();
        let (commands, command_receiver) = rtrb::RingBuffer::new(COMMAND_LIMIT);
        let (notice_sender, notices) = rtrb::RingBuffer::new(COMMAND_LIMIT);
        let (view_sender, views) = triple_buffer::triple_buffer(&View::default());
        let (asks, ask_receiver) = rtrb::RingBuffer::new(2);
        let (answer_sender, answers) = rtrb::RingBuffer::new(2);
        let ends = Ends {
            commands: command_receiver,
            asks: ask_receiver,
            answers: answer_sender,
            notices: notice_sender,
            takes: rtrb::RingBuffer::new(16).0,
            heard: rtrb::RingBuffer::new(16).0,
            views: view_sender,
            places: triple_buffer::triple_buffer(&Place::default()).0,
            shared: Arc::new(Shared::new(0)),
        };
        let at = PositionId(0);
        Self {
            desk: Desk::new(&plan, at, true, Vec::new(), Clock::start(), ends),
            map: plan.ports.clone(),
            plan,
            asks,
            answers,
            commands,
            notices,
            views,
        }
    }

    /// Receivers seen so, and those that the log was told of since the last call.
    fn seen(&mut self, wanted: Presence) -> (usize, usize) {
        self.desk.turn();
        let count = self.desk.book.receivers.len();
        let receivers = self.views.read().receivers.iter().take(count);
        let shown = receivers.filter(|seen| **seen == wanted).count();
        let told = std::iter::from_fn(|| self.notices.pop().ok());
        let is_told = |event: Event| matches!(event, Event::Receiver(_, seen, _) if seen == wanted);
        (shown, told.filter(|notice| is_told(notice.event)).count())
    }
}

/// Whoever writes does not follow: the take ends, everybody can see it, and the next one
/// is another.
#[test]
fn a_take_that_nobody_follows_ends_and_says_so() {
    let mut bench = Bench::waiting();
    let shared = Arc::clone(&bench.desk.ends.shared);
    for take in [1, 3] {
        shared.takes.toggle();
        bench.desk.turn();
        // More than the queue of the bench holds; the second take finds it full.
        for _ in 0..32 {
            let step = Input::Command(Command::Step);
            bench.desk.record_input(0, step);
        }
        assert_eq!(shared.takes.ended(), (take, take));
        assert_eq!(shared.takes.wish(), take + 1);
    }
}

/// A command belongs to the take that was wished when it was asked for.
#[test]
fn a_command_asked_between_two_takes_is_in_neither() {
    let mut bench = Bench::waiting();
    bench.desk.waiting = None;
    let (takes, mut taken) = rtrb::RingBuffer::new(1_024);
    bench.desk.ends.takes = takes;
    let shared = Arc::clone(&bench.desk.ends.shared);
    for _ in 0..4 {
        let wish = shared.takes.wish();
        let command = Command::Step;
        let edition = 0;
        bench
            .commands
            .push(Asked {
                edition,
                wish,
                command,
                origin: Origin::Screen,
            })
            .unwrap();
        shared.takes.toggle();
    }
    bench.desk.turn();
    let mut heard = Vec::new();
    while let Ok(taken) = taken.pop() {
        match taken {
            Taken::Begin { take, .. } => heard.push(take),
            Taken::In(_, Input::Command(Command::Step)) => heard.push(0),
            _ => {}
        }
    }
    assert_eq!(heard, [1, 0, 3, 0]);
    assert_eq!(shared.takes.ended(), (3, 0));
}

#[test]
fn ports_that_are_there_wait_and_none_is_called_lost_as_the_show_is_taken_up() {
    let mut bench = Bench::waiting();
    let count = bench.desk.book.receivers.len();
    for port in bench.map.outputs.clone() {
        bench.desk.take(Incoming::OutReady(port));
    }
    assert_eq!(bench.seen(Presence::Waiting), (count, count));
    let first = bench.map.outputs[0];
    bench.desk.take(Incoming::OutLost(first));
    let (lost, told) = bench.seen(Presence::Absent);
    assert!(lost > 0 && lost == told);
    bench.desk.take(Incoming::OutReady(first));
    assert_eq!(bench.seen(Presence::Waiting), (count, lost));
    bench.commands.push(asked(0, Command::Step)).unwrap();
    assert_eq!(bench.seen(Presence::Absent), (0, 0));
    assert_eq!(bench.seen(Presence::Waiting), (0, 0));
    assert_eq!(bench.desk.view.position, PositionId(0));
}

/// What was written, by port.
type Written = Arc<Mutex<Vec<(usize, Vec<u8>)>>>;

struct Ear(usize, Written);

impl Sink for Ear {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.1.lock().unwrap().push((self.0, bytes.to_vec()));
        Ok(())
    }

    fn write_exclusive(&mut self, _piece: &[u8]) -> Result<(), PortError> {
        Ok(())
    }
}

/// A port whose first message cannot be written without a panic.
struct Faulty(Arc<AtomicBool>, Written);

impl Sink for Faulty {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        assert!(self.0.swap(true, Ordering::AcqRel), "as asked");
        self.1.lock().unwrap().push((0, bytes.to_vec()));
        Ok(())
    }

    fn write_exclusive(&mut self, _piece: &[u8]) -> Result<(), PortError> {
        Ok(())
    }
}

/// The loss is told once, as what it is, and the show goes on as after any loss.
#[test]
fn a_panic_while_a_port_is_written_to_is_told_and_playing_goes_on() {
    let mut bench = Bench::waiting();
    let (has_failed, sent) = (Arc::default(), Written::default());
    let ear: ModelEar = Arc::new(|_, _: &[u8]| {});
    let mut gate = Gate::open(GateParts {
        name: "faulty".into(),
        kind: PortKind::Software,
        sink: Box::new(Faulty(Arc::clone(&has_failed), Arc::clone(&sent))),
        blobs: Arc::from(Vec::new()),
        clock: Clock::start(),
        waker: open_model(Clock::start(), &[], &ear).unwrap().waker,
    })
    .unwrap();
    let note = |key| {
        let on = Message::NoteOn(Channel::MIN, Key::clamped(key), Value7::clamped(90));
        Item::message(Lane::Live, on)
    };
    gate.push(note(60)).unwrap();
    gate.flush();
    // Whichever thread wrote it; only a hang ends these waits otherwise.
    while !has_failed.load(Ordering::Acquire) {
        std::thread::yield_now();
    }
    gate.push(note(61)).unwrap();
    gate.flush();
    bench.desk.gates.push(gate);
    let mut told = Vec::new();
    while told.len() < 2 || sent.lock().unwrap().is_empty() {
        bench.desk.turn();
        let events = std::iter::from_fn(|| bench.notices.pop().ok()).map(|notice| notice.event);
        told.extend(
            events.filter(|event| matches!(event, Event::WritingFailed(_) | Event::OutFull(_))),
        );
    }
    assert_eq!(told, [Event::WritingFailed(0), Event::OutFull(0)]);
    assert_eq!(*sent.lock().unwrap(), [(0, vec![0x90, 61, 90])]);
    let words = |event| crate::app::notice::words(&event, &bench.plan.sheet).1;
    assert!(words(told[0]).ends_with("failed: what waited for it is lost"));
    assert!(words(told[1]).ends_with("lost messages: its state is sent again"));
}

/// Whatever a panic came through, the desk is dropped on the way: that alone is enough.
#[test]
fn a_desk_that_is_dropped_lets_every_note_go_and_stops_the_show() {
    let mut bench = Bench::waiting();
    let sent = Written::default();
    let waker = open_model(
        Clock::start(),
        &[],
        &(Arc::new(|_, _: &[u8]| {}) as ModelEar),
    );
    let waker = waker.unwrap().waker;
    let (channel, key) = (Channel::MIN, Key::clamped(60));
    for port in 0..bench.desk.book.out_ports.len() {
        let mut gate = Gate::open(GateParts {
            name: port.to_string(),
            kind: PortKind::Software,
            sink: Box::new(Ear(port, Arc::clone(&sent))),
            blobs: Arc::from(Vec::new()),
            clock: Clock::start(),
            waker: waker.clone(),
        })
        .unwrap();
        let note = Message::NoteOn(channel, key, Value7::clamped(90));
        gate.push(Item::message(Lane::Live, note)).unwrap();
        gate.flush();
        bench.desk.gates.push(gate);
    }
    let shared = Arc::clone(&bench.desk.ends.shared);
    let receivers = bench.desk.book.receivers.to_vec();
    let count = bench.desk.gates.len();
    drop(bench.desk);
    assert!(shared.stop.load(Ordering::Acquire) && shared.keeps_place.load(Ordering::Acquire));
    let sent = sent.lock().unwrap();
    for port in 0..count {
        let of = |bytes: &[u8]| sent.contains(&(port, bytes.to_vec()));
        assert!(of(&[0x90, 60, 90]) && of(&[0x80, 60, 64]), "port {port}");
        // Lights have their notes ended, and no controller moved.
        let is_silenced = of(&[0xb0, 123, 0]) && of(&[0xb0, 64, 0]);
        let mut receivers = receivers.iter();
        let sounds = receivers.any(|entry| entry.sounds && entry.port.index() == port);
        assert_eq!(is_silenced, sounds, "port {port}");
    }
    let told: Vec<Event> = std::iter::from_fn(|| bench.notices.pop().ok())
        .map(|notice| notice.event)
        .collect();
    assert_eq!(told, [Event::Ended]);
}

/// The desk of a show that is played, with a song taken out of its night while it waits
/// for an answer: what is shown, told and written goes by the new numbers at once.
#[test]
fn a_changed_night_is_taken_and_the_old_one_comes_back() {
    let mut bench = Bench::waiting();
    let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
    let written = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
    let second_song = bench.plan.promptbook.songs[1].positions.start;
    bench
        .commands
        .push(asked(0, Command::Jump(PositionId(second_song))))
        .unwrap();
    bench.desk.waiting = None;
    bench.asks.push(Ask::Look(Box::default())).unwrap();
    bench.desk.turn();
    bench.desk.turn();
    let mut live = Box::<crate::engine::swap::Live>::default();
    bench.desk.engine.live(&mut live);
    assert!(matches!(bench.answers.pop(), Ok(Answer::Live(_))));
    let mut night = written.clone();
    if let Some(crate::show::model::NightEntry::Song { is_skipped, .. }) = night.order.first_mut() {
        *is_skipped = true;
    }
    let given = plan::Given {
        plan: &bench.plan,
        live: &live,
        written,
    };
    let replan = plan::replan(&loaded.show, &night, &given).unwrap();
    assert_eq!(replan.at, PositionId(0), "the first song is gone");
    let old = Arc::clone(bench.desk.book());
    let book = Arc::new(replan.plan.promptbook);
    let swap = Swap::prepare(&old, Arc::clone(&book), live.position, replan.at).unwrap();
    while bench.notices.pop().is_ok() {}
    bench.asks.push(Ask::Take(Box::new(swap))).unwrap();
    // A jump that was counted in the old night is not taken.
    bench
        .commands
        .push(asked(0, Command::Jump(PositionId(2))))
        .unwrap();
    bench.desk.turn();
    let Ok(Answer::Taken(swap)) = bench.answers.pop() else {
        panic!("the book was not taken");
    };
    assert!(Arc::ptr_eq(swap.book(), &old));
    assert!(Arc::ptr_eq(bench.desk.book(), &book));
    let view = bench.views.read();
    assert_eq!((view.edition, view.position), (1, PositionId(0)));
    let told: Vec<Event> = std::iter::from_fn(|| bench.notices.pop().ok())
        .map(|notice| notice.event)
        .collect();
    let edition = Event::Edition {
        edition: 1,
        from: second_song,
        position: 0,
        page: 0,
    };
    assert_eq!(told, [edition, Event::JumpTooLate]);
    bench.commands.push(asked(1, Command::Step)).unwrap();
    bench.desk.turn();
    assert_eq!(bench.views.read().position, PositionId(1));
}

/// What is written goes nowhere.
struct Nowhere;

impl Sink for Nowhere {
    fn write_short(&mut self, _bytes: &[u8]) -> Result<(), PortError> {
        Ok(())
    }

    fn write_exclusive(&mut self, _piece: &[u8]) -> Result<(), PortError> {
        Ok(())
    }
}

impl Bench {
    /// With a gate at every output, and the other end of what is recorded.
    fn sounding() -> (Self, rtrb::Consumer<Taken>) {
        let mut bench = Self::waiting();
        let waker = open_model(
            Clock::start(),
            &[],
            &(Arc::new(|_, _: &[u8]| {}) as ModelEar),
        );
        let waker = waker.unwrap().waker;
        for port in 0..bench.desk.book.out_ports.len() {
            let gate = Gate::open(GateParts {
                name: port.to_string(),
                kind: PortKind::UsbToDin,
                sink: Box::new(Nowhere),
                blobs: bench.desk.book.blobs.clone().into(),
                clock: bench.desk.clock,
                waker: waker.clone(),
            });
            bench.desk.gates.push(gate.unwrap());
        }
        let (takes, taken) = rtrb::RingBuffer::new(1 << 16);
        bench.desk.ends.takes = takes;
        (bench, taken)
    }
}

/// The playing thread's own part of the way, as the engine's is counted in
/// `tests/realtime.rs`: ports that come and go, notes and steps, commands, a recording that
/// begins and ends, and the view and the log told of all of it.
#[test]
fn the_playing_threads_desk_never_touches_the_heap() {
    let (mut bench, taken) = Bench::sounding();
    // The counter can count.
    let one = allocation_counter::measure(|| drop(std::hint::black_box(Box::new(1_u8))));
    assert_eq!(one.count_total, 1);
    let shared = Arc::clone(&bench.desk.ends.shared);
    let inputs = bench.map.inputs.clone();
    let outputs = bench.map.outputs.clone();
    let (channel, velocity) = (Channel::MIN, Value7::clamped(90));
    let mut told = 0;
    let calls = allocation_counter::measure(|| {
        for port in &inputs {
            bench.desk.take(Incoming::InReady(*port));
        }
        for port in &outputs {
            bench.desk.take(Incoming::OutReady(*port));
        }
        bench.desk.take(Incoming::Surveyed);
        for round in 0..80 {
            let _ = bench.commands.push(asked(0, Command::Step));
            bench.desk.turn();
            if round % 4 == 1 {
                shared.takes.toggle();
                let _ = bench.commands.push(asked(0, Command::Mute(round % 8 == 5)));
            }
            for port in &inputs {
                let key = Key::clamped(40 + round);
                for message in [
                    Message::NoteOn(channel, key, velocity),
                    Message::Control(channel, crate::midi::cc::HOLD, velocity),
                    Message::NoteOff(channel, key, velocity),
                    Message::Control(channel, crate::midi::cc::HOLD, Value7::MIN),
                ] {
                    let (port, at_us) = (*port, 0);
                    bench.desk.take(Incoming::Message {
                        port,
                        message,
                        at_us,
                    });
                }
            }
            bench.desk.turn();
            if round % 16 == 7 {
                bench.desk.take(Incoming::Overflow(inputs[0]));
                bench.desk.take(Incoming::OutLost(outputs[0]));
                bench.desk.take(Incoming::OutReady(outputs[0]));
                bench.desk.turn();
            }
            while bench.notices.pop().is_ok() {
                told += 1;
            }
        }
    });
    assert_eq!(
        (calls.count_total, calls.count_current),
        (0, 0),
        "{calls:?}"
    );
    // All of it happened.
    let counters = bench.desk.view.counters;
    assert!(counters.steps > 8 && counters.notes > 20, "{counters:?}");
    assert!(
        told > 40 && taken.slots() > 400,
        "{told}, {}",
        taken.slots()
    );
}

/// Two steps that came in together are two lines of the log and two places, though the view
/// is filled once for all that hands play.
#[test]
fn what_came_in_together_is_seen_once_and_each_step_is_told() {
    let (mut bench, _taken) = Bench::sounding();
    bench.desk.waiting = None;
    for port in bench.map.inputs.clone() {
        bench.desk.take(Incoming::InReady(port));
    }
    for port in bench.map.outputs.clone() {
        bench.desk.take(Incoming::OutReady(port));
    }
    let port = bench.map.inputs[0];
    let note = |key| Incoming::Message {
        port,
        message: Message::NoteOn(Channel::MIN, Key::clamped(key), Value7::clamped(90)),
        at_us: 0,
    };
    // The first is a sign of life of what is a receiver too, and that is looked at.
    bench.desk.take(note(57));
    bench.desk.turn();
    while bench.notices.pop().is_ok() {}
    let held = bench.views.read().held_count;
    for key in [60, 64, 67] {
        bench.desk.take(note(key));
    }
    assert_eq!(bench.desk.view.held_count, held, "not looked at yet");
    assert_eq!(bench.desk.checkpoint, bench.desk.engine.checkpoint());
    assert!(
        bench.desk.checkpoint.note_count > held,
        "kept with each note"
    );
    bench.desk.turn();
    assert!(bench.views.read().held_count > held);
    bench.desk.turn();
    assert!(!bench.views.updated(), "nothing new is not published");
    for _ in 0..2 {
        bench.commands.push(asked(0, Command::Step)).unwrap();
    }
    bench.desk.turn();
    let places = std::iter::from_fn(|| bench.notices.pop().ok())
        .filter_map(|notice| match notice.event {
            Event::Position { position, .. } => Some(position),
            _ => None,
        })
        .collect::<Vec<_>>();
    assert_eq!(places, [1, 2]);
}
