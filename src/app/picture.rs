//! `segue picture`: a screen as a picture, drawn from a show that is played on the way there.
//!
//! The show runs through engine and wire in virtual time, as a recording would, so that the
//! picture shows what a player would see and is the same on every machine.

use std::io::Write;
use std::sync::Arc;

use super::paper::say;
use super::{cli, kinds, load, place};
use crate::engine::input::{Command, Input};
use crate::engine::promptbook::{ControllerId, PositionId};
use crate::midi::pitch::MiddleC;
use crate::midi::{Key, Value7};
use crate::plan::{self, Plan};
use crate::replay::{self, Outcome};
use crate::screen::{
    self, InPortStatus, LogLine, OutPortStatus, RigStatus, ScreenModel, UiState, planned_s,
};
use crate::show::model::Show;
use crate::store::{self, Guarded};
use crate::ui;

/// Time between two things that happen on the way, in microseconds: what can be loaded
/// ahead is.
const APART_US: u64 = 2_000_000;

/// How hard keys are struck.
const VELOCITY: i32 = 90;

/// Draws the screen and writes it.
///
/// # Errors
/// If the show or the night cannot be used, if what is asked for is not in it, or if the
/// file cannot be written; in words.
pub(super) fn run(
    args: &cli::Picture,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Result<(), String> {
    let files = load::folder(&args.show, None)?;
    let loaded = load::show(&files, &load::name_of(&args.show));
    loaded.tell_errors(&args.show, "drawn", err);
    let show = &loaded.show;
    let night = load::night(show, args.night.as_deref())?;
    let plan = plan::compile(show, night).map_err(|error| error.to_string())?;
    let at = match &args.at {
        Some(at) => place::find(show, &plan, at)?,
        None => 0,
    };
    let played = play(args, show, &plan, at)?;
    let svg = draw(args, &plan, &played, at);
    let guarded = Guarded::default().show(&args.show, files.bytes.keys().map(String::as_str));
    store::save_output(&args.out, svg.as_bytes(), &guarded).map_err(|error| error.to_string())?;
    let (wide, high) = args.size;
    let file = args.out.display();
    let screen = args.screen.name();
    say(out, &format!("{file}: {screen} at {wide}x{high}"))
        .map_err(|error| format!("standard output: {error}"))
}

/// What was played, and how many bytes each output port was sent.
struct Played {
    outcome: Outcome,
    bytes_sent: Vec<u64>,
}

/// Plays to position `at`: from the one before if keys are held over from there, else from
/// a start at the position itself.
fn play(args: &cli::Picture, show: &Show, plan: &Plan, at: usize) -> Result<Played, String> {
    let held = keys(&args.held, plan)?;
    let down = keys(&args.down, plan)?;
    let start = if held.is_empty() {
        at
    } else {
        at.checked_sub(1)
            .ok_or("nothing comes before the first position: no keys can be held over from it")?
    };
    let mut inputs = replay::ready(&plan.promptbook);
    let mut now_us = 0;
    let mut then = |input| {
        now_us += APART_US;
        inputs.push((now_us, input));
    };
    held.into_iter().for_each(&mut then);
    if start != at {
        then(Input::Command(Command::Step));
    }
    down.into_iter().for_each(&mut then);
    then(Input::Tick);
    let mut bytes_sent = vec![0; plan.promptbook.out_ports.len()];
    let outcome = replay::run(
        &replay::Run {
            book: Arc::new(plan.promptbook.clone()),
            kinds: &kinds(show, plan),
            start: PositionId(u32::try_from(start).unwrap_or(u32::MAX)),
            inputs: &inputs,
        },
        &mut |_, port, bytes| {
            if let Some(sum) = bytes_sent.get_mut(port.index()) {
                *sum += bytes.len() as u64;
            }
        },
    );
    Ok(Played {
        outcome,
        bytes_sent,
    })
}

/// Keys such as `keys:C#4,F#4` as notes struck on their controllers.
fn keys(texts: &[String], plan: &Plan) -> Result<Vec<Input>, String> {
    let names = MiddleC::of_octave(plan.sheet.middle_c_octave);
    let mut out = Vec::new();
    for text in texts {
        let (name, keys) = text
            .split_once(':')
            .ok_or_else(|| format!("\"{text}\": name a controller and keys, such as keys:C4,E4"))?;
        let lines = &plan.sheet.controllers;
        let controller = lines
            .iter()
            .position(|line| line.name == name)
            .ok_or_else(|| {
                let known: Vec<_> = lines.iter().map(|line| line.name.as_str()).collect();
                format!(
                    "there is no controller \"{name}\"; the rig has: {}",
                    known.join(", ")
                )
            })?;
        for key in keys.split(',') {
            let key: Key = names
                .parse(key.trim())
                .map_err(|error| format!("\"{text}\": {error}"))?;
            out.push(Input::Command(Command::NoteOn(
                ControllerId(u8::try_from(controller).unwrap_or(u8::MAX)),
                key,
                Value7::clamped(VELOCITY),
            )));
        }
    }
    Ok(out)
}

fn draw(args: &cli::Picture, plan: &Plan, played: &Played, at: usize) -> String {
    let mut ui = UiState {
        screen: args.screen,
        ..UiState::default()
    };
    ui.settings.theme = args.looks.theme;
    ui.settings.is_ascii = args.looks.ascii;
    let view = &played.outcome.view;
    let log: Vec<LogLine> = Vec::new();
    let model = ScreenModel {
        sheet: &plan.sheet,
        view,
        rig: &rig(plan, played),
        log: &log,
        ui: &ui,
        keys: &ui::keys::key_lines(),
        now_us: view.now_us,
        time_s: args
            .clock
            .or_else(|| planned_s(&plan.sheet, at))
            .unwrap_or(0),
    };
    let (wide, high) = args.size;
    screen::svg::picture(&model, wide, high)
}

/// What `segue play --model` shows of its ports: models, which never say that they live.
fn rig(plan: &Plan, played: &Played) -> RigStatus {
    let out_port = |bytes_sent: &u64| OutPortStatus {
        is_present: true,
        identity: "model rig".into(),
        bytes_sent: *bytes_sent,
        ..OutPortStatus::default()
    };
    let in_port = InPortStatus {
        is_present: true,
        identity: "model rig".into(),
        ..InPortStatus::default()
    };
    RigStatus {
        out_ports: played.bytes_sent.iter().map(out_port).collect(),
        in_ports: vec![in_port; plan.promptbook.in_ports.len()],
        is_realtime: Some(true),
        mode: "model rig".into(),
        learned: None,
        is_silent: false,
        warnings: Vec::new(),
    }
}
