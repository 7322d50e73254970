//! MIDI Show Control: which of its messages may move or fire what injures.
//!
//! A message is `F0 7F <device> 02 <format> <command> <data> F7`; the command format says
//! what kind of machine it is for (MIDI Show Control 1.1.1, table of command formats).

/// What a show-control message may set going and can injure people: this program never sends
/// it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Hazard {
    /// Formats 20H–2FH: lifts, turntables, rigging, robots and the like.
    Machinery,
    /// Formats 50H–5FH: water, gas, hydraulics and other processes.
    ProcessControl,
    /// Formats 60H–6FH: fireworks, explosions, flame, smoke.
    Pyrotechnics,
    /// Format 7FH: all types, these among them.
    AllTypes,
}

impl Hazard {
    /// The hazard of a command format; None if it is harmless.
    #[must_use]
    pub const fn of_format(format: u8) -> Option<Self> {
        match format {
            0x20..=0x2f => Some(Self::Machinery),
            0x50..=0x5f => Some(Self::ProcessControl),
            0x60..=0x6f => Some(Self::Pyrotechnics),
            0x7f => Some(Self::AllTypes),
            _ => None,
        }
    }

    /// The first hazard in a range of bytes, whatever stands before it. Real-time bytes may
    /// stand anywhere in a message and are skipped.
    #[must_use]
    pub fn in_bytes(bytes: &[u8]) -> Option<Self> {
        (0..bytes.len()).find_map(|start| {
            let mut message = bytes.iter().skip(start).filter(|byte| **byte < 0xf8);
            let mut next = || message.next().copied();
            let is_show_control = next() == Some(0xf0)
                && next() == Some(0x7f)
                && next().is_some()
                && next() == Some(0x02);
            next().filter(|_| is_show_control).and_then(Self::of_format)
        })
    }

    /// What it is, in words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::Machinery => "machinery",
            Self::ProcessControl => "process control",
            Self::Pyrotechnics => "pyrotechnics",
            Self::AllTypes => "machinery and pyrotechnics too (all types)",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// MIDI Show Control 1.1.1, table of command formats: 01 lighting, 10 sound, 20
    /// machinery, 30 video, 40 projection, 50 process control, 60 pyrotechnics, each with
    /// the fifteen formats after it; 7F all types.
    #[test]
    fn every_format_is_what_the_standard_says() {
        let sections = [
            (0x20..=0x2f, Hazard::Machinery),
            (0x50..=0x5f, Hazard::ProcessControl),
            (0x60..=0x6f, Hazard::Pyrotechnics),
            (0x7f..=0x7f, Hazard::AllTypes),
        ];
        let mut hazards = 0;
        for format in 0..=0x7f {
            let expected = sections
                .iter()
                .find(|(formats, _)| formats.contains(&format))
                .map(|(_, hazard)| *hazard);
            hazards += usize::from(expected.is_some());
            for device in [0x00, 0x01, 0x6f, 0x70, 0x7f] {
                let bytes = [0xf0, 0x7f, device, 0x02, format, 0x01, 0xf7];
                assert_eq!(Hazard::in_bytes(&bytes), expected, "{bytes:02x?}");
            }
        }
        assert_eq!(hazards, 49);
    }

    #[test]
    fn it_is_found_behind_other_messages_and_through_real_time_bytes() {
        let behind = [
            0xf0, 0x7d, 0x01, 0xf7, 0xf0, 0x7f, 0x01, 0x02, 0x20, 0x01, 0xf7,
        ];
        assert_eq!(Hazard::in_bytes(&behind), Some(Hazard::Machinery));
        let through = [0xf0, 0xf8, 0x7f, 0xfe, 0x7f, 0x02, 0xf8, 0x60, 0x01, 0xf7];
        assert_eq!(Hazard::in_bytes(&through), Some(Hazard::Pyrotechnics));
    }

    /// Master Volume (universal real-time, sub-identity 04), a universal message that is
    /// not real-time, and a maker's own.
    #[test]
    fn other_messages_have_none() {
        for bytes in [
            &[0xf0, 0x7f, 0x7f, 0x04, 0x01, 0x20, 0x60, 0xf7][..],
            &[0xf0, 0x7e, 0x01, 0x02, 0x20, 0x01, 0xf7],
            &[0xf0, 0x7d, 0x7f, 0x01, 0x02, 0x20, 0xf7],
            &[0xf0, 0x7f, 0x01, 0x02, 0xf7],
            &[],
        ] {
            assert_eq!(Hazard::in_bytes(bytes), None, "{bytes:02x?}");
        }
    }
}
