//! The watching thread: hears of plugging and unplugging and keeps the rig connected.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use ::alsa::Direction;
use ::alsa::poll::{Descriptors, poll, pollfd};
use ::alsa::seq::{Addr, PortCap, PortSubscribe, PortSubscribeIter, QuerySubsType, Seq};

use super::super::Watch;
use super::super::endpoint::{Address, Endpoint, Medium};
use super::super::error::{OpenError, PortError};
use super::super::hotplug::{Connector, Patchbay, Side, StatusBoard};
use super::super::intake::Incoming;
use super::super::matching::PortWanted;
use super::discover;
use super::intake::Teller;
use super::sink::EAGAIN;

/// The clients that this thread owns.
pub(super) struct Clients {
    pub(super) control: Seq,
    pub(super) announce: Seq,
}

/// The sequencer addresses of our own ports for one port of the rig.
#[derive(Clone, Copy, Debug)]
pub(super) struct PortAddresses {
    pub(super) input: Addr,
    pub(super) output: Addr,
}

/// Starts the thread that keeps the ports connected, and reports which come and go.
pub(super) fn start(
    clients: Clients,
    wanted: Vec<PortWanted>,
    addresses: Vec<PortAddresses>,
    board: StatusBoard,
    mut teller: Teller,
    is_over: Arc<AtomicBool>,
) -> Result<Watch, OpenError> {
    let Clients { control, announce } = clients;
    let fds = hear_announcements(&announce)?;
    let flag = Arc::clone(&is_over);
    let mut patchbay = Patchbay::new(wanted, board, Medium::Midi);
    let mut connector = SequencerConnector { control, addresses };
    std::thread::Builder::new()
        .name("port watch".to_owned())
        .spawn(move || {
            let mut fds = fds;
            let mut is_surveyed = false;
            while !flag.load(Ordering::Acquire) {
                patchbay.reconcile(&mut connector, &mut |incoming| teller.tell(incoming));
                is_surveyed = is_surveyed || teller.tell(Incoming::Surveyed);
                // Announcements are only taken out of the queue: after any of them everything
                // is scanned afresh. A poll that fails only shortens the pause.
                let _ = poll(&mut fds, RESCAN_MS);
                drain(&announce);
            }
        })
        .map_err(|error| OpenError::System(error.raw_os_error().unwrap_or_default()))?;
    Ok(Watch::new(is_over))
}

/// Subscribes to the system's announcements. The port takes them and is closed to others.
fn hear_announcements(announce: &Seq) -> Result<Vec<pollfd>, OpenError> {
    let port = super::create_port(announce, "announce", PortCap::WRITE | PortCap::NO_EXPORT)?;
    let client = announce.client_id().map_err(super::open_error)?;
    let subscription = PortSubscribe::empty().map_err(super::open_error)?;
    subscription.set_sender(Addr::system_announce());
    subscription.set_dest(Addr { client, port });
    announce
        .subscribe_port(&subscription)
        .map_err(super::open_error)?;
    (announce, Some(Direction::Capture))
        .get()
        .map_err(super::open_error)
}

/// Takes out all that waits. Events that the library does not know, and overflow, come
/// as errors and mean the same: look again.
fn drain(announce: &Seq) {
    let mut input = announce.input();
    for _ in 0..DRAIN_LIMIT {
        if input
            .event_input()
            .is_err_and(|error| error.errno() == EAGAIN)
        {
            return;
        }
    }
}

struct SequencerConnector {
    control: Seq,
    addresses: Vec<PortAddresses>,
}

impl SequencerConnector {
    /// The sender and the destination of a connection.
    fn ends(&self, port: usize, side: Side, endpoint: &Endpoint) -> Option<(Addr, Addr)> {
        let Address::Sequencer(client, number) = endpoint.address else {
            return None;
        };
        let theirs = Addr {
            client: i32::from(client),
            port: i32::from(number),
        };
        let ours = self.addresses.get(port)?;
        Some(match side {
            Side::Input => (theirs, ours.input),
            Side::Output => (ours.output, theirs),
        })
    }
}

impl Connector for SequencerConnector {
    fn present(&mut self) -> Vec<Endpoint> {
        discover::enumerate(&self.control)
    }

    fn is_connected(&mut self, port: usize, side: Side, endpoint: &Endpoint) -> bool {
        let Some((sender, dest)) = self.ends(port, side, endpoint) else {
            return false;
        };
        PortSubscribeIter::new(&self.control, sender, QuerySubsType::READ)
            .any(|subscription| subscription.get_dest() == dest)
    }

    fn connect(&mut self, port: usize, side: Side, endpoint: &Endpoint) -> Result<(), PortError> {
        let (sender, dest) = self.ends(port, side, endpoint).ok_or(PortError::Absent)?;
        let system = |error: ::alsa::Error| PortError::System(error.errno());
        let subscription = PortSubscribe::empty().map_err(system)?;
        subscription.set_sender(sender);
        subscription.set_dest(dest);
        match self.control.subscribe_port(&subscription) {
            // Somebody has connected it by hand already.
            Err(error) if error.errno() == EBUSY => Ok(()),
            result => result.map_err(system),
        }
    }

    fn disconnect(&mut self, port: usize, side: Side, endpoint: &Endpoint) {
        if let Some((sender, dest)) = self.ends(port, side, endpoint) {
            // The kernel has usually done it already, so an error means nothing.
            let _ = self.control.unsubscribe_port(sender, dest);
        }
    }
}

/// Everything is scanned after this time without an announcement, in milliseconds.
const RESCAN_MS: i32 = 1_000;

/// Announcements taken out at once: more than the client's queue holds.
const DRAIN_LIMIT: usize = 1_024;

/// Linux error number: this connection exists already.
const EBUSY: i32 = 16;
