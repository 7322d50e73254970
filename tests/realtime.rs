//! The playing thread never touches the heap: an allocator that counts is in place while a
//! generated show is played with everything that can go wrong, and while the touring show
//! is played from end to end; it must count nothing.
//!
//! Its own binary, because a process has one allocator.
#![allow(clippy::unwrap_used)]

use std::alloc::{GlobalAlloc, Layout, System};
use std::cell::Cell;
use std::sync::Arc;

use segue::engine::Engine;
use segue::engine::input::{Command, Input, Outbox};
use segue::engine::promptbook::*;
use segue::engine::swap::{Live, Swap};
use segue::engine::view::View;
use segue::midi::{Channel, Controller, Key, Message, Program, Value7, Value14};
use segue::plan::Given;
use segue::show::model::NightEntry;
use segue::wire::{Limits, Next, Wire};
use segue::{plan, replay};
use touring::Dice;

mod touring;

struct Counting;

thread_local! {
    static CALLS: Cell<u64> = const { Cell::new(0) };
}

fn count() {
    CALLS.set(CALLS.get() + 1);
}

// SAFETY: every call is handed to `System` with the layout and pointer it came with, so
// `System`'s own guarantees hold; counting touches a constant-initialised thread local,
// which does not allocate.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        count();
        // SAFETY: the caller keeps the contract of `alloc`, which is the same one.
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, pointer: *mut u8, layout: Layout) {
        count();
        // SAFETY: the pointer came from `System` through `alloc` above.
        unsafe { System.dealloc(pointer, layout) }
    }

    unsafe fn realloc(&self, pointer: *mut u8, layout: Layout, size: usize) -> *mut u8 {
        count();
        // SAFETY: the pointer came from `System` through `alloc` above.
        unsafe { System.realloc(pointer, layout, size) }
    }
}

#[global_allocator]
static ALLOCATOR: Counting = Counting;

/// Heap calls of this thread while `work` runs.
fn heap_calls(work: impl FnOnce()) -> u64 {
    let before = CALLS.get();
    work();
    CALLS.get() - before
}

const CONTROLLERS: u8 = 3;
const RECEIVERS: u8 = 5;
const SLOTS: u8 = 16;
const SCENES: u32 = 200;
const SOUNDS: u8 = 6;

fn span(start: usize, len: usize) -> Span {
    Span {
        start: u32::try_from(start).unwrap(),
        len: u32::try_from(len).unwrap(),
    }
}

fn receivers() -> (Vec<ReceiverEntry>, Vec<SlotEntry>) {
    let mut slots = Vec::new();
    let receivers = (0..RECEIVERS)
        .map(|id| {
            let start = slots.len();
            slots.extend((0..SLOTS).map(|channel| SlotEntry {
                receiver: ReceiverId(id),
                port: OutPort(id),
                channel: Channel::new(channel).unwrap(),
                mpe: None,
                group: channel / 8,
            }));
            ReceiverEntry {
                port: OutPort(id),
                sounds: id < 4,
                slots: span(start, usize::from(SLOTS)),
                manners: Manners {
                    sends_bank_msb: true,
                    sends_bank_lsb: id % 2 == 0,
                    load_us: u64::from(id) * 20_000,
                    resets_controllers: id % 2 == 1,
                    cuts_notes: id % 2 == 1,
                    may_prime: id % 2 == 0,
                    release_us: 200_000,
                    holds_back: id != 2,
                    boot_us: 500_000,
                    heeds_sensing: false,
                },
                spare_of: None,
                pages: (id == 4).then_some(PageManner::Program),
                local: None,
            }
        })
        .collect();
    (receivers, slots)
}

fn controllers() -> Box<[ControllerEntry]> {
    (0..CONTROLLERS)
        .map(|id| ControllerEntry {
            port: InPort(id),
            channel: None,
            mpe: None,
            keys: (Key::MIN, Key::MAX),
            passes: [1 << 1 | 1 << 11 | 1 << 16, 0b1101],
            passes_pressure: true,
            passes_bend: true,
            sources: Span::default(),
        })
        .collect()
}

fn sound(dice: &mut Dice, settings: &mut Vec<Setting>, receiver: u8) -> SoundEntry {
    let start = settings.len();
    let program = u8::try_from(dice.roll(5)).unwrap();
    let bright = Value7::clamped(i32::from(program));
    settings.push(Setting::Control(Controller::clamped(74), bright));
    settings.push(Setting::Nrpn(
        Value14::clamped(300),
        Value14::clamped(i32::from(program) * 99),
    ));
    settings.push(Setting::Exclusive(1, BlobId(u16::from(program % 2))));
    SoundEntry {
        receiver: ReceiverId(receiver),
        group: 0,
        patch: Patch {
            bank_msb: Value7::new(program),
            bank_lsb: None,
            program: Program::new(program),
        },
        volume: Value7::new(80 + dice.byte() % 30),
        pan: Value7::new(64),
        bend_range: Value7::new(2),
        release_us: 200_000,
        load_us: u64::from(receiver) * 20_000,
        settings: span(start, 3),
        level_change: if program % 2 == 0 {
            LevelChange::Ride
        } else {
            LevelChange::New
        },
        identity: u32::from(program) + 100 * u32::from(receiver),
    }
}

fn zone(dice: &mut Dice, controller: u8, number: u8) -> ZoneEntry {
    let low = i32::from(dice.byte() / 2);
    ZoneEntry {
        controller: ControllerId(controller),
        keys: (Key::clamped(low), Key::clamped(low + 60)),
        velocities: (Value7::clamped(1), Value7::MAX),
        transpose: i16::try_from(dice.roll(25)).unwrap() - 12,
        curve: 0,
        sound: SoundId(number),
        catches: dice.roll(4) == 0,
        finger: segue::midi::mpe::Leader::Last,
        leave: match dice.roll(4) {
            0 => Leave::Cut,
            1 => Leave::Fade(70),
            _ => Leave::Hold,
        },
    }
}

/// Scenes, one position each, with random sounds and overlapping zones.
fn fill_scenes(dice: &mut Dice, book: &mut Promptbook) {
    let (mut scenes, mut zones, mut sounds) = (Vec::new(), Vec::new(), Vec::new());
    let (mut settings, mut cues) = (Vec::new(), Vec::new());
    let (mut positions, mut seats) = (Vec::new(), Vec::new());
    for scene in 0..SCENES {
        let (zone_start, sound_start) = (zones.len(), sounds.len());
        positions.push(PositionEntry {
            scene: SceneId(scene),
            song: SongId(u16::try_from(scene / 10).unwrap()),
            seats: span(seats.len(), usize::from(SOUNDS)),
            page: (scene % 3 == 0).then_some(1),
        });
        for number in 0..SOUNDS {
            let receiver = number % 4;
            sounds.push(sound(dice, &mut settings, receiver));
            // Three pairs of slots in turn, so that the next pair can be loaded ahead.
            let pair = u8::try_from(scene % 3).unwrap();
            seats.push(SlotId(receiver * SLOTS + 2 * pair + number / 4));
        }
        for controller in 0..CONTROLLERS {
            zones.extend((0..SOUNDS).map(|number| zone(dice, controller, number)));
        }
        scenes.push(SceneEntry {
            zones: span(zone_start, zones.len() - zone_start),
            sounds: span(sound_start, usize::from(SOUNDS)),
            routes: Span::default(),
            cues: span(cues.len(), 1),
            is_brief: scene % 5 == 0,
        });
        cues.push(CueEntry {
            receiver: ReceiverId(4),
            message: CueMessage::Blob(BlobId(1)),
            on_jump: scene % 2 == 0,
        });
    }
    book.scenes = scenes.into();
    book.zones = zones.into();
    book.sounds = sounds.into();
    book.settings = settings.into();
    book.cues = cues.into();
    book.positions = positions.into();
    book.seats = seats.into();
}

fn show(dice: &mut Dice) -> Promptbook {
    let (receivers, slots) = receivers();
    let mut straight = [0u8; 128];
    for (value, out) in (0u8..).zip(straight.iter_mut()) {
        *out = value;
    }
    let songs = (0..usize::try_from(SCENES / 10).unwrap()).map(|song| SongEntry {
        positions: span(song * 10, 10),
        pages: span(song * 3, 3),
    });
    let port = |id: u8| OutPortEntry {
        boot_us: 500_000,
        // One slow line (31.25 kbaud) among them.
        byte_us: if id == 2 { 320 } else { 0 },
    };
    let binding = |(number, action)| Binding {
        controller: ControllerId(0),
        trigger: Trigger::Control(Controller::clamped(number)),
        action,
        is_latching: false,
        is_inverted: false,
    };
    let mut book = Promptbook {
        in_ports: vec![InPortEntry::default(); usize::from(CONTROLLERS)].into(),
        out_ports: (0..RECEIVERS).map(port).collect(),
        controllers: controllers(),
        bindings: [
            (80, Action::Step),
            (81, Action::Back),
            (82, Action::PageNext),
        ]
        .map(binding)
        .into(),
        receivers: receivers.into(),
        slots: slots.into(),
        songs: songs.collect(),
        pages: (0..60).collect(),
        curves: [straight].into(),
        blobs: [
            vec![0xf0, 0x7d, 0, 0xf7].into(),
            vec![0xf0, 0x7d, 1, 0xf7].into(),
        ]
        .into(),
        ..Promptbook::default()
    };
    fill_scenes(dice, &mut book);
    book
}

fn message(dice: &mut Dice) -> Message {
    let ch = Channel::MIN;
    let value = Value7::clamped(i32::from(dice.byte()));
    let key = Key::clamped(i32::from(dice.byte()));
    match dice.roll(12) {
        0..4 => Message::NoteOn(ch, key, value),
        4..7 => Message::NoteOff(ch, key, value),
        7 => {
            let numbers = [1, 11, 16, 64, 64, 66, 67];
            let index = usize::try_from(dice.roll(7)).unwrap();
            Message::Control(ch, Controller::clamped(numbers[index]), value)
        }
        8 => Message::Bend(ch, Value14::clamped(i32::from(value.get()) * 128)),
        9 => Message::Pressure(ch, value),
        10 => Message::PolyPressure(ch, key, value),
        _ => {
            let number = 80 + i32::try_from(dice.roll(3)).unwrap();
            Message::Control(ch, Controller::clamped(number), value)
        }
    }
}

fn input(dice: &mut Dice) -> Input {
    let out = OutPort(u8::try_from(dice.roll(u64::from(RECEIVERS))).unwrap());
    let into = InPort(u8::try_from(dice.roll(u64::from(CONTROLLERS))).unwrap());
    let place = PositionId(u32::try_from(dice.roll(u64::from(SCENES))).unwrap());
    match dice.roll(400) {
        0 => Input::OutputLost(out),
        1..4 => Input::OutputReady(out),
        4 => Input::SignOfLife(out),
        5 => Input::OutputOverflow(out),
        6 => Input::InputLost(into),
        7 => Input::InputReady(into),
        8 => Input::Command(Command::Panic(None)),
        9 => Input::Command(Command::Resend {
            receiver: None,
            is_forced: dice.roll(2) == 0,
        }),
        10 => Input::Command(Command::Jump(place)),
        11 => Input::Command(Command::SongDown),
        12 => Input::Command(Command::SongUp),
        13 => Input::Command(Command::Mute(dice.roll(4) == 0)),
        14 => Input::Command(Command::ReleaseAll),
        15..30 => Input::Command(Command::Step),
        30..36 => Input::Command(Command::Back),
        36..60 => Input::Tick,
        _ => Input::Midi(into, message(dice)),
    }
}

#[test]
fn playing_never_touches_the_heap() {
    // The counter can count: one call to make, one to drop.
    assert_eq!(heap_calls(|| drop(std::hint::black_box(Box::new(1u8)))), 2);

    let mut dice = Dice(2_026);
    let mut engine = Engine::new(show(&mut dice), PositionId(0));
    let mut out = Outbox::new();
    let mut view = Box::new(View::default());
    // Kept by difference from call to call, and the same as one made anew.
    let mut kept = Box::new(engine.checkpoint());
    let mut stale = 0_u64;
    let (mut now_us, mut sent, mut refused) = (0, 0, 0);
    let calls = heap_calls(|| {
        for port in 0..RECEIVERS {
            engine.handle(now_us, Input::OutputReady(OutPort(port)), &mut out);
            out.clear();
        }
        for _ in 0..60_000 {
            let next_us = now_us + dice.roll(8_000);
            while let Some(due_us) = engine.next_deadline().filter(|due| *due <= next_us) {
                engine.handle(due_us, Input::Tick, &mut out);
                sent += out.items().len();
                out.clear();
            }
            now_us = next_us;
            engine.handle(now_us, input(&mut dice), &mut out);
            engine.view(&mut view);
            engine.keep_checkpoint(&mut kept);
            stale += u64::from(*kept != engine.checkpoint());
            sent += out.items().len();
            out.clear();
        }
        refused = out.refused();
    });
    assert_eq!(calls, 0, "heap calls while playing");
    assert_eq!(stale, 0, "checkpoints kept that differ from new ones");
    assert_eq!(refused, 0, "messages refused by the outbox");
    let counters = view.counters;
    assert!(sent > 100_000, "only {sent} messages went out");
    assert!(
        counters.steps > 1_000 && counters.notes > 10_000,
        "{counters:?}"
    );
    assert!(
        counters.detours > 0 && counters.held_back_early > 0,
        "{counters:?}"
    );
    assert!(
        counters.primed > 0 && counters.primes_abandoned > 0,
        "{counters:?}"
    );
    assert!(view.next.sounds > 0);
    assert_eq!(counters.faults, 0);
}

/// What is played a scene: touches, some milliseconds apart, and then the step.
const TOUCHES: u64 = 400;

/// The touring show from first to last position, each night, through engine and wires.
#[test]
fn the_touring_show_never_touches_the_heap() {
    let show = touring::show();
    assert!(show.nights.len() > 1);
    for night in &show.nights {
        let plan = plan::compile(&show, night).unwrap();
        let book = Arc::new(plan.promptbook.clone());
        let mut wires: Vec<_> = touring::kinds(&show, &plan)
            .into_iter()
            .map(|kind| Wire::new(kind, Limits::default(), 0))
            .collect();
        let mut engine = Engine::new(Arc::clone(&book), PositionId(0));
        let mut out = Outbox::new();
        let mut view = Box::new(View::default());
        let ready = replay::ready(&book);
        let mut dice = Dice(1_965);
        let (mut now_us, mut sent) = (0, 0);
        let calls = heap_calls(|| {
            let mut play = |now_us: u64, input: Input| {
                engine.handle(now_us, input, &mut out);
                engine.view(&mut view);
                for output in out.items() {
                    let wire = &mut wires[output.port.index()];
                    wire.push(now_us, replay::item(&book, output)).unwrap();
                    while let Next::Send(_) = wire.next(now_us) {
                        sent += 1;
                    }
                }
                out.clear();
                while let Some(due_us) = engine.next_deadline().filter(|due| *due <= now_us) {
                    engine.handle(due_us, Input::Tick, &mut out);
                    for output in out.items() {
                        let wire = &mut wires[output.port.index()];
                        wire.push(now_us, replay::item(&book, output)).unwrap();
                    }
                    out.clear();
                }
                for wire in &mut wires {
                    while let Next::Send(_) = wire.next(now_us) {
                        sent += 1;
                    }
                }
            };
            for (us, input) in &ready {
                play(*us, *input);
            }
            for _ in 1..plan.places.len() {
                for _ in 0..TOUCHES {
                    now_us += dice.roll(12_000);
                    play(now_us, touring::touch(&mut dice, &book));
                }
                now_us += 300_000;
                play(now_us, Input::Command(Command::Step));
            }
        });
        assert_eq!(calls, 0, "heap calls while playing {}", night.name);
        assert_eq!(
            view.position.index(),
            plan.places.len() - 1,
            "{}",
            night.name
        );
        assert_eq!(view.counters.faults, 0);
        assert!(view.counters.primed > 0, "nothing was loaded ahead");
        assert!(sent > 10_000, "only {sent} messages went out");
    }
}

/// A night changed again and again while it is played: planning takes what it needs, what the
/// playing thread does of it takes nothing.
#[test]
fn a_changed_night_is_taken_without_the_heap() {
    let show = touring::show();
    let written = &show.nights[0];
    let mut night = written.clone();
    let mut plan = plan::compile(&show, written).unwrap();
    let mut book = Arc::new(plan.promptbook.clone());
    let mut engine = Engine::new(Arc::clone(&book), PositionId(0));
    let (mut out, mut live, mut view) = (Outbox::new(), Live::default(), View::default());
    let mut dice = Dice(1_983);
    let (mut now_us, mut calls, mut taken) = (0, 0, 0);
    for (us, input) in replay::ready(&book) {
        engine.handle(us, input, &mut out);
        out.clear();
    }
    for turn in 0..60 {
        let inputs = [Input::Tick; 100].map(|_| touring::touch(&mut dice, &book));
        calls += heap_calls(|| {
            for input in inputs.into_iter().chain([Input::Command(Command::Step)]) {
                now_us += 12_000;
                engine.handle(now_us, input, &mut out);
                out.clear();
            }
            engine.live(&mut live);
        });
        let songs = night.order.len();
        if let NightEntry::Song {
            is_skipped,
            transpose,
            ..
        } = &mut night.order[turn % songs]
        {
            *is_skipped = !*is_skipped;
            *transpose = (*transpose + 1) % 3;
        }
        let given = Given {
            plan: &plan,
            live: &live,
            written,
        };
        let replan = plan::replan(&show, &night, &given).unwrap();
        let new = Arc::new(replan.plan.promptbook.clone());
        let mut swap = Swap::prepare(&book, Arc::clone(&new), live.position, replan.at).unwrap();
        (plan, book) = (replan.plan, new);
        calls += heap_calls(|| {
            engine.take_book(now_us, &mut swap, &mut out).unwrap();
            engine.view(&mut view);
            out.clear();
        });
        taken += 1;
    }
    assert_eq!(calls, 0, "heap calls while the night changes");
    assert_eq!(view.counters.faults, 0);
    let notes = view.counters.notes;
    assert!(taken == 60 && notes > 300, "{taken} taken, {notes} notes");
}
