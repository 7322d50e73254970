//! The price of bytes on a port, in microseconds of its line.
//!
//! Every message is priced with its status byte. Behind a USB-to-DIN box the box decides
//! about running status; on a DIN port of our own we never send it either, so that a
//! receiver plugged in late needs no reminder and a price does not depend on what went
//! before.

/// The kind of line of a port, which decides how long a message takes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PortKind {
    /// The receiver's own USB socket.
    Usb,
    /// A 5-pin DIN or TRS socket driven directly.
    Din,
    /// A USB box that ends in a DIN socket: DIN speed.
    UsbToDin,
    /// A program on this machine, or a bridge to one: messages take no line time.
    Software,
}

/// One byte on a DIN line: 10 bits at 31.25 kbaud (MIDI 1.0, Hardware; IEC 63035 §4.1).
pub const DIN_BYTE_US: u64 = 320;

/// Events that a USB port is given in one frame: one full-speed bulk packet of 64 bytes,
/// 4 to an event. The arithmetic is the class document's; that a device takes one packet
/// a frame is a cautious guess, common practice without a source.
pub const USB_EVENTS_PER_FRAME: u64 = 16;

/// A full-speed USB frame.
pub const USB_FRAME_US: u64 = 1_000;

/// MIDI bytes that one USB event carries at most (USB-MIDI 1.0 §4).
const USB_EVENT_BYTES: u64 = 3;

/// Line time of one message of this many bytes, in µs, rounded up.
#[must_use]
pub const fn cost_us(kind: PortKind, bytes: u32) -> u64 {
    let bytes = bytes as u64;
    match kind {
        PortKind::Din | PortKind::UsbToDin => bytes * DIN_BYTE_US,
        PortKind::Usb => {
            (bytes.div_ceil(USB_EVENT_BYTES) * USB_FRAME_US).div_ceil(USB_EVENTS_PER_FRAME)
        }
        PortKind::Software => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MIDI 1.0's byte time; MTC p. 4 for two bytes = 640 µs; the rest is arithmetic.
    #[test]
    fn din_bursts_cost_what_the_table_says() {
        let table = include_str!("../../tests/data/wire.tsv");
        let mut rows = 0;
        for line in table.lines().filter(|line| !line.starts_with('#')) {
            let mut cells = line.split('\t');
            let name = cells.next().expect("name");
            let messages: Vec<u32> = cells
                .next()
                .expect("messages")
                .split('+')
                .map(|part| part.split_once('x').expect("count x length"))
                .flat_map(|(count, length)| {
                    let count = count.parse().expect("count");
                    std::iter::repeat_n(length.parse().expect("length"), count)
                })
                .collect();
            let bytes: u32 = cells.next().expect("bytes").parse().expect("bytes");
            let us: u64 = cells.next().expect("us").parse().expect("us");
            assert_eq!(messages.iter().sum::<u32>(), bytes, "{name}");
            for kind in [PortKind::Din, PortKind::UsbToDin] {
                let cost: u64 = messages.iter().map(|&length| cost_us(kind, length)).sum();
                assert_eq!(cost, us, "{name} {kind:?}");
            }
            rows += 1;
        }
        assert_eq!(rows, 13);
    }

    /// A 64-byte packet of 16 events a frame.
    #[test]
    fn usb_costs_by_the_event_and_software_nothing() {
        assert_eq!(cost_us(PortKind::Usb, 48), 1_000);
        assert_eq!(cost_us(PortKind::Usb, 1), 63);
        assert_eq!(cost_us(PortKind::Usb, 3), 63);
        assert_eq!(cost_us(PortKind::Usb, 4), 125);
        assert_eq!(cost_us(PortKind::Software, 1_000_000), 0);
        assert_eq!(cost_us(PortKind::Din, u32::MAX), 320 * u64::from(u32::MAX));
    }
}
