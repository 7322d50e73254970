//! Real MIDI: what is plugged in, reading it, writing it, and the model rig in its place.
//!
//! Three backends behind the same few types: Linux's sequencer, the portable library, and
//! the embedded rig. The playing thread holds an [`Intake`], the only thing it waits on,
//! and one [`Gate`] for each output; everything that may take time (looking, connecting,
//! disconnecting) is done by a watching thread, which tells it through the intake.
//!
//! ```text
//!  devices ─► Intake ─► playing thread ─► Gate ═► Sink ─► devices
//!                ▲                          ╚═► sender thread, for what must wait
//!  plug, unplug ─┤─ watching thread
//!  key pedals ───┴─ thread that grabs and reads them (Linux)
//! ```

#[cfg(target_os = "linux")]
mod alsa;
mod channel;
mod clock;
mod endpoint;
mod error;
mod gate;
mod hotplug;
mod intake;
#[cfg(target_os = "linux")]
mod keys;
mod matching;
mod model;
mod portable;
mod pump;
mod realtime;
mod sink;
mod sounding;
#[cfg(target_os = "linux")]
mod sysfs;

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

pub use clock::Clock;
pub use endpoint::{Address, Endpoint, Medium, UsbIdentity};
pub use error::{OpenError, PortError};
pub use gate::{BlobTable, Gate, GateMeter, GateParts, INBOX_LIMIT, Refused};
pub use hotplug::{PortStatus, SideStatus, StatusBoard};
pub use intake::{InCounts, Incoming, Intake, READ_LIMIT, Waker};
pub use matching::{Assignment, Found, PortRule, PortWanted, admits, match_ports};
pub use model::{ModelEar, ModelHand, ModelPorts, open_model};
pub use pump::GateReading;
pub use realtime::try_realtime;
pub use sink::{PIECE_BYTES, Sink};

/// Which library real MIDI goes through.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Backend {
    /// The best one of this system: the sequencer under Linux, else the portable library.
    #[default]
    Native,
    /// The portable library: devices are known by name only, and looked for once a second.
    Portable,
}

/// The ends of a rig on real MIDI, one of each for every port of the rig.
pub struct OpenPorts {
    /// What the playing thread reads from.
    pub intake: Intake,
    /// Wakes the playing thread.
    pub waker: Waker,
    /// The ways out, in the rig's order; each goes into a [`Gate`].
    pub sinks: Vec<Box<dyn Sink>>,
    /// The state of every port, for the screens.
    pub board: StatusBoard,
    /// Keeps the watching thread running until it is dropped.
    pub watch: Watch,
}

/// Opens every port of the rig. Nothing need be plugged in: the intake tells what is.
///
/// # Errors
/// If the system has no MIDI, forbids it, or is out of room; the error says what to do.
pub fn open(backend: Backend, clock: Clock, wanted: &[PortWanted]) -> Result<OpenPorts, OpenError> {
    match backend {
        #[cfg(target_os = "linux")]
        Backend::Native => alsa::open(clock, wanted),
        _ => portable::open(clock, wanted),
    }
}

/// Everything that is plugged in and could serve a rig.
///
/// # Errors
/// As for [`open`].
pub fn list(backend: Backend) -> Result<Vec<Endpoint>, OpenError> {
    match backend {
        #[cfg(target_os = "linux")]
        Backend::Native => alsa::list(),
        _ => portable::list(),
    }
}

/// Every device that has keys and could be a pedal. Empty on systems where keys cannot be taken
/// at the device.
#[must_use]
pub fn list_keys() -> Vec<Endpoint> {
    #[cfg(target_os = "linux")]
    {
        keys::list()
    }
    #[cfg(not(target_os = "linux"))]
    {
        Vec::new()
    }
}

/// Why a device with keys could not be taken now, as far as is known without trying; None if
/// nothing is known against it.
#[must_use]
pub fn obstacle(endpoint: &Endpoint) -> Option<PortError> {
    match &endpoint.address {
        #[cfg(target_os = "linux")]
        Address::Keys(node) => (!keys::may_read(node)).then_some(PortError::NoRight),
        _ => None,
    }
}

/// Keeps a watching thread running until it is dropped. The thread then ends within a
/// second or so; nobody waits for it, since a disconnect it is busy with may take 10 s.
#[derive(Debug)]
pub struct Watch {
    is_over: Arc<AtomicBool>,
}

impl Watch {
    const fn new(is_over: Arc<AtomicBool>) -> Self {
        Self { is_over }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.is_over.store(true, Ordering::Release);
    }
}
