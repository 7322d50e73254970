//! The thread `key pedals`: hears of plugging and unplugging, keeps what the rig names grabbed,
//! and reads it.

use std::mem::MaybeUninit;
use std::os::fd::OwnedFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::fs::inotify;

use super::super::clock::Clock;
use super::super::endpoint::Medium;
use super::super::error::OpenError;
use super::super::hotplug::{Patchbay, StatusBoard};
use super::super::intake::Incoming;
use super::super::matching::PortWanted;
use super::super::realtime::{SENDER_PRIORITY, try_priority};
use super::hands::{FOLDER, Hands};

/// Takes what the rig names and is there, then starts the thread that keeps it so. Without a
/// port of that kind nothing is done.
///
/// `tell` says `false` if there is no room.
///
/// # Errors
/// If the system has no threads left.
pub(in super::super) fn start(
    clock: Clock,
    wanted: &[PortWanted],
    board: &StatusBoard,
    tell: impl FnMut(Incoming) -> bool + Send + 'static,
    is_over: &Arc<AtomicBool>,
) -> Result<(), OpenError> {
    if !wanted.iter().any(|port| port.medium == Medium::Keys) {
        return Ok(());
    }
    let mut keeper = Keeper {
        patchbay: Patchbay::new(wanted.to_vec(), board.clone(), Medium::Keys),
        hands: Hands::new(),
        news: News::open(),
        teller: Teller {
            tell,
            is_lossy: vec![false; wanted.len()],
        },
        clock,
        look_us: 0,
    };
    // The first scan comes before others look at what is there.
    keeper.look();
    let is_over = Arc::clone(is_over);
    std::thread::Builder::new()
        .name("key pedals".to_owned())
        .spawn(move || {
            // A pedal is as urgent as the sender threads; without the right to it, it runs at
            // normal priority.
            let _ = try_priority(SENDER_PRIORITY);
            while !is_over.load(Ordering::Acquire) {
                keeper.turn();
            }
        })
        .map_err(|error| OpenError::System(error.raw_os_error().unwrap_or_default()))?;
    Ok(())
}

struct Keeper<T> {
    patchbay: Patchbay,
    hands: Hands,
    news: News,
    teller: Teller<T>,
    clock: Clock,
    /// When everything is scanned again, in µs.
    look_us: u64,
}

impl<T: FnMut(Incoming) -> bool> Keeper<T> {
    /// Waits for keys, news of devices or the time of the next scan, and handles them.
    fn turn(&mut self) {
        self.wait();
        let has_news = self.news.take();
        let Self { hands, teller, .. } = self;
        let is_any_gone = hands.read(&mut |port, key, is_down| {
            teller.key(
                port,
                Incoming::Message {
                    port,
                    message: key.message(is_down),
                    at_us: 0,
                },
            );
        });
        self.teller.tell_losses();
        if has_news || is_any_gone || self.clock.now_us() >= self.look_us {
            self.look();
        }
    }

    /// A wait that ends early only causes one scan too many.
    fn wait(&self) {
        let wait_us = self.look_us.saturating_sub(self.clock.now_us());
        let timeout = Timespec {
            tv_sec: i64::try_from(wait_us / 1_000_000).unwrap_or_default(),
            tv_nsec: i64::try_from(wait_us % 1_000_000 * 1_000).unwrap_or_default(),
        };
        let hands = self.hands.fds();
        let mut fds: Vec<PollFd<'_>> = self
            .news
            .fd
            .iter()
            .map(|fd| PollFd::new(fd, PollFlags::IN))
            .chain(hands.map(|fd| PollFd::from_borrowed_fd(fd, PollFlags::IN)))
            .collect();
        let _ = poll(&mut fds, Some(&timeout));
    }

    fn look(&mut self) {
        self.news.listen();
        let tell = &mut self.teller.tell;
        self.patchbay.reconcile(&mut self.hands, tell);
        self.look_us = self.clock.now_us() + LOOK_US;
    }
}

/// Reports to the playing thread, and remembers losses.
struct Teller<T> {
    tell: T,
    /// Ports that lost keys, until the loss is reported.
    is_lossy: Vec<bool>,
}

impl<T: FnMut(Incoming) -> bool> Teller<T> {
    fn key(&mut self, port: usize, incoming: Incoming) {
        let Some(is_lossy) = self.is_lossy.get_mut(port) else {
            return;
        };
        // After a loss nothing more of that port is queued until the loss itself is reported.
        *is_lossy = *is_lossy || !(self.tell)(incoming);
    }

    fn tell_losses(&mut self) {
        for (port, is_lossy) in self.is_lossy.iter_mut().enumerate() {
            *is_lossy = *is_lossy && !(self.tell)(Incoming::Overflow(port));
        }
    }
}

/// News from the kernel about new devices: their files, and who may read them, which is settled
/// a moment later.
struct News {
    fd: Option<OwnedFd>,
    is_listening: bool,
}

impl News {
    /// Without the watch everything is still scanned once a second.
    fn open() -> Self {
        let flags = inotify::CreateFlags::NONBLOCK | inotify::CreateFlags::CLOEXEC;
        Self {
            fd: inotify::init(flags).ok(),
            is_listening: false,
        }
    }

    /// The folder may come with the first device that is plugged in.
    fn listen(&mut self) {
        let Some(fd) = self.fd.as_ref().filter(|_| !self.is_listening) else {
            return;
        };
        let flags =
            inotify::WatchFlags::CREATE | inotify::WatchFlags::ATTRIB | inotify::WatchFlags::DELETE;
        self.is_listening = inotify::add_watch(fd, FOLDER, flags).is_ok();
    }

    /// Takes out all news; returns whether there was any.
    fn take(&self) -> bool {
        let Some(fd) = &self.fd else {
            return false;
        };
        let mut buffer = [const { MaybeUninit::uninit() }; NEWS_BYTES];
        let mut reader = inotify::Reader::new(fd, &mut buffer);
        let mut has_any = false;
        while reader.next().is_ok() {
            has_any = true;
        }
        has_any
    }
}

/// Everything is scanned after this time without news, and what could not be taken is tried
/// again.
const LOOK_US: u64 = 1_000_000;

/// Room for some twenty pieces of news at once; the rest is taken out by the next read.
const NEWS_BYTES: usize = 1_024;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::KeyCode;
    use std::cell::RefCell;

    fn press(port: usize, is_down: bool) -> Incoming {
        let key = KeyCode::named("PageDown").expect("a key");
        Incoming::Message {
            port,
            message: key.message(is_down),
            at_us: 0,
        }
    }

    /// A queue that is full for a while: the loss is reported once, before anything else of
    /// that port.
    #[test]
    fn a_loss_is_told_before_what_follows_it() {
        let room = RefCell::new(1_usize);
        let told = RefCell::new(Vec::new());
        let mut teller = Teller {
            tell: |incoming| {
                let has_room = *room.borrow() > 0;
                if has_room {
                    *room.borrow_mut() -= 1;
                    told.borrow_mut().push(incoming);
                }
                has_room
            },
            is_lossy: vec![false; 2],
        };
        for is_down in [true, false, true] {
            teller.key(1, press(1, is_down));
        }
        teller.tell_losses();
        *room.borrow_mut() = 9;
        teller.key(1, press(1, false));
        teller.key(0, press(0, true));
        teller.tell_losses();
        teller.tell_losses();
        teller.key(1, press(1, true));
        let expected = [
            press(1, true),
            press(0, true),
            Incoming::Overflow(1),
            press(1, true),
        ];
        assert_eq!(*told.borrow(), expected);
    }
}
