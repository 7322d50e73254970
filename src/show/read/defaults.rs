//! Defaults and parameters of whole songs, checked where they are written.
//!
//! A zone takes from the defaults only what it does not state itself, so a default that every
//! zone overrides would never be looked up. All are looked up here, once. What fits nothing in
//! the rig is reported and not handed down: otherwise each scene would look it up again.
//!
//! A default for one receiver may be meant for zones that name another, so a patch, group or
//! parameter is a mistake only if no receiver knows it.

use super::draft::{Setting, Settings, ZoneDraft};
use super::names::{Found, Log, Names, Placed};
use super::receivers::ReceiverNames;
use super::resolve::Resolver;
use super::rig::RigRead;
use super::routes::RouteDrafts;
use crate::show::finding::quoted;

/// A kind of name within receivers: patches, groups or parameters.
struct Kind {
    id: &'static str,
    what: &'static str,
    of: fn(&ReceiverNames) -> &Names,
}

const GROUP: Kind = Kind {
    id: "unknown-name",
    what: "slot group",
    of: |names| &names.groups,
};

const PATCH: Kind = Kind {
    id: "patch-not-in-list",
    what: "patch",
    of: |names| &names.patches,
};

const PARAMETER: Kind = Kind {
    id: "unknown-name",
    what: "parameter",
    of: |names| &names.parameters,
};

/// Reads defaults over those of the place above, and returns what can be handed down; mistakes
/// are reported.
pub(super) fn sound(
    own: &ZoneDraft,
    under: &ZoneDraft,
    rig: &RigRead,
    log: &mut Log<'_>,
) -> ZoneDraft {
    for (name, names, what) in [
        (&own.from, &rig.controllers, "controller"),
        (&own.to, &rig.receivers, "receiver"),
        (&own.curve, &rig.curves, "curve"),
    ] {
        if let Some(name) = name {
            log.index(names, name, what);
        }
    }
    let to = own.to.as_ref().or(under.to.as_ref());
    for (name, kind) in [(&own.group, GROUP), (&own.patch, PATCH)] {
        if let Some(name) = name {
            tell_unknown(name, &kind, to, rig, log);
        }
    }
    for setting in &own.parameters {
        if tell_unknown(&setting.parameter, &PARAMETER, to, rig, log)
            && !fits_any(setting, rig)
            && let Some(receiver) = to.or(own.to.as_ref())
        {
            tell_value(receiver, setting, rig, log);
        }
    }
    known(own, rig)
}

/// The defaults without parameters that fit no receiver.
pub(super) fn known(own: &ZoneDraft, rig: &RigRead) -> ZoneDraft {
    let parameters = own.parameters.iter();
    ZoneDraft {
        parameters: parameters
            .filter(|setting| fits_any(setting, rig))
            .cloned()
            .collect(),
        ..own.clone()
    }
}

/// The parameters of a whole song that can be handed down; mistakes are reported.
pub(super) fn sound_parameters(
    all: &[Settings],
    rig: &RigRead,
    log: &mut Log<'_>,
) -> Vec<Settings> {
    let (defaults, routes) = (ZoneDraft::default(), RouteDrafts::default());
    let mut resolver = Resolver::new(rig, &defaults, &[], &routes, log);
    all.iter()
        .map(|settings| Settings {
            receiver: settings.receiver.clone(),
            settings: resolver.sound(settings),
        })
        .filter(|settings| !settings.settings.is_empty())
        .collect()
}

/// Reports a name that no receiver has. Returns whether the name may be kept.
fn tell_unknown(
    name: &Placed<String>,
    kind: &Kind,
    to: Option<&Placed<String>>,
    rig: &RigRead,
    log: &mut Log<'_>,
) -> bool {
    let is_unknown = |names: &ReceiverNames| (kind.of)(names).find(&name.value) == Found::Unknown;
    let is_partial = rig.receivers.is_partial() || rig.receivers.told().next().is_some();
    if is_partial || !rig.inside.iter().all(is_unknown) {
        return true;
    }
    log.error_with(kind.id, name.site, || {
        let what = kind.what;
        let index = to.map(|to| rig.receivers.find(&to.value));
        match index {
            Some(Found::Known(index)) => {
                let receiver = to.map_or("", |to| &to.value);
                let message = format!("no {what} {} of {}", quoted(&name.value), quoted(receiver));
                let names = rig.inside.get(index).map(kind.of);
                (
                    message,
                    names.map_or_else(String::new, |names| names.help(&name.value)),
                )
            }
            _ => {
                let message = format!("no receiver has a {what} {}", quoted(&name.value));
                (message, "correct the name, or remove it".into())
            }
        }
    });
    false
}

/// Whether some receiver has this parameter and can be set to this value.
fn fits_any(setting: &Setting, rig: &RigRead) -> bool {
    rig.rig
        .receivers
        .iter()
        .zip(&rig.inside)
        .any(
            |(receiver, names)| match names.parameters.find(&setting.parameter.value) {
                Found::Known(index) => receiver
                    .parameters
                    .get(index)
                    .is_some_and(|parameter| setting.fits(parameter)),
                Found::Told => true,
                Found::Unknown => false,
            },
        )
}

fn tell_value(receiver: &Placed<String>, setting: &Setting, rig: &RigRead, log: &mut Log<'_>) {
    let settings = Settings {
        receiver: receiver.clone(),
        settings: vec![setting.clone()],
    };
    sound_parameters(&[settings], rig, log);
}
