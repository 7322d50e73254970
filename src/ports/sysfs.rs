//! What the kernel shows of its devices, as files that everybody may read.

use std::fs;
use std::path::Path;

use super::endpoint::UsbIdentity;

/// Where the kernel mounts its files about devices.
pub(super) const ROOT: &str = "/sys";

/// What the USB device that a folder belongs to says about itself; none if there is none.
///
/// A card's or an event device's folder lies below a USB interface (`1-2.4:1.0`), and the
/// device above that (`1-2.4`) carries the identity. The device side of a gadget has no such
/// parent.
pub(super) fn usb_above(folder: &Path) -> Option<UsbIdentity> {
    let inner = fs::canonicalize(folder).ok()?;
    let device = inner
        .ancestors()
        .find(|folder| folder.join("idVendor").is_file())?;
    Some(UsbIdentity {
        vendor: read_hex(&device.join("idVendor"))?,
        product: read_hex(&device.join("idProduct"))?,
        serial: read_text(&device.join("serial")),
        location: device.file_name()?.to_str()?.to_owned(),
    })
}

/// A file's words, if there are any.
pub(super) fn read_text(path: &Path) -> Option<String> {
    let bytes = fs::read(path).ok()?;
    let text = String::from_utf8_lossy(&bytes).trim().to_owned();
    (!text.is_empty()).then_some(text)
}

/// A file's hexadecimal number of 16 bits.
pub(super) fn read_hex(path: &Path) -> Option<u16> {
    u16::from_str_radix(&read_text(path)?, 16).ok()
}
