//! `segue replay --against`: what the show as it is now makes of a recording, and how that
//! differs from what was sounded then.

use std::io::Write;
use std::sync::Arc;

use super::paper::say;
use super::{counted, kinds, replaying};
use crate::engine::input::{Command, Input};
use crate::engine::promptbook::PositionId;
use crate::midi::{Decoded, Decoder, Message};
use crate::plan::Plan;
use crate::replay::against::{Change, Ear, Heard, Note, compare};
use crate::replay::{self, OUT_TRACK, RecordedEvent, Recording};
use crate::sheet::Sheet;
use crate::show::model::Show;

/// Runs it and lists the differences.
///
/// # Errors
/// If the recording does not hold what was sent, or standard output cannot be written.
pub(super) fn run(
    show: &Show,
    plan: &Plan,
    recording: &Recording,
    out: &mut dyn Write,
) -> Result<(), String> {
    let sheet = &plan.sheet;
    let (then, strangers) = heard_then(sheet, recording);
    if then.is_empty() && strangers.is_empty() {
        return Err(
            "the recording does not hold what was sent then; record with `*` or `record`".into(),
        );
    }
    let (inputs, remarks) = replaying::inputs(show, plan, recording);
    let (start, inputs) = begin(inputs);
    let mut ear = Ear::default();
    let mut steps = vec![(0, start)];
    replay::run_watched(
        &replay::Run {
            book: Arc::new(plan.promptbook.clone()),
            kinds: &kinds(show, plan),
            start,
            inputs: &inputs,
        },
        &mut |us, port, bytes| {
            if let Some(message) = decode(bytes) {
                ear.hear(us, port.index(), message);
            }
        },
        &mut |us, position| steps.push((us, position)),
    );
    let now = ear.into_notes();
    let times: Vec<u64> = steps.iter().skip(1).map(|(us, _)| *us).collect();
    let stretches = compare(&then, &now, &times);
    let mut lines: Vec<String> = remarks;
    lines.extend(strangers);
    let mut count = 0;
    for stretch in &stretches {
        let position = steps.get(stretch.step).map_or(start, |(_, at)| *at);
        for (change, notes) in &stretch.changes {
            count += 1;
            let (place, what) = (place(sheet, position), words(sheet, change));
            lines.push(format!("{place}: {}: {what}", counted(*notes, "note")));
        }
    }
    lines.push(format!(
        "{} then, {} now, {}",
        counted(then.len(), "note"),
        now.len(),
        counted(count, "difference"),
    ));
    lines
        .iter()
        .try_for_each(|line| say(out, line))
        .map_err(|error| format!("standard output: {error}"))
}

/// A jump at the very start is where the recording began: the run starts there.
fn begin(mut inputs: Vec<(u64, Input)>) -> (PositionId, Vec<(u64, Input)>) {
    let first = inputs
        .iter()
        .position(|(us, input)| *us == 0 && matches!(input, Input::Command(Command::Jump(_))));
    if let Some(at) = first
        && let (_, Input::Command(Command::Jump(start))) = inputs.remove(at)
    {
        return (start, inputs);
    }
    (PositionId(0), inputs)
}

/// The notes that were sounded then; and ports of then that the show no longer has, in words.
fn heard_then(sheet: &Sheet, recording: &Recording) -> (Vec<Note>, Vec<String>) {
    let mut ear = Ear::default();
    let mut strangers = Vec::new();
    for event in &recording.events {
        let (Some(name), RecordedEvent::Message(message)) =
            (event.track.strip_prefix(OUT_TRACK), &event.event)
        else {
            continue;
        };
        let Some(port) = sheet.out_ports.iter().position(|line| line.name == name) else {
            let words = format!("port \"{name}\" is no longer in the rig");
            if !strangers.contains(&words) {
                strangers.push(words);
            }
            continue;
        };
        ear.hear(event.us, port, *message);
    }
    (ear.into_notes(), strangers)
}

fn decode(bytes: &[u8]) -> Option<Message> {
    let mut decoder = Decoder::new();
    bytes.iter().find_map(|byte| match decoder.push(*byte)? {
        Decoded::Message(message) => Some(message),
        Decoded::SysEx(_) => None,
    })
}

fn place(sheet: &Sheet, at: PositionId) -> String {
    let Some(line) = sheet.positions.get(at.index()) else {
        return "?".into();
    };
    let scene = sheet.scenes.get(line.scene).map_or("", |scene| &scene.name);
    format!("{} {scene}", line.call)
}

fn words(sheet: &Sheet, change: &Change) -> String {
    let note = |heard: &Heard| {
        let port = sheet
            .out_ports
            .get(heard.port)
            .map_or("?", |line| &line.name);
        format!("{} on {port}", sheet.key_name(heard.key))
    };
    match change {
        Change::Silent(heard) => {
            format!(
                "{} with {} is not sounded any more",
                note(heard),
                sound(sheet, heard)
            )
        }
        Change::New(heard) => {
            format!(
                "{} with {} is sounded and was not",
                note(heard),
                sound(sheet, heard)
            )
        }
        Change::Shorter(heard) => {
            format!("{} with {} ends sooner", note(heard), sound(sheet, heard))
        }
        Change::Longer(heard) => {
            let sound = sound(sheet, heard);
            format!("{} with {sound} ends later, or not at all", note(heard))
        }
        Change::Other(then, now) => {
            let mut parts = Vec::new();
            let mut part = |what: &str, then: String, now: String| {
                if then != now && then != NOT_SET {
                    parts.push(format!("{what} {then}, now {now}"));
                }
            };
            part("key", sheet.key_name(then.key), sheet.key_name(now.key));
            part(
                "velocity",
                then.velocity.to_string(),
                now.velocity.to_string(),
            );
            part("patch", patch(sheet, then), patch(sheet, now));
            part("level", value(then.sound.volume), value(now.sound.volume));
            part("pan", value(then.sound.pan), value(now.sound.pan));
            format!("{}: {}", note(then), parts.join("; "))
        }
    }
}

fn sound(sheet: &Sheet, heard: &Heard) -> String {
    format!(
        "{} at level {}",
        patch(sheet, heard),
        value(heard.sound.volume)
    )
}

/// A value that nobody had set since the recording began.
const NOT_SET: &str = "not set";

fn value(value: Option<u8>) -> String {
    value.map_or_else(|| NOT_SET.into(), |value| value.to_string())
}

/// The patch by its name, if a receiver of the port has it in its list.
fn patch(sheet: &Sheet, heard: &Heard) -> String {
    let Some(program) = heard.sound.program else {
        return "no patch".into();
    };
    let (msb, lsb) = heard.sound.bank;
    let fits =
        |stated: Option<u8>, held: Option<u8>| stated.is_none_or(|value| held == Some(value));
    let named = sheet
        .receivers
        .iter()
        .filter(|line| line.port == heard.port)
        .flat_map(|line| &line.patches)
        .find(|patch| {
            patch.program == program && fits(patch.bank_msb, msb) && fits(patch.bank_lsb, lsb)
        });
    named.map_or_else(
        || format!("program {}", u16::from(program) + 1),
        |patch| format!("\"{}\"", patch.name),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::{PositionLine, SceneLine};

    #[test]
    fn a_run_begins_where_the_recording_did() {
        let jump = |us, to| (us, Input::Command(Command::Jump(PositionId(to))));
        let step = |us| (us, Input::Command(Command::Step));
        assert_eq!(
            begin(vec![jump(0, 7), step(5), jump(9, 2)]),
            (PositionId(7), vec![step(5), jump(9, 2)])
        );
        // A jump that came later is one.
        assert_eq!(
            begin(vec![step(5), jump(9, 2)]),
            (PositionId(0), vec![step(5), jump(9, 2)])
        );
    }

    #[test]
    fn a_place_is_named_by_the_scene_that_it_is_played_in() {
        let names = ["verse", "chorus"];
        let sheet = Sheet {
            scenes: names
                .map(|name| SceneLine {
                    name: name.into(),
                    ..SceneLine::default()
                })
                .into(),
            positions: [1, 0, 1]
                .map(|scene| PositionLine {
                    call: format!("4.{scene}"),
                    scene,
                    song: 0,
                })
                .into(),
            ..Sheet::default()
        };
        assert_eq!(place(&sheet, PositionId(0)), "4.1 chorus");
        assert_eq!(place(&sheet, PositionId(1)), "4.0 verse");
        assert_eq!(place(&sheet, PositionId(9)), "?");
    }
}
