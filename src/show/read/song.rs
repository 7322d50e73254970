//! `songs/NAME.ron`: from its tree to a song with names resolved.

use super::defaults;
use super::draft::{
    SceneDraft, Settings, ZoneDraft, all_settings, scene_draft, semitones, zone_draft,
};
use super::merge::apply_like;
use super::names::{Log, Names, Placed, Source, named, parsed};
use super::resolve::Resolver;
use super::rig::RigRead;
use super::routes::{RouteDrafts, handed_down, route_drafts, routes_over};
use super::values;
use crate::show::finding::quoted;
use crate::show::model::{OrderEntry, Page, Site, Song};
use crate::show::tree::readers::{decimal, expected, list, name, text, whole};
use crate::show::tree::{Fields, Kind, Node, Report, Spanned};

/// A song as written.
#[derive(Clone, Debug, Default)]
pub(super) struct SongDraft {
    title: String,
    site: Site,
    tempo: Option<f32>,
    beats: Option<u8>,
    key: String,
    transpose: i8,
    length_s: Option<u32>,
    pages: Vec<Page>,
    defaults: ZoneDraft,
    parameters: Vec<Settings>,
    routes: RouteDrafts,
    scenes: Vec<SceneDraft>,
    scene_names: Names,
    order: Vec<EntryDraft>,
    order_site: Site,
}

#[derive(Clone, PartialEq, Debug)]
struct EntryDraft {
    scene: Placed<String>,
    call: Option<Placed<String>>,
}

/// Reads version 1 of a song.
pub(super) fn song_draft(
    node: &Node,
    source: Source,
    report: &mut Report<'_>,
) -> Option<SongDraft> {
    let mut fields = Fields::open(node, "song", report)?;
    fields.skip("version");
    let title = fields.optional("title", name);
    let tempo = fields.optional("tempo", decimal(1.0..=999.0));
    let beats = fields.optional("beats", whole(1..=64u8));
    let key = fields.optional("key", text);
    let transpose = fields.optional("transpose", semitones);
    let length = fields.optional("length", parsed(values::length_s));
    let pages = fields.optional(
        "pages",
        list(|node, report: &mut Report<'_>| page(node, source, report)),
    );
    let defaults = fields.optional("defaults", |node, report| {
        zone_draft(node, "defaults", source, report)
    });
    let parameters = fields.optional("parameters", |node, report| {
        all_settings(node, source, report)
    });
    let routes = fields.optional("routes", |node, report| route_drafts(node, source, report));
    let scenes = fields.required("scenes", named);
    let order = fields.required(
        "order",
        list(|node, report: &mut Report<'_>| entry(node, source, report)),
    );
    let start = node.span.start;
    fields.finish();
    let site = source.site(crate::show::tree::Span::new(start, start + 1));
    let mut draft = SongDraft {
        title: title.map(|title| title.value).unwrap_or_default(),
        site,
        order_site: order.as_ref().map_or(site, |order| source.site(order.span)),
        tempo: tempo.map(|tempo| tempo.value as f32),
        beats: beats.map(|beats| beats.value),
        key: key.map(|key| key.value).unwrap_or_default(),
        transpose: transpose.map_or(0, |semitones| semitones.value),
        length_s: length.map(|length| length.value),
        pages: pages
            .map(|read| read.value.into_iter().map(|page| page.value).collect())
            .unwrap_or_default(),
        defaults: defaults.map(|read| read.value).unwrap_or_default(),
        parameters: parameters.map(|read| read.value).unwrap_or_default(),
        routes: routes.map(|read| read.value).unwrap_or_default(),
        order: order
            .map(|read| read.value.into_iter().map(|entry| entry.value).collect())
            .unwrap_or_default(),
        ..SongDraft::default()
    };
    for (name, node) in scenes.map(|scenes| scenes.value).unwrap_or_default() {
        let scene = scene_draft(&name, node, source, report);
        draft
            .scene_names
            .add(&name.value, scene.is_some().then_some(draft.scenes.len()));
        draft.scenes.extend(scene);
    }
    Some(draft)
}

fn page(node: &Node, source: Source, report: &mut Report<'_>) -> Option<Page> {
    let mut fields = Fields::open(node, "page", report)?;
    let number = fields
        .optional("number", whole(0..=127u16))
        .map(|number| number.value);
    let text = fields.optional("text", text).map(|text| text.value);
    fields.finish();
    Some(Page {
        number,
        text,
        site: source.site(node.span),
    })
}

/// `"verse"`, or `(scene: "verse", call: "6a")`.
fn entry(node: &Node, source: Source, report: &mut Report<'_>) -> Option<EntryDraft> {
    match node.kind {
        Kind::Text(_) => {
            let scene = Spanned::new(name(node, report)?, node.span);
            Some(EntryDraft {
                scene: source.place(scene),
                call: None,
            })
        }
        Kind::Struct { .. } => {
            let mut fields = Fields::open(node, "entry", report)?;
            let scene = fields.required("scene", name);
            let call = fields.optional("call", name).map(|call| source.place(call));
            fields.finish();
            Some(EntryDraft {
                scene: source.place(scene?),
                call,
            })
        }
        _ => expected("the name of a scene, or (scene: …, call: …)", node, report),
    }
}

/// The song with its names resolved against the rig; `name` is the file's.
pub(super) fn song(draft: &SongDraft, name: &str, rig: &RigRead, log: &mut Log<'_>) -> Song {
    let whole = apply_like(&draft.scenes, &draft.scene_names, log);
    let own = defaults::sound(&draft.defaults, &rig.defaults, rig, log);
    let over_rig = own.over(&defaults::known(&rig.defaults, rig));
    let parameters = defaults::sound_parameters(&draft.parameters, rig, log);
    let routes = handed_down(&routes_over(&draft.routes, &rig.routes));
    let mut resolver = Resolver::new(rig, &over_rig, &parameters, &routes, log);
    let scenes = whole.iter().map(|scene| resolver.scene(scene)).collect();
    let order = order(draft, log);
    Song {
        name: name.to_owned(),
        site: draft.site,
        title: if draft.title.is_empty() {
            name.to_owned()
        } else {
            draft.title.clone()
        },
        tempo: draft.tempo,
        beats: draft.beats,
        key: draft.key.clone(),
        transpose: draft.transpose,
        length_s: draft.length_s,
        pages: draft.pages.clone(),
        scenes,
        order,
        order_site: draft.order_site,
    }
}

fn order(draft: &SongDraft, log: &mut Log<'_>) -> Vec<OrderEntry> {
    let mut order: Vec<OrderEntry> = Vec::new();
    let mut calls = std::collections::BTreeSet::new();
    for (index, entry) in draft.order.iter().enumerate() {
        let site = entry.scene.site;
        let call = entry
            .call
            .as_ref()
            .map_or_else(|| (index + 1).to_string(), |call| call.value.clone());
        if !calls.insert(call.clone()) {
            let message = format!(
                "the call number {} is given twice in this song",
                quoted(&call)
            );
            let help = "an entry without one takes its place in the order: give this one another, such as \"6a\"";
            log.error(
                "duplicate-name",
                entry.call.as_ref().map_or(site, |call| call.site),
                message,
                help.into(),
            );
        }
        if let Some(scene) = log.index(&draft.scene_names, &entry.scene, "scene") {
            order.push(OrderEntry { scene, call, site });
        }
    }
    order
}
