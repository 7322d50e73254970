//! What a control is, from what it sends while somebody moves it.
//!
//! A wiggle ends with two seconds of silence; the next message begins another. Of all that
//! moved in it the one with the most messages is meant. Bounded: see [`MAX_CONTROLS`].

use std::collections::{BTreeMap, BTreeSet};

use super::model::{Action, ControllerItem, PortKind, Rig, SourceKind, Trigger};
use crate::midi::{Channel, Controller, Key, KeyCode, Message, Program, Value14};

/// Most controls tracked in one wiggle; messages of further ones are ignored.
pub const MAX_CONTROLS: usize = 256;

/// A silence of this length ends a wiggle.
const PAUSE_US: u64 = 2_000_000;

/// Collects messages while somebody moves a control, and says which control it is.
#[derive(Clone, Debug, Default)]
pub struct Learner {
    moved: BTreeMap<Place, Moves>,
    /// Which non-registered parameter a channel of a port has chosen (controllers 99 and 98).
    chosen: BTreeMap<(usize, u8), [Option<u8>; 2]>,
    heard_us: Option<u64>,
}

/// A control, and where it came in.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct Place {
    port: usize,
    channel: u8,
    sends: Sends,
}

/// What a control sends.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Sends {
    Control(u8),
    Nrpn(u16),
    Note(Key),
    Bend,
    Pressure,
    PolyPressure,
    Program(u8),
    Code(KeyCode),
}

/// How a control moved during one wiggle.
#[derive(Clone, Debug, Default)]
struct Moves {
    count: u32,
    low: u16,
    high: u16,
    /// Distinct positions seen, at most three: two mean a switch.
    few: BTreeSet<u16>,
    /// It is a 14-bit pair: the MSB came, then an LSB on the controller number 32 above.
    is_pair: bool,
    coarse: u8,
}

/// What was moved, in words and as a line for the rig.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Learned {
    /// What it is: `control 74 on channel 1 of "left keys"`.
    pub what: String,
    /// How it moved: `0 to 127, 7 bits, continuous`.
    pub seen: String,
    /// Where the rig has it, or could have it.
    pub home: Home,
}

/// Where a control belongs in the rig.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Home {
    /// It is in the rig already: as this source or pedal.
    Known(String),
    /// It fits a source of this controller.
    Source {
        /// Name of the controller.
        controller: String,
        /// What follows the source's name in the rig file: `Control(74)`.
        value: String,
    },
    /// It fits a pedal on this controller.
    Pedal {
        /// Name of the controller.
        controller: String,
        /// What follows the pedal's name: `(on: "pedal box", sends: Program(3), does: Step)`.
        value: String,
    },
    /// Nothing in the rig listens where it came in.
    Nowhere,
}

impl Learner {
    /// Takes a message that came in at a port of the rig.
    pub fn hear(&mut self, now_us: u64, port: usize, rig: &Rig, message: Message) {
        let is_new = |heard: u64| now_us.saturating_sub(heard) > PAUSE_US;
        if self.heard_us.is_some_and(is_new) {
            self.moved.clear();
        }
        self.heard_us = Some(now_us);
        let is_keys = rig
            .ports
            .get(port)
            .is_some_and(|p| p.kind == PortKind::Keys);
        if is_keys {
            if let Some((code, is_down)) = KeyCode::of(message) {
                self.note(port, 0, Sends::Code(code), u16::from(is_down) * 127);
            }
            return;
        }
        let channel = message.channel().map_or(0, |channel| channel.get());
        match message {
            Message::NoteOn(_, key, velocity) => {
                self.note(port, channel, Sends::Note(key), velocity.get().into());
            }
            Message::NoteOff(_, key, _) => self.note(port, channel, Sends::Note(key), 0),
            Message::Control(_, number, value) => {
                self.control(port, channel, number.get(), value.get());
            }
            Message::Program(_, program) => {
                self.note(port, channel, Sends::Program(program.get()), 127);
            }
            Message::Bend(_, value) => self.note(port, channel, Sends::Bend, value.get()),
            Message::Pressure(_, value) => {
                self.note(port, channel, Sends::Pressure, value.get().into());
            }
            Message::PolyPressure(_, _, value) => {
                self.note(port, channel, Sends::PolyPressure, value.get().into());
            }
            _ => {}
        }
    }

    fn control(&mut self, port: usize, channel: u8, number: u8, value: u8) {
        let chosen = self.chosen.entry((port, channel)).or_default();
        match number {
            99 => chosen[0] = Some(value),
            98 => chosen[1] = Some(value),
            // A registered parameter: none of these is chosen any more.
            100 | 101 => *chosen = [None; 2],
            6 | 38 if let [Some(msb), Some(lsb)] = *chosen => {
                let sends = Sends::Nrpn(u16::from(msb) << 7 | u16::from(lsb));
                if number == 6 {
                    self.note(port, channel, sends, u16::from(value) << 7);
                } else {
                    self.fine(port, channel, sends, value);
                }
            }
            32..=63 if self.is_moved(port, channel, Sends::Control(number - 32)) => {
                self.fine(port, channel, Sends::Control(number - 32), value);
            }
            0..=119 => self.note(port, channel, Sends::Control(number), value.into()),
            _ => {}
        }
    }

    fn is_moved(&self, port: usize, channel: u8, sends: Sends) -> bool {
        self.moved.contains_key(&Place {
            port,
            channel,
            sends,
        })
    }

    fn note(&mut self, port: usize, channel: u8, sends: Sends, value: u16) {
        let place = Place {
            port,
            channel,
            sends,
        };
        if self.moved.len() >= MAX_CONTROLS && !self.moved.contains_key(&place) {
            return;
        }
        let moves = self.moved.entry(place).or_default();
        if !moves.is_pair {
            moves.take(value);
        }
        moves.count = moves.count.saturating_add(1);
        moves.coarse = value.min(127) as u8;
    }

    /// Takes the LSB of a value whose MSB came before.
    fn fine(&mut self, port: usize, channel: u8, sends: Sends, value: u8) {
        let place = Place {
            port,
            channel,
            sends,
        };
        let Some(moves) = self.moved.get_mut(&place) else {
            return;
        };
        if let Sends::Control(_) = sends {
            if !moves.is_pair {
                moves.is_pair = true;
                (moves.low, moves.high) = (u16::MAX, 0);
            }
            let whole = u16::from(moves.coarse) << 7 | u16::from(value);
            moves.take(whole);
        }
        moves.count = moves.count.saturating_add(1);
    }

    /// The control that sent the most messages in this wiggle; None if nothing moved.
    #[must_use]
    pub fn learned(&self, rig: &Rig) -> Option<Learned> {
        let most = self.moved.iter().max_by_key(|(_, moves)| moves.count);
        let (place, moves) = most?;
        Some(Learned {
            what: place.words(rig),
            seen: moves.words(place.sends),
            home: home(*place, moves, rig),
        })
    }
}

impl Moves {
    fn take(&mut self, value: u16) {
        if self.count == 0 {
            (self.low, self.high) = (value, value);
        }
        (self.low, self.high) = (self.low.min(value), self.high.max(value));
        if self.few.len() < 3 {
            self.few.insert(value);
        }
    }

    /// Whether it is a switch: exactly two positions were seen.
    fn is_switch(&self) -> bool {
        self.few.len() == 2 && !self.is_pair
    }

    fn words(&self, sends: Sends) -> String {
        let bits = match sends {
            Sends::Bend | Sends::Nrpn(_) => 14,
            _ if self.is_pair => 14,
            Sends::Note(_) | Sends::Program(_) | Sends::Code(_) => return "a button".into(),
            _ => 7,
        };
        let way = if self.few.len() < 2 {
            "one position so far: move it all the way"
        } else if self.is_switch() {
            "two positions: a switch"
        } else {
            "continuous"
        };
        format!("{} to {} seen, {bits} bits, {way}", self.low, self.high)
    }
}

impl Place {
    fn words(self, rig: &Rig) -> String {
        let what = match self.sends {
            Sends::Control(number) => format!("control {number}"),
            Sends::Nrpn(number) => {
                format!("non-registered parameter {}, {}", number >> 7, number & 127)
            }
            Sends::Note(key) => format!("key {}", rig.middle_c.name(key)),
            Sends::Bend => "bend".into(),
            Sends::Pressure => "pressure".into(),
            Sends::PolyPressure => "pressure of single keys".into(),
            Sends::Program(number) => format!("program {number} (counted from 0)"),
            Sends::Code(code) => format!("the computer's key {code}"),
        };
        let port = rig.ports.get(self.port).map_or("?", |port| &port.name);
        match self.sends {
            Sends::Code(_) => format!("{what} at \"{port}\""),
            _ => format!("{what} on channel {} at \"{port}\"", self.channel + 1),
        }
    }

    /// The controller of the rig on this port and channel.
    fn controller(self, rig: &Rig) -> Option<(usize, &ControllerItem)> {
        let channel = Channel::clamped(self.channel.into());
        let mut all = rig.controllers.iter().enumerate();
        all.find(|(_, item)| item.port == self.port && item.has_channel(channel))
    }
}

fn home(place: Place, moves: &Moves, rig: &Rig) -> Home {
    let Some((at, controller)) = place.controller(rig) else {
        return Home::Nowhere;
    };
    let is_key = |key| {
        controller
            .keys
            .is_some_and(|(low, high)| (low..=high).contains(&key))
    };
    if matches!(place.sends, Sends::Note(key) if is_key(key)) {
        return Home::Known(format!("a key that \"{}\" plays", controller.name));
    }
    if let Some(name) = known(place, moves, rig, (at, controller)) {
        return Home::Known(name);
    }
    let name = quoted(&controller.name);
    let pedal = |sends: String| Home::Pedal {
        controller: controller.name.clone(),
        value: format!("(on: {name}, sends: {sends}, does: {})", missing(rig)),
    };
    let value = match place.sends {
        Sends::Program(number) => return pedal(format!("Program({number})")),
        Sends::Code(code) => {
            let named = code.name().map(quoted);
            return pedal(format!(
                "Key({})",
                named.unwrap_or_else(|| code.get().to_string())
            ));
        }
        Sends::Control(number) if moves.is_pair => format!("Pair({number})"),
        Sends::Control(number) if moves.is_switch() => format!("Switch({number})"),
        Sends::Control(number) => format!("Control({number})"),
        Sends::Nrpn(number) => format!("Nrpn({}, {})", number >> 7, number & 127),
        Sends::Note(key) => format!("Note({})", quoted(&rig.middle_c.name(key))),
        Sends::Bend => "Bend".into(),
        Sends::Pressure => "Pressure".into(),
        Sends::PolyPressure => "PolyPressure".into(),
    };
    Home::Source {
        controller: controller.name.clone(),
        value,
    }
}

/// The action that no pedal of the rig has yet, the most needed first; `Step` if all are there.
/// The user may write another into the file.
fn missing(rig: &Rig) -> &'static str {
    const NEEDED: [(Action, &str); 5] = [
        (Action::Step, "Step"),
        (Action::Back, "Back"),
        (Action::PageNext, "PageNext"),
        (Action::PageBack, "PageBack"),
        (Action::Panic, "Panic"),
    ];
    let is_done = |action: Action| rig.bindings.iter().any(|pedal| pedal.action == action);
    let missing = NEEDED.iter().find(|(action, _)| !is_done(*action));
    missing.map_or("Step", |(_, word)| word)
}

/// Name of the source or pedal of the rig that this control is already.
fn known(
    place: Place,
    moves: &Moves,
    rig: &Rig,
    (at, controller): (usize, &ControllerItem),
) -> Option<String> {
    let pedal = rig.bindings.iter().find(|binding| {
        binding.controller == at
            && match (binding.trigger, place.sends) {
                (Trigger::Control(own), Sends::Control(number)) => own.get() == number,
                (Trigger::Note(own), Sends::Note(key)) => own == key,
                (Trigger::Program(own), Sends::Program(number)) => {
                    Program::new(number) == Some(own)
                }
                (Trigger::Code(own), Sends::Code(code)) => own == code,
                _ => false,
            }
    });
    let source = controller
        .sources
        .iter()
        .find(|source| match (source.kind, place.sends) {
            (SourceKind::Control(own) | SourceKind::Switch(own), Sends::Control(number)) => {
                Controller::new(number) == Some(own) && !moves.is_pair
            }
            (SourceKind::Pair(own), Sends::Control(number)) => own.get() == number,
            (SourceKind::Nrpn(own), Sends::Nrpn(number)) => Value14::new(number) == Some(own),
            (SourceKind::Note(own), Sends::Note(key)) => own == key,
            (SourceKind::Bend, Sends::Bend)
            | (SourceKind::Pressure, Sends::Pressure)
            | (SourceKind::PolyPressure, Sends::PolyPressure) => true,
            _ => false,
        });
    let pedal = pedal.map(|pedal| format!("the pedal \"{}\"", pedal.name));
    pedal.or_else(|| {
        let source = source?;
        Some(format!("\"{}\" of \"{}\"", source.name, controller.name))
    })
}

/// A name in quotes, escaped as the file format wants it.
#[must_use]
pub fn quoted(name: &str) -> String {
    format!("\"{}\"", name.replace('\\', "\\\\").replace('"', "\\\""))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::Value7;
    use crate::show::read::read;

    const RIG: &str = r#"(
    version: 1,
    ports: {"keys": (name: "Keys"), "feet": (name: "Feet", kind: Keys)},
    controllers: {
        "upper": (port: "keys", channel: 1, keys: "C2..C7", sources: {"wheel": Control(1)}),
        "page foot": (port: "feet"),
        "box": (port: "keys", channel: 9),
    },
    pedals: {"on": (on: "page foot", sends: Key("PageDown"), does: Step)},
)"#;

    fn rig() -> Rig {
        let files = BTreeMap::from([("rig.ron".to_owned(), RIG.as_bytes().to_vec())]);
        read(&files, "test").0.rig
    }

    fn channel(number: u8) -> Channel {
        Channel::new(number - 1).expect("a channel")
    }

    fn control(on: u8, number: u8, value: u8) -> Message {
        let number = Controller::new(number).expect("a number");
        Message::Control(channel(on), number, Value7::new(value).expect("a value"))
    }

    /// What is learned from messages 10 ms apart at a port.
    fn learned(port: usize, messages: impl IntoIterator<Item = Message>) -> Learned {
        let (rig, mut learner) = (rig(), Learner::default());
        for (at, message) in (0..).zip(messages) {
            learner.hear(at * 10_000, port, &rig, message);
        }
        learner.learned(&rig).expect("something moved")
    }

    fn source(value: &str) -> Home {
        Home::Source {
            controller: "upper".into(),
            value: value.into(),
        }
    }

    #[test]
    fn a_knob_is_continuous_and_a_switch_has_two_positions() {
        let knob = learned(0, (3..90).map(|value| control(1, 74, value)));
        assert_eq!(knob.what, "control 74 on channel 1 at \"keys\"");
        assert_eq!(knob.seen, "3 to 89 seen, 7 bits, continuous");
        assert_eq!(knob.home, source("Control(74)"));
        let switch = learned(0, [127, 0, 127].map(|value| control(1, 80, value)));
        assert_eq!(
            switch.seen,
            "0 to 127 seen, 7 bits, two positions: a switch"
        );
        assert_eq!(switch.home, source("Switch(80)"));
        let once = learned(0, [control(1, 80, 127)]);
        assert!(once.seen.ends_with("move it all the way"), "{}", once.seen);
    }

    /// MIDI 1.0: controllers 0 to 31 have their lower seven bits on the number 32 above, and
    /// 99 and 98 choose a non-registered parameter for 6 and 38.
    #[test]
    fn fourteen_bits_are_known_by_their_second_message() {
        let pair = (0..40).flat_map(|value| [control(1, 17, value), control(1, 49, value)]);
        let pair = learned(0, pair);
        assert_eq!(pair.home, source("Pair(17)"));
        assert_eq!(
            pair.seen,
            format!("0 to {} seen, 14 bits, continuous", 39 << 7 | 39)
        );
        let nrpn = (0..40).flat_map(|value| {
            [(99, 1), (98, 8), (6, value), (38, 0)].map(|(number, value)| control(1, number, value))
        });
        let nrpn = learned(0, nrpn);
        assert_eq!(
            nrpn.what,
            "non-registered parameter 1, 8 on channel 1 at \"keys\""
        );
        assert_eq!(nrpn.home, source("Nrpn(1, 8)"));
        // A number from 32 on that stands alone is a knob like any other.
        let alone = learned(0, (0..9).map(|value| control(1, 49, value)));
        assert_eq!(alone.home, source("Control(49)"));
    }

    #[test]
    fn what_the_rig_has_already_is_named() {
        let wheel = learned(0, (0..9).map(|value| control(1, 1, value)));
        assert_eq!(wheel.home, Home::Known("\"wheel\" of \"upper\"".into()));
        let page_down = KeyCode::named("PageDown").expect("a key");
        let pedal = learned(1, [page_down.message(true), page_down.message(false)]);
        assert_eq!(pedal.home, Home::Known("the pedal \"on\"".into()));
        let key = Message::NoteOn(channel(1), Key::clamped(60), Value7::MAX);
        assert_eq!(
            learned(0, [key]).home,
            Home::Known("a key that \"upper\" plays".into())
        );
        let elsewhere = learned(0, (0..9).map(|value| control(5, 1, value)));
        assert_eq!(elsewhere.home, Home::Nowhere);
    }

    #[test]
    fn keys_and_programs_become_pedals() {
        let pedal = |messages: &[Message], port| match learned(port, messages.to_vec()).home {
            Home::Pedal { value, .. } => value,
            other => panic!("{other:?}"),
        };
        let space = KeyCode::named("Space").expect("a key");
        assert_eq!(
            pedal(&[space.message(true)], 1),
            "(on: \"page foot\", sends: Key(\"Space\"), does: Back)"
        );
        let nameless = KeyCode::new(240).expect("a code");
        assert_eq!(nameless.name(), None);
        assert!(pedal(&[nameless.message(true)], 1).contains("sends: Key(240)"));
        let program = Message::Program(channel(9), Program::new(3).expect("a program"));
        assert_eq!(
            pedal(&[program], 0),
            "(on: \"box\", sends: Program(3), does: Back)"
        );
    }

    #[test]
    fn what_moves_most_is_meant_until_two_seconds_of_silence() {
        let (rig, mut learner) = (rig(), Learner::default());
        for value in 0..50 {
            learner.hear(u64::from(value) * 1_000, 0, &rig, control(1, 74, value));
        }
        learner.hear(60_000, 0, &rig, control(1, 75, 1));
        let what = |learner: &Learner| learner.learned(&rig).map(|learned| learned.what);
        assert!(what(&learner).is_some_and(|words| words.starts_with("control 74 ")));
        learner.hear(60_000 + PAUSE_US + 1, 0, &rig, control(1, 75, 2));
        assert!(what(&learner).is_some_and(|words| words.starts_with("control 75 ")));
    }

    /// However much is moved, what is kept is bounded.
    #[test]
    fn a_flood_of_controls_is_bounded() {
        let (rig, mut learner) = (rig(), Learner::default());
        for channel in 1..=16 {
            for number in 0..120 {
                learner.hear(0, 0, &rig, control(channel, number, 1));
            }
        }
        assert_eq!(learner.moved.len(), MAX_CONTROLS);
    }
}
