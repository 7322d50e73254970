//! Reading a show folder, version 1: files in, `(Show, Findings)` out.
//!
//! Nothing stops at the first mistake. A file whose grammar is broken gives its mistakes and
//! nothing else; in all others the smallest thing that cannot be understood is left out and
//! told, and the rest plays. Without a `rig.ron` that can be read the show is empty.
//!
//! # The folder
//!
//! | file | what it holds |
//! | --- | --- |
//! | `rig.ron` | everything plugged in; the only file that knows ports, channels and numbers |
//! | `songs/NAME.ron` | a song: scenes, and their order |
//! | `nights/NAME.ron` | tonight: the order of songs, and what is different |
//! | `patches/*.csv` | patch lists |
//! | `pages/*.txt` | page texts, named by songs |
//!
//! All `.ron` files begin with `(version: 1,`. Without `nights/` there is one night, `all`,
//! with every song in the order of their file names.
//!
//! # `rig.ron`
//!
//! ```ron
//! (
//!     version: 1,
//!     middle_c: "C4",                       // what the panels call key 60: C3, C4 or C5
//!     ports: {
//!         "keys": (usb: "1209:0002"),       // vendor:product; also serial, location, usb_port
//!         "rack": (usb: "1209:0001", serial: "A7", kind: UsbToDin), // Usb, Din, UsbToDin, Software
//!         "page pedal": (usb: "1209:0ab1", kind: Keys), // a computer keyboard; serial: also a Bluetooth address
//!         "tablet": (name: "Page tablet"),  // by name, exactly
//!     },
//!     controllers: {
//!         "lower": (port: "keys", channel: 1, keys: "A0..C8", sources: {
//!             "wheel": Control(1), "bender": Bend, "touch": Pressure, "hold": Control(64),
//!             "foot": (sends: Control(4), inverted: true), "knob": Pair(17),
//!         }), // also Switch(n), Nrpn(msb, lsb), Note("C1"), PolyPressure; unstated: hold, bend, pressure
//!         "pedal box": (port: "keys", channel: 16), // no keys, no sources
//!         "page foot": (port: "page pedal"), // nor a channel
//!         "touch": (port: "rack", keys: "C3..C6", channel: Mpe(side: Lower, members: 7, bend_range: 48)),
//!     },
//!     pedals: {                             // sends: Control(n), Note("C3"), Program(n from 0), Key("PageDown")
//!         "right foot": (on: "pedal box", sends: Control(80), does: Step, latching: false, inverted: false),
//!     },                                    // does: Step Back SongDown SongUp PageNext PageBack Panic Resend Mute Fade
//!     curves: {"soft": [(1, 1), (64, 90), (127, 127)]}, // "straight" is always there
//!     receivers: {
//!         "main": (
//!             kind: Instrument,             // Instrument, Effects, Pages, Lights, Playback
//!             port: "rack", slots: "1..10", // or groups: {"front": "1..9, 11", "drums": "10"}
//!             global: 16,                   // channel of global parameters
//!             patches: GeneralMidi,         // or "patches/main.csv"
//!             manners: Gm2,                 // or Gm2(load_ms: 5), or (bank: Both, load_ms: 20, …)
//!             parameters: {
//!                 "cutoff": (sends: Control(74), range: "0..127", neutral: 64),
//!                 "reverb": (sends: Nrpn(1, 8), neutral: 0, global: true),
//!                 "rotary": (sends: Control(82), states: {"slow": 0, "fast": 127}, neutral: 0),
//!                 "delay time": (sends: Exclusive("F0 7D 01 [ 10 00 vv ss F7"), neutral: 40),
//!             },                            // also Pair(0..=31) and Rpn(msb, lsb): 14 bits
//!             // A note ends by itself, after 500 ms unless it says another length (1 to 60,000). It
//!             // sounds on the first slot, on one that it names, or where the scene plays a patch.
//!             cues: {
//!                 "chime": Note("C3", 127),
//!                 "gong": Note(key: "C2", velocity: 90, length_ms: 4000, slot: 2), // or patch: "…"
//!             },
//!             sounds: true,                 // whether panic reaches it; by its kind unless stated
//!             mixer: 3, panel: ["filters open"], keyboard: Apart, // for a line check; or "lower": the same thing as that controller
//!         ),
//!         "echo": (kind: Effects, port: "rack", slots: "12", patches: "patches/echo.csv", hears: "main",
//!             parameters: {"mix": (sends: Control(91), neutral: 40)}),
//!         "lights": (kind: Lights, port: "rack", slots: "13", cues: {
//!             "house red": Program(3), "go": Exclusive("F0 7F 01 02 01 01 31 F7"), "roll": Start,
//!         }),                               // also Control(n, value), Continue, Stop
//!         "tablet": (kind: Pages, port: "tablet", slots: "16", pages: Program), // or Control(n)
//!         "spare": (spare_of: "main", port: "keys"), // the same model on a port of its own
//!     },
//!     defaults: (from: "lower", to: "main"), // any field of a zone, for all songs
//!     routes: {"brightness": (from: ("lower", "wheel"), to: "main", set: "cutoff")}, // see `routes`
//! )
//! ```
//!
//! **Slots.** `groups` says which channels are alike. `slots` is one group called `main` if the
//! receiver states manners or has one slot only. If it has several and states none, whether they
//! are alike is unknown too: then each is fixed, a group of its own called by its channel
//! (`group: "3"` in a zone).
//!
//! **MPE zones.** `channel: Mpe(side: Lower, members: 7)` is a surface of seven fingers: manager
//! channel 1 (`Upper`: 16), members beside it. `slots:` of an instrument, or one of `groups`, may be
//! such a zone, which is then set up and played as one slot; or a list of a lower and an upper one.
//! `bend_range` (48) is what the whole way of a finger means, in semitones, on all members.
//!
//! **Manners** that are left out are assumed bad: `bank: Both` (`None`, `Msb`, `Lsb`),
//! `programs_from_1: false`, `load_ms: 100`, `resets_controllers: true`, `cuts_notes: true`,
//! `may_prime: false`, `polyphony` unknown, `level: Gm` (`Linear`, `Fixed`), `release_s: 2.0`,
//! `holds_back: true`, `boot_ms: 10000`, `heeds_sensing: true`. `Gm2` are those that General
//! MIDI 2 recommends. `programs_from_1` holds for the patch list and for cues.
//!
//! **Banks.** A patch whose bank is left empty goes out as a bare program change, which means the
//! bank that was selected last. So patches with and without a bank may not share slots of a
//! receiver that heeds it: `check` refuses that (0 is a bank too).
//!
//! **Show control** for machinery, process control and pyrotechnics is refused (see README, Caution).
//!
//! **A spare** is a second receiver of the same model, kept to take over. It says only whose
//! spare it is and its port; slots, patch list, parameters, cues and manners are those of the
//! other. No scene plays it.
//!
//! **System Exclusive** of a parameter: bytes in hexadecimal, `vv` for a value of 7 bits, `mm`
//! and `ll` for the halves of 14, `cc` for the channel, `[` where the sum of the checksum `ss`
//! begins.
//!
//! # `songs/NAME.ron`
//!
//! ```ron
//! (
//!     version: 1,
//!     title: "Ferry Lights", tempo: 96, beats: 4, key: "D", transpose: -2, length: "4:10",
//!     pages: [(number: 3, text: "pages/ferry-lights.txt")], // number: as the tablet counts, from 0
//!     defaults: (level: -1),                // any field of a zone, over those of the rig
//!     parameters: {"main": {"cutoff": 70}}, // for scenes that do not name them
//!     scenes: {
//!         "verse": (
//!             zones: {
//!                 "left": (keys: "A0..B3", patch: "Fretless Bass", level: -3, transpose: 12),
//!                 "right": (keys: "C4..C8", patch: "Drawbar Organ", velocity: "1..80"),
//!             },
//!             patches: {"echo": "Wide Hall"}, // of receivers without zones; or (patch: …, group: …)
//!             parameters: {"main": {"cutoff": 90}, "echo": {"mix": Leave}},
//!             routes: {"brightness": Off}, cues: [(to: "lights", cue: "house red", on_jump: true)],
//!             page: 1, level: -2,           // of this song, from 1; dB on top of each zone's
//!             player: "Soft.", technician: "Watch the echo.",
//!             when: (bar: 9, beat: 1, word: "home"),
//!             brief: true,                  // a second press within 250 ms is a step here
//!         ),
//!         "chorus": (like: "verse", zones: {"left": (level: -6)}, without: ["right"]),
//!     },
//!     order: ["verse", "chorus", (scene: "verse", call: "2a")],
//! )
//! ```
//!
//! **A zone** has `from` (a controller), `to` (a receiver), `group`, `patch`, `keys` (all of the
//! controller's unless stated), `velocity` (`"1..127"`), `velocity_fade` (`(20, 0)`: fades in over
//! the 20 lowest and out over none), `curve`, `level` in dB (0 is volume 100),
//! `pan` (-64 to 63), `bend_range` in semitones, `transpose` (semitones, or `Never`), `catch`,
//! `leave` (`Hold`, `Cut`, `Fade(ms)`), `level_change` (`Ride`, `New`), `finger` (`Last`, `Highest`:
//! who is heard of an MPE surface on one channel), and `parameters` of its own sound.
//! Defaults come down from rig to song to zone.
//!
//! **`like`** takes over what sounds (zones, patches, parameters, routes), zone by zone and field by
//! field; `without` leaves zones out. Words, `when`, `page`, `cues` and `brief` belong to one
//! moment and do not come along.
//!
//! **`when`** says when to press for the next scene: a bar and beat of the song, a word that is
//! sung, or both. A scene that comes several times does without the bar.
//!
//! # `nights/NAME.ron`
//!
//! ```ron
//! (
//!     version: 1, title: "Harbour Hall", start: "20:30", end: "22:45",
//!     order: [
//!         "ferry-lights",
//!         (song: "salt-road", transpose: -2, skip_scenes: ["bridge"], call: "7"),
//!         (pause: "20:00"),
//!         (song: "paper-weather", skip: true),
//!     ],
//!     trims: (patches: {"main": {"Fretless Bass": -2}}, instruments: {"main": -1}, ports: {"rack": -1}),
//! )
//! ```
//!
//! A call number has two halves: that of the song (its place tonight, breaks not counted,
//! unless the night says another) and that of the scene (its place in the song's order,
//! unless the song says another). What is skipped keeps its number.
//!
//! # `patches/*.csv`
//!
//! See [`super::patches`].

mod defaults;
mod draft;
mod files;
mod manners;
mod merge;
mod mpe;
mod names;
mod night;
mod parameters;
mod pedals;
mod receivers;
mod resolve;
mod rig;
mod routes;
mod routing;
mod song;
mod sources;
mod spares;
mod values;

use crate::midi::pitch::MiddleC;
use std::collections::{BTreeMap, BTreeSet};

use crate::show::finding::{Finding, Findings, Place};
use crate::show::model::{Places, Show, SourceFile};
use crate::show::tree::version::read_version;
use crate::show::tree::{Report, Tree, Version};
use draft::ZoneDraft;
use files::{plain_text, whole_file};
use names::{Log, Names, Source};
use rig::{Lists, RigRead};

/// The most files a show may have; a show of a thousand songs has about three thousand.
pub const MAX_FILES: usize = 20_000;

/// Reads a show: `files` by path relative to its folder (with `/`), `name` is the folder's.
///
/// The same files give the same show and the same findings, in the same order.
#[must_use]
pub fn read(files: &BTreeMap<String, Vec<u8>>, name: &str) -> (Show, Findings) {
    read_with_unread(files, &BTreeMap::new(), name)
}

/// As `read`, for a folder in which some files and folders could not be read: `unread` has the
/// reasons by path. Each is an error; what only follows from it is not reported again.
#[must_use]
pub fn read_with_unread(
    files: &BTreeMap<String, Vec<u8>>,
    unread: &BTreeMap<String, String>,
    name: &str,
) -> (Show, Findings) {
    let mut findings = Findings::new();
    for (path, reason) in unread {
        let help = "mend the file or its permissions, or take it out of the show's folder";
        findings.add(whole_file("unreadable-file", path, reason.clone(), help));
    }
    let folder = Folder::new(files, unread.keys().cloned().collect(), &mut findings);
    let mut show = Show {
        name: name.to_owned(),
        unread: folder.unread.clone(),
        ..Show::default()
    };
    show.page_texts = folder.page_texts();
    let rig = folder.rig(&mut findings);
    let songs = folder.trees_in("songs", &mut findings);
    let nights = folder.trees_in("nights", &mut findings);
    if let Some(rig) = rig {
        let song_names = read_songs(&mut show, &songs, &rig, &folder, &mut findings);
        read_nights(&mut show, &nights, &rig, &song_names, &mut findings);
        show.rig = rig.rig;
    }
    show.files = folder.files;
    (show, findings)
}

/// The files of the show that matter here, as texts and trees.
struct Folder {
    files: Vec<SourceFile>,
    paths: BTreeMap<String, u16>,
    trees: BTreeMap<u16, Tree>,
    unread: BTreeSet<String>,
}

/// A file whose grammar is sound and whose version is known.
struct Sound<'f> {
    /// The file's name without folder and ending.
    stem: &'f str,
    /// None if it is not sound or could not be read; a finding says so.
    tree: Option<&'f Tree>,
    path: &'f str,
    file: u16,
}

impl Folder {
    fn new(
        files: &BTreeMap<String, Vec<u8>>,
        unread: BTreeSet<String>,
        findings: &mut Findings,
    ) -> Self {
        let mut folder = Self {
            unread,
            files: Vec::new(),
            paths: BTreeMap::new(),
            trees: BTreeMap::new(),
        };
        for (path, bytes) in files {
            if !is_ours(path) {
                continue;
            }
            let file = match u16::try_from(folder.files.len()) {
                Ok(file) if folder.files.len() < MAX_FILES => file,
                _ => {
                    let message = format!(
                        "the show has more than {MAX_FILES} files; this one and those after it are left out"
                    );
                    findings.add(whole_file(
                        "too-many-files",
                        path,
                        message,
                        "make two shows of it",
                    ));
                    break;
                }
            };
            let text = if path.ends_with(".ron") {
                let tree = Tree::from_bytes(bytes);
                let text = tree.text().to_owned();
                folder.trees.insert(file, tree);
                text
            } else {
                plain_text(path, bytes, findings)
            };
            folder.paths.insert(path.clone(), file);
            folder.files.push(SourceFile {
                path: path.clone(),
                text,
            });
        }
        folder
    }

    fn page_texts(&self) -> BTreeMap<String, String> {
        let texts = self.files.iter().filter(|file| file.path.ends_with(".txt"));
        texts
            .map(|file| (file.path.clone(), file.text.clone()))
            .collect()
    }

    /// The rig, if its file can be judged at all.
    fn rig(&self, findings: &mut Findings) -> Option<RigRead> {
        const PATH: &str = "rig.ron";
        let Some((&file, tree)) = self
            .paths
            .get(PATH)
            .and_then(|file| Some((file, self.trees.get(file)?)))
        else {
            if self.unread.contains(PATH) {
                return None;
            }
            let message = "this folder has no rig.ron, so it is not a show".into();
            findings.add(whole_file(
                "missing-file",
                PATH,
                message,
                "`segue new --demo DIR` writes a show to start from",
            ));
            return None;
        };
        let mut report = Report::open(PATH, tree, findings);
        let version = judge(tree, &mut report)?;
        let lists = Lists {
            paths: &self.paths,
            files: &self.files,
            unread: &self.unread,
        };
        let (rig, problems) = match version {
            Version::One => rig::rig(tree.root(), &mut report, file, lists),
        };
        let mut places = Places::new(&self.files);
        for (file, problem) in problems {
            findings.add_with(problem.level, || {
                let place = match (problem.span, self.files.get(usize::from(file))) {
                    (Some(span), _) => places.place(
                        Source {
                            file,
                            middle_c: MiddleC::default(),
                        }
                        .site(span),
                    ),
                    (None, Some(file)) => Place::of_file(&file.path),
                    (None, None) => Place::default(),
                };
                Finding {
                    id: problem.id,
                    level: problem.level,
                    place,
                    message: problem.message,
                    help: problem.help,
                }
            });
        }
        Some(rig)
    }

    /// The files of a folder that end in `.ron`, by name.
    fn trees_in(&self, folder: &str, findings: &mut Findings) -> Vec<Sound<'_>> {
        let mut sound = Vec::new();
        for path in &self.unread {
            sound.extend(stem_in(folder, path).map(|stem| Sound {
                stem,
                tree: None,
                path,
                file: u16::MAX,
            }));
        }
        for (path, &file) in &self.paths {
            let Some(stem) = stem_in(folder, path) else {
                continue;
            };
            let Some(tree) = self.trees.get(&file) else {
                continue;
            };
            let mut report = Report::open(path, tree, findings);
            let tree = judge(tree, &mut report).map(|Version::One| tree);
            sound.push(Sound {
                stem,
                tree,
                path,
                file,
            });
        }
        sound
    }
}

/// The name of a file of a folder, without its ending.
fn stem_in<'p>(folder: &str, path: &'p str) -> Option<&'p str> {
    path.strip_prefix(folder)?
        .strip_prefix('/')?
        .strip_suffix(".ron")
}

/// The version of a tree that can be read; None, with findings, if its grammar is broken: what
/// is left of it would only give false findings.
fn judge(tree: &Tree, report: &mut Report<'_>) -> Option<Version> {
    if !tree.is_sound() {
        return None;
    }
    read_version(tree.root(), report)
}

fn is_ours(path: &str) -> bool {
    let is_document = path == "rig.ron"
        || ["songs/", "nights/"]
            .iter()
            .any(|folder| path.starts_with(folder))
            && path.ends_with(".ron");
    is_document || path.ends_with(".csv") || path.ends_with(".txt")
}

/// Reads all songs into the show; gives their names, also of those that could not be read.
fn read_songs(
    show: &mut Show,
    songs: &[Sound<'_>],
    rig: &RigRead,
    folder: &Folder,
    findings: &mut Findings,
) -> Names {
    let mut names = match folder.unread.contains("songs") {
        true => Names::partial(),
        false => Names::default(),
    };
    let mut drafts = Vec::new();
    for song in songs {
        let source = Source {
            file: song.file,
            middle_c: rig.rig.middle_c,
        };
        let draft = song.tree.and_then(|tree| {
            song::song_draft(
                tree.root(),
                source,
                &mut Report::new(song.path, tree, findings),
            )
        });
        names.add(song.stem, draft.is_some().then_some(drafts.len()));
        drafts.extend(draft.map(|draft| (song.stem, draft)));
    }
    let mut log = Log::new(&folder.files, findings);
    defaults::sound(&rig.defaults, &ZoneDraft::default(), rig, &mut log);
    show.songs = drafts
        .iter()
        .map(|(stem, draft)| song::song(draft, stem, rig, &mut log))
        .collect();
    names
}

fn read_nights(
    show: &mut Show,
    nights: &[Sound<'_>],
    rig: &RigRead,
    song_names: &Names,
    findings: &mut Findings,
) {
    for night in nights {
        let Some(tree) = night.tree else { continue };
        let tonight = night::Tonight {
            source: Source {
                file: night.file,
                middle_c: rig.rig.middle_c,
            },
            rig,
            songs: &show.songs,
            song_names,
        };
        let mut report = Report::new(night.path, tree, findings);
        show.nights
            .extend(night::night(tree.root(), night.stem, tonight, &mut report));
    }
    // Where a night could not be read, no default night takes its place.
    if nights.is_empty() && !show.is_unread("nights") {
        show.nights.push(night::every_song(show, song_names));
    }
}
