//! `segue replay`: a recording through the show without waiting.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use super::paper::say;
use super::{cli, comparing, counted, kinds, load, marks};
use crate::engine::input::Input;
use crate::engine::promptbook::PositionId;
use crate::midi::Message;
use crate::plan::{self, Plan};
use crate::replay::{self, OUT_TRACK, Output, RecordedEvent, Recording};
use crate::show::model::Show;
use crate::store::{self, Guarded};
use crate::words;

/// Largest recording read, and more than the largest take; the readers have the last word.
const RECORDING_LIMIT: u64 = (replay::take::MAX_BYTES + 1) as u64;

/// Runs it, writes one file a port, and says what happened (on `err`, since with `--json`
/// the lines take `out`); whether something of the night is not whole.
///
/// # Errors
/// If the show, the night or the recording cannot be used, or a file not written.
pub(super) fn run(
    args: &cli::Replay,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Result<bool, String> {
    let files = load::folder(&args.show, None)?;
    let loaded = load::show(&files, &load::name_of(&args.show));
    loaded.tell_errors(&args.show, "played", err);
    let show = &loaded.show;
    let night = load::night(show, args.night.as_deref())?;
    let is_not_whole = loaded.tell_not_whole(night, err);
    let plan = plan::compile(show, night).map_err(|error| error.to_string())?;
    if args.against {
        let recording = read_recording(&args.recording)?;
        return comparing::run(show, &plan, &recording, out).map(|()| is_not_whole);
    }
    let (inputs, remarks) = read(&args.recording, show, &plan)?;
    for remark in &remarks {
        let _ = say(err, remark);
    }

    let mut sent: Vec<(u64, usize, Vec<u8>)> = Vec::new();
    let outcome = replay::run(
        &replay::Run {
            book: Arc::new(plan.promptbook.clone()),
            kinds: &kinds(show, &plan),
            start: PositionId(0),
            inputs: &inputs,
        },
        &mut |us, port, bytes| sent.push((us, port.index(), bytes.to_vec())),
    );
    let name = |port: usize| {
        plan.sheet
            .out_ports
            .get(port)
            .map_or("", |port| port.name.as_str())
    };
    if args.json {
        // Printed in the very form that the help shows, blanks and all.
        print_lines(&sent, &name, out).map_err(|error| format!("standard output: {error}"))?;
    }
    let ports = plan.sheet.out_ports.iter().map(|port| port.name.as_str());
    let written = match &args.out {
        Some(folder) => {
            let names = files.bytes.keys().map(String::as_str);
            let guarded = Guarded::default()
                .show(&args.show, names)
                .recording(&args.recording);
            write_files((folder, &guarded), ports, &sent, &name)?
        }
        None => 0,
    };
    let _ = writeln!(
        err,
        "{}, {} out in {}, {} refused, {:.3} s of playing",
        counted(inputs.len(), "input"),
        counted(outcome.sent as usize, "message"),
        counted(written, "file"),
        outcome.refused,
        outcome.end_us as f64 / 1e6
    );
    if outcome.barred > 0 {
        let _ = writeln!(
            err,
            "{} not sent: show control for machinery, process control or pyrotechnics",
            counted(outcome.barred as usize, "message")
        );
    }
    Ok(is_not_whole)
}

fn print_lines<'a>(
    sent: &[(u64, usize, Vec<u8>)],
    name: &dyn Fn(usize) -> &'a str,
    out: &mut dyn Write,
) -> std::io::Result<()> {
    let mut out = BufWriter::new(out);
    for (us, port, bytes) in sent {
        let bytes: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        let (port, bytes) = (serde_json::to_string(name(*port))?, bytes.join(" "));
        let port = words::escaped(&port);
        writeln!(
            out,
            "{{\"us\": {us}, \"port\": {port}, \"bytes\": \"{bytes}\"}}"
        )?;
    }
    out.flush()
}

/// Inputs of the engine by time, and remarks about what was left out.
pub(super) type Played = (Vec<(u64, Input)>, Vec<String>);

/// A recording as the engine's inputs, and remarks about what was left out.
///
/// # Errors
/// If the file cannot be read or is no recording, in words.
pub(super) fn read(path: &Path, show: &Show, plan: &Plan) -> Result<Played, String> {
    let recording = read_recording(path)?;
    let path = path.display();
    let (inputs, remarks) = inputs(show, plan, &recording);
    let remarks = remarks.iter().map(|remark| format!("{path}: {remark}"));
    Ok((inputs, remarks.collect()))
}

/// A recording from its file.
///
/// # Errors
/// If the file cannot be read or is no recording, in words.
fn read_recording(path: &Path) -> Result<Recording, String> {
    let bytes = store::read_file(path, RECORDING_LIMIT).map_err(|error| error.to_string())?;
    let broken = |error: &dyn std::fmt::Display| format!("{}: {error}", path.display());
    if !replay::take::is_take(&bytes) {
        return replay::read(&bytes).map_err(|error| broken(&error));
    }
    let read = replay::take::read(&bytes).map_err(|error| broken(&error))?;
    let file = replay::write_recording(&read.tracks).map_err(|error| broken(&error))?;
    let mut recording = replay::read(&file).map_err(|error| broken(&error))?;
    if let Some(words) = read.remark() {
        let place = replay::Place { track: 1, tick: 0 };
        recording.remarks.push(replay::Remark { place, words });
    }
    Ok(recording)
}

/// One Standard MIDI File for each of `ports`, an empty one for a port that was sent nothing.
/// `sent` has times, ports and messages; how many files there are.
///
/// # Errors
/// If one cannot be made or written, in words.
pub(super) fn write_files<'a>(
    (folder, guarded): (&Path, &Guarded),
    ports: impl Iterator<Item = &'a str>,
    sent: &[(u64, usize, Vec<u8>)],
    name: &dyn Fn(usize) -> &'a str,
) -> Result<usize, String> {
    let outputs: Vec<_> = sent
        .iter()
        .map(|(us, port, bytes)| Output {
            us: *us,
            port: name(*port),
            bytes,
        })
        .collect();
    let mut files: BTreeMap<String, Vec<u8>> =
        replay::write_ports(&outputs).map_err(|error| error.to_string())?;
    for port in ports {
        if !files.contains_key(port) {
            let empty = replay::write_port(port, []).map_err(|error| error.to_string())?;
            files.insert(port.to_owned(), empty);
        }
    }
    let names = file_names(files.keys().map(String::as_str));
    let paths = names.iter().map(|name| folder.join(format!("{name}.mid")));
    let paths: Vec<_> = paths.collect();
    // All or none: of files that belong together some would be of another time.
    for path in &paths {
        guarded.allow(path).map_err(|error| error.to_string())?;
    }
    for (path, bytes) in paths.iter().zip(files.values()) {
        store::save_output(path, bytes, guarded).map_err(|error| error.to_string())?;
    }
    Ok(files.len())
}

/// Names of files for ports, all different (small and capital letters are one letter to
/// some file systems): the second of a name has `-2` after it, the third `-3`.
fn file_names<'a>(ports: impl Iterator<Item = &'a str>) -> Vec<String> {
    let mut taken = BTreeSet::new();
    let mut unused = |name: &String| taken.insert(name.to_lowercase());
    ports
        .map(|port| {
            let name = file_name(port);
            let mut found = name.clone();
            let mut count = 1_u32;
            while !unused(&found) {
                count += 1;
                found = format!("{name}-{count}");
            }
            found
        })
        .collect()
}

/// A port's name as a file's name.
fn file_name(port: &str) -> String {
    let safe = |c: char| {
        if c.is_alphanumeric() || "-_ .".contains(c) {
            c
        } else {
            '_'
        }
    };
    port.chars().map(safe).collect::<String>().replace(' ', "-")
}

/// The recording as the engine's inputs, and remarks about what was left out.
pub(super) fn inputs(show: &Show, plan: &Plan, recording: &Recording) -> Played {
    let mut inputs = replay::ready(&plan.promptbook);
    let mut remarks: Vec<String> = recording.remarks.iter().map(ToString::to_string).collect();
    let mut strangers: BTreeMap<&str, usize> = BTreeMap::new();
    for event in &recording.events {
        match &event.event {
            RecordedEvent::Mark(mark) => match marks::command(mark, show, plan) {
                Ok(command) => inputs.push((event.us, Input::Command(command))),
                Err(error) => remarks.push(error),
            },
            // What was sent then is no input.
            _ if event.track.starts_with(OUT_TRACK) => {}
            RecordedEvent::Message(message) => match played(plan, &event.track, *message) {
                Some(input) => inputs.push((event.us, input)),
                None => *strangers.entry(&event.track).or_default() += 1,
            },
            RecordedEvent::SysEx(_) => {}
        }
    }
    for (track, count) in strangers {
        remarks.push(format!(
            "track \"{track}\": {count} events left out, no controller has this name"
        ));
    }
    (inputs, remarks)
}

/// A message of a track as the controller of that name would send it: on its own channel,
/// or, from a surface, on that of its finger.
fn played(plan: &Plan, track: &str, message: Message) -> Option<Input> {
    let at = plan
        .sheet
        .controllers
        .iter()
        .position(|controller| controller.name == track)?;
    let entry = plan.promptbook.controllers.get(at)?;
    let message = entry
        .channel
        .filter(|_| entry.mpe.is_none())
        .map_or(message, |channel| message.on_channel(channel));
    Some(Input::Midi(entry.port, message))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_two_ports_share_a_file() {
        let ports = ["A B", "a b", "a-b", "a-b-2", "rack"];
        let names = file_names(ports.into_iter());
        assert_eq!(names, ["A-B", "a-b-2", "a-b-3", "a-b-2-2", "rack"]);
    }

    #[test]
    fn a_line_has_the_form_that_the_help_shows() {
        let mut out = Vec::new();
        let sent = [(1_250_000, 0, vec![0x90, 60, 100]), (7, 1, vec![0xf8])];
        let name = |port: usize| if port == 0 { "rack" } else { "a \"b\"" };
        print_lines(&sent, &name, &mut out).unwrap();
        let expected = concat!(
            r#"{"us": 1250000, "port": "rack", "bytes": "90 3c 64"}"#,
            "\n",
            r#"{"us": 7, "port": "a \"b\"", "bytes": "f8"}"#,
            "\n",
        );
        assert_eq!(String::from_utf8(out).unwrap(), expected);
    }
}
