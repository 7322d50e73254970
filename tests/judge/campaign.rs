//! Random playing for as long as asked: `SEGUE_CAMPAIGN_EVENTS` says how many events.
//!
//! `SEGUE_CAMPAIGN_EVENTS=100000000 cargo test --release --test judge campaign -- --nocapture`
//!
//! To use several cores, start one for each with `SEGUE_SEED` 1, 2, … and `SEGUE_STRIDE`
//! their number: each takes its own seeds.

use std::collections::BTreeMap;
use std::time::Instant;

use proptest::strategy::{Strategy, ValueTree};

use crate::make::{FINGERS, MIXED, Taste, scripts};
use crate::oracle::Excuse;
use crate::properties::{runner, setting};
use crate::run::{Options, Report, Rule, run};
use crate::script::Script;

/// Events played when nothing is asked for.
const EVENTS: u64 = 20_000;
/// Scripts from one seed.
const BATCH: u32 = 64;
/// Scripts that are cut down and shown; past it violations are only counted.
const MAX_KEPT: usize = 12;
/// Events between two lines of progress.
const TELL_EVERY: u64 = 5_000_000;

fn taste(seed: u64) -> Taste {
    let long = Taste {
        events: 1_500,
        ..MIXED
    };
    match seed % 6 {
        0 => Taste {
            is_good: true,
            ..long
        },
        1 => Taste { steps: 25, ..long },
        2 => Taste {
            pedals: 25,
            wheels: 15,
            ..long
        },
        3 => Taste {
            plugs: 8,
            panics: 6,
            ..long
        },
        4 => Taste { floods: 1, ..long },
        _ => Taste {
            events: long.events,
            ..FINGERS
        },
    }
}

/// What a campaign adds up to.
#[derive(Default)]
struct Sum {
    events: u64,
    notes: u64,
    violations: u64,
    excuses: BTreeMap<Excuse, u64>,
    spared: BTreeMap<Excuse, u64>,
    asked: u64,
    routed: u64,
    broken: u64,
    scripts: u64,
    bad: Vec<String>,
}

impl Sum {
    fn add(&mut self, report: &Report) {
        self.scripts += 1;
        self.events += report.events;
        self.notes += report.matched;
        self.asked += report.presses;
        self.routed += report.routed;
        self.broken += u64::from(!report.findings.is_empty());
        for (why, count) in &report.spared {
            *self.spared.entry(*why).or_default() += count;
        }
        self.violations += report.findings.len() as u64;
        for (why, count) in &report.excuses {
            *self.excuses.entry(*why).or_default() += count;
        }
    }
}

/// Cuts a script down as long as it breaks the same rule.
fn shorten(script: &Script, rule: Rule) -> (Script, String) {
    let broken = |script: &Script| -> Option<String> {
        let report = run(script, Options::default())?;
        Some(report.of(rule).first()?.text.clone())
    };
    let mut best = script.clone();
    let mut text = broken(&best).unwrap_or_default();
    let mut size = best.events.len() / 2;
    while size > 0 {
        let mut at = 0;
        while at < best.events.len() {
            let mut trial = best.clone();
            let cut = trial.events.drain(at..(at + size).min(best.events.len()));
            let passed_us = cut.map(|(us, _)| us).fold(0, u32::saturating_add);
            let mut late = trial.clone();
            if let Some((us, _)) = late.events.get_mut(at) {
                *us = us.saturating_add(passed_us);
            }
            match [trial, late]
                .into_iter()
                .find_map(|trial| Some((broken(&trial)?, trial)))
            {
                Some((found, shorter)) => (text, best) = (found, shorter),
                None => at += size,
            }
        }
        size /= 2;
    }
    for at in (0..best.setup.scenes.len()).rev() {
        for zone in (0..best.setup.scenes[at].zones.len()).rev() {
            let mut trial = best.clone();
            trial.setup.scenes[at].zones.remove(zone);
            if let Some(found) = broken(&trial) {
                (text, best) = (found, trial);
            }
        }
    }
    (best, text)
}

#[test]
fn campaign() {
    let wanted = setting("SEGUE_CAMPAIGN_EVENTS", EVENTS);
    let first_seed = setting("SEGUE_SEED", 1);
    let stride = setting("SEGUE_STRIDE", 1).max(1);
    let start = Instant::now();
    let mut sum = Sum::default();
    let mut seed = first_seed;
    let mut last_told = 0;
    while sum.events < wanted {
        let mut runner = runner(BATCH, seed);
        let strategy = scripts(taste(seed));
        for _ in 0..BATCH {
            if sum.events >= wanted {
                break;
            }
            let script = strategy.new_tree(&mut runner).expect("a script").current();
            let Some(report) = run(&script, Options::default()) else {
                continue;
            };
            sum.add(&report);
            if let (Some(found), true) = (report.findings.first(), sum.bad.len() < MAX_KEPT) {
                let (short, text) = shorten(&script, found.rule);
                sum.bad.push(format!(
                    "seed {seed}: {:?}: {text}\n{}",
                    found.rule,
                    short.to_text()
                ));
            }
        }
        seed += stride;
        if sum.events / TELL_EVERY > last_told {
            last_told = sum.events / TELL_EVERY;
            tell(&sum, start, first_seed, seed - stride, stride);
        }
    }
    tell(&sum, start, first_seed, seed - stride, stride);
    assert!(
        sum.notes > 0,
        "a campaign that judges nothing shows nothing"
    );
    assert!(sum.violations == 0, "{}", sum.bad.join("\n"));
}

fn tell(sum: &Sum, start: Instant, first_seed: u64, seed: u64, stride: u64) {
    let per_second = sum.events as f64 / start.elapsed().as_secs_f64();
    eprintln!(
        "{} events, {} scripts, {} notes asked for, {} matched, {} places of routes, \
         {per_second:.0} events a second, {} violations in {} scripts, excused: {:?}, notes covered: {:?}, \
         seeds {first_seed} to {seed} by {stride}",
        sum.events,
        sum.scripts,
        sum.asked,
        sum.notes,
        sum.routed,
        sum.violations,
        sum.broken,
        sum.excuses,
        sum.spared
    );
}
