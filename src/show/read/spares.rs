//! Spares: receivers that are in everything but name and port like another, and take over
//! from it. A spare states nothing else, so that the two cannot differ on paper.

use super::names::Names;
use super::receivers::{Around, ReceiverNames, ReceiverRead};
use crate::show::finding::quoted;
use crate::show::model::{Manners, PatchList, Receiver, ReceiverKind};
use crate::show::tree::readers;
use crate::show::tree::{Fields, Problem, Report, Spanned};

/// What a spare has from the receiver that it stands in for.
const SHARED: &[&str] = &[
    "kind",
    "slots",
    "groups",
    "global",
    "patches",
    "manners",
    "parameters",
    "cues",
    "sounds",
    "pages",
    "hears",
    "keyboard",
    "panel",
];

/// Reads a spare; all but its name and port is filled in by [`fill`].
pub(super) fn spare(
    name: &Spanned<String>,
    mut fields: Fields<'_, '_, '_>,
    around: Around<'_>,
) -> Option<ReceiverRead> {
    let spare_of = fields.required("spare_of", readers::name);
    let port = fields.required("port", readers::name);
    let mixer = fields
        .optional("mixer", readers::whole(1..=512u16))
        .map(|input| input.value);
    for field in SHARED {
        if fields.has(field) {
            fields.skip(field);
            let message = format!(
                "the spare {} states {} of its own",
                quoted(&name.value),
                quoted(field)
            );
            let problem = Problem::error("bad-value", name.span, message).help(
                "leave it out: a spare is like the receiver it stands in for; one that differs is a receiver like any other",
            );
            fields.report().add(problem);
        }
    }
    let port = port.and_then(|port| around.ports.index(&port, "port", fields.report()));
    fields.finish();
    Some(ReceiverRead {
        receiver: Receiver {
            name: name.value.clone(),
            site: around.source.site(name.span),
            kind: ReceiverKind::default(),
            sounds: true,
            port: port?,
            groups: Vec::new(),
            global: None,
            patches: PatchList::default(),
            parameters: Vec::new(),
            cues: Vec::new(),
            manners: Manners::unstated(),
            pages: None,
            hears: Vec::new(),
            keyboard: None,
            mixer,
            panel: Vec::new(),
            spare_of: None,
        },
        names: ReceiverNames::default(),
        hears: Vec::new(),
        spare_of: Some(spare_of?),
    })
}

/// Makes each spare like the receiver that it stands in for. `spares` has for each receiver
/// whose spare it is, if any.
pub(super) fn fill(
    all: &mut [Receiver],
    inside: &mut [ReceiverNames],
    spares: &[Option<Spanned<String>>],
    names: &Names,
    report: &mut Report<'_>,
) {
    for (at, spare_of) in spares.iter().enumerate() {
        let Some(of) = spare_of else { continue };
        let Some(main) = names.index(of, "receiver", report) else {
            continue;
        };
        let is_spare = spares.get(main).is_some_and(Option::is_some);
        let (Some(model), Some(own_names)) = (all.get(main), inside.get(main)) else {
            continue;
        };
        if is_spare {
            let message = format!("{} is a spare itself", quoted(&of.value));
            let problem = Problem::error("bad-value", of.span, message)
                .help("name the receiver that the scenes play");
            report.add(problem);
            continue;
        }
        let (model, own_names) = (model.clone(), own_names.clone());
        if let (Some(spare), Some(spare_names)) = (all.get_mut(at), inside.get_mut(at)) {
            *spare = Receiver {
                name: spare.name.clone(),
                site: spare.site,
                port: spare.port,
                mixer: spare.mixer,
                // Nothing is known of the keyboard that the spare may be built into.
                keyboard: None,
                spare_of: Some(main),
                ..model
            };
            *spare_names = own_names;
        }
    }
}
