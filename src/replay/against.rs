//! Two evenings of one recording compared: what was sounded then, and what the show as it
//! is now makes of the same keys and steps.
//!
//! Compared is what is heard of a note: port, key, velocity, and the patch, bank and level
//! that stand on its channel as it is struck. Slots may differ, since the planner chooses
//! them; so may the times, within a step.

use std::collections::BTreeMap;

use crate::midi::{Message, cc};

/// A note as it is heard.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Heard {
    /// Index of the port.
    pub port: usize,
    /// Its key.
    pub key: u8,
    /// Its velocity.
    pub velocity: u8,
    /// What stands on its channel.
    pub sound: Sound,
}

/// What stands on a channel.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Sound {
    /// Program.
    pub program: Option<u8>,
    /// Bank bytes as the program came.
    pub bank: (Option<u8>, Option<u8>),
    /// Volume.
    pub volume: Option<u8>,
    /// Pan.
    pub pan: Option<u8>,
}

/// How one kind of note changed within a step.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Change {
    /// Notes that were sounded and are no more.
    Silent(Heard),
    /// Notes that are sounded and were not.
    New(Heard),
    /// Notes that sound otherwise: then, and now.
    Other(Heard, Heard),
}

/// Changes within one step, each with how many notes it concerns.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Changes {
    /// Number of the stretch between two steps; the first, before any step, is 0.
    pub step: usize,
    /// What changed.
    pub changes: Vec<(Change, usize)>,
}

/// Bank Select 0 and 32, as they were sent last.
type Bank = (Option<u8>, Option<u8>);

/// Follows what goes out, and says what each Note On sounds like.
#[derive(Clone, Debug, Default)]
pub struct Ear {
    channels: BTreeMap<(usize, u8), (Sound, Bank)>,
    /// Parameter numbers as they were said last.
    numbers: BTreeMap<(usize, u8), (u8, u8)>,
    /// Members of MPE zones by port and manager channel.
    zones: BTreeMap<(usize, u8), u8>,
}

impl Ear {
    /// A message out of a port; the note if it is one that sounds.
    pub fn hear(&mut self, port: usize, message: Message) -> Option<Heard> {
        let channel = message.channel()?.get();
        self.hear_zone(port, channel, message);
        // A note on a member of an MPE zone sounds as its manager says.
        let lower = self.zones.get(&(port, 0)).copied().unwrap_or(0);
        let upper = self.zones.get(&(port, 15)).copied().unwrap_or(0);
        let channel = match channel {
            1..=15 if channel <= lower => 0,
            0..=14 if channel + upper >= 15 => 15,
            own => own,
        };
        let (sound, bank) = self.channels.entry((port, channel)).or_default();
        match message {
            Message::Program(_, program) => {
                sound.program = Some(program.get());
                sound.bank = *bank;
            }
            Message::Control(_, number, value) => match number {
                cc::BANK_MSB => bank.0 = Some(value.get()),
                cc::BANK_LSB => bank.1 = Some(value.get()),
                cc::VOLUME => sound.volume = Some(value.get()),
                cc::PAN => sound.pan = Some(value.get()),
                _ => {}
            },
            Message::NoteOn(_, key, velocity) if velocity.get() > 0 => {
                return Some(Heard {
                    port,
                    key: key.get(),
                    velocity: velocity.get(),
                    sound: *sound,
                });
            }
            _ => {}
        }
        None
    }
}

impl Ear {
    /// RPN 6 on a manager channel says how many members its MPE zone has.
    fn hear_zone(&mut self, port: usize, channel: u8, message: Message) {
        let Message::Control(_, number, value) = message else {
            return;
        };
        let numbers = self.numbers.entry((port, channel)).or_insert((127, 127));
        match number {
            cc::RPN_MSB => numbers.0 = value.get(),
            cc::RPN_LSB => numbers.1 = value.get(),
            cc::DATA_MSB if *numbers == (0, 6) && matches!(channel, 0 | 15) => {
                self.zones.insert((port, channel), value.get().min(15));
            }
            _ => {}
        }
    }
}

/// Compares notes with their times, in stretches that the times of steps divide.
#[must_use]
pub fn compare(then: &[(u64, Heard)], now: &[(u64, Heard)], steps: &[u64]) -> Vec<Changes> {
    let stretch = |us: u64| steps.partition_point(|step| *step <= us);
    let mut stretches: BTreeMap<usize, (Vec<&Heard>, Vec<&Heard>)> = BTreeMap::new();
    for (us, heard) in then {
        stretches.entry(stretch(*us)).or_default().0.push(heard);
    }
    for (us, heard) in now {
        stretches.entry(stretch(*us)).or_default().1.push(heard);
    }
    stretches
        .into_iter()
        .map(|(step, (then, now))| Changes {
            step,
            changes: differences(then, now),
        })
        .filter(|changes| !changes.changes.is_empty())
        .collect()
}

fn differences(mut then: Vec<&Heard>, mut now: Vec<&Heard>) -> Vec<(Change, usize)> {
    // What is the same in both goes first, note for note.
    then.sort_unstable();
    now.sort_unstable();
    let mut gone: Vec<&Heard> = Vec::new();
    for heard in then {
        match now.iter().position(|other| is_alike(other, heard)) {
            Some(at) => drop(now.remove(at)),
            None => gone.push(heard),
        }
    }
    let mut out: Vec<(Change, usize)> = Vec::new();
    let mut count = |change: Change| match out.iter_mut().find(|(known, _)| *known == change) {
        Some((_, count)) => *count += 1,
        None => out.push((change, 1)),
    };
    for heard in gone {
        // The same key on the same port, or the same port with the key moved, is the same
        // note changed.
        let twin = now
            .iter()
            .position(|other| (other.port, other.key) == (heard.port, heard.key))
            .or_else(|| {
                let is_like =
                    |other: &&Heard| (other.port, other.sound) == (heard.port, heard.sound);
                now.iter().position(is_like)
            });
        match twin {
            Some(at) => {
                let other = now.remove(at);
                count(Change::Other(heard.clone(), other.clone()));
            }
            None => count(Change::Silent(heard.clone())),
        }
    }
    for heard in now {
        count(Change::New(heard.clone()));
    }
    out
}

/// Whether two notes sound alike, as far as it is known: a recording that began in the
/// middle of a song does not say what nobody had set until then.
fn is_alike(one: &Heard, other: &Heard) -> bool {
    let alike = |a: Option<u8>, b: Option<u8>| a.is_none() || b.is_none() || a == b;
    (one.port, one.key, one.velocity) == (other.port, other.key, other.velocity)
        && alike(one.sound.program, other.sound.program)
        && alike(one.sound.bank.0, other.sound.bank.0)
        && alike(one.sound.bank.1, other.sound.bank.1)
        && alike(one.sound.volume, other.sound.volume)
        && alike(one.sound.pan, other.sound.pan)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::{Channel, Controller, Key, Program, Value7};

    fn play(parts: &[(u64, u8, u8)]) -> Vec<(u64, Heard)> {
        let mut ear = Ear::default();
        let channel = Channel::MIN;
        parts
            .iter()
            .filter_map(|(us, kind, value)| {
                let v = Value7::clamped((*value).into());
                let message = match kind {
                    0 => Message::Program(channel, Program::new(*value).unwrap()),
                    7 => Message::Control(channel, Controller::clamped(7), v),
                    _ => Message::NoteOn(channel, Key::clamped((*value).into()), Value7::MAX),
                };
                Some((*us, ear.hear(0, message)?))
            })
            .collect()
    }

    #[test]
    fn what_sounds_otherwise_is_told_by_step() {
        let then = play(&[(0, 0, 5), (1, 7, 100), (2, 9, 60), (12, 9, 62), (13, 9, 64)]);
        assert_eq!(compare(&then, &then, &[10]), []);
        let now = play(&[(0, 0, 5), (1, 7, 100), (2, 9, 60), (11, 7, 90), (12, 9, 62)]);
        let changes = compare(&then, &now, &[10]);
        assert_eq!(changes.len(), 1);
        assert_eq!(changes[0].step, 1);
        let kinds = &changes[0].changes;
        assert!(matches!(
            &kinds[0],
            (Change::Other(then, now), 1)
                if (then.sound.volume, now.sound.volume) == (Some(100), Some(90))
        ));
        assert!(matches!(&kinds[1], (Change::Silent(heard), 1) if heard.key == 64));
        let back = compare(&now, &then, &[10]);
        assert!(matches!(&back[0].changes[1], (Change::New(heard), 1) if heard.key == 64));
    }

    /// A member of an MPE zone has the patch of its manager.
    #[test]
    fn a_note_on_a_member_sounds_as_its_manager_says() {
        let mut ear = Ear::default();
        let on = |channel: i32| {
            let key = Key::clamped(60);
            Message::NoteOn(Channel::clamped(channel), key, Value7::MAX)
        };
        for (number, value) in [(101, 0), (100, 6), (6, 3)] {
            let number = Controller::clamped(number);
            ear.hear(
                0,
                Message::Control(Channel::MAX, number, Value7::clamped(value)),
            );
        }
        let program = Program::new(9).unwrap();
        ear.hear(0, Message::Program(Channel::MAX, program));
        assert_eq!(ear.hear(0, on(12)).unwrap().sound.program, Some(9));
        assert_eq!(ear.hear(0, on(11)).unwrap().sound.program, None);
    }

    #[test]
    fn times_within_a_step_are_no_matter() {
        let then = play(&[(0, 0, 5), (2, 9, 60), (3, 9, 62)]);
        let now = play(&[(0, 0, 5), (5, 9, 62), (9, 9, 60)]);
        assert_eq!(compare(&then, &now, &[10]), []);
        assert_ne!(compare(&then, &now, &[4]), []);
    }
}
