//! The devices that are held: opened, grabbed, read, let go.

use std::collections::BTreeMap;
use std::io;
use std::os::fd::{AsFd, BorrowedFd};
use std::path::{Path, PathBuf};

use evdev::{Device, EventSummary};

use super::super::endpoint::{Address, Endpoint};
use super::super::error::PortError;
use super::super::hotplug::{Connector, Side};
use super::super::sysfs;
use super::discover;
use crate::midi::KeyCode;

/// Opens, grabs and reads devices; `hotplug` decides which.
pub(super) struct Hands {
    /// Event devices by the address of what they belong to, as of the last look.
    present: BTreeMap<Address, Vec<String>>,
    held: Vec<Held>,
}

/// Something with keys that serves a port.
struct Held {
    port: usize,
    nodes: Vec<Node>,
    is_gone: bool,
}

/// One of its event devices, grabbed.
struct Node {
    name: String,
    device: Device,
}

impl Hands {
    pub(super) const fn new() -> Self {
        Self {
            present: BTreeMap::new(),
            held: Vec::new(),
        }
    }

    /// The file descriptors to wait on, in the order in which `read` reads.
    pub(super) fn fds(&self) -> impl Iterator<Item = BorrowedFd<'_>> {
        let held = self.held.iter().filter(|held| !held.is_gone);
        held.flat_map(|held| held.nodes.iter().map(|node| node.device.as_fd()))
    }

    /// Reads all that is there: port, key, and whether it goes down. Returns whether a
    /// device turned out to be gone.
    pub(super) fn read(&mut self, sink: &mut dyn FnMut(usize, KeyCode, bool)) -> bool {
        let mut is_any_gone = false;
        for held in self.held.iter_mut().filter(|held| !held.is_gone) {
            for node in &mut held.nodes {
                let port = held.port;
                let result = read_node(&mut node.device, &mut |key, is_down| {
                    sink(port, key, is_down);
                });
                held.is_gone |= result.is_err();
            }
            is_any_gone |= held.is_gone;
        }
        is_any_gone
    }
}

/// Reads one batch; what is left makes the next wait end at once.
fn read_node(device: &mut Device, sink: &mut dyn FnMut(KeyCode, bool)) -> io::Result<()> {
    let events = match device.fetch_events() {
        Ok(events) => events,
        Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
        Err(error) if error.kind() == io::ErrorKind::Interrupted => return Ok(()),
        Err(error) => return Err(error),
    };
    for event in events {
        let EventSummary::Key(_, key, value) = event.destructure() else {
            continue;
        };
        let Some(key) = KeyCode::new(key.code()) else {
            continue;
        };
        match value {
            UP => sink(key, false),
            DOWN => sink(key, true),
            // Auto-repeat of a key that is held down is no press.
            _ => {}
        }
    }
    Ok(())
}

impl Connector for Hands {
    fn present(&mut self) -> Vec<Endpoint> {
        let devices = discover::enumerate(Path::new(sysfs::ROOT));
        self.present = discover::nodes_by_address(&devices);
        devices.into_iter().map(|device| device.endpoint).collect()
    }

    /// If more event devices of the same device turned up since, all are taken again together.
    fn is_connected(&mut self, port: usize, _side: Side, endpoint: &Endpoint) -> bool {
        let nodes = self.present.get(&endpoint.address);
        let held = self.held.iter().find(|held| held.port == port);
        held.zip(nodes).is_some_and(|(held, nodes)| {
            !held.is_gone && held.nodes.iter().map(|node| &node.name).eq(nodes)
        })
    }

    fn connect(&mut self, port: usize, _side: Side, endpoint: &Endpoint) -> Result<(), PortError> {
        let names = self.present.get(&endpoint.address);
        let names = names.ok_or(PortError::Absent)?;
        // All event devices are opened before any is grabbed: half a pedal is of no use.
        let mut nodes = Vec::new();
        for name in names {
            nodes.push(open(name)?);
        }
        for node in &mut nodes {
            node.device.grab().map_err(|error| port_error(&error))?;
        }
        self.held.push(Held {
            port,
            nodes,
            is_gone: false,
        });
        Ok(())
    }

    /// Dropping closes the device, which ends the grab.
    fn disconnect(&mut self, port: usize, _side: Side, _endpoint: &Endpoint) {
        self.held.retain(|held| held.port != port);
    }
}

fn open(name: &str) -> Result<Node, PortError> {
    let path: PathBuf = Path::new(FOLDER).join(name);
    let device = Device::open(path).map_err(|error| port_error(&error))?;
    device
        .set_nonblocking(true)
        .map_err(|error| port_error(&error))?;
    // If it were grabbed with a key down, other programs would never see the key come up.
    let down = device.get_key_state().map_err(|error| port_error(&error))?;
    if down.iter().next().is_some() {
        return Err(PortError::KeyDown);
    }
    Ok(Node {
        name: name.to_owned(),
        device,
    })
}

fn port_error(error: &io::Error) -> PortError {
    PortError::from_errno(error.raw_os_error().unwrap_or_default())
}

/// Where event devices are.
pub(super) const FOLDER: &str = "/dev/input";

/// Values of a key event (`Documentation/input/event-codes.rst` of the Linux kernel).
const UP: i32 = 0;
const DOWN: i32 = 1;
