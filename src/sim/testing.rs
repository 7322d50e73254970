//! What the tests of this room share: bytes by name, and what a receiver let be heard.

use crate::midi::num::{Channel, Controller, Key};

use super::heard::{Ended, Heard, Released};
use super::receiver::ReceiverModel;
use super::spec::{ModelManners, ReceiverSpec};
use super::voice::{VoiceId, VoiceState};

/// The slot that tests of this room play on: channel 1.
pub(super) const CH: Channel = Channel::clamped(0);

pub(super) fn key(number: u8) -> Key {
    Key::clamped(i32::from(number))
}

pub(super) fn on(number: u8) -> [u8; 3] {
    [0x90, number, 100]
}

pub(super) fn off(number: u8) -> [u8; 3] {
    [0x80, number, 64]
}

pub(super) fn control(number: u8, value: u8) -> [u8; 3] {
    [0xb0, number, value]
}

pub(super) fn program(number: u8) -> [u8; 2] {
    [0xc0, number]
}

pub(super) fn controller(number: u8) -> Controller {
    Controller::clamped(i32::from(number))
}

/// A General MIDI 2 receiver with one manner changed.
pub(super) fn model(change: impl FnOnce(&mut ModelManners)) -> ReceiverModel {
    let mut spec = ReceiverSpec::gm2();
    change(&mut spec.manners);
    ReceiverModel::new(spec)
}

/// Keys that sound on the first slot, with what keeps them.
pub(super) fn sounding(model: &ReceiverModel) -> Vec<(u8, VoiceState)> {
    model.voices().map(|v| (v.key.get(), v.state)).collect()
}

/// Voices that fell silent, with when and why, in order.
pub(super) fn ends(model: &ReceiverModel) -> Vec<(u64, u64, Ended)> {
    let ended = |event: &super::Event| match event.heard {
        Heard::NoteEnded {
            id: VoiceId(id),
            why,
        } => Some((event.at_us, id, why)),
        _ => None,
    };
    model.events_since(0).filter_map(ended).collect()
}

/// Voices that were let go, with when and why, in order.
pub(super) fn releases(model: &ReceiverModel) -> Vec<(u64, u64, Released)> {
    let released = |event: &super::Event| match event.heard {
        Heard::NoteReleased {
            id: VoiceId(id),
            why,
        } => Some((event.at_us, id, why)),
        _ => None,
    };
    model.events_since(0).filter_map(released).collect()
}

/// All that was heard from number `mark` on, without times.
pub(super) fn heard(model: &ReceiverModel, mark: u64) -> Vec<Heard> {
    model.events_since(mark).map(|event| event.heard).collect()
}
