//! Gates under real threads: the order is kept, nothing is lost or doubled, and a stuck
//! port delays no other.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};
use std::thread::ThreadId;
use std::time::Duration;

use proptest::prelude::*;
use segue::midi::{Channel, Message, Value14};
use segue::ports::{
    BlobTable, Clock, Gate, GateParts, INBOX_LIMIT, ModelEar, PIECE_BYTES, PortError, Sink, Waker,
    open_model,
};
use segue::wire::{Item, Lane, PortKind};

type Written = Arc<Mutex<Vec<Vec<u8>>>>;

/// Keeps what is written, and notices a second writer.
struct Recorder {
    written: Written,
    is_inside: Arc<AtomicBool>,
}

impl Recorder {
    fn open() -> (Box<dyn Sink>, Written) {
        let written = Written::default();
        let recorder = Self {
            written: Arc::clone(&written),
            is_inside: Arc::default(),
        };
        (Box::new(recorder), written)
    }

    fn write(&self, bytes: &[u8]) {
        assert!(!self.is_inside.swap(true, Ordering::SeqCst), "two writers");
        self.written.lock().unwrap().push(bytes.to_vec());
        self.is_inside.store(false, Ordering::SeqCst);
    }
}

impl Sink for Recorder {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.write(bytes);
        Ok(())
    }

    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError> {
        self.write(piece);
        Ok(())
    }
}

/// Panics at each message with this number, and keeps the others.
struct Faulty {
    recorder: Recorder,
    number: u16,
}

impl Sink for Faulty {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        assert_ne!(numbers(&[bytes.to_vec()], 0), [self.number], "as asked");
        self.recorder.write_short(bytes)
    }

    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError> {
        self.recorder.write_exclusive(piece)
    }
}

/// A waker that works: the embedded rig's.
fn waker() -> Waker {
    let ear: ModelEar = Arc::new(|_, _| {});
    open_model(Clock::start(), &[], &ear).unwrap().waker
}

fn gate(name: &str, kind: PortKind, sink: Box<dyn Sink>, blobs: BlobTable) -> Gate {
    Gate::open(GateParts {
        name: name.to_owned(),
        kind,
        sink,
        blobs,
        clock: Clock::start(),
        waker: waker(),
    })
    .expect("a thread")
}

fn no_blobs() -> BlobTable {
    Arc::from(Vec::new())
}

/// A message that can be told from all others.
fn numbered(lane: Lane, channel: u8, number: u16) -> Item {
    let channel = Channel::new(channel).expect("a channel");
    let value = Value14::new(number).expect("14 bits");
    Item::message(lane, Message::Bend(channel, value))
}

/// The numbers of all messages of a channel, in the order they were written.
fn numbers(written: &[Vec<u8>], channel: u8) -> Vec<u16> {
    written
        .iter()
        .filter(|bytes| bytes[0] == 0xe0 | channel)
        .map(|bytes| u16::from(bytes[1]) | u16::from(bytes[2]) << 7)
        .collect()
}

/// Waits for a condition that must come true; only a hang ends it otherwise.
fn wait_until(mut is_true: impl FnMut() -> bool) {
    while !is_true() {
        std::thread::sleep(Duration::from_millis(1));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(crate::cases::scaled(24)))]

    /// The claim is fought for by the playing thread, the sender and a screen that reads
    /// the meter without a pause.
    #[test]
    fn every_message_is_written_once_and_in_its_order(
        kind in prop::sample::select(vec![PortKind::Software, PortKind::Usb]),
        lanes in prop::collection::vec((0_u8..3, 0_usize..4, prop::bool::ANY), 1..400),
    ) {
        let (sink, written) = Recorder::open();
        let mut gate = gate("fought for", kind, sink, no_blobs());
        let mut meter = gate.meter().expect("nobody has it yet");
        let is_over = Arc::new(AtomicBool::new(false));
        let flag = Arc::clone(&is_over);
        let screen = std::thread::spawn(move || {
            while !flag.load(Ordering::SeqCst) {
                let _ = meter.read();
            }
            meter
        });
        for (number, &(channel, lane, is_flushed)) in (0_u16..).zip(&lanes) {
            gate.push(numbered(Lane::ALL[lane], channel, number)).expect("room");
            if is_flushed {
                gate.flush();
            }
        }
        gate.flush();
        // Nobody flushes any more: what is left must find its own way.
        wait_until(|| written.lock().unwrap().len() == lanes.len());
        is_over.store(true, Ordering::SeqCst);
        let mut meter = screen.join().expect("the screen");
        let written = written.lock().unwrap().clone();
        for channel in 0..3 {
            let mine = |&(_, &(of, _, _)): &(u16, &(u8, usize, bool))| of == channel;
            let expected: Vec<u16> =
                (0_u16..).zip(&lanes).filter(mine).map(|(number, _)| number).collect();
            prop_assert_eq!(numbers(&written, channel), expected);
        }
        prop_assert!(!gate.take_overflow());
        gate.close(Duration::from_secs(600));
        let reading = meter.read();
        prop_assert_eq!(reading.wire.waiting, 0);
        prop_assert_eq!(reading.wire.bytes_sent, 3 * lanes.len() as u64);
        prop_assert_eq!((reading.refused, reading.failed), (0, 0));
    }
}

/// A sink that is busy for the playing thread, so that its sender takes over, and then
/// stays inside the write until it is let go: the worst that a driver can do.
struct Stuck {
    inner: Box<dyn Sink>,
    player: ThreadId,
    has_been_stuck: bool,
    entered: Sender<()>,
    release: Receiver<()>,
}

impl Sink for Stuck {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        if !self.has_been_stuck {
            if std::thread::current().id() == self.player {
                return Err(PortError::Busy);
            }
            self.has_been_stuck = true;
            self.entered.send(()).expect("the test listens");
            self.release.recv().expect("the test lets go");
        }
        self.inner.write_short(bytes)
    }

    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError> {
        self.inner.write_exclusive(piece)
    }
}

/// The test's ends of a stuck sink.
struct StuckEnds {
    written: Written,
    has_entered: Receiver<()>,
    let_go: Sender<()>,
}

/// Made by the thread that plays.
fn stuck_sink() -> (Box<dyn Sink>, StuckEnds) {
    let (inner, written) = Recorder::open();
    let (entered, has_entered) = channel();
    let (let_go, release) = channel();
    let sink = Stuck {
        inner,
        player: std::thread::current().id(),
        has_been_stuck: false,
        entered,
        release,
    };
    let ends = StuckEnds {
        written,
        has_entered,
        let_go,
    };
    (Box::new(sink), ends)
}

#[test]
fn a_port_that_is_stuck_in_a_write_holds_up_neither_the_player_nor_another_port() {
    let (sink, ends) = stuck_sink();
    let mut stuck = gate("stuck", PortKind::Software, sink, no_blobs());
    let (sink, free_written) = Recorder::open();
    let mut free = gate("free", PortKind::Software, sink, no_blobs());

    stuck.push(numbered(Lane::Live, 0, 0)).expect("room");
    stuck.flush();
    // From here the sender is inside the write and keeps the claim.
    ends.has_entered.recv().expect("the sender writes");
    for number in 1..100 {
        stuck.push(numbered(Lane::Live, 0, number)).expect("room");
        stuck.flush();
        free.push(numbered(Lane::Live, 0, number)).expect("room");
        free.flush();
    }
    wait_until(|| free_written.lock().unwrap().len() == 99);
    assert!(ends.written.lock().unwrap().is_empty());
    ends.let_go.send(()).expect("the sink listens");
    wait_until(|| ends.written.lock().unwrap().len() == 100);
    let all: Vec<u16> = (0..100).collect();
    assert_eq!(numbers(&ends.written.lock().unwrap(), 0), all);
    assert!(!stuck.take_overflow());
}

#[test]
fn a_full_inbox_refuses_and_tells_once_the_way_is_open_again() {
    let (sink, ends) = stuck_sink();
    let mut gate = gate("full", PortKind::Software, sink, no_blobs());
    let mut meter = gate.meter().expect("nobody has it yet");
    gate.push(numbered(Lane::Changeover, 0, 0)).expect("room");
    gate.flush();
    ends.has_entered.recv().expect("the sender writes");
    let mut refused = Vec::new();
    for number in 1..=INBOX_LIMIT as u16 + 2 {
        let item = numbered(Lane::Changeover, 0, number);
        if let Err(back) = gate.push(item) {
            assert_eq!(back.0, item);
            refused.push(number);
        }
    }
    gate.flush();
    assert_eq!(refused, [INBOX_LIMIT as u16 + 1, INBOX_LIMIT as u16 + 2]);
    assert!(!gate.take_overflow(), "the way is not open yet");
    ends.let_go.send(()).expect("the sink listens");
    wait_until(|| gate.take_overflow());
    assert!(!gate.take_overflow(), "told once");
    assert_eq!(ends.written.lock().unwrap().len(), INBOX_LIMIT + 1);
    assert_eq!(meter.read().refused, 2);
}

/// A sink that fails until it is mended.
struct Broken {
    inner: Box<dyn Sink>,
    is_broken: Arc<AtomicBool>,
}

impl Sink for Broken {
    fn write_short(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        if self.is_broken.load(Ordering::SeqCst) {
            return Err(PortError::System(5));
        }
        self.inner.write_short(bytes)
    }

    fn write_exclusive(&mut self, piece: &[u8]) -> Result<(), PortError> {
        self.inner.write_exclusive(piece)
    }
}

#[test]
fn what_failed_is_counted_and_told_only_when_writing_works_again() {
    let (inner, written) = Recorder::open();
    let is_broken = Arc::new(AtomicBool::new(true));
    let sink = Broken {
        inner,
        is_broken: Arc::clone(&is_broken),
    };
    let mut gate = gate("broken", PortKind::Software, Box::new(sink), no_blobs());
    let mut meter = gate.meter().expect("nobody has it yet");
    for number in 0..3 {
        gate.push(numbered(Lane::Live, 0, number)).expect("room");
        gate.flush();
    }
    wait_until(|| meter.read().failed == 3);
    assert!(!gate.take_overflow(), "it would only fail again");
    let error = meter.read().last_error.map(|(error, _)| error);
    assert_eq!(error, Some(PortError::System(5)));
    is_broken.store(false, Ordering::SeqCst);
    gate.push(numbered(Lane::Live, 0, 3)).expect("room");
    gate.flush();
    wait_until(|| gate.take_overflow());
    assert_eq!(numbers(&written.lock().unwrap(), 0), [3]);
}

#[test]
fn a_sysex_goes_out_whole_in_pieces_with_nothing_between() {
    let (sink, written) = Recorder::open();
    let mut blob = vec![0xf0];
    blob.extend((0..PIECE_BYTES * 2).map(|byte| (byte % 128) as u8));
    blob.push(0xf7);
    let len = blob.len() as u32;
    let blobs: BlobTable = Arc::from(vec![blob.clone().into_boxed_slice()]);
    let mut gate = gate("dump", PortKind::Usb, sink, blobs);
    gate.push(Item::blob(Lane::Bulk, 0, len)).expect("room");
    gate.flush();
    for number in 0..20 {
        gate.push(numbered(Lane::Live, 0, number)).expect("room");
        gate.flush();
    }
    gate.close(Duration::from_secs(600));
    let written = written.lock().unwrap().clone();
    let start = written
        .iter()
        .position(|bytes| bytes[0] == 0xf0)
        .expect("F0");
    let end = written
        .iter()
        .position(|bytes| bytes.last() == Some(&0xf7))
        .expect("F7");
    assert_eq!(written[start..=end].concat(), blob);
    assert!(
        written[start..=end]
            .iter()
            .all(|piece| piece.len() <= PIECE_BYTES)
    );
    assert_eq!(numbers(&written, 0), (0..20).collect::<Vec<_>>());
}

/// MIDI Show Control 1.1.1, table of command formats: 20H-2FH machinery, 50H-5FH process
/// control, 60H-6FH pyrotechnics, 7FH all types.
#[test]
fn show_control_for_what_injures_leaves_no_gate_and_is_counted() {
    let (sink, written) = Recorder::open();
    let message = |format: u8| vec![0xf0, 0x7f, 0x01, 0x02, format, 0x01, 0xf7].into_boxed_slice();
    let blobs: BlobTable = (0..=0x7f).map(message).collect();
    let mut gate = gate("desk", PortKind::Software, sink, blobs);
    let mut meter = gate.meter().expect("nobody has it yet");
    for format in 0..=0x7f {
        gate.push(Item::blob(Lane::Live, format, 7)).expect("room");
        gate.flush();
    }
    wait_until(|| written.lock().unwrap().len() >= 79);
    assert!(!gate.take_overflow(), "nothing is to be sent again for it");
    gate.close(Duration::from_secs(600));
    let reading = meter.read();
    let (error, _) = reading.last_error.expect("told");
    let words = error.to_string();
    assert!(
        words.contains("show-control message for machinery and pyrotechnics too"),
        "{words}"
    );
    assert_eq!((reading.barred, reading.failed), (49, 0));
    let formats: Vec<u8> = written
        .lock()
        .unwrap()
        .iter()
        .map(|bytes| bytes[4])
        .collect();
    let is_injuring = |format: &u8| matches!(format, 0x20..=0x2f | 0x50..=0x6f | 0x7f);
    let allowed: Vec<u8> = (0..=0x7f).filter(|format| !is_injuring(format)).collect();
    assert_eq!(formats, allowed);
}

#[test]
fn a_number_without_a_stored_sysex_is_a_counted_fault_and_no_reason_to_resend() {
    let (sink, written) = Recorder::open();
    let mut gate = gate("no such dump", PortKind::Software, sink, no_blobs());
    let mut meter = gate.meter().expect("nobody has it yet");
    gate.push(Item::blob(Lane::Bulk, 7, 10)).expect("room");
    gate.push(numbered(Lane::Live, 0, 1)).expect("room");
    gate.flush();
    wait_until(|| meter.read().failed == 1);
    // A write that works afterwards is when a loss would be told; the one after that can
    // only begin when the run before it has ended.
    for number in 2..4 {
        gate.push(numbered(Lane::Live, 0, number)).expect("room");
        gate.flush();
        wait_until(|| written.lock().unwrap().len() == usize::from(number));
    }
    assert!(!gate.take_overflow());
}

#[test]
fn what_waits_for_a_lost_port_is_dropped_on_request() {
    let (sink, ends) = stuck_sink();
    let mut gate = gate("lost", PortKind::Software, sink, no_blobs());
    gate.push(numbered(Lane::Live, 0, 0)).expect("room");
    gate.flush();
    ends.has_entered.recv().expect("the sender writes");
    for number in 1..1_000 {
        gate.push(numbered(Lane::Live, 0, number)).expect("room");
    }
    assert!(gate.clear());
    gate.push(numbered(Lane::Live, 1, 7)).expect("room");
    gate.flush();
    ends.let_go.send(()).expect("the sink listens");
    gate.close(Duration::from_secs(600));
    let written = ends.written.lock().unwrap().clone();
    assert_eq!(numbers(&written, 0), [0]);
    assert_eq!(numbers(&written, 1), [7]);
}

/// On a slow line, so that the port's own thread writes; and many times, so that its state is
/// not sent again for ever by whatever is told of it.
#[test]
fn a_panic_while_writing_is_told_and_the_port_goes_on() {
    let written = Written::default();
    let recorder = Recorder {
        written: Arc::clone(&written),
        is_inside: Arc::default(),
    };
    let faulty = Faulty {
        recorder,
        number: 12,
    };
    let mut gate = gate("faulty", PortKind::Din, Box::new(faulty), no_blobs());
    let mut meter = gate.meter().expect("nobody has it yet");
    let send = |gate: &mut Gate, all: std::ops::Range<u16>| {
        for number in all {
            let item = numbered(Lane::Live, 0, number);
            gate.push(item).expect("room");
        }
        gate.flush();
    };
    let last = || numbers(&written.lock().unwrap(), 0).last().copied();
    for failure in 1..=10 {
        send(&mut gate, 0..13);
        wait_until(|| meter.read().failed == failure);
        assert_eq!(last(), Some(11));
        assert!(gate.take_panic() && !gate.take_panic(), "told once");
        // Told at once, until it has happened too often.
        assert_eq!(gate.take_overflow(), failure <= 8, "failure {failure}");
        send(&mut gate, 20..40);
        wait_until(|| last() == Some(39));
        wait_until(|| failure <= 8 || gate.take_overflow());
        let (error, _) = meter.read().last_error.expect("an error");
        assert_eq!(error, PortError::Panicked);
    }
    assert!(gate.close(Duration::from_secs(600)), "nothing is left");
}
