//! Random scripts: rigs, scenes and playing.

use proptest::collection::vec;
use proptest::prelude::*;

use crate::script::{Event, Lv, Mn, Mz, Rt, Rx, RxKind, Sc, Script, Setup, Speed, Way, Zn};

/// What a kind of script is made of.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Taste {
    /// Manners as General MIDI 2 recommends, and slots enough.
    pub(crate) is_good: bool,
    /// How many events at most.
    pub(crate) events: usize,
    pub(crate) notes: u32,
    pub(crate) pedals: u32,
    pub(crate) wheels: u32,
    pub(crate) steps: u32,
    pub(crate) plugs: u32,
    pub(crate) panics: u32,
    pub(crate) floods: u32,
    pub(crate) replans: u32,
    /// Fingers on an MPE surface.
    pub(crate) fingers: u32,
}

/// A bit of everything but floods.
pub(crate) const MIXED: Taste = Taste {
    is_good: false,
    events: 60,
    notes: 30,
    pedals: 8,
    wheels: 5,
    steps: 10,
    plugs: 1,
    panics: 1,
    floods: 0,
    replans: 0,
    fingers: 0,
};

/// Fingers on an MPE surface, and something of all else.
pub(crate) const FINGERS: Taste = Taste {
    notes: 6,
    wheels: 3,
    fingers: 60,
    events: 80,
    ..MIXED
};

/// Scripts of one kind.
pub(crate) fn scripts(taste: Taste) -> impl Strategy<Value = Script> {
    (
        setups(taste),
        vec((gaps(), events(taste)), 1..=taste.events),
    )
        .prop_map(|(setup, events)| Script { setup, events })
}

fn setups(taste: Taste) -> impl Strategy<Value = Setup> {
    let receivers = if taste.is_good { 1..=3_usize } else { 1..=6 };
    (
        vec(speeds(taste), 1..=4),
        vec(receivers_of(taste), receivers),
        1..=3_usize,
        vec(scenes(), 2..=6),
        vec(1..=3_usize, 0..=2),
        vec(prop::option::weighted(0.6, mpe_zones()), 6),
        mpe_zones(),
    )
        .prop_map(
            move |(ports, mut receivers, keyboards, scenes, songs, zones, surface)| {
                let has_surface = taste.fingers > 0;
                for (rx, zone) in receivers.iter_mut().zip(zones) {
                    rx.mpe = zone.filter(|_| has_surface);
                }
                Setup {
                    ports,
                    receivers,
                    keyboards,
                    scenes,
                    songs,
                    surface: has_surface.then_some(surface),
                }
            },
        )
}

fn mpe_zones() -> impl Strategy<Value = Mz> {
    let ranges = prop_oneof![3 => Just(48), 1 => Just(24), 1 => 1..=96_u8];
    (any::<bool>(), 1..=7_u8, ranges).prop_map(|(is_upper, members, bend_range)| Mz {
        is_upper,
        members,
        bend_range,
    })
}

fn speeds(taste: Taste) -> BoxedStrategy<Speed> {
    if taste.is_good {
        return prop_oneof![Just(Speed::Software), Just(Speed::Usb)].boxed();
    }
    prop_oneof![
        3 => Just(Speed::Usb),
        2 => Just(Speed::Din),
        1 => Just(Speed::UsbToDin),
        1 => Just(Speed::Software),
    ]
    .boxed()
}

fn receivers_of(taste: Taste) -> BoxedStrategy<Rx> {
    let kinds = prop_oneof![
        8 => Just(RxKind::Instrument),
        1 => (0..6_usize).prop_map(RxKind::Effects),
        1 => Just(RxKind::Lights),
        1 => Just(RxKind::Pages),
    ];
    let sizes = if taste.is_good {
        vec(16..=16_usize, 1..=1).boxed()
    } else {
        vec(1..=8_usize, 1..=3).boxed()
    };
    (0..4_usize, kinds, sizes, manners(taste), 0..32_u8)
        .prop_map(|(port, kind, groups, manners, parameters)| Rx {
            port,
            kind,
            groups,
            // Three of four, whatever their other manners.
            manners: Mn {
                primes: (parameters + manners.bank) % 4 > 0,
                ..manners
            },
            parameters,
            mpe: None,
        })
        .boxed()
}

fn manners(taste: Taste) -> BoxedStrategy<Mn> {
    let good =
        (0..=3_u8, any::<bool>(), any::<bool>()).prop_map(|(bank, replaces, ignores_reset)| Mn {
            bank,
            load_ms: 0,
            resets: false,
            cuts: false,
            holds_back: true,
            release_ms: 500,
            boot_ms: 300,
            loses_moves: false,
            loses_notes: false,
            replaces,
            ignores_reset,
            revoices: false,
            primes: false,
        });
    if taste.is_good {
        return good.boxed();
    }
    let any_manners = (
        good.clone(),
        prop_oneof![2 => Just(0_u32), 1 => 5..=29_u32, 2 => Just(100_u32)],
        vec(any::<bool>(), 6),
        prop_oneof![Just(0_u32), Just(400), Just(2_000)],
    )
        .prop_map(|(good, load_ms, bits, release_ms)| Mn {
            load_ms,
            resets: bits[0],
            cuts: bits[1],
            holds_back: bits[2],
            loses_moves: bits[3],
            loses_notes: bits[4],
            revoices: bits[5],
            release_ms,
            ..good
        });
    prop_oneof![1 => good, 2 => any_manners].boxed()
}

fn scenes() -> impl Strategy<Value = Sc> {
    (
        vec(zones(), 1..=5),
        vec((0..6_usize, 0..5_usize, 0..128_u8), 0..=3),
        prop::option::weighted(0.3, 0..3_u8),
        prop::option::weighted(0.4, any::<bool>()),
        prop::bool::weighted(0.2),
        prop::option::weighted(0.4, 0..3_u16),
        // Every other scene has none.
        prop_oneof![1 => Just(Vec::new()), 1 => vec(routes(), 1..=3)],
    )
        .prop_map(|(zones, values, effect, cue, is_brief, page, routes)| Sc {
            zones: merged(zones),
            values,
            effect,
            cue,
            is_brief,
            page,
            routes,
        })
}

/// Zones of a scene in which two keyboards play one sound, if the first says so: a curved one
/// that does not catch.
fn merged(mut zones: Vec<Zn>) -> Vec<Zn> {
    if let Some(first) = zones.first().filter(|zn| zn.is_curved && !zn.catches) {
        let other = Zn {
            keyboard: first.keyboard + 1,
            ..first.clone()
        };
        zones.insert(1, other);
    }
    zones
}

fn routes() -> impl Strategy<Value = Rt> {
    let ways = prop_oneof![
        4 => Just(Way::Follow),
        1 => Just(Way::Curve),
        1 => Just(Way::Switch),
        1 => Just(Way::Toggle),
        1 => Just(Way::Steps),
        1 => Just(Way::Bands),
    ];
    (
        (
            0..3_usize,
            0..4_usize,
            prop::option::weighted(0.2, 0..3_usize),
        ),
        (0..6_usize, 0..8_usize, ways),
        (0..128_u8, 0..128_u8),
        (0..3_u8, 0..10_u8),
        prop_oneof![4 => Just(0_u16), 1 => 20..400_u16],
        prop::bool::weighted(0.3),
    )
        .prop_map(
            |(
                (keyboard, source, other),
                (receiver, what, way),
                to,
                (join, pick_up),
                smooth_ms,
                passes,
            )| Rt {
                keyboard,
                source,
                other,
                receiver,
                what,
                way,
                to,
                join,
                pick_up,
                smooth_ms,
                passes,
            },
        )
}

fn zones() -> impl Strategy<Value = Zn> {
    let keys = prop_oneof![
        4 => Just((0, 127)),
        1 => Just((0, 59)),
        1 => Just((60, 127)),
    ];
    let velocities = prop_oneof![4 => Just((1, 127)), 1 => Just((1, 79)), 1 => Just((80, 127))];
    let levels = prop_oneof![3 => Just(0), 1 => Just(-6), 1 => -30..=4_i8];
    let leaves = prop_oneof![
        6 => Just(Lv::Hold),
        1 => Just(Lv::Cut),
        1 => (0..400_u16).prop_map(Lv::Fade),
    ];
    let transposes = prop_oneof![4 => Just(0), 1 => Just(-12), 1 => Just(1), 1 => Just(12)];
    (
        (0..3_usize, keys, velocities, 0..6_usize),
        (0..3_usize, 0..6_usize, levels),
        (
            // What is stated is the default now and then.
            prop::option::weighted(0.3, prop_oneof![1 => Just(64_u8), 2 => 0..128_u8]),
            prop::option::weighted(0.3, prop_oneof![1 => Just(2_u8), 2 => 0..=24_u8]),
            transposes,
        ),
        (
            prop::bool::weighted(0.2),
            leaves,
            prop::bool::weighted(0.2),
            prop::bool::weighted(0.2),
            prop::bool::weighted(0.3),
        ),
    )
        .prop_map(
            |(
                (keyboard, keys, velocities, receiver),
                (group, patch, level_db),
                (pan, bend_range, transpose),
                (catches, leave, takes_new_level, is_curved, is_highest),
            )| Zn {
                keyboard,
                keys,
                velocities,
                receiver,
                group,
                patch: patch % 4 + patch / 5,
                level_db,
                pan,
                bend_range,
                transpose,
                catches,
                leave,
                takes_new_level,
                is_curved,
                is_highest,
            },
        )
}

/// Times between events: at once, within a changeover, within bounce and double press, a
/// player's pace, a pause.
fn gaps() -> impl Strategy<Value = u32> {
    prop_oneof![
        4 => Just(0),
        4 => 0..5_000_u32,
        4 => 5_000..60_000_u32,
        4 => 60_000..400_000_u32,
        1 => 400_000..3_000_000_u32,
    ]
}

fn events(taste: Taste) -> impl Strategy<Value = Event> {
    let keyboard = || 0..3_usize;
    let key = || prop_oneof![8 => 54..66_u8, 1 => 0..128_u8];
    let bend = prop_oneof![2 => Just(8192_u16), 3 => 0..16384_u16];
    let pedal_value = prop_oneof![2 => Just(127_u8), 3 => Just(0_u8), 1 => 0..128_u8];
    let notes = prop_oneof![
        5 => (keyboard(), key(), 1..128_u8).prop_map(|(c, k, v)| Event::On(c, k, v)),
        5 => (keyboard(), key()).prop_map(|(c, k)| Event::Off(c, k)),
    ];
    let pedals = (keyboard(), 2..5_u8, pedal_value).prop_map(|(c, n, v)| Event::Move(c, n, v));
    let wheels = prop_oneof![
        3 => (keyboard(), 0..2_u8, 0..128_u8).prop_map(|(c, n, v)| Event::Move(c, n, v)),
        3 => (keyboard(), bend).prop_map(|(c, v)| Event::Bend(c, v)),
        1 => (keyboard(), 0..128_u8).prop_map(|(c, v)| Event::Press(c, v)),
        1 => (keyboard(), key(), 0..128_u8).prop_map(|(c, k, v)| Event::PressKey(c, k, v)),
    ];
    let steps = prop_oneof![
        5 => Just(Event::Step),
        3 => Just(Event::PedalDown),
        3 => Just(Event::PedalUp),
        2 => Just(Event::Back),
        2 => (0..8_usize).prop_map(Event::Jump),
        1 => Just(Event::SongDown),
        1 => Just(Event::SongUp),
    ];
    let plugs = prop_oneof![
        1 => keyboard().prop_map(Event::LoseKeyboard),
        2 => keyboard().prop_map(Event::FindKeyboard),
        1 => (0..4_usize).prop_map(Event::PowerOff),
        1 => (0..4_usize).prop_map(Event::CableOut),
        3 => (0..4_usize).prop_map(Event::Return),
        1 => (0..4_usize).prop_map(Event::Sign),
    ];
    let panics = prop_oneof![
        2 => Just(Event::Panic),
        1 => any::<bool>().prop_map(Event::Mute),
        1 => any::<bool>().prop_map(Event::Resend),
        1 => Just(Event::ReleaseAll),
    ];
    let finger = || 0..7_usize;
    let fingers = prop_oneof![
        5 => (finger(), key(), 1..128_u8).prop_map(|(f, k, v)| Event::FingerOn(f, k, v)),
        4 => (finger(), key()).prop_map(|(f, k)| Event::FingerOff(f, k)),
        4 => (finger(), 0..16384_u16).prop_map(|(f, v)| Event::FingerBend(f, v)),
        3 => (finger(), 0..128_u8).prop_map(|(f, v)| Event::FingerPress(f, v)),
        3 => (finger(), 0..128_u8).prop_map(|(f, v)| Event::FingerSlide(f, v)),
    ];
    let floods = (keyboard(), 1..1_500_u16).prop_map(|(c, n)| Event::Flood(c, n));
    let replans = (0..4_usize).prop_map(Event::Replan);
    prop::strategy::Union::new_weighted(
        [
            (taste.notes, notes.boxed()),
            (taste.pedals, pedals.boxed()),
            (taste.wheels, wheels.boxed()),
            (taste.steps, steps.boxed()),
            (taste.plugs, plugs.boxed()),
            (taste.panics, panics.boxed()),
            (taste.floods, floods.boxed()),
            (taste.replans, replans.boxed()),
            (taste.fingers, fingers.boxed()),
        ]
        .into_iter()
        .filter(|(weight, _)| *weight > 0)
        .collect(),
    )
}
