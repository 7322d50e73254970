//! What was played and what arrived, as somebody wrote it down, told to the oracle and heard
//! by model receivers: traces of the lab, and recordings of a rehearsal.

use std::collections::BTreeMap;

use segue::midi::{Channel, Decoded, Decoder, Message};
use segue::replay::{Mark, Verb};
use segue::show::model::{Action, Night, ReceiverKind, Trigger};
use segue::sim::{HeldNotes, ReceiverModel};

use crate::loaded;
use crate::oracle::Oracle;
use crate::world::World;

/// Something that was written down.
#[derive(Clone, Debug)]
pub(crate) enum Passage {
    /// Bytes that a controller on this port of the rig sent.
    Played(usize, Vec<u8>),
    /// Bytes that arrived at this port of the rig.
    Heard(usize, Vec<u8>),
    /// A command.
    Asked(Mark),
    /// From now on the night is this one.
    Night(Box<Night>),
}

/// What the judge says.
#[derive(Default)]
pub(crate) struct Verdict {
    pub(crate) asked: u64,
    pub(crate) heard: u64,
    pub(crate) excused: u64,
    pub(crate) steps: usize,
    pub(crate) findings: Vec<String>,
}

/// A world in which order is judged and no time: patches load and notes ring for none.
pub(crate) fn without_time(mut world: World) -> World {
    for spec in &mut world.specs {
        spec.manners.load_us = 0;
        // However well a receiver behaves: a program change where something sounds is wrong.
        spec.manners.held_notes = HeldNotes::Cut;
        spec.manners.release_us = 0;
        for patch in &mut spec.patches {
            (patch.load_us, patch.release_us) = (None, 0);
        }
    }
    world
}

/// One hearing, from a rig that was just switched on.
pub(crate) struct Hearing<'a> {
    world: &'a World,
    pub(crate) oracle: Oracle<'a>,
    models: Vec<ReceiverModel>,
    decoders: BTreeMap<usize, Decoder>,
    night: Night,
    stretch: Option<(usize, usize)>,
    now_us: u64,
    steps: usize,
    findings: Vec<String>,
}

impl<'a> Hearing<'a> {
    pub(crate) fn new(world: &'a World) -> Self {
        Self {
            models: world.models(),
            oracle: Oracle::new(world),
            decoders: BTreeMap::new(),
            night: world.night.clone(),
            stretch: None,
            world,
            now_us: 0,
            steps: 0,
            findings: Vec::new(),
        }
    }

    pub(crate) fn pass_time(&mut self, us: u64) {
        let end_us = self.now_us + us;
        while let Some(due_us) = self.oracle.next_us().filter(|due_us| *due_us <= end_us) {
            self.now_us = self.now_us.max(due_us);
            self.oracle.advance(self.now_us);
            self.oracle.forgo_limits(self.now_us);
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

    pub(crate) fn take(&mut self, passage: &Passage) {
        match passage {
            Passage::Played(port, bytes) => {
                for byte in bytes {
                    let decoder = self.decoders.entry(*port).or_default();
                    if let Some(Decoded::Message(message)) = decoder.push(*byte) {
                        self.play(*port, message);
                    }
                }
            }
            Passage::Heard(port, bytes) => {
                for (at, receiver) in self.world.show.rig.receivers.iter().enumerate() {
                    if receiver.port == *port {
                        self.models[at].feed(self.now_us, bytes);
                    }
                }
            }
            Passage::Asked(mark) => self.ask(mark),
            Passage::Night(night) => {
                self.night = (**night).clone();
                let line = loaded::line(&self.world.show, night);
                self.oracle.change_night(&line);
            }
        }
        self.listen();
    }

    /// A command, as the oracle understands it; cues are not judged here.
    fn ask(&mut self, mark: &Mark) {
        let (now_us, before) = (self.now_us, self.oracle.at);
        let drains_us = vec![0; self.world.kinds.len()];
        match mark {
            Mark::Step => match self.stretch {
                Some((first, last)) if last == before => {
                    self.oracle.jump(now_us, first, &drains_us);
                }
                _ => self.oracle.step(now_us, &drains_us),
            },
            Mark::Back => self.oracle.back(now_us, &drains_us),
            Mark::Place(call) => self.oracle.jump(now_us, self.place(call), &drains_us),
            Mark::Do(Verb::Loop, stretch) => {
                self.stretch = stretch
                    .split_once(' ')
                    .map(|(first, last)| (self.place(first), self.place(last)));
            }
            Mark::Do(Verb::NextSong, _) => self.oracle.song_down(now_us, &drains_us),
            Mark::Do(Verb::Panic, receiver) => {
                assert!(
                    receiver.is_empty(),
                    "one receiver's panic is not judged here"
                );
                self.oracle.panic(now_us);
            }
            Mark::Do(verb @ (Verb::Resend | Verb::Force), _) => {
                self.oracle.allow_passages(now_us);
                if *verb == Verb::Force {
                    self.oracle.force();
                }
            }
            Mark::Do(Verb::Rehearse | Verb::Lock | Verb::Unlock, _) => {}
            other => panic!("nothing is known here of {other:?}"),
        }
        self.steps += usize::from(self.oracle.at != before);
    }

    /// The position of a call number in the night as it is by now.
    fn place(&self, call: &str) -> usize {
        let plan = segue::plan::compile(&self.world.show, &self.night).unwrap();
        let mut places = plan.places.iter();
        let found = places.position(|place| place.call == *call);
        found.expect("the call number is known")
    }

    /// What the receivers sound now, as findings if it is anything.
    pub(crate) fn expect_silence(&mut self, when: &str) {
        for (at, model) in self.models.iter().enumerate() {
            for voice in model.voices() {
                self.findings
                    .push(format!("receiver {at} sounds {when}: {voice:?}"));
            }
        }
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

    pub(crate) fn verdict(mut self) -> Verdict {
        self.pass_time(15_000_000);
        self.expect_silence("at the end");
        let mut findings = std::mem::take(&mut self.findings);
        for (at, model) in self.models.iter().enumerate() {
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

/// Every message by itself, so that one can be taken out or altered.
pub(crate) fn split(passages: &[(u64, Passage)]) -> Vec<(u64, Passage)> {
    let mut decoders: BTreeMap<(usize, bool), Decoder> = BTreeMap::new();
    let mut split = Vec::new();
    for (us, passage) in passages {
        let (port, bytes) = match passage {
            Passage::Played(port, bytes) | Passage::Heard(port, bytes) => (*port, bytes),
            other => {
                split.push((*us, other.clone()));
                continue;
            }
        };
        let is_heard = matches!(passage, Passage::Heard(..));
        let decoder = decoders.entry((port, is_heard)).or_default();
        let make = |bytes| match is_heard {
            true => Passage::Heard(port, bytes),
            false => Passage::Played(port, bytes),
        };
        let mut open = Vec::new();
        for byte in bytes {
            open.push(*byte);
            if decoder.push(*byte).is_some() {
                split.push((*us, make(std::mem::take(&mut open))));
            }
        }
        if !open.is_empty() {
            split.push((*us, make(open)));
        }
    }
    split
}

/// Alters one message that an instrument received: of notes the one that is held longest,
/// so that what is altered is there to be heard; else the last.
fn alter(
    passages: &mut [(u64, Passage)],
    is_instrument: impl Fn(usize) -> bool,
    is_meant: impl Fn(&[u8]) -> bool,
    change: impl Fn(&mut Vec<u8>),
) {
    let heard = |at: usize| match &passages[at].1 {
        Passage::Heard(port, bytes) => Some((*port, bytes)),
        _ => None,
    };
    let is_candidate =
        |at: &usize| heard(*at).is_some_and(|(port, bytes)| is_instrument(port) && is_meant(bytes));
    let held_us = |at: usize| {
        let (port, on) = heard(at).unwrap();
        let off = (at..passages.len()).find(|later| {
            heard(*later).is_some_and(|(other, bytes)| {
                other == port && bytes.starts_with(&[on[0] ^ 0x10, on[1]])
            })
        });
        off.map_or(0, |off| passages[off].0 - passages[at].0)
    };
    let found = (0..passages.len())
        .filter(is_candidate)
        .max_by_key(|at| held_us(*at));
    let at = found.expect("there is such a message");
    let Passage::Heard(_, bytes) = &mut passages[at].1 else {
        unreachable!("only what was heard is a candidate");
    };
    change(bytes);
}

/// Alters single messages, whole as they stand, in every way that must be found out; `judge`
/// says what it finds in each.
pub(crate) fn assert_found_out(
    passages: &[(u64, Passage)],
    world: &World,
    has_pedal: bool,
    judge: impl Fn(&[(u64, Passage)]) -> Vec<String>,
) {
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
        ("a pedal that stays down", &is_pedal_up, stays_down),
        ("a note off of another key", &is_off, other_key),
        ("a note of another key", &is_on, other_key),
        ("a note on another channel", &is_on, other_channel),
        ("a program change on a held slot", &is_on, then_program),
        ("a slot silenced at once", &is_on, then_silence),
    ];
    let receivers = &world.show.rig.receivers;
    let is_instrument = |port: usize| {
        let mut receivers = receivers.iter();
        receivers.any(|item| item.port == port && item.kind == ReceiverKind::Instrument)
    };
    let whole = split(passages);
    assert!(judge(&whole).is_empty());
    for (name, is_meant, change) in alterations.iter().skip(usize::from(!has_pedal)) {
        let mut altered = whole.clone();
        alter(&mut altered, is_instrument, is_meant, change);
        let findings = judge(&altered);
        assert!(!findings.is_empty(), "{name} was not found out");
        eprintln!("{name}: {}", findings[0]);
    }
}
