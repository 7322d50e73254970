//! Ports through the portable library, for macOS, Windows and `--midi portable`.
//!
//! What it cannot do: it tells of nothing that comes or goes (so the names are read once
//! a second), of no overflow, and knows devices by name only, so a rule by USB identity
//! finds nothing. Its real-time input and output otherwise keep the same promises.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError, TryLockError};
use std::time::Duration;

use midir::{Ignore, MidiIO, MidiInput, MidiInputConnection, MidiOutput, MidiOutputConnection};

use super::channel::{Fed, Feed, channel};
use super::clock::Clock;
use super::endpoint::{Address, Endpoint, Medium};
use super::error::{OpenError, PortError};
use super::hotplug::{Connector, Patchbay, Side, StatusBoard};
use super::intake::{Incoming, Intake};
use super::matching::PortWanted;
use super::sink::Sink;
use super::{OpenPorts, Watch};
use crate::midi::decode::{Decoded, Decoder};

/// Opens every port of the rig.
pub(super) fn open(clock: Clock, wanted: &[PortWanted]) -> Result<OpenPorts, OpenError> {
    let looking = Looking::open()?;
    let (feed, intake) = channel(clock, wanted.len());
    let waker = feed.waker();
    let outlets: Vec<Outlet> = wanted.iter().map(|_| Outlet::default()).collect();
    let sinks = outlets
        .iter()
        .map(|outlet| {
            Box::new(PortableSink {
                outlet: Arc::clone(outlet),
                exclusive: Vec::with_capacity(EXCLUSIVE_LIMIT),
            }) as Box<dyn Sink>
        })
        .collect();
    let board = StatusBoard::new(wanted.len());
    let is_over = Arc::new(AtomicBool::new(false));
    #[cfg(target_os = "linux")]
    {
        let feed = feed.clone();
        let tell = move |incoming| feed.tell(incoming);
        super::keys::start(clock, wanted, &board, tell, &is_over)?;
    }
    let parts = (wanted.to_vec(), board.clone());
    let watch = start_watch(looking, feed, outlets, parts, is_over)?;
    Ok(OpenPorts {
        intake: Intake::channel(intake),
        waker,
        sinks,
        board,
        watch,
    })
}

/// Everything that may be offered.
pub(super) fn list() -> Result<Vec<Endpoint>, OpenError> {
    Ok(Looking::open()?.endpoints())
}

fn start_watch(
    looking: Looking,
    feed: Feed,
    outlets: Vec<Outlet>,
    (wanted, board): (Vec<PortWanted>, StatusBoard),
    is_over: Arc<AtomicBool>,
) -> Result<Watch, OpenError> {
    let flag = Arc::clone(&is_over);
    let mut patchbay = Patchbay::new(wanted, board, Medium::Midi);
    let mut connector = PortableConnector {
        looking,
        feed: feed.clone(),
        inputs: BTreeMap::new(),
        outlets,
    };
    std::thread::Builder::new()
        .name("port watch".to_owned())
        .spawn(move || {
            let mut is_surveyed = false;
            while !flag.load(Ordering::Acquire) {
                patchbay.reconcile(&mut connector, &mut |incoming| feed.tell(incoming));
                is_surveyed = is_surveyed || feed.tell(Incoming::Surveyed);
                std::thread::sleep(RESCAN);
            }
        })
        .map_err(|error| OpenError::System(error.raw_os_error().unwrap_or_default()))?;
    Ok(Watch::new(is_over))
}

/// Two clients that only list ports. They are kept, because opening new ones once a second uses
/// up resources on some systems.
struct Looking {
    input: MidiInput,
    output: MidiOutput,
}

impl Looking {
    fn open() -> Result<Self, OpenError> {
        Ok(Self {
            input: MidiInput::new(OWN_NAME).map_err(|_| OpenError::Portable)?,
            output: MidiOutput::new(OWN_NAME).map_err(|_| OpenError::Portable)?,
        })
    }

    fn endpoints(&self) -> Vec<Endpoint> {
        let mut all = endpoints_of(&self.input, |port| port.id(), Side::Input);
        all.extend(endpoints_of(&self.output, |port| port.id(), Side::Output));
        all
    }
}

fn endpoints_of<T: MidiIO>(
    client: &T,
    id_of: impl Fn(&T::Port) -> String,
    side: Side,
) -> Vec<Endpoint> {
    let mut all = Vec::new();
    for port in client.ports() {
        let Ok(name) = client.port_name(&port) else {
            continue;
        };
        let (client, port_name) = split_name(&name);
        if client.starts_with(OWN_NAME) || client == THROUGH {
            continue;
        }
        all.push(Endpoint {
            has_input: side == Side::Input,
            has_output: side == Side::Output,
            client: client.to_owned(),
            port: port_name.to_owned(),
            usb: None,
            device_port: 1,
            address: Address::Text(id_of(&port)),
        });
    }
    all
}

/// Client and port of a name as the library gives it. Under Linux that is
/// `client:port 24:0`, with an address that may change; elsewhere a port's name alone.
fn split_name(name: &str) -> (&str, &str) {
    if !cfg!(target_os = "linux") {
        return (name, name);
    }
    let is_address = |text: &str| {
        text.split_once(':').is_some_and(|(client, port)| {
            client.parse::<u8>().is_ok() && port.parse::<u8>().is_ok()
        })
    };
    let stable = match name.rsplit_once(' ') {
        Some((stable, address)) if is_address(address) => stable,
        _ => name,
    };
    stable.split_once(':').unwrap_or((stable, stable))
}

/// An output's connection, where the watching thread puts it and the writer finds it.
type Outlet = Arc<Mutex<Option<MidiOutputConnection>>>;

struct PortableConnector {
    looking: Looking,
    feed: Feed,
    inputs: BTreeMap<usize, MidiInputConnection<Decoder>>,
    outlets: Vec<Outlet>,
}

impl PortableConnector {
    fn connect_input(&mut self, port: usize, id: &str) -> Result<(), PortError> {
        let mut client = MidiInput::new(OWN_NAME).map_err(|_| PortError::System(0))?;
        // The library's own assembly of SysEx swallows notes when one breaks off.
        client.ignore(Ignore::Sysex);
        let source = client.find_port_by_id(id).ok_or(PortError::Absent)?;
        let feed = self.feed.clone();
        let hear = move |_stamp: u64, bytes: &[u8], decoder: &mut Decoder| {
            // One call may bring several messages.
            for &byte in bytes {
                match decoder.push(byte) {
                    Some(Decoded::Message(message)) => {
                        let incoming = Incoming::Message {
                            port,
                            message,
                            at_us: 0,
                        };
                        feed.send(port, Fed::Tell(incoming));
                    }
                    Some(Decoded::SysEx(chunk)) => {
                        feed.send(port, Fed::Exclusive(port, chunk.as_slice().len()));
                    }
                    None => {}
                }
            }
        };
        let connection = client
            .connect(&source, OWN_NAME, hear, Decoder::new())
            .map_err(|_| PortError::System(0))?;
        self.inputs.insert(port, connection);
        Ok(())
    }

    fn connect_output(&mut self, port: usize, id: &str) -> Result<(), PortError> {
        let client = MidiOutput::new(OWN_NAME).map_err(|_| PortError::System(0))?;
        let destination = client.find_port_by_id(id).ok_or(PortError::Absent)?;
        let connection = client
            .connect(&destination, OWN_NAME)
            .map_err(|_| PortError::System(0))?;
        self.put_outlet(port, Some(connection));
        Ok(())
    }

    fn put_outlet(&self, port: usize, connection: Option<MidiOutputConnection>) {
        let Some(outlet) = self.outlets.get(port) else {
            return;
        };
        let mut place = outlet.lock().unwrap_or_else(PoisonError::into_inner);
        let old = std::mem::replace(&mut *place, connection);
        drop(place);
        // Closing may take long, so it happens outside the lock that the writer tries.
        drop(old);
    }
}

impl Connector for PortableConnector {
    fn present(&mut self) -> Vec<Endpoint> {
        self.looking.endpoints()
    }

    fn is_connected(&mut self, port: usize, side: Side, _endpoint: &Endpoint) -> bool {
        // The library does not report disconnects, so a port counts as there while it is
        // listed.
        match side {
            Side::Input => self.inputs.contains_key(&port),
            Side::Output => self.outlets.get(port).is_some_and(|outlet| {
                outlet
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .is_some()
            }),
        }
    }

    fn connect(&mut self, port: usize, side: Side, endpoint: &Endpoint) -> Result<(), PortError> {
        let Address::Text(id) = &endpoint.address else {
            return Err(PortError::Absent);
        };
        match side {
            Side::Input => self.connect_input(port, id),
            Side::Output => self.connect_output(port, id),
        }
    }

    fn disconnect(&mut self, port: usize, side: Side, _endpoint: &Endpoint) {
        match side {
            Side::Input => drop(self.inputs.remove(&port)),
            Side::Output => self.put_outlet(port, None),
        }
    }
}

struct PortableSink {
    outlet: Outlet,
    /// A SysEx being assembled: the library only takes whole ones.
    exclusive: Vec<u8>,
}

impl PortableSink {
    fn write(outlet: &Outlet, bytes: &[u8]) -> Result<(), PortError> {
        match outlet.try_lock() {
            Ok(mut place) => match place.as_mut() {
                Some(connection) => connection.send(bytes).map_err(|error| match error {
                    midir::SendError::InvalidData(_) => PortError::Malformed,
                    midir::SendError::Other(_) => PortError::System(0),
                }),
                None => Err(PortError::Absent),
            },
            Err(TryLockError::WouldBlock) => Err(PortError::Busy),
            Err(TryLockError::Poisoned(_)) => Err(PortError::System(0)),
        }
    }
}

impl Sink for PortableSink {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        Self::write(&self.outlet, bytes)
    }

    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError> {
        if piece.first() == Some(&0xf0) {
            self.exclusive.clear();
        }
        if piece.last() != Some(&0xf7) {
            self.exclusive.extend_from_slice(piece);
            return Ok(());
        }
        let kept = self.exclusive.len();
        self.exclusive.extend_from_slice(piece);
        let result = Self::write(&self.outlet, &self.exclusive);
        if result == Err(PortError::Busy) {
            // The caller will hand over the same last piece again.
            self.exclusive.truncate(kept);
        } else {
            self.exclusive.clear();
        }
        result
    }
}

/// How often the names are read.
const RESCAN: Duration = Duration::from_secs(1);

/// Names of our own clients begin like this and are never offered.
const OWN_NAME: &str = "segue";

/// The loop-back that returns all it is sent.
const THROUGH: &str = "Midi Through";

/// Room kept for one SysEx message; a longer one takes more when it is sent.
const EXCLUSIVE_LIMIT: usize = 65_536;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    #[cfg(target_os = "linux")]
    fn names_lose_the_address_and_only_that() {
        for (name, client, port) in [
            (
                "Stage Keys:Stage Keys MIDI 1 24:0",
                "Stage Keys",
                "Stage Keys MIDI 1",
            ),
            ("Synth:out", "Synth", "out"),
            ("Organ 2:in 3 128:1", "Organ 2", "in 3"),
            ("plain", "plain", "plain"),
        ] {
            assert_eq!(split_name(name), (client, port), "{name}");
        }
    }

    #[test]
    fn without_a_connection_nothing_is_written() {
        let mut sink = PortableSink {
            outlet: Outlet::default(),
            exclusive: Vec::new(),
        };
        assert_eq!(sink.write_short(&[0xf8]), Err(PortError::Absent));
        assert_eq!(sink.write_exclusive(&[0xf0, 1]), Ok(()));
        assert_eq!(sink.write_exclusive(&[2, 0xf7]), Err(PortError::Absent));
        let held = Arc::clone(&sink.outlet);
        let guard = held.lock().expect("free");
        assert_eq!(sink.write_short(&[0xf8]), Err(PortError::Busy));
        drop(guard);
    }
}
