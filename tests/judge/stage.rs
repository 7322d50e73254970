//! Engine, wires and model receivers in virtual time, with a hand between engine and wire.

use std::sync::Arc;

use segue::engine::Engine;
use segue::engine::input::{Input, Outbox, Output, Payload};
use segue::engine::promptbook::{OutPort, PositionId, Promptbook};
use segue::engine::swap::Swap;
use segue::engine::view::View;
use segue::midi::Channel;
use segue::replay::item;
use segue::sim::ReceiverModel;
use segue::wire::{self, Lane, Limits, Next, PortKind, Wire};

use crate::saboteur::Saboteur;
use crate::world::World;

struct Line {
    wire: Wire,
    due_us: Option<u64>,
    has_refused: bool,
    /// What a byte takes on it, and when all that was handed to it has left.
    byte_us: u64,
    free_us: u64,
}

/// What a byte takes on a line. DIN: ten bits at 31 250 a second (MIDI 1.0). USB: events of
/// four bytes for up to three of MIDI, sixteen to a packet of 64 bytes, a packet a frame of
/// 1 ms at the least (USB MIDI 1.0; full speed). Software has no line.
const fn byte_us(kind: PortKind) -> u64 {
    match kind {
        PortKind::Din | PortKind::UsbToDin => 320,
        PortKind::Usb => 63,
        PortKind::Software => 0,
    }
}

/// One run's machinery.
pub(crate) struct Stage {
    pub(crate) book: Arc<Promptbook>,
    pub(crate) engine: Engine,
    pub(crate) models: Vec<ReceiverModel>,
    pub(crate) saboteur: Saboteur,
    /// A sum over everything that went out, and when.
    pub(crate) digest: u64,
    pub(crate) refused: u64,
    /// Messages that were no whole message.
    pub(crate) broken: u64,
    /// What was loaded ahead where it should not have been.
    pub(crate) misprimed: Vec<String>,
    ports: Vec<usize>,
    outbox: Outbox,
    lines: Vec<Line>,
    /// Everything that comes and goes is printed.
    tells: bool,
}

impl Stage {
    pub(crate) fn new(world: &World, book: Arc<Promptbook>, saboteur: Saboteur) -> Self {
        let line = |port: usize| Line {
            wire: Wire::new(world.kinds[port], Limits::default(), 0),
            due_us: None,
            has_refused: false,
            byte_us: byte_us(world.kinds[port]),
            free_us: 0,
        };
        let tells = std::env::var_os("SEGUE_TELL").is_some();
        if tells {
            for (at, slot) in book.slots.iter().enumerate() {
                let (receiver, channel) = (slot.receiver.index(), slot.channel.get() + 1);
                eprintln!(
                    "slot {at}: receiver {receiver} channel {channel} group {}",
                    slot.group
                );
            }
        }
        Self {
            engine: Engine::new(saboteur.bend_book(&book), PositionId(0)),
            models: world.models(),
            saboteur,
            digest: 0xcbf2_9ce4_8422_2325,
            refused: 0,
            broken: 0,
            misprimed: Vec::new(),
            ports: world.ports.clone(),
            outbox: Outbox::new(),
            lines: (0..book.out_ports.len()).map(line).collect(),
            book,
            tells,
        }
    }

    /// When something is due next.
    pub(crate) fn due_us(&self) -> Option<u64> {
        let lines = self.lines.iter().filter_map(|line| line.due_us).min();
        [self.engine.next_deadline(), lines, self.saboteur.due_us()]
            .into_iter()
            .flatten()
            .min()
    }

    /// Hands the engine an input and its messages to the wires.
    pub(crate) fn handle(&mut self, now_us: u64, input: Input) {
        let Some(input) = self.saboteur.bend_input(input) else {
            return;
        };
        if self.tells && input != Input::Tick {
            eprintln!("{now_us:>10} us  {input:?}");
        }
        self.outbox.clear();
        self.engine.handle(now_us, input, &mut self.outbox);
        if self.saboteur.needs_view() {
            let view = self.view();
            self.saboteur.note_left(&view, &self.book);
        }
        let mut outputs: Vec<Output> = Vec::with_capacity(self.outbox.items().len());
        self.saboteur.bend_outputs(
            (now_us, input),
            self.outbox.items(),
            &self.book,
            &mut outputs,
        );
        self.send(now_us, &outputs);
    }

    fn send(&mut self, now_us: u64, outputs: &[Output]) {
        for output in outputs {
            let Some(line) = self.lines.get_mut(output.port.index()) else {
                continue;
            };
            if line.wire.push(now_us, item(&self.book, output)).is_err() {
                self.refused += 1;
                line.has_refused = true;
            }
            line.due_us = Some(now_us);
            let bytes = match output.payload {
                Payload::Short(message) => message.encode().as_slice().len(),
                Payload::Blob(id) => self.book.blobs[id.index()].len(),
            };
            line.free_us = line.free_us.max(now_us) + bytes as u64 * line.byte_us;
        }
    }

    /// When all that the engine has handed to a port by now has left its line, whatever goes
    /// first: worked out from the bytes alone.
    pub(crate) fn free_us(&self, port: usize) -> u64 {
        self.lines[port].free_us
    }

    /// Hands the engine another book. A mistaken one may lose or move what sounds.
    pub(crate) fn take_book(&mut self, now_us: u64, mut swap: Swap) {
        let book = Arc::clone(swap.book());
        let at = swap.at();
        self.outbox.clear();
        self.engine
            .take_book(now_us, &mut swap, &mut self.outbox)
            .expect("a swap made for this book and place is taken");
        self.book = book;
        if self.saboteur.forgets_owners() {
            self.start_over(now_us, at);
        }
        let mut outputs = self.outbox.items().to_vec();
        outputs.extend(self.saboteur.move_sounding(&self.book));
        self.send(now_us, &outputs);
    }

    /// An engine that knows nothing but its place.
    fn start_over(&mut self, now_us: u64, at: PositionId) {
        self.engine = Engine::new(Arc::clone(&self.book), at);
        for port in 0..self.book.out_ports.len() {
            let input = Input::OutputReady(OutPort(port as u8));
            self.engine.handle(now_us, input, &mut self.outbox);
        }
        self.outbox.clear();
    }

    /// Does what is due now: the engine's deadline, then the wires; gives the ports that
    /// refused something and are open again.
    pub(crate) fn run_due(&mut self, now_us: u64) -> Vec<usize> {
        if self
            .engine
            .next_deadline()
            .is_some_and(|deadline| deadline <= now_us)
        {
            self.handle(now_us, Input::Tick);
        }
        let late = self.saboteur.take_due(now_us);
        self.send(now_us, &late);
        self.pump(now_us);
        let mut open = Vec::new();
        for (port, line) in self.lines.iter_mut().enumerate() {
            if line.has_refused && line.wire.waiting() == 0 {
                line.has_refused = false;
                open.push(port);
            }
        }
        open
    }

    /// How many messages wait for a port.
    pub(crate) fn waiting(&self, port: usize) -> usize {
        self.lines.get(port).map_or(0, |line| line.wire.waiting())
    }

    pub(crate) fn has_refused(&self, port: usize) -> bool {
        self.lines.get(port).is_some_and(|line| line.has_refused)
    }

    /// What waits for a port is lost with it.
    pub(crate) fn clear_line(&mut self, port: usize) {
        if let Some(line) = self.lines.get_mut(port) {
            line.wire.clear();
            line.free_us = 0;
            line.due_us = None;
            line.has_refused = false;
        }
    }

    pub(crate) fn view(&self) -> View {
        let mut view = View::default();
        self.engine.view(&mut view);
        view
    }

    /// Receivers on a port.
    pub(crate) fn on_port(&self, port: usize) -> Vec<usize> {
        (0..self.ports.len())
            .filter(|at| self.ports[*at] == port)
            .collect()
    }

    fn pump(&mut self, now_us: u64) {
        for port in 0..self.lines.len() {
            loop {
                let line = &mut self.lines[port];
                if line.due_us.is_none_or(|due| due > now_us) {
                    break;
                }
                match line.wire.next(now_us) {
                    Next::Idle => line.due_us = None,
                    Next::Wait(until_us) => line.due_us = Some(until_us.max(now_us + 1)),
                    Next::Send(item) => {
                        if item.lane == Lane::Prime {
                            self.check_prime(now_us, port, item.channel, &item.payload);
                        }
                        self.deliver(now_us, port, &item.payload);
                    }
                }
            }
        }
    }

    /// What is loaded ahead goes to slots of which nothing is heard, on receivers that say
    /// they bear it (DESIGN: Manners). A pedal that comes up there ends what only it held:
    /// whether it may is for those who asked for the note to say.
    fn check_prime(
        &mut self,
        now_us: u64,
        port: usize,
        channel: Option<Channel>,
        payload: &wire::Payload,
    ) {
        let comes_up = matches!(payload, wire::Payload::Short(bytes)
            if matches!(bytes.as_slice(), [0xb0..=0xbf, 64 | 66, 0..64]));
        for at in 0..self.models.len() {
            let model = &mut self.models[at];
            let is_meant = |channel: Channel| model.spec().listens >> channel.get() & 1 == 1;
            if self.ports[at] != port || !channel.is_some_and(is_meant) {
                continue;
            }
            model.advance(now_us);
            if !self.book.receivers[at].manners.may_prime {
                self.misprimed
                    .push(format!("{now_us} us: receiver {at} must not be primed"));
            }
            let voices = model
                .voices()
                .filter(|voice| Some(voice.channel) == channel && !(comes_up && voice.is_held()))
                .count();
            if voices > 0 {
                self.misprimed.push(format!(
                    "{now_us} us: receiver {at} was primed under {voices} voices on {channel:?}"
                ));
            }
        }
    }

    fn deliver(&mut self, now_us: u64, port: usize, payload: &wire::Payload) {
        let bytes = match payload {
            wire::Payload::Short(bytes) => bytes.as_slice().to_vec(),
            wire::Payload::Blob { id, .. } => self.book.blobs[usize::from(*id)].to_vec(),
        };
        let bytes = self.saboteur.bend_bytes(bytes);
        if self.tells {
            eprintln!("{now_us:>10} us  port {port}: {bytes:02x?}");
        }
        self.broken += u64::from(!is_whole(&bytes));
        for byte in now_us
            .to_le_bytes()
            .iter()
            .chain(&[port as u8])
            .chain(&bytes)
        {
            self.digest = (self.digest ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3);
        }
        for at in 0..self.models.len() {
            if self.ports[at] == port {
                self.models[at].feed(now_us, &bytes);
            }
        }
    }
}

/// Whether these bytes are exactly one message with its full status (MIDI 1.0, status
/// byte table).
fn is_whole(bytes: &[u8]) -> bool {
    let is_data = |bytes: &[u8]| bytes.iter().all(|byte| *byte < 0x80);
    match bytes {
        [0xf0, inner @ .., 0xf7] => is_data(inner),
        [status, data @ ..] => {
            let len = match status {
                0x80..=0xbf | 0xe0..=0xef | 0xf2 => 2,
                0xc0..=0xdf | 0xf1 | 0xf3 => 1,
                0xf6 | 0xf8..=0xff => 0,
                _ => return false,
            };
            data.len() == len && is_data(data)
        }
        [] => false,
    }
}
