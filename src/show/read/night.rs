//! `nights/NAME.ron`: the order of one night, and what is different tonight.

use std::collections::BTreeSet;

use super::draft::{level, semitones};
use super::names::{Found, Names, Source, named, parsed};
use super::rig::RigRead;
use super::values;
use crate::show::finding::{Level, quoted};
use crate::show::model::{Night, NightEntry, Show, Site, Song, Trims};
use crate::show::tree::readers::{expected, list, name, switch};
use crate::show::tree::{Fields, Kind, Node, Problem, Report, Span, Spanned};

/// What a night is read against.
#[derive(Clone, Copy)]
pub(super) struct Tonight<'s> {
    pub(super) source: Source,
    pub(super) rig: &'s RigRead,
    pub(super) songs: &'s [Song],
    pub(super) song_names: &'s Names,
}

/// Reads version 1 of a night; `file_name` is the file's name without its ending.
pub(super) fn night(
    node: &Node,
    file_name: &str,
    tonight: Tonight<'_>,
    report: &mut Report<'_>,
) -> Option<Night> {
    let mut fields = Fields::open(node, "night", report)?;
    fields.skip("version");
    let title = fields.optional("title", name);
    let start = fields.optional("start", parsed(values::minute_of_day));
    let end = fields.optional("end", parsed(values::minute_of_day));
    let order = fields.required("order", list(entry));
    let trims = fields.optional("trims", |node, report| trims(node, tonight.rig, report));
    fields.finish();
    let start_byte = node.span.start;
    let order = order.map(|order| order.value).unwrap_or_default();
    Some(Night {
        name: file_name.to_owned(),
        site: tonight.source.site(Span::new(start_byte, start_byte + 1)),
        title: title.map_or_else(|| file_name.to_owned(), |title| title.value),
        unread: unread(&order, tonight.song_names),
        order: resolve(order, tonight, report),
        trims: trims.map(|trims| trims.value).unwrap_or_default(),
        end_minute: end.map(|end| end.value),
        start_minute: start.map(|start| start.value),
    })
}

/// An entry as written.
enum EntryDraft {
    Song(SongEntry),
    Break(u32),
}

struct SongEntry {
    song: Spanned<String>,
    call: Option<Spanned<String>>,
    transpose: i8,
    is_skipped: bool,
    skipped_scenes: Vec<Spanned<String>>,
}

/// `"song"`, `(song: …, …)`, or `(pause: "20:00")`.
fn entry(node: &Node, report: &mut Report<'_>) -> Option<EntryDraft> {
    if let Kind::Text(_) = node.kind {
        let song = Spanned::new(name(node, report)?, node.span);
        return Some(EntryDraft::Song(SongEntry {
            song,
            call: None,
            transpose: 0,
            is_skipped: false,
            skipped_scenes: Vec::new(),
        }));
    }
    if !matches!(node.kind, Kind::Struct { .. }) {
        return expected("the name of a song, (song: …), or (pause: …)", node, report);
    }
    let mut fields = Fields::open(node, "entry", report)?;
    if fields.has("pause") {
        let pause = fields.required("pause", parsed(values::length_s));
        fields.finish();
        return pause.map(|pause| EntryDraft::Break(pause.value));
    }
    let song = fields.required("song", name);
    let call = fields.optional("call", name);
    let transpose = fields
        .optional("transpose", semitones)
        .map_or(0, |semitones| semitones.value);
    let is_skipped = fields
        .optional("skip", switch)
        .is_some_and(|skip| skip.value);
    let skipped_scenes = fields
        .optional("skip_scenes", list(name))
        .map(|names| names.value)
        .unwrap_or_default();
    fields.finish();
    Some(EntryDraft::Song(SongEntry {
        song: song?,
        call,
        transpose,
        is_skipped,
        skipped_scenes,
    }))
}

/// Songs of an order that are asked for and could not be read.
fn unread(order: &[Spanned<EntryDraft>], songs: &Names) -> Vec<String> {
    let names = order.iter().filter_map(|entry| match &entry.value {
        EntryDraft::Song(song) if !song.is_skipped => Some(&song.song.value),
        _ => None,
    });
    names
        .filter(|name| songs.find(name) == Found::Told)
        .cloned()
        .collect()
}

fn resolve(
    order: Vec<Spanned<EntryDraft>>,
    tonight: Tonight<'_>,
    report: &mut Report<'_>,
) -> Vec<NightEntry> {
    let (mut resolved, mut calls, mut place) = (Vec::new(), BTreeSet::new(), 0usize);
    for Spanned { value, span } in order {
        let site = tonight.source.site(span);
        let draft = match value {
            EntryDraft::Break(length_s) => {
                resolved.push(NightEntry::Break { length_s, site });
                continue;
            }
            EntryDraft::Song(draft) => draft,
        };
        // A song that cannot be read keeps its number, so that those after it keep theirs.
        place += 1;
        let call = draft
            .call
            .as_ref()
            .map_or_else(|| place.to_string(), |call| call.value.clone());
        if !calls.insert(call.clone()) {
            let span = draft
                .call
                .as_ref()
                .map_or(draft.song.span, |call| call.span);
            let message = format!("the call number {} is given twice tonight", quoted(&call));
            let help = "a song without one takes its place in the order: give this one another, such as \"7a\"";
            report.add(Problem::error("duplicate-name", span, message).help(help));
        }
        if let Some(song) = tonight.song_names.index(&draft.song, "song", report) {
            resolved.push(NightEntry::Song {
                song,
                call,
                transpose: draft.transpose,
                is_skipped: draft.is_skipped,
                skipped_scenes: skipped(draft.skipped_scenes, tonight.songs.get(song), report),
                site,
            });
        }
    }
    resolved
}

fn skipped(
    names: Vec<Spanned<String>>,
    song: Option<&Song>,
    report: &mut Report<'_>,
) -> Vec<String> {
    let mut known = Names::default();
    for (index, scene) in song
        .map(|song| song.scenes.as_slice())
        .unwrap_or_default()
        .iter()
        .enumerate()
    {
        known.add(&scene.name, Some(index));
    }
    names
        .into_iter()
        .filter(|name| known.index(name, "scene", report).is_some())
        .map(|name| name.value)
        .collect()
}

fn trims(node: &Node, rig: &RigRead, report: &mut Report<'_>) -> Option<Trims> {
    let mut fields = Fields::open(node, "trims", report)?;
    let patches = fields
        .optional("patches", named)
        .map(|read| read.value)
        .unwrap_or_default();
    let instruments = fields
        .optional("instruments", named)
        .map(|read| read.value)
        .unwrap_or_default();
    let ports = fields
        .optional("ports", named)
        .map(|read| read.value)
        .unwrap_or_default();
    fields.finish();
    let mut trims = Trims::default();
    for (receiver, node) in patches {
        if let Some(receiver) = rig.receivers.index(&receiver, "receiver", report) {
            patch_trims(receiver, node, rig, report, &mut trims);
        }
    }
    for (name, node) in instruments {
        let index = rig.receivers.index(&name, "receiver", report);
        trims.instruments.extend(index.zip(level(node, report)));
    }
    for (name, node) in ports {
        let index = rig.ports.index(&name, "port", report);
        trims.ports.extend(index.zip(level(node, report)));
    }
    Some(trims)
}

fn patch_trims(
    receiver: usize,
    node: &Node,
    rig: &RigRead,
    report: &mut Report<'_>,
    trims: &mut Trims,
) {
    let Some(names) = rig.inside.get(receiver).map(|names| &names.patches) else {
        return;
    };
    let receiver_name = rig
        .rig
        .receivers
        .get(receiver)
        .map_or("", |receiver| &receiver.name);
    for (name, node) in named(node, report).unwrap_or_default() {
        let trim = level(node, report);
        match names.find(&name.value) {
            Found::Known(patch) => trims
                .patches
                .extend(trim.map(|trim| (receiver, patch, trim))),
            Found::Told => {}
            Found::Unknown => {
                report.add_with(Level::Error, || {
                    let message = format!(
                        "no patch {} in the list of {}",
                        quoted(&name.value),
                        quoted(receiver_name)
                    );
                    Problem::error("patch-not-in-list", name.span, message)
                        .help(names.help(&name.value))
                });
            }
        }
    }
}

/// The night of a show that has none: every song, in the order of their file names.
pub(super) fn every_song(show: &Show, names: &Names) -> Night {
    let order = show
        .songs
        .iter()
        .enumerate()
        .map(|(index, song)| NightEntry::all_of(index, song.site));
    Night {
        name: "all".into(),
        title: show.name.clone(),
        site: Site::default(),
        order: order.collect(),
        unread: names.told().map(str::to_owned).collect(),
        ..Night::default()
    }
}
