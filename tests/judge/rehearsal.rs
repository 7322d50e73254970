//! A whole rehearsal, typed into the real binary on a pseudo-terminal and judged: what it
//! recorded of keys and commands is told to the oracle, what it sent is heard by the models.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;

use segue::replay::{self, Mark, OUT_TRACK, RecordedEvent, Verb};
use segue::show::model::{Night, NightEntry, Show};

use crate::desk::{Desk, Home, kitty, start};
use crate::hearing::{Hearing, Passage, Verdict, assert_found_out, without_time};
use crate::loaded;
use crate::world::World;

const SHOW: &str = "shows/quarry-lanterns";
const NIGHT: &str = "harbour-hall";

/// The longest that the judge's clock goes on between two events.
const GAP_US: u64 = 2_000_000;

// Keys as a terminal sends them (ECMA-48; xterm's control sequences, "PC-Style Function
// Keys").
const ENTER: &str = "\r";
const ESCAPE: &str = "\x1b";
const SHIFT_UP: &str = "\x1b[1;2A";
const PAGE_UP: &str = "\x1b[5~";
const F1: &str = "\x1bOP";
const F2: &str = "\x1bOQ";
const F3: &str = "\x1bOR";
const RESEND: &str = "\x1b[15~";
/// The same to slots that ring.
const FORCE: &str = "\x1b[15;2~";
const PANIC: &str = "\x1b[24~";

/// Somebody at the keys.
struct Player<'a> {
    home: &'a Home,
    desk: Desk,
}

impl Player<'_> {
    /// Letters go down, or come up.
    fn down(&mut self, letters: &str) {
        self.letters(letters, 1);
    }

    fn up(&mut self, letters: &str) {
        self.letters(letters, 3);
    }

    fn letters(&mut self, letters: &str, event: u8) {
        let keys: String = letters.chars().map(|letter| kitty(letter, event)).collect();
        self.desk.press(&keys);
    }

    /// A step while letters are down; one of them comes up after it, and is struck again.
    fn step_over(&mut self, held: &str, to: &str) {
        self.down(held);
        self.desk.rest();
        self.desk.press(" ");
        self.desk.see(&[&format!("NOW  {to}")]);
        let first = held.get(..1).unwrap();
        self.up(first);
        self.down(first);
    }

    /// Letters command again. An escape alone must be read before what follows it.
    fn letters_off(&mut self) {
        self.desk.press(ESCAPE);
        // Seen, not only gone: a key typed close behind an escape is another key.
        self.desk.see(&["k notes"]);
    }

    /// A command by its name.
    fn line(&mut self, words: &str) {
        self.desk.press(":");
        self.desk.see(&[":_"]);
        self.desk.press(words);
        self.desk.press(ENTER);
    }

    /// Keys that change the night, and what the log says of it.
    fn change(&mut self, keys: &str, words: &str) {
        self.desk.press(keys);
        self.home.wait_log(words);
    }
}

/// What is typed: everything a rehearsal has, with notes held over each step.
fn rehearse(home: &Home) -> String {
    let show = format!("{}/{SHOW}", env!("CARGO_MANIFEST_DIR"));
    // A recording of nothing: what the ports are given is then kept.
    let path = |name: &str| home.0.path().join(name).to_str().unwrap().to_owned();
    let (nothing, sent) = (path("nothing.mid"), path("sent"));
    fs::write(
        &nothing,
        replay::write_port("keys", std::iter::empty()).unwrap(),
    )
    .unwrap();
    let args = [
        &["play", &show, "--night", NIGHT, "--model", "--rehearse"][..],
        &["--recording", &nothing, "--out", &sent],
    ]
    .concat();
    let mut player = Player {
        home,
        desk: start(home, &args, &[]),
    };
    player.desk.see(&["NOW  1.1  intro", "REHEARSAL"]);
    home.wait_log("ready: 5 of 5 inputs");
    player.down("k");
    player.up("k");
    player.desk.see(&["letters play keys"]);
    // A recording begins with the next command, and with what slots are believed to hold; what
    // is judged begins with the resend, which leaves nothing to believe.
    player.desk.press("*");
    player.line("lock");
    home.wait_log("recording");
    player.desk.press(RESEND);

    // On, with notes held; two back; round a stretch of two, twice.
    player.step_over("zbq", "1.2");
    player.step_over("v", "1.3");
    player.up("zbqv");
    player.line("back 2");
    player.desk.see(&["NOW  1.1"]);
    player.line("loop 1.1 1.2");
    home.wait_log("1.1");
    for to in ["1.2", "1.1", "1.2", "1.1"] {
        player.step_over("xn", to);
        player.down("we");
    }
    player.up("xnwe");
    player.line("loop off");
    player.line("mark late here");

    // Song 7, found in the running order.
    player.desk.press(F3);
    player.desk.see(&["RUNNING ORDER", "late here"]);
    player.desk.press("/tin roof");
    player.desk.press(ENTER);
    player.down("q");
    player.desk.press(ENTER);
    player.desk.press(F1);
    player.desk.see(&["NOW  7.1"]);
    player.step_over("cv", "7.2");
    player.desk.rest();
    player.desk.press(PAGE_UP);
    player.desk.see(&["NOW  7.1"]);
    player.up("qcv");

    // Tonight this song is higher, the next one comes before it, and the one after is out.
    player.down("b");
    player.letters_off();
    player.desk.press("3");
    player.desk.see(&["RUNNING ORDER"]);
    player.change("t", "song 7 transposed, +1 tonight");
    player.line("find glass");
    player.change(SHIFT_UP, "song 8 moved up");
    player.line("find long");
    player.change("x", "song 9 skipped");
    player.desk.press("1");
    player.down("k");
    player.up("k");
    player.desk.see(&["NOW  7.1", "letters play keys"]);
    player.step_over("zc", "7.2");
    player.up("zc");
    player.line("jump 8.1");
    player.desk.see(&["NOW  8.1"]);
    player.step_over("zb", "8.2");

    // Panic under held keys, and on.
    player.desk.press(PANIC);
    home.wait_log("panic");
    player.up("zb");
    player.step_over("xq", "8.3");
    player.up("xq");

    // The spare, with a key down, and its own state from then on.
    player.down("v");
    player.desk.press(F2);
    player.desk.see(&["WINGS"]);
    player.line("spare main");
    home.wait_log("spare plays for main: 1 key went over");
    player.up("v");
    player.desk.press(FORCE);
    player.desk.press(F1);
    player.desk.see(&["NOW  8.3"]);
    player.step_over("zb", "8.4");
    player.desk.rest();
    player.desk.press(PAGE_UP);
    player.desk.see(&["NOW  8.3"]);
    player.up("zb");
    // Commands are taken one after the other: with this one the keys are up.
    player.line("lock");
    home.wait_log("pedals free");
    player.desk.press("*");
    home.wait_log("recording ended");
    player.desk.see(&["recorded in"]);
    player.letters_off();
    player.desk.press("q");
    assert_eq!(player.desk.end(), 0);
    player.desk.assert_restored();
    let log = home.log();
    let line = log.lines().find_map(|line| line.split_once(" saved to "));
    line.expect("the log names the file").1.trim().to_owned()
}

/// The night as it is after each change, in the order in which they are typed.
fn nights(night: &Night) -> Vec<Night> {
    let mut night = night.clone();
    let place = |night: &Night, wanted: &str| {
        let is_it =
            |entry: &NightEntry| matches!(entry, NightEntry::Song { call, .. } if call == wanted);
        night.order.iter().position(is_it).unwrap()
    };
    let mut nights = Vec::new();
    let at = place(&night, "7");
    if let NightEntry::Song { transpose, .. } = &mut night.order[at] {
        *transpose += 1;
    }
    nights.push(night.clone());
    let at = place(&night, "8");
    night.order.swap(at, at - 1);
    nights.push(night.clone());
    let at = place(&night, "9");
    if let NightEntry::Song { is_skipped, .. } = &mut night.order[at] {
        *is_skipped = true;
    }
    nights.push(night);
    nights
}

/// A rehearsal as it was written down: by time, what was played and asked before what went
/// out at the same time.
fn read(show: &Show, path: &str) -> Vec<(u64, Passage)> {
    let recording = replay::read(&fs::read(path).unwrap()).unwrap();
    assert_eq!(recording.remarks, []);
    let night = show.nights.iter().find(|night| night.name == NIGHT);
    let mut nights = nights(night.unwrap()).into_iter();
    let mut events: Vec<(u64, bool, Passage)> = Vec::new();
    for event in recording.events {
        let passage = |bytes: Vec<u8>| match event.track.strip_prefix(OUT_TRACK) {
            Some(name) => Passage::Heard(port(show, name), bytes),
            None => {
                let mut controllers = show.rig.controllers.iter();
                let played = controllers.find(|item| *item.name == *event.track).unwrap();
                Passage::Played(played.port, bytes)
            }
        };
        let passage = match event.event {
            RecordedEvent::Message(message) => passage(message.encode().as_slice().to_vec()),
            RecordedEvent::SysEx(bytes) => passage(bytes),
            RecordedEvent::Mark(Mark::NightChanged(_)) => {
                let night = nights.next().expect("the night was changed as typed");
                Passage::Night(Box::new(night))
            }
            RecordedEvent::Mark(mark) => Passage::Asked(mark),
        };
        events.push((event.us, matches!(passage, Passage::Heard(..)), passage));
    }
    assert!(nights.next().is_none(), "every change is in the recording");
    events.sort_by_key(|(us, is_heard, _)| (*us, *is_heard));
    let passages = events.into_iter();
    passages.map(|(us, _, passage)| (us, passage)).collect()
}

fn port(show: &Show, name: &str) -> usize {
    let mut ports = show.rig.ports.iter();
    ports.position(|port| port.name == name).unwrap()
}

fn is_asked(passage: &Passage, wanted: Verb) -> bool {
    matches!(passage, Passage::Asked(Mark::Do(verb, _)) if *verb == wanted)
}

/// A rehearsal in two acts: on the rig as it is wired, and with the spare in the place of the
/// main rack. Each begins as everything is sent again, to models that were just switched on.
struct Acts {
    worlds: [World; 2],
    acts: [Vec<(u64, Passage)>; 2],
    /// What went out from the take-over to the second act.
    between: Vec<Passage>,
}

impl Acts {
    fn new(show: Show, passages: &[(u64, Passage)]) -> Self {
        let after = |from: usize, verb: Verb| {
            let found = passages[from..]
                .iter()
                .position(|(_, passage)| is_asked(passage, verb));
            from + found.unwrap_or_else(|| panic!("{verb:?} was never asked for"))
        };
        let first = after(0, Verb::Resend);
        let take_over = after(first, Verb::TakeOver);
        let second = after(take_over, Verb::Force);
        let here = passages[..first].iter().filter_map(|(us, passage)| {
            let is_place = matches!(passage, Passage::Asked(Mark::Place(_)));
            is_place.then(|| (*us, passage.clone()))
        });
        let mut first_act: Vec<_> = here.collect();
        // The key that goes over was struck last; without it nothing sounds as the act ends.
        let is_strike = |(_, passage): &(u64, Passage)| matches!(passage, Passage::Played(_, bytes) if bytes[0] & 0xf0 == 0x90 && bytes[2] > 0);
        let end = passages[..take_over].iter().rposition(is_strike);
        first_act.extend_from_slice(&passages[first..end.unwrap()]);
        // The second act begins in the last night of the first, where that one ended.
        let mut second_act = vec![(
            passages[second].0,
            Passage::Asked(Mark::Place("8.3".into())),
        )];
        second_act.extend_from_slice(&passages[second..]);
        let between = passages[take_over..second]
            .iter()
            .map(|(_, passage)| passage.clone());
        let between = between.collect();
        let mut rewired = show.clone();
        let receivers = &mut rewired.rig.receivers;
        let at = |name: &str| show.rig.receivers.iter().position(|item| item.name == name);
        let (main, spare) = (at("main").unwrap(), at("spare").unwrap());
        (receivers[main].port, receivers[spare].port) =
            (receivers[spare].port, receivers[main].port);
        for night in &mut rewired.nights {
            if night.name == NIGHT {
                *night = nights(night).pop().unwrap();
            }
        }
        let world = |show: &Show| without_time(loaded::world(show, Some(NIGHT)));
        Self {
            worlds: [world(&show), world(&rewired)],
            acts: [first_act, second_act],
            between,
        }
    }
}

fn judge(world: &World, passages: &[(u64, Passage)]) -> Verdict {
    let mut hearing = Hearing::new(world);
    let mut last_us = passages[0].0;
    let mut panicked = false;
    for (us, passage) in passages {
        if std::mem::take(&mut panicked) && us - last_us > 500_000 {
            hearing.pass_time(500_000);
            hearing.expect_silence("after a panic");
        }
        hearing.pass_time((us - last_us).min(GAP_US));
        last_us = *us;
        hearing.take(passage);
        panicked |= is_asked(passage, Verb::Panic);
    }
    hearing.verdict()
}

/// What was recorded as sent is what the ports were given: each channel's messages are there
/// in one piece.
fn assert_sent(show: &Show, passages: &[(u64, Passage)], sent: &Path) {
    for port in &show.rig.ports {
        let path = sent.join(format!("{}.mid", port.name.replace(' ', "-")));
        let Ok(file) = fs::read(path) else {
            continue;
        };
        let mut given: BTreeMap<u8, Vec<Vec<u8>>> = BTreeMap::new();
        for event in replay::read(&file).unwrap().events {
            if let RecordedEvent::Message(message) = event.event {
                let bytes = message.encode().as_slice().to_vec();
                given.entry(bytes[0] & 0x0f).or_default().push(bytes);
            }
        }
        let mut recorded: BTreeMap<u8, Vec<Vec<u8>>> = BTreeMap::new();
        for (_, passage) in passages {
            if let Passage::Heard(at, bytes) = passage
                && show.rig.ports[*at].name == port.name
                && bytes[0] < 0xf0
            {
                recorded
                    .entry(bytes[0] & 0x0f)
                    .or_default()
                    .push(bytes.clone());
            }
        }
        for (channel, messages) in recorded {
            let given = &given[&channel];
            let is_there = given.windows(messages.len()).any(|part| part == messages);
            assert!(is_there, "{} channel {}", port.name, channel + 1);
        }
    }
}

#[test]
fn a_typed_rehearsal_is_heard_as_it_was_played() {
    let home = Home::new();
    let path = rehearse(&home);
    let show = loaded::show(SHOW);
    let passages = read(&show, &path);
    let lights = port(&show, "light line");
    let is_cue = |passage: &Passage| matches!(passage, Passage::Heard(at, _) if *at == lights);
    assert!(
        !passages.iter().any(|(_, passage)| is_cue(passage)),
        "a cue left a rehearsal"
    );
    let acts = Acts::new(show.clone(), &passages);
    let begun = passages
        .iter()
        .position(|(_, passage)| is_asked(passage, Verb::Resend));
    assert_sent(
        &show,
        &passages[begun.unwrap()..],
        &home.0.path().join("sent"),
    );

    // The key that was down went over to the spare.
    let on_spare = |bytes: &[u8]| bytes[0] & 0xf0 == 0x90 && bytes[2] > 0;
    let spare = port(&show, "spare rack");
    assert!(
        acts.between
            .iter()
            .any(|passage| matches!(passage, Passage::Heard(at, bytes) if *at == spare && on_spare(bytes))),
        "{:?}",
        acts.between
    );
    for ((world, act), least) in acts.worlds.iter().zip(&acts.acts).zip([(20, 12), (3, 2)]) {
        let verdict = judge(world, act);
        eprintln!(
            "{} steps, {} notes asked for, {} heard, {} excused, {} findings",
            verdict.steps,
            verdict.asked,
            verdict.heard,
            verdict.excused,
            verdict.findings.len()
        );
        assert!(
            verdict.findings.is_empty(),
            "{}",
            verdict.findings.join("\n")
        );
        assert!(verdict.asked >= least.0 && verdict.steps >= least.1);
        assert!(verdict.heard + verdict.excused >= verdict.asked);
        assert!(verdict.excused * 10 <= verdict.asked);
    }
    // A panic ends whatever an altered message left: what is altered comes before it, up to
    // a jump that is made with no key down.
    let (world, act) = (&acts.worlds[0], &acts.acts[0]);
    let is_jump =
        |passage: &Passage| matches!(passage, Passage::Asked(Mark::Place(call)) if call == "8.1");
    let end = act.iter().position(|(_, passage)| is_jump(passage));
    let act = &act[..end.unwrap()];
    assert_found_out(act, world, false, |passages| {
        judge(world, passages).findings
    });
}
