//! `segue ports`: what is plugged in, its identity, and the rig item it serves.

use std::io::Write;
use std::path::Path;

use super::cli::{self, Midi};
use super::{load, wanted};
use crate::ports::{self, Backend, Endpoint, Found, Medium, OpenError};
use crate::show::model::Rig;
use crate::store;
use crate::words::clean;

/// The backend that an option names.
pub(super) const fn backend(midi: Midi) -> Backend {
    match midi {
        Midi::System => Backend::Native,
        Midi::Portable => Backend::Portable,
    }
}

/// What speaks MIDI and is plugged in. The sound library prints on the error output what it cannot do, and
/// gives the error too: only ours is to be seen.
///
/// # Errors
/// If there is no MIDI here.
pub(super) fn probe(backend: Backend) -> Result<Vec<Endpoint>, OpenError> {
    let _silenced = store::redirect_stderr(Path::new("/dev/null"));
    ports::list(backend)
}

/// Prints the list, and with a show how its rig is served.
///
/// # Errors
/// If there is no MIDI here or the show cannot be read, in words.
pub(super) fn run(
    args: &cli::Ports,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Result<(), String> {
    let rig = match &args.show {
        Some(path) => {
            let loaded = load::show(&load::folder(path, None)?, &load::name_of(path));
            loaded.tell_errors(path, "looked for", err);
            Some(loaded.show.rig)
        }
        None => None,
    };
    // What has keys is told even where there is no MIDI.
    let (mut present, failure) = match probe(backend(args.midi)) {
        Ok(present) => (present, None),
        Err(error) => (Vec::new(), Some(error.to_string())),
    };
    present.extend(ports::list_keys());
    if failure.is_none() || !present.is_empty() {
        let text = text(&present, rig.as_ref());
        out.write_all(text.as_bytes())
            .map_err(|error| format!("standard output: {error}"))?;
    }
    failure.map_or(Ok(()), Err)
}

fn text(present: &[Endpoint], rig: Option<&Rig>) -> String {
    let wanted = rig.map(wanted).unwrap_or_default();
    let assigned = ports::match_ports(&wanted, present);
    let mut lines = Vec::new();
    for (at, endpoint) in present.iter().enumerate() {
        lines.push(format!("{}  {}", endpoint.address, endpoint.client));
        lines.extend(words(endpoint));
        for (port, assignment) in wanted.iter().zip(&assigned) {
            let serves = |found: &Found| *found == Found::One(at);
            let way = match (serves(&assignment.input), serves(&assignment.output)) {
                (true, true) => "in and out",
                (true, false) => "in",
                (false, true) => "out",
                (false, false) => continue,
            };
            lines.push(format!("    serves     {} ({way})", port.name));
        }
    }
    if present.is_empty() {
        lines.push("nothing is plugged in".into());
    }
    for (port, assignment) in wanted.iter().zip(&assigned) {
        for (way, found) in [("in", &assignment.input), ("out", &assignment.output)] {
            if let Found::Ambiguous(several) = found {
                let names: Vec<_> = several
                    .iter()
                    .filter_map(|at| present.get(*at))
                    .map(|e| e.address.to_string())
                    .collect();
                lines.push(format!(
                    "{}: several fit ({way}): {}; state a serial number or a location in rig.ron",
                    port.name,
                    names.join(", ")
                ));
            }
        }
        if assignment.input == Found::Absent && assignment.output == Found::Absent {
            lines.push(format!("{}: not plugged in", port.name));
        }
    }
    lines
        .iter()
        .map(|line| format!("{}\n", clean(line)))
        .collect()
}

/// What a rig may name it by.
fn words(endpoint: &Endpoint) -> Vec<String> {
    let usb = endpoint.usb.as_ref();
    match endpoint.medium() {
        Medium::Midi => {
            let port = format!(
                "    port       {} ({})",
                endpoint.port,
                directions(endpoint)
            );
            let identity =
                usb.map(|usb| format!("    identity   {usb}, port {}", endpoint.device_port));
            [port].into_iter().chain(identity).collect()
        }
        Medium::Keys => {
            let keys = "    keys       a pedal can be one: `kind: Keys`".to_owned();
            let identity = usb.map(|usb| format!("    identity   {usb}"));
            let obstacle = ports::obstacle(endpoint).map(|error| format!("    but        {error}"));
            [keys].into_iter().chain(identity).chain(obstacle).collect()
        }
    }
}

fn directions(endpoint: &Endpoint) -> &'static str {
    match (endpoint.has_input, endpoint.has_output) {
        (true, true) => "in and out",
        (true, false) => "in",
        (false, true) => "out",
        (false, false) => "closed",
    }
}
