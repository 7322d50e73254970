//! What drawing costs: a frame of each screen at 200x60, and the program when nothing changes.

use std::collections::BTreeMap;
use std::hint::black_box;
use std::io::Read;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use portable_pty::{CommandBuilder, PtySize, native_pty_system};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use segue::engine::promptbook::PositionId;
use segue::engine::view::View;
use segue::plan::{self, Plan};
use segue::screen::{self, Colour, RigStatus, Screen, ScreenModel, UiState};
use segue::show::read;
use segue::{replay, store};

const SHOW: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/shows/quarry-lanterns");
const NIGHT: &str = "harbour-hall";
const FRAMES: u32 = 2_000;

/// A clock tick of the system: 10 ms on Linux, where USER_HZ is 100.
const TICK_MS: u64 = 10;

/// Each screen drawn again and again, keys lit and let go in between, and compared with the
/// frame before as the terminal does; 24-bit colours. The mean of processor time, so that
/// other work on the machine does not count.
pub(crate) fn frames() {
    let files = store::read_folder(Path::new(SHOW)).unwrap().files;
    let (show, _) = read::read(&files, "demo");
    let night = show.nights.iter().find(|night| night.name == NIGHT);
    let plan = plan::compile(&show, night.unwrap()).unwrap();
    let mut view = view(&plan);
    let keys = segue::ui::keys::key_lines();
    let area = Rect::new(0, 0, 200, 60);
    let mut buffers = [Buffer::empty(area), Buffer::empty(area)];
    for screen in Screen::ALL {
        let mut ui = UiState {
            screen,
            ..UiState::default()
        };
        ui.settings.colour = Colour::Full;
        let mut cells = 0;
        let start = ticks(std::process::id());
        for frame in 0..FRAMES {
            view.controllers[0].keys_down = Default::default();
            for key in 0..5u32 {
                let key = 40 + (frame * 7 + key * 5) % 40;
                view.controllers[0]
                    .keys_down
                    .insert(u8::try_from(key).unwrap());
            }
            view.now_us += 16_667;
            let model = ScreenModel {
                sheet: &plan.sheet,
                view: &view,
                rig: &RigStatus::default(),
                log: &[],
                ui: &ui,
                keys: &keys,
                now_us: view.now_us,
                time_s: 75_000,
            };
            let [shown, next] = &mut buffers;
            next.reset();
            screen::render(&model, area, next);
            cells += shown.diff(next).len();
            buffers.swap(0, 1);
        }
        let taken = ticks(std::process::id()).zip(start);
        let taken_ms = taken.map_or(0, |(now, start)| (now - start) * TICK_MS);
        println!(
            "a frame of {} at 200x60: {:.2} ms of processor time (under 2), {} cells changed",
            screen.name(),
            taken_ms as f64 / f64::from(FRAMES),
            cells / usize::try_from(FRAMES).unwrap()
        );
    }
    black_box(&buffers);
}

/// The view in the middle of the night, all ports there.
fn view(plan: &Plan) -> View {
    let at = plan.places.len() / 2;
    let book = Arc::new(plan.promptbook.clone());
    let outcome = replay::run(
        &replay::Run {
            inputs: &replay::ready(&book),
            book,
            kinds: &vec![segue::wire::PortKind::Usb; plan.promptbook.out_ports.len()],
            start: PositionId(u32::try_from(at).unwrap()),
        },
        &mut |_, _, _| {},
    );
    outcome.view
}

/// Processor time of the real program on a terminal of 200x60 while nobody does anything.
pub(crate) fn idle() {
    const TIME: Duration = Duration::from_secs(20);
    let home = tempfile::tempdir().unwrap();
    let size = PtySize {
        rows: 60,
        cols: 200,
        pixel_width: 0,
        pixel_height: 0,
    };
    let pair = native_pty_system().openpty(size).unwrap();
    let mut command = CommandBuilder::new(env!("CARGO_BIN_EXE_segue"));
    command.args(["play", SHOW, "--night", NIGHT, "--model"]);
    command.env("TERM", "xterm-256color");
    command.env("COLORTERM", "truecolor");
    command.env("XDG_STATE_HOME", home.path());
    let mut child = pair.slave.spawn_command(command).unwrap();
    let mut reader = pair.master.try_clone_reader().unwrap();
    let (first, seen) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let mut bytes = [0; 65_536];
        while reader.read(&mut bytes).is_ok_and(|count| count > 0) {
            let _ = first.send(());
        }
    });
    seen.recv().unwrap();
    // The start is over when the rig has its state, and calm begins two seconds later.
    std::thread::sleep(Duration::from_secs(5));
    let id = child.process_id().unwrap();
    let before = threads(id);
    std::thread::sleep(TIME);
    let after = threads(id);
    let percent = |ns: u64| ns as f64 / TIME.as_nanos() as f64 * 100.0;
    let (mut all_ns, mut busy) = (0, Vec::new());
    for (number, thread) in &after {
        let known = before.get(number).cloned().unwrap_or_default();
        let (ns, wakes) = (thread.ns - known.ns, thread.wakes - known.wakes);
        all_ns += ns;
        if wakes > 0 {
            let wakes = wakes as f64 / TIME.as_secs_f64();
            let name = &thread.name;
            busy.push(format!(
                "{name} {:.2} % ({wakes:.0} wakes a second)",
                percent(ns)
            ));
        }
    }
    match after.is_empty() {
        true => println!("nothing changes: no reading on this system"),
        false => println!(
            "nothing changes, at 200x60: {:.2} % of a core (under 1): {}",
            percent(all_ns),
            busy.join(", ")
        ),
    }
    child.kill().unwrap();
    child.wait().unwrap();
}

/// What a thread has used so far.
#[derive(Clone, Default)]
struct Used {
    name: String,
    ns: u64,
    wakes: u64,
}

/// All threads of a process by number, as Linux counts them: time on a processor (`schedstat`,
/// Documentation/scheduler/sched-stats of the kernel), and how often each has waited (proc(5),
/// `voluntary_ctxt_switches`). None on other systems.
fn threads(id: u32) -> BTreeMap<String, Used> {
    let mut found = BTreeMap::new();
    let Ok(tasks) = std::fs::read_dir(format!("/proc/{id}/task")) else {
        return found;
    };
    for task in tasks.flatten() {
        let read = |name: &str| std::fs::read_to_string(task.path().join(name)).ok();
        let (Some(name), Some(stat), Some(status)) =
            (read("comm"), read("schedstat"), read("status"))
        else {
            continue;
        };
        let ns = stat
            .split_whitespace()
            .next()
            .and_then(|ns| ns.parse().ok());
        let mut lines = status.lines();
        let wakes = lines.find_map(|line| line.strip_prefix("voluntary_ctxt_switches:"));
        let used = Used {
            name: name.trim().to_owned(),
            ns: ns.unwrap_or(0),
            wakes: wakes
                .and_then(|count| count.trim().parse().ok())
                .unwrap_or(0),
        };
        found.insert(task.file_name().to_string_lossy().into_owned(), used);
    }
    found
}

/// Processor time of a process so far, in clock ticks: user and system (proc(5), `stat`).
fn ticks(id: u32) -> Option<u64> {
    let stat = std::fs::read_to_string(format!("/proc/{id}/stat")).ok()?;
    let (_, rest) = stat.rsplit_once(')')?;
    let mut fields = rest.split_whitespace().skip(11);
    let mut field = || fields.next()?.parse::<u64>().ok();
    Some(field()? + field()?)
}
