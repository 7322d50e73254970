//! Zones and scenes as they are written: names unresolved, what is left out left out.
//!
//! A draft keeps the place of each field, because after defaults and `like` its parts come
//! from several scenes and files.

use super::names::{Placed, Source, named, parsed};
use super::routes::{RouteDrafts, route_drafts};
use super::values;
use crate::midi::mpe::Leader;
use crate::midi::{Key, Value7};
use crate::show::model::{Leave, LevelChange, Parameter, Site, When};
use crate::show::tree::readers::{
    decimal, expected, inner, list, name, switch, text, variant, whole, word,
};
use crate::show::tree::{Fields, Kind, Node, Number, Report, Spanned};

/// A zone as written, or the defaults that a rig or song gives to all zones.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct ZoneDraft {
    pub(super) from: Option<Placed<String>>,
    pub(super) keys: Option<Placed<(Key, Key)>>,
    pub(super) velocity: Option<Placed<(Value7, Value7)>>,
    pub(super) velocity_fade: Option<Placed<(u8, u8)>>,
    pub(super) curve: Option<Placed<String>>,
    pub(super) to: Option<Placed<String>>,
    pub(super) group: Option<Placed<String>>,
    pub(super) patch: Option<Placed<String>>,
    pub(super) level: Option<Placed<f32>>,
    pub(super) pan: Option<Placed<Value7>>,
    pub(super) bend_range: Option<Placed<u8>>,
    pub(super) transpose: Option<Placed<Transpose>>,
    pub(super) catch: Option<Placed<bool>>,
    pub(super) leave: Option<Placed<Leave>>,
    pub(super) level_change: Option<Placed<LevelChange>>,
    pub(super) finger: Option<Placed<Leader>>,
    pub(super) parameters: Vec<Setting>,
}

/// How a zone is transposed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Transpose {
    /// By this many semitones, and with the song and the night.
    By(i8),
    /// Not at all, whatever song and night say.
    Never,
}

/// A parameter by name, and its value.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Setting {
    pub(super) parameter: Placed<String>,
    /// None stands for `Leave`: no value is sent.
    pub(super) value: Placed<Option<Written>>,
}

/// A value as written: a number, or the name of one of the parameter's states.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Written {
    Number(i128),
    State(String),
}

impl Setting {
    /// Whether a parameter can be set to this value.
    pub(super) fn fits(&self, parameter: &Parameter) -> bool {
        match &self.value.value {
            None => true,
            Some(Written::State(state)) => parameter.states.iter().any(|(name, _)| name == state),
            Some(Written::Number(written)) => u16::try_from(*written)
                .is_ok_and(|value| (parameter.range.0..=parameter.range.1).contains(&value)),
        }
    }
}

/// Parameters of one receiver.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Settings {
    pub(super) receiver: Placed<String>,
    pub(super) settings: Vec<Setting>,
}

/// A receiver's patch without a zone.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct PatchDraft {
    pub(super) receiver: Placed<String>,
    pub(super) patch: Placed<String>,
    pub(super) group: Option<Placed<String>>,
}

/// A cue by name.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct CueDraft {
    pub(super) site: Site,
    pub(super) to: Placed<String>,
    pub(super) cue: Placed<String>,
    pub(super) on_jump: bool,
}

/// A scene as written.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct SceneDraft {
    pub(super) name: String,
    pub(super) site: Site,
    pub(super) like: Option<Placed<String>>,
    /// `like` names a scene that does not exist, here or further down the chain: what is
    /// missing might be in it.
    pub(super) is_base_unknown: bool,
    pub(super) without: Vec<Placed<String>>,
    pub(super) zones: Vec<(Placed<String>, ZoneDraft)>,
    pub(super) patches: Vec<PatchDraft>,
    pub(super) parameters: Vec<Settings>,
    pub(super) routes: RouteDrafts,
    pub(super) cues: Vec<CueDraft>,
    pub(super) level: Option<Placed<f32>>,
    pub(super) page: Option<Placed<u16>>,
    pub(super) player: String,
    pub(super) technician: String,
    pub(super) when: When,
    pub(super) is_brief: bool,
}

/// The widest range of levels that is read, in dB; `check` judges headroom.
const LEVELS_DB: std::ops::RangeInclusive<f64> = -96.0..=24.0;

/// Reads the fields of a zone; `what` is `zone` or `defaults`.
pub(super) fn zone_draft(
    node: &Node,
    what: &'static str,
    source: Source,
    report: &mut Report<'_>,
) -> Option<ZoneDraft> {
    const CHANGES: &[(&str, LevelChange)] =
        &[("Ride", LevelChange::Ride), ("New", LevelChange::New)];
    const LEADERS: &[(&str, Leader)] = &[("Last", Leader::Last), ("Highest", Leader::Highest)];
    let mut fields = Fields::open(node, what, report)?;
    let draft = ZoneDraft {
        from: place(source, fields.optional("from", name)),
        keys: place(
            source,
            fields.optional("keys", parsed(|text| values::keys(text, source.middle_c))),
        ),
        velocity: place(
            source,
            fields.optional("velocity", parsed(values::velocities)),
        ),
        velocity_fade: place(source, fields.optional("velocity_fade", velocity_fade)),
        curve: place(source, fields.optional("curve", name)),
        to: place(source, fields.optional("to", name)),
        group: place(source, fields.optional("group", name)),
        patch: place(source, fields.optional("patch", name)),
        level: place(source, fields.optional("level", level)),
        pan: place(source, fields.optional("pan", pan)),
        bend_range: place(source, fields.optional("bend_range", whole(0..=96u8))),
        transpose: place(source, fields.optional("transpose", transpose)),
        catch: place(source, fields.optional("catch", switch)),
        leave: place(source, fields.optional("leave", leave)),
        level_change: place(
            source,
            fields.optional("level_change", word("change of level", CHANGES)),
        ),
        finger: place(
            source,
            fields.optional("finger", word("choice of finger", LEADERS)),
        ),
        parameters: fields
            .optional("parameters", |node, report| settings(node, source, report))
            .map(|read| read.value)
            .unwrap_or_default(),
    };
    fields.finish();
    Some(draft)
}

fn place<T>(source: Source, read: Option<Spanned<T>>) -> Option<Placed<T>> {
    read.map(|read| source.place(read))
}

/// A level or trim in dB.
pub(super) fn level(node: &Node, report: &mut Report<'_>) -> Option<f32> {
    decimal(LEVELS_DB)(node, report).map(|level| level as f32)
}

/// Pan from -64 (left) to 63 (right), as controller value: 64 is the centre (RP-036).
fn pan(node: &Node, report: &mut Report<'_>) -> Option<Value7> {
    whole(-64..=63i8)(node, report).map(|pan| Value7::clamped(i32::from(pan) + 64))
}

/// Semitones that a song, night or zone may be moved by.
pub(super) fn semitones(node: &Node, report: &mut Report<'_>) -> Option<i8> {
    whole(-60..=60i8)(node, report)
}

/// Velocities over which a zone fades in and out: `(20, 0)`.
fn velocity_fade(node: &Node, report: &mut Report<'_>) -> Option<(u8, u8)> {
    let [low, high] = super::names::items(node, 2, report)? else {
        return None;
    };
    let (low, high) = (
        whole(0..=126u8)(low, report),
        whole(0..=126u8)(high, report),
    );
    low.zip(high)
}

fn transpose(node: &Node, report: &mut Report<'_>) -> Option<Transpose> {
    match node.kind {
        Kind::Word(_) => {
            variant("transposition", &["Never"])(node, report).map(|_| Transpose::Never)
        }
        _ => semitones(node, report).map(Transpose::By),
    }
}

fn leave(node: &Node, report: &mut Report<'_>) -> Option<Leave> {
    Some(
        match variant("way to leave", &["Hold", "Cut", "Fade"])(node, report)? {
            "Hold" => Leave::Hold,
            "Cut" => Leave::Cut,
            // A fade longer than a minute is no longer one.
            _ => Leave::Fade(inner(node, report, whole(1..=60_000u16))?.value),
        },
    )
}

/// Reads a map of parameter names to values: those of one receiver.
fn settings(node: &Node, source: Source, report: &mut Report<'_>) -> Option<Vec<Setting>> {
    let mut read = Vec::new();
    for (name, node) in named(node, report)? {
        if let Some(value) = setting(node, report) {
            let value = source.place(Spanned::new(value, node.span));
            read.push(Setting {
                parameter: source.place(name),
                value,
            });
        }
    }
    Some(read)
}

#[allow(
    clippy::option_option,
    reason = "unread, left alone, and a value are three answers"
)]
fn setting(node: &Node, report: &mut Report<'_>) -> Option<Option<Written>> {
    match node.kind {
        Kind::Number(Number::Int(value)) => Some(Some(Written::Number(value))),
        Kind::Text(_) => name(node, report).map(|state| Some(Written::State(state))),
        Kind::Word(_) => variant("value of a parameter", &["Leave"])(node, report).map(|_| None),
        _ => expected("a whole number, or Leave", node, report),
    }
}

/// Reads a map of receivers to parameter values.
pub(super) fn all_settings(
    node: &Node,
    source: Source,
    report: &mut Report<'_>,
) -> Option<Vec<Settings>> {
    let mut read = Vec::new();
    for (receiver, node) in named(node, report)? {
        if let Some(settings) = settings(node, source, report) {
            read.push(Settings {
                receiver: source.place(receiver),
                settings,
            });
        }
    }
    Some(read)
}

/// Reads one scene as it is written, before `like` and defaults are applied.
pub(super) fn scene_draft(
    scene_name: &Spanned<String>,
    node: &Node,
    source: Source,
    report: &mut Report<'_>,
) -> Option<SceneDraft> {
    let mut fields = Fields::open(node, "scene", report)?;
    let like = place(source, fields.optional("like", name));
    let without = fields
        .optional("without", list(name))
        .map(|names| names.value)
        .unwrap_or_default();
    let zones = fields.optional("zones", |node, report| zones(node, source, report));
    let patches = fields.optional("patches", |node, report| patches(node, source, report));
    let parameters = fields.optional("parameters", |node, report| {
        all_settings(node, source, report)
    });
    let routes = fields.optional("routes", |node, report| route_drafts(node, source, report));
    let cues = fields.optional(
        "cues",
        list(|node, report: &mut Report<'_>| cue(node, source, report)),
    );
    let draft = SceneDraft {
        name: scene_name.value.clone(),
        site: source.site(scene_name.span),
        like,
        is_base_unknown: false,
        without: without.into_iter().map(|name| source.place(name)).collect(),
        zones: zones.map(|read| read.value).unwrap_or_default(),
        patches: patches.map(|read| read.value).unwrap_or_default(),
        parameters: parameters.map(|read| read.value).unwrap_or_default(),
        routes: routes.map(|read| read.value).unwrap_or_default(),
        cues: cues
            .map(|read| read.value.into_iter().map(|cue| cue.value).collect())
            .unwrap_or_default(),
        level: place(source, fields.optional("level", level)),
        page: place(source, fields.optional("page", whole(1..=999u16))),
        player: fields
            .optional("player", text)
            .map(|words| words.value)
            .unwrap_or_default(),
        technician: fields
            .optional("technician", text)
            .map(|words| words.value)
            .unwrap_or_default(),
        when: fields
            .optional("when", when)
            .map(|when| when.value)
            .unwrap_or_default(),
        is_brief: fields
            .optional("brief", switch)
            .is_some_and(|brief| brief.value),
    };
    fields.finish();
    Some(draft)
}

fn zones(
    node: &Node,
    source: Source,
    report: &mut Report<'_>,
) -> Option<Vec<(Placed<String>, ZoneDraft)>> {
    let mut read = Vec::new();
    for (name, node) in named(node, report)? {
        if let Some(zone) = zone_draft(node, "zone", source, report) {
            read.push((source.place(name), zone));
        }
    }
    Some(read)
}

/// A patch for each receiver: its name, or `(patch: …, group: …)`.
fn patches(node: &Node, source: Source, report: &mut Report<'_>) -> Option<Vec<PatchDraft>> {
    let mut read = Vec::new();
    for (receiver, node) in named(node, report)? {
        let (patch, group) = match &node.kind {
            Kind::Text(_) => (
                name(node, report).map(|name| Spanned::new(name, node.span)),
                None,
            ),
            _ => {
                let Some(mut fields) = Fields::open(node, "patch", report) else {
                    continue;
                };
                let pair = (
                    fields.required("patch", name),
                    fields.optional("group", name),
                );
                fields.finish();
                pair
            }
        };
        if let Some(patch) = patch {
            let receiver = source.place(receiver);
            read.push(PatchDraft {
                receiver,
                patch: source.place(patch),
                group: place(source, group),
            });
        }
    }
    Some(read)
}

fn cue(node: &Node, source: Source, report: &mut Report<'_>) -> Option<CueDraft> {
    let mut fields = Fields::open(node, "cue", report)?;
    let to = fields.required("to", name);
    let cue = fields.required("cue", name);
    let on_jump = fields
        .optional("on_jump", switch)
        .is_some_and(|read| read.value);
    fields.finish();
    Some(CueDraft {
        site: source.site(node.span),
        to: source.place(to?),
        cue: source.place(cue?),
        on_jump,
    })
}

fn when(node: &Node, report: &mut Report<'_>) -> Option<When> {
    let mut fields = Fields::open(node, "when", report)?;
    let when = When {
        bar: fields
            .optional("bar", whole(1..=9999u16))
            .map(|bar| bar.value),
        beat: fields
            .optional("beat", whole(1..=64u8))
            .map(|beat| beat.value),
        word: fields.optional("word", text).map(|word| word.value),
    };
    fields.finish();
    Some(when)
}
