//! The touring show and two hands that play it: what the heap test and the readings share.
#![allow(dead_code, reason = "each binary uses what it needs of this")]

use std::path::Path;

use segue::engine::input::{Command, Input};
use segue::engine::promptbook::Promptbook;
use segue::midi::{Channel, Controller, Key, Message, Value7, Value14};
use segue::plan::Plan;
use segue::show::model::{PortKind, Show};
use segue::{show, store, wire};

/// The touring show as it comes with the program.
pub(crate) fn show() -> Show {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/shows/quarry-lanterns");
    let contents = store::read_folder(Path::new(folder)).unwrap();
    let (show, findings) = show::read::read(&contents.files, "quarry-lanterns");
    assert!(findings.kept().is_empty(), "the touring show reads clean");
    show
}

/// The kind of each output port, as `wire` knows it.
pub(crate) fn kinds(show: &Show, plan: &Plan) -> Vec<wire::PortKind> {
    let kinds = plan.ports.outputs.iter().map(|at| show.rig.ports[*at].kind);
    kinds
        .map(|kind| match kind {
            PortKind::Usb | PortKind::Keys => wire::PortKind::Usb,
            PortKind::Din => wire::PortKind::Din,
            PortKind::UsbToDin => wire::PortKind::UsbToDin,
            PortKind::Software => wire::PortKind::Software,
        })
        .collect()
}

/// A small generator of numbers, the same on every run (Knuth's MMIX constants).
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % sides
    }

    pub(crate) fn byte(&mut self) -> u8 {
        u8::try_from(self.roll(128)).unwrap()
    }

    pub(crate) fn value(&mut self) -> Value7 {
        Value7::clamped(self.byte().into())
    }
}

/// Something that a hand or foot does on a random controller of the rig: a note, a note let
/// go, a pedal, the bender, or any of the controllers that are named sources.
pub(crate) fn touch(dice: &mut Dice, book: &Promptbook) -> Input {
    let at = dice.roll(book.controllers.len() as u64) as usize;
    let controller = &book.controllers[at];
    let channel = controller.channel.unwrap_or(Channel::MIN);
    let (low, high) = (controller.keys.0.get(), controller.keys.1.get());
    let up = dice.roll(u64::from(high.saturating_sub(low)) + 1);
    let key = Key::clamped(i32::from(low) + up as i32);
    let message = match dice.roll(10) {
        0..3 => Message::NoteOn(channel, key, dice.value()),
        3..6 => Message::NoteOff(channel, key, dice.value()),
        6 => Message::Bend(channel, Value14::clamped(dice.roll(16_384) as i32)),
        7 => Message::Pressure(channel, dice.value()),
        _ => Message::Control(channel, source(dice, controller.passes), dice.value()),
    };
    Input::Midi(controller.port, message)
}

/// One of the controllers that pass, each as likely as any other; the wheel if none does.
fn source(dice: &mut Dice, passes: [u64; 2]) -> Controller {
    let is_passing = |number: &u8| passes[usize::from(number / 64)] >> (number % 64) & 1 == 1;
    let count = (0..128).filter(is_passing).count() as u64;
    let pick = dice.roll(count.max(1)) as usize;
    let number = (0..128).filter(is_passing).nth(pick).unwrap_or(1);
    Controller::clamped(number.into())
}

/// Two hours of two hands, each ten notes a second, a pedal that follows them, a wheel, and
/// a step every half minute; past the last scene it begins again.
pub(crate) fn two_hours(plan: &Plan) -> Vec<(u64, Input)> {
    let (mut dice, book) = (Dice(7), &plan.promptbook);
    let mut inputs = segue::replay::ready(book);
    let last = plan.places.len() as u64 - 1;
    for tenth in 0..2 * 60 * 60 * 10_u64 {
        let now_us = 1_000_000 + tenth * 100_000;
        if tenth % 300 == 299 {
            let is_end = (tenth / 300) % (last + 1) == last;
            let jump = Command::Jump(segue::engine::promptbook::PositionId(0));
            let command = if is_end { jump } else { Command::Step };
            inputs.push((now_us, Input::Command(command)));
        }
        for (hand, controller) in book.controllers.iter().take(2).enumerate() {
            let channel = controller.channel.unwrap_or(Channel::MIN);
            let low = i32::from(controller.keys.0.get());
            let key = Key::clamped(low + 12 + dice.roll(36) as i32);
            let velocity = Value7::clamped(1 + dice.roll(127) as i32);
            let mut add = |us, message| inputs.push((us, Input::Midi(controller.port, message)));
            let start_us = now_us + hand as u64 * 7_000;
            add(start_us, Message::NoteOn(channel, key, velocity));
            add(start_us + 150_000, Message::NoteOff(channel, key, velocity));
            if tenth % 10 == 0 || tenth % 10 == 7 {
                let value = Value7::clamped(if tenth % 10 == 0 { 127 } else { 0 });
                add(
                    start_us,
                    Message::Control(channel, Controller::clamped(64), value),
                );
            }
            if tenth % 50 < 10 {
                add(
                    start_us + 50_000,
                    Message::Control(channel, Controller::clamped(1), dice.value()),
                );
            }
        }
    }
    inputs.sort_by_key(|(us, _)| *us);
    inputs
}
