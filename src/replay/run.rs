//! A night run through engine and wire without waiting: virtual time, the same bytes twice.
//!
//! Time jumps from one thing that is due to the next: an input, the engine's deadline, or
//! a port whose line is free again. Nothing here reads a clock.

use std::sync::Arc;

use crate::engine::Engine;
use crate::engine::input::{Input, Outbox, Output, Payload, Urgency};
use crate::engine::promptbook::{OutPort, PositionId, Promptbook};
use crate::engine::view::View;
use crate::wire::{self, Item, Lane, Limits, Next, PortKind, Wall, Wire};

/// How long a run goes on after its last input, for what is still due, in microseconds.
pub const TAIL_US: u64 = 60_000_000;

/// What a run needs: the night, where it starts, and what happens.
#[derive(Clone, Debug)]
pub struct Run<'a> {
    /// The night, compiled.
    pub book: Arc<Promptbook>,
    /// The kind of each output port, in the order of the rig.
    pub kinds: &'a [PortKind],
    /// The position at which the run starts.
    pub start: PositionId,
    /// What happens, by time in microseconds, rising.
    pub inputs: &'a [(u64, Input)],
}

/// How a run ended.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Outcome {
    /// The engine's last view.
    pub view: View,
    /// Time of the last thing that happened, in microseconds.
    pub end_us: u64,
    /// Messages handed to a port's line.
    pub sent: u64,
    /// Messages refused because a port's queue was full.
    pub refused: u64,
    /// Messages that no port may send: show control commands for what can injure people.
    pub barred: u64,
}

/// Runs it. `sink` is given each message as it goes out: time, port, bytes.
///
/// Inputs that name ports are taken as they are; a run of a whole rig begins with
/// `Input::InputReady` and `Input::OutputReady` for each port (see [`ready`]).
pub fn run(run: &Run<'_>, sink: &mut dyn FnMut(u64, OutPort, &[u8])) -> Outcome {
    run_watched(run, sink, &mut |_, _| {})
}

/// As `run`; `watch` is also called with time and position at each step, back and jump.
pub fn run_watched(
    run: &Run<'_>,
    sink: &mut dyn FnMut(u64, OutPort, &[u8]),
    watch: &mut dyn FnMut(u64, PositionId),
) -> Outcome {
    let mut stage = Stage::new(run);
    let mut steps = 0;
    let mut inputs = run.inputs.iter().peekable();
    let mut now_us = 0;
    loop {
        let next_input = inputs.peek().map(|(us, _)| *us);
        let Some(due_us) = stage.due_us().into_iter().chain(next_input).min() else {
            break;
        };
        let last_input_us = run.inputs.last().map_or(0, |(us, _)| *us);
        if next_input.is_none() && due_us > last_input_us.saturating_add(TAIL_US) {
            break;
        }
        now_us = due_us.max(now_us);
        while let Some((_, input)) = inputs.next_if(|(us, _)| *us <= now_us) {
            stage.handle(now_us, *input);
        }
        if stage
            .engine
            .next_deadline()
            .is_some_and(|deadline| deadline <= now_us)
        {
            stage.handle(now_us, Input::Tick);
        }
        let (count, position) = stage.steps();
        if count != steps {
            steps = count;
            watch(now_us, position);
        }
        stage.pump(now_us, sink);
    }
    stage.outcome(now_us)
}

/// The inputs that say that every port of the rig is there.
#[must_use]
pub fn ready(book: &Promptbook) -> Vec<(u64, Input)> {
    use crate::engine::promptbook::InPort;
    let inputs = (0..book.in_ports.len()).map(|port| Input::InputReady(InPort(port as u8)));
    let outputs = (0..book.out_ports.len()).map(|port| Input::OutputReady(OutPort(port as u8)));
    inputs.chain(outputs).map(|input| (0, input)).collect()
}

/// The queue item of an engine's output.
#[must_use]
pub fn item(book: &Promptbook, output: &Output) -> Item {
    let lane = match output.urgency {
        Urgency::Live => Lane::Live,
        Urgency::Changeover => Lane::Changeover,
        Urgency::Prime => Lane::Prime,
        Urgency::Bulk => Lane::Bulk,
    };
    let payload = match output.payload {
        Payload::Short(message) => wire::Payload::Short(message.encode()),
        Payload::Blob(id) => {
            let len = book
                .blobs
                .get(id.index())
                .map_or(0, |bytes| bytes.len() as u32);
            wire::Payload::Blob { id: id.0, len }
        }
    };
    Item {
        lane,
        channel: output.channel,
        payload,
    }
}

/// One engine and the lines of its ports.
struct Stage {
    book: Arc<Promptbook>,
    engine: Engine,
    outbox: Outbox,
    lines: Vec<Line>,
    sent: u64,
    refused: u64,
    wall: Wall,
}

/// One port's queue and when it wants to be asked again.
struct Line {
    wire: Wire,
    due_us: Option<u64>,
}

impl Stage {
    fn new(run: &Run<'_>) -> Self {
        let kind = |port| run.kinds.get(port).copied().unwrap_or(PortKind::Usb);
        let line = |port| Line {
            wire: Wire::new(kind(port), Limits::default(), 0),
            due_us: None,
        };
        Self {
            book: Arc::clone(&run.book),
            engine: Engine::new(Arc::clone(&run.book), run.start),
            outbox: Outbox::new(),
            lines: (0..run.book.out_ports.len()).map(line).collect(),
            sent: 0,
            refused: 0,
            wall: Wall::default(),
        }
    }

    fn due_us(&self) -> impl IntoIterator<Item = u64> {
        let lines = self.lines.iter().filter_map(|line| line.due_us).min();
        [self.engine.next_deadline(), lines].into_iter().flatten()
    }

    fn handle(&mut self, now_us: u64, input: Input) {
        self.outbox.clear();
        self.engine.handle(now_us, input, &mut self.outbox);
        for output in self.outbox.items() {
            let Some(line) = self.lines.get_mut(output.port.index()) else {
                continue;
            };
            if line.wire.push(now_us, item(&self.book, output)).is_err() {
                self.refused += 1;
            }
            line.due_us = Some(now_us);
        }
    }

    fn pump(&mut self, now_us: u64, sink: &mut dyn FnMut(u64, OutPort, &[u8])) {
        for (port, line) in self.lines.iter_mut().enumerate() {
            if line.due_us.is_none_or(|due| due > now_us) {
                continue;
            }
            line.due_us = loop {
                match line.wire.next(now_us) {
                    Next::Idle => break None,
                    Next::Wait(until_us) => break Some(until_us.max(now_us + 1)),
                    Next::Send(item) => {
                        let bytes = match &item.payload {
                            wire::Payload::Short(bytes) => bytes.as_slice(),
                            wire::Payload::Blob { id, .. } => {
                                let blob = self.book.blobs.get(usize::from(*id));
                                let Ok(bytes) = self.wall.pass(blob.map_or(&[], |blob| blob))
                                else {
                                    continue;
                                };
                                bytes
                            }
                        };
                        self.sent += 1;
                        sink(now_us, OutPort(port as u8), bytes);
                    }
                }
            };
        }
    }

    /// How many steps there were, and the present position.
    fn steps(&self) -> (u64, PositionId) {
        let mut view = View::default();
        self.engine.view(&mut view);
        (view.counters.steps, view.position)
    }

    fn outcome(&self, end_us: u64) -> Outcome {
        let mut view = View::default();
        self.engine.view(&mut view);
        Outcome {
            view,
            end_us,
            sent: self.sent,
            refused: self.refused,
            barred: self.wall.barred(),
        }
    }
}
