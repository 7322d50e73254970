//! Readings, asserted nowhere: how long a night, a large show, a step and a frame take here.
//!
//! `cargo bench` prints them; what is aimed at stands beside each.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

use std::collections::BTreeMap;
use std::fmt::Write;
use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use segue::engine::Engine;
use segue::engine::input::{Command, Input, Outbox};
use segue::engine::promptbook::PositionId;
use segue::engine::swap::{Live, Swap};
use segue::engine::view::View;
use segue::plan::{self, Plan};
use segue::show::model::{NightEntry, OrderEntry, Receiver, Show, Song, Zone};
use segue::show::read;
use segue::{check, replay, store};

#[path = "../touring/mod.rs"]
mod touring;

mod frames;

fn main() {
    // `cargo bench -- drawing` reads that alone.
    if std::env::args().any(|argument| argument == "drawing") {
        frames::frames();
        frames::idle();
        return;
    }
    long_night();
    let small = fastest(1_000);
    let large = fastest(10_000);
    println!(
        "ten times the scenes: {:.1} times as long (at most 10)",
        large.total.as_secs_f64() / small.total.as_secs_f64()
    );
    let few = step_cost(&large_show(10).plan);
    let many = step_cost(&large.plan);
    println!(
        "a step among 10,000 scenes takes {:.2} times as long as among 10 (at most 1.1)",
        many / few
    );
    replan();
    frames::frames();
    frames::idle();
}

/// The fastest of three, since a machine has other things to do too.
fn fastest(scenes: usize) -> Large {
    let runs = (0..3).map(|_| large_show(scenes));
    runs.min_by_key(|run| run.total).unwrap()
}

/// Two hours of dense playing through engine and wire.
fn long_night() {
    let show = touring::show();
    let plan = plan::compile(&show, &show.nights[0]).unwrap();
    let inputs = touring::two_hours(&plan);
    let run = replay::Run {
        book: Arc::new(plan.promptbook.clone()),
        kinds: &touring::kinds(&show, &plan),
        start: PositionId(0),
        inputs: &inputs,
    };
    let start = Instant::now();
    let outcome = replay::run(&run, &mut |us, port, bytes| {
        black_box((us, port, bytes));
    });
    println!(
        "two hours replayed: {:.3} s (under 2): {} inputs, {} messages, {} steps, {} refused",
        start.elapsed().as_secs_f64(),
        inputs.len(),
        outcome.sent,
        outcome.view.counters.steps,
        outcome.refused
    );
}

struct Large {
    plan: Plan,
    total: Duration,
}

/// A generated show on the disk: read, checked, compiled, first view.
fn large_show(scenes: usize) -> Large {
    let folder = tempfile::tempdir().unwrap();
    write_show(folder.path(), scenes);
    let start = Instant::now();
    let contents = store::read_folder(folder.path()).unwrap();
    let loaded = start.elapsed();
    let (show, findings): (Show, _) = read::read(&contents.files, "large");
    let read = start.elapsed();
    let findings = check::check(&show, &findings);
    let checked = start.elapsed();
    let plan = plan::compile(&show, &show.nights[0]).unwrap();
    let compiled = start.elapsed();
    let engine = Engine::new(Arc::new(plan.promptbook.clone()), PositionId(0));
    let mut view = View::default();
    engine.view(&mut view);
    black_box(&view);
    let total = start.elapsed();
    println!(
        "{} scenes: {:.3} s (1,000 under 0.5): files {:.3}, read {:.3}, check {:.3}, compile {:.3}, view {:.3}; {} findings",
        plan.places.len(),
        total.as_secs_f64(),
        loaded.as_secs_f64(),
        (read - loaded).as_secs_f64(),
        (checked - read).as_secs_f64(),
        (compiled - checked).as_secs_f64(),
        (total - compiled).as_secs_f64(),
        findings.len()
    );
    for finding in findings.iter().take(3) {
        println!("{finding}");
    }
    Large { plan, total }
}

const SCENES_A_SONG: usize = 10;

/// The touring rig with songs of ten scenes each: three or four zones, parameters, words.
fn write_show(folder: &Path, scenes: usize) {
    let touring = concat!(env!("CARGO_MANIFEST_DIR"), "/shows/quarry-lanterns");
    let mut files = store::read_folder(Path::new(touring)).unwrap().files;
    files.retain(|name, _| name == "rig.ron" || name.starts_with("patches/"));
    let mut order = String::new();
    for song in 0..scenes / SCENES_A_SONG {
        let name = format!("song-{song:04}");
        writeln!(order, "        \"{name}\",").unwrap();
        files.insert(format!("songs/{name}.ron"), song_text(song).into_bytes());
    }
    let night =
        format!("(\n    version: 1,\n    title: \"All\",\n    order: [\n{order}    ],\n)\n");
    files.insert("nights/all.ron".into(), night.into_bytes());
    let files: BTreeMap<_, _> = files;
    store::write_new_folder(folder, &files).unwrap();
}

fn song_text(song: usize) -> String {
    const RIGHT: [&str; 5] = [
        "Tine Piano",
        "Warm Strings",
        "Brass Section",
        "Glass Bells",
        "Reed Piano",
    ];
    const LEFT: [&str; 3] = ["Concert Grand", "Funk Clav", "Stab Brass"];
    let (mut text, mut order) = (String::new(), String::new());
    write!(
        text,
        "(\n    version: 1,\n    title: \"Song {song}\",\n    tempo: 100, beats: 4, key: \"C\", length: \"4:00\",\n    defaults: (to: \"main\"),\n    scenes: {{\n"
    )
    .unwrap();
    for scene in 0..SCENES_A_SONG {
        let at = song * 7 + scene;
        write!(
            text,
            "        \"scene {scene}\": (\n            zones: {{\n                \"right\": (from: \"strap\", patch: \"{}\", level: {}),\n                \"left\": (from: \"keys\", patch: \"{}\", keys: \"C3..C8\", level: -2),\n                \"bass\": (from: \"keys\", patch: \"Round Bass\", keys: \"A0..B2\"),\n            }},\n            patches: {{\"effects\": \"Small Room\"}},\n            parameters: {{\"organ\": {{\"drive\": {}}}}},\n            player: \"Words for the player, scene {scene}.\",\n            when: (bar: {}, beat: 1),\n        ),\n",
            RIGHT[at % RIGHT.len()],
            -i64::try_from(at % 7).unwrap(),
            LEFT[at % LEFT.len()],
            at % 128,
            scene * 16 + 9
        )
        .unwrap();
        write!(order, "\"scene {scene}\", ").unwrap();
    }
    write!(text, "    }},\n    order: [{order}],\n)\n").unwrap();
    text
}

/// The mean time of a step, there and back over the night.
fn step_cost(plan: &Plan) -> f64 {
    const STEPS: u64 = 20_000;
    let book = Arc::new(plan.promptbook.clone());
    let mut engine = Engine::new(Arc::clone(&book), PositionId(0));
    let mut out = Outbox::new();
    for (us, input) in replay::ready(&book) {
        engine.handle(us, input, &mut out);
        out.clear();
    }
    let mut now_us = 60_000_000;
    let last = plan.places.len() as u64 - 1;
    let mut taken = Duration::ZERO;
    for step in 0..STEPS {
        now_us += 1_000_000;
        while let Some(due_us) = engine.next_deadline().filter(|due| *due <= now_us) {
            engine.handle(due_us, Input::Tick, &mut out);
            out.clear();
        }
        let is_forward = (step / last).is_multiple_of(2);
        let command = if is_forward {
            Command::Step
        } else {
            Command::Back
        };
        let start = Instant::now();
        engine.handle(now_us, Input::Command(command), &mut out);
        taken += start.elapsed();
        black_box(out.items().len());
        out.clear();
    }
    let mean_us = taken.as_secs_f64() * 1e6 / STEPS as f64;
    println!("a step among {} scenes: {mean_us:.2} µs", plan.places.len());
    mean_us
}

/// A night of 300 positions on six receivers with 16 alike slots each is changed where it
/// is played: planned anew from the first position (all of it) and made ready to be taken.
fn replan() {
    for sounds in [4, 8, 10] {
        let show = wide_show(sounds);
        let night = &show.nights[0];
        let plan = plan::compile(&show, night).unwrap();
        let old = Arc::new(plan.promptbook.clone());
        let engine = Engine::new(Arc::clone(&old), PositionId(0));
        let mut live = Live::default();
        engine.live(&mut live);
        let given = plan::Given {
            plan: &plan,
            live: &live,
            written: night,
        };
        let mut changed = night.clone();
        if let Some(NightEntry::Song { transpose, .. }) = changed.order.get_mut(5) {
            *transpose = 2;
        }
        let times = (0..5).map(|_| {
            let start = Instant::now();
            let replan = plan::replan(&show, &changed, &given).unwrap();
            let planned = start.elapsed();
            let book = Arc::new(replan.plan.promptbook);
            black_box(Swap::prepare(&old, book, PositionId(0), replan.at).unwrap());
            (start.elapsed(), planned)
        });
        let (whole, planned) = times.min().unwrap();
        println!(
            "replan of {} positions, 6 receivers of 16 slots, {sounds} sounds each: {:.1} ms (under 100), {:.1} of them to compare the books",
            plan.places.len(),
            whole.as_secs_f64() * 1e3,
            (whole - planned).as_secs_f64() * 1e3
        );
    }
}

/// Thirty songs of ten scenes: so many sounds on each of six receivers, of which a third
/// change at each step.
fn wide_show(sounds: usize) -> Show {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/shows/first-steps");
    let files = store::read_folder(Path::new(folder)).unwrap().files;
    let (mut show, _) = read::read(&files, "wide");
    let first = show.rig.receivers[0].clone();
    for at in 1..6 {
        let mut port = show.rig.ports[first.port].clone();
        port.name = format!("port {at}");
        show.rig.ports.push(port);
        let port = show.rig.ports.len() - 1;
        let name = format!("receiver {at}");
        show.rig.receivers.push(Receiver {
            name,
            port,
            ..first.clone()
        });
    }
    let song = show.songs[0].clone();
    let zone = song.scenes[0].zones[0].clone();
    let patches = first.patches.patches.len();
    let patch = |at: usize, number: usize| (number * 11 + (at + number) / 3 * 5) % patches;
    let scene = |song_at: usize, at: usize| {
        let mut scene = song.scenes[0].clone();
        scene.name = format!("scene {at}");
        let zones = (0..6 * sounds).map(|n| Zone {
            receiver: n / sounds,
            patch: Some(patch(song_at * 10 + at, n)),
            ..zone.clone()
        });
        scene.zones = zones.collect();
        scene
    };
    let entry = song.order[0].clone();
    let order = (0..10).map(|scene| OrderEntry {
        scene,
        call: (scene + 1).to_string(),
        ..entry.clone()
    });
    let order: Vec<_> = order.collect();
    show.songs = (0..30)
        .map(|at| Song {
            name: format!("song {at}"),
            scenes: (0..10).map(|scene_at| scene(at, scene_at)).collect(),
            order: order.clone(),
            ..song.clone()
        })
        .collect();
    show.nights[0].order = (0..30)
        .map(|at| NightEntry::all_of(at, song.site))
        .collect();
    show
}
