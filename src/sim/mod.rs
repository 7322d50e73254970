//! Model receivers: what instruments, effects units and page tablets make of bytes. Pure.
//!
//! They stand for the receivers on the embedded rig, where there is no hardware, and they
//! judge every property test. So that a mistake cannot hide in both places, nothing here is
//! shared with the engine or with `midi`'s decoder: of ours only the number types are used,
//! and bytes are parsed, laws of level and pan computed and pedals kept a second time.
//!
//! How it is driven: `feed(now_us, bytes)` hands over what came on the wire in any chunks,
//! `advance(now_us)` lets time pass, and `events_since(mark)` says what was heard. Time is
//! in microseconds and never runs backwards; a smaller `now_us` counts as the last one.
//! [`judge::Judge`] compares what was heard with what was played.
//!
//! Not modelled: the mono and omni modes themselves (124–127 act as All Notes Off only, as in GM2 §3.5.4–3.5.7).
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod expect;
pub mod heard;
pub mod judge;
pub mod law;
pub mod parse;
pub mod receiver;
pub mod slot;
pub mod spec;
pub mod verdict;
pub mod voice;
pub mod zones;

mod channel;
mod exclusive;
mod hearing;
#[cfg(test)]
mod testing;

pub use expect::{Change, Expect, ExpectId, Holder, JudgeRules, Wanted};
pub use heard::{Ended, Event, Heard, Released};
pub use judge::Judge;
pub use receiver::{Counters, Received, ReceiverModel};
pub use slot::{Parameter, SlotState};
pub use spec::{
    HeldNotes, Kind, LevelLaw, LoadingControllers, LoadingNotes, ModelManners, Patch, PatchSpec,
    ProgramResets, ReceiverSpec, Restrike,
};
pub use verdict::{Fault, Violation};
pub use voice::{Voice, VoiceId, VoiceState};
pub use zones::Zones;
