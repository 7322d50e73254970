//! Real music: pieces that `tests/pieces.py` has exported, two hands with a hold pedal each
//! and steps at random places, played through the shows that come with the program.
//!
//! `SEGUE_PIECES` is the folder of the exported files. `tests/run` exports them first and
//! then asks for these tests; without the files there is nothing to play.

use std::collections::BTreeMap;
use std::path::PathBuf;

use segue::midi::Message;
use segue::plan::{Plan, compile};
use segue::replay::{Mark, RecordedEvent, Recording, read};
use segue::sim::Fault;

use crate::loaded;
use crate::oracle::Excuse;
use crate::run::{Options, Player, Report};
use crate::saboteur::Mistake;
use crate::script::Event;
use crate::world::{SOURCES, World};

/// Shows and nights that the pieces are played through.
const NIGHTS: [(&str, Option<&str>); 3] = [
    ("shows/first-steps", None),
    ("shows/quarry-lanterns", Some("harbour-hall")),
    ("shows/quarry-lanterns", Some("old-foundry")),
];

/// Fewest pieces that count as real music enough.
const PIECES_MIN: usize = 40;

/// Positions between the places where one piece and the next begin.
const STRIDE: usize = 7;

/// At most one in so many notes may be excused: the organ has one slot, and a step to
/// another of its sounds takes it from what is held.
const EXCUSED_SHARE: u64 = 200;

struct Piece {
    name: String,
    recording: Recording,
}

/// A piece played: what the judge says, where the show was at each finding, and steps taken.
struct Played {
    report: Report,
    places: Vec<String>,
    steps: usize,
}

fn pieces() -> Vec<Piece> {
    let folder = std::env::var("SEGUE_PIECES").expect("SEGUE_PIECES is the folder of the pieces");
    let mut paths: Vec<PathBuf> = std::fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "mid"))
        .collect();
    paths.sort();
    let load = |path: PathBuf| Piece {
        name: path.file_stem().unwrap().to_string_lossy().into_owned(),
        recording: read(&std::fs::read(&path).unwrap()).unwrap(),
    };
    paths.into_iter().map(load).collect()
}

fn stage(show: &str, night: Option<&str>) -> (World, Plan) {
    let world = loaded::world(&loaded::show(show), night);
    let plan = compile(&world.show, &world.night).unwrap();
    (world, plan)
}

/// The keyboards of a rig for the lower and the upper hand: its first two, or its only one.
fn keyboards(world: &World) -> (usize, usize) {
    let mut with_keys = (0..world.show.rig.controllers.len())
        .filter(|at| world.show.rig.controllers[*at].keys.is_some());
    let lower = with_keys.next().expect("a show has a keyboard");
    (lower, with_keys.next().unwrap_or(lower))
}

/// Two hands may meet on one key of one keyboard: it is struck again, and comes up with the
/// last finger that leaves it. So it is with their pedals.
#[derive(Default)]
struct Hands {
    fingers: BTreeMap<(usize, u8), u32>,
    feet: BTreeMap<usize, [bool; 2]>,
}

impl Hands {
    fn events(&mut self, keyboard: usize, is_upper: bool, message: Message) -> Vec<Event> {
        match message {
            Message::NoteOn(_, key, velocity) if velocity.get() > 0 => {
                let key = key.get();
                let fingers = self.fingers.entry((keyboard, key)).or_default();
                *fingers += 1;
                let strike = Event::On(keyboard, key, velocity.get());
                match *fingers {
                    1 => vec![strike],
                    _ => vec![Event::Off(keyboard, key), strike],
                }
            }
            Message::NoteOn(_, key, _) | Message::NoteOff(_, key, _) => {
                let key = key.get();
                let fingers = self.fingers.entry((keyboard, key)).or_default();
                *fingers = fingers.checked_sub(1).expect("no key comes up twice");
                match *fingers {
                    0 => vec![Event::Off(keyboard, key)],
                    _ => Vec::new(),
                }
            }
            Message::Control(_, number, value) if number.get() == 64 => {
                let feet = self.feet.entry(keyboard).or_default();
                let before = feet[0] || feet[1];
                feet[usize::from(is_upper)] = value.get() >= 64;
                let is_down = feet[0] || feet[1];
                let source = SOURCES.iter().position(|source| *source == 64).unwrap();
                let value = if is_down { 127 } else { 0 };
                match before == is_down {
                    true => Vec::new(),
                    false => vec![Event::Move(keyboard, source as u8, value)],
                }
            }
            other => panic!("a piece holds keys and pedals, not {other:?}"),
        }
    }
}

/// Plays a piece from one position of the night on. A step at its end goes to its beginning.
fn play(
    world: &World,
    plan: &Plan,
    piece: &Piece,
    from: usize,
    mistake: Option<Mistake>,
) -> Played {
    let (lower, upper) = keyboards(world);
    let mut player = Player::new(world, plan, Options { mistake });
    let mut hands = Hands::default();
    let mut places = Vec::new();
    let mut steps = 0;
    player.play(Event::Jump(from % world.line.len()));
    player.pass_time(2_000_000);
    let mut now_us = 0;
    for timed in &piece.recording.events {
        player.pass_time(timed.us - now_us);
        now_us = timed.us;
        let events = match &timed.event {
            RecordedEvent::Message(message) => {
                let is_upper = &*timed.track == "upper";
                let keyboard = if is_upper { upper } else { lower };
                hands.events(keyboard, is_upper, *message)
            }
            RecordedEvent::Mark(Mark::Step) if player.oracle.at + 1 == world.line.len() => {
                vec![Event::Jump(0)]
            }
            RecordedEvent::Mark(Mark::Step) => vec![Event::Step],
            RecordedEvent::Mark(_) => vec![Event::Back],
            RecordedEvent::SysEx(_) => Vec::new(),
        };
        let before = player.oracle.at;
        for event in events {
            player.play(event);
        }
        steps += usize::from(player.oracle.at != before);
        while places.len() < player.findings.len() {
            places.push(place(plan, player.oracle.at, timed.us));
        }
    }
    player.end();
    while places.len() < player.findings.len() {
        places.push("after the end".into());
    }
    Played {
        report: player.report(),
        places,
        steps,
    }
}

fn place(plan: &Plan, at: usize, us: u64) -> String {
    let seconds = us as f64 / 1e6;
    format!("{seconds:.3} s, at {}", plan.places[at].call)
}

/// What is wrong with a piece that was played, in words; nothing if all is well.
fn wrongs(piece: &Piece, played: &Played) -> Vec<String> {
    let report = &played.report;
    let mut wrongs: Vec<String> = report
        .findings
        .iter()
        .zip(&played.places)
        .map(|(finding, place)| {
            let (rule, text) = (finding.rule, &finding.text);
            format!("{}, {place}: {rule:?}: {text}", piece.name)
        })
        .collect();
    let (asked, heard) = (report.presses, report.matched);
    let excused: u64 = report.excuses.values().sum();
    if heard == 0 || heard + excused < asked {
        let name = &piece.name;
        wrongs.push(format!(
            "{name}: {heard} of {asked} notes were heard, {excused} excused"
        ));
    }
    wrongs
}

/// All that a run over the pieces adds up to.
#[derive(Default)]
struct Sum {
    asked: u64,
    heard: u64,
    steps: usize,
    stuck: usize,
    cut: usize,
    missing: usize,
    excuses: BTreeMap<Excuse, u64>,
    wrongs: Vec<String>,
}

impl Sum {
    fn add(&mut self, piece: &Piece, played: &Played) {
        let report = &played.report;
        self.asked += report.presses;
        self.heard += report.matched;
        self.steps += played.steps;
        for (why, count) in &report.excuses {
            *self.excuses.entry(*why).or_default() += count;
        }
        for fault in report.findings.iter().filter_map(|finding| finding.fault) {
            match fault {
                Fault::Stuck => self.stuck += 1,
                Fault::Missing => self.missing += 1,
                _ => self.cut += 1,
            }
        }
        self.wrongs.extend(wrongs(piece, played));
    }
}

#[test]
#[ignore = "needs the exported pieces: see tests/run"]
fn real_music_is_heard_as_it_was_played() {
    let pieces = pieces();
    assert!(pieces.len() >= PIECES_MIN, "only {} pieces", pieces.len());
    let mut wrongs = Vec::new();
    for (show, night) in NIGHTS {
        let (world, plan) = stage(show, night);
        let mut sum = Sum::default();
        for (number, piece) in pieces.iter().enumerate() {
            sum.add(piece, &play(&world, &plan, piece, number * STRIDE, None));
        }
        eprintln!(
            "{show} {}: {} pieces, {} notes, {} steps, {} stuck {} cut {} missing; \
             {} notes asked for, excused {:?}",
            world.night.name,
            pieces.len(),
            sum.heard,
            sum.steps,
            sum.stuck,
            sum.cut,
            sum.missing,
            sum.asked,
            sum.excuses
        );
        let excused: u64 = sum.excuses.values().sum();
        assert!(
            excused * EXCUSED_SHARE <= sum.asked,
            "{excused} of {} notes excused",
            sum.asked
        );
        wrongs.extend(sum.wrongs);
    }
    let shown = wrongs.len().min(20);
    assert!(
        wrongs.is_empty(),
        "{} findings:\n{}",
        wrongs.len(),
        wrongs[..shown].join("\n")
    );
}

#[test]
#[ignore = "needs the exported pieces: see tests/run"]
fn a_mistake_is_heard_in_real_music() {
    let pieces = pieces();
    let (show, night) = NIGHTS[1];
    let (world, plan) = stage(show, night);
    for mistake in [
        Mistake::DropNoteOff,
        Mistake::DropNoteOn,
        Mistake::ForgetPedalUp,
        Mistake::WrongKey,
        Mistake::WrongSlot,
        Mistake::SkipProgram,
        Mistake::BendToHeldOver,
        Mistake::LevelToHeldOver,
    ] {
        let found = pieces.iter().find_map(|piece| {
            wrongs(piece, &play(&world, &plan, piece, 0, Some(mistake)))
                .into_iter()
                .next()
        });
        let found = found.unwrap_or_else(|| panic!("{mistake:?} was not heard"));
        eprintln!("{mistake:?}: {found}");
    }
}
