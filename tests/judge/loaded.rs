//! A show read from its files, and one of its nights, as something to judge.
//!
//! What the rig states of a receiver is taken as true, at its worst: what comes while a
//! patch loads is lost. Voices are the exception: a receiver may steal the oldest note of a
//! long pedal, which is no fault of whoever sent it, so here none runs out of them.

use std::path::Path;

use segue::engine::promptbook::InPort;
use segue::midi::{Channel, Value7};
use segue::show::model::{
    BankBytes, Night, NightEntry, PatchItem, PortKind, Receiver, ReceiverKind, Show,
};
use segue::sim::{Patch, PatchSpec, ReceiverSpec};
use segue::{show, store, wire};

use crate::script::{Mn, Rx, RxKind};
use crate::world::{self, Spot, World};

/// Reads a show folder, by its path in the repository; it must read clean.
pub(crate) fn show(folder: &str) -> Show {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    let contents = store::read_folder(&path).unwrap();
    let (show, findings) = show::read::read(&contents.files, folder);
    assert!(findings.kept().is_empty(), "{folder} does not read clean");
    show
}

/// A night of a show as something to judge; the only night if no name is given.
pub(crate) fn world(show: &Show, night: Option<&str>) -> World {
    let night = show
        .nights
        .iter()
        .find(|known| night.is_none_or(|name| known.name == name))
        .expect("the show has this night");
    let rig = &show.rig;
    let used = |is_used: &dyn Fn(usize) -> bool| -> Vec<usize> {
        (0..rig.ports.len()).filter(|port| is_used(*port)).collect()
    };
    let outputs = used(&|port| rig.receivers.iter().any(|item| item.port == port));
    let inputs = used(&|port| rig.controllers.iter().any(|item| item.port == port));
    let place = |ports: &[usize], port: usize| ports.iter().position(|at| *at == port).unwrap();
    // Fingers of surfaces come after all that has keys.
    let hands = rig.controllers.iter().enumerate();
    let own = hands.clone().map(|(at, item)| (at, item.channel));
    let fingers = hands.flat_map(|(at, item)| {
        let channels = item
            .mpe
            .into_iter()
            .flat_map(|zone| zone.channels().skip(1));
        channels.map(move |channel| (at, Some(channel)))
    });
    let hands: Vec<(usize, Option<Channel>)> = own.chain(fingers).collect();
    World {
        kinds: outputs.iter().map(|at| kind(rig.ports[*at].kind)).collect(),
        ports: rig
            .receivers
            .iter()
            .map(|item| place(&outputs, item.port))
            .collect(),
        inputs: hands
            .iter()
            .map(|(at, channel)| {
                let port = place(&inputs, rig.controllers[*at].port);
                (InPort(port as u8), channel.unwrap_or(Channel::MIN))
            })
            .collect(),
        controllers: hands.iter().map(|(at, _)| *at).collect(),
        specs: rig.receivers.iter().map(spec).collect(),
        line: line(show, night),
        has_numbered_cues: false,
        show: show.clone(),
        night: night.clone(),
    }
}

const fn kind(kind: PortKind) -> wire::PortKind {
    match kind {
        // Nothing is sent to keys.
        PortKind::Usb | PortKind::Keys => wire::PortKind::Usb,
        PortKind::Din => wire::PortKind::Din,
        PortKind::UsbToDin => wire::PortKind::UsbToDin,
        PortKind::Software => wire::PortKind::Software,
    }
}

/// The night's positions: its songs in their order, without what is skipped.
pub(crate) fn line(show: &Show, night: &Night) -> Vec<Spot> {
    let mut line = Vec::new();
    for entry in &night.order {
        let NightEntry::Song {
            song,
            transpose,
            is_skipped: false,
            skipped_scenes,
            ..
        } = entry
        else {
            continue;
        };
        let item = &show.songs[*song];
        let is_played = |scene: &usize| !skipped_scenes.contains(&item.scenes[*scene].name);
        let scenes = item.order.iter().map(|step| step.scene).filter(is_played);
        line.extend(scenes.enumerate().map(|(turn, scene)| Spot {
            song: *song,
            scene,
            transpose: i32::from(item.transpose) + i32::from(*transpose),
            is_start: turn == 0,
        }));
    }
    line
}

/// The model of a receiver, with the manners that the rig states.
fn spec(receiver: &Receiver) -> ReceiverSpec {
    let stated = &receiver.manners;
    let rx = Rx {
        port: receiver.port,
        kind: match receiver.kind {
            ReceiverKind::Instrument => RxKind::Instrument,
            ReceiverKind::Effects => RxKind::Effects(0),
            _ => RxKind::Lights,
        },
        groups: Vec::new(),
        mpe: None,
        manners: Mn {
            bank: match stated.bank {
                BankBytes::None => 0,
                BankBytes::Msb => 1,
                BankBytes::Lsb => 2,
                BankBytes::Both => 3,
            },
            load_ms: stated.load_ms,
            resets: stated.resets_controllers,
            cuts: stated.cuts_notes,
            holds_back: stated.holds_back,
            primes: stated.may_prime,
            release_ms: (stated.release_s * 1000.0) as u32,
            boot_ms: stated.boot_ms,
            loses_moves: true,
            loses_notes: true,
            replaces: false,
            ignores_reset: false,
            revoices: false,
        },
        parameters: 0,
    };
    let mut spec = world::spec(&rx, receiver);
    spec.listens |= receiver.global.map_or(0, |channel| 1 << channel.get());
    spec.patches = receiver
        .patches
        .patches
        .iter()
        .map(|patch| patch_spec(patch, &spec))
        .collect();
    spec
}

fn patch_spec(patch: &PatchItem, of: &ReceiverSpec) -> PatchSpec {
    let number = |value: Option<Value7>| value.map_or(0, Value7::get);
    PatchSpec {
        patch: Patch::of(
            number(patch.bank_msb),
            number(patch.bank_lsb),
            patch.program.get(),
        ),
        release_us: patch
            .release_s
            .map_or(of.manners.release_us, |s| (f64::from(s) * 750_000.0) as u64),
        voices: patch.voices.map_or(1, u16::from),
        load_us: patch.load_ms.map(|ms| u64::from(ms) * 750),
    }
}
