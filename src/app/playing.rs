//! `segue play`, and `segue` alone: a show from its files to its end.

use std::collections::BTreeSet;
use std::io::{self, BufRead, Write};
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use super::along::Along;
use super::cli;
use super::drawing;
use super::journal::{Left, Steps};
use super::learning::rig_file;
use super::lining;
use super::load::{self, Files};
use super::log::LogFile;
use super::paper::{Paper, say};
use super::performance::{Performance, Start, Way};
use super::place;
use super::port_list::{backend, probe};
use super::screens::Screens;
use super::wishes;
use crate::engine::input::{Command, Origin};
use crate::engine::promptbook::ControllerId;
use crate::midi::{Key, Value7};
use crate::plan::{self, Plan};
use crate::screen::{Colour, LogLevel, UiState};
use crate::show::finding::Level;
use crate::show::model::{Night, Show};
use crate::store::{self, EventLog};
use crate::ui::{self, UiExit};

/// Plays a show from its folder; whether it was not played, as nobody would have heard it.
///
/// # Errors
/// If the show cannot be played, in words.
pub(super) fn play(args: &cli::Play, err: &mut dyn Write) -> Result<bool, String> {
    let files = load::folder(&args.show, args.rig.as_deref())?;
    let prepared = prepare(
        &files,
        &load::name_of(&args.show),
        args.night.as_deref(),
        err,
    )?;
    let Some((way, is_silent)) = way(args.model, args.midi, args.headless, err)? else {
        return Ok(true);
    };
    let along = args
        .recording
        .as_ref()
        .map(|path| Along::read(path, args.out.as_deref(), &prepared.show, &prepared.plan))
        .transpose()?;
    let along = along.map(|(along, remarks)| {
        for remark in remarks {
            let _ = say(err, &remark);
        }
        along
    });
    let sent = along.as_ref().and_then(Along::sent);
    let is_look = args.rehearse || args.at.is_some();
    let journal = Steps::open(&args.show, &prepared.night.name, is_look);
    let begin = begin(args, &prepared, journal.left())?;
    let start = Start {
        show: prepared.show,
        night: prepared.night,
        plan: prepared.plan,
        errors: prepared.errors,
        at: begin.at,
        waits: begin.waits,
        is_rehearsal: args.rehearse,
        is_line_check: false,
        way,
        along,
        journal: Some(journal),
        rig_file: Some(rig_file(&args.show, args.rig.as_ref())),
        file: Some(LogFile::new(|| Ok(store::state_dir()?.join("events.log")))),
        remarks: begin.remarks,
        lines: args
            .headless
            .then(|| Box::new(Paper::new(io::stdout())) as Box<dyn Write + Send>),
    };
    let ended = if args.headless {
        headless(start)
    } else {
        with_screen(start, is_silent, args.looks, err).map(drop)
    };
    if let Some(sent) = sent {
        let left_out = sent.write()?;
        if left_out > 0 {
            let _ = writeln!(err, "warning: {left_out} messages sent were not kept");
        }
    }
    ended.map(|()| false)
}

/// Walks through every sound of a show's rig; asks first. Whether it was not played, as
/// nobody would have heard it.
///
/// # Errors
/// If it cannot be played, in words.
pub(super) fn line_check(args: &cli::LineCheck, err: &mut dyn Write) -> Result<bool, String> {
    let files = load::folder(&args.show, None)?;
    let loaded = load::show(&files, &load::name_of(&args.show));
    loaded.tell_errors(&args.show, "walked through", err);
    let show = lining::show(&loaded.show, args.manners);
    let night = load::night(&show, None)?.clone();
    let plan = plan::compile(&show, &night).map_err(|error| error.to_string())?;
    let Some((way, is_silent)) = way(args.model, args.midi, false, err)? else {
        return Ok(true);
    };
    if way != Way::Model && !lining::ask(args, err)? {
        return Ok(false);
    }
    let sheet = plan.sheet.clone();
    let start = Start {
        show,
        night,
        plan,
        errors: Vec::new(),
        at: 0,
        waits: None,
        is_rehearsal: true,
        is_line_check: true,
        way,
        along: None,
        journal: None,
        rig_file: Some(rig_file(&args.show, None)),
        file: None,
        remarks: Vec::new(),
        lines: None,
    };
    let (state, passed) = with_screen(start, is_silent, args.looks, err)?;
    let report = lining::report(&sheet, &passed, &state);
    let _ = write!(err, "{report}");
    let path = lining::save(&report)?;
    let _ = say(err, &format!("saved to {path}"));
    Ok(false)
}

/// Opens the demo show on the model rig; without a terminal, plays a stretch of it.
///
/// # Errors
/// If it cannot be played, in words.
pub(super) fn demo(looks: cli::Looks, err: &mut dyn Write) -> Result<(), String> {
    let prepared = prepare(
        &load::built_in(load::DEMO),
        load::DEMO,
        Some(load::DEMO_NIGHT),
        err,
    )?;
    let is_screen = ui::is_terminal();
    let start = Start {
        show: prepared.show,
        night: prepared.night,
        plan: prepared.plan,
        errors: prepared.errors,
        at: 0,
        waits: None,
        is_rehearsal: false,
        is_line_check: false,
        way: Way::Model,
        along: None,
        journal: None,
        rig_file: None,
        file: None,
        remarks: Vec::new(),
        lines: (!is_screen).then(|| Box::new(Paper::new(io::stdout())) as Box<dyn Write + Send>),
    };
    if is_screen {
        with_screen(start, false, looks, err).map(drop)
    } else {
        stretch(start)
    }
}

/// Where MIDI goes, and whether that is nowhere though ports were asked for; none if nobody
/// wants that. Without MIDI a show is never played as if all was well: whoever is at the
/// terminal is asked, and without a screen there is nobody to ask.
fn way(
    is_model: bool,
    midi: cli::Midi,
    is_headless: bool,
    err: &mut dyn Write,
) -> Result<Option<(Way, bool)>, String> {
    if is_model {
        return Ok(Some((Way::Model, false)));
    }
    let backend = backend(midi);
    let Err(error) = probe(backend) else {
        return Ok(Some((Way::Ports(backend), false)));
    };
    let words = format!("no MIDI here, so nothing would sound: {error}");
    if is_headless || !ui::is_terminal() {
        let _ = writeln!(err, "segue: {words}; --model plays on model instruments");
        return Ok(None);
    }
    let question = format!(
        "{words}\n\
         The show can be gone through on model instruments, which make NO SOUND.\n\
         Type yes and Enter for that; anything else leaves: "
    );
    write!(err, "{question}")
        .and_then(|()| err.flush())
        .map_err(|error| error.to_string())?;
    let mut answer = String::new();
    io::stdin()
        .lock()
        .read_line(&mut answer)
        .map_err(|error| format!("standard input: {error}"))?;
    if answer.trim().eq_ignore_ascii_case("yes") {
        return Ok(Some((Way::Model, true)));
    }
    let _ = writeln!(err, "not played");
    Ok(None)
}

/// A show that can be played.
struct Prepared {
    show: Show,
    plan: Plan,
    night: Night,
    /// Errors of the show in words: what they concern is not played.
    errors: Vec<String>,
}

/// Reads, checks and compiles; errors and warnings are told, and what is sound is played.
fn prepare(
    files: &Files,
    name: &str,
    night: Option<&str>,
    err: &mut dyn Write,
) -> Result<Prepared, String> {
    let loaded = load::show(files, name);
    let mut errors = Vec::new();
    for finding in loaded
        .findings
        .iter()
        .filter(|finding| finding.level == Level::Error)
    {
        let _ = writeln!(err, "{finding}");
        errors.push(format!("{}: {}", finding.place, finding.message));
    }
    let night = load::night(&loaded.show, night)?;
    let plan = plan::compile(&loaded.show, night).map_err(|error| error.to_string())?;
    let night = night.clone();
    Ok(Prepared {
        show: loaded.show,
        plan,
        night,
        errors,
    })
}

/// Where a show begins, and what is said of it.
#[derive(Default)]
struct Begin {
    at: usize,
    /// What it waits for, as it stands on the screens; none if it plays at once.
    waits: Option<String>,
    remarks: Vec<(LogLevel, String)>,
}

/// Where to begin: as asked, where a killed show was, or at the beginning. Nothing is sent at
/// once unless somebody said where, or the show is known to have been ended.
fn begin(args: &cli::Play, prepared: &Prepared, left: &Left) -> Result<Begin, String> {
    if let Some(at) = &args.at {
        let at = place::find(&prepared.show, &prepared.plan, at)?;
        return Ok(Begin {
            at,
            ..Begin::default()
        });
    }
    let (at, why, short) = match left {
        Left::Ended => return Ok(Begin::default()),
        Left::At(record) => resume(&prepared.plan, record),
        Left::Nowhere => (
            0,
            "the show was killed, and its place could not be written down; this is the beginning"
                .to_owned(),
            "waiting after a kill, place not known".to_owned(),
        ),
        Left::Unknown(why, last) => {
            let (at, _, _) = last
                .as_ref()
                .map_or_else(Default::default, |record| resume(&prepared.plan, record));
            let why = format!("it is not known whether the show was ended: {why}");
            (at, why, "waiting: not known where the show was".to_owned())
        }
    };
    // Without a screen there are no keys.
    let by = match args.headless {
        true => "the step pedal",
        false => "the step pedal or the step key",
    };
    let words = format!("{why}; nothing is sent until {by} takes it up");
    Ok(Begin {
        at,
        waits: Some(format!("{short}: step takes it up")),
        remarks: vec![(LogLevel::Warning, words)],
    })
}

/// The position to come back to, why it is that one, and why in short. If its call number is
/// gone, the place in the line serves.
fn resume(plan: &Plan, record: &store::PositionRecord) -> (usize, String, String) {
    let found = plan
        .places
        .iter()
        .position(|place| place.call == record.call);
    if let Some(at) = found {
        let why = "the show was killed here".to_owned();
        return (at, why, "waiting after a kill".to_owned());
    }
    let last = plan.places.len().saturating_sub(1);
    let at = usize::try_from(record.position).unwrap_or(last).min(last);
    let killed = &record.call;
    let here = plan.places.get(at).map_or("", |place| &place.call);
    let why = format!(
        "the show was killed at {killed}, which tonight does not have: the song was taken out, \
         or has an error; {here} is as far into the night"
    );
    (
        at,
        why,
        format!("waiting at {here}, killed at {killed}, which is gone"),
    )
}

/// A file in the state folder; none if there is no such folder.
fn state_file(name: &str) -> Option<PathBuf> {
    Some(store::state_dir().ok()?.join(name))
}

/// Starts a performance, and says in its log what was said before it.
fn start_performance(start: Start) -> Result<Performance, String> {
    let errors = start.errors.clone();
    let performance = Performance::start(start)?;
    // What was printed is behind the screen by now.
    for words in &errors {
        performance.log.push(0, LogLevel::Error, words);
    }
    Ok(performance)
}

fn headless(start: Start) -> Result<(), String> {
    let mut err = Paper::new(io::stderr());
    for (_, words) in &start.remarks {
        let _ = writeln!(err, "warning: {words}");
    }
    start_performance(start)?.join().map(|_| ())
}

/// Plays with the screen on this thread. The screen may die and come back; the show goes on.
/// Gives what the person chose, and the positions that were left. `is_silent`: ports were
/// asked for and there are none.
fn with_screen(
    start: Start,
    is_silent: bool,
    looks: cli::Looks,
    err: &mut dyn Write,
) -> Result<(UiState, BTreeSet<u32>), String> {
    if !ui::is_terminal() {
        return Err(match start.is_line_check {
            true => "there is no terminal here, and a line check needs somebody to look".into(),
            false => "there is no terminal here; play with --headless".into(),
        });
    }
    ui::install_panic_hook(record_crash());
    // What libraries print on standard error would be drawn over the screen.
    let kept = state_file("stderr.log").and_then(|path| store::redirect_stderr(&path).ok());
    let (waits, error_count) = (start.waits.clone(), start.errors.len());
    let is_line_check = start.is_line_check;
    let mut performance = start_performance(start)?;
    if is_silent {
        let words = "no MIDI here: played on the model rig, nothing sounds";
        performance.log.push(0, LogLevel::Warning, words);
    }
    let (keys, _, refused) = wishes::keys();
    let mut state = ui_state(&performance, looks);
    if is_line_check {
        state.footer = lining::FOOTER;
    } else {
        match wishes::marks(&performance.sheet.show) {
            Ok(marks) => state.marks = marks,
            Err(words) => {
                let words = format!("marks not read: {words}");
                performance.log.push(0, LogLevel::Warning, &words);
            }
        }
    }
    for words in refused {
        performance
            .log
            .push(0, LogLevel::Warning, &format!("keys.txt: {words}"));
    }
    let mut screens = Screens::new(&mut performance, waits, is_silent, error_count);
    let exit = drawing::draw(&mut screens, &mut state, keys);
    let passed = screens.take_passed();
    let told = screens.told();
    match exit {
        Ok(UiExit::HangUp) => performance.desk.stop_in_place(),
        _ => performance.desk.stop(),
    }
    let log = performance.log.clone();
    let ended = performance.join();
    drop(kept);
    // What was answered when nobody could see it any more, as where a recording is.
    for line in drawing::missed(&log, told) {
        let _ = say(err, &line);
    }
    if let Err(error) = exit {
        let _ = say(err, &format!("screen: {error}"));
    }
    ended.map(|_| (state, passed))
}

/// What the screen starts with: colours as the terminal has them, and notes from the
/// computer keyboard where nobody else is listening.
fn ui_state(performance: &Performance, looks: cli::Looks) -> UiState {
    let variable = |name| std::env::var(name).ok();
    let (plain, depth, name) = (
        variable("NO_COLOR"),
        variable("COLORTERM"),
        variable("TERM"),
    );
    let mut state = UiState {
        may_play: performance.model.is_some(),
        ..UiState::default()
    };
    state.settings.theme = looks.theme;
    state.settings.is_ascii = looks.ascii;
    state.settings.colour =
        Colour::of_terminal(plain.as_deref(), depth.as_deref(), name.as_deref());
    state
}

/// Where the words of a panic go, on whatever thread it is.
fn record_crash() -> impl Fn(&str) + Send + Sync + 'static {
    let file =
        state_file("crash.log").and_then(|path| EventLog::open(&path, store::MAX_LOG_BYTES).ok());
    let file = Mutex::new(file);
    move |words| {
        if let Some(file) = file.lock().unwrap_or_else(PoisonError::into_inner).as_mut() {
            let _ = file.write_line(words);
        }
    }
}

/// A few scenes of the demo as lines: chords, steps while they are held, and the end.
fn stretch(start: Start) -> Result<(), String> {
    let mut out = Paper::new(io::stdout());
    let say = |out: &mut Paper<io::Stdout>, words: &str| {
        say(out, words).map_err(|error| format!("standard output: {error}"))
    };
    say(
        &mut out,
        "no terminal here: a stretch of the demo show, on model instruments, as lines",
    )?;
    let steps = start.plan.places.len().saturating_sub(1).min(STRETCH_STEPS);
    let performance = start_performance(start)?;
    wait(&performance, Duration::from_millis(400));
    for _ in 0..steps {
        for key in CHORD {
            let note = Command::NoteOn(ControllerId(0), Key::clamped(key), Value7::clamped(80));
            performance.desk.ask(note, Origin::Program);
        }
        wait(&performance, Duration::from_millis(120));
        performance.desk.ask(Command::Step, Origin::Program);
        wait(&performance, Duration::from_millis(60));
        let voices = performance
            .model
            .as_ref()
            .map(|model| model.voices(performance.clock.now_us()))
            .unwrap_or_default();
        let named: Vec<_> = performance
            .sheet
            .receivers
            .iter()
            .zip(voices)
            .filter(|(_, n)| *n > 0)
            .collect();
        let words: Vec<_> = named
            .iter()
            .map(|(line, count)| format!("{} {count}", line.name))
            .collect();
        say(
            &mut out,
            &format!(
                "    sounding after the step, keys still down: {}",
                words.join(", ")
            ),
        )?;
        for key in CHORD {
            let note = Command::NoteOff(ControllerId(0), Key::clamped(key));
            performance.desk.ask(note, Origin::Program);
        }
        wait(&performance, Duration::from_millis(60));
    }
    performance.desk.stop();
    performance.join().map(|_| ())
}

/// Steps of the demo played without a terminal.
const STRETCH_STEPS: usize = 6;

/// The chord held over each of them: a fifth and an octave in the middle of the keyboard.
const CHORD: [i32; 3] = [55, 62, 67];

fn wait(performance: &Performance, time: Duration) {
    let until = Instant::now() + time;
    while Instant::now() < until && !performance.has_ended() {
        thread::sleep(Duration::from_millis(5));
    }
}
