//! Lists what is plugged in, with names and USB identities.

use std::path::Path;

use ::alsa::seq::{ClientInfo, ClientIter, PortCap, PortIter, Seq};

use super::super::endpoint::{Address, Endpoint, UsbIdentity};
use super::super::sysfs;
use super::OWN_NAME;

/// Every port that may serve the rig. Left out are the system's own clients, the loop-back that
/// returns all it is sent (`Midi Through`), our own clients, and ports that other programs keep
/// for themselves.
pub(super) fn enumerate(seq: &Seq) -> Vec<Endpoint> {
    let mut all = Vec::new();
    for client in ClientIter::new(seq) {
        let name = client.get_name().unwrap_or_default().to_owned();
        let number = client.get_client();
        if matches!(number, SYSTEM_CLIENT | THROUGH_CLIENT) || is_ours(&name) {
            continue;
        }
        let usb = card_of(&client).and_then(|card| usb_identity(Path::new(sysfs::ROOT), card));
        let mut device_port = 0_u8;
        for port in PortIter::new(seq, number) {
            let caps = port.get_capability();
            if caps.contains(PortCap::NO_EXPORT) {
                continue;
            }
            let has_input = caps.contains(PortCap::READ | PortCap::SUBS_READ);
            let has_output = caps.contains(PortCap::WRITE | PortCap::SUBS_WRITE);
            if !has_input && !has_output {
                continue;
            }
            device_port = device_port.saturating_add(1);
            let (Ok(client), Ok(number)) = (u8::try_from(number), u8::try_from(port.get_port()))
            else {
                continue;
            };
            all.push(Endpoint {
                has_input,
                has_output,
                client: name.clone(),
                port: port.get_name().unwrap_or_default().to_owned(),
                usb: usb.clone(),
                device_port,
                address: Address::Sequencer(client, number),
            });
        }
    }
    all
}

fn is_ours(client: &str) -> bool {
    client
        .strip_prefix(OWN_NAME)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with(' '))
}

/// The number of the sound card that a client stands for; programs have none.
fn card_of(client: &ClientInfo) -> Option<u32> {
    client
        .get_card()
        .ok()
        .and_then(|card| u32::try_from(card).ok())
}

/// What the USB device of a sound card says about itself; none if the card is not one.
fn usb_identity(sys: &Path, card: u32) -> Option<UsbIdentity> {
    sysfs::usb_above(&sys.join(format!("class/sound/card{card}/device")))
}

/// The sequencer's own client: timer and announcements.
const SYSTEM_CLIENT: i32 = 0;

/// `Midi Through` (SNDRV_SEQ_CLIENT_DUMMY in the kernel's asequencer.h).
const THROUGH_CLIENT: i32 = 14;

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;
    use std::os::unix::fs::symlink;

    /// A device tree as the kernel lays it out: a card at an interface of a device on a hub.
    fn device_tree(serial: Option<&str>) -> tempfile::TempDir {
        let sys = tempfile::tempdir().expect("a folder");
        let device = sys.path().join("devices/pci0000:00/usb1/1-2/1-2.4");
        let interface = device.join("1-2.4:1.0");
        fs::create_dir_all(interface.join("sound/card3")).expect("folders");
        fs::create_dir_all(sys.path().join("class/sound")).expect("folders");
        symlink(&interface, interface.join("sound/card3/device")).expect("a link");
        symlink(
            interface.join("sound/card3"),
            sys.path().join("class/sound/card3"),
        )
        .expect("a link");
        fs::write(device.join("idVendor"), "1d6b\n").expect("a file");
        fs::write(device.join("idProduct"), "01A4\n").expect("a file");
        if let Some(serial) = serial {
            fs::write(device.join("serial"), format!("{serial}\n")).expect("a file");
        }
        // The hub above says who it is, too, and must not be taken for the device.
        fs::write(device.join("../idVendor"), "05e3\n").expect("a file");
        sys
    }

    #[test]
    fn a_cards_device_is_the_nearest_with_an_identity() {
        let sys = device_tree(Some("A-17"));
        let usb = usb_identity(sys.path(), 3).expect("an identity");
        assert_eq!(usb.to_string(), "1d6b:01a4 serial A-17 at 1-2.4");
    }

    #[test]
    fn no_serial_number_is_none_and_an_empty_one_too() {
        for serial in [None, Some("")] {
            let sys = device_tree(serial);
            let usb = usb_identity(sys.path(), 3).expect("an identity");
            assert_eq!(usb.serial, None);
        }
        let sys = device_tree(None);
        assert_eq!(usb_identity(sys.path(), 4), None);
    }

    #[test]
    fn our_own_clients_are_known_by_name() {
        assert!(is_ours("segue") && is_ours("segue control"));
        assert!(!is_ours("seguet") && !is_ours("a segue"));
    }
}
