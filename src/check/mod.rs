//! What is wrong with a show that could be read: all rules, in one run. Pure.
//!
//! One rule is one file in `rules/` and one line in its registry. A rule looks at the whole
//! show and tells what it finds through [`Told`], which knows places and limits.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

mod rules;
mod walk;

use std::collections::BTreeSet;

use crate::show::finding::{Finding, Findings, Level, Place};
use crate::show::model::{Places, Show, Site};
pub use rules::{READING, RULES};

/// One rule over a show.
#[derive(Clone, Copy, Debug)]
pub struct Rule {
    /// Stable name, in kebab-case: never changed, never used again for another thing.
    pub id: &'static str,
    /// How bad what it finds is.
    pub level: Level,
    /// What it finds, in one line.
    pub says: &'static str,
    /// Looks at the show.
    run: fn(&Show, &mut Told<'_, '_>),
}

/// A rule whose findings come from reading already.
#[derive(Clone, Copy, Debug)]
pub struct ReadingRule {
    /// Stable name, in kebab-case.
    pub id: &'static str,
    /// What it finds, in one line.
    pub says: &'static str,
}

/// All findings about a show: those of reading, and those of all rules; by file, line,
/// column and id. At most [`Findings::MAX`] are listed, the rest are counted in a note.
#[must_use]
pub fn check(show: &Show, reading: &Findings) -> Vec<Finding> {
    let mut findings = reading.clone();
    let is_whole = !reading
        .kept()
        .iter()
        .any(|finding| finding.place.file == "rig.ron");
    // Without a rig every rule would only tell that again in its own words.
    let is_empty = show.rig.controllers.is_empty() && show.rig.receivers.is_empty();
    let mut places = Places::new(&show.files);
    if is_whole || !is_empty {
        for rule in RULES {
            let mut told = Told {
                rule,
                places: &mut places,
                findings: &mut findings,
                seen: BTreeSet::new(),
                is_rig_whole: is_whole,
                is_all_read: !reading.has_errors(),
            };
            (rule.run)(show, &mut told);
        }
    }
    findings.into_sorted()
}

/// Whether any of these stops a part of the show from being played: exit code 1.
#[must_use]
pub fn has_errors(findings: &[Finding]) -> bool {
    findings.iter().any(|finding| finding.level == Level::Error)
}

/// Where one rule puts what it finds. A place is told once, however often it comes by.
#[derive(Debug)]
struct Told<'a, 's> {
    rule: &'a Rule,
    places: &'a mut Places<'s>,
    findings: &'a mut Findings,
    seen: BTreeSet<Site>,
    is_rig_whole: bool,
    is_all_read: bool,
}

impl Told<'_, '_> {
    /// Tells about a place.
    fn add(&mut self, site: Site, message: impl Into<String>, help: impl Into<String>) {
        if !self.seen.insert(site) {
            return;
        }
        let places = &mut *self.places;
        let Rule { id, level, .. } = *self.rule;
        self.findings.add_with(level, || Finding {
            id,
            level,
            place: places.place(site),
            message: message.into(),
            help: Some(help.into()),
        });
    }

    /// Tells about a file as a whole.
    fn add_file(&mut self, file: &str, message: impl Into<String>, help: impl Into<String>) {
        let Rule { id, level, .. } = *self.rule;
        self.findings.add_with(level, || Finding {
            id,
            level,
            place: Place::of_file(file),
            message: message.into(),
            help: Some(help.into()),
        });
    }

    /// Whether reading found no errors; if it did, what seems to be missing may be there.
    fn is_all_read(&self) -> bool {
        self.is_all_read
    }

    /// Whether all of the rig could be read; if not, what seems to be missing may be there.
    fn is_rig_whole(&self) -> bool {
        self.is_rig_whole
    }
}
