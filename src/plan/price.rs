//! The price of each step: what goes out at the press, what went before, and what it spares.
//!
//! Nothing here knows how a changeover is made. A real [`Engine`] walks through the night
//! in virtual time, with nobody playing, and what it hands out is counted: `Prime` before
//! a press is what was loaded ahead for it, everything but `Bulk` from a press to the next
//! is what the press costs. Three more walks give what it is compared with:
//! one whose receivers must not be primed, one that holds its cues back, and one that sends
//! the whole state again at each position. A full send of a step is that state and its cues.
//!
//! Microseconds of a port are of its line alone (`wire::cost_us`, message by message, full
//! status bytes); ports work side by side, so a step takes as long as its slowest port. How
//! long after the press its scene can be played in full is told apart from that: it counts
//! what the receivers take to load the patches that the press changes, and what follows then.

use std::sync::Arc;

use super::Plan;
use crate::engine::Engine;
use crate::engine::input::{Command, Input, Outbox, Output, Payload, Urgency};
use crate::engine::promptbook::{InPort, OutPort, PositionId, Promptbook};
use crate::engine::view::View;
use crate::wire::{PortKind, cost_us};

/// How long each position is assumed to be played before the next press, in microseconds.
pub const DWELL_US: u64 = 10_000_000;

/// Bytes and the time they take on their line.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Cost {
    /// Bytes on the wire, with every status byte.
    pub bytes: u64,
    /// Microseconds of the port's line.
    pub us: u64,
}

impl Cost {
    fn add(&mut self, other: Self) {
        self.bytes += other.bytes;
        self.us += other.us;
    }

    /// What this costs more than another; 0 where it costs less.
    const fn beyond(self, other: Self) -> Self {
        Self {
            bytes: self.bytes.saturating_sub(other.bytes),
            us: self.us.saturating_sub(other.us),
        }
    }
}

/// The price of one step on one port.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct PortPrice {
    /// What is sent from the press on.
    pub press: Cost,
    /// What was sent before the press, while the position before was played.
    pub primed: Cost,
    /// What would be sent from the press on if nothing were primed.
    pub unprimed: Cost,
    /// What the whole state of the position and its cues would cost.
    pub full: Cost,
    /// Slots that carry a sound at this position.
    pub slots: usize,
}

/// The price of one step.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct StepPrice {
    /// The position stepped to.
    pub position: usize,
    /// Why the step is not unbroken (notes cut, a slot shared), in words; empty if it is.
    pub why: Vec<String>,
    /// Time from the press until the scene can be played in full, in microseconds: the last
    /// byte has left its line, and the last patch that the press changes has loaded. Only a
    /// lower bound where that takes longer than the position is played.
    pub ready_us: u64,
    /// A note played with the press may sound this long before its patch has loaded, in
    /// microseconds: 0 if none does.
    pub early_us: u64,
    /// The price on each output port, in the order of the promptbook.
    pub ports: Vec<PortPrice>,
}

impl StepPrice {
    /// Whether all held notes go on and every sound has a slot of its own.
    #[must_use]
    pub fn is_unbroken(&self) -> bool {
        self.why.is_empty()
    }

    /// Bytes over all ports, and the time of the slowest of them.
    #[must_use]
    pub fn over_ports(&self, cost: impl Fn(&PortPrice) -> Cost) -> Cost {
        self.ports
            .iter()
            .map(cost)
            .fold(Cost::default(), |sum, port| Cost {
                bytes: sum.bytes + port.bytes,
                us: sum.us.max(port.us),
            })
    }
}

/// The price of a night.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Price {
    /// How long each position is played, in microseconds.
    pub dwell_us: u64,
    /// Every step of the night, in order; the first position is not stepped to.
    pub steps: Vec<StepPrice>,
}

/// Median, 95th percentile and worst of a list (nearest rank).
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Spread {
    /// The 50th percentile: half of the values are at most this.
    pub median: u64,
    /// The 95th percentile: 95 of 100 values are at most this.
    pub p95: u64,
    /// The largest of all values.
    pub worst: u64,
}

impl Spread {
    /// The spread of these values; zeros if there are none.
    #[must_use]
    pub fn of(values: impl IntoIterator<Item = u64>) -> Self {
        let mut values: Vec<u64> = values.into_iter().collect();
        values.sort_unstable();
        let at = |percent: usize| {
            let rank = (values.len() * percent).div_ceil(100);
            values.get(rank.saturating_sub(1)).copied().unwrap_or(0)
        };
        Self {
            median: at(50),
            p95: at(95),
            worst: at(100),
        }
    }
}

/// Walks through the night and says what each step costs. `kinds` are the kinds of the
/// promptbook's output ports; `dwell_us` is how long each position is played.
#[must_use]
pub fn price(plan: &Plan, kinds: &[PortKind], dwell_us: u64) -> Price {
    let book = Arc::new(plan.promptbook.clone());
    let mut unready = plan.promptbook.clone();
    for receiver in &mut unready.receivers {
        receiver.manners.may_prime = false;
    }
    let unready = Arc::new(unready);
    let walk = |book: &Arc<Promptbook>, manner| Walk::new(book, kinds, dwell_us).go(manner);
    let plain = walk(&book, Manner::Plain);
    let unprimed = walk(&unready, Manner::Plain);
    let without_cues = walk(&unready, Manner::WithoutCues);
    let resent = walk(&unready, Manner::Resending);

    let mut steps = Vec::new();
    for (position, (((plain, unprimed), silent), resent)) in plain
        .iter()
        .zip(unprimed.iter().map(|row| &row.ports))
        .zip(without_cues.iter().map(|row| &row.ports))
        .zip(resent.iter().map(|row| &row.ports))
        .enumerate()
        .skip(1)
    {
        let ports = (0u8..)
            .map(OutPort)
            .zip(&plain.ports)
            .zip(unprimed)
            .zip(silent.iter().zip(resent))
            .map(|(((port, plain), unprimed), (silent, resent))| {
                let mut full = resent.press;
                full.add(unprimed.press.beyond(silent.press));
                PortPrice {
                    press: plain.press,
                    primed: plain.primed,
                    unprimed: unprimed.press,
                    full,
                    slots: slots_in_use(&book, position, port),
                }
            });
        steps.push(StepPrice {
            position,
            why: plan.why(position),
            ready_us: plain.ready_us,
            early_us: plain.early_us,
            ports: ports.collect(),
        });
    }
    Price { dwell_us, steps }
}

/// How many slots of a port carry a sound at a position.
fn slots_in_use(book: &Promptbook, position: usize, port: OutPort) -> usize {
    let seats = book
        .positions
        .get(position)
        .map_or(&[][..], |entry| entry.seats.of(&book.seats));
    let mut slots: Vec<_> = seats
        .iter()
        .filter(|slot| book.slots.get(slot.index()).is_some_and(|s| s.port == port))
        .collect();
    slots.sort_unstable();
    slots.dedup();
    slots.len()
}

/// How the engine is driven in a walk.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Manner {
    /// As in the show.
    Plain,
    /// Cues are held back, as in rehearsal.
    WithoutCues,
    /// The whole state is sent again at each position; only that is counted.
    Resending,
}

/// What was counted for one position on one port.
#[derive(Clone, Copy, Default)]
struct Tally {
    press: Cost,
    primed: Cost,
}

/// What was counted for one position.
#[derive(Clone, Default)]
struct Row {
    ports: Vec<Tally>,
    ready_us: u64,
    early_us: u64,
}

/// One engine on its way through the night.
struct Walk<'a> {
    book: Arc<Promptbook>,
    kinds: &'a [PortKind],
    dwell_us: u64,
    engine: Engine,
    outbox: Outbox,
    now_us: u64,
    /// What was counted at each position, by index.
    rows: Vec<Row>,
    position: usize,
    counts: bool,
    /// When the last press came, in µs; `free_us` is when all that was sent to each port has
    /// left.
    pressed_us: u64,
    free_us: Vec<u64>,
    /// Whether a patch of the present scene is loading.
    is_loading: bool,
    view: Box<View>,
}

impl<'a> Walk<'a> {
    fn new(book: &Arc<Promptbook>, kinds: &'a [PortKind], dwell_us: u64) -> Self {
        let row = Row {
            ports: vec![Tally::default(); book.out_ports.len()],
            ..Row::default()
        };
        Self {
            book: Arc::clone(book),
            kinds,
            dwell_us,
            engine: Engine::new(Arc::clone(book), PositionId(0)),
            outbox: Outbox::new(),
            now_us: 0,
            rows: vec![row; book.positions.len()],
            position: 0,
            counts: false,
            pressed_us: 0,
            free_us: vec![0; book.out_ports.len()],
            is_loading: false,
            view: Box::default(),
        }
    }

    /// From the first position to the last, each one played for the dwell.
    fn go(mut self, manner: Manner) -> Vec<Row> {
        for port in (0u8..).map(InPort).take(self.book.in_ports.len()) {
            self.handle(Input::InputReady(port));
        }
        for port in (0u8..).map(OutPort).take(self.book.out_ports.len()) {
            self.handle(Input::OutputReady(port));
        }
        self.handle(Input::Command(Command::Cues(manner != Manner::WithoutCues)));
        let boot_us = self.book.out_ports.iter().map(|port| port.boot_us).max();
        self.wait(boot_us.unwrap_or(0));
        self.counts = manner != Manner::Resending;
        self.wait(self.dwell_us);
        for position in 1..self.rows.len() {
            self.press(position);
            self.wait(self.dwell_us);
            if self.is_loading {
                self.be_ready_after(self.dwell_us);
            }
            if manner == Manner::Resending {
                self.counts = true;
                self.handle(Input::Command(Command::Resend {
                    receiver: None,
                    is_forced: true,
                }));
                self.wait(self.dwell_us);
                self.counts = false;
            }
        }
        self.rows
    }

    fn press(&mut self, position: usize) {
        self.engine.view(&mut self.view);
        let early_us = u64::from(self.view.next.early_us);
        if let Some(row) = self.rows.get_mut(position) {
            row.early_us = early_us;
        }
        self.position = position;
        self.pressed_us = self.now_us;
        self.is_loading = true;
        self.handle(Input::Command(Command::Step));
    }

    /// Raises the time after the press at which the present position can be played in full.
    fn be_ready_after(&mut self, us: u64) {
        if let Some(row) = self.rows.get_mut(self.position) {
            row.ready_us = row.ready_us.max(us);
        }
    }

    /// Whether a slot that carries a sound of the present scene is loading its patch.
    fn loads_patch(&mut self) -> bool {
        self.engine.view(&mut self.view);
        let view = &self.view;
        let mut slots = view.seats.iter().flatten();
        slots.any(|slot| {
            let slot = view.slots.get(slot.index());
            slot.is_some_and(|slot| slot.is_loading)
        })
    }

    /// Lets time pass, with everything that falls due in it.
    fn wait(&mut self, span_us: u64) {
        let until_us = self.now_us.saturating_add(span_us);
        while let Some(due_us) = self.engine.next_deadline().filter(|due| *due < until_us) {
            // A deadline in the past is met now; time always moves by at least 1 µs.
            self.now_us = due_us.max(self.now_us.saturating_add(1));
            self.handle(Input::Tick);
        }
        self.now_us = until_us.max(self.now_us);
    }

    fn handle(&mut self, input: Input) {
        self.outbox.clear();
        self.engine.handle(self.now_us, input, &mut self.outbox);
        for output in self.outbox.items() {
            let is_primed = output.urgency == Urgency::Prime;
            // Priming for the first step begins before the first press can be counted.
            if !self.counts && !is_primed {
                continue;
            }
            let port = output.port.index();
            let kind = self.kinds.get(port).copied().unwrap_or(PortKind::Usb);
            let cost = cost_of(&self.book, kind, output);
            let position = self.position + usize::from(is_primed);
            let Some(row) = self.rows.get_mut(position) else {
                continue;
            };
            let Some(tally) = row.ports.get_mut(port) else {
                continue;
            };
            match output.urgency {
                Urgency::Prime => tally.primed.add(cost),
                Urgency::Live | Urgency::Changeover => {
                    tally.press.add(cost);
                    if let Some(free_us) = self.free_us.get_mut(port).filter(|_| self.is_loading) {
                        *free_us = self.now_us.max(*free_us) + cost.us;
                        row.ready_us = row.ready_us.max(*free_us - self.pressed_us);
                    }
                }
                Urgency::Bulk => {}
            }
        }
        if self.is_loading && !self.loads_patch() {
            self.is_loading = false;
            let is_pressed = self.now_us > self.pressed_us;
            if is_pressed {
                self.be_ready_after(self.now_us - self.pressed_us);
            }
        }
    }
}

fn cost_of(book: &Promptbook, kind: PortKind, output: &Output) -> Cost {
    let bytes = match output.payload {
        Payload::Short(message) => message.encode().as_slice().len(),
        Payload::Blob(blob) => book.blobs.get(blob.index()).map_or(0, |bytes| bytes.len()),
    };
    Cost {
        bytes: bytes as u64,
        us: cost_us(kind, bytes as u32),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Nearest rank, worked by hand: of 20 values the 10th, the 19th and the 20th.
    #[test]
    fn a_spread_is_read_off_by_rank() {
        let spread = Spread::of((1..=20).rev());
        assert_eq!((spread.median, spread.p95, spread.worst), (10, 19, 20));
        let spread = Spread::of([7]);
        assert_eq!((spread.median, spread.p95, spread.worst), (7, 7, 7));
        assert_eq!(Spread::of([]), Spread::default());
    }
}
