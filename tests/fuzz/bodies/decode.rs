//! Bytes from a cable, as messages.

use segue::midi::decode::{MAX_CHUNK, Place};
use segue::midi::{Decoded, Decoder, Message};

use super::ear::assert_whole;

/// Any bytes give whole messages and SysEx in order; real-time bytes, which may fall
/// anywhere, change nothing of what they fall into (MIDI 1.0).
pub(crate) fn midi_decode(data: &[u8]) {
    let decoded = decode(data);
    let mut is_open = false;
    let mut sysex = Vec::new();
    for item in &decoded {
        match item {
            Decoded::Message(message) => {
                assert_whole(message.encode().as_slice());
                assert_eq!(decode(message.encode().as_slice()), [*item]);
                let may_fall_in = message.is_realtime();
                assert!(!is_open || may_fall_in, "{message:?} inside a SysEx");
            }
            Decoded::SysEx(chunk) => {
                assert!(chunk.as_slice().len() <= MAX_CHUNK);
                let begins = matches!(chunk.place, Place::Whole | Place::First);
                // A SysEx that is cut short of its first chunk is handed out as cut alone.
                let is_cut = chunk.place == Place::Cut;
                assert!(
                    is_cut || begins != is_open,
                    "{:?} out of order",
                    chunk.place
                );
                if !is_open {
                    sysex.clear();
                }
                sysex.extend_from_slice(chunk.as_slice());
                is_open = matches!(chunk.place, Place::First | Place::Middle);
                if !is_open && !is_cut {
                    super::ear::assert_exclusive(&sysex);
                }
            }
        }
    }
    let plain: Vec<u8> = data.iter().copied().filter(|byte| *byte < 0xf8).collect();
    let is_kept = |item: &Decoded| !matches!(item, Decoded::Message(m) if m.is_realtime());
    let kept: Vec<Decoded> = decoded.into_iter().filter(is_kept).collect();
    assert_eq!(kept, decode(&plain), "real-time bytes changed something");
}

fn decode(data: &[u8]) -> Vec<Decoded> {
    let mut decoder = Decoder::new();
    data.iter().filter_map(|byte| decoder.push(*byte)).collect()
}

/// The messages of bytes that hold nothing else.
pub(super) fn messages(bytes: &[u8]) -> Vec<Message> {
    let message = |item: Decoded| match item {
        Decoded::Message(message) => Some(message),
        Decoded::SysEx(_) => None,
    };
    decode(bytes).into_iter().filter_map(message).collect()
}
