//! A script's rig and scenes as a show, and as model receivers.

use std::collections::BTreeMap;

use segue::engine::promptbook::InPort;
use segue::midi::mpe::{Leader, Side};
use segue::midi::{Channel, Controller, Key, Message, MpeZone, Program, Value7, Value14};
use segue::show::model::{
    Action, BankBytes, ControllerItem, Cue, CueMessage, CueNote, CuePlace, Curve, Leave,
    LevelChange, LevelLaw, Manners, Night, NightEntry, Page, PageManner, Parameter, ParameterKind,
    ParameterValue, PatchItem, PatchList, PedalBinding, Port, PortKind, PortMatch, Receiver,
    ReceiverKind, ReceiverPatch, Rig, Scene, SceneCue, Show, Site, SlotGroup, Song, Source,
    SourceKind, TemplateByte, Trigger, Zone,
};
use segue::sim::{
    HeldNotes, Kind, LoadingControllers, LoadingNotes, ModelManners, ProgramResets, ReceiverModel,
    ReceiverSpec, Restrike,
};
use segue::wire;

use crate::properties::setting;
use crate::routed;
use crate::script::{Lv, Mn, Mz, Rx, RxKind, Sc, Setup, Speed, Zn};

/// Curves of zones that play one patch in one scene.
const BANDS: usize = 6;
/// Patches of every receiver.
pub(crate) const PATCHES: usize = 6;
/// The controller of the pedal that steps.
pub(crate) const STEP_PEDAL: u8 = 80;
/// The controller by which cues reach a lighting desk.
pub(crate) const CUE_CONTROL: u8 = 20;
/// The key of those that are notes, and how long they sound.
pub(crate) const CUE_KEY: u8 = 60;
pub(crate) const CUE_LENGTH_MS: u16 = 700;
/// The controller by which page tablets are told their page.
pub(crate) const PAGE_CONTROL: u8 = 21;
/// Pages of each song, numbered through the night.
pub(crate) const PAGES: u16 = 3;
/// Velocities over which windows of curved zones fade.
const FADE: u8 = 24;
/// Ends of the line by which a curved zone bends velocities.
pub(crate) const CURVE: [(i32, i32); 2] = [(1, 30), (127, 110)];
/// The controller of a finger's third axis.
pub(crate) const SLIDE: u8 = 74;
/// The controllers that a keyboard sends.
pub(crate) const SOURCES: [u8; 5] = [1, 11, 64, 66, 67];

/// A show, made of a script or read from its files, and what is needed to judge it.
pub(crate) struct World {
    pub(crate) show: Show,
    pub(crate) night: Night,
    pub(crate) specs: Vec<ReceiverSpec>,
    pub(crate) kinds: Vec<wire::PortKind>,
    /// Output port of each receiver.
    pub(crate) ports: Vec<usize>,
    /// Where each controller that can be played comes in, and on which channel.
    pub(crate) inputs: Vec<(InPort, Channel)>,
    /// The controller of each of `inputs`: fingers of a surface come after the keyboards, as
    /// hands of their own.
    pub(crate) controllers: Vec<usize>,
    /// The night's positions.
    pub(crate) line: Vec<Spot>,
    /// Whether the cues are those of `cues`, whose values name their scenes.
    pub(crate) has_numbered_cues: bool,
}

/// A position of the night.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Spot {
    pub(crate) song: usize,
    pub(crate) scene: usize,
    /// Semitones of song and night together.
    pub(crate) transpose: i32,
    /// A song begins here.
    pub(crate) is_start: bool,
}

impl World {
    /// Its receivers as models, just switched on.
    pub(crate) fn models(&self) -> Vec<ReceiverModel> {
        self.specs.iter().cloned().map(ReceiverModel::new).collect()
    }
}

/// The rig's output ports come first, then a port for each keyboard, then the pedal's.
pub(crate) fn build(setup: &Setup) -> World {
    let outputs = setup.ports.len().max(1);
    let speed = |at: usize| setup.ports.get(at).copied().unwrap_or(Speed::Usb);
    let mut rig = Rig {
        ports: (0..outputs)
            .map(|at| port(format!("out {at}"), speed(at)))
            .collect(),
        curves: [
            Curve {
                name: "straight".into(),
                points: Vec::new(),
            },
            Curve {
                name: "curved".into(),
                points: CURVE
                    .map(|(x, y)| (Value7::clamped(x), Value7::clamped(y)))
                    .to_vec(),
            },
        ]
        .into_iter()
        .chain((0..BANDS).map(band))
        .collect(),
        ..Rig::default()
    };
    let keyboards = setup.keyboards.max(1);
    for at in 0..keyboards {
        rig.ports.push(port(format!("keys {at}"), Speed::Usb));
        rig.controllers.push(keyboard(at, outputs + at));
    }
    let mut inputs: Vec<(InPort, Channel)> = (0..keyboards)
        .map(|at| (InPort(at as u8), Channel::MIN))
        .collect();
    let mut controllers: Vec<usize> = (0..keyboards).collect();
    if let (Some(surface), Some(last)) = (setup.surface, rig.controllers.last_mut()) {
        let zone = mpe_zone(surface);
        last.channel = Some(zone.manager());
        last.mpe = Some(zone);
        let number = Controller::clamped(i32::from(SLIDE));
        last.sources
            .push(source("slide", SourceKind::Control(number)));
        let port = InPort(keyboards as u8 - 1);
        inputs[keyboards - 1] = (port, zone.manager());
        inputs.extend(zone.channels().skip(1).map(|channel| (port, channel)));
        controllers.resize(inputs.len(), keyboards - 1);
    }
    rig.ports.push(port("pedal".into(), Speed::Usb));
    rig.controllers.push(pedal_box(outputs + keyboards));
    rig.bindings.push(PedalBinding {
        name: "step".into(),
        site: Site::default(),
        controller: keyboards,
        trigger: Trigger::Control(Controller::clamped(i32::from(STEP_PEDAL))),
        action: Action::Step,
        is_latching: false,
        is_inverted: false,
    });
    let mut specs = Vec::new();
    let mut ports = Vec::new();
    let mut free: BTreeMap<usize, u8> = BTreeMap::new();
    for (at, rx) in setup.receivers.iter().enumerate() {
        let on_port = setup
            .receivers
            .iter()
            .filter(|other| other.port % outputs == rx.port % outputs)
            .count();
        let first = free.entry(rx.port % outputs).or_insert(0);
        let receiver = receiver(setup, at, rx, outputs, first, 16 / on_port.max(1));
        specs.push(spec(rx, &receiver));
        ports.push(receiver.port);
        rig.receivers.push(receiver);
    }
    let (songs, order) = songs(setup, &rig);
    let line = songs
        .iter()
        .enumerate()
        .flat_map(|(song, item)| {
            (0..item.scenes.len()).map(move |scene| Spot {
                song,
                scene,
                transpose: 0,
                is_start: scene == 0,
            })
        })
        .collect();
    let mut kinds = Vec::new();
    for at in (0..outputs).filter(|at| ports.contains(at)) {
        kinds.push(match speed(at) {
            Speed::Usb => wire::PortKind::Usb,
            Speed::Din => wire::PortKind::Din,
            Speed::UsbToDin => wire::PortKind::UsbToDin,
            Speed::Software => wire::PortKind::Software,
        });
    }
    let used: Vec<usize> = (0..outputs).filter(|at| ports.contains(at)).collect();
    let ports = ports
        .iter()
        .map(|port| used.iter().position(|at| at == port).unwrap_or(0))
        .collect();
    let night = Night {
        name: "all".into(),
        order,
        ..Night::default()
    };
    let show = Show {
        name: "judged".into(),
        rig,
        songs,
        nights: vec![night.clone()],
        ..Show::default()
    };
    World {
        show,
        night,
        specs,
        kinds,
        ports,
        inputs,
        controllers,
        line,
        has_numbered_cues: true,
    }
}

fn port(name: String, speed: Speed) -> Port {
    Port {
        matches: PortMatch::Name(name.clone()),
        name,
        site: Site::default(),
        kind: match speed {
            Speed::Usb => PortKind::Usb,
            Speed::Din => PortKind::Din,
            Speed::UsbToDin => PortKind::UsbToDin,
            Speed::Software => PortKind::Software,
        },
    }
}

fn source(name: &str, kind: SourceKind) -> Source {
    Source {
        name: name.into(),
        site: Site::default(),
        kind,
        is_inverted: false,
        bend_range: None,
    }
}

fn mpe_zone(zone: Mz) -> MpeZone {
    MpeZone {
        side: if zone.is_upper {
            Side::Upper
        } else {
            Side::Lower
        },
        members: zone.members.clamp(1, 7),
        bend_range: zone.bend_range.clamp(1, 96),
    }
}

fn keyboard(at: usize, port: usize) -> ControllerItem {
    let mut sources: Vec<Source> = SOURCES
        .iter()
        .map(|number| {
            source(
                &format!("control {number}"),
                SourceKind::Control(Controller::clamped(i32::from(*number))),
            )
        })
        .collect();
    sources.push(source("bend", SourceKind::Bend));
    sources.push(source("pressure", SourceKind::Pressure));
    sources.push(source("key pressure", SourceKind::PolyPressure));
    ControllerItem {
        name: format!("keyboard {at}"),
        site: Site::default(),
        port,
        channel: None,
        mpe: None,
        keys: Some((Key::MIN, Key::MAX)),
        sources,
    }
}

fn pedal_box(port: usize) -> ControllerItem {
    ControllerItem {
        name: "pedals".into(),
        site: Site::default(),
        port,
        channel: None,
        mpe: None,
        keys: None,
        sources: Vec::new(),
    }
}

fn receiver(
    setup: &Setup,
    at: usize,
    rx: &Rx,
    outputs: usize,
    first: &mut u8,
    budget: usize,
) -> Receiver {
    let mut left = match rx.kind {
        RxKind::Instrument => budget.max(1),
        _ => 1,
    };
    let mut groups = Vec::new();
    if let Some(zone) = rx.mpe.map(mpe_zone)
        && rx.kind == RxKind::Instrument
        && budget == 16
    {
        groups.push(SlotGroup {
            name: "zone".into(),
            site: Site::default(),
            channels: vec![zone.manager()],
            mpe: vec![zone],
        });
        left -= usize::from(zone.members) + 1;
        if zone.side == Side::Lower {
            *first = zone.members + 1;
        }
    }
    for (number, size) in rx.groups.iter().enumerate() {
        let size = (*size).clamp(1, 16).min(left);
        if size == 0 {
            break;
        }
        left -= size;
        let channels = (0..size)
            .map(|_| {
                let channel = Channel::clamped(i32::from(*first));
                *first += 1;
                channel
            })
            .collect();
        groups.push(SlotGroup {
            name: format!("group {number}"),
            site: Site::default(),
            channels,
            mpe: Vec::new(),
        });
    }
    let (kind, hears) = match rx.kind {
        RxKind::Instrument => (ReceiverKind::Instrument, Vec::new()),
        RxKind::Effects(heard) => (
            ReceiverKind::Effects,
            vec![heard % setup.receivers.len().max(1)],
        ),
        RxKind::Lights => (ReceiverKind::Lights, Vec::new()),
        RxKind::Pages => (ReceiverKind::Pages, Vec::new()),
    };
    Receiver {
        name: format!("receiver {at}"),
        site: Site::default(),
        kind,
        sounds: kind.sounds(),
        port: rx.port % outputs,
        groups,
        global: None,
        patches: patches(at),
        parameters: if kind == ReceiverKind::Instrument {
            parameters(rx.parameters)
        } else {
            Vec::new()
        },
        cues: cues(setup, kind, *first),
        manners: manners(&rx.manners),
        pages: (kind == ReceiverKind::Pages).then_some(PageManner::Control(Controller::clamped(
            i32::from(PAGE_CONTROL),
        ))),
        hears,
        keyboard: None,
        mixer: None,
        panel: Vec::new(),
        spare_of: None,
    }
}

fn patches(at: usize) -> PatchList {
    let patches = (0..PATCHES)
        .map(|number| PatchItem {
            name: format!("patch {number}"),
            bank_msb: Value7::new((number % 3) as u8),
            bank_lsb: Value7::new((number / 3 + at) as u8),
            // Two patches differ in their bank alone.
            program: Program::clamped((10 * at + number.min(PATCHES - 2)) as i32),
            category: String::new(),
            trim_db: 0.0,
            voices: None,
            release_s: None,
            load_ms: None,
        })
        .collect();
    PatchList {
        origin: "made".into(),
        patches,
    }
}

fn parameters(bits: u8) -> Vec<Parameter> {
    let number = |n: u16| Value14::new(n).expect("14 bits");
    let kinds = [
        (
            "brightness",
            ParameterKind::Control(Controller::clamped(74)),
            64,
        ),
        ("depth", ParameterKind::Nrpn(number(1300)), 10),
        ("tuning", ParameterKind::Rpn(number(1)), 8192),
        (
            "drive",
            ParameterKind::Exclusive(vec![
                TemplateByte::Byte(0xf0),
                TemplateByte::Byte(0x7d),
                TemplateByte::SumStart,
                TemplateByte::Value,
                TemplateByte::Sum,
                TemplateByte::Byte(0xf7),
            ]),
            3,
        ),
        ("mix", ParameterKind::Pair(Controller::clamped(16)), 0),
    ];
    kinds
        .into_iter()
        .enumerate()
        .filter(|(bit, _)| bits >> bit & 1 == 1)
        .map(|(_, (name, kind, neutral))| Parameter {
            name: name.into(),
            site: Site::default(),
            kind,
            range: (0, 16383),
            neutral: Some(neutral),
            is_global: false,
            states: Vec::new(),
        })
        .collect()
}

/// One cue for each scene; its value says which. Every other one is a note, whose velocity
/// says it.
fn cues(setup: &Setup, kind: ReceiverKind, next_channel: u8) -> Vec<Cue> {
    if kind != ReceiverKind::Lights {
        return Vec::new();
    }
    let channel = Channel::clamped(i32::from(next_channel) - 1);
    (0..setup.scenes.len())
        .map(|scene| Cue {
            name: format!("cue {scene}"),
            site: Site::default(),
            message: if scene % 2 == 0 {
                CueMessage::Short(Message::Control(
                    channel,
                    Controller::clamped(i32::from(CUE_CONTROL)),
                    Value7::clamped(scene as i32),
                ))
            } else {
                CueMessage::Note(CueNote {
                    place: CuePlace::Channel(channel),
                    key: Key::clamped(i32::from(CUE_KEY)),
                    velocity: Value7::clamped(scene as i32),
                    length_ms: CUE_LENGTH_MS,
                })
            },
        })
        .collect()
}

fn manners(mn: &Mn) -> Manners {
    Manners {
        bank: match mn.bank & 3 {
            0 => BankBytes::None,
            1 => BankBytes::Msb,
            2 => BankBytes::Lsb,
            _ => BankBytes::Both,
        },
        programs_from_1: false,
        load_ms: mn.load_ms,
        resets_controllers: mn.resets,
        cuts_notes: mn.cuts,
        // Whether a find is priming's is seen by playing it with nothing primed.
        may_prime: mn.primes && setting("SEGUE_UNPRIMED", 0) == 0,
        polyphony: None,
        level: LevelLaw::Gm,
        release_s: mn.release_ms as f32 / 1000.0,
        holds_back: mn.holds_back,
        boot_ms: mn.boot_ms,
        heeds_sensing: true,
    }
}

/// The model of a receiver: its times are three quarters of those stated, so that what is
/// stated is a limit and not a coincidence.
pub(crate) fn spec(rx: &Rx, receiver: &Receiver) -> ReceiverSpec {
    let mn = &rx.manners;
    let mut groups = [u8::MAX; 16];
    let mut listens = 0;
    for (number, group) in receiver.groups.iter().enumerate() {
        for channel in group.all_channels() {
            groups[channel.index()] = number as u8;
            listens |= 1 << channel.get();
        }
    }
    ReceiverSpec {
        kind: match rx.kind {
            RxKind::Instrument => Kind::Instrument,
            RxKind::Effects(_) => Kind::Effects,
            RxKind::Lights | RxKind::Pages => Kind::Silent,
        },
        listens,
        groups,
        fixed: Vec::new(),
        patches: Vec::new(),
        knows_zones: receiver.groups.iter().any(|group| !group.mpe.is_empty()),
        manners: ModelManners {
            heeds_bank_msb: mn.bank & 1 == 1,
            heeds_bank_lsb: mn.bank & 2 == 2,
            load_us: u64::from(mn.load_ms) * 750,
            loading_controllers: if mn.loses_moves {
                LoadingControllers::Ignored
            } else {
                LoadingControllers::Taken
            },
            loading_notes: if mn.loses_notes {
                LoadingNotes::Ignored
            } else {
                LoadingNotes::Taken
            },
            program_resets: if mn.resets {
                ProgramResets::Everything
            } else {
                ProgramResets::Nothing
            },
            held_notes: match (mn.cuts, mn.revoices) {
                (false, _) => HeldNotes::Keep,
                (true, false) => HeldNotes::Cut,
                (true, true) => HeldNotes::Revoice,
            },
            polyphony: 4096,
            release_us: u64::from(mn.release_ms) * 750,
            restrike: if mn.replaces {
                Restrike::Replace
            } else {
                Restrike::Stack
            },
            boot_us: u64::from(mn.boot_ms) * 750,
            heeds_reset_all: !mn.ignores_reset,
            ..ModelManners::gm2()
        },
    }
}

fn songs(setup: &Setup, rig: &Rig) -> (Vec<Song>, Vec<NightEntry>) {
    let mut scenes: Vec<Scene> = setup
        .scenes
        .iter()
        .enumerate()
        .map(|(at, sc)| scene(at, sc, rig))
        .collect();
    let mut songs = Vec::new();
    for size in setup.songs.iter().copied().chain([usize::MAX]) {
        let take = size.min(scenes.len());
        let mine: Vec<Scene> = scenes.drain(..take).collect();
        if !mine.is_empty() {
            songs.push(song(songs.len(), mine));
        }
    }
    let order = (0..songs.len())
        .map(|song| NightEntry::all_of(song, Site::default()))
        .collect();
    (songs, order)
}

fn song(at: usize, scenes: Vec<Scene>) -> Song {
    Song {
        pages: (0..PAGES)
            .map(|_| Page {
                number: None,
                text: None,
                site: Site::default(),
            })
            .collect(),
        ..Song::straight(format!("song {at}"), scenes)
    }
}

fn scene(at: usize, sc: &Sc, rig: &Rig) -> Scene {
    let of_kind = |kind: ReceiverKind| {
        rig.receivers
            .iter()
            .enumerate()
            .filter(move |(_, receiver)| receiver.kind == kind)
            .map(|(at, _)| at)
    };
    let patches = sc.effect.map_or_else(Vec::new, |patch| {
        of_kind(ReceiverKind::Effects)
            .map(|receiver| ReceiverPatch {
                receiver,
                patch: usize::from(patch) % PATCHES,
                group: 0,
                site: Site::default(),
            })
            .collect()
    });
    let cues = sc.cue.map_or_else(Vec::new, |on_jump| {
        of_kind(ReceiverKind::Lights)
            .map(|receiver| SceneCue {
                receiver,
                cue: at,
                on_jump,
                site: Site::default(),
            })
            .collect()
    });
    let mut settings: Vec<ParameterValue> = Vec::new();
    for (receiver, parameter, value) in &sc.values {
        let receiver = receiver % rig.receivers.len().max(1);
        let count = rig
            .receivers
            .get(receiver)
            .map_or(0, |r| r.parameters.len());
        if count > 0 {
            settings.push(ParameterValue {
                receiver,
                parameter: parameter % count,
                value: Some(u16::from(*value & 0x7f)),
                site: Site::default(),
            });
        }
    }
    let zones = zones(sc, rig);
    Scene {
        name: format!("scene {at}"),
        patches,
        settings,
        routes: routed::routes(&sc.routes, &zones, rig),
        zones,
        cues,
        page: sc.page.map(|page| page % PAGES + 1),
        is_brief: sc.is_brief,
        ..Scene::default()
    }
}

/// The zones, as far as every sound finds a slot of its own: a scene that asks for more is
/// an error that `check` reports.
fn zones(sc: &Sc, rig: &Rig) -> Vec<Zone> {
    let instruments: Vec<usize> = (0..rig.receivers.len())
        .filter(|at| rig.receivers[*at].kind == ReceiverKind::Instrument)
        .collect();
    let mut taken: BTreeMap<(usize, usize), usize> = BTreeMap::new();
    let mut zones = Vec::new();
    for (at, zn) in sc.zones.iter().enumerate() {
        if instruments.is_empty() {
            break;
        }
        let receiver = instruments[zn.receiver % instruments.len()];
        let groups = &rig.receivers[receiver].groups;
        let group = zn.group % groups.len();
        let used = taken.entry((receiver, group)).or_insert(0);
        if *used >= groups[group].channels.len() {
            continue;
        }
        *used += 1;
        zones.push(zone(at, zn, receiver, group, rig));
    }
    tell_apart(&mut zones);
    zones
}

/// Zones of a scene that play one patch are told apart by what they make of velocity: which
/// of two equal notes is whose could only be guessed.
fn tell_apart(zones: &mut [Zone]) {
    let patch = |zone: &Zone| (zone.receiver, zone.group, zone.patch);
    let patches: Vec<_> = zones.iter().map(patch).collect();
    for (at, zone) in zones.iter_mut().enumerate() {
        let like = |others: &[_]| others.iter().filter(|other| **other == patches[at]).count();
        if like(&patches) > 1 {
            zone.curve = 2 + like(&patches[..at]) % BANDS;
            zone.velocity_fades = (0, 0);
        }
    }
}

/// A curve that keeps to a part of the velocities, all its own.
fn band(at: usize) -> Curve {
    let width = 126 / BANDS;
    let value = |value: usize| Value7::clamped(value as i32);
    let low = 1 + at * width;
    Curve {
        name: format!("band {at}"),
        points: vec![(value(1), value(low)), (value(127), value(low + width - 1))],
    }
}

fn zone(at: usize, zn: &Zn, receiver: usize, group: usize, rig: &Rig) -> Zone {
    let keyboards = rig.controllers.len() - 1;
    let ordered = |a: u8, b: u8| (a.min(b), a.max(b));
    let keys = ordered(zn.keys.0 & 0x7f, zn.keys.1 & 0x7f);
    let velocities = ordered(
        (zn.velocities.0 & 0x7f).max(1),
        (zn.velocities.1 & 0x7f).max(1),
    );
    let value = |v: u8| Value7::clamped(i32::from(v));
    Zone {
        name: format!("zone {at}"),
        site: Site::default(),
        controller: zn.keyboard % keyboards,
        keys: (
            Key::clamped(i32::from(keys.0)),
            Key::clamped(i32::from(keys.1)),
        ),
        keys_site: Site::default(),
        velocities: (value(velocities.0), value(velocities.1)),
        // Windows of curved zones fade at the end that they do not share with the keyboard.
        velocity_fades: (
            if zn.is_curved && velocities.0 > 1 {
                FADE
            } else {
                0
            },
            if zn.is_curved && velocities.1 < 127 {
                FADE
            } else {
                0
            },
        ),
        curve: usize::from(zn.is_curved),
        receiver,
        group,
        patch: Some(zn.patch % PATCHES),
        level_db: f32::from(zn.level_db.clamp(-30, 4)),
        level_site: Site::default(),
        pan: zn.pan.map(value),
        bend_range: zn.bend_range,
        transpose: zn.transpose,
        is_never_transposed: false,
        catches: zn.catches,
        leave: match zn.leave {
            Lv::Hold => Leave::Hold,
            Lv::Cut => Leave::Cut,
            Lv::Fade(ms) => Leave::Fade(ms),
        },
        level_change: if zn.takes_new_level {
            LevelChange::New
        } else {
            LevelChange::Ride
        },
        finger: if zn.is_highest {
            Leader::Highest
        } else {
            Leader::Last
        },
        settings: Vec::new(),
    }
}
