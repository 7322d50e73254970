//! The thread that writes frames. A terminal that takes no bytes (a stalled connection, a
//! frozen window) holds up this thread alone: the drawing loop goes on to read keys and to
//! send commands, and leaves frames out until the one under way is written.

use std::io::{self, Write};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// The most frames under way. The next is drawn when there is none, from the state at that
/// time.
const FRAMES: usize = 1;

/// Pause between two checks whether the writer is done.
const LOOK: Duration = Duration::from_millis(1);

/// The running thread; it ends when this is dropped and its frame is written.
pub(super) struct FrameWriter {
    frames: SyncSender<Vec<u8>>,
    shared: Arc<Shared>,
}

#[derive(Default)]
struct Shared {
    is_busy: AtomicBool,
    error: Mutex<Option<io::Error>>,
}

impl FrameWriter {
    /// Starts the thread; it writes to standard output.
    ///
    /// # Errors
    /// If the thread cannot be started.
    pub(super) fn start() -> io::Result<Self> {
        let (frames, waiting) = sync_channel(FRAMES);
        let shared = Arc::new(Shared::default());
        let theirs = Arc::clone(&shared);
        let builder = std::thread::Builder::new().name("terminal output".to_owned());
        builder.spawn(move || write(&waiting, &theirs, &mut io::stdout()))?;
        Ok(Self { frames, shared })
    }

    /// Whether a frame is still being written.
    pub(super) fn is_busy(&self) -> bool {
        self.shared.is_busy.load(Ordering::Acquire)
    }

    /// Hands a frame over to be written in one piece. While one is under way, another must
    /// not be handed over: it would be lost.
    ///
    /// # Errors
    /// What went wrong with a frame before it; the terminal may be gone.
    pub(super) fn write(&self, frame: Vec<u8>) -> io::Result<()> {
        let error = &self.shared.error;
        if let Some(error) = error.lock().unwrap_or_else(PoisonError::into_inner).take() {
            return Err(error);
        }
        self.shared.is_busy.store(true, Ordering::Release);
        self.frames
            .try_send(frame)
            .map_err(|_| io::Error::other("the thread that writes frames is gone or busy"))
    }

    /// Waits until no frame is under way, at most `timeout`. Returns whether that is so.
    pub(super) fn rest(&self, timeout: Duration) -> bool {
        let until = Instant::now() + timeout;
        while self.is_busy() {
            if Instant::now() >= until {
                return false;
            }
            std::thread::sleep(LOOK);
        }
        true
    }
}

fn write(frames: &Receiver<Vec<u8>>, shared: &Shared, out: &mut impl Write) {
    for frame in frames {
        let written = out.write_all(&frame).and_then(|()| out.flush());
        if let Err(error) = written {
            *shared.error.lock().unwrap_or_else(PoisonError::into_inner) = Some(error);
        }
        shared.is_busy.store(false, Ordering::Release);
    }
}
