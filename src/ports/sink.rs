//! Where the bytes of one port go. One writer at a time, and it never blocks.

use super::error::PortError;

/// The way out of one port.
///
/// Each port has one of its own, on Linux with a sequencer client of its own: the kernel
/// serves the calls of one client one after another, so a port that is stuck in there
/// (the last disconnect of a dead device may take 10 s) would otherwise hold up all.
pub trait Sink: Send {
    /// Writes one whole message of 1 to 3 bytes with its status byte.
    ///
    /// # Errors
    /// `Busy` if it did not go and may be tried again; anything else is final.
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError>;

    /// Writes the next piece, at most `PIECE_BYTES`, of a SysEx message. The first piece
    /// begins with F0, the last ends with F7; only real-time bytes are written between.
    ///
    /// # Errors
    /// `Busy` if it did not go and may be tried again; anything else is final, and the
    /// rest of the message is not to be written.
    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError>;
}

/// The most bytes of SysEx written at once: a twelfth of what the kernel buffers for a
/// device, and 82 ms of a DIN line.
pub const PIECE_BYTES: usize = 256;
