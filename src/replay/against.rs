//! Compares two runs of one recording: what was sounded then, and what the show as it is now
//! makes of the same keys and steps.
//!
//! A note is compared by what is heard of it: port, key and velocity; the patch, bank and level
//! in force on its channel as it is struck; and how long it sounds, until its key and its
//! channel's hold pedal are up (sostenuto is left aside). Slots may differ, since the planner
//! chooses them. So may the times within a step, and lengths by [`LENGTH_TOLERANCE_US`].

use std::collections::BTreeMap;

use crate::midi::{Message, cc};

/// What is compared of a note, times aside.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Heard {
    /// Index of the output port it went out of.
    pub port: usize,
    /// Key number, 0–127, as sent.
    pub key: u8,
    /// Velocity, 1–127, as sent.
    pub velocity: u8,
    /// Patch, volume and pan in force on its channel as it was struck.
    pub sound: Sound,
}

/// The patch, volume and pan in force on a channel.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Sound {
    /// Program as sent, 0–127; None if none was sent yet.
    pub program: Option<u8>,
    /// Bank Select MSB and LSB in force at that program change; None if not sent.
    pub bank: (Option<u8>, Option<u8>),
    /// Volume (controller 7); None if none was sent yet.
    pub volume: Option<u8>,
    /// Pan (controller 10); None if none was sent yet.
    pub pan: Option<u8>,
}

/// Lengths that differ by no more than this count as equal. A note may wait 30 ms for its
/// patch, and 20 ms (a value of our own) allow for a busy machine that stamped the recording
/// late.
pub const LENGTH_TOLERANCE_US: u64 = 50_000;

/// A note with its times.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Note {
    /// When it was struck, in microseconds.
    pub us: u64,
    /// What is heard of it.
    pub heard: Heard,
    /// How long it sounds; none if it did not end.
    pub length_us: Option<u64>,
}

/// How one kind of note changed within a step.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Change {
    /// Notes that sounded then and are missing now.
    Silent(Heard),
    /// Notes that sound now and did not sound then.
    New(Heard),
    /// Notes that sound different: as they were then, and as they are now.
    Other(Heard, Heard),
    /// Notes that end earlier now than then.
    Shorter(Heard),
    /// Notes that end later now than then, or not at all.
    Longer(Heard),
}

/// Changes within one step, each with how many notes it concerns.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Changes {
    /// Number of the step that these notes follow, from 1; 0 before the first step.
    pub step: usize,
    /// Each kind of change, with the number of notes it concerns.
    pub changes: Vec<(Change, usize)>,
}

/// Bank Select 0 and 32, as they were sent last.
type Bank = (Option<u8>, Option<u8>);

/// What is known of one channel of a port.
#[derive(Clone, Debug, Default)]
struct Followed {
    sound: Sound,
    bank: Bank,
    is_held: bool,
    /// Notes whose keys are down: channel and key, and which note it is.
    down: Vec<((u8, u8), usize)>,
    /// Notes that only the pedal holds.
    sustained: Vec<usize>,
}

/// Follows the messages that go out, and says how each note sounds and for how long.
#[derive(Clone, Debug, Default)]
pub struct Ear {
    channels: BTreeMap<(usize, u8), Followed>,
    /// Parameter number (MSB, LSB) selected last, by port and channel.
    numbers: BTreeMap<(usize, u8), (u8, u8)>,
    /// Members of MPE zones by port and manager channel.
    zones: BTreeMap<(usize, u8), u8>,
    notes: Vec<Note>,
}

impl Ear {
    /// Takes a message that goes out of a port.
    pub fn hear(&mut self, us: u64, port: usize, message: Message) {
        let Some(own) = message.channel().map(|channel| channel.get()) else {
            return;
        };
        self.hear_zone(port, own, message);
        let channel = self.manager(port, own);
        let followed = self.channels.entry((port, channel)).or_default();
        let mut ended = Vec::new();
        match message {
            Message::Program(_, program) => {
                followed.sound.program = Some(program.get());
                followed.sound.bank = followed.bank;
            }
            Message::Control(_, number, value) => match number {
                cc::BANK_MSB => followed.bank.0 = Some(value.get()),
                cc::BANK_LSB => followed.bank.1 = Some(value.get()),
                cc::VOLUME => followed.sound.volume = Some(value.get()),
                cc::PAN => followed.sound.pan = Some(value.get()),
                cc::HOLD => {
                    followed.is_held = value.get() >= 64;
                    if !followed.is_held {
                        ended.append(&mut followed.sustained);
                    }
                }
                cc::ALL_SOUND_OFF | cc::ALL_NOTES_OFF => {
                    ended.append(&mut followed.sustained);
                    ended.extend(followed.down.drain(..).map(|(_, note)| note));
                }
                _ => {}
            },
            Message::NoteOn(_, key, velocity) if velocity.get() > 0 => {
                followed.down.push(((own, key.get()), self.notes.len()));
                let heard = Heard {
                    port,
                    key: key.get(),
                    velocity: velocity.get(),
                    sound: followed.sound,
                };
                self.notes.push(Note {
                    us,
                    heard,
                    length_us: None,
                });
            }
            Message::NoteOn(_, key, _) | Message::NoteOff(_, key, _) => {
                // Of several notes of one key, the one struck first ends first.
                let mut down = followed.down.iter();
                if let Some(at) = down.position(|(known, _)| *known == (own, key.get())) {
                    let (_, note) = followed.down.remove(at);
                    if followed.is_held {
                        followed.sustained.push(note);
                    } else {
                        ended.push(note);
                    }
                }
            }
            _ => {}
        }
        for index in ended {
            if let Some(note) = self.notes.get_mut(index) {
                note.length_us = Some(us.saturating_sub(note.us));
            }
        }
    }

    /// All notes that were struck.
    #[must_use]
    pub fn into_notes(self) -> Vec<Note> {
        self.notes
    }
}

impl Ear {
    /// The channel whose sound a note has: on a member of an MPE zone its manager's.
    fn manager(&self, port: usize, own: u8) -> u8 {
        let lower = self.zones.get(&(port, 0)).copied().unwrap_or(0);
        let upper = self.zones.get(&(port, 15)).copied().unwrap_or(0);
        match own {
            1..=15 if own <= lower => 0,
            0..=14 if own + upper >= 15 => 15,
            own => own,
        }
    }

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
pub fn compare(then: &[Note], now: &[Note], steps: &[u64]) -> Vec<Changes> {
    let stretch = |note: &Note| steps.partition_point(|step| *step <= note.us);
    let mut stretches: BTreeMap<usize, (Vec<&Note>, Vec<&Note>)> = BTreeMap::new();
    for note in then {
        stretches.entry(stretch(note)).or_default().0.push(note);
    }
    for note in now {
        stretches.entry(stretch(note)).or_default().1.push(note);
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

fn differences(mut then: Vec<&Note>, mut now: Vec<&Note>) -> Vec<(Change, usize)> {
    // Equal notes are paired first, one for one.
    then.sort_by_key(|note| (&note.heard, note.us));
    now.sort_by_key(|note| (&note.heard, note.us));
    let mut gone: Vec<&Heard> = Vec::new();
    let mut lengths = Vec::new();
    for note in then {
        let alike = now
            .iter()
            .position(|other| is_alike(&other.heard, &note.heard));
        match alike.map(|at| now.remove(at)) {
            Some(other) => lengths.extend(length_change(note, other)),
            None => gone.push(&note.heard),
        }
    }
    let mut now: Vec<&Heard> = now.into_iter().map(|note| &note.heard).collect();
    let mut out: Vec<(Change, usize)> = Vec::new();
    let mut count = |change: Change| match out.iter_mut().find(|(known, _)| *known == change) {
        Some((_, count)) => *count += 1,
        None => out.push((change, 1)),
    };
    lengths.into_iter().for_each(&mut count);
    for heard in gone {
        // The same key on the same port, or else the same sound on the same port, counts as the
        // same note changed.
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

/// How the length of a note changed, if it did. A note whose end was not recorded counts as
/// unchanged.
fn length_change(then: &Note, now: &Note) -> Option<Change> {
    let then_us = then.length_us?;
    match now.length_us {
        Some(now_us) if now_us.abs_diff(then_us) <= LENGTH_TOLERANCE_US => None,
        Some(now_us) if now_us < then_us => Some(Change::Shorter(then.heard.clone())),
        _ => Some(Change::Longer(then.heard.clone())),
    }
}

/// Whether two notes sound alike, as far as is known: a recording that began in the middle of a
/// song does not contain what was set before it began.
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

    fn play(parts: &[(u64, u8, u8)]) -> Vec<Note> {
        let mut ear = Ear::default();
        let channel = Channel::MIN;
        for (us, kind, value) in parts {
            let v = Value7::clamped((*value).into());
            let key = Key::clamped((*value).into());
            let message = match kind {
                0 => Message::Program(channel, Program::new(*value).unwrap()),
                7 => Message::Control(channel, Controller::clamped(7), v),
                8 => Message::NoteOff(channel, key, Value7::MAX),
                64 => Message::Control(channel, cc::HOLD, v),
                123 => Message::Control(channel, cc::ALL_NOTES_OFF, v),
                _ => Message::NoteOn(channel, key, Value7::MAX),
            };
            ear.hear(*us, 0, message);
        }
        ear.into_notes()
    }

    #[test]
    fn a_note_lasts_until_its_key_and_its_pedal_are_up() {
        let lengths = |parts: &[(u64, u8, u8)]| {
            let notes = play(parts).into_iter();
            notes.map(|note| note.length_us).collect::<Vec<_>>()
        };
        assert_eq!(lengths(&[(0, 9, 60), (5, 8, 60)]), [Some(5)]);
        let held = [
            (0, 64, 127),
            (1, 9, 60),
            (5, 8, 60),
            (9, 64, 0),
            (10, 8, 60),
        ];
        assert_eq!(lengths(&held), [Some(8)]);
        assert_eq!(lengths(&held[..3]), [None]);
        let twice = [(0, 9, 60), (3, 9, 60), (5, 8, 60), (9, 8, 60)];
        assert_eq!(lengths(&twice), [Some(5), Some(6)]);
        assert_eq!(
            lengths(&[(0, 9, 60), (1, 9, 62), (7, 123, 0)]),
            [Some(7), Some(6)]
        );
    }

    #[test]
    fn a_length_counts_beyond_what_waits_and_machines_make_of_it() {
        let lasting = |us: Option<u64>| {
            let end = us.map(|us| (us, 8, 60));
            play(&[(0, 9, 60)].into_iter().chain(end).collect::<Vec<_>>())
        };
        let kinds = |then, now| {
            let mut changes = compare(&lasting(then), &lasting(now), &[]).into_iter();
            let first = changes.next().map(|changes| changes.changes);
            first.map(|mut changes| changes.remove(0).0)
        };
        let (second, tolerance) = (1_000_000, LENGTH_TOLERANCE_US);
        assert_eq!(kinds(Some(second), Some(second + tolerance)), None);
        let longer = kinds(Some(second), Some(second + tolerance + 1));
        assert!(matches!(longer, Some(Change::Longer(_))), "{longer:?}");
        let shorter = kinds(Some(second), Some(second - tolerance - 1));
        assert!(matches!(shorter, Some(Change::Shorter(_))), "{shorter:?}");
        let stuck = kinds(Some(second), None);
        assert!(matches!(stuck, Some(Change::Longer(_))), "{stuck:?}");
        assert_eq!(kinds(None, Some(second)), None, "its end was not recorded");
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
                0,
                Message::Control(Channel::MAX, number, Value7::clamped(value)),
            );
        }
        let program = Program::new(9).unwrap();
        ear.hear(0, 0, Message::Program(Channel::MAX, program));
        ear.hear(0, 0, on(12));
        ear.hear(0, 0, on(11));
        let programs: Vec<_> = ear
            .into_notes()
            .iter()
            .map(|note| note.heard.sound.program)
            .collect();
        assert_eq!(programs, [Some(9), None]);
    }

    #[test]
    fn times_within_a_step_are_no_matter() {
        let then = play(&[(0, 0, 5), (2, 9, 60), (3, 9, 62)]);
        let now = play(&[(0, 0, 5), (5, 9, 62), (9, 9, 60)]);
        assert_eq!(compare(&then, &now, &[10]), []);
        assert_ne!(compare(&then, &now, &[4]), []);
    }
}
