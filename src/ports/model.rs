//! The embedded rig's ports: no hardware, all outputs go to a function.
//!
//! Everything is plugged in from the start. A `ModelHand` plays, plugs and unplugs, for
//! the computer keyboard and for tests.

use std::sync::Arc;

use super::channel::{Fed, Feed, channel};
use super::clock::Clock;
use super::error::PortError;
use super::intake::{Incoming, Intake, Waker};
use super::sink::Sink;
use crate::midi::Message;

/// What hears the embedded rig's outputs: a port's number and the bytes of a whole
/// message, or of a piece of SysEx. It is called by whichever thread writes that port.
pub type ModelEar = Arc<dyn Fn(usize, &[u8]) + Send + Sync>;

/// The ends of an embedded rig.
pub struct ModelPorts {
    /// For the playing thread.
    pub intake: Intake,
    /// Wakes the playing thread.
    pub waker: Waker,
    /// One for each port.
    pub sinks: Vec<Box<dyn Sink>>,
    /// Plays it.
    pub hand: ModelHand,
}

/// Opens the ports of an embedded rig; all of them are there at once.
#[must_use]
pub fn open_model(clock: Clock, port_count: usize, ear: &ModelEar) -> ModelPorts {
    let (feed, intake) = channel(clock, port_count);
    let waker = feed.waker();
    let hand = ModelHand { feed };
    let sinks = (0..port_count)
        .map(|port| {
            hand.plug(port);
            Box::new(ModelSink {
                port,
                ear: Arc::clone(ear),
            }) as Box<dyn Sink>
        })
        .collect();
    hand.feed.tell(Incoming::Surveyed);
    ModelPorts {
        intake: Intake::channel(intake),
        waker,
        sinks,
        hand,
    }
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

    /// Plugs a port in.
    pub fn plug(&self, port: usize) {
        self.feed.tell(Incoming::InReady(port));
        self.feed.tell(Incoming::OutReady(port));
    }

    /// Unplugs a port.
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
