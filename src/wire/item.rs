//! What waits for a port: one whole message, its lane and its channel.

use crate::midi::{Bytes, Channel, Message};

/// How urgent an item is. Lower lanes wait for higher ones, except that the order within
/// a channel is never broken.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Lane {
    /// What is being played: notes, controllers, pedals.
    Live,
    /// What sets up the scene that was just stepped to.
    Changeover,
    /// What preloads the next scene.
    Prime,
    /// Dumps and other messages without haste.
    Bulk,
}

impl Lane {
    /// All lanes, the most urgent first.
    pub const ALL: [Self; 4] = [Self::Live, Self::Changeover, Self::Prime, Self::Bulk];
}

/// The bytes of an item.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Payload {
    /// A message of 1–3 bytes, full status.
    Short(Bytes),
    /// A stored SysEx file, by its number; sent whole.
    Blob {
        /// The number of the file.
        id: u16,
        /// Its length in bytes.
        len: u32,
    },
}

/// One whole message on its way to a port.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Item {
    /// How urgent it is.
    pub lane: Lane,
    /// The channel whose order it must keep; none for system messages.
    pub channel: Option<Channel>,
    /// The bytes to send, or the number of a stored file.
    pub payload: Payload,
}

impl Item {
    /// A message in a lane, on its own channel.
    #[must_use]
    pub const fn message(lane: Lane, message: Message) -> Self {
        Self {
            lane,
            channel: message.channel(),
            payload: Payload::Short(message.encode()),
        }
    }

    /// A stored SysEx file in a lane.
    #[must_use]
    pub const fn blob(lane: Lane, id: u16, len: u32) -> Self {
        Self {
            lane,
            channel: None,
            payload: Payload::Blob { id, len },
        }
    }

    /// Its length on the wire in bytes.
    #[must_use]
    pub fn byte_count(&self) -> u32 {
        match &self.payload {
            // At most 3, so the conversion is exact.
            Payload::Short(bytes) => bytes.as_slice().len() as u32,
            Payload::Blob { len, .. } => *len,
        }
    }

    /// Whether it is a real-time byte (F8–FF), which may fall anywhere.
    #[must_use]
    pub fn is_realtime(&self) -> bool {
        match &self.payload {
            Payload::Short(bytes) => bytes.as_slice().first().is_some_and(|&byte| byte >= 0xf8),
            Payload::Blob { .. } => false,
        }
    }
}
