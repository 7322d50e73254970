//! `receivers` of the rig: slots, patch list, parameters, cues, manners.

use super::manners::manners;
use super::mpe;
use super::names::{Names, Source, items, named, parsed};
use super::parameters::parameter;
use super::rig::{Lists, control_number, names_of, program, value7};
use super::{spares, values};
use crate::midi::{Channel, Message, MpeZone, Value7};
use crate::show::model::{
    Cue, CueMessage, CueNote, CuePlace, KeyboardLink, Manners, PageManner, PatchList, Receiver,
    ReceiverKind, SlotGroup, is_unread,
};
use crate::show::patches::{self, general_midi};
use crate::show::tree::readers::{expected, inner, list, name, switch, text, variant, whole, word};
use crate::show::tree::{Fields, Kind, Node, Problem, Report, Span, Spanned};

/// What songs may call the things of one receiver.
#[derive(Clone, Debug, Default)]
pub(super) struct ReceiverNames {
    pub(super) groups: Names,
    pub(super) patches: Names,
    pub(super) parameters: Names,
    pub(super) cues: Names,
}

/// A receiver as read; its links to others are resolved once all receivers are known.
pub(super) struct ReceiverRead {
    pub(super) receiver: Receiver,
    pub(super) names: ReceiverNames,
    pub(super) hears: Vec<Spanned<String>>,
    pub(super) spare_of: Option<Spanned<String>>,
}

/// What a receiver is read against.
#[derive(Clone, Copy)]
pub(super) struct Around<'s> {
    pub(super) source: Source,
    pub(super) ports: &'s Names,
    pub(super) controllers: &'s Names,
    pub(super) lists: Lists<'s>,
}

const KINDS: &[(&str, ReceiverKind)] = &[
    ("Instrument", ReceiverKind::Instrument),
    ("Effects", ReceiverKind::Effects),
    ("Pages", ReceiverKind::Pages),
    ("Lights", ReceiverKind::Lights),
    ("Playback", ReceiverKind::Playback),
];

/// Reads one entry of `receivers`, its patch list included.
pub(super) fn receiver(
    name: &Spanned<String>,
    node: &Node,
    around: Around<'_>,
    report: &mut Report<'_>,
    problems: &mut Vec<(u16, Problem)>,
) -> Option<ReceiverRead> {
    let mut fields = Fields::open(node, "receiver", report)?;
    if fields.has("spare_of") {
        return spares::spare(name, fields, around);
    }
    let port = fields.required("port", self::name);
    let (mut receiver, names) = contents(name, &mut fields, around, problems);
    let hears = fields
        .optional("hears", names_of)
        .map(|hears| hears.value)
        .unwrap_or_default();
    let keyboard = fields.optional("keyboard", keyboard);
    fields.finish();
    receiver.keyboard = keyboard.and_then(|keyboard| match keyboard.value {
        Some(name) => around
            .controllers
            .index(&name, "controller", report)
            .map(KeyboardLink::Same),
        None => Some(KeyboardLink::Apart),
    });
    receiver.port = around.ports.index(&port?, "port", report)?;
    Some(ReceiverRead {
        receiver,
        names,
        hears,
        spare_of: None,
    })
}

/// Reads what a receiver states about itself; its links to other items are resolved later.
fn contents(
    name: &Spanned<String>,
    fields: &mut Fields<'_, '_, '_>,
    around: Around<'_>,
    problems: &mut Vec<(u16, Problem)>,
) -> (Receiver, ReceiverNames) {
    let source = around.source;
    let kind = fields
        .optional("kind", word("kind of receiver", KINDS))
        .map(|kind| kind.value)
        .unwrap_or_default();
    let stated = fields.optional("manners", manners);
    let has_manners = fields.has("manners");
    let manners = stated.map_or_else(Manners::unstated, |stated| stated.value);
    let (groups, group_names) = slots(fields, has_manners, kind, name.span, source);
    let (patches, patch_names) =
        patch_list(fields, around.lists, manners.programs_from_1, problems);
    let global = fields
        .optional("global", whole(1..=16u8))
        .and_then(|global| values::channel(global.value.into()));
    let (parameters, parameter_names) = each(fields, "parameters", |name, node, report| {
        parameter(name, node, source, global, report)
    });
    let channels: Vec<Channel> = groups
        .iter()
        .flat_map(|group| group.channels.clone())
        .collect();
    let voice = Voice {
        source,
        channels: &channels,
        patches: &patch_names,
        first_program: u8::from(manners.programs_from_1),
        channel: groups
            .first()
            .and_then(|group| group.channels.first())
            .copied(),
    };
    let (cues, cue_names) = each(fields, "cues", |name, node, report| {
        cue(name, node, voice, report)
    });
    let sounds = fields.optional("sounds", switch);
    let receiver = Receiver {
        name: name.value.clone(),
        site: source.site(name.span),
        kind,
        sounds: sounds.map_or(kind.sounds(), |sounds| sounds.value),
        port: 0,
        groups,
        global,
        patches,
        parameters,
        cues,
        manners,
        pages: fields
            .optional("pages", page_manner)
            .map(|pages| pages.value),
        hears: Vec::new(),
        keyboard: None,
        mixer: fields
            .optional("mixer", whole(1..=512u16))
            .map(|input| input.value),
        panel: fields
            .optional("panel", list(text))
            .map(|panel| panel.value.into_iter().map(|words| words.value).collect())
            .unwrap_or_default(),
        spare_of: None,
    };
    let names = ReceiverNames {
        groups: group_names,
        patches: patch_names,
        parameters: parameter_names,
        cues: cue_names,
    };
    (receiver, names)
}

/// Reads all entries of one map of a receiver, such as `parameters` or `cues`.
fn each<T>(
    fields: &mut Fields<'_, '_, '_>,
    field: &'static str,
    read: impl Fn(&Spanned<String>, &Node, &mut Report<'_>) -> Option<T>,
) -> (Vec<T>, Names) {
    let (mut things, mut names) = (Vec::new(), Names::default());
    for (name, node) in fields
        .optional(field, named)
        .map(|nodes| nodes.value)
        .unwrap_or_default()
    {
        let thing = read(&name, node, fields.report());
        names.add(&name.value, thing.is_some().then_some(things.len()));
        things.extend(thing);
    }
    (things, names)
}

/// `slots` (one group, or fixed slots where no manners are stated) or `groups` (as written).
fn slots(
    fields: &mut Fields<'_, '_, '_>,
    has_manners: bool,
    kind: ReceiverKind,
    place: Span,
    source: Source,
) -> (Vec<SlotGroup>, Names) {
    let needs_slots = matches!(
        kind,
        ReceiverKind::Instrument | ReceiverKind::Effects | ReceiverKind::Pages
    );
    if fields.has("slots") && fields.has("groups") {
        let message = "this receiver has both \"slots\" and \"groups\"";
        fields.report().add(
            Problem::error("bad-value", place, message)
                .help("keep the one that says how they are alike"),
        );
    } else if needs_slots && !fields.has("slots") && !fields.has("groups") {
        let message = "this receiver has no \"slots\"";
        fields.report().add(
            Problem::error("missing-field", place, message)
                .help("write its channels: slots: \"1..16\""),
        );
    }
    let is_named = fields.has("slots") || fields.has("groups");
    let written = fields.optional("slots", slot_channels);
    let (mut groups, mut names) = each(fields, "groups", |name, node, report| {
        let slots = slot_channels(node, report)?;
        Some(SlotGroup {
            name: name.value.clone(),
            site: source.site(name.span),
            channels: slots.channels,
            mpe: slots.mpe,
        })
    });
    if let Some(written) = written {
        let site = source.site(written.span);
        let Slots { channels, mpe } = written.value;
        let is_group = has_manners || channels.len() == 1;
        // Whether slots are alike is a manner: if manners are not stated, each slot is a group
        // of its own.
        groups = match is_group {
            true => vec![SlotGroup {
                name: MAIN.into(),
                site,
                channels,
                mpe,
            }],
            false => channels
                .iter()
                .map(|channel| fixed_slot(*channel, site))
                .collect(),
        };
        names = Names::default();
        for (index, group) in groups.iter().enumerate() {
            names.add(&group.name, Some(index));
        }
    }
    if groups.is_empty() && (is_named || needs_slots) {
        names = Names::partial();
    }
    (groups, names)
}

/// The name of a group that the rig does not name.
const MAIN: &str = "main";

fn fixed_slot(channel: Channel, site: crate::show::model::Site) -> SlotGroup {
    SlotGroup {
        name: (channel.get() + 1).to_string(),
        site,
        channels: vec![channel],
        mpe: Vec::new(),
    }
}

/// The channels of a group of slots.
struct Slots {
    channels: Vec<Channel>,
    mpe: Vec<MpeZone>,
}

/// Channels as text; or `Mpe(…)`, one slot that is an MPE zone; or a list of the two that
/// there can be, which are alike.
fn slot_channels(node: &Node, report: &mut Report<'_>) -> Option<Slots> {
    let mpe = match &node.kind {
        Kind::List(_) => {
            let zones = list(mpe::zone)(node, report)?;
            zones.into_iter().map(|zone| zone.value).collect()
        }
        _ if mpe::is_written(node) => vec![mpe::zone(node, report)?],
        _ => {
            return Some(Slots {
                channels: parsed(values::channels)(node, report)?,
                mpe: Vec::new(),
            });
        }
    };
    let is_alike = match mpe.as_slice() {
        [_] => true,
        [one, other] => one.side != other.side && one.bend_range == other.bend_range,
        _ => false,
    };
    if !is_alike {
        let message = "these MPE zones are not alike";
        report.add(Problem::error("bad-value", node.span, message).help(
            "a group has one lower and one upper zone with one bend_range; zones that differ are groups of their own",
        ));
        return None;
    }
    Some(Slots {
        channels: mpe.iter().map(|zone| zone.manager()).collect(),
        mpe,
    })
}

fn patch_list(
    fields: &mut Fields<'_, '_, '_>,
    lists: Lists<'_>,
    programs_from_1: bool,
    problems: &mut Vec<(u16, Problem)>,
) -> (PatchList, Names) {
    let is_written = fields.has("patches");
    let list = fields.optional("patches", |node, report| match &node.kind {
        Kind::Word(_) => {
            variant("patch list", &["GeneralMidi"])(node, report)?;
            Some((general_midi(), Vec::new()))
        }
        _ => csv_list(node, lists, programs_from_1, report, problems),
    });
    let Some(Spanned {
        value: (list, broken),
        ..
    }) = list
    else {
        return (
            PatchList::default(),
            if is_written {
                Names::partial()
            } else {
                Names::default()
            },
        );
    };
    let mut names = Names::default();
    for (index, patch) in list.patches.iter().enumerate() {
        names.add(&patch.name, Some(index));
    }
    for name in &broken {
        names.add(name, None);
    }
    (list, names)
}

fn csv_list(
    node: &Node,
    lists: Lists<'_>,
    programs_from_1: bool,
    report: &mut Report<'_>,
    problems: &mut Vec<(u16, Problem)>,
) -> Option<(PatchList, Vec<String>)> {
    let path = text(node, report)?;
    let Some((file, source)) = lists
        .paths
        .get(&path)
        .and_then(|file| Some((*file, lists.files.get(usize::from(*file))?)))
    else {
        if is_unread(lists.unread, &path) {
            return None;
        }
        let paths = lists
            .paths
            .keys()
            .map(String::as_str)
            .filter(|path| path.ends_with(".csv"));
        let near = crate::show::nearest::nearest(&path, paths).map(str::to_owned);
        let message = format!("there is no file {}", crate::show::finding::quoted(&path));
        let problem = Problem::error("missing-file", node.span, message);
        report.add(match near {
            Some(near) => problem.nearest(Some(&near)),
            None => problem.help(
                "paths start from the show's folder: \"patches/main.csv\", or write GeneralMidi",
            ),
        });
        return None;
    };
    let read = patches::read_csv(&source.text, programs_from_1);
    problems.extend(read.problems.into_iter().map(|problem| (file, problem)));
    // A list that is cut short gives no names: an unknown patch may be in the missing part.
    (!read.is_unreadable && !read.is_partial).then_some((
        PatchList {
            origin: path,
            patches: read.patches,
        },
        read.broken,
    ))
}

/// What cues of one receiver are written against.
#[derive(Clone, Copy)]
struct Voice<'a> {
    source: Source,
    first_program: u8,
    channel: Option<Channel>,
    /// All of its receiver's channels.
    channels: &'a [Channel],
    patches: &'a Names,
}

fn cue(
    name: &Spanned<String>,
    node: &Node,
    voice: Voice<'_>,
    report: &mut Report<'_>,
) -> Option<Cue> {
    const KNOWN: &[&str] = &[
        "Program",
        "Note",
        "Control",
        "Exclusive",
        "Start",
        "Continue",
        "Stop",
    ];
    let kind = variant("cue", KNOWN)(node, report)?;
    let short = match kind {
        "Start" => Some(Message::Start),
        "Continue" => Some(Message::Continue),
        "Stop" => Some(Message::Stop),
        _ => None,
    };
    let message = match (short, kind) {
        (Some(message), _) => CueMessage::Short(message),
        (None, "Exclusive") => {
            CueMessage::Exclusive(inner(node, report, parsed(values::exclusive))?.value)
        }
        (None, kind) => channel_cue(kind, node, voice, report)?,
    };
    Some(Cue {
        name: name.value.clone(),
        site: voice.source.site(name.span),
        message,
    })
}

fn channel_cue(
    kind: &str,
    node: &Node,
    voice: Voice<'_>,
    report: &mut Report<'_>,
) -> Option<CueMessage> {
    let Some(channel) = voice.channel else {
        let message = "this cue needs a channel, and its receiver has no slots";
        report.add(
            Problem::error("missing-field", node.span, message)
                .help("give the receiver slots: \"1\""),
        );
        return None;
    };
    if kind == "Program" {
        let program = inner(node, report, |node, report| {
            program(node, voice.first_program, report)
        })?;
        return Some(CueMessage::Short(Message::Program(channel, program.value)));
    }
    if kind == "Note" {
        return note_cue(node, channel, voice, report).map(CueMessage::Note);
    }
    let [first, second] = items(node, 2, report)? else {
        return None;
    };
    let second = value7(second, report);
    let number = control_number(first, report);
    let message = Message::Control(channel, number?, second?);
    Some(CueMessage::Short(message))
}

/// `Note("C3", 127)`, or with names: `Note(key: "C3", velocity: 127, length_ms: 200, slot: 2)`.
fn note_cue(
    node: &Node,
    first_channel: Channel,
    voice: Voice<'_>,
    report: &mut Report<'_>,
) -> Option<CueNote> {
    let key = |node: &Node, report: &mut Report<'_>| {
        parsed(|text| values::key(text, voice.source.middle_c))(node, report)
    };
    let velocity =
        |node: &Node, report: &mut Report<'_>| whole(1..=127u8)(node, report).and_then(Value7::new);
    if let Kind::Tuple { .. } = node.kind {
        let [first, second] = items(node, 2, report)? else {
            return None;
        };
        let (key, velocity) = (key(first, report), velocity(second, report));
        return Some(CueNote {
            place: CuePlace::Channel(first_channel),
            key: key?,
            velocity: velocity?,
            length_ms: CUE_NOTE_MS,
        });
    }
    let mut fields = Fields::of_variant(node, "note", report)?;
    let key = fields.required("key", key);
    let velocity = fields.required("velocity", velocity);
    let length = fields.optional("length_ms", whole(1..=60_000u16));
    let slot = fields.optional("slot", whole(1..=16u8));
    let patch = fields.optional("patch", text);
    let place = cue_place(&mut fields, first_channel, voice, (slot, patch));
    fields.finish();
    Some(CueNote {
        place: place?,
        key: key?.value,
        velocity: velocity?.value,
        length_ms: length.map_or(CUE_NOTE_MS, |length| length.value),
    })
}

/// Where a note cue sounds: on a slot by its channel, on the slot of a patch, or on the first.
fn cue_place(
    fields: &mut Fields<'_, '_, '_>,
    first_channel: Channel,
    voice: Voice<'_>,
    (slot, patch): (Option<Spanned<u8>>, Option<Spanned<String>>),
) -> Option<CuePlace> {
    match (slot, patch) {
        (None, None) => Some(CuePlace::Channel(first_channel)),
        (Some(slot), Some(_)) => {
            let message = "a note sounds on a slot or with a patch, not both";
            let problem = Problem::error("note-names-two", slot.span, message);
            fields.report().add(problem.help("leave one of them out"));
            None
        }
        (Some(slot), None) => {
            let channel = values::channel(slot.value.into());
            let own = channel.filter(|channel| voice.channels.contains(channel));
            if own.is_none() {
                let message = format!("the receiver has no slot {}", slot.value);
                let problem = Problem::error("unknown-slot", slot.span, message);
                fields.report().add(problem.help("name one of its `slots`"));
            }
            own.map(CuePlace::Channel)
        }
        (None, Some(patch)) => {
            let found = voice.patches.index(&patch, "patch", fields.report());
            found.map(CuePlace::Patch)
        }
    }
}

/// How long the note of a cue sounds if it does not say, in milliseconds.
const CUE_NOTE_MS: u16 = 500;

fn page_manner(node: &Node, report: &mut Report<'_>) -> Option<PageManner> {
    Some(
        match variant("way to be told a page", &["Program", "Control"])(node, report)? {
            "Control" => PageManner::Control(inner(node, report, control_number)?.value),
            _ => PageManner::Program,
        },
    )
}

/// `"upper"` (the same thing as that controller) or `Apart` (two things, not connected).
#[allow(
    clippy::option_option,
    reason = "unread, apart, and named are three answers"
)]
fn keyboard(node: &Node, report: &mut Report<'_>) -> Option<Option<Spanned<String>>> {
    match &node.kind {
        Kind::Word(_) => variant("answer", &["Apart"])(node, report).map(|_| None),
        Kind::Text(_) => name(node, report).map(|read| Some(Spanned::new(read, node.span))),
        _ => expected("the name of a controller, or Apart", node, report),
    }
}
