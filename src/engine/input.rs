//! What the engine is told and what it hands out.

use super::promptbook::{BlobId, ControllerId, InPort, OutPort, PositionId, ReceiverId, SlotId};
use super::rescue::PedalId;
use crate::midi::{Channel, Key, Message};

/// Everything that can reach the engine.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Input {
    /// A decoded message from an input port.
    Midi(InPort, Message),
    /// Something that is to be done, with no word of who asked: [`Origin::Program`].
    Command(Command),
    /// Something a person asked for, and by what.
    Asked(Command, Origin),
    /// The deadline that `next_deadline` named has come; also harmless at any time.
    Tick,
    /// An input port is gone, or lost messages: all that it held is released.
    InputLost(InPort),
    /// An input port is there (again).
    InputReady(InPort),
    /// An output port is gone: nothing is sent to it, what its receivers hold is unknown.
    OutputLost(OutPort),
    /// An output port is there (again); its receivers listen after their boot time.
    OutputReady(OutPort),
    /// Something was heard from a receiver on this port: it listens now.
    SignOfLife(OutPort),
    /// A queue to this port was full and so many messages were refused: what its
    /// receivers hold is unknown, and the state is sent again.
    OutputOverflow(OutPort),
}

/// By what something was asked for.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Origin {
    /// A program: a recording that is played, a marker, this program itself.
    #[default]
    Program,
    /// A pedal or button: its number among the promptbook's bindings.
    Pedal(u16),
    /// A key of the computer's keyboard.
    Key(KeyPress),
    /// What was chosen or typed on the screen: a list, a question, a command by its name.
    Screen,
    /// A change of the night, which took the place away.
    Night,
}

/// A press of a key of the computer's keyboard.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct KeyPress {
    /// Which key; whoever reads the keyboard numbers them.
    pub key: u32,
    /// The keyboard tells when a key repeats by itself and when it is let go, so that this is
    /// a press for certain. Otherwise a key that is held looks like one that is pressed again
    /// and again.
    pub is_certain: bool,
}

/// What a person may ask for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Command {
    /// To the next position.
    Step,
    /// To the position before.
    Back,
    /// To this position.
    Jump(PositionId),
    /// To the next song.
    SongDown,
    /// To this song's start, or the song before.
    SongUp,
    /// Next page.
    PageNext,
    /// Page before.
    PageBack,
    /// Silence everything that sounds, or one receiver.
    Panic(Option<ReceiverId>),
    /// Send the state again, to all or to one receiver; a sounding slot is spared until
    /// it is silent unless forced.
    Resend {
        /// Which receiver, or all.
        receiver: Option<ReceiverId>,
        /// Whether sounding slots are sent too.
        is_forced: bool,
    },
    /// No new notes (those that sound end as they are let go), or notes again.
    Mute(bool),
    /// Everything that sounds goes out over four seconds (`true`), or comes back.
    Fade(bool),
    /// The same for one receiver (and its spare).
    MuteOne(ReceiverId, bool),
    /// End one note, whatever holds it: the slot, and the key as sent.
    EndNote(SlotId, Key),
    /// Ignore a pedal (`true`), or heed it again from its next movement.
    IgnorePedal(PedalId, bool),
    /// Pedals do not step (`true`), or step again. Other ways to step are not touched.
    LockPedals(bool),
    /// This receiver is played where it or its counterpart was, keys that are down with it;
    /// if it is played already, its spare, or the one it is the spare of.
    TakeOver(ReceiverId),
    /// In rehearsal, steps go from the second of these positions to the first; none: on again.
    Loop(Option<(PositionId, PositionId)>),
    /// A key of a controller played from outside MIDI (the computer keyboard).
    NoteOn(ControllerId, Key, crate::midi::Value7),
    /// The same key let go.
    NoteOff(ControllerId, Key),
    /// Cues go out (`true`, the show) or are held (`false`, rehearsal).
    Cues(bool),
    /// All held notes and pedals are let go: the program is about to end.
    ReleaseAll,
}

/// How urgent a message is; `wire` has the lanes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Urgency {
    /// Played: notes and what moves them.
    Live,
    /// Part of a changeover.
    Changeover,
    /// Loaded ahead.
    Prime,
    /// Everything that may wait.
    Bulk,
}

/// One message out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Output {
    /// Where it goes.
    pub port: OutPort,
    /// How urgent it is. Within a channel the order of handing out is kept whatever the urgency.
    pub urgency: Urgency,
    /// The channel whose order it keeps.
    pub channel: Option<Channel>,
    /// What it is.
    pub payload: Payload,
}

/// What goes out.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Payload {
    /// A short message.
    Short(Message),
    /// A stored System Exclusive message of the promptbook.
    Blob(BlobId),
}

/// Where the engine puts what it sends: fixed in size, reused call after call.
#[derive(Debug)]
pub struct Outbox {
    items: Vec<Output>,
    refused: u64,
}

impl Outbox {
    /// An empty outbox with room for `limits::MAX_OUT` messages.
    #[must_use]
    pub fn new() -> Self {
        Self {
            items: Vec::with_capacity(super::limits::MAX_OUT),
            refused: 0,
        }
    }

    /// Adds a message; when full it is refused and counted.
    pub fn push(&mut self, output: Output) {
        if self.items.len() < super::limits::MAX_OUT {
            self.items.push(output);
        } else {
            self.refused = self.refused.saturating_add(1);
        }
    }

    /// What was handed out since `clear`.
    #[must_use]
    pub fn items(&self) -> &[Output] {
        &self.items
    }

    /// Messages refused since the start because one call handed out too many.
    #[must_use]
    pub const fn refused(&self) -> u64 {
        self.refused
    }

    /// Makes room for the next call.
    pub fn clear(&mut self) {
        self.items.clear();
    }
}

impl Default for Outbox {
    fn default() -> Self {
        Self::new()
    }
}
