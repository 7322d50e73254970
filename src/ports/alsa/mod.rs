//! Ports on Linux: the kernel's MIDI sequencer, spoken to directly.
//!
//! Clients, and why there are several. The kernel serves the calls of one client one
//! after another, and one call, the last disconnect from a device, may take 10 s.
//! - `intake` reads all inputs; only the playing thread touches it;
//! - each output has a client of its own, so a stuck one delays no other;
//! - `announce` hears of plugging and unplugging; being alone, no burst of notes can push
//!   such an event out of its queue;
//! - `control` looks, connects and disconnects.

mod coding;
mod discover;
mod intake;
mod sink;
mod watch;

use std::ffi::CString;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use ::alsa::Direction;
use ::alsa::seq::{PortCap, PortType, Seq};

pub(super) use intake::AlsaIntake;

use super::OpenPorts;
use super::clock::Clock;
use super::endpoint::Endpoint;
use super::error::OpenError;
use super::hotplug::StatusBoard;
use super::intake::{Intake, Waker};
use super::matching::PortWanted;
use super::sink::Sink;

/// Opens every port of the rig. Nothing need be plugged in yet.
///
/// # Errors
/// If the sequencer is absent, forbidden or full.
pub(super) fn open(clock: Clock, wanted: &[PortWanted]) -> Result<OpenPorts, OpenError> {
    let control = open_client("segue control", None)?;
    let announce = open_client("segue announce", Some(Direction::Capture))?;
    let (intake, [teller, mut keys]) = intake::open(clock, wanted)?;
    let waker: Waker = teller.waker();
    let mut sinks: Vec<Box<dyn Sink>> = Vec::new();
    let mut addresses = Vec::new();
    for (port, wanted) in wanted.iter().enumerate() {
        let sink = sink::open(&wanted.name)?;
        addresses.push(watch::PortAddresses {
            input: intake.address_of(port)?,
            output: sink.address()?,
        });
        sinks.push(Box::new(sink));
    }
    let board = StatusBoard::new(wanted.len());
    let is_over = Arc::new(AtomicBool::new(false));
    let tell = move |incoming| keys.tell(incoming);
    super::keys::start(clock, wanted, &board, tell, &is_over)?;
    let watch = watch::start(
        watch::Clients { control, announce },
        wanted.to_vec(),
        addresses,
        board.clone(),
        teller,
        is_over,
    )?;
    Ok(OpenPorts {
        intake: Intake::alsa(intake),
        waker,
        sinks,
        board,
        watch,
    })
}

/// Everything that may be offered, for a list.
///
/// # Errors
/// If the sequencer is absent, forbidden or full.
pub(super) fn list() -> Result<Vec<Endpoint>, OpenError> {
    let control = open_client("segue list", None)?;
    Ok(discover::enumerate(&control))
}

fn open_client(name: &str, direction: Option<Direction>) -> Result<Seq, OpenError> {
    // The kernel's own sequencer by name: a settings file may redirect `default`.
    let seq = Seq::open(Some(c"hw"), direction, true).map_err(open_error)?;
    seq.set_client_name(&c_name(name)).map_err(open_error)?;
    Ok(seq)
}

fn create_port(seq: &Seq, name: &str, caps: PortCap) -> Result<i32, OpenError> {
    let kind = PortType::MIDI_GENERIC | PortType::APPLICATION;
    seq.create_simple_port(&c_name(name), caps, kind)
        .map_err(open_error)
}

/// A name as the kernel takes it: cut at a zero byte.
fn c_name(name: &str) -> CString {
    let text: Vec<u8> = name.bytes().take_while(|&byte| byte != 0).collect();
    CString::new(text).unwrap_or_default()
}

fn open_error(error: ::alsa::Error) -> OpenError {
    OpenError::from_errno(error.errno())
}

/// All our clients' names begin like this; such clients are never offered, so that two
/// running copies cannot be led into each other.
const OWN_NAME: &str = "segue";
