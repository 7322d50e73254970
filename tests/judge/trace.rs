//! The lab's traces, judged: what was played on emulated USB devices is told to the oracle,
//! and the bytes that arrived at the far sides are heard by model receivers.
//!
//! `SEGUE_TRACE` is a file that `tests/lab/run` left (its head says how it is written). The
//! clock of a virtual machine stands still and makes up for it, so gaps are cut short, and
//! loading and ringing take no time: order is judged here; lateness, and whether a ring was
//! waited for, is judged in virtual time only.

use std::collections::BTreeMap;

use segue::midi::{Channel, Decoded, Decoder, Message};
use segue::show::model::{Action, PortMatch, ReceiverKind, Show, Trigger};
use segue::sim::{HeldNotes, ReceiverModel};

use crate::loaded;
use crate::oracle::Oracle;
use crate::world::World;

/// The longest that the judge's clock goes on between two events.
const GAP_US: u64 = 50_000;

/// Where the lab keeps its shows, inside and in the repository.
const FOLDERS: [(&str, &str); 2] = [
    ("/lab/shows/", "tests/lab/shows/"),
    ("/lab/demo/", "shows/"),
];

/// Bytes at one port of a device.
#[derive(Clone, Debug)]
struct Passage {
    us: u64,
    /// Port of the rig.
    port: usize,
    is_played: bool,
    bytes: Vec<u8>,
}

struct Trace {
    show: Show,
    night: Option<String>,
    call: Option<String>,
    passages: Vec<Passage>,
}

impl Trace {
    fn read(text: &str) -> Self {
        let lines: Vec<Vec<&str>> = text.lines().map(|line| line.split('|').collect()).collect();
        let start = lines.iter().find(|line| line[0] == "start").unwrap()[1];
        let words: Vec<&str> = start.split_whitespace().collect();
        let after = |word: &str| {
            let at = words.iter().position(|known| *known == word)?;
            words.get(at + 1).map(|word| (*word).to_owned())
        };
        let folder = after("play").expect("the trace is of a show that was played");
        let folder = FOLDERS
            .iter()
            .find_map(|(inside, here)| Some(format!("{here}{}", folder.strip_prefix(inside)?)))
            .expect("the show is one of the lab's");
        let show = loaded::show(&folder);
        let devices: BTreeMap<&str, &[&str]> = lines
            .iter()
            .filter(|line| line[0] == "device")
            .map(|line| (line[1], &line[2..]))
            .collect();
        let passages = lines
            .iter()
            .filter_map(|line| {
                let [us, at, way, bytes] = line[..] else {
                    return None;
                };
                let (device, port) = at.split_once(':')?;
                Some(Passage {
                    us: us.parse().ok()?,
                    port: rig_port(&show, devices[device], port.parse().ok()?),
                    is_played: way == "sent",
                    bytes: bytes
                        .split(' ')
                        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
                        .collect(),
                })
            })
            .collect();
        Self {
            night: after("--night"),
            call: after("--at"),
            show,
            passages,
        }
    }

    /// Every message by itself, so that one can be taken out or altered.
    fn split(&mut self) {
        let mut decoders: BTreeMap<(usize, bool), Decoder> = BTreeMap::new();
        let mut split = Vec::new();
        for passage in &self.passages {
            let decoder = decoders
                .entry((passage.port, passage.is_played))
                .or_default();
            let mut begun = 0;
            let mut open = Vec::new();
            for byte in &passage.bytes {
                open.push(*byte);
                begun += 1;
                if decoder.push(*byte).is_some() {
                    split.push(Passage {
                        bytes: std::mem::take(&mut open),
                        ..passage.clone()
                    });
                }
            }
            assert!(begun == passage.bytes.len());
            if !open.is_empty() {
                split.push(Passage {
                    bytes: open,
                    ..passage.clone()
                });
            }
        }
        self.passages = split;
    }
}

/// The port of the rig that a device's port serves.
fn rig_port(show: &Show, device: &[&str], number: u8) -> usize {
    let [identity, its_serial, label] = device else {
        panic!("a device has an identity, a serial and a label");
    };
    show.rig
        .ports
        .iter()
        .position(|item| match &item.matches {
            PortMatch::Name(name) => name == label,
            PortMatch::Usb {
                vendor,
                product,
                serial,
                port,
                ..
            } => {
                *identity == format!("{vendor:04x}:{product:04x}")
                    && serial.as_ref().is_none_or(|serial| serial == its_serial)
                    && *port == number
            }
        })
        .expect("the device is in the rig")
}

/// What the judge says of a trace.
#[derive(Default)]
struct Verdict {
    asked: u64,
    heard: u64,
    excused: u64,
    steps: usize,
    findings: Vec<String>,
}

struct Hearing<'a> {
    world: &'a World,
    oracle: Oracle<'a>,
    models: Vec<ReceiverModel>,
    decoders: BTreeMap<usize, Decoder>,
    now_us: u64,
    steps: usize,
}

impl<'a> Hearing<'a> {
    fn new(world: &'a World) -> Self {
        Self {
            models: world.models(),
            oracle: Oracle::new(world),
            decoders: BTreeMap::new(),
            world,
            now_us: 0,
            steps: 0,
        }
    }

    fn pass_time(&mut self, us: u64) {
        let end_us = self.now_us + us;
        while let Some(due_us) = self.oracle.next_us().filter(|due_us| *due_us <= end_us) {
            self.now_us = self.now_us.max(due_us);
            self.oracle.advance(self.now_us);
            self.listen();
        }
        self.now_us = end_us;
        self.listen();
    }

    fn listen(&mut self) {
        for (at, model) in self.models.iter_mut().enumerate() {
            model.advance(self.now_us);
            self.oracle.judge.hear(at, model);
        }
        self.oracle.judge.advance(self.now_us);
    }

    fn take(&mut self, passage: &Passage) {
        if passage.is_played {
            for byte in &passage.bytes {
                let decoder = self.decoders.entry(passage.port).or_default();
                if let Some(Decoded::Message(message)) = decoder.push(*byte) {
                    self.play(passage.port, message);
                }
            }
        } else {
            for (at, receiver) in self.world.show.rig.receivers.iter().enumerate() {
                if receiver.port == passage.port {
                    self.models[at].feed(self.now_us, &passage.bytes);
                }
            }
        }
        self.listen();
    }

    /// What hands and feet did at one port, told to the oracle.
    fn play(&mut self, port: usize, message: Message) {
        let world = self.world;
        let rig = &world.show.rig;
        for (at, controller) in rig.controllers.iter().enumerate() {
            let is_meant = controller.port == port
                && controller
                    .channel
                    .is_none_or(|channel| message.channel() == Some(channel));
            if !is_meant {
                continue;
            }
            let bound = rig.bindings.iter().find(|binding| {
                let is_trigger = match (binding.trigger, message) {
                    (Trigger::Control(wanted), Message::Control(_, number, _)) => wanted == number,
                    _ => false,
                };
                binding.controller == at && is_trigger
            });
            if let Some(binding) = bound {
                if matches!(message, Message::Control(_, _, value) if value.get() >= 64) {
                    self.tread(binding.action);
                }
                continue;
            }
            self.touch(at, message);
        }
    }

    fn tread(&mut self, action: Action) {
        let drains_us = vec![0; self.world.kinds.len()];
        let before = self.oracle.at;
        match action {
            Action::Step => self.oracle.step(self.now_us, &drains_us),
            Action::Back => self.oracle.back(self.now_us, &drains_us),
            other => panic!("a traced case has no {other:?}"),
        }
        self.steps += usize::from(self.oracle.at != before);
    }

    fn touch(&mut self, at: usize, message: Message) {
        let now_us = self.now_us;
        match message {
            Message::NoteOn(_, key, velocity) if velocity.get() > 0 => {
                self.oracle.press_key(now_us, at, key.get(), velocity.get());
            }
            Message::NoteOn(_, key, _) | Message::NoteOff(_, key, _) => {
                self.oracle.lift_key(now_us, at, key.get());
            }
            Message::Control(_, number, value) => {
                self.oracle
                    .move_source(now_us, at, number.get(), value.get());
            }
            Message::Bend(_, value) => self.oracle.bend(now_us, at, value.get()),
            Message::Pressure(_, value) => self.oracle.press(at, value.get()),
            other => panic!("a traced case does not play {other:?}"),
        }
    }

    fn verdict(mut self) -> Verdict {
        self.pass_time(15_000_000);
        let mut findings = Vec::new();
        for (at, model) in self.models.iter().enumerate() {
            for voice in model.voices() {
                findings.push(format!("receiver {at} sounds at the end: {voice:?}"));
            }
            for channel in 0..16 {
                let slot = model.slot(Channel::clamped(channel));
                if slot.is_hold_down() || slot.is_sostenuto_down() || slot.is_soft_down() {
                    let channel = channel + 1;
                    findings.push(format!(
                        "receiver {at}: a pedal is down on channel {channel}"
                    ));
                }
            }
        }
        let (heard, mut excused) = (self.oracle.judge.matched_count(), 0);
        for violation in self.oracle.judge.finish(self.now_us) {
            match violation.expect.and_then(|id| self.oracle.excused.get(&id)) {
                Some(_) => excused += 1,
                None => findings.push(violation.to_string()),
            }
        }
        Verdict {
            asked: self.oracle.presses,
            heard,
            excused,
            steps: self.steps,
            findings,
        }
    }
}

fn judge(trace: &Trace) -> Verdict {
    let mut world = loaded::world(&trace.show, trace.night.as_deref());
    for spec in &mut world.specs {
        spec.manners.load_us = 0;
        // However well a receiver behaves: a program change where something sounds is wrong.
        spec.manners.held_notes = HeldNotes::Cut;
        spec.manners.release_us = 0;
        for patch in &mut spec.patches {
            (patch.load_us, patch.release_us) = (None, 0);
        }
    }
    let mut hearing = Hearing::new(&world);
    if let Some(call) = &trace.call {
        let plan = segue::plan::compile(&world.show, &world.night).unwrap();
        let at = plan.places.iter().position(|place| place.call == *call);
        let drains_us = vec![0; world.kinds.len()];
        hearing
            .oracle
            .jump(0, at.expect("the call number is known"), &drains_us);
    }
    let mut last_us = trace.passages.first().map_or(0, |passage| passage.us);
    for passage in &trace.passages {
        hearing.pass_time((passage.us - last_us).min(GAP_US));
        last_us = passage.us;
        hearing.take(passage);
    }
    hearing.verdict()
}

fn made() -> Trace {
    let path = std::env::var("SEGUE_TRACE").expect("SEGUE_TRACE is a trace of the lab");
    Trace::read(&std::fs::read_to_string(path).unwrap())
}

#[test]
#[ignore = "needs a trace of the lab: see tests/run"]
fn trace_of_the_lab_is_as_it_was_played() {
    let verdict = judge(&made());
    let Verdict {
        asked,
        heard,
        excused,
        steps,
        findings,
    } = verdict;
    eprintln!(
        "{steps} steps, {asked} notes asked for, {heard} heard, {excused} excused, {} findings",
        findings.len()
    );
    assert!(findings.is_empty(), "{}", findings.join("\n"));
    assert!(steps >= 10, "{steps} steps");
    assert!(
        heard > 0 && heard + excused >= asked && excused * 10 <= asked,
        "{heard} of {asked} notes, {excused} excused"
    );
}

/// Alters one message that an instrument received: of notes the one that is held longest,
/// so that what is altered is there to be heard; else the last.
fn alter(trace: &mut Trace, is_meant: impl Fn(&[u8]) -> bool, change: impl Fn(&mut Vec<u8>)) {
    let receivers = &trace.show.rig.receivers;
    let is_candidate = |passage: &Passage| {
        let sounds = receivers
            .iter()
            .any(|item| item.port == passage.port && item.kind == ReceiverKind::Instrument);
        sounds && !passage.is_played && is_meant(&passage.bytes)
    };
    let held_us = |at: usize| {
        let on = &trace.passages[at];
        let off = trace.passages[at..].iter().find(|passage| {
            let is_same = passage.port == on.port && !passage.is_played;
            is_same
                && passage
                    .bytes
                    .starts_with(&[on.bytes[0] ^ 0x10, on.bytes[1]])
        });
        off.map_or(0, |off| off.us - on.us)
    };
    let at = (0..trace.passages.len())
        .filter(|at| is_candidate(&trace.passages[*at]))
        .max_by_key(|at| held_us(*at))
        .expect("the trace has such a message");
    change(&mut trace.passages[at].bytes);
}

#[test]
#[ignore = "needs a trace of the lab: see tests/run"]
fn trace_with_one_message_altered_is_found_out() {
    let is_on = |bytes: &[u8]| bytes[0] & 0xf0 == 0x90;
    let is_off = |bytes: &[u8]| bytes[0] & 0xf0 == 0x80;
    let is_pedal_up = |bytes: &[u8]| bytes[0] & 0xf0 == 0xb0 && bytes[1..] == [64, 0];
    type Change = fn(&mut Vec<u8>);
    let other_key: Change = |bytes| bytes[1] ^= 1;
    let stays_down: Change = |bytes| bytes[2] = 127;
    let other_channel: Change = |bytes| bytes[0] ^= 4;
    let then_program: Change = |bytes| bytes.extend([0xc0 | bytes[0] & 0x0f, 9]);
    let then_silence: Change = |bytes| bytes.extend([0xb0 | bytes[0] & 0x0f, 120, 0]);
    type Meant<'a> = &'a dyn Fn(&[u8]) -> bool;
    let alterations: [(&str, Meant, Change); 6] = [
        ("a note off of another key", &is_off, other_key),
        ("a note of another key", &is_on, other_key),
        ("a note on another channel", &is_on, other_channel),
        ("a pedal that stays down", &is_pedal_up, stays_down),
        ("a program change on a held slot", &is_on, then_program),
        ("a slot silenced at once", &is_on, then_silence),
    ];
    for (name, is_meant, change) in alterations {
        let mut trace = made();
        trace.split();
        assert!(judge(&trace).findings.is_empty());
        alter(&mut trace, is_meant, change);
        let findings = judge(&trace).findings;
        assert!(!findings.is_empty(), "{name} was not found out");
        eprintln!("{name}: {}", findings[0]);
    }
}
