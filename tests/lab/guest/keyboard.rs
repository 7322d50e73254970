//! Computer keyboards on the emulated USB bus, and the kernel's own console that hears them.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

/// Its folder in configfs.
pub const FUNCTION: &str = "functions/hid.usb0";

/// Makes the function a keyboard.
pub fn configure(function: &Path) -> io::Result<()> {
    // Subclass "boot interface", protocol "keyboard" (USB HID 1.11, 4.2 and 4.3).
    fs::write(function.join("subclass"), "1")?;
    fs::write(function.join("protocol"), "1")?;
    fs::write(function.join("report_length"), REPORT.to_string())?;
    fs::write(function.join("report_desc"), DESCRIPTOR)
}

/// Whether the computer has an event device with this serial number.
pub fn is_seen(serial: &str) -> bool {
    let Ok(entries) = fs::read_dir("/sys/class/input") else {
        return false;
    };
    entries.flatten().any(|entry| {
        entry.file_name().to_string_lossy().starts_with("event")
            && fs::read_to_string(entry.path().join("device/uniq"))
                .is_ok_and(|uniq| uniq.trim() == serial)
    })
}

/// Presses the keys of a keyboard that is plugged in.
pub struct Hand {
    reports: File,
}

impl Hand {
    /// Its far side is the character device whose number the function tells.
    pub fn open(function: &Path) -> io::Result<Self> {
        let numbers = fs::read_to_string(function.join("dev"))?;
        let minor = numbers.trim().rsplit(':').next().unwrap_or_default();
        let reports = OpenOptions::new()
            .write(true)
            .open(format!("/dev/hidg{minor}"))?;
        Ok(Self { reports })
    }

    /// These keys are down, and no others.
    pub fn hold(&mut self, keys: &[u8]) -> io::Result<()> {
        let mut report = [0; REPORT];
        let mut places = 2..REPORT;
        for key in keys {
            // The eight modifiers are bits of the first byte, the others go into the list.
            let (at, byte) = match key.checked_sub(CONTROL) {
                Some(bit) => (0, 1 << bit),
                None => (places.next().unwrap_or(1), *key),
            };
            report[at] |= byte;
        }
        self.reports.write_all(&report)
    }

    /// Down and up.
    pub fn press(&mut self, key: u8) -> io::Result<()> {
        self.hold(&[key])?;
        thread::sleep(PRESS);
        self.hold(&[])?;
        thread::sleep(PRESS);
        Ok(())
    }
}

/// The console that keyboards type at if nobody takes them away from it.
pub struct Console {
    terminal: File,
    heard: String,
}

impl Console {
    pub fn open() -> io::Result<Self> {
        let terminal = OpenOptions::new()
            .read(true)
            .custom_flags(O_NONBLOCK | O_NOCTTY)
            .open("/dev/tty1")?;
        Ok(Self {
            terminal,
            heard: String::new(),
        })
    }

    /// Whether this line is the next that is typed.
    pub fn hears(&mut self, line: &str, within: Duration) -> Result<(), String> {
        let deadline = Instant::now() + within;
        while !self.heard.contains('\n') {
            if Instant::now() > deadline {
                return Err(format!("the console heard {:?}", self.heard));
            }
            self.listen();
        }
        let (first, rest) = self.heard.split_once('\n').unwrap_or_default();
        let (first, rest) = (first.to_owned(), rest.to_owned());
        self.heard = rest;
        if first == line {
            Ok(())
        } else {
            Err(format!("the console heard the line {first:?}"))
        }
    }

    /// Whether nothing is typed for a while.
    pub fn is_quiet(&mut self, span: Duration) -> Result<(), String> {
        let deadline = Instant::now() + span;
        while Instant::now() < deadline {
            self.listen();
        }
        if self.heard.is_empty() {
            Ok(())
        } else {
            Err(format!("the console heard {:?}", self.heard))
        }
    }

    fn listen(&mut self) {
        let mut bytes = [0; 64];
        match self.terminal.read(&mut bytes) {
            Ok(count) if count > 0 => {
                self.heard += &String::from_utf8_lossy(bytes.get(..count).unwrap_or_default());
            }
            _ => thread::sleep(Duration::from_millis(5)),
        }
    }
}

/// The number of a key on USB (HID Usage Tables 1.4, page 07).
pub fn usage(name: &str) -> Option<u8> {
    Some(match name {
        "control" => CONTROL,
        "x" => 0x1b,
        "enter" => 0x28,
        "page-up" => 0x4b,
        "page-down" => 0x4e,
        "right" => 0x4f,
        "left" => 0x50,
        _ => return None,
    })
}

/// The first of the modifiers, the left control key.
const CONTROL: u8 = 0xe0;

/// How long a key is down, and up after it.
const PRESS: Duration = Duration::from_millis(20);

/// Bytes of a keyboard's report: modifiers, a spare one, six keys.
const REPORT: usize = 8;

/// A boot keyboard without lamps (USB HID 1.11, appendix B.1).
const DESCRIPTOR: &[u8] = &[
    0x05, 0x01, 0x09, 0x06, 0xa1, 0x01, // Generic Desktop, Keyboard, Collection (Application)
    0x05, 0x07, 0x19, 0xe0, 0x29, 0xe7, 0x15, 0x00, 0x25, 0x01, // Keys E0 to E7, 0 to 1
    0x75, 0x01, 0x95, 0x08, 0x81, 0x02, // 8 times 1 bit, Input (Data, Variable)
    0x95, 0x01, 0x75, 0x08, 0x81, 0x03, // 1 byte, Input (Constant)
    0x95, 0x06, 0x75, 0x08, 0x15, 0x00, 0x25, 0x65, // 6 bytes, 0 to 101
    0x05, 0x07, 0x19, 0x00, 0x29, 0x65, 0x81, 0x00, // Keys 0 to 101, Input (Data, Array)
    0xc0,
];

/// Linux: flags of `open(2)` on x86-64.
const O_NONBLOCK: i32 = 0o4000;
const O_NOCTTY: i32 = 0o400;
