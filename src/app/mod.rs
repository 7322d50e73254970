//! The one room that knows all the others: the command line, and a show being played.

mod along;
mod checking;
mod cli;
mod comparing;
mod curves;
mod drawing;
mod driver;
mod editions;
mod errands;
mod journal;
mod learning;
mod lining;
mod load;
mod log;
mod making;
mod manual_cmd;
mod marks;
mod model;
mod notice;
mod paper;
mod performance;
mod picture;
mod place;
mod playing;
mod port_list;
mod pricing;
mod recorder;
mod replanning;
mod replaying;
mod screens;
mod scribe;
mod standing;
mod status;
mod takes;
mod tonight;
mod wishes;

use std::ffi::OsString;
use std::io;
use std::process::ExitCode;

use clap::Parser;

use paper::say;

use crate::plan::Plan;
use crate::ports::{Medium, PortRule, PortWanted};
use crate::show::model::{PortKind, PortMatch, Rig, Show};
use crate::wire;
use crate::words;

/// Runs the program. Its exit status: 0 when it did what was asked, 1 when `check` found
/// errors, or `plan` or `replay` was asked for a night that is not whole, 2 when it was called wrongly or what was asked could not be done.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let arguments: Vec<OsString> = arguments.into_iter().collect();
    let cli = match cli::Cli::try_parse_from(&arguments) {
        Ok(cli) => cli,
        Err(error) => {
            // `--help` and `--version` come this way too, with status 0. An error repeats what
            // was typed, which a shell may have read from anywhere: it is made of clean words.
            let clean = |word: &OsString| words::clean(&word.to_string_lossy()).into_owned();
            let error = match cli::Cli::try_parse_from(arguments.iter().map(clean)) {
                Err(of_clean) if error.use_stderr() => of_clean,
                _ => error,
            };
            let _ = error.print();
            return ExitCode::from(error.exit_code() as u8);
        }
    };
    let mut out = paper::Paper::new(io::stdout().lock());
    let mut err = paper::Paper::new(io::stderr());
    let result = match &cli.command {
        Some(cli::Command::Check(args)) => checking::run(args, &mut out),
        Some(cli::Command::Plan(args)) => pricing::run(args, &mut out, &mut err),
        Some(cli::Command::Curves(args)) => curves::run(args, &mut out, &mut err).map(|()| false),
        Some(cli::Command::Ports(args)) => port_list::run(args, &mut out, &mut err).map(|()| false),
        Some(cli::Command::Replay(args)) => replaying::run(args, &mut out, &mut err),
        Some(cli::Command::LineCheck(args)) if args.panel => {
            lining::print_panels(args, &mut out, &mut err).map(|()| false)
        }
        Some(cli::Command::LineCheck(args)) => {
            drop(out);
            playing::line_check(args, &mut err)
        }
        Some(cli::Command::Keys(args)) => manual_cmd::run(args, &mut out, &mut err).map(|()| false),
        Some(cli::Command::New(args)) => making::run(args, &mut out).map(|()| false),
        Some(cli::Command::Picture(args)) => picture::run(args, &mut out, &mut err).map(|()| false),
        Some(cli::Command::Play(args)) => {
            drop(out);
            playing::play(args, &mut err)
        }
        None => {
            drop(out);
            playing::demo(cli.looks, &mut err).map(|()| false)
        }
    };
    match result {
        Ok(false) => ExitCode::SUCCESS,
        Ok(true) => ExitCode::from(1),
        Err(words) => {
            let _ = say(&mut err, &format!("segue: {words}"));
            ExitCode::from(2)
        }
    }
}

/// How many of something, in words: `1 song`, `2 songs`.
fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

/// The kind of each output port of the promptbook, as `wire` knows it.
fn kinds(show: &Show, plan: &Plan) -> Vec<wire::PortKind> {
    let kind = |at: &usize| {
        show.rig
            .ports
            .get(*at)
            .map_or(PortKind::Usb, |port| port.kind)
    };
    plan.ports
        .outputs
        .iter()
        .map(|at| match kind(at) {
            // Nothing is sent to keys: `key-port-misused` says so.
            PortKind::Usb | PortKind::Keys => wire::PortKind::Usb,
            PortKind::Din => wire::PortKind::Din,
            PortKind::UsbToDin => wire::PortKind::UsbToDin,
            PortKind::Software => wire::PortKind::Software,
        })
        .collect()
}

/// The rig's ports, as `ports` looks for them.
fn wanted(rig: &Rig) -> Vec<PortWanted> {
    rig.ports
        .iter()
        .map(|port| PortWanted {
            name: port.name.clone(),
            rule: match &port.matches {
                PortMatch::Name(name) => PortRule::Name(name.clone()),
                PortMatch::Usb {
                    vendor,
                    product,
                    serial,
                    location,
                    port,
                } => PortRule::Usb {
                    vendor: *vendor,
                    product: *product,
                    serial: serial.clone(),
                    location: location.clone(),
                    port: *port,
                },
            },
            medium: match port.kind {
                PortKind::Keys => Medium::Keys,
                _ => Medium::Midi,
            },
        })
        .collect()
}
