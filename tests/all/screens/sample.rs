//! A night to draw: invented names, two keyboards and a pedal box, four receivers.

use segue::engine::limits::{
    MAX_CONTROLLERS, MAX_HELD_SHOWN, MAX_PORTS, MAX_RECEIVERS, MAX_SLOTS, MAX_SOUNDS,
};
use segue::engine::promptbook::{ControllerId, PositionId, SlotId};
use segue::engine::view::{
    ControllerView, Counters, HeldView, KeySet, NextView, Presence, PressView, ReceiverView,
    SlotView, View,
};
use segue::screen::{InPortStatus, KeyLine, LogLevel, LogLine, OutPortStatus, RigStatus};
use segue::screen::{ScreenModel, UiState};
use segue::sheet::*;
use segue::vocabulary::{PortKind, ReceiverKind};

/// Everything a model borrows from.
pub(crate) struct Sample {
    pub(crate) sheet: Sheet,
    pub(crate) view: View,
    pub(crate) rig: RigStatus,
    pub(crate) log: Vec<LogLine>,
    pub(crate) ui: UiState,
    pub(crate) keys: Vec<KeyLine>,
    pub(crate) now_us: u64,
    pub(crate) time_s: u32,
}

impl Sample {
    pub(crate) fn new() -> Self {
        Self {
            sheet: sheet(),
            view: view(),
            rig: rig(),
            log: log(),
            ui: UiState::default(),
            keys: segue::ui::keys::key_lines(),
            now_us: 61_000_000,
            time_s: (21 * 60 + 14) * 60,
        }
    }

    /// The second keyboard becomes a surface, the organ an instrument of one MPE zone (lower,
    /// seven members), and fingers are down on it.
    pub(crate) fn lay_a_surface(&mut self) {
        self.sheet.controllers[1].name = "touch".into();
        self.sheet.in_ports[1].name = "surface".into();
        let synth = &mut self.sheet.receivers[1];
        synth.name = "touch synth".into();
        synth.channels = vec![1];
        synth.last_channels = vec![8];
        synth.patches[0] = PatchName {
            bank_msb: None,
            bank_lsb: None,
            program: 3,
            name: "Singing glass".into(),
        };
        for scene in &mut self.sheet.scenes {
            scene.sounds[3].patch = "Singing glass".into();
        }
        self.view.slots[16].notes = 4;
        let fingers = [
            (1, 60, 7, true),
            (1, 67, 8, true),
            (1, 76, 8, true),
            (0, 48, 8, false),
        ];
        self.view.held = [HeldView::default(); MAX_HELD_SHOWN];
        self.view.held_count = 4;
        for (shown, (controller, key, position, is_key_down)) in
            self.view.held.iter_mut().zip(fingers)
        {
            *shown = HeldView {
                controller: ControllerId(controller),
                in_key: key,
                slot: SlotId(16),
                out_key: key,
                position: Some(PositionId(position)),
                is_key_down,
                is_latched: false,
                is_foreign: position < 8,
            };
        }
        self.view.controllers[1].keys_down = keys(&[67, 76]);
        self.view.controllers[1].held_over = keys(&[60]);
        self.view.controllers[1].struck = Some((76, 90));
    }

    pub(crate) fn model(&self) -> ScreenModel<'_> {
        ScreenModel {
            sheet: &self.sheet,
            view: &self.view,
            rig: &self.rig,
            log: &self.log,
            ui: &self.ui,
            keys: &self.keys,
            now_us: self.now_us,
            time_s: self.time_s,
        }
    }
}

/// Songs: call number, title, key, tempo, and the names of their scenes.
const SONGS: [(&str, &str, &str, f32, &[&str]); 6] = [
    (
        "1",
        "Lanterns on the Quay",
        "D",
        112.0,
        &["Opening", "Verse organ", "Lift", "Coda"],
    ),
    (
        "2",
        "Half a Mile of Rain",
        "Em",
        84.0,
        &["Drizzle", "Chorus", "Drizzle again"],
    ),
    (
        "3",
        "Salt Road",
        "Am",
        96.0,
        &[
            "Riff",
            "Strings over bass",
            "Glass choir",
            "Solo: brass and a very long name",
        ],
    ),
    (
        "5",
        "Paper Moons",
        "F",
        70.0,
        &["Felt piano", "Waltz", "Bells"],
    ),
    (
        "6",
        "The Lamplighter's Daughter",
        "Bb",
        128.0,
        &["Stomp", "Break", "Stomp", "Out"],
    ),
    ("7", "Homeward", "G", 76.0, &["Hymn", "All"]),
];

fn sheet() -> Sheet {
    let mut sheet = Sheet {
        show: "Harbour Nights".into(),
        night: "Tuesday, Quay Hall".into(),
        start_minute: Some(20 * 60),
        end_minute: Some(22 * 60 + 30),
        middle_c_octave: 4,
        controllers: vec![
            ControllerLine {
                name: "lower".into(),
                keys: Some((28, 103)),
                port: 0,
            },
            ControllerLine {
                name: "upper".into(),
                keys: Some((36, 96)),
                port: 1,
            },
            ControllerLine {
                name: "pedals".into(),
                keys: None,
                port: 2,
            },
        ],
        receivers: vec![
            receiver(
                "main",
                ReceiverKind::Instrument,
                0,
                (0, 16),
                (1..=16).collect(),
            ),
            receiver("organ", ReceiverKind::Instrument, 1, (16, 1), vec![3]),
            receiver("echo box", ReceiverKind::Effects, 1, (17, 1), vec![16]),
            receiver("tablet", ReceiverKind::Pages, 2, (18, 1), vec![1]),
        ],
        in_ports: vec![
            port("lower", PortKind::Usb),
            port("upper", PortKind::Usb),
            port("pedal box", PortKind::Din),
        ],
        out_ports: vec![
            port("rack", PortKind::Usb),
            port("old loom", PortKind::UsbToDin),
            port("tablet", PortKind::Usb),
        ],
        pedals: vec![PedalLine {
            name: "right foot".into(),
            controller: 2,
            sends: "feet controller 80".into(),
            action: "step".into(),
        }],
        // Straight, and one that is soft for long, from 60 on, faded in over 20.
        curves: vec![(0..128).collect(), (0..128).map(firm).collect()],
        ..Sheet::default()
    };
    for (number, (call, title, key, tempo, scenes)) in SONGS.into_iter().enumerate() {
        let first = sheet.positions.len();
        for (place, name) in scenes.iter().enumerate() {
            sheet.positions.push(PositionLine {
                call: format!("{call}.{}", place + 1),
                scene: sheet.scenes.len(),
                song: number,
            });
            sheet.scenes.push(scene(name, number + place));
        }
        sheet.songs.push(SongLine {
            title: title.into(),
            call: call.into(),
            tempo: Some(tempo),
            beats: Some(if number == 0 { 3 } else { 4 }),
            key: key.into(),
            transpose: if number == 2 { -2 } else { 0 },
            tonight: if number == 2 { -2 } else { 0 },
            length_s: Some(210 + 15 * number as u32),
            positions: (first, scenes.len()),
            pages: vec![
                "Intro x4, then in on the second bar.\nAm  F  C  G\nrain upon the salt road,\n\
                 rain upon the hill"
                    .into(),
                "Am  F  |  Dm  E  |  hold the E until the drums come back".into(),
            ],
        });
        sheet.order.push(OrderLine::Song(number));
        if number == 2 {
            sheet.order.push(OrderLine::Skipped {
                call: "4".into(),
                title: "Tin Whistle Weather".into(),
            });
            sheet.order.push(OrderLine::Break(20 * 60));
        }
    }
    let remark = |position, words: &str| RemarkLine {
        position,
        words: words.into(),
    };
    // Passed, present, the next but one, and two that are further on.
    sheet.remarks = vec![
        remark(2, "1.3: this is over"),
        remark(
            8,
            "3.2: \"Glass bells\" on main takes a slot that was just played: notes held there are not safe",
        ),
        remark(
            10,
            "3.4: echo box changes to \"Wide hall\" while sound passes through it",
        ),
        remark(11, "5.1: this is later"),
        remark(19, "7.2: this is much later"),
    ];
    sheet
}

fn receiver(
    name: &str,
    kind: ReceiverKind,
    port: usize,
    slots: (usize, usize),
    channels: Vec<u8>,
) -> ReceiverLine {
    ReceiverLine {
        name: name.into(),
        kind,
        port,
        slots,
        last_channels: channels.clone(),
        channels,
        spare_of: None,
        has_level: kind == ReceiverKind::Instrument,
        patches: vec![
            PatchName {
                bank_msb: Some(87),
                bank_lsb: Some(2),
                program: 48,
                name: "Warm strings".into(),
            },
            PatchName {
                bank_msb: Some(87),
                bank_lsb: Some(2),
                program: 32,
                name: "Upright bass".into(),
            },
            PatchName {
                bank_msb: None,
                bank_lsb: None,
                program: 14,
                name: "Glass bells".into(),
            },
        ],
    }
}

fn port(name: &str, kind: PortKind) -> PortLine {
    PortLine {
        name: name.into(),
        kind,
    }
}

fn zone(
    controller: usize,
    keys: (u8, u8),
    transpose: i16,
    level_db: f32,
    sound: usize,
) -> ZoneLine {
    ZoneLine {
        controller,
        keys,
        velocities: (1, 127),
        fades: (0, 0),
        curve: "straight".into(),
        played: 0,
        transpose,
        level_db,
        sound,
    }
}

/// What a velocity becomes: 64 at 90 and 127 at 127, and below 80 the less the nearer to 60.
fn firm(velocity: u8) -> u8 {
    let struck = f64::from(velocity);
    let curved = match velocity {
        ..90 => struck * 64.0 / 90.0,
        _ => 64.0 + (struck - 90.0) * 63.0 / 37.0,
    };
    let part = ((struck - 59.0) / 21.0).clamp(0.0, 1.0).sqrt();
    (curved * part).round().max(1.0) as u8
}

fn scene(name: &str, kind: usize) -> SceneLine {
    let zones = match kind % 3 {
        0 => vec![
            zone(0, (28, 53), -12, 0.0, 0),
            zone(0, (54, 103), 0, -3.0, 1),
            zone(0, (72, 103), 12, -6.5, 2),
            zone(1, (36, 96), 0, 0.0, 3),
        ],
        1 => vec![
            zone(0, (28, 103), 0, 0.0, 2),
            zone(1, (36, 59), 0, 0.0, 0),
            zone(1, (60, 96), 0, -1.5, 3),
        ],
        _ => vec![
            ZoneLine {
                velocities: (60, 127),
                fades: (20, 0),
                curve: "firm".into(),
                played: 1,
                ..zone(0, (28, 103), 0, 0.0, 1)
            },
            zone(0, (28, 103), 0, -4.0, 0),
            zone(1, (84, 87), 0, 0.0, 2),
        ],
    };
    let sound = |patch: &str, receiver| SoundLine {
        patch: patch.into(),
        receiver,
    };
    SceneLine {
        name: name.into(),
        zones,
        sounds: vec![
            sound("Upright bass", 0),
            sound("Warm strings", 0),
            sound("Glass bells", 0),
            sound("Full drawbars", 1),
        ],
        routes: Vec::new(),
        player: "left hand stays low; wheel opens the filter".into(),
        technician: "echo box on; watch the organ's level".into(),
        when: "bar 9 beat 3".into(),
        is_brief: false,
    }
}

fn keys(keys: &[u8]) -> KeySet {
    let mut set = KeySet::default();
    for key in keys {
        set.insert(*key);
    }
    set
}

/// Seven notes: struck here, held over from the scene before, by key and by pedal.
fn held() -> [HeldView; MAX_HELD_SHOWN] {
    let mut held = [HeldView::default(); MAX_HELD_SHOWN];
    let notes = [
        (0, 45, 2, 7, true),
        (0, 57, 2, 7, false),
        (0, 33, 0, 8, true),
        (0, 60, 1, 8, true),
        (0, 64, 1, 8, true),
        (0, 67, 1, 8, false),
        (1, 72, 16, 8, true),
    ];
    for (shown, (controller, key, slot, position, is_key_down)) in held.iter_mut().zip(notes) {
        *shown = HeldView {
            controller: ControllerId(controller),
            in_key: key,
            slot: SlotId(slot),
            out_key: key,
            position: Some(PositionId(position)),
            is_key_down,
            is_latched: false,
            is_foreign: position < 8,
        };
    }
    held
}

fn view() -> View {
    let mut controllers = [ControllerView::default(); MAX_CONTROLLERS];
    controllers[0] = ControllerView {
        is_present: true,
        keys_down: keys(&[33, 60, 64, 67, 76]),
        held_over: keys(&[45, 57]),
        hold: true,
        ignored: [false; 3],
        struck: Some((67, 71)),
        received: 8123,
        unwanted: 2,
    };
    controllers[1] = ControllerView {
        is_present: true,
        keys_down: keys(&[72]),
        ..ControllerView::default()
    };
    controllers[2].is_present = true;
    let mut slots = [SlotView::default(); MAX_SLOTS];
    slots[0] = SlotView {
        program: Some(32),
        bank: (Some(87), Some(2)),
        volume: Some(100),
        notes: 1,
        sound: Some(0),
        is_loading: false,
    };
    slots[1] = SlotView {
        program: Some(48),
        bank: (Some(87), Some(2)),
        volume: Some(84),
        notes: 4,
        sound: Some(1),
        is_loading: false,
    };
    slots[2] = SlotView {
        program: Some(14),
        volume: Some(69),
        notes: 1,
        sound: Some(2),
        ..SlotView::default()
    };
    slots[3] = SlotView {
        program: Some(90),
        bank: (None, Some(1)),
        is_loading: true,
        ..SlotView::default()
    };
    slots[16] = SlotView {
        program: Some(3),
        volume: Some(100),
        notes: 1,
        sound: Some(3),
        ..SlotView::default()
    };
    let mut receivers = [Presence::Absent; MAX_RECEIVERS];
    receivers[0] = Presence::Verified;
    receivers[1] = Presence::NotVerified;
    receivers[2] = Presence::NotVerified;
    receivers[3] = Presence::Absent;
    let mut in_ports = [false; MAX_PORTS];
    in_ports[..3].fill(true);
    let mut seats = [None; MAX_SOUNDS];
    seats[0] = Some(SlotId(0));
    seats[1] = Some(SlotId(1));
    seats[2] = Some(SlotId(2));
    seats[3] = Some(SlotId(16));
    View {
        now_us: 60_500_000,
        edition: 0,
        position: PositionId(8),
        page: 0,
        is_muted: false,
        master: 127,
        is_faded: false,
        sends_cues: true,
        swallowed: None,
        panic_us: None,
        step_us: Some(40_000_000),
        moved: None,
        controllers,
        slots,
        receivers,
        in_ports,
        seats,
        routes: [None; segue::engine::limits::MAX_ROUTES],
        waiting: 0,
        next: next(),
        counters: Counters {
            steps: 31,
            swallowed: 2,
            notes: 8123,
            unwanted: 2,
            detours: 1,
            primed: 74,
            primes_abandoned: 3,
            ..Counters::default()
        },
        duties: [ReceiverView::default(); MAX_RECEIVERS],
        held: held(),
        held_count: 7,
        stretch: None,
        is_locked: false,
        ignored_bindings: 0,
        deed: None,
    }
}

fn next() -> NextView {
    let mut ports = [PressView::default(); MAX_PORTS];
    ports[0].bytes = 9;
    ports[1] = PressView {
        bytes: 14,
        us: 4_480,
    };
    NextView {
        position: Some(PositionId(9)),
        sounds: 4,
        ready: 3,
        ready_us: 105_000,
        early_us: 75_000,
        ports,
    }
}

fn rig() -> RigStatus {
    let out = |identity: &str, is_verified, bytes_sent| OutPortStatus {
        is_present: true,
        is_verified,
        identity: identity.into(),
        bytes_sent,
        idle_us: Some(1_200_000),
        ..OutPortStatus::default()
    };
    RigStatus {
        out_ports: vec![
            out("USB 1-4.2, serial 00A7", true, 48_120),
            OutPortStatus {
                queued: [0, 3, 12, 40],
                busy_permille: 640,
                ..out("USB 1-4.3", false, 9_311)
            },
            OutPortStatus {
                last_error: "write failed: no such device".into(),
                ..OutPortStatus::default()
            },
        ],
        in_ports: (0..3)
            .map(|n| InPortStatus {
                is_present: true,
                identity: format!("USB 1-2.{n}"),
                messages: 8123 >> n,
                idle_us: Some(800_000 * (1 + n)),
                ..InPortStatus::default()
            })
            .collect(),
        is_realtime: Some(true),
        mode: "show".into(),
        learned: None,
        is_silent: false,
        warnings: Vec::new(),
    }
}

fn log() -> Vec<LogLine> {
    let line = |time: &str, level, words: &str| LogLine {
        time: time.into(),
        level,
        words: words.into(),
        answer: String::new(),
    };
    vec![
        line(
            "20:58:02",
            LogLevel::Note,
            "show opened: 6 songs, 20 positions",
        ),
        line("20:58:02", LogLevel::Note, "port `rack` opened: USB 1-4.2"),
        line(
            "21:02:40",
            LogLevel::Warning,
            "`organ`: nothing heard since its state was sent",
        ),
        line(
            "21:09:11",
            LogLevel::Note,
            "step to 3.1 Riff: 14 messages, 3 of them waited for a patch",
        ),
        line(
            "21:12:50",
            LogLevel::Error,
            "port `tablet` is gone: check its cable",
        ),
        line("21:13:59", LogLevel::Note, "step to 3.2 Strings over bass"),
    ]
}
