//! `like` and defaults: from scenes that say only what differs to scenes that say all.
//!
//! `like` takes over what sounds: zones, patches, parameters, routes and level, zone by zone
//! and field by field. Words, `when`, page, cues and `brief` belong to one moment and do not come along.

use std::collections::{BTreeMap, BTreeSet};

use super::draft::{PatchDraft, SceneDraft, Setting, Settings, ZoneDraft};
use super::names::{Found, Log, Names, Placed};
use super::routes::{handed_down, routes_over};
use crate::show::finding::quoted;

impl ZoneDraft {
    /// This zone, with fields that it leaves out taken from `under`.
    pub(super) fn over(&self, under: &Self) -> Self {
        fn or<T: Clone>(over: &Option<Placed<T>>, under: &Option<Placed<T>>) -> Option<Placed<T>> {
            over.clone().or_else(|| under.clone())
        }
        Self {
            from: or(&self.from, &under.from),
            keys: or(&self.keys, &under.keys),
            velocity: or(&self.velocity, &under.velocity),
            velocity_fade: or(&self.velocity_fade, &under.velocity_fade),
            curve: or(&self.curve, &under.curve),
            to: or(&self.to, &under.to),
            group: or(&self.group, &under.group),
            patch: or(&self.patch, &under.patch),
            level: or(&self.level, &under.level),
            pan: or(&self.pan, &under.pan),
            bend_range: or(&self.bend_range, &under.bend_range),
            transpose: or(&self.transpose, &under.transpose),
            catch: or(&self.catch, &under.catch),
            leave: or(&self.leave, &under.leave),
            level_change: or(&self.level_change, &under.level_change),
            finger: or(&self.finger, &under.finger),
            parameters: settings_over(&self.parameters, &under.parameters),
        }
    }
}

/// Merges two maps: the entries of `under` in their order, each replaced by that of `over` if
/// it has one; then the other entries of `over`.
pub(super) fn merged<T: Clone>(
    over: &[T],
    under: &[T],
    name: impl Fn(&T) -> &str,
    join: impl Fn(&T, &T) -> T,
) -> Vec<T> {
    let places: BTreeMap<&str, &T> = over.iter().map(|item| (name(item), item)).collect();
    let inherited: BTreeMap<&str, ()> = under.iter().map(|item| (name(item), ())).collect();
    let kept = under.iter().map(|item| {
        places
            .get(name(item))
            .map_or_else(|| item.clone(), |over| join(over, item))
    });
    let added = over
        .iter()
        .filter(|item| !inherited.contains_key(name(item)))
        .cloned();
    kept.chain(added).collect()
}

fn settings_over(over: &[Setting], under: &[Setting]) -> Vec<Setting> {
    merged(
        over,
        under,
        |setting| &setting.parameter.value,
        |over, _| over.clone(),
    )
}

/// Merges the parameters of all receivers; where both state a value, `over` wins.
pub(super) fn all_settings_over(over: &[Settings], under: &[Settings]) -> Vec<Settings> {
    merged(
        over,
        under,
        |settings| &settings.receiver.value,
        |over, under| Settings {
            receiver: over.receiver.clone(),
            settings: settings_over(&over.settings, &under.settings),
        },
    )
}

fn patches_over(over: &[PatchDraft], under: &[PatchDraft]) -> Vec<PatchDraft> {
    merged(
        over,
        under,
        |patch| &patch.receiver.value,
        |over, under| {
            // A patch that replaces another keeps its group, unless it names one.
            PatchDraft {
                group: over.group.clone().or_else(|| under.group.clone()),
                ..over.clone()
            }
        },
    )
}

/// Scenes with `like` applied; `names` are those of the drafts.
pub(super) fn apply_like(
    drafts: &[SceneDraft],
    names: &Names,
    log: &mut Log<'_>,
) -> Vec<SceneDraft> {
    let bases: Vec<Option<usize>> = drafts
        .iter()
        .map(|draft| {
            draft
                .like
                .as_ref()
                .and_then(|like| log.index(names, like, "scene"))
        })
        .collect();
    let mut done: Vec<Option<SceneDraft>> = vec![None; drafts.len()];
    for start in 0..drafts.len() {
        let (chain, is_cycle) = chain_of(start, &bases, &done);
        if is_cycle {
            tell_cycle(start, drafts, &bases, log);
        }
        for index in chain.into_iter().rev() {
            let Some(draft) = drafts.get(index) else {
                continue;
            };
            let base = bases
                .get(index)
                .copied()
                .flatten()
                .and_then(|base| done.get(base)?.as_ref());
            let whole = match base {
                Some(base) => scene_over(draft, base, log),
                None => {
                    tell_idle_without(draft, log);
                    SceneDraft {
                        is_base_unknown: draft.like.is_some(),
                        ..draft.clone()
                    }
                }
            };
            if let Some(place) = done.get_mut(index) {
                *place = Some(whole);
            }
        }
    }
    done.into_iter().flatten().collect()
}

/// Reports a `without` in a scene that has no `like`: there is nothing to leave out.
fn tell_idle_without(draft: &SceneDraft, log: &mut Log<'_>) {
    let Some(name) = draft.without.first().filter(|_| draft.like.is_none()) else {
        return;
    };
    log.error_with("unknown-name", name.site, || {
        let message = format!(
            "the scene {} is like no other, so it has no zone {} to leave out",
            quoted(&draft.name),
            quoted(&name.value)
        );
        (
            message,
            "name the scene with like:, or remove without:".into(),
        )
    });
}

/// The scenes that this one is built on, itself first, and whether the chain of `like` is
/// circular.
fn chain_of(
    start: usize,
    bases: &[Option<usize>],
    done: &[Option<SceneDraft>],
) -> (Vec<usize>, bool) {
    let (mut chain, mut seen) = (Vec::new(), BTreeSet::new());
    let mut next = Some(start);
    while let Some(index) = next {
        if done.get(index).is_some_and(Option::is_some) {
            return (chain, false);
        }
        if !seen.insert(index) {
            return (chain, true);
        }
        chain.push(index);
        next = bases.get(index).copied().flatten();
    }
    (chain, false)
}

fn tell_cycle(start: usize, drafts: &[SceneDraft], bases: &[Option<usize>], log: &mut Log<'_>) {
    let Some(draft) = drafts.get(start) else {
        return;
    };
    let Some(like) = &draft.like else { return };
    let (mut round, mut seen) = (Vec::new(), BTreeSet::new());
    let mut next = Some(start);
    while let Some(index) = next.filter(|index| seen.insert(*index)) {
        round.push(index);
        next = bases.get(index).copied().flatten();
    }
    round.extend(next);
    let names = round.iter().take(MAX_NAMED);
    let mut words: Vec<String> = names
        .filter_map(|index| Some(quoted(&drafts.get(*index)?.name)))
        .collect();
    if round.len() > MAX_NAMED {
        words.push(format!("and {} more", round.len() - MAX_NAMED));
    }
    let message = format!(
        "these scenes are each like the next, round and round: {}",
        words.join(", ")
    );
    log.error(
        "like-cycle",
        like.site,
        message,
        "write one of them out".into(),
    );
}

/// The most scenes that a finding about a circular `like` names.
const MAX_NAMED: usize = 12;

fn scene_over(draft: &SceneDraft, base: &SceneDraft, log: &mut Log<'_>) -> SceneDraft {
    let inherited = without(draft, base, log);
    SceneDraft {
        zones: merged(
            &draft.zones,
            &inherited,
            |(name, _)| &name.value,
            |(name, over), (_, under)| (name.clone(), over.over(under)),
        ),
        patches: patches_over(&draft.patches, &base.patches),
        parameters: all_settings_over(&draft.parameters, &base.parameters),
        routes: routes_over(&draft.routes, &handed_down(&base.routes)),
        level: draft.level.clone().or_else(|| base.level.clone()),
        is_base_unknown: base.is_base_unknown,
        ..draft.clone()
    }
}

/// The zones of a base without those that a scene leaves out.
fn without(
    draft: &SceneDraft,
    base: &SceneDraft,
    log: &mut Log<'_>,
) -> Vec<(Placed<String>, ZoneDraft)> {
    if draft.without.is_empty() {
        return base.zones.clone();
    }
    let mut names = Names::default();
    for (name, _) in &base.zones {
        names.add(&name.value, None);
    }
    let mut left_out = BTreeSet::new();
    for name in &draft.without {
        // Named twice is as good as once; a zone that was never there is a slip.
        if left_out.insert(name.value.as_str()) && names.find(&name.value) == Found::Unknown {
            log.error_with("unknown-name", name.site, || {
                let message = format!(
                    "the scene {} has no zone {}",
                    quoted(&base.name),
                    quoted(&name.value)
                );
                (message, names.help(&name.value))
            });
        }
    }
    let kept = |(name, _): &&(Placed<String>, ZoneDraft)| !left_out.contains(name.value.as_str());
    base.zones.iter().filter(kept).cloned().collect()
}
