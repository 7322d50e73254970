//! The properties themselves.

use std::collections::BTreeMap;
use std::env;

use proptest::test_runner::{Config, RngAlgorithm, TestCaseError, TestError, TestRng, TestRunner};

use segue::sim::Fault;

use crate::make::{FINGERS, MIXED, Taste, scripts};
use crate::oracle::Excuse;
use crate::run::{Options, Report, Rule, run};
use crate::script::Script;

/// Scripts that each property plays unless `PROPTEST_CASES` says otherwise.
const CASES: u32 = 2_000;

pub(crate) fn setting(name: &str, default: u64) -> u64 {
    env::var(name)
        .ok()
        .and_then(|text| text.parse().ok())
        .unwrap_or(default)
}

/// A runner whose scripts follow from the seed alone.
pub(crate) fn runner(cases: u32, seed: u64) -> TestRunner {
    let config = Config {
        cases,
        failure_persistence: None,
        max_shrink_iters: 4_000,
        ..Config::default()
    };
    let mut bytes = [0; 32];
    bytes[..8].copy_from_slice(&seed.to_le_bytes());
    let rng = TestRng::from_seed(RngAlgorithm::ChaCha, &bytes);
    TestRunner::new_with_rng(config, rng)
}

/// What all runs of a property add up to.
#[derive(Default)]
struct Sum {
    presses: u64,
    matched: u64,
    events: u64,
    excuses: BTreeMap<Excuse, u64>,
}

/// Plays scripts of one taste and fails with the shortest that breaks the property.
fn hold(taste: Taste, property: impl Fn(&Script, &Report) -> Result<(), String>) {
    let cases = setting("PROPTEST_CASES", u64::from(CASES)) as u32;
    let seed = setting("SEGUE_SEED", 1);
    let sum = std::cell::RefCell::new(Sum::default());
    let result = runner(cases, seed).run(&scripts(taste), |script| {
        let Some(report) = run(&script, Options::default()) else {
            return Ok(());
        };
        let mut sum = sum.borrow_mut();
        sum.presses += report.presses;
        sum.matched += report.matched;
        sum.events += report.events;
        for (why, count) in &report.excuses {
            *sum.excuses.entry(*why).or_default() += count;
        }
        property(&script, &report).map_err(TestCaseError::fail)
    });
    let sum = sum.into_inner();
    match result {
        Ok(()) => {
            let excused: u64 = sum.excuses.values().sum();
            eprintln!(
                "{} events, {} notes asked for, {} matched, excused: {:?}",
                sum.events, sum.presses, sum.matched, sum.excuses
            );
            assert!(sum.matched > 0, "a run that judges nothing shows nothing");
            assert!(
                !taste.is_good || excused * 20 <= sum.presses,
                "{excused} of {} excused although manners are good",
                sum.presses
            );
        }
        Err(TestError::Fail(reason, script)) => panic!(
            "seed {seed}: {reason}\n--- the script, to keep under tests/data/judge:\n{}",
            script.to_text()
        ),
        Err(error) => panic!("seed {seed}: {error}"),
    }
}

fn nothing_of(rule: Rule) -> impl Fn(&Script, &Report) -> Result<(), String> {
    move |_, report| {
        let found = report.of(rule);
        match found.first() {
            None => Ok(()),
            Some(first) => Err(format!("{} found, first: {}", found.len(), first.text)),
        }
    }
}

/// Invariant 1: every sounding note has its owners, and ends when the last of them leaves.
#[test]
fn owner() {
    hold(MIXED, nothing_of(Rule::Owner));
}

/// Parts of invariants 1, 3 and 11: a note sounds and ends as soon as its receiver's patch and
/// its line let it, whoever plays what else.
#[test]
fn lateness() {
    let taste = Taste { steps: 25, ..MIXED };
    hold(taste, |_, report| {
        let is_late = |fault| matches!(fault, Some(Fault::Late { .. } | Fault::LateEnd { .. }));
        let mut found = report.findings.iter();
        match found.find(|finding| is_late(finding.fault)) {
            None => Ok(()),
            Some(first) => Err(first.text.clone()),
        }
    });
}

/// Invariant 2: a step harms nothing that is held over or rings.
#[test]
fn seam() {
    hold(Taste { steps: 20, ..MIXED }, nothing_of(Rule::Seam));
}

/// A night planned anew while it is played: nothing of it is heard, whatever sounds, and
/// the show goes on as if the night had been so from the start.
#[test]
fn replan() {
    let taste = Taste {
        replans: 12,
        steps: 20,
        ..MIXED
    };
    hold(taste, |_, report| match report.findings.first() {
        None => Ok(()),
        Some(first) => Err(format!("{:?}: {}", first.rule, first.text)),
    });
}

/// Invariant 3: a pedal told down is told up, and holds what it should.
#[test]
fn pedal() {
    hold(
        Taste {
            pedals: 30,
            ..MIXED
        },
        nothing_of(Rule::Pedal),
    );
}

/// Invariant 4: every walk ends as a cold jump would.
#[test]
fn path_independence() {
    hold(
        Taste {
            steps: 20,
            wheels: 15,
            ..MIXED
        },
        nothing_of(Rule::Path),
    );
}

/// Invariant 5: only whole messages reach a port.
#[test]
fn whole_messages() {
    hold(
        Taste {
            steps: 30,
            plugs: 6,
            ..MIXED
        },
        nothing_of(Rule::Whole),
    );
}

/// Invariant 6: after a panic nothing sounds, and what makes no sound is left alone.
#[test]
fn silence() {
    hold(
        Taste {
            panics: 12,
            ..MIXED
        },
        nothing_of(Rule::Silence),
    );
}

/// Invariant 7: the same script gives the same bytes at the same times.
#[test]
fn determinism() {
    hold(Taste { floods: 1, ..MIXED }, |script, report| {
        let again = run(script, Options::default()).ok_or("nothing played")?;
        if again.digest == report.digest {
            Ok(())
        } else {
            Err("two runs differ".into())
        }
    });
}

/// Invariant 8: what overflows is counted, and set right afterwards.
#[test]
fn bounded() {
    hold(
        Taste {
            floods: 3,
            plugs: 6,
            ..MIXED
        },
        nothing_of(Rule::Bounded),
    );
}

/// Invariant 9: a cue goes out once, forward.
#[test]
fn once() {
    hold(
        Taste {
            steps: 40,
            panics: 4,
            ..MIXED
        },
        nothing_of(Rule::Once),
    );
}

/// Invariant 11: a show that is clean plays without a fault, and no note is lost.
#[test]
fn no_surprise() {
    hold(
        Taste {
            is_good: true,
            ..MIXED
        },
        |_, report| match report.findings.first() {
            None => Ok(()),
            Some(first) => Err(format!("{:?}: {}", first.rule, first.text)),
        },
    );
}

/// Fingers of an MPE surface, on MPE zones and on sounds with one channel: what each note
/// hears is what its finger does, or the one that leads; a step changes nothing of that.
#[test]
fn fingers() {
    for is_good in [true, false] {
        hold(Taste { is_good, ..FINGERS }, |_, report| {
            match report.findings.first() {
                None => Ok(()),
                Some(first) => Err(format!("{:?}: {}", first.rule, first.text)),
            }
        });
    }
}
