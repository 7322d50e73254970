//! The price of a night against what its ports are really sent in a run through the wire.

use std::sync::Arc;

use segue::engine::input::{Command, Input};
use segue::engine::promptbook::PositionId;
use segue::plan::price::{DWELL_US, price};
use segue::plan::{Plan, Trouble, compile};
use segue::replay::{self, Run};
use segue::show::read::read;
use segue::wire::{PortKind, cost_us};

use crate::show_read::{files_in, repository};

fn plan() -> (Plan, Vec<PortKind>) {
    let folder = repository("shows/quarry-lanterns");
    let show = read(&files_in(&folder), "quarry-lanterns").0;
    let night = show
        .nights
        .iter()
        .find(|n| n.name == "harbour-hall")
        .unwrap();
    let plan = compile(&show, night).unwrap();
    // Every kind of line once, whatever the rig says.
    let kinds = [
        PortKind::Din,
        PortKind::UsbToDin,
        PortKind::Usb,
        PortKind::Software,
    ];
    let kinds = kinds
        .into_iter()
        .cycle()
        .take(plan.promptbook.out_ports.len());
    (plan, kinds.collect())
}

/// Longer than any instrument of the show takes to start.
const FIRST_STEP_US: u64 = 60_000_000;

/// A run that steps through the whole night, hands off: bytes and time by position and port.
fn sent(plan: &Plan, kinds: &[PortKind]) -> Vec<Vec<(u64, u64)>> {
    let count = plan.promptbook.positions.len();
    let mut inputs = replay::ready(&plan.promptbook);
    for step in 0..count as u64 - 1 {
        let us = FIRST_STEP_US + step * DWELL_US;
        inputs.push((us, Input::Command(Command::Step)));
    }
    let run = Run {
        book: Arc::new(plan.promptbook.clone()),
        kinds,
        start: PositionId(0),
        inputs: &inputs,
    };
    let mut sums = vec![vec![(0, 0); kinds.len()]; count];
    replay::run(&run, &mut |us, port, bytes| {
        let position = us
            .checked_sub(FIRST_STEP_US)
            .map_or(0, |since| since / DWELL_US + 1);
        let sum = &mut sums[position as usize][port.index()];
        sum.0 += bytes.len() as u64;
        sum.1 += cost_us(kinds[port.index()], bytes.len() as u32);
    });
    sums
}

/// What is priced, at the press and before it, is what goes over the wire, to the byte.
#[test]
fn the_price_is_what_is_sent() {
    let (plan, kinds) = plan();
    let price = price(&plan, &kinds, DWELL_US);
    let sent = sent(&plan, &kinds);
    assert_eq!(price.steps.len() + 1, plan.promptbook.positions.len());
    let mut bytes = 0;
    for step in &price.steps {
        let next = price
            .steps
            .iter()
            .find(|next| next.position == step.position + 1);
        for (at, port) in step.ports.iter().enumerate() {
            // Between two presses: the rest of this changeover, and primes for the next.
            let primed = next.map_or_else(Default::default, |next| next.ports[at].primed);
            let priced = (port.press.bytes + primed.bytes, port.press.us + primed.us);
            assert_eq!(
                priced, sent[step.position][at],
                "step {} port {at}",
                step.position
            );
            assert!(port.press.bytes <= port.full.bytes.max(port.unprimed.bytes));
            bytes += port.press.bytes;
        }
    }
    assert!(bytes > 0);
}

/// A step is unbroken exactly if the plan has no remark on it.
#[test]
fn a_step_says_why_it_is_not_unbroken() {
    let (plan, kinds) = plan();
    let price = price(&plan, &kinds, DWELL_US);
    for step in &price.steps {
        let remarks = plan.remarks.iter().filter(|r| r.position == step.position);
        assert_eq!(remarks.count(), step.why.len());
        assert_eq!(step.is_unbroken(), step.why.is_empty());
    }
    // The organ has one slot, and Salt Road changes its patch under held notes.
    assert!(plan.remarks.iter().any(|r| r.trouble == Trouble::PedalCut));
    assert!(price.steps.iter().any(|step| step.is_unbroken()));
}
