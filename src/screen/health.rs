//! The rig's health in one line: what is wrong first, `well` only on a sign of life.

use super::ScreenModel;
use super::look::Look;
use crate::engine::view::Presence;
use ratatui::style::Style;

/// Pieces of the line with their styles, the gravest first.
pub(super) fn health(model: &ScreenModel, look: &Look) -> Vec<(String, Style)> {
    // What stops the whole show comes before any part of the rig.
    let mut out: Vec<(String, Style)> = model
        .rig
        .warnings
        .iter()
        .map(|words| (words.clone(), look.warning()))
        .collect();
    absent(model, look, &mut out);
    spares(model, look, &mut out);
    receivers(model, look, &mut out);
    counters(model, look, &mut out);
    for port in model
        .rig
        .out_ports
        .iter()
        .filter(|port| port.busy_permille >= 800)
    {
        let index = model
            .rig
            .out_ports
            .iter()
            .position(|other| std::ptr::eq(other, port));
        let name = index.and_then(|index| model.sheet.out_ports.get(index));
        let name = name.map_or("a port", |line| line.name.as_str());
        out.push((
            format!("{name} {} % busy", port.busy_permille / 10),
            look.warning(),
        ));
    }
    if model.rig.is_realtime == Some(false) {
        out.push(("no real-time priority".to_owned(), look.warning()));
    }
    out
}

fn absent(model: &ScreenModel, look: &Look, out: &mut Vec<(String, Style)>) {
    for (line, is_present) in model.sheet.in_ports.iter().zip(model.view.in_ports) {
        if !is_present {
            out.push((format!("{} absent", line.name), look.bad()));
        }
    }
}

/// The spares that are playing, and which receiver each stands in for.
fn spares(model: &ScreenModel, look: &Look, out: &mut Vec<(String, Style)>) {
    let stands_by = |at: usize| model.view.duties.get(at).is_some_and(|duty| duty.stands_by);
    let lines = &model.sheet.receivers;
    for (at, line) in lines.iter().enumerate() {
        let Some(main) = line.spare_of.filter(|main| stands_by(*main)) else {
            continue;
        };
        if let Some(main) = lines.get(main).filter(|_| !stands_by(at)) {
            let words = format!("{} plays for {}", line.name, main.name);
            out.push((words, look.warning()));
        }
    }
}

fn receivers(model: &ScreenModel, look: &Look, out: &mut Vec<(String, Style)>) {
    let of = |wanted: Presence| {
        let names: Vec<&str> = model
            .sheet
            .receivers
            .iter()
            .zip(model.view.receivers)
            .filter(|(_, presence)| *presence == wanted)
            .map(|(line, _)| line.name.as_str())
            .collect();
        names.join(", ")
    };
    let mut say = |presence, words: &str, style| {
        let names = of(presence);
        if !names.is_empty() {
            out.push((format!("{names} {words}"), style));
        }
    };
    say(Presence::Absent, "absent", look.bad());
    say(Presence::Waiting, "waiting", look.warning());
    say(Presence::Starting, "starting", look.warning());
    say(Presence::NotVerified, "not verified", look.warning());
    say(Presence::Verified, "verified", look.good());
}

fn counters(model: &ScreenModel, look: &Look, out: &mut Vec<(String, Style)>) {
    let counters = &model.view.counters;
    let overflows: u64 = model.rig.in_ports.iter().map(|port| port.overflows).sum();
    let refused: u64 = model.rig.out_ports.iter().map(|port| port.refused).sum();
    let refused = refused
        .saturating_add(counters.notes_refused)
        .saturating_add(counters.out_refused);
    for (count, words, style) in [
        (counters.faults, "faults inside", look.bad()),
        (refused, "refused", look.bad()),
        (overflows, "inputs overflowed", look.bad()),
        (counters.harmed, "notes cut short", look.warning()),
    ] {
        if count > 0 {
            out.push((format!("{count} {words}"), style));
        }
    }
}
