//! Random playing for as long as asked: `SEGUE_CAMPAIGN_EVENTS` says how many events.
//!
//! `SEGUE_CAMPAIGN_EVENTS=100000000 cargo test --release --test judge campaign -- --nocapture`

use std::time::Instant;

use proptest::strategy::{Strategy, ValueTree};

use crate::make::{MIXED, Taste, scripts};
use crate::properties::{runner, setting};
use crate::run::{Options, run};

/// Events played when nothing is asked for.
const EVENTS: u64 = 50_000;
/// Scripts from one seed.
const BATCH: u32 = 64;

fn taste(seed: u64) -> Taste {
    let long = Taste {
        events: 1_500,
        ..MIXED
    };
    match seed % 5 {
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
        _ => Taste { floods: 1, ..long },
    }
}

#[test]
fn campaign() {
    let wanted = setting("SEGUE_CAMPAIGN_EVENTS", EVENTS);
    let first_seed = setting("SEGUE_SEED", 1);
    let start = Instant::now();
    let (mut events, mut notes, mut violations, mut excused) = (0_u64, 0_u64, 0_u64, 0_u64);
    let mut seed = first_seed;
    let mut first_bad = None;
    while events < wanted {
        let mut runner = runner(BATCH, seed);
        let strategy = scripts(taste(seed));
        for _ in 0..BATCH {
            if events >= wanted {
                break;
            }
            let script = strategy.new_tree(&mut runner).expect("a script").current();
            let Some(report) = run(&script, Options::default()) else {
                continue;
            };
            events += report.events;
            notes += report.matched;
            excused += report.excuses.values().sum::<u64>();
            violations += report.findings.len() as u64;
            if let (Some(found), None) = (report.findings.first(), &first_bad) {
                first_bad = Some(format!(
                    "seed {seed}: {:?}: {}\n{}",
                    found.rule,
                    found.text,
                    script.to_text()
                ));
            }
        }
        seed += 1;
    }
    let per_second = events as f64 / start.elapsed().as_secs_f64();
    eprintln!(
        "{events} events, {notes} notes, {per_second:.0} events a second, {violations} violations, \
         {excused} excused, seeds {first_seed} to {}",
        seed - 1
    );
    assert!(notes > 0, "a campaign that judges nothing shows nothing");
    assert!(violations == 0, "{}", first_bad.unwrap_or_default());
}
