//! `segue line-check`: a night made of the rig alone, so that every sound of every
//! instrument is heard once before doors, in the order of the mixer.
//!
//! It is played like any night: the screens, the keys and the model rig are the same. A step
//! ticks a place, a mark says what is wrong there, and a report is saved at the end.

use std::collections::BTreeSet;
use std::io::{BufRead, Write};

use super::{cli, load};
use crate::midi::Value7;
use crate::midi::mpe::Leader;
use crate::screen::UiState;
use crate::sheet::Sheet;
use crate::show::model::{
    KeyboardLink, Leave, LevelChange, Night, NightEntry, Receiver, ReceiverKind, Rig, Scene, Show,
    Site, Song, Zone,
};
use crate::store;
use crate::words::clean;

/// Level of every sound: moderate, below what a show plays at (DESIGN: 0 dB is volume 100).
const LEVEL_DB: f32 = -12.0;

/// What the footer names first: the two answers to each place.
pub(super) const FOOTER: &[(&str, &str)] = &[("step", "tick"), ("mark", "mark")];

/// Asks before anything sounds; whether to go on.
///
/// # Errors
/// If nobody can be asked.
pub(super) fn ask(args: &cli::LineCheck, err: &mut dyn Write) -> Result<bool, String> {
    let words = "line check: each sound is played by you, at 12 dB below the show's level.\n\
        Levels can jump all the same: faders down, ears and in-ears out, then come up slowly.\n\
        Enter goes on, anything else leaves: ";
    write!(err, "{words}")
        .and_then(|()| err.flush())
        .map_err(|error| error.to_string())?;
    if args.yes {
        let _ = writeln!(err, "yes, as asked for on the command line");
        return Ok(true);
    }
    let mut answer = String::new();
    std::io::stdin()
        .lock()
        .read_line(&mut answer)
        .map_err(|error| format!("standard input: {error}; use --yes"))?;
    Ok(answer == "\n" || answer == "\r\n")
}

/// Prints what to look at on panels, and plays nothing.
///
/// # Errors
/// If the show cannot be read or the output not written, in words.
pub(super) fn print_panels(
    args: &cli::LineCheck,
    out: &mut dyn Write,
    err: &mut dyn Write,
) -> Result<(), String> {
    let files = load::folder(&args.show, None)?;
    let loaded = load::show(&files, &load::name_of(&args.show));
    loaded.tell_errors(&args.show, "listed", err);
    out.write_all(panels(&loaded.show).as_bytes())
        .map_err(|error| format!("standard output: {error}"))
}

/// The show of a line check: the rig of `show`, a song for each instrument, a scene for
/// each sound that the show plays on it. With `is_manners` the manners test instead.
pub(super) fn show(show: &Show, is_manners: bool) -> Show {
    let mut rig = show.rig.clone();
    let mut songs = Vec::new();
    for at in by_mixer(&rig) {
        let Some(receiver) = rig.receivers.get(at) else {
            continue;
        };
        let is_played = receiver.kind == ReceiverKind::Instrument && receiver.spare_of.is_none();
        let patches = if is_played {
            played(show, at)
        } else {
            BTreeSet::new()
        };
        let scenes = if is_manners {
            manners(show, at, &patches)
        } else {
            sounds(show, at, &patches)
        };
        if !scenes.is_empty() {
            songs.push(song(receiver, scenes));
        }
    }
    if is_manners {
        for receiver in &mut rig.receivers {
            // So that what is asked of the receiver is really sent to it.
            receiver.manners.cuts_notes = false;
            receiver.manners.resets_controllers = false;
            receiver.manners.may_prime = true;
            receiver.manners.load_ms = 0;
        }
    }
    let entry = |song| NightEntry::all_of(song, Site::default());
    let night = Night {
        name: "line-check".into(),
        title: if is_manners {
            "Manners test"
        } else {
            "Line check"
        }
        .into(),
        order: (0..songs.len()).map(entry).collect(),
        ..Night::default()
    };
    Show {
        name: format!("{} line check", show.name),
        rig,
        songs,
        nights: vec![night],
        ..show.clone()
    }
}

/// By mixer input where the rig states it, the others after them as they stand there.
fn by_mixer(rig: &Rig) -> Vec<usize> {
    let mut order: Vec<usize> = (0..rig.receivers.len()).collect();
    order.sort_by_key(|at| {
        let mixer = rig.receivers.get(*at).and_then(|item| item.mixer);
        (mixer.is_none(), mixer)
    });
    order
}

/// What a person looks at on a receiver's panel before doors: what the rig lists, and first
/// of all Local Off, since a keyboard need not heed the message (MIDI 1.0's implementation chart
/// has a line that may say so; from memory) and then sounds twice.
fn panel(receiver: &Receiver) -> Vec<String> {
    let is_keyboard = matches!(receiver.keyboard, Some(KeyboardLink::Same(_)));
    let local = is_keyboard.then(|| LOCAL_OFF.to_owned());
    local.into_iter().chain(receiver.panel.clone()).collect()
}

/// The printed step that no message is sure to take.
const LOCAL_OFF: &str =
    "set Local Off on the panel as well, then hear that its own keys are silent";

/// Everything that a person looks at on panels, to print and to tick, by mixer input.
pub(super) fn panels(show: &Show) -> String {
    let mut out = format!("{}: panels\n", clean(&show.name));
    let order = by_mixer(&show.rig).into_iter();
    let receivers = order.filter_map(|at| show.rig.receivers.get(at));
    let mut has_any = false;
    for receiver in receivers {
        let steps = panel(receiver);
        if !steps.is_empty() {
            has_any = true;
            out.push_str(&format!("{}\n", clean(&title(receiver))));
            out.extend(steps.iter().map(|step| format!("  [ ] {}\n", clean(step))));
        }
    }
    if !has_any {
        out.push_str("nothing: no receiver of rig.ron has a panel list or is a keyboard\n");
    }
    out
}

/// The patches of a receiver that the show plays, with their groups of slots, in the order
/// of the list.
fn played(show: &Show, receiver: usize) -> BTreeSet<(usize, usize)> {
    let scenes = show.songs.iter().flat_map(|song| &song.scenes);
    scenes
        .flat_map(|scene| &scene.zones)
        .filter(|zone| zone.receiver == receiver)
        .filter_map(|zone| Some((zone.patch?, zone.group)))
        .collect()
}

fn sounds(show: &Show, receiver: usize, patches: &BTreeSet<(usize, usize)>) -> Vec<Scene> {
    let steps = show.rig.receivers.get(receiver).map(panel);
    let panel = steps.into_iter().flatten().map(|words| {
        scene(
            show,
            &format!("panel: {words}"),
            None,
            &format!("Look at the panel: {words}"),
        )
    });
    let sounds = patches.iter().map(|(patch, group)| {
        let name = patch_name(show, receiver, *patch);
        let words = "Play low, middle, high. Step: it is as it should be. Mark: say what is not.";
        scene(show, &name, Some((receiver, *patch, *group)), words)
    });
    panel.chain(sounds).collect()
}

/// Two questions, each over two scenes on one group: what a program change does to a held
/// note, and what loading a silent slot does to the display.
fn manners(show: &Show, receiver: usize, patches: &BTreeSet<(usize, usize)>) -> Vec<Scene> {
    let mut patches = patches.iter();
    let Some((first, group)) = patches.next() else {
        return Vec::new();
    };
    let second = patches
        .find(|(_, other)| other == group)
        .map_or(*first, |(patch, _)| *patch);
    let place = |patch: usize| Some((receiver, patch, *group));
    [
        (*first, "hold a note, then step", "Hold a key and step while you hold it."),
        (
            second,
            "held note went on?",
            "Did the held note go on unchanged? Step: yes. Mark: it stopped, changed or clicked.",
        ),
        (
            *first,
            "display stands still?",
            "Look at the display now, without a key: did it move by itself? Step: no. Mark: it did.",
        ),
        (second, "end of the test", "Step on."),
    ]
    .into_iter()
    .map(|(patch, name, words)| scene(show, name, place(patch), words))
    .collect()
}

fn song(receiver: &Receiver, scenes: Vec<Scene>) -> Song {
    Song {
        title: title(receiver),
        ..Song::straight(receiver.name.clone(), scenes)
    }
}

fn title(receiver: &Receiver) -> String {
    match receiver.mixer {
        Some(input) => format!("{} (mixer {input})", receiver.name),
        None => receiver.name.clone(),
    }
}

/// A scene in which every keyboard plays one sound, or none.
fn scene(show: &Show, name: &str, sound: Option<(usize, usize, usize)>, words: &str) -> Scene {
    let keyboards = show.rig.controllers.iter().enumerate();
    let zones = keyboards.filter_map(|(controller, item)| {
        let (receiver, patch, group) = sound?;
        Some(Zone {
            name: String::new(),
            site: Site::default(),
            controller,
            keys: item.keys?,
            keys_site: Site::default(),
            velocities: (Value7::clamped(1), Value7::MAX),
            velocity_fades: (0, 0),
            curve: 0,
            receiver,
            group,
            patch: Some(patch),
            level_db: LEVEL_DB,
            level_site: Site::default(),
            pan: None,
            bend_range: None,
            transpose: 0,
            is_never_transposed: true,
            catches: false,
            leave: Leave::Hold,
            level_change: LevelChange::Ride,
            finger: Leader::Last,
            settings: Vec::new(),
        })
    });
    Scene {
        name: name.to_owned(),
        zones: zones.collect(),
        player: words.to_owned(),
        technician: words.to_owned(),
        is_brief: true,
        ..Scene::default()
    }
}

fn patch_name(show: &Show, receiver: usize, patch: usize) -> String {
    let item = show.rig.receivers.get(receiver);
    let patch = item.and_then(|item| item.patches.patches.get(patch));
    patch.map_or_else(|| "?".to_owned(), |patch| patch.name.clone())
}

/// The report: each place with a tick, a mark, or neither.
#[must_use]
pub(super) fn report(sheet: &Sheet, passed: &BTreeSet<u32>, state: &UiState) -> String {
    let mut out = format!("{}\n", clean(&sheet.night));
    let mut counts = [0_usize; 3];
    for (at, line) in (0..).zip(&sheet.positions) {
        let song = sheet.songs.get(line.song).map_or("", |song| &song.title);
        let scene = sheet.scenes.get(line.scene).map_or("", |scene| &scene.name);
        let (kind, word) = match (state.marks.get(&line.call), passed.contains(&at)) {
            (Some(mark), _) => (1, format!("MARK  {song}: {scene}: {mark}")),
            (None, true) => (0, format!("ok    {song}: {scene}")),
            (None, false) => (2, format!("open  {song}: {scene}")),
        };
        if let Some(count) = counts.get_mut(kind) {
            *count += 1;
        }
        out.push_str(&clean(&word));
        out.push('\n');
    }
    let [ok, marked, open] = counts;
    out.push_str(&format!("{ok} ok, {marked} marked, {open} not come to\n"));
    out
}

/// Saves the report; where it is.
///
/// # Errors
/// If it cannot be written, in words.
pub(super) fn save(report: &str) -> Result<String, String> {
    let dir = store::state_dir().map_err(|error| error.to_string())?;
    let stem = format!("line-check-{}", super::recorder::stamp());
    let path = store::save_unused(&dir, &stem, "txt", report.as_bytes())
        .map_err(|error| error.to_string())?;
    Ok(path.display().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::load;
    use crate::plan;
    use std::collections::BTreeMap;

    fn demo() -> Show {
        load::show(&load::built_in(load::DEMO), load::DEMO).show
    }

    #[test]
    fn every_sound_that_the_show_plays_is_walked_once_at_the_set_level() {
        let demo = demo();
        let check = show(&demo, false);
        let mut wanted = BTreeSet::new();
        for zone in demo
            .songs
            .iter()
            .flat_map(|s| &s.scenes)
            .flat_map(|s| &s.zones)
        {
            let kind = demo.rig.receivers[zone.receiver].kind;
            if let (Some(patch), ReceiverKind::Instrument) = (zone.patch, kind) {
                wanted.insert((zone.receiver, patch, zone.group));
            }
        }
        let mut walked = Vec::new();
        for scene in check.songs.iter().flat_map(|s| &s.scenes) {
            let sounds: BTreeSet<_> = scene
                .zones
                .iter()
                .map(|zone| (zone.receiver, zone.patch.unwrap(), zone.group))
                .collect();
            assert!(sounds.len() <= 1, "one sound a scene");
            assert!(scene.zones.iter().all(|zone| zone.level_db == LEVEL_DB));
            walked.extend(sounds);
        }
        let count = walked.len();
        let walked: BTreeSet<_> = walked.into_iter().collect();
        assert_eq!(walked.len(), count, "each once");
        assert_eq!(walked, wanted);
        let plan = plan::compile(&check, &check.nights[0]).unwrap();
        assert!(plan.sheet.positions.len() >= count);
    }

    /// A keyboard with sounds of its own that no scene plays, an effects unit, and what has
    /// nothing to look at.
    #[test]
    fn a_keyboard_is_set_to_local_off_on_its_panel_too() {
        let rig = r#"(
    version: 1,
    ports: {"stage": (name: "Stage"), "rack": (name: "Rack")},
    controllers: {"upper": (port: "stage", channel: 1, keys: "C2..C7")},
    receivers: {
        "synth": (port: "rack", slots: "1..4", patches: GeneralMidi, manners: Gm2),
        "stage piano": (port: "stage", slots: "1", patches: GeneralMidi, manners: Gm2,
            mixer: 4, keyboard: "upper", panel: ["lid light off"]),
        "echo": (kind: Effects, port: "rack", slots: "12", mixer: 2, panel: ["dry only"]),
    },
    defaults: (from: "upper", to: "synth", patch: "Church Organ"),
)"#;
        let song = r#"(version: 1, scenes: {"one": (zones: {"all": ()})}, order: ["one"])"#;
        let files = BTreeMap::from([
            ("rig.ron".to_owned(), rig.as_bytes().to_vec()),
            ("songs/song.ron".to_owned(), song.as_bytes().to_vec()),
        ]);
        let (told, findings) = crate::show::read::read(&files, "small");
        assert!(findings.kept().is_empty(), "{:?}", findings.kept());
        let expected = "small: panels\n\
            echo (mixer 2)\n  [ ] dry only\n\
            stage piano (mixer 4)\n  \
            [ ] set Local Off on the panel as well, then hear that its own keys are silent\n  \
            [ ] lid light off\n";
        assert_eq!(panels(&told), expected);
        // The line check walks the same, and then the sounds.
        let check = show(&told, false);
        let walked: Vec<(&str, Vec<&str>)> = check
            .songs
            .iter()
            .map(|song| {
                let scenes = song.scenes.iter().map(|scene| scene.name.as_str());
                (song.name.as_str(), scenes.collect())
            })
            .collect();
        let local =
            "panel: set Local Off on the panel as well, then hear that its own keys are silent";
        assert_eq!(
            walked,
            [
                ("echo", vec!["panel: dry only"]),
                ("stage piano", vec![local, "panel: lid light off"]),
                ("synth", vec!["Church Organ"]),
            ]
        );
        assert!(
            show(&told, true)
                .songs
                .iter()
                .all(|song| song.name == "synth")
        );
    }

    #[test]
    fn the_report_says_what_was_ticked_marked_and_not_come_to() {
        let check = show(&demo(), true);
        let plan = plan::compile(&check, &check.nights[0]).unwrap();
        let mut state = UiState::default();
        let second = plan.sheet.positions[1].call.clone();
        state.marks.insert(second, "it stopped".into());
        let report = report(&plan.sheet, &BTreeSet::from([0, 1]), &state);
        let lines: Vec<&str> = report.lines().collect();
        assert!(lines[1].starts_with("ok    "), "{report}");
        assert!(
            lines[2].starts_with("MARK  ") && lines[2].ends_with(": it stopped"),
            "{report}"
        );
        assert!(lines[3].starts_with("open  "), "{report}");
        let open = plan.sheet.positions.len() - 2;
        assert_eq!(
            *lines.last().unwrap(),
            format!("1 ok, 1 marked, {open} not come to")
        );
    }
}
