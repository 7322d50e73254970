//! The far side of one MIDI port: what the device under the player's hands
//! sends, and what the instrument on the other end of the cable receives.

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use crate::midi::{Ledger, Message, Parser, hex};

/// One port of a device, seen from the device.
#[derive(Default)]
pub struct Port {
    inbox: Arc<Inbox>,
    output: Option<Output>,
    /// What was played, and when its playing began.
    sent: Vec<Chunk>,
}

/// Bytes that passed together.
pub type Chunk = (Instant, Vec<u8>);

impl Port {
    /// Plugged in: begins to listen at `input`; `output`, which must not block, plays.
    pub fn open(&mut self, input: File, output: File) {
        self.inbox.lock().parser = Parser::default();
        self.output = Some(Output(Arc::new(Mutex::new(output))));
        let inbox = Arc::clone(&self.inbox);
        thread::spawn(move || inbox.listen(input));
    }

    /// Unplugged: the reading thread ends by itself, since its device is gone.
    pub fn close(&mut self) {
        if let Some(output) = self.output.take() {
            // Closing waits up to 10 s for bytes that nobody fetched.
            thread::spawn(move || drop(output));
        }
    }

    /// Plays bytes, as fast as the other end takes them.
    pub fn send(&mut self, bytes: &[u8], within: Duration) -> Result<(), String> {
        let output = self.output.as_ref().ok_or("it is not plugged in")?;
        self.sent.push((Instant::now(), bytes.to_vec()));
        output.play_within(bytes, within)
    }

    /// All bytes that were played and that arrived, in this order.
    pub fn passed(&self) -> (Vec<Chunk>, Vec<Chunk>) {
        (self.sent.clone(), self.inbox.lock().chunks.clone())
    }

    /// Takes the next message; waits for it until the deadline.
    pub fn next(&self, deadline: Instant) -> Option<Message> {
        self.next_with_time(deadline).map(|(_, message)| message)
    }

    /// The same, with the time at which it arrived.
    pub fn next_with_time(&self, deadline: Instant) -> Option<(Instant, Message)> {
        let mut received = self
            .inbox
            .wait_until(deadline, |received| received.unread() > 0);
        let message = received.messages.get(received.read)?.clone();
        received.read += 1;
        Some(message)
    }

    /// Another hand on what it plays.
    pub fn second_output(&self) -> Result<Output, String> {
        let output = self.output.as_ref().ok_or("it is not plugged in")?;
        Ok(output.clone())
    }

    /// Passes over everything that has arrived.
    pub fn skip(&self) {
        let mut received = self.inbox.lock();
        received.read = received.messages.len();
    }

    /// Messages that arrived and were not taken.
    pub fn unread(&self) -> Vec<Message> {
        let received = self.inbox.lock();
        received.messages[received.read..]
            .iter()
            .map(|(_, message)| message.clone())
            .collect()
    }

    /// How many messages were taken.
    pub fn taken(&self) -> usize {
        self.inbox.lock().read
    }

    /// Waits until every note has had its off and every pedal is up; what is open
    /// if that never comes.
    pub fn balance(&self, deadline: Instant) -> Vec<String> {
        self.wait_for_nothing(deadline, |received| &received.balance)
    }

    /// Waits until nothing sounds, whatever ended it.
    pub fn silence(&self, deadline: Instant) -> Vec<String> {
        self.wait_for_nothing(deadline, |received| &received.sound)
    }

    fn wait_for_nothing(
        &self,
        deadline: Instant,
        ledger: impl Fn(&Received) -> &Ledger,
    ) -> Vec<String> {
        let is_empty = |received: &Received| ledger(received).open_items().is_empty();
        ledger(&self.inbox.wait_until(deadline, is_empty)).open_items()
    }

    /// The instrument was switched off: nothing sounds in it.
    pub fn power_off(&self) {
        let mut received = self.inbox.lock();
        received.balance = Ledger::default();
        received.sound = Ledger::default();
    }

    /// The last messages with the time since `start`, for the report of a failure.
    pub fn transcript(&self, start: Instant) -> Vec<String> {
        let received = self.inbox.lock();
        let first = received.messages.len().saturating_sub(TRANSCRIPT);
        received.messages[first..]
            .iter()
            .enumerate()
            .map(|(at, (time, message))| {
                let mark = if first + at < received.read { ' ' } else { '*' };
                let seconds = time.saturating_duration_since(start).as_secs_f64();
                format!(
                    "{mark}{:5} {seconds:8.3} s  {}",
                    first + at + 1,
                    hex(message)
                )
            })
            .collect()
    }
}

/// What a port plays. Hands that play it at once take turns, message by message: the kernel
/// does not keep apart what two threads write to one raw device (it reserves the room, gives up
/// its lock, and only then copies the bytes), so their messages would come out torn.
#[derive(Clone)]
pub struct Output(Arc<Mutex<File>>);

impl Output {
    /// Plays a message whole if there is room for its first byte; whether there was.
    pub fn play(&self, bytes: &[u8]) -> bool {
        let mut file = self.lock();
        // The rest of a message that has begun is waited for, or what comes next would tear it.
        matches!(file.write(bytes), Ok(count) if write_all(&mut file, &bytes[count..], REST_LIMIT).is_ok())
    }

    fn play_within(&self, bytes: &[u8], within: Duration) -> Result<(), String> {
        write_all(&mut self.lock(), bytes, within)
    }

    fn lock(&self) -> MutexGuard<'_, File> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Writes bytes, as fast as the other end takes them.
fn write_all(file: &mut File, bytes: &[u8], within: Duration) -> Result<(), String> {
    let deadline = Instant::now() + within;
    let mut rest = bytes;
    while !rest.is_empty() {
        match file.write(rest) {
            Ok(count) => rest = &rest[count..],
            Err(error) if error.kind() == ErrorKind::WouldBlock => {
                if Instant::now() > deadline {
                    return Err(format!("{} bytes were not taken in time", rest.len()));
                }
                thread::sleep(RETRY);
            }
            Err(error) => return Err(error.to_string()),
        }
    }
    Ok(())
}

/// What the reading thread fills and the case reads.
#[derive(Default)]
struct Inbox {
    received: Mutex<Received>,
    arrived: Condvar,
}

#[derive(Default)]
struct Received {
    parser: Parser,
    chunks: Vec<Chunk>,
    messages: Vec<(Instant, Message)>,
    read: usize,
    balance: Ledger,
    sound: Ledger,
}

impl Received {
    fn unread(&self) -> usize {
        self.messages.len() - self.read
    }
}

impl Inbox {
    fn lock(&self) -> MutexGuard<'_, Received> {
        self.received.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn listen(&self, mut input: File) {
        let mut buffer = [0; 4096];
        while let Ok(count @ 1..) = input.read(&mut buffer) {
            let now = Instant::now();
            let mut received = self.lock();
            received.chunks.push((now, buffer[..count].to_vec()));
            for &byte in &buffer[..count] {
                for message in received.parser.push(byte) {
                    received.balance.book(&message);
                    received.sound.book_rescue(&message);
                    received.messages.push((now, message));
                }
            }
            self.arrived.notify_all();
        }
    }

    /// Waits until `done`, or the deadline, whichever is first.
    fn wait_until(
        &self,
        deadline: Instant,
        done: impl Fn(&Received) -> bool,
    ) -> MutexGuard<'_, Received> {
        let left = deadline.saturating_duration_since(Instant::now());
        self.arrived
            .wait_timeout_while(self.lock(), left, |received| !done(received))
            .unwrap_or_else(PoisonError::into_inner)
            .0
    }
}

/// Messages of each port shown when a case fails.
const TRANSCRIPT: usize = 12;

/// How long the rest of a message that has begun is waited for.
const REST_LIMIT: Duration = Duration::from_secs(2);

/// How long a full output is left alone before it is tried again.
const RETRY: Duration = Duration::from_millis(1);
