//! The properties can fail: every deliberate mistake is caught by one of them.

use proptest::strategy::{Strategy, ValueTree};

use crate::make::{FINGERS, MIXED, Taste, scripts};
use crate::properties::runner;
use crate::run::{Options, Report, run};
use crate::saboteur::Mistake;
use crate::script::Script;

/// Scripts tried for each mistake, in each taste.
const TRIES: u32 = 200;

fn tastes() -> [Taste; 6] {
    [
        MIXED,
        Taste {
            is_good: true,
            steps: 25,
            ..MIXED
        },
        Taste {
            pedals: 25,
            wheels: 15,
            plugs: 8,
            panics: 6,
            ..MIXED
        },
        Taste {
            floods: 6,
            steps: 15,
            ..MIXED
        },
        Taste {
            is_good: true,
            replans: 15,
            ..MIXED
        },
        Taste {
            is_good: true,
            ..FINGERS
        },
    ]
}

/// What a mistake shows in this script, if the script is clean without it.
fn shows(script: &Script, mistake: Mistake) -> Option<String> {
    let with = |mistake| run(script, Options { mistake });
    let bad: Report = with(Some(mistake))?;
    let found = match bad.findings.first() {
        Some(finding) => format!("{:?}: {}", finding.rule, finding.text),
        None => {
            let again = with(Some(mistake))?;
            (again.digest != bad.digest).then(|| "Determinism: two runs differ".to_owned())?
        }
    };
    with(None)?.findings.is_empty().then_some(found)
}

#[test]
fn every_mistake_is_caught() {
    let mut missed = Vec::new();
    for mistake in Mistake::ALL {
        // Only fingers show what is wrong with fingers.
        let needs_fingers = Mistake::OF_FINGERS.contains(&mistake);
        let mut tastes = tastes().into_iter().enumerate();
        let caught = tastes.find_map(|(seed, taste)| {
            if needs_fingers && taste.fingers == 0 {
                return None;
            }
            let mut runner = runner(TRIES, 1_000 + seed as u64);
            let strategy = scripts(taste);
            (0..TRIES).find_map(|_| {
                let script = strategy.new_tree(&mut runner).ok()?.current();
                shows(&script, mistake)
            })
        });
        match caught {
            Some(text) => eprintln!("{mistake:?}: {text}"),
            None => missed.push(mistake),
        }
    }
    assert!(missed.is_empty(), "not caught: {missed:?}");
}
