//! Times of notes, far side to far side: several ways beside each other in one run, so that
//! what the machine does meanwhile falls on all of them alike.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use crate::case::{PortName, Way};
use crate::far::Port;

/// The devices, as a measurement sees them.
pub trait Ports {
    /// The port of a device.
    fn at(&mut self, name: &PortName) -> Result<&mut Port, String>;
}

/// What was read of one way and one kind of message, in microseconds.
#[derive(Default)]
pub struct Reading {
    times_us: Vec<u64>,
    lost: usize,
}

impl Reading {
    fn add(&mut self, time: Option<Duration>) {
        match time {
            Some(time) => self.times_us.push(time.as_micros() as u64),
            None => self.lost += 1,
        }
    }

    /// `NAME|KIND|COUNT|LOST|MEDIAN|P90|P99|MOST`, times in microseconds.
    fn line(&mut self, way: &str, kind: &str) -> String {
        self.times_us.sort_unstable();
        let count = self.times_us.len();
        let at = |part: f64| {
            let index = (count as f64 * part).ceil() as usize;
            let index = index.saturating_sub(1).min(count.saturating_sub(1));
            self.times_us.get(index).copied().unwrap_or(0)
        };
        let most = self.times_us.last().copied().unwrap_or(0);
        let (median, p90, p99) = (at(0.5), at(0.9), at(0.99));
        format!(
            "{way}|{kind}|{count}|{}|{median}|{p90}|{p99}|{most}",
            self.lost
        )
    }
}

/// Plays `rounds` notes through each way, one after the other, with a step before each round
/// if there is one; gives a line for each way and kind.
pub fn measure(
    ports: &mut dyn Ports,
    ways: &[Way],
    rounds: usize,
    step: Option<(&PortName, &[u8])>,
) -> Result<Vec<String>, String> {
    let mut readings: Vec<[Reading; 2]> = ways.iter().map(|_| Default::default()).collect();
    for _ in 0..rounds {
        if let Some((port, bytes)) = step {
            ports.at(port)?.send(bytes, PATIENCE)?;
            thread::sleep(STEP_PAUSE);
        }
        for (way, reading) in ways.iter().zip(&mut readings) {
            let kinds = [(&way.on, NOTE_ON), (&way.off, NOTE_OFF)];
            for ((bytes, status), reading) in kinds.into_iter().zip(reading) {
                reading.add(one(ports, way, bytes, status)?);
                thread::sleep(NOTE_PAUSE);
            }
        }
    }
    let lines = ways.iter().zip(&mut readings).flat_map(|(way, [on, off])| {
        [on.line(&way.name, "note-on"), off.line(&way.name, "note-off")]
    });
    Ok(lines.collect())
}

/// From the sending until the last of the way's messages has arrived; none if it does not.
fn one(
    ports: &mut dyn Ports,
    way: &Way,
    bytes: &[u8],
    status: u8,
) -> Result<Option<Duration>, String> {
    ports.at(&way.to)?.skip();
    let start = Instant::now();
    ports.at(&way.from)?.send(bytes, PATIENCE)?;
    let deadline = start + LOST_AFTER;
    let mut left = way.count;
    while left > 0 {
        let Some((time, message)) = ports.at(&way.to)?.next_with_time(deadline) else {
            return Ok(None);
        };
        if message.first().is_some_and(|first| first & 0xf0 == status) {
            left -= 1;
            if left == 0 {
                return Ok(Some(time.saturating_duration_since(start)));
            }
        }
    }
    Ok(None)
}

/// Bytes that a device plays again and again while something else is measured.
pub struct Flood {
    is_over: Arc<AtomicBool>,
    thread: thread::JoinHandle<usize>,
}

impl Flood {
    /// Begins to play; what the kernel does not take at once is left out.
    pub fn begin(port: &Port, bytes: Vec<u8>, every: Duration) -> Result<Self, String> {
        let output = port.second_output()?;
        let is_over = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&is_over);
        let thread = thread::spawn(move || {
            let mut played = 0;
            while !ends.load(Ordering::Relaxed) {
                played += usize::from(output.play(&bytes));
                thread::sleep(every);
            }
            played
        });
        Ok(Self { is_over, thread })
    }

    /// Ends it; how often the bytes were played.
    pub fn end(self) -> usize {
        self.is_over.store(true, Ordering::Relaxed);
        self.thread.join().unwrap_or(0)
    }
}

const NOTE_ON: u8 = 0x90;
const NOTE_OFF: u8 = 0x80;
/// A message that has not come by then is lost.
const LOST_AFTER: Duration = Duration::from_secs(2);
const PATIENCE: Duration = Duration::from_secs(2);
/// Between two messages, so that each meets a rig at rest.
const NOTE_PAUSE: Duration = Duration::from_millis(4);
/// Longer than the bounce of a pedal.
const STEP_PAUSE: Duration = Duration::from_millis(60);
