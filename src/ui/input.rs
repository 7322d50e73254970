//! The thread that reads the terminal: events into a bounded queue, and the end of the
//! terminal noticed.
//!
//! It waits on standard input itself and asks the terminal library only when there is
//! something to read. The library's own wait never returns once the terminal is gone and
//! takes a whole core (seen with version 0.29); ours sees the hang-up and leaves.

use crossterm::event::{self, Event};
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, TrySendError, sync_channel};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Events that may wait for the drawing loop. Past it the newest is dropped and counted;
/// the loop then lets all keyboard notes go, since a release may be lost.
pub const MAX_EVENTS: usize = 256;

/// Length of one wait, and so the longest delay of a resize and of the thread's end.
const WAIT: Duration = Duration::from_millis(40);

/// Time given to one poll of the terminal library: given none it does not poll.
const LOOK: Duration = Duration::from_millis(1);

/// Empty waits after a key that are still followed by a poll. The library reads several keys at
/// once and hands the rest out at later polls. A poll that loses its time to another process
/// finds none of them, and standard input is empty by then: without more polls they would wait
/// for the next key (seen on a loaded machine).
const LOOKS_AFTER_A_KEY: u32 = 5;

/// In longer silence one wait of this many is followed by a poll: one a second.
const QUIET_WAITS_TO_A_LOOK: u32 = 25;

/// How long the end of the thread is waited for. Half a key sequence leaves it in a read that
/// only the next key ends; the thread is then left behind.
const LAST_WAIT: Duration = Duration::from_millis(500);

/// What the thread reports.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Told {
    /// An event of the terminal.
    Event(Event),
    /// The terminal is gone.
    HangUp,
}

/// The running thread. Dropping it asks the thread to end and waits for it, not for long.
pub struct InputThread {
    told: Receiver<Told>,
    shared: Arc<Shared>,
    thread: JoinHandle<()>,
}

#[derive(Default)]
struct Shared {
    is_over: AtomicBool,
    lost: AtomicU64,
}

impl InputThread {
    /// Starts reading the terminal.
    ///
    /// # Errors
    /// If the thread cannot be started.
    pub fn start() -> io::Result<Self> {
        let (sender, told) = sync_channel(MAX_EVENTS);
        let shared = Arc::new(Shared::default());
        let theirs = Arc::clone(&shared);
        let builder = std::thread::Builder::new().name("terminal input".to_owned());
        let thread = builder.spawn(move || {
            if read(&sender, &theirs).is_err() {
                // A read error is the end of the terminal as much as a hang-up is. If the
                // queue is full the sender's end says the same.
                let _ = sender.try_send(Told::HangUp);
            }
        })?;
        Ok(Self {
            told,
            shared,
            thread,
        })
    }

    /// The next report, waiting at most `timeout`. A thread that ended reports `HangUp`.
    #[must_use]
    pub fn next(&self, timeout: Duration) -> Option<Told> {
        match self.told.recv_timeout(timeout) {
            Ok(told) => Some(told),
            Err(RecvTimeoutError::Timeout) => None,
            Err(RecvTimeoutError::Disconnected) => Some(Told::HangUp),
        }
    }

    /// Events dropped since the last call because the queue was full.
    #[must_use]
    pub fn take_lost(&self) -> u64 {
        self.shared.lost.swap(0, Ordering::AcqRel)
    }
}

impl Drop for InputThread {
    fn drop(&mut self) {
        self.shared.is_over.store(true, Ordering::Release);
        let until = Instant::now() + LAST_WAIT;
        while !self.thread.is_finished() {
            if Instant::now() >= until {
                return;
            }
            std::thread::sleep(LOOK);
        }
    }
}

fn read(sender: &SyncSender<Told>, shared: &Shared) -> io::Result<()> {
    let mut known_size = None;
    let mut looks = Looks::default();
    while !shared.is_over.load(Ordering::Acquire) {
        let wake = wait()?;
        // A resize comes by signal, not through standard input.
        let size = size();
        let is_new = matches!(wake, Wake::Ready) || size.is_none() || size != known_size;
        // The signal may reach the library later than the size reaches us, so the size is
        // reported here, and again when the library sees it. If the queue is full it is
        // reported the next time.
        let is_told = match (size, known_size) {
            (Some((width, height)), Some(known)) if (width, height) != known => {
                tell(sender, shared, Event::Resize(width, height))
            }
            _ => true,
        };
        if is_told {
            known_size = size;
        }
        if matches!(wake, Wake::Gone) {
            return Err(io::Error::from(io::ErrorKind::UnexpectedEof));
        }
        if !looks.is_due(is_new) {
            continue;
        }
        while event::poll(LOOK)? {
            tell(sender, shared, event::read()?);
        }
    }
    Ok(())
}

/// Decides when the library is polled. A poll that finds nothing keeps the processor busy for
/// its whole time, so most are left out while nothing is new.
#[derive(Default)]
struct Looks {
    /// Waits since the last one that found something new.
    quiet: u32,
}

impl Looks {
    /// Whether to poll after a wait; `is_new` says whether it found something.
    const fn is_due(&mut self, is_new: bool) -> bool {
        if is_new {
            self.quiet = 0;
            return true;
        }
        self.quiet = self.quiet.wrapping_add(1);
        self.quiet <= LOOKS_AFTER_A_KEY || self.quiet.is_multiple_of(QUIET_WAITS_TO_A_LOOK)
    }
}

/// Queues an event, or counts it as lost. Returns whether it was queued.
fn tell(sender: &SyncSender<Told>, shared: &Shared, event: Event) -> bool {
    match sender.try_send(Told::Event(event)) {
        Ok(()) => true,
        Err(TrySendError::Full(_)) => {
            shared.lost.fetch_add(1, Ordering::AcqRel);
            false
        }
        Err(TrySendError::Disconnected(_)) => {
            shared.is_over.store(true, Ordering::Release);
            false
        }
    }
}

/// How a wait ended.
enum Wake {
    Ready,
    Quiet,
    Gone,
}

/// Columns and rows of the terminal; none where that is not known.
#[cfg(unix)]
fn size() -> Option<(u16, u16)> {
    let size = rustix::termios::tcgetwinsize(io::stdin()).ok()?;
    Some((size.ws_col, size.ws_row))
}

#[cfg(not(unix))]
const fn size() -> Option<(u16, u16)> {
    None
}

#[cfg(unix)]
fn wait() -> io::Result<Wake> {
    use rustix::event::{PollFd, PollFlags, Timespec, poll};
    let stdin = io::stdin();
    let mut fds = [PollFd::new(&stdin, PollFlags::IN)];
    let timeout = Timespec::try_from(WAIT).map_err(|_| io::ErrorKind::InvalidInput)?;
    match poll(&mut fds, Some(&timeout)) {
        Err(rustix::io::Errno::INTR) | Ok(0) => return Ok(Wake::Quiet),
        Err(error) => return Err(error.into()),
        Ok(_) => {}
    }
    let [fd] = fds;
    let is_gone = fd
        .revents()
        .intersects(PollFlags::HUP | PollFlags::ERR | PollFlags::NVAL);
    Ok(if is_gone { Wake::Gone } else { Wake::Ready })
}

#[cfg(not(unix))]
fn wait() -> io::Result<Wake> {
    let is_ready = event::poll(WAIT)?;
    Ok(if is_ready { Wake::Ready } else { Wake::Quiet })
}

#[cfg(test)]
mod tests {
    use super::Looks;

    #[test]
    fn keys_that_a_look_missed_are_looked_for_again() {
        let mut looks = Looks::default();
        let waits = std::iter::once(true).chain(std::iter::repeat(false));
        let due: Vec<usize> = waits
            .take(80)
            .enumerate()
            .filter_map(|(wait, is_new)| looks.is_due(is_new).then_some(wait))
            .collect();
        assert_eq!(due, [0, 1, 2, 3, 4, 5, 25, 50, 75]);
        assert!(looks.is_due(true), "a new key is never left waiting");
        assert!(looks.is_due(false), "and what came with it neither");
    }
}
