//! What can go wrong with MIDI ports, in words that say what to do.

use std::fmt;

use crate::midi::show_control::Hazard;

/// MIDI could not be opened at all.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum OpenError {
    /// The system has no sequencer.
    NotLoaded,
    /// This user may not use it.
    NoRight,
    /// The sequencer takes no more clients.
    TooManyClients,
    /// A thread, a file descriptor or the like could not be had; the system's error number.
    System(i32),
    /// The portable library failed, and does not say why.
    Portable,
}

impl OpenError {
    /// The meaning of an error number of the sequencer.
    #[must_use]
    pub const fn from_errno(errno: i32) -> Self {
        match errno {
            ENOENT | ENODEV | ENXIO => Self::NotLoaded,
            EACCES | EPERM => Self::NoRight,
            ENOMEM => Self::TooManyClients,
            other => Self::System(other),
        }
    }
}

impl fmt::Display for OpenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotLoaded => f.write_str(
                "no MIDI sequencer in this system: load it with `modprobe snd-seq`, \
                 or play on the embedded rig with `--model`",
            ),
            Self::NoRight => f.write_str(
                "no right to use the MIDI sequencer (/dev/snd/seq): \
                 add this user to the group `audio` and log in again",
            ),
            Self::TooManyClients => {
                f.write_str("the MIDI sequencer takes no more clients: close other MIDI programs")
            }
            Self::System(errno) => write!(
                f,
                "MIDI could not be opened: {}",
                std::io::Error::from_raw_os_error(*errno)
            ),
            Self::Portable => f.write_str(
                "MIDI could not be opened: see whether the system has MIDI at all, \
                 or play on the embedded rig with `--model`",
            ),
        }
    }
}

impl std::error::Error for OpenError {}

/// A message could not be written.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PortError {
    /// There is no room at the moment: try the same bytes again a little later.
    Busy,
    /// No device is connected to the port.
    Absent,
    /// Not one whole message. It is a fault of this program and is not tried again.
    Malformed,
    /// The message is show control that can injure people: it is never sent.
    Barred(Hazard),
    /// Writing panicked, a fault of this program: what waited for the port is lost.
    Panicked,
    /// This user may not read the device.
    NoRight,
    /// Another program has taken the device for itself.
    Taken,
    /// A key of the device is down: taken now, it would seem stuck to everybody else.
    KeyDown,
    /// The system refused, with its error number; 0 if it gives none.
    System(i32),
}

impl PortError {
    /// The meaning of an error number of a device with keys.
    #[must_use]
    pub const fn from_errno(errno: i32) -> Self {
        match errno {
            EACCES | EPERM => Self::NoRight,
            EBUSY => Self::Taken,
            ENOENT | ENODEV | ENXIO => Self::Absent,
            other => Self::System(other),
        }
    }
}

impl fmt::Display for PortError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Busy => f.write_str("the port is busy"),
            Self::Absent => f.write_str("nothing is connected"),
            Self::Malformed => f.write_str("not one whole message"),
            Self::Barred(hazard) => write!(
                f,
                "a show-control message for {} was not sent: this program never does",
                hazard.words()
            ),
            Self::Panicked => f.write_str("writing failed: what waited for the port is lost"),
            Self::NoRight => f.write_str(
                "no right to read it: a udev rule gives it to a group of yours (see README), or add \
                 this user to the group `input` and log in again",
            ),
            Self::Taken => f.write_str("another program has taken it for itself: end that one"),
            Self::KeyDown => f.write_str("a key of it is down: it is taken when that comes up"),
            Self::System(0) => f.write_str("the system refused the message"),
            Self::System(errno) => {
                write!(f, "{}", std::io::Error::from_raw_os_error(*errno))
            }
        }
    }
}

impl std::error::Error for PortError {}

// Error numbers are the same on every Linux; elsewhere only their fallback is used.
const EPERM: i32 = 1;
const ENOENT: i32 = 2;
const ENXIO: i32 = 6;
const ENOMEM: i32 = 12;
const EACCES: i32 = 13;
const EBUSY: i32 = 16;
const ENODEV: i32 = 19;

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers of `include/uapi/asm-generic/errno-base.h` of the Linux kernel.
    #[test]
    fn a_device_that_may_not_be_read_says_what_to_do() {
        let words = PortError::from_errno(13).to_string();
        assert!(
            words.contains("udev rule") && words.contains("group `input`"),
            "{words}"
        );
        assert_eq!(PortError::from_errno(1), PortError::NoRight);
        assert_eq!(PortError::from_errno(16), PortError::Taken);
        assert_eq!(PortError::from_errno(19), PortError::Absent);
        assert_eq!(PortError::from_errno(5), PortError::System(5));
    }
}
