//! What the ports are doing, and lines of the log, as plain data: filled in by whoever plays
//! the show, drawn by the wings, and written and read as any data (`serde`).

use serde::{Deserialize, Serialize};

/// The state of everything outside the engine.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct RigStatus {
    /// Output ports, in the sheet's order.
    pub out_ports: Vec<OutPortStatus>,
    /// Input ports, in the sheet's order.
    pub in_ports: Vec<InPortStatus>,
    /// Whether the playing thread has real-time priority; none if not yet known.
    pub is_realtime: Option<bool>,
    /// The mode in words: `show`, `rehearsal`, `model rig`.
    pub mode: String,
    /// What somebody moved while a control is learned; none while nobody learns.
    pub learned: Option<LearnedStatus>,
    /// This machine has no MIDI: the show runs on model instruments, and nothing sounds.
    pub is_silent: bool,
    /// Standing warnings, such as pedals that reach the program through the terminal.
    pub warnings: Vec<String>,
}

impl RigStatus {
    /// A copy without the idle times of ports: it stays equal while nothing happens.
    #[must_use]
    pub fn without_idle(&self) -> Self {
        let mut same = self.clone();
        for port in &mut same.out_ports {
            port.idle_us = None;
        }
        for port in &mut same.in_ports {
            port.idle_us = None;
        }
        same
    }
}

/// What was moved while a control is learned, in words.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct LearnedStatus {
    /// The control that moved: `control 74 on channel 1 of "left keys"`.
    pub what: String,
    /// How far it went; empty while nothing moved.
    pub seen: String,
    /// The line for the rig's file, and where it belongs; empty while nothing moved.
    pub line: String,
}

/// The state of one output port, for the screens.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct OutPortStatus {
    /// A device is connected.
    pub is_present: bool,
    /// Something was heard from a receiver on it.
    pub is_verified: bool,
    /// Identity of the device in words.
    pub identity: String,
    /// Bytes written since the start.
    pub bytes_sent: u64,
    /// Messages waiting, by lane: live, changeover, prime, bulk.
    pub queued: [u32; 4],
    /// How much of the port's speed is in use, in thousandths (0–1000).
    pub busy_permille: u16,
    /// Messages refused by a full queue since the start.
    pub refused: u64,
    /// The last error in words; empty if there was none.
    pub last_error: String,
    /// Microseconds since the last byte went out; none if none did.
    pub idle_us: Option<u64>,
}

/// The state of one input port, for the screens.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct InPortStatus {
    /// A device is connected.
    pub is_present: bool,
    /// Identity of the device in words.
    pub identity: String,
    /// Messages received since the start.
    pub messages: u64,
    /// Times the input lost messages (overflow).
    pub overflows: u64,
    /// The last error in words; empty if there was none.
    pub last_error: String,
    /// Microseconds since the last message came in; none if none did.
    pub idle_us: Option<u64>,
}

/// How serious a line of the log is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default, Serialize, Deserialize)]
pub enum LogLevel {
    /// Something happened; nobody need act.
    #[default]
    Note,
    /// Something may go wrong.
    Warning,
    /// Something went wrong.
    Error,
}

/// One line of the event log.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct LogLine {
    /// When, as text: a time of day or a time since the start.
    pub time: String,
    /// How serious it is.
    pub level: LogLevel,
    /// What happened, in words.
    pub words: String,
    /// A short answer for the last row, if the person at the screen asked for this; otherwise
    /// empty.
    pub answer: String,
}
