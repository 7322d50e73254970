//! The lab's traces, judged: what was played on emulated USB devices is told to the oracle,
//! and the bytes that arrived at the far sides are heard by model receivers.
//!
//! `SEGUE_TRACE` is a file that `tests/lab/run` left (its head says how it is written). The
//! clock of a virtual machine stands still and makes up for it, so gaps are cut short, and
//! loading and ringing take no time: order is judged here; lateness, and whether a ring was
//! waited for, is judged in virtual time only.

use std::collections::BTreeMap;

use segue::replay::Mark;
use segue::show::model::{PortMatch, Show};

use crate::hearing::{Hearing, Passage, Verdict, assert_found_out, without_time};
use crate::loaded;
use crate::world::World;

/// The longest that the judge's clock goes on between two events.
const GAP_US: u64 = 50_000;

/// Where the lab keeps its shows, inside and in the repository.
const FOLDERS: [(&str, &str); 2] = [
    ("/lab/shows/", "tests/lab/shows/"),
    ("/lab/demo/", "shows/"),
];

struct Trace {
    show: Show,
    night: Option<String>,
    call: Option<String>,
    passages: Vec<(u64, Passage)>,
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
                let port = rig_port(&show, devices[device], port.parse().ok()?);
                let bytes = bytes
                    .split(' ')
                    .map(|byte| u8::from_str_radix(byte, 16).unwrap())
                    .collect();
                let passage = if way == "sent" {
                    Passage::Played(port, bytes)
                } else {
                    Passage::Heard(port, bytes)
                };
                Some((us.parse().ok()?, passage))
            })
            .collect();
        Self {
            night: after("--night"),
            call: after("--at"),
            show,
            passages,
        }
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

impl Trace {
    fn world(&self) -> World {
        without_time(loaded::world(&self.show, self.night.as_deref()))
    }
}

fn judge(trace: &Trace, world: &World, passages: &[(u64, Passage)]) -> Verdict {
    let mut hearing = Hearing::new(world);
    if let Some(call) = &trace.call {
        hearing.take(&Passage::Asked(Mark::Place(call.clone())));
    }
    let mut last_us = passages.first().map_or(0, |(us, _)| *us);
    for (us, passage) in passages {
        hearing.pass_time((us - last_us).min(GAP_US));
        last_us = *us;
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
    let trace = made();
    let verdict = judge(&trace, &trace.world(), &trace.passages);
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

#[test]
#[ignore = "needs a trace of the lab: see tests/run"]
fn trace_with_one_message_altered_is_found_out() {
    let trace = made();
    let world = trace.world();
    assert_found_out(&trace.passages, &world, true, |passages| {
        judge(&trace, &world, passages).findings
    });
}
