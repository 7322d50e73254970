//! The embedded rig's ports: no instruments, all outputs go to a function.
//!
//! Everything is plugged in from the start. A `ModelHand` plays, plugs and unplugs, for
//! the computer keyboard and for tests. Pedals that are computer keyboards are no
//! instruments: one that is really there is taken, so that feet rehearse with it.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::Watch;
use super::channel::{Fed, Feed, channel};
use super::clock::Clock;
use super::error::{OpenError, PortError};
use super::hotplug::{SideStatus, StatusBoard};
use super::intake::{Incoming, Intake, Waker};
use super::matching::PortWanted;
use super::sink::Sink;
use crate::midi::Message;

/// What hears the embedded rig's outputs: called with the index of the port and the bytes of a
/// whole message, or of a piece of SysEx, by whichever thread writes that port.
pub type ModelEar = Arc<dyn Fn(usize, &[u8]) + Send + Sync>;

/// The ends of an embedded rig.
pub struct ModelPorts {
    /// What the playing thread reads from.
    pub intake: Intake,
    /// Wakes the playing thread.
    pub waker: Waker,
    /// One for each port, in the rig's order.
    pub sinks: Vec<Box<dyn Sink>>,
    /// Plays messages at the rig's inputs, and plugs and unplugs ports.
    pub hand: ModelHand,
    /// The state of real pedals; every other port is absent in it.
    pub board: StatusBoard,
    /// Keeps the real pedals grabbed until it is dropped.
    pub watch: Watch,
}

/// Opens the ports of an embedded rig; all of them are there at once. A port of keys that a
/// real pedal serves is there as that pedal is.
///
/// # Errors
/// If the system has no threads left.
pub fn open_model(
    clock: Clock,
    wanted: &[PortWanted],
    ear: &ModelEar,
) -> Result<ModelPorts, OpenError> {
    let (feed, intake) = channel(clock, wanted.len());
    let waker = feed.waker();
    let board = StatusBoard::new(wanted.len());
    let is_over = Arc::new(AtomicBool::new(false));
    #[cfg(target_os = "linux")]
    {
        let feed = feed.clone();
        let tell = move |incoming| feed.tell(incoming);
        super::keys::start(clock, wanted, &board, tell, &is_over)?;
    }
    let is_real: Vec<bool> = board
        .read()
        .iter()
        .map(|port| port.input != SideStatus::Absent)
        .collect();
    let hand = ModelHand { feed };
    let sinks = is_real
        .into_iter()
        .enumerate()
        .map(|(port, is_real)| {
            if !is_real {
                hand.plug(port);
            }
            Box::new(ModelSink {
                port,
                ear: Arc::clone(ear),
            }) as Box<dyn Sink>
        })
        .collect();
    hand.feed.tell(Incoming::Surveyed);
    Ok(ModelPorts {
        intake: Intake::channel(intake),
        waker,
        sinks,
        hand,
        board,
        watch: Watch::new(is_over),
    })
}

/// Plays on the embedded rig's inputs.
#[derive(Clone)]
pub struct ModelHand {
    feed: Feed,
}

impl ModelHand {
    /// Plays a message at a port.
    pub fn play(&self, port: usize, message: Message) {
        let incoming = Incoming::Message {
            port,
            message,
            at_us: 0,
        };
        self.feed.send(port, Fed::Tell(incoming));
    }

    /// Plugs a port in: its input and output are reported as there.
    pub fn plug(&self, port: usize) {
        self.feed.tell(Incoming::InReady(port));
        self.feed.tell(Incoming::OutReady(port));
    }

    /// Unplugs a port: its input and output are reported as gone.
    pub fn unplug(&self, port: usize) {
        self.feed.tell(Incoming::InLost(port));
        self.feed.tell(Incoming::OutLost(port));
    }
}

impl std::fmt::Debug for ModelHand {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ModelHand").finish_non_exhaustive()
    }
}

struct ModelSink {
    port: usize,
    ear: ModelEar,
}

impl Sink for ModelSink {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        (self.ear)(self.port, bytes);
        Ok(())
    }

    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError> {
        (self.ear)(self.port, piece);
        Ok(())
    }
}
