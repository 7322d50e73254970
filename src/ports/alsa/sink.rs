//! The way out of one port: one sequencer client, events written as they come.
//!
//! Events go out one by one and directly. Such a write goes through to the device's
//! buffer or fails; nothing is left half sent in the library, and nothing blocks.

use ::alsa::seq::{Addr, Event, EventType, PortCap, Seq};

use super::super::error::{OpenError, PortError};
use super::super::sink::Sink;
use super::coding;

/// The sequencer client of one output port.
pub(super) struct AlsaSink {
    seq: Seq,
    port: i32,
}

/// Opens a client for an output of the rig.
pub(super) fn open(name: &str) -> Result<AlsaSink, OpenError> {
    let seq = super::open_client(&format!("segue {name}"), None)?;
    // Readable by subscription, so that the control client may connect it.
    let port = super::create_port(&seq, name, PortCap::READ | PortCap::SUBS_READ)?;
    Ok(AlsaSink { seq, port })
}

impl AlsaSink {
    /// Its address in the sequencer, for the control client.
    pub(super) fn address(&self) -> Result<Addr, OpenError> {
        let client = self.seq.client_id().map_err(super::open_error)?;
        Ok(Addr {
            client,
            port: self.port,
        })
    }

    fn write(&self, mut event: Event<'_>) -> Result<(), PortError> {
        event.set_source(self.port);
        event.set_subs();
        event.set_direct();
        match self.seq.event_output_direct(&mut event) {
            Ok(_) => Ok(()),
            Err(error) => match error.errno() {
                // A program that reads slowly answers ENOMEM once its queue is full.
                EAGAIN | ENOMEM => Err(PortError::Busy),
                errno => Err(PortError::System(errno)),
            },
        }
    }
}

impl Sink for AlsaSink {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let event = coding::encode(bytes).ok_or(PortError::Malformed)?;
        self.write(event)
    }

    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError> {
        if piece.is_empty() {
            // A local client that reads an empty SysEx event may stumble over it.
            return Err(PortError::Malformed);
        }
        self.write(Event::new_ext(EventType::Sysex, piece))
    }
}

/// Linux error numbers.
pub(super) const EAGAIN: i32 = 11;
const ENOMEM: i32 = 12;
