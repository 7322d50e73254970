//! The README's picture: the stage in the middle of the demo show, drawn from the program's
//! own cells, so that it cannot promise what the program does not show.
//!
//! `UPDATE_EXPECTED=1` writes `assets/stage.svg` anew.

use std::fs;

use ratatui::{buffer::Buffer, layout::Rect};
use segue::engine::{
    Engine,
    input::{Command, Input, Outbox},
    promptbook::{ControllerId, InPort, OutPort, PositionId},
    view::View,
};
use segue::midi::{Channel, Controller, Key, Message, Value7};
use segue::plan::{Plan, compile};
use segue::screen::{self, Colour, InPortStatus, OutPortStatus, RigStatus, ScreenModel, UiState};
use segue::show::read::read;

use crate::show_read::{files_in, repository};

/// The demo's night, compiled.
fn plan() -> Plan {
    let (show, findings) = read(
        &files_in(&repository("shows/quarry-lanterns")),
        "quarry-lanterns",
    );
    assert!(findings.kept().is_empty());
    let night = show
        .nights
        .iter()
        .find(|night| night.name == "harbour-hall")
        .unwrap();
    compile(&show, night).unwrap()
}

/// The synth song: two notes and the pedal are held over the step from the gap to the drop,
/// where the left hand has gone to the bass and the right one to the strap keys.
fn play(plan: &Plan) -> View {
    let at = |call: &str| plan.places.iter().position(|place| place.call == call);
    let mut engine = Engine::new(
        plan.promptbook.clone(),
        PositionId(u32::try_from(at("5.4").unwrap()).unwrap()),
    );
    let (keys, strap) = (ControllerId(0), ControllerId(1));
    let note = |controller, key| {
        Input::Command(Command::NoteOn(
            controller,
            Key::clamped(key),
            Value7::clamped(90),
        ))
    };
    let hold = Message::Control(
        Channel::clamped(0),
        Controller::clamped(64),
        Value7::clamped(127),
    );
    let mut inputs: Vec<Input> = Vec::new();
    inputs.extend(
        (0..plan.promptbook.in_ports.len()).map(|port| Input::InputReady(InPort(port as u8))),
    );
    inputs.extend(
        (0..plan.promptbook.out_ports.len()).map(|port| Input::OutputReady(OutPort(port as u8))),
    );
    inputs.extend([note(keys, 61), note(keys, 66), Input::Midi(InPort(0), hold)]);
    inputs.push(Input::Command(Command::Step));
    inputs.extend([
        note(keys, 42),
        note(strap, 66),
        note(strap, 69),
        note(strap, 73),
    ]);
    let mut out = Outbox::new();
    for (at, input) in inputs.into_iter().enumerate() {
        out.clear();
        engine.handle(at as u64 * 300_000, input, &mut out);
    }
    let mut view = View::default();
    engine.view(&mut view);
    view
}

/// What `segue` alone shows of its ports: models, which never say that they live.
fn rig(plan: &Plan) -> RigStatus {
    let out_port = OutPortStatus {
        is_present: true,
        identity: "model rig".into(),
        ..OutPortStatus::default()
    };
    let in_port = InPortStatus {
        is_present: true,
        identity: "model rig".into(),
        ..InPortStatus::default()
    };
    RigStatus {
        out_ports: vec![out_port; plan.promptbook.out_ports.len()],
        in_ports: vec![in_port; plan.promptbook.in_ports.len()],
        is_realtime: Some(true),
        mode: "model rig".into(),
        warnings: Vec::new(),
    }
}

#[test]
fn the_readme_shows_what_the_program_draws() {
    let plan = plan();
    let view = play(&plan);
    assert!(!view.controllers[0].held_over.is_empty());
    assert_eq!(view.controllers[1].keys_down.len(), 3);
    let mut ui = UiState::default();
    ui.settings.colour = Colour::Full;
    let area = Rect::new(0, 0, 120, 36);
    let mut buf = Buffer::empty(area);
    let model = ScreenModel {
        sheet: &plan.sheet,
        view: &view,
        rig: &rig(&plan),
        log: &[],
        ui: &ui,
        keys: &segue::ui::keys::key_lines(),
        now_us: view.now_us,
        clock: "20:41",
    };
    screen::render(&model, area, &mut buf);
    let drawn = screen::svg::to_svg(&buf);
    let path = repository("assets/stage.svg");
    if std::env::var_os("UPDATE_EXPECTED").is_some() {
        fs::write(&path, &drawn).unwrap();
    }
    assert!(
        fs::read_to_string(&path).unwrap_or_default() == drawn,
        "{} differs from the screen",
        path.display()
    );
}
