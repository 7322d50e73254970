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
use crate::engine::input::{Input, Origin};
use crate::plan::{Plan, PortMap};
use crate::ports::{Clock, ModelEar, ModelHand};
use crate::show::model::Show;
use crate::store::Guarded;

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
    /// What must not be written over.
    guarded: Guarded,
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
            guarded: Guarded::default().recording(recording),
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
                        hand.ask(command, Origin::Program);
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
        replaying::write_files((&self.folder, &self.guarded), names, &sent, &name)?;
        Ok(messages.left_out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::replay::{RecordedEvent, read};
    use std::sync::atomic::{AtomicUsize, Ordering};

    fn sent(folder: &Path) -> Sent {
        Sent {
            folder: folder.to_owned(),
            guarded: Guarded::default(),
            ports: vec!["stage".into(), "rack".into()],
            outputs: vec!["rack".into()],
            messages: Arc::default(),
        }
    }

    #[test]
    fn what_the_rig_is_sent_is_kept_and_heard_and_written_in_order() {
        let dir = tempfile::tempdir().unwrap();
        let sent = sent(dir.path());
        let heard = Arc::new(AtomicUsize::new(0));
        let count = Arc::clone(&heard);
        let ear = sent.ear(
            Clock::start(),
            Arc::new(move |port, bytes: &[u8]| {
                assert_eq!((port, bytes), (1, &[0x90, 60, 90][..]));
                count.fetch_add(1, Ordering::Relaxed);
            }),
        );
        ear(1, &[0x90, 60, 90]);
        assert_eq!(heard.load(Ordering::Relaxed), 1, "it is handed on");
        {
            let mut messages = sent.messages.lock().unwrap();
            let kept: Vec<_> = messages
                .kept
                .iter()
                .map(|(_, port, bytes)| (*port, bytes))
                .collect();
            assert_eq!(kept, [(1, &vec![0x90, 60, 90])]);
            // Another thread heard these meanwhile.
            messages.kept = vec![(900, 1, vec![0x80, 60, 64]), (100, 1, vec![0x90, 60, 1])];
            messages.left_out = 3;
        }
        assert_eq!(sent.write(), Ok(3));
        let bytes = std::fs::read(dir.path().join("rack.mid")).unwrap();
        let events: Vec<_> = read(&bytes)
            .unwrap()
            .events
            .into_iter()
            .filter_map(|event| match event.event {
                RecordedEvent::Message(message) => {
                    Some((event.us, message.encode().as_slice().to_vec()))
                }
                _ => None,
            })
            .collect();
        assert_eq!(
            events,
            [(100, vec![0x90, 60, 1]), (900, vec![0x80, 60, 64])]
        );
    }

    #[test]
    fn past_the_limit_the_rig_plays_on_and_the_rest_is_counted() {
        let dir = tempfile::tempdir().unwrap();
        let sent = sent(dir.path());
        let full = vec![(0, 1, vec![0xfe]); SENT_LIMIT];
        sent.messages.lock().unwrap().kept = full;
        let heard = Arc::new(AtomicUsize::new(0));
        let count = Arc::clone(&heard);
        let ear = sent.ear(
            Clock::start(),
            Arc::new(move |_, _: &[u8]| {
                count.fetch_add(1, Ordering::Relaxed);
            }),
        );
        ear(1, &[0xfe]);
        let messages = sent.messages.lock().unwrap();
        assert_eq!((messages.kept.len(), messages.left_out), (SENT_LIMIT, 1));
        assert_eq!(heard.load(Ordering::Relaxed), 1);
    }
}
