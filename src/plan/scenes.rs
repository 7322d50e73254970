//! Scenes: each one compiled once per transposition into stretches of the flat tables.

use std::collections::BTreeMap;

use super::line::Place;
use super::rig::{Layout, within};
use super::routes::{Around, Routes};
use super::sounds::{Draft, Sounds};
use super::{PlanError, curves, names};
use crate::engine::limits;
use crate::engine::promptbook::{
    ControllerId, CueEntry, CueMessage, CueNote, CuePlace, Leave, ReceiverId, SceneEntry, SceneId,
    Setting, SlotEntry, SlotId, SoundEntry, SoundId, Span, ZoneEntry,
};
use crate::sheet::SceneLine;
use crate::show::model::{self, Night, Scene, Show, Zone};

/// The scenes' share of the promptbook, and their lines for the sheet.
#[derive(Default)]
pub(super) struct Tables {
    pub(super) scenes: Vec<SceneEntry>,
    pub(super) zones: Vec<ZoneEntry>,
    pub(super) sounds: Vec<SoundEntry>,
    pub(super) settings: Vec<Setting>,
    pub(super) routes: Routes,
    pub(super) cues: Vec<CueEntry>,
    pub(super) blobs: Vec<Box<[u8]>>,
    pub(super) curves: Vec<[u8; 128]>,
    pub(super) lines: Vec<SceneLine>,
}

/// Compiles scenes one by one.
pub(super) struct Compiler<'a> {
    show: &'a Show,
    layout: &'a Layout,
    sounds: Sounds<'a>,
    known: BTreeMap<(usize, usize, i16), SceneId>,
    tables: Tables,
    /// Velocity curves: the rig's, then those of zones that fade.
    curves: Vec<[u8; 128]>,
}

impl<'a> Compiler<'a> {
    /// `blobs` are stored messages that have their numbers already.
    pub(super) fn new(
        show: &'a Show,
        night: &'a Night,
        layout: &'a Layout,
        blobs: &[Box<[u8]>],
    ) -> Self {
        Self {
            show,
            layout,
            sounds: Sounds::new(show, night, blobs),
            known: BTreeMap::new(),
            tables: Tables::default(),
            curves: show.rig.curves.iter().map(curves::table).collect(),
        }
    }

    /// The compiled scene of a place. A scene with the same transposition is compiled once.
    pub(super) fn scene(&mut self, place: &Place) -> Result<SceneId, PlanError> {
        let key = (place.song, place.scene, place.transpose);
        if let Some(id) = self.known.get(&key) {
            return Ok(*id);
        }
        let song = self.show.songs.get(place.song);
        let Some(scene) = song.and_then(|song| song.scenes.get(place.scene)) else {
            return Err(PlanError::Empty);
        };
        let entry = self.compile(scene, place.transpose)?;
        let id = SceneId(self.tables.scenes.len() as u32);
        self.tables.scenes.push(entry);
        self.known.insert(key, id);
        Ok(id)
    }

    pub(super) fn finish(self) -> Tables {
        Tables {
            blobs: self.sounds.into_blobs(),
            curves: self.curves,
            ..self.tables
        }
    }

    fn compile(&mut self, scene: &Scene, transpose: i16) -> Result<SceneEntry, PlanError> {
        // Each zone's sound is compared with those before it: no more than the limit are.
        within("zones in one scene", scene.zones.len(), limits::MAX_ZONES)?;
        let mut drafts: Vec<Draft> = Vec::new();
        let mut zones: Vec<(&Zone, ZoneEntry)> = Vec::new();
        for zone in &scene.zones {
            let Some(draft) = self.sounds.of_zone(scene, zone) else {
                continue;
            };
            let sound = drafts
                .iter_mut()
                .position(|known| known.takes_in(&draft))
                .unwrap_or_else(|| {
                    drafts.push(draft);
                    drafts.len() - 1
                });
            let curve = self.curve(zone);
            zones.push((zone, zone_entry(zone, sound, transpose, curve)));
        }
        drafts.extend(self.sounds.without_zones(scene, self.layout));
        self.sounds.identify(&mut drafts);
        within("sounds in one scene", drafts.len(), limits::MAX_SOUNDS)?;
        zones.sort_by_key(|(_, entry)| (entry.controller, entry.keys));
        let voices: Vec<_> = drafts
            .iter()
            .map(|draft| (draft.receiver, draft.patch))
            .collect();
        let mut line = names::scene_line(self.show, scene, &zones, &drafts);
        let routes = self.put_routes(scene, &zones, &drafts)?;
        line.routes = names::route_lines(self.show, scene, &routes.1);
        self.tables.lines.push(line);
        Ok(SceneEntry {
            routes: routes.0,
            zones: extend(
                &mut self.tables.zones,
                zones.into_iter().map(|(_, entry)| entry),
            ),
            sounds: self.put_sounds(drafts),
            cues: self.put_cues(scene, &voices),
            is_brief: scene.is_brief,
        })
    }

    /// Adds the scene's routes; returns for each compiled route its index in the scene.
    fn put_routes(
        &mut self,
        scene: &Scene,
        zones: &[(&Zone, ZoneEntry)],
        drafts: &[Draft],
    ) -> Result<(Span, Vec<usize>), PlanError> {
        let around = Around {
            show: self.show,
            layout: self.layout,
            scene,
            zones,
            drafts,
        };
        let start = self.tables.routes.entries.len();
        let made = self.tables.routes.scene(&around, &mut self.sounds);
        within("routes in one scene", made.len(), limits::MAX_ROUTES)?;
        let span = Span {
            start: start as u32,
            len: made.len() as u32,
        };
        Ok((span, made))
    }

    /// The curve of a zone, made for it if it fades at the ends of its window.
    fn curve(&mut self, zone: &Zone) -> u16 {
        let Some(curve) = self.curves.get(zone.curve) else {
            return 0;
        };
        if zone.velocity_fades == (0, 0) {
            return zone.curve as u16;
        }
        let window = (zone.velocities.0.get(), zone.velocities.1.get());
        let faded = curves::faded(curve, window, zone.velocity_fades);
        let known = self.curves.iter().position(|own| *own == faded);
        known.unwrap_or_else(|| {
            self.curves.push(faded);
            self.curves.len() - 1
        }) as u16
    }

    fn put_sounds(&mut self, drafts: Vec<Draft>) -> Span {
        let start = self.tables.sounds.len() as u32;
        for draft in drafts {
            let settings = extend(&mut self.tables.settings, draft.settings);
            self.tables.sounds.push(SoundEntry {
                settings,
                ..draft.entry
            });
        }
        Span {
            start,
            len: self.tables.sounds.len() as u32 - start,
        }
    }

    /// `voices` are receiver and patch of each sound of the scene.
    fn put_cues(&mut self, scene: &Scene, voices: &[(usize, Option<usize>)]) -> Span {
        let mut cues = Vec::new();
        for named in &scene.cues {
            let receiver = self.show.rig.receivers.get(named.receiver);
            let Some(cue) = receiver.and_then(|receiver| receiver.cues.get(named.cue)) else {
                continue;
            };
            let message = match &cue.message {
                model::CueMessage::Short(message) => CueMessage::Short(*message),
                model::CueMessage::Note(note) => {
                    let Some(place) = self.cue_place(named.receiver, note.place, voices) else {
                        // The scene has no such sound: `check` reports it.
                        continue;
                    };
                    CueMessage::Note(CueNote {
                        place,
                        key: note.key,
                        velocity: note.velocity,
                        length_ms: note.length_ms,
                    })
                }
                model::CueMessage::Exclusive(bytes) => CueMessage::Blob(self.sounds.blob(bytes)),
            };
            cues.push(CueEntry {
                receiver: ReceiverId(named.receiver as u8),
                message,
                on_jump: named.on_jump,
            });
        }
        extend(&mut self.tables.cues, cues)
    }

    fn cue_place(
        &self,
        receiver: usize,
        place: model::CuePlace,
        voices: &[(usize, Option<usize>)],
    ) -> Option<CuePlace> {
        match place {
            model::CuePlace::Channel(channel) => {
                let is_it =
                    |slot: &SlotEntry| slot.receiver.index() == receiver && slot.channel == channel;
                let slot = self.layout.slots.iter().position(is_it)?;
                Some(CuePlace::Slot(SlotId(slot as u8)))
            }
            model::CuePlace::Patch(patch) => {
                let sound = voices
                    .iter()
                    .position(|voice| *voice == (receiver, Some(patch)))?;
                Some(CuePlace::Sound(SoundId(sound as u8)))
            }
        }
    }
}

fn zone_entry(zone: &Zone, sound: usize, transpose: i16, curve: u16) -> ZoneEntry {
    let others = if zone.is_never_transposed {
        0
    } else {
        transpose
    };
    ZoneEntry {
        controller: ControllerId(zone.controller as u8),
        keys: zone.keys,
        velocities: zone.velocities,
        transpose: i16::from(zone.transpose) + others,
        curve,
        sound: SoundId(sound as u8),
        catches: zone.catches,
        leave: match zone.leave {
            // A fade of 0 ms needs no ramp, and frees its slot at once.
            Leave::Fade(0) => Leave::Cut,
            leave => leave,
        },
        finger: zone.finger,
    }
}

/// Appends items to a flat table, and returns their range.
pub(super) fn extend<T>(table: &mut Vec<T>, items: impl IntoIterator<Item = T>) -> Span {
    let start = table.len();
    table.extend(items);
    Span {
        start: start as u32,
        len: (table.len() - start) as u32,
    }
}
