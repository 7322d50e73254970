//! The terminal as a guard: taken on entry, given back however the drawing ends.
//!
//! Only the thread that holds the guard restores the terminal, by dropping it: a panic
//! unwinds through it. A panic on any other thread must neither leave the alternate screen
//! under a drawing loop that is alive nor write a word on it; the hook hands such a panic
//! to whoever keeps records.

use super::frame_writer::FrameWriter;
use crossterm::event::{
    DisableBracketedPaste, DisableFocusChange, DisableMouseCapture, EnableFocusChange,
    EnableMouseCapture, KeyboardEnhancementFlags, PopKeyboardEnhancementFlags,
    PushKeyboardEnhancementFlags,
};
use crossterm::terminal::{
    BeginSynchronizedUpdate, EndSynchronizedUpdate, EnterAlternateScreen, LeaveAlternateScreen,
    disable_raw_mode, enable_raw_mode,
};
use crossterm::{cursor, execute, queue};
use ratatui::backend::{Backend, CrosstermBackend};
use ratatui::buffer::Buffer;
use ratatui::layout::Rect;
use std::io::{self, IsTerminal};
use std::marker::PhantomData;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

/// Bytes set aside for a frame: a whole one in full colour fits.
const FRAME_BYTES: usize = 256 * 1024;

/// How long the last frame is waited for at the end. A terminal that takes no bytes for so
/// long is left as it is: restoring it would wait for it too.
const LAST_WAIT: Duration = Duration::from_secs(1);

/// The largest part of a terminal that is drawn on; beyond it a terminal stays blank. A
/// terminal can claim any size, and two buffers of the largest would take all memory.
const MOST_COLUMNS: u16 = 1_000;
const MOST_ROWS: u16 = 400;

/// Whether some thread draws on the terminal now.
static IS_TAKEN: AtomicBool = AtomicBool::new(false);

/// Whether both standard input and output are terminals.
#[must_use]
pub fn is_terminal() -> bool {
    io::stdin().is_terminal() && io::stdout().is_terminal()
}

/// The terminal in raw mode on its alternate screen.
///
/// It stays on the thread that took it, so that the thread that draws also restores. Two
/// buffers are compared here rather than by the library's `Terminal`: that one asks for
/// the size at each frame, and prints on standard error when it is dropped after the
/// terminal is gone, which panics where standard error is that terminal.
pub struct TerminalGuard {
    writer: FrameWriter,
    shown: Buffer,
    next: Buffer,
    /// Whether the terminal is cleared before the next frame.
    is_new: bool,
    /// Whether to take or release the mouse with the next frame; None if nothing changes.
    mouse: Option<bool>,
    _stays_on_its_thread: PhantomData<*const ()>,
}

impl TerminalGuard {
    /// Takes the terminal.
    ///
    /// # Errors
    /// If standard input or output is no terminal, if it is taken already, or if it refuses.
    pub fn enter() -> io::Result<Self> {
        if !is_terminal() {
            return Err(io::Error::other(
                "standard input or output is not a terminal: use `--headless`",
            ));
        }
        if IS_TAKEN.swap(true, Ordering::AcqRel) {
            return Err(io::Error::other(
                "the terminal is taken by another screen: end that one first",
            ));
        }
        let writer =
            FrameWriter::start().inspect_err(|_| IS_TAKEN.store(false, Ordering::Release))?;
        let mut guard = Self {
            writer,
            shown: Buffer::default(),
            next: Buffer::default(),
            is_new: true,
            mouse: None,
            _stays_on_its_thread: PhantomData,
        };
        // From here on dropping the guard restores, also when one of these fails.
        enter_modes()?;
        // From the first poll on, the library hears of changes of size. The size is read after
        // it, so that no change is missed.
        crossterm::event::poll(Duration::ZERO)?;
        let (width, height) = crossterm::terminal::size()?;
        guard.resize(width, height);
        Ok(guard)
    }

    /// The terminal has a new size: it is cleared, and the next frame is drawn whole.
    pub fn resize(&mut self, width: u16, height: u16) {
        let area = Rect::new(0, 0, width.min(MOST_COLUMNS), height.min(MOST_ROWS));
        self.shown = Buffer::empty(area);
        self.next = Buffer::empty(area);
        self.is_new = true;
    }

    /// Where frames are drawn.
    #[must_use]
    pub const fn area(&self) -> Rect {
        self.next.area
    }

    /// Takes the mouse, or leaves it to the terminal, which then marks text with it. It takes
    /// effect with the next frame.
    pub const fn take_mouse(&mut self, is_taken: bool) {
        self.mouse = Some(is_taken);
    }

    /// Draws one frame: what differs from the last is written in one piece, and the
    /// terminal shows it whole or not yet. `false` if the frame before it is still being
    /// written: this one was left out.
    ///
    /// # Errors
    /// If the terminal cannot be written.
    pub fn draw(&mut self, render: impl FnOnce(Rect, &mut Buffer)) -> io::Result<bool> {
        if self.writer.is_busy() {
            return Ok(false);
        }
        self.next.reset();
        render(self.next.area, &mut self.next);
        let changed = self.shown.diff(&self.next);
        if changed.is_empty() && !self.is_new && self.mouse.is_none() {
            return Ok(true);
        }
        let mut frame = Vec::with_capacity(FRAME_BYTES);
        let mut backend = CrosstermBackend::new(&mut frame);
        queue!(backend, BeginSynchronizedUpdate)?;
        match self.mouse.take() {
            Some(true) => queue!(backend, EnableMouseCapture)?,
            Some(false) => queue!(backend, DisableMouseCapture)?,
            None => {}
        }
        if self.is_new {
            backend.clear()?;
        }
        backend.draw(changed.into_iter())?;
        queue!(backend, EndSynchronizedUpdate)?;
        self.writer.write(frame)?;
        self.is_new = false;
        std::mem::swap(&mut self.shown, &mut self.next);
        Ok(true)
    }
}

impl Drop for TerminalGuard {
    fn drop(&mut self) {
        // A frame still being written must not follow the restoring codes.
        if self.writer.rest(LAST_WAIT) {
            leave_modes();
        } else {
            let _ = disable_raw_mode();
        }
        IS_TAKEN.store(false, Ordering::Release);
    }
}

/// Sends the text of each panic to `record`. Nothing is printed while the terminal is
/// drawn on; at other times the hook that was there before runs too.
pub fn install_panic_hook(record: impl Fn(&str) + Send + Sync + 'static) {
    let before = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        let thread = std::thread::current();
        record(&format!(
            "thread `{}`: {info}",
            thread.name().unwrap_or("unnamed")
        ));
        if !IS_TAKEN.load(Ordering::Acquire) {
            before(info);
        }
    }));
}

fn enter_modes() -> io::Result<()> {
    enable_raw_mode()?;
    execute!(
        io::stdout(),
        EnterAlternateScreen,
        cursor::Hide,
        DisableBracketedPaste,
        EnableFocusChange,
        // Pushed without asking whether the terminal knows them: the question takes two
        // seconds where it does not, and the codes are then ignored. Alternate keys make
        // `?` and `!` arrive as themselves on every keyboard layout.
        PushKeyboardEnhancementFlags(
            KeyboardEnhancementFlags::DISAMBIGUATE_ESCAPE_CODES
                | KeyboardEnhancementFlags::REPORT_EVENT_TYPES
                | KeyboardEnhancementFlags::REPORT_ALL_KEYS_AS_ESCAPE_CODES
                | KeyboardEnhancementFlags::REPORT_ALTERNATE_KEYS
        )
    )
}

/// Undoes all modes. Each part is tried even if the one before failed: the terminal may be
/// gone.
fn leave_modes() {
    let _ = execute!(io::stdout(), PopKeyboardEnhancementFlags);
    let _ = execute!(
        io::stdout(),
        EndSynchronizedUpdate,
        DisableMouseCapture,
        DisableFocusChange,
        cursor::Show,
        LeaveAlternateScreen
    );
    let _ = disable_raw_mode();
}
