//! `segue plan`: what each step of a night costs, as a table with a bar per step, or JSON.

use std::io::{self, Write};

use serde::Serialize;

use super::paper::{print_json, say};
use super::{cli, kinds, load};
use crate::plan::price::{Cost, PortPrice, Price, Spread, StepPrice, price};
use crate::plan::{self, Plan};
use crate::sheet::Sheet;
use crate::wire::PortKind;
use crate::words::clean;

/// Everything, as it is printed with `--json`.
#[derive(Serialize)]
struct Report<'a> {
    steps: Vec<Step<'a>>,
    totals: Totals<'a>,
}

#[derive(Serialize)]
struct Step<'a> {
    call: &'a str,
    song: &'a str,
    scene: &'a str,
    unbroken: bool,
    why: Option<String>,
    /// How long after the press the scene can be played in full.
    ready_us: u64,
    /// How long before its patch has loaded a note of the press may sound.
    early_us: u64,
    ports: Vec<Port<'a>>,
}

#[derive(Serialize)]
struct Port<'a> {
    port: &'a str,
    press_bytes: u64,
    press_us: u64,
    primed_bytes: u64,
    full_bytes: u64,
}

/// Over all steps: bytes are those of all ports together, microseconds those of the
/// slowest port of each step.
#[derive(Serialize)]
struct Totals<'a> {
    dwell_s: f64,
    steps: usize,
    unbroken: usize,
    ready_us: Numbers,
    #[serde(flatten)]
    spreads: Spreads,
    ports: Vec<PortTotals<'a>>,
}

#[derive(Serialize)]
struct PortTotals<'a> {
    port: &'a str,
    kind: &'a str,
    most_slots: usize,
    #[serde(flatten)]
    spreads: Spreads,
}

#[derive(Serialize)]
struct Spreads {
    press_bytes: Numbers,
    press_us: Numbers,
    primed_bytes: Numbers,
    unprimed_bytes: Numbers,
    unprimed_us: Numbers,
    full_bytes: Numbers,
    full_us: Numbers,
}

#[derive(Clone, Copy, Serialize)]
struct Numbers {
    median: u64,
    p95: u64,
    worst: u64,
}

impl Numbers {
    fn of(values: impl IntoIterator<Item = u64>) -> Self {
        let spread = Spread::of(values);
        Self {
            median: spread.median,
            p95: spread.p95,
            worst: spread.worst,
        }
    }
}

/// Measures the night and prints it; whether something of it is not whole.
///
/// # Errors
/// If the show or the night cannot be used, or the output not written, in words.
pub(super) fn run(
    args: &cli::Plan,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Result<bool, String> {
    let files = load::folder(&args.show, None)?;
    let loaded = load::show(&files, &load::name_of(&args.show));
    loaded.tell_errors(&args.show, "planned", err);
    let night = load::night(&loaded.show, args.night.as_deref())?;
    let is_not_whole = loaded.tell_not_whole(night, err);
    let plan = plan::compile(&loaded.show, night).map_err(|error| error.to_string())?;
    let kinds = kinds(&loaded.show, &plan);
    let price = price(&plan, &kinds, u64::from(args.dwell) * 1_000_000);
    let report = report(&plan, &price, &kinds);
    let printed = if args.json {
        print_json(&report, out)
    } else {
        print(&plan.sheet, &price, &report, out)
    };
    printed.map_err(|error| format!("standard output: {error}"))?;
    Ok(is_not_whole)
}

fn report<'a>(plan: &'a Plan, price: &'a Price, kinds: &[PortKind]) -> Report<'a> {
    let sheet = &plan.sheet;
    let ports = kinds.iter().enumerate().map(|(at, kind)| {
        let of_port = |step: &StepPrice| step.ports.get(at).copied().unwrap_or_default();
        PortTotals {
            port: port_name(sheet, at),
            kind: match kind {
                PortKind::Usb => "USB",
                PortKind::Din => "DIN",
                PortKind::UsbToDin => "USB to DIN",
                PortKind::Software => "software",
            },
            most_slots: price
                .steps
                .iter()
                .map(|step| of_port(step).slots)
                .max()
                .unwrap_or(0),
            spreads: spreads(price, |step, cost| cost(&of_port(step))),
        }
    });
    Report {
        steps: price
            .steps
            .iter()
            .map(|step| step_line(sheet, step))
            .collect(),
        totals: Totals {
            dwell_s: price.dwell_us as f64 / 1e6,
            steps: price.steps.len(),
            unbroken: price.steps.iter().filter(|step| step.is_unbroken()).count(),
            ready_us: Numbers::of(price.steps.iter().map(|step| step.ready_us)),
            spreads: spreads(price, |step, cost| step.over_ports(cost)),
            ports: ports.collect(),
        },
    }
}

fn step_line<'a>(sheet: &'a Sheet, step: &'a StepPrice) -> Step<'a> {
    let (call, song, scene) = names(sheet, step.position);
    Step {
        call,
        song,
        scene,
        unbroken: step.is_unbroken(),
        why: (!step.is_unbroken()).then(|| step.why.join("; ")),
        ready_us: step.ready_us,
        early_us: step.early_us,
        ports: step
            .ports
            .iter()
            .enumerate()
            .map(|(at, port)| Port {
                port: port_name(sheet, at),
                press_bytes: port.press.bytes,
                press_us: port.press.us,
                primed_bytes: port.primed.bytes,
                full_bytes: port.full.bytes,
            })
            .collect(),
    }
}

/// Call number, song and scene of a position.
fn names(sheet: &Sheet, position: usize) -> (&str, &str, &str) {
    let Some(line) = sheet.positions.get(position) else {
        return ("", "", "");
    };
    let song = sheet
        .songs
        .get(line.song)
        .map_or("", |song| song.title.as_str());
    let scene = sheet
        .scenes
        .get(line.scene)
        .map_or("", |scene| scene.name.as_str());
    (&line.call, song, scene)
}

fn port_name(sheet: &Sheet, port: usize) -> &str {
    sheet
        .out_ports
        .get(port)
        .map_or("", |port| port.name.as_str())
}

/// The spreads of all costs, each read from a step by `read`.
fn spreads(price: &Price, read: impl Fn(&StepPrice, fn(&PortPrice) -> Cost) -> Cost) -> Spreads {
    let spread = |cost: fn(&PortPrice) -> Cost, part: fn(Cost) -> u64| {
        Numbers::of(price.steps.iter().map(|step| part(read(step, cost))))
    };
    Spreads {
        press_bytes: spread(|port| port.press, |cost| cost.bytes),
        press_us: spread(|port| port.press, |cost| cost.us),
        primed_bytes: spread(|port| port.primed, |cost| cost.bytes),
        unprimed_bytes: spread(|port| port.unprimed, |cost| cost.bytes),
        unprimed_us: spread(|port| port.unprimed, |cost| cost.us),
        full_bytes: spread(|port| port.full, |cost| cost.bytes),
        full_us: spread(|port| port.full, |cost| cost.us),
    }
}

/// Cells of the bar of a step.
const BAR: u64 = 24;

fn print(sheet: &Sheet, price: &Price, report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
    say(out, &format!("{}: {}", sheet.show, sheet.night))?;
    writeln!(
        out,
        "Each position is taken to be played for {} s. Bytes of all ports; time of the slowest.\n\
         line: how long the bytes of the press take. ready: how long after it the scene can be played in full.\n",
        report.totals.dwell_s
    )?;
    let wide =
        |cells: &dyn Fn(&Step<'_>) -> usize| report.steps.iter().map(cells).max().unwrap_or(0);
    let call_width = wide(&|step| clean(step.call).chars().count()).max(4);
    let place_width = wide(&|step| place(step).chars().count()).clamp(5, 36);
    writeln!(
        out,
        "{:call_width$}  {:place_width$}  {:>5} {:>8} {:>8}  {:>6}  {:>8}  {:>6}  {:>5}",
        "call", "scene", "press", "line, ms", "ready", "primed", "unprimed", "full", "slots"
    )?;
    let longest = price
        .steps
        .iter()
        .map(|step| step.over_ports(|port| port.full).bytes)
        .max()
        .unwrap_or(0);
    for (line, step) in report.steps.iter().zip(&price.steps) {
        let press = step.over_ports(|port| port.press);
        let primed = step.over_ports(|port| port.primed).bytes;
        let unprimed = step.over_ports(|port| port.unprimed).bytes;
        let full = step.over_ports(|port| port.full).bytes;
        let slots: usize = step.ports.iter().map(|port| port.slots).sum();
        let place: String = place(line).chars().take(place_width).collect();
        writeln!(
            out,
            "{:call_width$}  {place:place_width$}  {:>5} {:>8.2} {:>8.2}  {primed:>6}  {unprimed:>8}  {full:>6}  {slots:>5}  {}{}",
            clean(line.call),
            press.bytes,
            press.us as f64 / 1e3,
            step.ready_us as f64 / 1e3,
            bar(press.bytes, primed, full, longest),
            if step.is_unbroken() { "" } else { " broken" },
        )?;
        for why in &step.why {
            say(out, &format!("{:call_width$}  ! {why}", ""))?;
        }
        if step.early_us > 0 {
            let ms = step.early_us as f64 / 1e3;
            writeln!(
                out,
                "{:call_width$}  ~ a note played with the press may sound {ms:.2} ms before its patch has loaded",
                ""
            )?;
        }
    }
    print_totals(report, out)
}

fn place(step: &Step<'_>) -> String {
    clean(&format!("{} / {}", step.song, step.scene)).into_owned()
}

/// What is sent at the press (full), before it (half) and spared (dots), beside the
/// longest full send of the night.
fn bar(press: u64, primed: u64, full: u64, longest: u64) -> String {
    let cells = |bytes: u64| (bytes * BAR).div_ceil(longest.max(1)).min(BAR);
    let (press, primed, full) = (cells(press), cells(press + primed), cells(full));
    (0..BAR)
        .map(|cell| match cell {
            _ if cell < press => '█',
            _ if cell < primed => '▒',
            _ if cell < full => '·',
            _ => ' ',
        })
        .collect()
}

fn print_totals(report: &Report<'_>, out: &mut dyn Write) -> io::Result<()> {
    let totals = &report.totals;
    writeln!(
        out,
        "\n█ sent at the press  ▒ primed before it  · spared, of a full send\n\n{} steps, {} unbroken\n",
        totals.steps, totals.unbroken
    )?;
    let names = totals.ports.iter();
    let names = names.map(|port| clean(port.port).chars().count());
    let width = names.max().unwrap_or(0).max("all ports".len());
    writeln!(
        out,
        "{:width$}  {:10}  {:>5}  {:>22}  {:>25}  {:>22}  {:>22}  {:>22}",
        "median / p95 / worst",
        "",
        "slots",
        "press, bytes",
        "press, ms",
        "primed, bytes",
        "unprimed, bytes",
        "full, bytes"
    )?;
    for port in &totals.ports {
        let slots = port.most_slots.to_string();
        print_spreads((port.port, port.kind, &slots), &port.spreads, width, out)?;
    }
    print_spreads(("all ports", "", ""), &totals.spreads, width, out)
}

fn print_spreads(
    (name, kind, slots): (&str, &str, &str),
    spreads: &Spreads,
    width: usize,
    out: &mut dyn Write,
) -> io::Result<()> {
    let bytes = |n: Numbers| format!("{} / {} / {}", n.median, n.p95, n.worst);
    let ms = |n: Numbers| {
        let [median, p95, worst] = [n.median, n.p95, n.worst].map(|us| us as f64 / 1e3);
        format!("{median:.2} / {p95:.2} / {worst:.2}")
    };
    let name = clean(name);
    writeln!(
        out,
        "{name:width$}  {kind:10}  {slots:>5}  {:>22}  {:>25}  {:>22}  {:>22}  {:>22}",
        bytes(spreads.press_bytes),
        ms(spreads.press_us),
        bytes(spreads.primed_bytes),
        bytes(spreads.unprimed_bytes),
        bytes(spreads.full_bytes),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of 100 bytes at most, in 24 cells: 10 at the press are 2.4 cells, 30 primed more end
    /// at 9.6, 50 in full at 12; a cell begun is shown.
    #[test]
    fn a_bar_shows_what_is_sent_primed_and_spared() {
        let bar = bar(10, 30, 50, 100);
        let count = |wanted| bar.chars().filter(|cell| *cell == wanted).count();
        assert_eq!(
            [count('█'), count('▒'), count('·'), count(' ')],
            [3, 7, 2, 12]
        );
        assert_eq!(super::bar(0, 0, 0, 0).trim(), "");
    }
}
