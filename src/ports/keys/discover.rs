//! What is plugged in that has keys, as the kernel shows it to everybody: no right to read a
//! device is needed to know it.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use super::super::endpoint::{Address, Endpoint, UsbIdentity};
use super::super::sysfs::{read_hex, read_text, usb_above};

/// A device with keys, and its event devices: a pedal may send some keys through a second one
/// (media keys, mouse buttons).
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct KeyDevice {
    pub(super) endpoint: Endpoint,
    /// Names of its event devices (`event5`), by number.
    pub(super) nodes: Vec<String>,
}

/// Everything with keys, by the number of its first event device.
pub(super) fn enumerate(sys: &Path) -> Vec<KeyDevice> {
    let mut devices: Vec<KeyDevice> = Vec::new();
    for number in event_numbers(sys) {
        let node = format!("event{number}");
        let folder = sys.join("class/input").join(&node).join("device");
        let Some(endpoint) = endpoint(&folder, &node) else {
            continue;
        };
        let same = devices
            .iter_mut()
            .find(|device| is_one(&device.endpoint, &endpoint));
        match same {
            Some(device) => device.nodes.push(node),
            None => devices.push(KeyDevice {
                endpoint,
                nodes: vec![node],
            }),
        }
    }
    devices
}

/// Whether two event devices belong to one device. One that reports neither identity nor
/// location stands alone.
fn is_one(a: &Endpoint, b: &Endpoint) -> bool {
    let is_placed = |usb: &UsbIdentity| usb.serial.is_some() || !usb.location.is_empty();
    a.usb == b.usb && a.usb.as_ref().is_some_and(is_placed)
}

fn event_numbers(sys: &Path) -> Vec<u32> {
    let Ok(entries) = fs::read_dir(sys.join("class/input")) else {
        return Vec::new();
    };
    let mut numbers: Vec<u32> = entries
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter_map(|name| name.strip_prefix("event")?.parse().ok())
        .collect();
    numbers.sort_unstable();
    numbers
}

/// The endpoint of an event device; None if it has no keys or is being unplugged.
fn endpoint(folder: &Path, node: &str) -> Option<Endpoint> {
    let keys = read_text(&folder.join("capabilities/key"))?;
    if keys.chars().all(|digit| matches!(digit, '0' | ' ')) {
        return None;
    }
    let name = read_text(&folder.join("name")).unwrap_or_else(|| node.to_owned());
    Some(Endpoint {
        has_input: true,
        has_output: false,
        client: name.clone(),
        port: name,
        usb: identity(folder),
        device_port: 1,
        address: Address::Keys(node.to_owned()),
    })
}

/// Vendor and product are reported on every bus. The device's unique name is its serial number
/// on USB, and its address on Bluetooth.
fn identity(folder: &Path) -> Option<UsbIdentity> {
    let vendor = read_hex(&folder.join("id/vendor"))?;
    let product = read_hex(&folder.join("id/product"))?;
    let usb = usb_above(folder).filter(|usb| (usb.vendor, usb.product) == (vendor, product));
    let way = read_text(&folder.join("phys")).unwrap_or_default();
    let way = way.split("/input").next().unwrap_or_default().to_owned();
    let (serial, location) = match usb {
        Some(usb) => (usb.serial, usb.location),
        None => (None, way),
    };
    Some(UsbIdentity {
        vendor,
        product,
        serial: read_text(&folder.join("uniq")).or(serial),
        location,
    })
}

/// Event devices by the address of what they belong to.
pub(super) fn nodes_by_address(devices: &[KeyDevice]) -> BTreeMap<Address, Vec<String>> {
    devices
        .iter()
        .map(|device| (device.endpoint.address.clone(), device.nodes.clone()))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;
    use std::path::PathBuf;

    /// A device tree as the kernel lays it out.
    struct System {
        sys: tempfile::TempDir,
    }

    impl System {
        fn new() -> Self {
            let sys = tempfile::tempdir().expect("a folder");
            fs::create_dir_all(sys.path().join("class/input")).expect("folders");
            Self { sys }
        }

        /// An event device below `interface`, with the files of `says`.
        fn add(&self, interface: &str, number: u32, says: &[(&str, &str)]) -> PathBuf {
            let interface = self.sys.path().join("devices").join(interface);
            let device = interface.join(format!("input/input{number}"));
            let event = device.join(format!("event{number}"));
            for folder in ["id", "capabilities"] {
                fs::create_dir_all(device.join(folder)).expect("folders");
            }
            fs::create_dir_all(&event).expect("a folder");
            symlink(&device, event.join("device")).expect("a link");
            let class = self.sys.path().join(format!("class/input/event{number}"));
            symlink(&event, class).expect("a link");
            for (file, text) in says {
                fs::write(device.join(file), format!("{text}\n")).expect("a file");
            }
            interface
        }

        fn usb(&self, number: u32, interface: u32, name: &str, keys: &str) {
            let way = format!("pci0000:00/usb1/1-2/1-2:1.{interface}");
            let phys = format!("usb-0000:00:14.0-2/input{interface}");
            let folder = self.add(
                &way,
                number,
                &[
                    ("name", name),
                    ("phys", &phys),
                    ("uniq", "P-7"),
                    ("id/vendor", "1209"),
                    ("id/product", "0AB1"),
                    ("capabilities/key", keys),
                ],
            );
            let device = folder.parent().expect("a folder").to_owned();
            fs::write(device.join("idVendor"), "1209\n").expect("a file");
            fs::write(device.join("idProduct"), "0ab1\n").expect("a file");
            fs::write(device.join("serial"), "P-7\n").expect("a file");
        }
    }

    /// One pedal with a second interface for media keys, and what has no keys left out.
    #[test]
    fn a_device_is_all_its_interfaces_that_have_keys() {
        let system = System::new();
        system.usb(11, 1, "Page Pedal Media", "3f 0 0");
        system.usb(9, 0, "Page Pedal", "e080ffdf01cfffff fffffffffffffffe");
        system.usb(10, 2, "Page Pedal Jack", "0");
        let found = enumerate(system.sys.path());
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].nodes, ["event9", "event11"]);
        let endpoint = &found[0].endpoint;
        assert_eq!(endpoint.client, "Page Pedal");
        assert_eq!(
            endpoint.usb.as_ref().map(ToString::to_string).as_deref(),
            Some("1209:0ab1 serial P-7 at 1-2")
        );
    }

    #[test]
    fn a_bluetooth_device_is_known_by_its_address() {
        let system = System::new();
        let says = |uniq| {
            [
                ("name", "Leaf Turner"),
                ("phys", "aa:bb:cc:00:11:22"),
                ("uniq", uniq),
                ("id/vendor", "05d6"),
                ("id/product", "000a"),
                ("capabilities/key", "1"),
            ]
        };
        system.add("virtual/misc/uhid/0005:1", 3, &says("de:ad:00:00:00:01"));
        system.add("virtual/misc/uhid/0005:2", 4, &says("de:ad:00:00:00:02"));
        let found = enumerate(system.sys.path());
        let words: Vec<String> = found
            .iter()
            .filter_map(|device| device.endpoint.usb.as_ref())
            .map(ToString::to_string)
            .collect();
        assert_eq!(
            words,
            [
                "05d6:000a serial de:ad:00:00:00:01 at aa:bb:cc:00:11:22",
                "05d6:000a serial de:ad:00:00:00:02 at aa:bb:cc:00:11:22",
            ]
        );
    }

    #[test]
    fn a_system_without_input_devices_has_none() {
        let sys = tempfile::tempdir().expect("a folder");
        assert_eq!(enumerate(sys.path()), []);
    }
}
