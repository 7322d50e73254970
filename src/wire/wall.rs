//! The last wall: what leaves no port, whoever asks for it.
//!
//! An item names a stored message by its number. Who writes it has its bytes, and takes
//! them through here, so that neither a show with errors nor a recording gets round it.

use crate::midi::show_control::Hazard;

/// Counts the messages that it refuses.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Wall {
    barred: u64,
}

/// The message may set machinery, a process or pyrotechnics going; it is not sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Barred(pub Hazard);

impl Wall {
    /// Lets a whole message pass.
    ///
    /// # Errors
    /// `Barred` if it is show control for what injures; counted.
    pub fn pass<'a>(&mut self, message: &'a [u8]) -> Result<&'a [u8], Barred> {
        match Hazard::in_bytes(message) {
            Some(hazard) => {
                self.barred += 1;
                Err(Barred(hazard))
            }
            None => Ok(message),
        }
    }

    /// How many messages were refused.
    #[must_use]
    pub const fn barred(&self) -> u64 {
        self.barred
    }
}
