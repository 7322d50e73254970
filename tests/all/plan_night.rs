//! The planner on whole shows and on generated scenes: what a night becomes as tables.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use proptest::collection::vec;
use proptest::prelude::*;
use segue::engine::Engine;
use segue::engine::input::{Command, Input, Outbox};
use segue::engine::promptbook::{OutPort, PositionId, Promptbook, Setting, SoundEntry};
use segue::engine::swap::{Live, Swap};
use segue::midi::mpe::Leader;
use segue::midi::{Channel, Controller, Key, Program, Value7};
use segue::plan::{Given, Plan, PlanError, Replan, compile, curves, replan};
use segue::sheet::{OrderLine, ZoneLine};
use segue::show::model::{
    ControllerItem, Curve, Leave, LevelChange, LevelLaw, Manners, Night, NightEntry, Page,
    Parameter, ParameterKind, ParameterValue, PatchItem, PatchList, Port, PortKind, PortMatch,
    Receiver, ReceiverKind, ReceiverPatch, Rig, Scene, Show, Site, SlotGroup, Song, Zone,
};
use segue::show::read::read;

use crate::show_read::{files_in, repository};

/// A demo show, read.
fn quarry() -> Show {
    let folder = repository("shows/quarry-lanterns");
    read(&files_in(&folder), "quarry-lanterns").0
}

fn night<'a>(show: &'a Show, name: &str) -> &'a Night {
    show.nights.iter().find(|night| night.name == name).unwrap()
}

fn calls(plan: &Plan) -> Vec<&str> {
    plan.sheet
        .positions
        .iter()
        .map(|p| p.call.as_str())
        .collect()
}

fn value(v: u8) -> Value7 {
    Value7::new(v).unwrap()
}

fn key(k: u8) -> Key {
    Key::new(k).unwrap()
}

/// An instrument whose slots are alike, on a port of its own.
fn instrument(at: usize, slots: u8) -> Receiver {
    let patch = |number: u8| PatchItem {
        name: format!("patch {number}"),
        bank_msb: None,
        bank_lsb: None,
        program: Program::new(number).unwrap(),
        category: String::new(),
        trim_db: 0.0,
        voices: None,
        release_s: None,
        load_ms: None,
    };
    Receiver {
        name: format!("instrument {at}"),
        site: Site::default(),
        kind: ReceiverKind::Instrument,
        sounds: true,
        port: at,
        groups: vec![SlotGroup {
            name: "main".into(),
            site: Site::default(),
            channels: (0..slots).map(|ch| Channel::new(ch).unwrap()).collect(),
            mpe: Vec::new(),
        }],
        global: None,
        patches: PatchList {
            origin: String::new(),
            patches: (0..12).map(patch).collect(),
        },
        parameters: Vec::new(),
        cues: Vec::new(),
        manners: Manners::gm2(),
        pages: None,
        hears: Vec::new(),
        keyboard: None,
        mixer: None,
        panel: Vec::new(),
        spare_of: None,
    }
}

fn rig(receivers: Vec<Receiver>) -> Rig {
    let port = |name: String| Port {
        matches: PortMatch::Name(name.clone()),
        name,
        site: Site::default(),
        kind: PortKind::Usb,
    };
    let mut ports: Vec<Port> = (0..receivers.len())
        .map(|at| port(format!("out {at}")))
        .collect();
    ports.push(port("keys".into()));
    Rig {
        controllers: vec![ControllerItem {
            name: "upper".into(),
            site: Site::default(),
            port: receivers.len(),
            channel: None,
            mpe: None,
            keys: Some((Key::MIN, Key::MAX)),
            sources: Vec::new(),
        }],
        ports,
        receivers,
        curves: vec![Curve {
            name: "straight".into(),
            points: Vec::new(),
        }],
        ..Rig::default()
    }
}

fn zone(receiver: usize, patch: usize) -> Zone {
    Zone {
        name: String::new(),
        site: Site::default(),
        controller: 0,
        keys: (Key::MIN, Key::MAX),
        keys_site: Site::default(),
        velocities: (value(1), value(127)),
        velocity_fades: (0, 0),
        curve: 0,
        receiver,
        group: 0,
        patch: Some(patch),
        level_db: 0.0,
        level_site: Site::default(),
        pan: None,
        bend_range: None,
        transpose: 0,
        is_never_transposed: false,
        catches: false,
        leave: Leave::Hold,
        level_change: LevelChange::Ride,
        finger: Leader::Last,
        settings: Vec::new(),
    }
}

fn scene(zones: Vec<Zone>) -> Scene {
    Scene {
        zones,
        ..Scene::default()
    }
}

fn song(scenes: Vec<Scene>) -> Song {
    Song::straight("", scenes)
}

fn entry(song: usize) -> NightEntry {
    NightEntry::all_of(song, Site::default())
}

/// A show of these songs, and its night with all of them.
fn show(receivers: Vec<Receiver>, songs: Vec<Song>) -> (Show, Night) {
    let night = Night {
        order: (0..songs.len()).map(entry).collect(),
        ..Night::default()
    };
    let show = Show {
        rig: rig(receivers),
        songs,
        ..Show::default()
    };
    (show, night)
}

fn planned(show: &Show, night: &Night) -> Plan {
    compile(show, night).unwrap()
}

fn sounds_at(book: &Promptbook, position: usize) -> &[SoundEntry] {
    let scene = book.scenes[book.positions[position].scene.index()];
    scene.sounds.of(&book.sounds)
}

fn seats_at(book: &Promptbook, position: usize) -> Vec<u8> {
    let seats = book.positions[position].seats.of(&book.seats);
    seats.iter().map(|slot| slot.0).collect()
}

/// DESIGN: a call number survives skips; the short night says `call: "4"` first.
#[test]
fn call_numbers_survive_skips() {
    let show = quarry();
    let full = planned(&show, night(&show, "harbour-hall"));
    let short = planned(&show, night(&show, "old-foundry"));
    let by_place = |plan: &Plan| -> BTreeMap<String, String> {
        plan.places
            .iter()
            .map(|place| {
                let song = &show.songs[place.song];
                let scene = &song.scenes[place.scene].name;
                (place.call.clone(), format!("{}/{scene}", song.name))
            })
            .collect()
    };
    let (full_places, short_places) = (by_place(&full), by_place(&short));
    for (call, place) in &short_places {
        assert_eq!(full_places.get(call), Some(place), "call {call}");
    }
    assert!(calls(&short)[0].starts_with("4."), "{:?}", calls(&short));
    assert!(short_places.len() < full_places.len());
    assert!(!calls(&short).iter().any(|call| call.starts_with("3.")));
    let salt = |plan: &Plan| calls(plan).iter().filter(|c| c.starts_with("2.")).count();
    assert_eq!(salt(&short) + 1, salt(&full), "one scene is left out");
}

/// What the wings draw of a zone is what `segue curves` draws of it, fades and all.
#[test]
fn the_sheet_has_each_zones_curve_as_it_is_played() {
    let mut show = quarry();
    for song in &mut show.songs {
        let zones = song.scenes.iter_mut().flat_map(|scene| &mut scene.zones);
        for (number, zone) in zones.enumerate().filter(|(number, _)| number % 5 == 0) {
            zone.velocity_fades = (number as u8 % 40, 3);
        }
    }
    let plan = planned(&show, night(&show, "harbour-hall"));
    let mut bent = 0;
    for (place, position) in plan.places.iter().zip(&plan.sheet.positions) {
        let lines = &plan.sheet.scenes[position.scene].zones;
        let scene = &show.songs[place.song].scenes[place.scene];
        let drawn = |line: &ZoneLine| {
            let table = plan.sheet.curves[line.played].clone();
            (
                line.keys,
                line.velocities,
                line.fades,
                line.curve.clone(),
                table,
            )
        };
        let mut shown: Vec<_> = lines.iter().map(drawn).collect();
        let written = |zone: &Zone| {
            let (low, high) = (zone.keys.0.get(), zone.keys.1.get());
            let window = (zone.velocities.0.get(), zone.velocities.1.get());
            let name = show.rig.curves[zone.curve].name.clone();
            let table = curves::of_zone(&show.rig, zone).to_vec();
            ((low, high), window, zone.velocity_fades, name, table)
        };
        let mut wanted: Vec<_> = scene.zones.iter().map(written).collect();
        shown.sort();
        wanted.sort();
        assert_eq!(shown, wanted, "{}", position.call);
        bent += shown.iter().filter(|zone| zone.4[64] != 64).count();
    }
    assert!(bent > 10, "{bent}");
}

#[test]
fn transpositions_sum_and_never_is_exempt() {
    let fixed = Zone {
        is_never_transposed: true,
        transpose: 5,
        ..zone(0, 1)
    };
    let free = Zone {
        transpose: -12,
        ..zone(0, 0)
    };
    let twice = Song {
        transpose: 3,
        ..song(vec![scene(vec![free, fixed])])
    };
    let (show, mut night) = show(vec![instrument(0, 4)], vec![twice]);
    let lower = NightEntry::Song {
        song: 0,
        call: "1b".into(),
        transpose: -2,
        is_skipped: false,
        skipped_scenes: Vec::new(),
        site: Site::default(),
    };
    night.order.push(lower);
    let plan = planned(&show, &night);
    let zones_at = |at: usize| -> BTreeMap<u8, i16> {
        let book = &plan.promptbook;
        let scene = book.scenes[book.positions[at].scene.index()];
        let zones = scene.zones.of(&book.zones);
        zones.iter().map(|z| (z.sound.0, z.transpose)).collect()
    };
    assert_eq!(zones_at(0), BTreeMap::from([(0, -12 + 3), (1, 5)]));
    assert_eq!(zones_at(1), BTreeMap::from([(0, -12 + 3 - 2), (1, 5)]));
    assert_eq!(plan.sheet.songs[0].transpose, 3);
    assert_eq!(plan.sheet.songs[1].transpose, 1);
}

/// 0 dB is volume 100 (GM2 default); the law is 40·log10 (GM2 §3.3.4): -12 dB is
/// 100·10^(-12/40) = 50.1, -6 dB is 70.8, +4.15 is 127. A linear law: -6 dB is 50.1.
#[test]
fn levels_and_trims_add_up_and_become_volume() {
    let at = |level_db: f32| Zone {
        level_db,
        ..zone(0, 0)
    };
    let mut linear = instrument(1, 4);
    linear.manners.level = LevelLaw::Linear;
    let mut fixed = instrument(2, 4);
    fixed.manners.level = LevelLaw::Fixed;
    let other = |receiver| Zone {
        level_db: -6.0,
        ..zone(receiver, 0)
    };
    let mut main = instrument(0, 4);
    main.patches.patches[1].trim_db = -2.0;
    let quiet = Zone {
        level_db: -1.0,
        ..zone(0, 1)
    };
    let scenes = vec![
        scene(vec![at(0.0)]),
        scene(vec![at(-12.0)]),
        scene(vec![at(9.0)]),
        scene(vec![other(1)]),
        scene(vec![other(2)]),
        scene(vec![quiet]),
    ];
    let (show, mut night) = show(vec![main, linear, fixed], vec![song(scenes)]);
    let volumes = |night: &Night| -> Vec<Option<u8>> {
        let plan = planned(&show, night);
        (0..6)
            .map(|at| sounds_at(&plan.promptbook, at)[0].volume.map(Value7::get))
            .collect()
    };
    let law = |db: f64| Some((100.0 * 10_f64.powf(db / 40.0)).round() as u8);
    assert_eq!(
        volumes(&night),
        [Some(100), Some(50), Some(127), Some(50), None, law(-3.0)]
    );
    night.trims.patches = vec![(0, 1, -1.5)];
    night.trims.instruments = vec![(0, -3.0), (1, 6.0)];
    night.trims.ports = vec![(0, 1.0), (2, 3.0)];
    assert_eq!(
        volumes(&night),
        [
            law(-2.0),
            law(-14.0),
            Some(127),
            Some(100),
            None,
            law(-3.0 - 1.5 - 2.0)
        ]
    );
}

#[test]
fn pages_are_numbered_through_the_night() {
    let page = |number| Page {
        number,
        text: None,
        site: Site::default(),
    };
    let mut first = song(vec![scene(vec![]), scene(vec![])]);
    first.pages = vec![page(None), page(Some(7)), page(None)];
    first.scenes[1].page = Some(3);
    let mut second = song(vec![scene(vec![])]);
    second.pages = vec![page(None)];
    let (show, night) = show(vec![instrument(0, 1)], vec![first, second]);
    let book = planned(&show, &night).promptbook;
    assert_eq!(*book.pages, [0, 7, 8, 9]);
    let spans: Vec<&[u16]> = book.songs.iter().map(|s| s.pages.of(&book.pages)).collect();
    assert_eq!(spans, [&[0, 7, 8][..], &[9]]);
    let turned: Vec<Option<u16>> = book.positions.iter().map(|p| p.page).collect();
    assert_eq!(turned, [None, Some(2), None]);
}

#[test]
fn curves_are_tables_in_the_rigs_order() {
    let (mut show, night) = show(vec![instrument(0, 1)], vec![song(vec![scene(vec![])])]);
    show.rig.curves.push(Curve {
        name: "soft".into(),
        points: vec![(value(1), value(1)), (value(127), value(64))],
    });
    let book = planned(&show, &night).promptbook;
    assert_eq!(book.curves.len(), 2);
    assert!((0..128).all(|v| usize::from(book.curves[0][v]) == v));
    assert_eq!((book.curves[1][1], book.curves[1][127]), (1, 64));
}

/// Zones that ask for the same sound play one slot; another level, pan or parameter is
/// another sound, and copies that differ in level alone stay apart.
#[test]
fn the_same_sound_is_one_slot() {
    let low = Zone {
        keys: (Key::MIN, key(59)),
        ..zone(0, 0)
    };
    let high = Zone {
        keys: (key(60), Key::MAX),
        transpose: 12,
        ..zone(0, 0)
    };
    let panned = Zone {
        pan: Some(value(20)),
        ..zone(0, 0)
    };
    let quiet = Zone {
        level_db: -6.0,
        ..zone(0, 0)
    };
    let scenes = vec![scene(vec![low, high, panned, quiet])];
    let (show, night) = show(vec![instrument(0, 8)], vec![song(scenes)]);
    let book = planned(&show, &night).promptbook;
    let zones = book.scenes[0].zones.of(&book.zones);
    let sounds: BTreeSet<u8> = zones.iter().map(|z| z.sound.0).collect();
    assert_eq!(
        (zones.len(), sounds.len(), sounds_at(&book, 0).len()),
        (4, 3, 3)
    );
    let by_key = |low: u8| zones.iter().filter(move |z| z.keys.0.get() == low);
    assert!(by_key(60).all(|z| by_key(0).any(|other| other.sound == z.sound)));
    let seats: BTreeSet<u8> = seats_at(&book, 0).into_iter().collect();
    assert_eq!(seats.len(), 3);
    let identities: BTreeSet<u32> = sounds_at(&book, 0).iter().map(|s| s.identity).collect();
    assert_eq!(identities.len(), 3);
}

#[test]
fn a_level_that_rides_is_the_same_sound_and_a_new_one_is_not() {
    for (change, is_same) in [(LevelChange::Ride, true), (LevelChange::New, false)] {
        let at = |level_db| {
            scene(vec![Zone {
                level_db,
                level_change: change,
                ..zone(0, 0)
            }])
        };
        let (show, night) = show(vec![instrument(0, 4)], vec![song(vec![at(0.0), at(-9.0)])]);
        let book = planned(&show, &night).promptbook;
        let (a, b) = (sounds_at(&book, 0)[0], sounds_at(&book, 1)[0]);
        assert_eq!(a.identity == b.identity, is_same, "{change:?}");
        assert_eq!(
            seats_at(&book, 0) == seats_at(&book, 1),
            is_same,
            "{change:?}"
        );
    }
}

#[test]
fn an_effects_unit_and_a_global_channel_are_sounds_without_zones() {
    let parameter = |name: &str, number, is_global| Parameter {
        name: name.into(),
        site: Site::default(),
        kind: ParameterKind::Control(Controller::new(number).unwrap()),
        range: (0, 127),
        neutral: Some(11),
        is_global,
        states: Vec::new(),
    };
    let mut effects = instrument(0, 1);
    effects.kind = ReceiverKind::Effects;
    effects.parameters = vec![parameter("mix", 91, false)];
    let mut main = instrument(1, 4);
    main.global = Channel::new(15);
    main.parameters = vec![parameter("reverb", 80, true), parameter("tone", 74, false)];
    let mut first = scene(vec![zone(1, 0)]);
    first.patches = vec![ReceiverPatch {
        receiver: 0,
        patch: 3,
        group: 0,
        site: Site::default(),
    }];
    first.settings = vec![ParameterValue {
        receiver: 1,
        parameter: 0,
        value: Some(99),
        site: Site::default(),
    }];
    let (show, night) = show(vec![effects, main], vec![song(vec![first])]);
    let book = planned(&show, &night).promptbook;
    let told: BTreeMap<(u8, u8), Vec<Setting>> = sounds_at(&book, 0)
        .iter()
        .zip(seats_at(&book, 0))
        .map(|(sound, slot)| {
            let slot = book.slots[usize::from(slot)];
            assert_eq!(slot.receiver, sound.receiver);
            let settings = sound.settings.of(&book.settings).to_vec();
            ((slot.receiver.0, slot.channel.get()), settings)
        })
        .collect();
    let control = |number, v| vec![Setting::Control(Controller::new(number).unwrap(), value(v))];
    let expected = BTreeMap::from([
        ((0, 0), control(91, 11)),
        ((1, 0), control(74, 11)),
        ((1, 15), control(80, 99)),
    ]);
    assert_eq!(told, expected);
    let effects = sounds_at(&book, 0)
        .iter()
        .find(|s| s.receiver.0 == 0)
        .unwrap();
    assert_eq!(effects.patch.program, Program::new(3));
    assert_eq!(effects.volume, None);
}

#[test]
fn a_night_without_a_scene_is_refused() {
    let (show, mut night) = show(vec![instrument(0, 1)], vec![song(vec![scene(vec![])])]);
    night.order.clear();
    assert_eq!(compile(&show, &night), Err(PlanError::Empty));
}

/// Scenes as lists of (receiver, patch); a patch twice in a scene is one sound.
fn nights() -> impl Strategy<Value = (Vec<u8>, Vec<Vec<(usize, usize)>>)> {
    let scenes = vec(vec((0..2_usize, 0..8_usize), 0..5), 1..12);
    (vec(1..7_u8, 2), scenes)
}

fn made(slots: &[u8], scenes: &[Vec<(usize, usize)>]) -> (Show, Night) {
    let receivers = slots.iter().enumerate().map(|(at, n)| instrument(at, *n));
    let scenes = scenes
        .iter()
        .map(|sounds| scene(sounds.iter().map(|(r, p)| zone(*r, *p)).collect()))
        .collect();
    show(receivers.collect(), vec![song(scenes)])
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Every sound sits on a slot of its own receiver and group.
    #[test]
    fn a_seat_belongs_to_its_sound((slots, scenes) in nights()) {
        let (show, night) = made(&slots, &scenes);
        let book = planned(&show, &night).promptbook;
        for at in 0..book.positions.len() {
            let seats = seats_at(&book, at);
            prop_assert_eq!(seats.len(), sounds_at(&book, at).len());
            for (sound, seat) in sounds_at(&book, at).iter().zip(seats) {
                let slot = book.slots[usize::from(seat)];
                prop_assert_eq!((slot.receiver, slot.group), (sound.receiver, sound.group));
            }
        }
    }

    /// A sound that stays keeps its slot, and two sounds share one only if there is none
    /// left, which is said.
    #[test]
    fn a_sound_that_stays_keeps_its_slot((slots, scenes) in nights()) {
        let (show, night) = made(&slots, &scenes);
        let plan = planned(&show, &night);
        let book = &plan.promptbook;
        for at in 0..book.positions.len() {
            let here: Vec<(u32, u8)> = sounds_at(book, at)
                .iter()
                .map(|sound| sound.identity)
                .zip(seats_at(book, at))
                .collect();
            let is_short = (0..2).any(|r| {
                let sounds = sounds_at(book, at).iter();
                sounds.filter(|s| s.receiver.0 == r).count() > usize::from(slots[usize::from(r)])
            });
            let distinct: BTreeSet<u8> = here.iter().map(|(_, seat)| *seat).collect();
            prop_assert!(is_short || distinct.len() == here.len(), "{here:?}");
            if at > 0 && !is_short && distinct.len() == here.len() {
                let was_short = seats_at(book, at - 1).iter().collect::<BTreeSet<_>>().len()
                    < sounds_at(book, at - 1).len();
                let before = sounds_at(book, at - 1).iter().zip(seats_at(book, at - 1));
                for (sound, seat) in before {
                    let kept = here.iter().find(|(identity, _)| *identity == sound.identity);
                    prop_assert!(was_short || kept.is_none_or(|(_, now)| *now == seat));
                }
            }
            if is_short {
                let call = format!("{}: no slot left", calls(&plan)[at]);
                prop_assert!(plan.sheet.remarks.iter().any(|r| r.words.starts_with(&call)));
            }
        }
    }

    /// A new sound never takes a slot of the position before while a silent one is left;
    /// if it has to, the plan says so.
    #[test]
    fn a_new_sound_takes_a_silent_slot((slots, scenes) in nights()) {
        let (show, night) = made(&slots, &scenes);
        let plan = planned(&show, &night);
        let book = &plan.promptbook;
        for at in 1..book.positions.len() {
            let used: BTreeSet<u8> = seats_at(book, at - 1).into_iter().collect();
            let stays: BTreeSet<u32> =
                sounds_at(book, at - 1).iter().map(|s| s.identity).collect();
            let here: BTreeSet<u8> = seats_at(book, at).into_iter().collect();
            let mut takes_used = false;
            for (sound, seat) in sounds_at(book, at).iter().zip(seats_at(book, at)) {
                if stays.contains(&sound.identity) || !used.contains(&seat) {
                    continue;
                }
                takes_used = true;
                let silent = (0u8..).zip(&book.slots).find(|(slot, entry)| {
                    entry.receiver == sound.receiver
                        && entry.group == sound.group
                        && !used.contains(slot)
                        && !here.contains(slot)
                });
                prop_assert_eq!(silent.map(|(slot, _)| slot), None, "at {}", at);
            }
            let call = format!("{}: ", calls(&plan)[at]);
            let is_said = plan.sheet.remarks.iter().any(|r| r.words.starts_with(&call));
            prop_assert!(!takes_used || is_said, "{:?}", plan.sheet.remarks);
        }
    }

    /// The same show gives the same tables.
    #[test]
    fn a_plan_repeats((slots, scenes) in nights()) {
        let (show, night) = made(&slots, &scenes);
        prop_assert_eq!(compile(&show, &night), compile(&show, &night));
    }
}

/// A show that is played: what sounds, and the plan anew.
struct Played {
    show: Show,
    night: Night,
    plan: Plan,
    engine: Engine,
    out: Outbox,
}

impl Played {
    fn new(show: Show, night: Night) -> Self {
        let plan = planned(&show, &night);
        let mut played = Self {
            engine: Engine::new(plan.promptbook.clone(), PositionId(0)),
            out: Outbox::new(),
            show,
            night,
            plan,
        };
        for port in 0..played.plan.promptbook.out_ports.len() {
            played.give(Input::OutputReady(OutPort(port as u8)));
        }
        played
    }

    fn give(&mut self, input: Input) {
        self.out.clear();
        self.engine.handle(0, input, &mut self.out);
    }

    fn live(&self) -> Live {
        let mut live = Live::default();
        self.engine.live(&mut live);
        live
    }

    fn replan(&self, night: &Night) -> Replan {
        let given = Given {
            plan: &self.plan,
            live: &self.live(),
            written: &self.night,
        };
        replan(&self.show, night, &given).unwrap()
    }

    /// Plans and takes the book; what the engine sends because of it.
    fn change(&mut self, night: &Night) -> usize {
        let replan = self.replan(night);
        let book = Arc::new(replan.plan.promptbook.clone());
        let position = self.live().position;
        let old = self.engine.promptbook();
        let mut swap = Swap::prepare(old, book, position, replan.at).unwrap();
        self.out.clear();
        self.engine.take_book(0, &mut swap, &mut self.out).unwrap();
        self.plan = replan.plan;
        self.out.items().len()
    }
}

fn skip(night: &mut Night, entry: usize, left_out: bool) {
    if let NightEntry::Song { is_skipped, .. } = &mut night.order[entry] {
        *is_skipped = left_out;
    }
}

/// Songs of two scenes on three patches, with a page each.
fn three_songs() -> Played {
    let songs = (0..3).map(|at| {
        let mut song = song(vec![scene(vec![zone(0, at)]), scene(vec![zone(0, at + 1)])]);
        song.pages = vec![Page {
            number: None,
            text: None,
            site: Site::default(),
        }];
        song
    });
    let (show, night) = show(vec![instrument(0, 8)], songs.collect());
    Played::new(show, night)
}

#[test]
fn a_present_song_that_is_left_out_keeps_its_place_until_the_next_change() {
    let mut played = three_songs();
    played.give(Input::Command(Command::Jump(PositionId(2))));
    let mut night = played.night.clone();
    skip(&mut night, 1, true);
    assert_eq!(played.change(&night), 0);
    assert_eq!(calls(&played.plan), ["1.1", "1.2", "2.1", "3.1", "3.2"]);
    assert_eq!(played.live().position, PositionId(2));
    assert_eq!(played.plan.sheet.order[1], OrderLine::Song(1));
    played.give(Input::Command(Command::Step));
    assert_eq!(played.change(&night), 0);
    assert_eq!(calls(&played.plan), ["1.1", "1.2", "3.1", "3.2"]);
    let left_out = OrderLine::Skipped {
        call: "2".into(),
        title: String::new(),
    };
    assert_eq!(played.plan.sheet.order[1], left_out);
    skip(&mut night, 1, false);
    assert_eq!(played.change(&night), 0);
    assert_eq!(calls(&played.plan).len(), 6, "taken in again");
}

#[test]
fn songs_that_are_moved_or_left_out_later_keep_calls_and_pages() {
    let mut played = three_songs();
    let mut night = played.night.clone();
    night.order.swap(1, 2);
    night.order.swap(0, 1);
    assert_eq!(played.change(&night), 0);
    assert_eq!(
        calls(&played.plan),
        ["3.1", "3.2", "1.1", "1.2", "2.1", "2.2"]
    );
    assert_eq!(
        played.live().position,
        PositionId(2),
        "the show stays in 1.1"
    );
    assert_eq!(*played.plan.promptbook.pages, [2, 0, 1]);
    skip(&mut night, 0, true);
    assert_eq!(played.change(&night), 0);
    assert_eq!(*played.plan.promptbook.pages, [0, 1]);
    if let NightEntry::Song { transpose, .. } = &mut night.order[1] {
        *transpose = 2;
    }
    assert_eq!(played.change(&night), 0);
    let song = &played.plan.sheet.songs[0];
    assert_eq!((song.tonight, song.transpose), (2, 2));
    let scene = played.plan.promptbook.positions[0].scene;
    let scene = played.plan.promptbook.scenes[scene.index()];
    let zones = scene.zones.of(&played.plan.promptbook.zones);
    assert_eq!(zones[0].transpose, 2);
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// A night planned anew at any place on any way moves no sound of the present scene,
    /// and sends nothing; the sounds that stay from there keep their slots.
    #[test]
    fn a_replan_moves_nothing_that_sounds(
        (slots, scenes) in nights(),
        ways in vec((0..12_u32, 0..4_usize, any::<bool>()), 1..6),
    ) {
        let half = scenes.len() / 2;
        let songs: Vec<Song> = [&scenes[..half], &scenes[half..]]
            .into_iter()
            .filter(|scenes| !scenes.is_empty())
            .map(|scenes| {
                let scene_of = |sounds: &Vec<(usize, usize)>| {
                    scene(sounds.iter().map(|(r, p)| zone(*r, *p)).collect())
                };
                song(scenes.iter().map(scene_of).collect())
            })
            .collect();
        let receivers = slots.iter().enumerate().map(|(at, n)| instrument(at, *n));
        let (show, night) = show(receivers.collect(), songs);
        let mut played = Played::new(show, night.clone());
        let mut tonight = night;
        for (to, entry, is_move) in ways {
            played.give(Input::Command(Command::Jump(PositionId(to))));
            let count = tonight.order.len();
            if is_move {
                tonight.order.swap(entry % count, 0);
            } else if let NightEntry::Song { is_skipped, .. } = &mut tonight.order[entry % count] {
                *is_skipped = !*is_skipped;
            }
            let before = played.live();
            prop_assert_eq!(played.change(&tonight), 0);
            let after = played.live();
            prop_assert_eq!(before.seats, after.seats);
            let book = &played.plan.promptbook;
            let at = after.position.index();
            for (seat, planned) in after.seats.iter().zip(seats_at(book, at)) {
                prop_assert!(seat.is_none_or(|slot| slot.0 == planned));
            }
        }
    }
}
