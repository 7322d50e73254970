//! A spare is kept in the same state, and takes over without a stuck or a lost note.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::rig::*;
use crate::engine::input::{Command, Input, Outbox, Payload};
use crate::engine::promptbook::*;
use crate::engine::rescue::Deed;
use crate::midi::Message;

/// Two scenes on a main instrument with a spare.
fn with_spare(manners: Manners) -> (Book, ReceiverId, ReceiverId) {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(3, manners);
    let spare = book.spare(main);
    let load_us = manners.load_us;
    let scene = |program, seat, level| {
        sound(main, program)
            .on(keys)
            .seat(seat)
            .with(|entry| {
                entry.load_us = load_us;
                entry.volume = Some(v7(level));
                entry.bend_range = Some(v7(2 + seat));
            })
            .set(Setting::Pair(
                cc(12),
                crate::midi::Value14::clamped(300 * i32::from(level)),
            ))
    };
    book.scene(&[scene(5, 0, 100)]);
    book.scene(&[scene(6, 1, 90), scene(5, 0, 80)]);
    book.scene(&[scene(9, 0, 70)]);
    (book, main, spare)
}

fn take_over(play: &mut Play, receiver: ReceiverId) -> String {
    play.command(Command::TakeOver(receiver))
}

#[test]
fn state_goes_to_both_and_notes_to_the_one_that_is_played() {
    let (book, ..) = with_spare(GOOD);
    let mut play = book.play();
    assert!(play.view().duties[1].stands_by && !play.view().duties[0].stands_by);
    assert!(play.view().duties[1].is_told);
    assert_eq!(play.keys("90 3c 64"), "0:90 3c 64");
    assert_eq!(play.keys("b0 01 40"), "0:b0 01 40, 1:b0 01 40");
    assert_eq!(play.keys("e0 00 50"), "0:e0 00 50, 1:e0 00 50");
    assert_eq!(play.keys("b0 40 7f"), "0:b0 40 7f", "pedals go with notes");
    let out = play.step();
    assert!(out.contains("0:c1 06") && out.contains("1:c1 06"), "{out}");
}

#[test]
fn keys_that_are_down_go_over_and_back_with_their_velocity() {
    let (book, main, spare) = with_spare(GOOD);
    let mut play = book.play();
    play.keys("90 3c 50");
    let out = take_over(&mut play, main);
    let (old, new): (Vec<_>, Vec<_>) = out.split(", ").partition(|item| item.starts_with("0:"));
    assert_eq!(old[0], "0:80 3c 40");
    assert!(old.contains(&"0:b0 7b 00"), "{out}");
    let strikes: Vec<_> = new.iter().filter(|item| item.starts_with("1:9")).collect();
    assert_eq!(strikes, [&"1:90 3c 50"]);
    let to = |from, to, notes| Deed::TookOver { from, to, notes };
    assert_eq!(play.view().deed.unwrap().1, to(main, spare, 1));
    assert!(play.view().duties[0].stands_by && !play.view().duties[1].stands_by);
    assert_eq!(play.view().slots[3].notes, 1, "shown where it sounds");
    assert_eq!(play.keys("80 3c 40"), "1:80 3c 40");
    play.keys("90 40 64");
    let out = take_over(&mut play, spare);
    assert!(
        out.contains("1:80 40 40") && out.ends_with("0:90 40 64"),
        "{out}"
    );
    assert_eq!(play.keys("80 40 40"), "0:80 40 40");
}

#[test]
fn what_only_a_pedal_holds_ends_and_the_pedal_goes_over() {
    let (book, main, _) = with_spare(GOOD);
    let mut play = book.play();
    play.keys("b0 40 7f");
    play.keys("90 3c 64");
    play.keys("80 3c 40");
    let out = take_over(&mut play, main);
    assert!(
        out.contains("0:b0 40 00") && out.contains("1:b0 40 7f"),
        "{out}"
    );
    assert!(!out.contains("1:90"), "{out}");
    assert_eq!(play.view().held_count, 0);
    assert_eq!(play.keys("b0 40 00"), "1:b0 40 00");
}

#[test]
fn a_spare_that_is_not_there_takes_nothing_over() {
    let (book, main, spare) = with_spare(GOOD);
    let mut play = book.play();
    play.input(Input::OutputLost(OutPort(1)));
    play.keys("90 3c 64");
    assert_eq!(take_over(&mut play, main), "");
    assert_eq!(play.view().deed.unwrap().1, Deed::SpareAbsent(spare));
    assert_eq!(play.keys("80 3c 40"), "0:80 3c 40");
    let (mut book, ..) = with_spare(GOOD);
    let lonely = book.instrument(1, GOOD);
    let mut play = book.play();
    assert_eq!(take_over(&mut play, lonely), "");
    assert_eq!(play.view().deed.unwrap().1, Deed::NoSpare(lonely));
}

#[test]
fn a_main_that_is_lost_is_replaced_with_the_scene_of_that_moment() {
    let (book, main, _) = with_spare(GOOD);
    let mut play = book.play();
    play.input(Input::OutputLost(OutPort(0)));
    let out = play.step();
    assert!(
        out.contains("1:c1 06") && out.contains("1:b0 07 50") && !out.contains("0:"),
        "whoever stands by follows the scene: {out}"
    );
    assert_eq!(play.keys("b0 01 40"), "1:b0 01 40, 1:b1 01 40");
    assert_eq!(play.keys("b0 40 7f"), "", "pedals go with notes");
    let out = take_over(&mut play, main);
    assert!(!out.contains(" c1 ") && !out.contains("07 50"), "{out}");
    play.keys("b0 40 00");
    assert_eq!(play.keys("90 3c 64"), "1:91 3c 64, 1:90 3c 64");
    // It comes back, and stands by in the same state.
    play.input(Input::OutputReady(OutPort(0)));
    let out = play.input(Input::SignOfLife(OutPort(0)));
    assert!(
        out.contains("0:c1 06") && out.contains("0:b0 07 50"),
        "{out}"
    );
    assert!(!out.contains("0:91"), "{out}");
}

#[test]
fn a_mute_is_of_both_whoever_plays() {
    let (book, main, spare) = with_spare(GOOD);
    let mut play = book.play();
    take_over(&mut play, main);
    play.command(Command::MuteOne(spare, true));
    assert_eq!(play.view().deed.unwrap().1, Deed::Muted(spare, true));
    assert_eq!(play.keys("90 3c 64"), "");
    play.keys("80 3c 40");
    take_over(&mut play, main);
    assert_eq!(play.keys("90 3c 64"), "", "it goes over with the part");
    play.keys("80 3c 40");
    play.command(Command::MuteOne(main, false));
    assert_eq!(play.keys("90 3c 64"), "0:90 3c 64");
}

#[test]
fn a_note_is_ended_where_it_sounds() {
    let (book, main, _) = with_spare(GOOD);
    let mut play = book.play();
    take_over(&mut play, main);
    play.keys("90 3c 64");
    let view = play.view();
    let shown = view.held[0].slot;
    assert_eq!(shown, SlotId(3), "the spare's first");
    let out = play.command(Command::EndNote(shown, key(0x3c)));
    assert_eq!(out, "1:80 3c 40");
    assert_eq!(play.keys("80 3c 40"), "", "its key has ended already");
    // What nobody is known to hold there is ended there.
    let out = play.command(Command::EndNote(shown, key(0x40)));
    assert_eq!(out, "1:80 40 40");
}

#[test]
fn no_pedal_reaches_the_one_that_stands_by() {
    let (book, main, _) = with_spare(GOOD);
    let mut play = book.play();
    play.keys("90 3c 64");
    for pedal in [0x40, 0x42, 0x43] {
        assert_eq!(
            play.keys(&format!("b0 {pedal:02x} 7f")),
            format!("0:b0 {pedal:02x} 7f")
        );
    }
    // Nor later, when something else is told: after a step, and after the take-over.
    assert!(!play.step().contains("1:b0 4"));
    let out = take_over(&mut play, main);
    assert!(
        out.contains("0:b0 40 00") && !out.contains("0:b0 42 7f"),
        "{out}"
    );
    assert!(!play.keys("b0 01 22").contains("0:b0 4"));
}

/// One that comes back is told its patch, and what that may reset once it has loaded.
#[test]
fn a_spare_that_loads_is_told_the_rest_afterwards() {
    let (book, ..) = with_spare(BAD);
    let mut play = book.play();
    play.wait(500);
    play.input(Input::OutputLost(OutPort(1)));
    let mut out = play.input(Input::OutputReady(OutPort(1)));
    out += ", ";
    out += &play.input(Input::SignOfLife(OutPort(1)));
    let (_, after) = out.split_once("1:c0 05").unwrap();
    assert!(!after.contains("1:b0"), "{out}");
    assert_eq!(play.wait(90), "");
    let later = play.wait(20);
    assert!(later.contains("1:b0 07 64"), "{later}");
}

#[test]
fn a_spare_is_told_the_bank_before_the_program() {
    let mut book = Book::new();
    let keys = book.controller();
    let main = book.instrument(2, BAD);
    book.spare(main);
    let banked = |program, bank: (u8, u8)| {
        sound(main, program).on(keys).with(|entry| {
            (entry.patch.bank_msb, entry.patch.bank_lsb) = (Some(v7(bank.0)), Some(v7(bank.1)));
        })
    };
    book.scene(&[banked(5, (3, 9))]);
    book.scene(&[banked(5, (4, 7))]);
    let mut play = book.play();
    play.wait(1_000);
    let mut out = play.step();
    out += ", ";
    out += &play.wait(1_000);
    let told = "1:b0 00 04, 1:b0 20 07, 1:c0 05";
    assert!(out.contains(told), "{out}");
}

/// What a channel was told, as a receiver that loses nothing keeps it.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
struct Heard {
    program: Option<u8>,
    controls: BTreeMap<u8, u8>,
    bend: Option<u16>,
    /// Note Ons without their Note Off.
    down: BTreeMap<u8, i32>,
    /// Let go while the hold pedal was down.
    held: BTreeMap<u8, i32>,
    numbered: BTreeMap<(u8, u8), (u8, u8)>,
    number: (u8, u8),
}

impl Heard {
    fn take(&mut self, message: Message) {
        match message {
            Message::NoteOn(_, key, _) => *self.down.entry(key.get()).or_default() += 1,
            Message::NoteOff(_, key, _) => {
                let count = self.down.entry(key.get()).or_default();
                if *count > 0 {
                    *count -= 1;
                    if self.controls.get(&64).is_some_and(|value| *value >= 64) {
                        *self.held.entry(key.get()).or_default() += 1;
                    }
                }
            }
            Message::Program(_, program) => self.program = Some(program.get()),
            Message::Bend(_, value) => self.bend = Some(value.get()),
            Message::Control(_, number, value) => self.control(number.get(), value.get()),
            _ => {}
        }
    }

    fn has_down(&self, key: u8) -> bool {
        self.down.get(&key).is_some_and(|count| *count > 0)
    }

    fn control(&mut self, number: u8, value: u8) {
        match number {
            101 => self.number.0 = value,
            100 => self.number.1 = value,
            6 => self.numbered.entry(self.number).or_default().0 = value,
            38 => self.numbered.entry(self.number).or_default().1 = value,
            123 => {
                self.down.clear();
                // The pedals were brought up before.
                self.held.clear();
            }
            _ => {
                if number < 32 {
                    self.controls.remove(&(number + 32));
                }
                self.controls.insert(number, value);
                if number == 64 && value < 64 {
                    self.held.clear();
                }
            }
        }
    }

    /// Keys that sound.
    fn sounding(&self) -> Vec<u8> {
        let both = self.down.iter().chain(&self.held);
        let mut keys: Vec<u8> = both.filter(|(_, n)| **n > 0).map(|(key, _)| *key).collect();
        keys.sort_unstable();
        keys.dedup();
        keys
    }

    /// What stands by must agree in: all but notes, pedals and the number last chosen.
    fn state(&self) -> impl PartialEq + std::fmt::Debug {
        let controls: Vec<_> = self
            .controls
            .iter()
            .filter(|(number, _)| !matches!(number, 64 | 66 | 67))
            .map(|(number, value)| (*number, *value))
            .collect();
        (self.program, controls, self.bend, self.numbered.clone())
    }
}

#[derive(Clone, Copy, Debug)]
enum Act {
    Strike(u8),
    LetGo(u8),
    Hold(u8),
    Wheel(u8),
    Step,
    Back,
    TakeOver,
    Wait(u16),
    Panic,
}

fn any_act() -> impl Strategy<Value = Act> {
    let key = 60..64_u8;
    prop_oneof![
        6 => key.clone().prop_map(Act::Strike),
        5 => key.prop_map(Act::LetGo),
        2 => prop_oneof![Just(0_u8), Just(127)].prop_map(Act::Hold),
        1 => (0..128_u8).prop_map(Act::Wheel),
        2 => Just(Act::Step),
        2 => Just(Act::Back),
        2 => Just(Act::TakeOver),
        4 => (1..150_u16).prop_map(Act::Wait),
        1 => Just(Act::Panic),
    ]
}

/// Both devices, by port and channel.
type Room = BTreeMap<(u8, u8), Heard>;

fn hear(room: &mut Room, out: &Outbox) {
    for output in out.items() {
        if let (Payload::Short(message), Some(channel)) = (output.payload, output.channel) {
            room.entry((output.port.0, channel.get()))
                .or_default()
                .take(message);
        }
    }
}

fn wait(play: &mut Play, room: &mut Room, ms: u64) {
    let end_us = play.now_us + ms * 1000;
    while let Some(due_us) = play.engine.next_deadline().filter(|due| *due <= end_us) {
        play.now_us = due_us;
        play.input(Input::Tick);
        hear(room, &play.out);
    }
    play.now_us = end_us;
}

/// Both devices there, with what they were told by then, and the main one's number.
fn begin(is_slow: bool) -> (Play, Room, ReceiverId) {
    let (mut book, main, _) = with_spare(if is_slow { BAD } else { GOOD });
    book.control_entry(ControllerId(0), |entry| entry.passes[1] = 1);
    let mut play = book.play_absent();
    let mut room = Room::new();
    for port in 0..2 {
        play.input(Input::OutputReady(OutPort(port)));
        hear(&mut room, &play.out);
    }
    (play, room, main)
}

proptest! {
    /// Whatever is played, stepped and taken over: what stands by is silent, what is played
    /// sounds where its keys are down, both hold the same, and in the end nothing sounds.
    #[test]
    fn no_note_is_stuck_or_lost_over_any_take_over(
        acts in prop::collection::vec(any_act(), 1..60),
        is_slow in any::<bool>(),
    ) {
        let (mut play, mut room, main) = begin(is_slow);
        wait(&mut play, &mut room, 300);
        let mut down = [false; 128];
        for act in acts {
            match act {
                Act::Strike(key) => {
                    down[usize::from(key)] = true;
                    play.keys(&format!("90 {key:02x} 64"));
                }
                Act::LetGo(key) => {
                    down[usize::from(key)] = false;
                    play.keys(&format!("80 {key:02x} 40"));
                }
                Act::Hold(value) => drop(play.keys(&format!("b0 40 {value:02x}"))),
                Act::Wheel(value) => drop(play.keys(&format!("b0 01 {value:02x}"))),
                Act::Step => drop(play.step()),
                Act::Back => drop(play.back()),
                Act::TakeOver => drop(play.command(Command::TakeOver(main))),
                Act::Panic => {
                    down = [false; 128];
                    play.command(Command::Panic(None));
                }
                Act::Wait(ms) => {
                    wait(&mut play, &mut room, ms.into());
                    play.out.clear();
                }
            }
            hear(&mut room, &play.out);
            let view = play.view();
            let idle = u8::from(!view.duties[0].stands_by);
            for ((port, channel), heard) in &room {
                if *port == idle {
                    prop_assert_eq!(heard.sounding(), Vec::<u8>::new(), "{} {}", port, channel);
                }
            }
            let waits = view.slots.iter().any(|slot| slot.is_loading);
            if waits {
                continue;
            }
            // What sounds is held, and what is held by a key sounds. With good manners all
            // that is held sounds; a slow slot may be let go before it hears of its pedal.
            for slot in 0..6_u8 {
                let Some(heard) = room.get(&(slot / 3, slot % 3)) else {
                    continue;
                };
                let held: Vec<_> = view.held.iter().take(view.held_count.into())
                    .filter(|note| note.slot.0 == slot)
                    .collect();
                let sounding = heard.sounding();
                for note in &held {
                    let is_safe = note.is_key_down || !is_slow;
                    prop_assert!(
                        !is_safe || sounding.contains(&note.out_key),
                        "slot {} lost {} after {:?}", slot, note.out_key, act
                    );
                }
                for key in sounding {
                    // Struck and let go while a slot loads, and the pedal down before it had:
                    // what it is told then takes the note along, until it comes up.
                    let is_taken_along = is_slow && !heard.has_down(key);
                    prop_assert!(
                        is_taken_along || held.iter().any(|note| note.out_key == key),
                        "slot {} has {} stuck after {:?}", slot, key, act
                    );
                }
            }
            for (key, is_down) in (0_u8..).zip(down) {
                let is_held = view.held.iter().take(view.held_count.into())
                    .any(|note| note.in_key == key && note.is_key_down);
                // Notes of several scenes may fill the group: then a sound that comes ends some.
                let may_be_harmed = view.counters.harmed > 0 && !is_held;
                prop_assert!(
                    is_held == is_down || may_be_harmed,
                    "key {} after {:?}: held {}", key, act, is_held
                );
            }
        }
        play.keys("b0 40 00");
        hear(&mut room, &play.out);
        for key in 60..64 {
            play.keys(&format!("80 {key:02x} 40"));
            hear(&mut room, &play.out);
        }
        wait(&mut play, &mut room, 5_000);
        for heard in room.values() {
            prop_assert_eq!(heard.sounding(), Vec::<u8>::new());
        }
        let view = play.view();
        for channel in 0..3 {
            // A slot that was left while it loaded may have been told what is not counted on.
            let is_known = |slot: usize| !is_slow || view.slots[slot].sound.is_some();
            if !is_known(usize::from(channel)) && !is_known(usize::from(channel) + 3) {
                continue;
            }
            let (one, other) = (room.get(&(0, channel)), room.get(&(1, channel)));
            prop_assert_eq!(
                one.map(Heard::state),
                other.map(Heard::state),
                "channel {}", channel
            );
        }
    }

    /// While the main one is away, the spare that stands by holds what it would hold if it
    /// had taken over, wherever the scene has a sound.
    #[test]
    fn a_spare_holds_the_scene_while_the_main_one_is_away(
        acts in prop::collection::vec(any_act(), 1..40),
        is_slow in any::<bool>(),
        lost_ms in 0..400_u64,
    ) {
        let mut heard = Vec::new();
        for is_played in [false, true] {
            let (mut play, mut room, main) = begin(is_slow);
            wait(&mut play, &mut room, lost_ms);
            play.input(Input::OutputLost(OutPort(0)));
            hear(&mut room, &play.out);
            if is_played {
                play.command(Command::TakeOver(main));
                hear(&mut room, &play.out);
            }
            for act in &acts {
                match act {
                    Act::Hold(value) => drop(play.keys(&format!("b0 40 {value:02x}"))),
                    Act::Wheel(value) => drop(play.keys(&format!("b0 01 {value:02x}"))),
                    Act::Step => drop(play.step()),
                    Act::Back => drop(play.back()),
                    Act::Wait(ms) => wait(&mut play, &mut room, (*ms).into()),
                    Act::Strike(_) | Act::LetGo(_) | Act::TakeOver | Act::Panic => continue,
                }
                if !matches!(act, Act::Wait(_)) {
                    hear(&mut room, &play.out);
                }
            }
            wait(&mut play, &mut room, 2_000);
            // The scene's slots, by the channel that they have on either port.
            let seats = play.view().seats;
            let channels = seats.iter().flatten().map(|slot| slot.0 % 3);
            let states: Vec<_> = channels
                .map(|channel| (channel, format!("{:?}", room.get(&(1, channel)).map(Heard::state))))
                .collect();
            heard.push(states);
        }
        prop_assert_eq!(&heard[0], &heard[1]);
        prop_assert!(!heard[0].is_empty());
    }
}
