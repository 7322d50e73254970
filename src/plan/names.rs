//! The sheet: everything a person reads, beside the promptbook's numbers.

use std::collections::BTreeMap;

use super::line::Place;
use super::rig::PortMap;
use super::seats::{Remark, Trouble};
use super::sounds::Draft;
use crate::engine::promptbook::{Promptbook, ZoneEntry};
use crate::sheet::{
    ControllerLine, OrderLine, PatchName, PedalLine, PortLine, PositionLine, ReceiverLine,
    RemarkLine, RouteLine, SceneLine, Sheet, SongLine, SoundLine, ZoneLine,
};
use crate::show::model::{
    Action, LevelLaw, Moved, Night, NightEntry, PedalBinding, Port, Receiver, ReceiverKind, Rig,
    Scene, Show, Trigger, When, Zone,
};

/// The sheet without its scenes and remarks.
pub(super) fn sheet(
    show: &Show,
    night: &Night,
    places: &[Place],
    book: &Promptbook,
    ports: &PortMap,
) -> Sheet {
    let rig = &show.rig;
    let port_lines = |map: &[usize]| {
        map.iter()
            .filter_map(|at| rig.ports.get(*at))
            .map(port_line)
            .collect()
    };
    Sheet {
        show: show.name.clone(),
        night: if night.title.is_empty() {
            night.name.clone()
        } else {
            night.title.clone()
        },
        start_minute: night.start_minute,
        end_minute: night.end_minute,
        middle_c_octave: rig.middle_c.octave(),
        controllers: rig
            .controllers
            .iter()
            .zip(&book.controllers)
            .map(|(item, entry)| ControllerLine {
                name: item.name.clone(),
                keys: item.keys.map(|(low, high)| (low.get(), high.get())),
                port: entry.port.index(),
            })
            .collect(),
        receivers: rig
            .receivers
            .iter()
            .enumerate()
            .map(|(at, item)| receiver_line(at, item, book))
            .collect(),
        pedals: rig
            .bindings
            .iter()
            .map(|item| pedal_line(item, rig))
            .collect(),
        in_ports: port_lines(&ports.inputs),
        out_ports: port_lines(&ports.outputs),
        songs: song_lines(show, night, places, book),
        scenes: Vec::new(),
        curves: book.curves.iter().map(|curve| curve.to_vec()).collect(),
        positions: places
            .iter()
            .zip(&book.positions)
            .map(|(place, entry)| PositionLine {
                call: place.call.clone(),
                scene: entry.scene.index(),
                song: entry.song.index(),
            })
            .collect(),
        order: order(show, night, places),
        remarks: Vec::new(),
    }
}

/// The remarks about seats in words, each with its call number.
pub(super) fn remarks(sheet: &Sheet, remarks: &[Remark]) -> Vec<RemarkLine> {
    remarks
        .iter()
        .filter_map(|remark| {
            let call = &sheet.positions.get(remark.position)?.call;
            Some(RemarkLine {
                position: remark.position,
                words: format!("{call}: {}", remark_words(sheet, *remark)?),
            })
        })
        .collect()
}

/// A remark about one seat, in words.
pub(super) fn remark_words(sheet: &Sheet, remark: Remark) -> Option<String> {
    let position = sheet.positions.get(remark.position)?;
    let scene = sheet.scenes.get(position.scene)?;
    let sound = scene.sounds.get(remark.sound)?;
    let line = sheet.receivers.get(sound.receiver)?;
    let receiver = &line.name;
    let what = if sound.patch.is_empty() {
        "settings"
    } else {
        &sound.patch
    };
    Some(match remark.trouble {
        // Nobody holds notes on an effects unit: sound passes through it.
        Trouble::NoSilentSlot | Trouble::PedalCut if line.kind == ReceiverKind::Effects => {
            format!("{receiver} changes to \"{what}\" while sound passes through it")
        }
        Trouble::NoSilentSlot => format!(
            "\"{what}\" on {receiver} takes a slot that was just played: notes held there are not safe"
        ),
        Trouble::PedalCut => format!(
            "\"{what}\" on {receiver} takes a slot that was just played: notes held there by key or pedal are not safe"
        ),
        Trouble::NoSlot => format!("no slot left on {receiver} for \"{what}\""),
    })
}

/// Lines of compiled routes; `made` says which of the scene's each of them is.
pub(super) fn route_lines(show: &Show, scene: &Scene, made: &[usize]) -> Vec<RouteLine> {
    let mut lines = Vec::new();
    let mut before = None;
    for index in made {
        let Some(route) = scene.routes.get(*index) else {
            continue;
        };
        let receiver = show.rig.receivers.get(route.target.receiver);
        let parameter = match route.target.what {
            Moved::Parameter(at) => receiver.and_then(|receiver| receiver.parameters.get(at)),
            _ => None,
        };
        let states = parameter.map_or(&[][..], |parameter| &parameter.states);
        lines.push(RouteLine {
            name: route.name.clone(),
            states: states
                .iter()
                .map(|(name, value)| (name.clone(), i32::from(*value)))
                .collect(),
            is_repeated: before.replace(*index) == Some(*index),
        });
    }
    lines
}

/// A scene's line, its zones in the promptbook's order.
pub(super) fn scene_line(
    show: &Show,
    scene: &Scene,
    zones: &[(&Zone, ZoneEntry)],
    drafts: &[Draft],
) -> SceneLine {
    SceneLine {
        name: scene.name.clone(),
        zones: zones
            .iter()
            .map(|(zone, entry)| ZoneLine {
                controller: zone.controller,
                keys: (zone.keys.0.get(), zone.keys.1.get()),
                velocities: (zone.velocities.0.get(), zone.velocities.1.get()),
                fades: zone.velocity_fades,
                curve: show
                    .rig
                    .curves
                    .get(zone.curve)
                    .map_or_else(String::new, |curve| curve.name.clone()),
                played: usize::from(entry.curve),
                transpose: entry.transpose,
                level_db: zone.level_db,
                sound: usize::from(entry.sound.0),
            })
            .collect(),
        sounds: drafts.iter().map(|draft| sound_line(show, draft)).collect(),
        routes: Vec::new(),
        player: scene.player.clone(),
        technician: scene.technician.clone(),
        when: when(&scene.when),
        is_brief: scene.is_brief,
    }
}

fn sound_line(show: &Show, draft: &Draft) -> SoundLine {
    let receiver = show.rig.receivers.get(draft.receiver);
    let patch = receiver
        .zip(draft.patch)
        .and_then(|(receiver, patch)| receiver.patches.patches.get(patch));
    SoundLine {
        patch: patch.map_or_else(String::new, |patch| patch.name.clone()),
        receiver: draft.receiver,
    }
}

fn when(when: &When) -> String {
    let mut words = Vec::new();
    words.extend(when.bar.map(|bar| format!("bar {bar}")));
    words.extend(when.beat.map(|beat| format!("beat {beat}")));
    words.extend(when.word.as_ref().map(|word| format!("on \"{word}\"")));
    words.join(" ")
}

fn port_line(port: &Port) -> PortLine {
    PortLine {
        name: port.name.clone(),
        kind: port.kind,
    }
}

fn pedal_line(item: &PedalBinding, rig: &Rig) -> PedalLine {
    let action = match item.action {
        Action::Step => "step",
        Action::Back => "back",
        Action::SongDown => "next song",
        Action::SongUp => "song before",
        Action::PageNext => "next page",
        Action::PageBack => "page before",
        Action::Panic => "panic",
        Action::Resend => "resend",
        Action::Mute => "mute",
        Action::Fade => "fade",
    };
    PedalLine {
        name: item.name.clone(),
        controller: item.controller,
        action: action.into(),
        sends: pedal_sends(item, rig),
    }
}

/// The controller of a pedal, and what it sends: `foot controller 80`, `page foot PageDown`.
fn pedal_sends(item: &PedalBinding, rig: &Rig) -> String {
    let controller = rig.controllers.get(item.controller);
    let name = controller.map_or("?", |controller| &controller.name);
    match item.trigger {
        Trigger::Control(number) => format!("{name} controller {}", number.get()),
        Trigger::Note(key) => format!("{name} key {}", key.get()),
        // Programs count from 0, as in the rig file.
        Trigger::Program(program) => format!("{name} program {}", program.get()),
        Trigger::Code(code) => match code.name() {
            Some(key) => format!("{name} {key}"),
            None => format!("{name} key {}", code.get()),
        },
    }
}

fn receiver_line(at: usize, item: &Receiver, book: &Promptbook) -> ReceiverLine {
    let entry = book.receivers.get(at);
    let slots = entry.map_or((0, 0), |entry| {
        (entry.slots.start as usize, entry.slots.len as usize)
    });
    ReceiverLine {
        name: item.name.clone(),
        kind: item.kind,
        port: entry.map_or(0, |entry| entry.port.index()),
        slots,
        channels: entry
            .map_or(&[][..], |entry| entry.slots.of(&book.slots))
            .iter()
            .map(|slot| slot.channel.get() + 1)
            .collect(),
        last_channels: entry
            .map_or(&[][..], |entry| entry.slots.of(&book.slots))
            .iter()
            .map(|slot| {
                slot.member_channel(slot.mpe.map_or(0, |zone| zone.members))
                    .get()
                    + 1
            })
            .collect(),
        patches: item
            .patches
            .patches
            .iter()
            .map(|patch| PatchName {
                bank_msb: patch.bank_msb.map(|value| value.get()),
                bank_lsb: patch.bank_lsb.map(|value| value.get()),
                program: patch.program.get(),
                name: patch.name.clone(),
            })
            .collect(),
        spare_of: item.spare_of,
        has_level: has_level(item),
    }
}

/// Whether the program sets the levels of its sounds: it is an instrument, and its level law is
/// not `Fixed`.
fn has_level(item: &Receiver) -> bool {
    item.kind == ReceiverKind::Instrument && item.manners.level != LevelLaw::Fixed
}

fn song_lines(show: &Show, night: &Night, places: &[Place], book: &Promptbook) -> Vec<SongLine> {
    let mut lines = Vec::new();
    for entry in &book.songs {
        let (first, count) = (entry.positions.start as usize, entry.positions.len as usize);
        let Some(place) = places.get(first) else {
            continue;
        };
        let Some(song) = show.songs.get(place.song) else {
            continue;
        };
        let Some(NightEntry::Song {
            call,
            transpose: tonight,
            ..
        }) = night.order.get(place.entry)
        else {
            continue;
        };
        lines.push(SongLine {
            tonight: *tonight,
            title: song.title.clone(),
            call: call.clone(),
            tempo: song.tempo,
            beats: song.beats,
            key: song.key.clone(),
            transpose: place.transpose,
            length_s: song.length_s,
            positions: (first, count),
            pages: song
                .pages
                .iter()
                .map(|page| {
                    page.text
                        .as_ref()
                        .and_then(|path| show.page_texts.get(path))
                        .cloned()
                        .unwrap_or_default()
                })
                .collect(),
        });
    }
    lines
}

/// The night's line as the running order lists it, one line for each entry of its order: a
/// song with no position tonight counts as skipped.
fn order(show: &Show, night: &Night, places: &[Place]) -> Vec<OrderLine> {
    let title = |song: usize| {
        show.songs
            .get(song)
            .map_or_else(String::new, |s| s.title.clone())
    };
    let turns: BTreeMap<usize, usize> = places.iter().map(|p| (p.entry, p.turn)).collect();
    let line = |(at, entry): (usize, &NightEntry)| match entry {
        NightEntry::Break { length_s, .. } => OrderLine::Break(*length_s),
        NightEntry::Song { song, call, .. } => match turns.get(&at) {
            Some(turn) => OrderLine::Song(*turn),
            None => OrderLine::Skipped {
                call: call.clone(),
                title: title(*song),
            },
        },
    };
    night.order.iter().enumerate().map(line).collect()
}
