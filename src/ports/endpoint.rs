//! The devices and programs that are plugged in, with all that distinguishes them.

use std::fmt;

/// One MIDI port, or one thing with keys, of this machine that could serve a port of the rig.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Endpoint {
    /// It can be read from.
    pub has_input: bool,
    /// It can be written to.
    pub has_output: bool,
    /// Name of the device or program.
    pub client: String,
    /// Name of the port.
    pub port: String,
    /// What the device reports about itself; None for programs, and for backends that do not
    /// know.
    pub usb: Option<UsbIdentity>,
    /// Which port of its device this is, from 1.
    pub device_port: u8,
    /// Its present address in the system. After a replug another device may have it, so it is
    /// never stored.
    pub address: Address,
}

/// What a port carries.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Medium {
    /// MIDI messages, in and out.
    #[default]
    Midi,
    /// Keys of a computer keyboard.
    Keys,
}

impl Endpoint {
    /// Whether it carries MIDI or the keys of a computer keyboard.
    #[must_use]
    pub const fn medium(&self) -> Medium {
        match self.address {
            Address::Keys(_) => Medium::Keys,
            _ => Medium::Midi,
        }
    }

    /// Whether this is still the device that `other` was, in the same place.
    #[must_use]
    pub fn is_same_as(&self, other: &Self) -> bool {
        self.address == other.address
            && self.client == other.client
            && self.port == other.port
            && self.usb == other.usb
    }
}

/// The present address of a port in the system.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Address {
    /// A sequencer address: client and port.
    Sequencer(u8, u8),
    /// The identifier of any other system, as text.
    Text(String),
    /// A port of the embedded rig, by index.
    Model(usize),
    /// A device with keys: the name of its first event device, such as `event5`.
    Keys(String),
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sequencer(client, port) => write!(f, "{client}:{port}"),
            Self::Text(text) | Self::Keys(text) => f.write_str(text),
            Self::Model(port) => write!(f, "model {}", port + 1),
        }
    }
}

/// What a USB device reports about itself, and where it is plugged in. Devices with keys report
/// the same on any bus.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct UsbIdentity {
    /// Vendor ID (`idVendor`).
    pub vendor: u16,
    /// Product ID (`idProduct`).
    pub product: u16,
    /// Serial number, or the address of a Bluetooth device; None if the device reports none.
    pub serial: Option<String>,
    /// The path to its socket, such as `1-2.4`: bus, then the port on each hub. Without USB,
    /// the path that the system reports.
    pub location: String,
}

impl fmt::Display for UsbIdentity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04x}:{:04x}", self.vendor, self.product)?;
        if let Some(serial) = &self.serial {
            write!(f, " serial {serial}")?;
        }
        write!(f, " at {}", self.location)
    }
}
