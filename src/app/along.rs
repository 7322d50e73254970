//! `segue play --model --recording`: a recording played on the model rig as if somebody did,
//! in its own time, while the screens show it.
//!
//! What the rig is sent can be kept, as `segue replay` writes it. The two differ in time
//! only: there it is virtual, here it is the machine's.

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use super::performance::Hand;
use super::replaying;
use crate::engine::input::Input;
use crate::plan::{Plan, PortMap};
use crate::ports::{Clock, ModelEar, ModelHand};
use crate::show::model::Show;

/// Messages kept of what was sent; later ones are left out, and counted.
const SENT_LIMIT: usize = 200_000;

/// Quiet before the recording begins: the rig is sent its state meanwhile.
const LEAD_US: u64 = 500_000;

/// The longest single wait, so that the thread ends soon after the show.
const LONGEST_WAIT_US: u64 = 100_000;

/// A recording to be played.
pub(super) struct Along {
    inputs: Vec<(u64, Input)>,
    sent: Option<Sent>,
}

/// What the rig was sent, and where it is to be written.
#[derive(Clone)]
pub(super) struct Sent {
    folder: PathBuf,
    /// Names of the rig's ports, in its order.
    ports: Vec<String>,
    /// Those that the night sends to.
    outputs: Vec<String>,
    messages: Arc<Mutex<Messages>>,
}

#[derive(Default)]
struct Messages {
    kept: Vec<(u64, usize, Vec<u8>)>,
    left_out: u64,
}

impl Along {
    /// Reads a recording; what it has that the show cannot play is told as remarks.
    ///
    /// # Errors
    /// If it cannot be read, in words.
    pub(super) fn read(
        recording: &Path,
        out: Option<&Path>,
        show: &Show,
        plan: &Plan,
    ) -> Result<(Self, Vec<String>), String> {
        let (inputs, remarks) = replaying::read(recording, show, plan)?;
        let ports = show.rig.ports.iter().map(|port| port.name.clone());
        let outputs = plan.sheet.out_ports.iter().map(|port| port.name.clone());
        let sent = out.map(|folder| Sent {
            folder: folder.to_owned(),
            ports: ports.collect(),
            outputs: outputs.collect(),
            messages: Arc::default(),
        });
        Ok((Self { inputs, sent }, remarks))
    }

    /// What the rig is sent, to be written when the show has ended.
    pub(super) fn sent(&self) -> Option<Sent> {
        self.sent.clone()
    }

    /// Plays it from now on, on a thread that ends with the recording or with the show.
    pub(super) fn play(self, rig: ModelHand, hand: Hand, ports: &PortMap, clock: Clock) {
        let inputs = ports.inputs.clone();
        let start_us = clock.now_us() + LEAD_US;
        let played = move || {
            for (us, input) in self.inputs {
                let due_us = start_us + us;
                while clock.now_us() < due_us {
                    if hand.is_over() {
                        return;
                    }
                    let longest_us = clock.now_us() + LONGEST_WAIT_US;
                    thread::sleep(clock.until(due_us.min(longest_us)));
                }
                match input {
                    Input::Midi(port, message) => {
                        if let Some(port) = inputs.get(port.index()) {
                            rig.play(*port, message);
                        }
                    }
                    Input::Command(command) => {
                        hand.ask(command);
                    }
                    _ => {}
                }
            }
        };
        // Without the thread nothing is played; the show goes on for whoever is there.
        let _ = thread::Builder::new()
            .name("recording".into())
            .spawn(played);
    }
}

impl Sent {
    /// An ear that keeps what it hears before it hands it on.
    pub(super) fn ear(&self, clock: Clock, ear: ModelEar) -> ModelEar {
        let messages = Arc::clone(&self.messages);
        Arc::new(move |port, bytes| {
            let now_us = clock.now_us();
            let mut messages = messages.lock().unwrap_or_else(PoisonError::into_inner);
            if messages.kept.len() < SENT_LIMIT {
                messages.kept.push((now_us, port, bytes.to_vec()));
            } else {
                messages.left_out += 1;
            }
            drop(messages);
            ear(port, bytes);
        })
    }

    /// Writes what was sent, one file a port; how many messages were left out.
    ///
    /// # Errors
    /// If a file cannot be written, in words.
    pub(super) fn write(&self) -> Result<u64, String> {
        let mut messages = self.messages.lock().unwrap_or_else(PoisonError::into_inner);
        // Several threads write ports: what was heard in between is put in order.
        messages.kept.sort_by_key(|(us, _, _)| *us);
        let name = |port: usize| self.ports.get(port).map_or("", String::as_str);
        let messages_of = |(us, port, bytes): &(u64, usize, Vec<u8>)| (*us, *port, bytes.clone());
        let sent: Vec<_> = messages.kept.iter().map(messages_of).collect();
        let names = self.outputs.iter().map(String::as_str);
        replaying::write_files(&self.folder, names, &sent, &name)?;
        Ok(messages.left_out)
    }
}
