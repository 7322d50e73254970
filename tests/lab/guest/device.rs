//! Devices on the emulated USB bus: made in configfs, plugged in and out. One without ports is
//! a keyboard (`keyboard.rs`).
//!
//! A device has two sides. The near side is the sound card that the computer
//! sees, with the product's name and its sequencer ports; only the program
//! under test touches it. The far side is a second card with a raw MIDI
//! device, where the lab plays and listens.

use std::fs::{self, File, OpenOptions};
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use crate::far::Port;
use crate::keyboard::{self, Hand};
use crate::raw_midi::widen;

/// What a device says about itself.
#[derive(Clone, Debug, PartialEq)]
pub struct DeviceSpec {
    pub name: String,
    pub vendor: u16,
    pub product: u16,
    pub serial: String,
    pub label: String,
    /// MIDI ports; a keyboard has none.
    pub ports: usize,
}

/// One device, plugged in or not.
pub struct Device {
    pub spec: DeviceSpec,
    pub ports: Vec<Port>,
    /// Losing bytes at the far side is part of the case from here on.
    pub is_lossy: bool,
    /// Presses its keys, if it is a keyboard.
    pub hand: Option<Hand>,
    gadget: PathBuf,
    controller: String,
    far_id: String,
}

impl Device {
    /// Makes a device on a free controller, not yet plugged in.
    pub fn make(spec: DeviceSpec, controller: usize) -> Result<Self, String> {
        // Card ids are not used twice, so that a card that is slow to go is
        // never taken for the one that comes.
        let number = MADE.fetch_add(1, Ordering::Relaxed);
        let device = Self {
            ports: (0..spec.ports).map(|_| Port::default()).collect(),
            is_lossy: false,
            hand: None,
            gadget: PathBuf::from(format!("/sys/kernel/config/usb_gadget/g{number}")),
            controller: format!("dummy_udc.{controller}"),
            far_id: format!("far{number}"),
            spec,
        };
        device
            .configure()
            .map_err(|error| format!("configfs: {error}"))?;
        Ok(device)
    }

    fn configure(&self) -> std::io::Result<()> {
        let gadget = &self.gadget;
        let strings = gadget.join("strings/0x409");
        let function = gadget.join(self.function());
        let configuration = gadget.join(CONFIGURATION);
        for folder in [gadget, &strings, &function, &configuration] {
            fs::create_dir(folder)?;
        }
        fs::write(
            gadget.join("idVendor"),
            format!("0x{:04x}", self.spec.vendor),
        )?;
        fs::write(
            gadget.join("idProduct"),
            format!("0x{:04x}", self.spec.product),
        )?;
        fs::write(strings.join("manufacturer"), "Lab")?;
        fs::write(strings.join("product"), &self.spec.label)?;
        fs::write(strings.join("serialnumber"), &self.spec.serial)?;
        if self.is_keyboard() {
            keyboard::configure(&function)?;
        } else {
            fs::write(function.join("id"), &self.far_id)?;
            fs::write(function.join("in_ports"), self.spec.ports.to_string())?;
            fs::write(function.join("out_ports"), self.spec.ports.to_string())?;
        }
        symlink(&function, configuration.join(LINK))
    }

    fn is_keyboard(&self) -> bool {
        self.spec.ports == 0
    }

    fn function(&self) -> &'static str {
        if self.is_keyboard() {
            keyboard::FUNCTION
        } else {
            FUNCTION
        }
    }

    /// Pushes the plug in and opens the far side. The near side comes a
    /// moment later: see [`Device::near_client`].
    pub fn plug(&mut self) -> Result<(), String> {
        fs::write(self.gadget.join("UDC"), &self.controller)
            .map_err(|error| format!("cannot plug {}: {error}", self.spec.name))?;
        if self.is_keyboard() {
            let function = self.gadget.join(keyboard::FUNCTION);
            let hand = patiently(|| Hand::open(&function).ok());
            let hand = hand.ok_or_else(|| format!("no hand for {}", self.spec.name))?;
            self.hand = Some(hand);
            return Ok(());
        }
        let card = patiently(|| card_with_id(&self.far_id))
            .ok_or_else(|| format!("the far side of {} did not come", self.spec.name))?;
        let raw = PathBuf::from(format!("/dev/snd/midiC{card}D0"));
        // Each opening takes the next free port of the card, in order.
        for port in &mut self.ports {
            let open = |options: &mut OpenOptions| -> Result<File, String> {
                patiently(|| options.open(&raw).ok())
                    .ok_or_else(|| format!("cannot open {}", raw.display()))
            };
            let input = open(OpenOptions::new().read(true))?;
            widen(&input).map_err(|error| format!("cannot widen {}: {error}", raw.display()))?;
            let output = open(OpenOptions::new().write(true).custom_flags(O_NONBLOCK))?;
            port.open(input, output);
        }
        Ok(())
    }

    /// Pulls the plug.
    pub fn unplug(&mut self) -> Result<(), String> {
        for port in &mut self.ports {
            port.close();
        }
        self.hand = None;
        fs::write(self.gadget.join("UDC"), "\n")
            .map_err(|error| format!("cannot unplug {}: {error}", self.spec.name))
    }

    /// Waits until the computer has recognised it.
    pub fn arrive(&self) -> Result<(), String> {
        if !self.is_keyboard() {
            return self.near_client().map(drop);
        }
        patiently(|| keyboard::is_seen(&self.spec.serial).then_some(()))
            .ok_or_else(|| format!("{} was not recognised", self.spec.name))
    }

    /// Waits for the near side and returns the number of its sequencer client.
    pub fn near_client(&self) -> Result<usize, String> {
        let find = || {
            let client = FIRST_CARD_CLIENT + CLIENTS_PER_CARD * near_card(&self.spec)?;
            let clients = fs::read_to_string("/proc/asound/seq/clients").ok()?;
            clients
                .lines()
                .filter_map(|line| line.strip_prefix("Client")?.split(':').next())
                .any(|number| number.trim().parse() == Ok(client))
                .then_some(client)
        };
        patiently(find).ok_or_else(|| format!("{} was not recognised", self.spec.name))
    }

    /// Bytes that the far side could not take: the lab's own fault, never the program's.
    pub fn overruns(&self) -> bool {
        let Some(card) = card_with_id(&self.far_id) else {
            return false;
        };
        fs::read_to_string(format!("/proc/asound/card{card}/midi0")).is_ok_and(|state| {
            state
                .lines()
                .filter_map(|line| line.trim().strip_prefix("Overruns")?.split(':').nth(1))
                .any(|count| count.trim() != "0")
        })
    }
}

impl Drop for Device {
    fn drop(&mut self) {
        // Fails if it is not plugged in, and then nothing is to be done.
        let _ = self.unplug();
        let _ = fs::remove_file(self.gadget.join(CONFIGURATION).join(LINK));
        for folder in [CONFIGURATION, self.function(), "strings/0x409", ""] {
            let _ = fs::remove_dir(self.gadget.join(folder));
        }
    }
}

/// The sound card that the computer made for a plugged device.
fn near_card(spec: &DeviceSpec) -> Option<usize> {
    cards().find_map(|(number, folder)| {
        let usb = folder.join("device/..");
        let says = |file: &str, value: &str| read_word(&usb.join(file)).as_deref() == Some(value);
        (says("idVendor", &format!("{:04x}", spec.vendor))
            && says("idProduct", &format!("{:04x}", spec.product))
            && says("serial", &spec.serial))
        .then_some(number)
    })
}

fn card_with_id(id: &str) -> Option<usize> {
    cards().find_map(|(number, folder)| {
        (read_word(&folder.join("id")).as_deref() == Some(id)).then_some(number)
    })
}

fn cards() -> impl Iterator<Item = (usize, PathBuf)> {
    (0..CARDS).map(|number| {
        (
            number,
            PathBuf::from(format!("/sys/class/sound/card{number}")),
        )
    })
}

fn read_word(file: &Path) -> Option<String> {
    fs::read_to_string(file)
        .ok()
        .map(|text| text.trim().to_owned())
}

/// Asks until there is an answer, for as long as the kernel may take.
fn patiently<T>(mut ask: impl FnMut() -> Option<T>) -> Option<T> {
    let deadline = Instant::now() + KERNEL_PATIENCE;
    loop {
        let answer = ask();
        if answer.is_some() || Instant::now() > deadline {
            return answer;
        }
        thread::sleep(Duration::from_millis(5));
    }
}

static MADE: AtomicUsize = AtomicUsize::new(0);

/// How many devices can be plugged in at once (the `num` of `dummy_hcd` in `init`).
pub const CONTROLLERS: usize = 12;

const FUNCTION: &str = "functions/midi.0";
const CONFIGURATION: &str = "configs/c.1";
const LINK: &str = "function";

/// Linux: `O_NONBLOCK` of `open(2)` on x86-64.
const O_NONBLOCK: i32 = 0o4000;

/// Linux: sound cards are numbered below this (`SNDRV_CARDS`).
const CARDS: usize = 32;

/// Linux, `sound/core/seq/seq_clientmgr.c`: a card's first sequencer client is
/// `SNDRV_SEQ_GLOBAL_CLIENTS + card * SNDRV_SEQ_CLIENTS_PER_CARD`.
const FIRST_CARD_CLIENT: usize = 16;
const CLIENTS_PER_CARD: usize = 4;

/// How long the kernel may take to recognise a device.
const KERNEL_PATIENCE: Duration = Duration::from_secs(10);
