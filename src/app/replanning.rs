//! The thread that plans the night anew when it is changed.
//!
//! It makes the change, asks the playing thread what sounds, plans around that and hands the
//! result over; the book that was played comes back to be dropped here. A change that comes
//! while another is being planned goes in with it: the latest wins. If the show has moved on
//! meanwhile, it is planned again from there.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender, sync_channel};
use std::time::{Duration, Instant};

use super::driver::Shared;
use super::editions::Editions;
use super::tonight::Tonight;
use crate::engine::promptbook::{PositionId, Promptbook};
use crate::engine::swap::{Live, Swap, SwapError};
use crate::plan::{self, Given, Place, Plan};
use crate::ports::Waker;
use crate::screen::LogLevel;
use crate::show::model::{Night, Show};
use crate::ui::NightEdit;

/// Changes that may wait. When full, one more is refused and the log says so.
const EDIT_LIMIT: usize = 64;
/// Questions to the playing thread that may wait: there is one at a time.
const ASK_LIMIT: usize = 2;
/// Plans made for one change before it is given up: somebody steps faster than we plan.
const TRIES: usize = 20;
/// How long the playing thread may take to answer.
const PATIENCE: Duration = Duration::from_secs(2);
/// How often the thread looks whether the show has ended.
const TICK: Duration = Duration::from_millis(250);

/// What the playing thread is asked.
pub(super) enum Ask {
    /// What sounds?
    Look(Box<Live>),
    /// Take this book.
    Take(Box<Swap>),
}

/// What it answers; what came is always given back.
pub(super) enum Answer {
    /// What sounds.
    Live(Box<Live>),
    /// The book was taken; the old one is inside.
    Taken(Box<Swap>),
    /// It was not.
    Refused(Box<Swap>, SwapError),
}

/// What the thread works with.
pub(super) struct Replanner {
    show: Show,
    tonight: Tonight,
    /// The plan that is played, and its book as the engine has it.
    plan: Plan,
    book: Arc<Promptbook>,
    edition: u32,
    line: Line,
}

/// The thread's ends of what it shares with the others.
pub(super) struct Line {
    edits: Receiver<NightEdit>,
    asks: rtrb::Producer<Ask>,
    answers: rtrb::Consumer<Answer>,
    editions: Editions,
    waker: Waker,
    shared: Arc<Shared>,
}

/// The others' ends: changes from the screen; questions and answers of the playing thread.
pub(super) struct Change {
    pub(super) edits: SyncSender<NightEdit>,
    pub(super) asks: rtrb::Consumer<Ask>,
    pub(super) answers: rtrb::Producer<Answer>,
}

/// The queues to the thread and from it.
pub(super) fn line(editions: &Editions, waker: &Waker, shared: &Arc<Shared>) -> (Line, Change) {
    let (edit_sender, edits) = sync_channel(EDIT_LIMIT);
    let (asks, ask_receiver) = rtrb::RingBuffer::new(ASK_LIMIT);
    let (answer_sender, answers) = rtrb::RingBuffer::new(ASK_LIMIT);
    let line = Line {
        edits,
        asks,
        answers,
        editions: editions.clone(),
        waker: waker.clone(),
        shared: Arc::clone(shared),
    };
    let change = Change {
        edits: edit_sender,
        asks: ask_receiver,
        answers: answer_sender,
    };
    (line, change)
}

impl Replanner {
    /// For a night that is played by this plan, whose book the engine has.
    pub(super) fn new(
        show: Show,
        night: Night,
        (plan, book): (Plan, Arc<Promptbook>),
        line: Line,
    ) -> Self {
        Self {
            show,
            tonight: Tonight::new(night),
            plan,
            book,
            edition: 0,
            line,
        }
    }

    /// Plans changes until the show ends.
    pub(super) fn run(mut self) {
        while !self.is_over() {
            match self.line.edits.recv_timeout(TICK) {
                Ok(edit) => self.take(&edit),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => return,
            }
        }
    }

    fn is_over(&self) -> bool {
        self.line.shared.stop.load(Ordering::Acquire)
    }

    /// A change, and all that came with it.
    fn take(&mut self, first: &NightEdit) {
        let start = Instant::now();
        let before = self.tonight.clone();
        let mut words = Vec::new();
        self.apply(first, &mut words);
        for _ in 0..TRIES {
            while let Ok(edit) = self.line.edits.try_recv() {
                self.apply(&edit, &mut words);
            }
            if words.is_empty() || self.is_over() {
                return;
            }
            match self.hand_over(&words.join(", "), start) {
                Ok(true) => return,
                Ok(false) => {}
                Err(error) => {
                    self.refuse(before, &words, &error);
                    return;
                }
            }
        }
        self.refuse(before, &words, "the show moves on too fast; try again");
    }

    fn apply(&mut self, edit: &NightEdit, words: &mut Vec<String>) {
        match self.tonight.apply(edit) {
            Ok(done) => words.push(done),
            Err(error) => self
                .line
                .editions
                .say(LogLevel::Warning, format!("night not changed: {error}")),
        }
    }

    fn refuse(&mut self, before: Tonight, words: &[String], error: &str) {
        self.tonight = before;
        let words = words.join(", ");
        let words = format!("night not changed ({words}): {error}");
        self.line.editions.say(LogLevel::Warning, words);
    }

    /// Plans and hands over; `false` if something came in between and it is to be done again.
    fn hand_over(&mut self, words: &str, start: Instant) -> Result<bool, String> {
        let Answer::Live(live) = self.ask(Ask::Look(Box::default()))? else {
            return Err("the playing thread answered something else".into());
        };
        let given = Given {
            plan: &self.plan,
            live: &live,
            written: self.tonight.written(),
        };
        let replan = plan::replan(&self.show, self.tonight.night(), &given)
            .map_err(|error| error.to_string())?;
        let book = Arc::new(replan.plan.promptbook.clone());
        let swap = Swap::prepare(&self.book, Arc::clone(&book), live.position, replan.at)
            .map_err(|error| error.to_string())?
            .with_places(places(&self.plan, &replan.plan));
        let next = self.edition.wrapping_add(1);
        let took_ms = start.elapsed().as_millis();
        let sheet = Arc::new(replan.plan.sheet.clone());
        let words = format!("night changed: {words}; planned in {took_ms} ms");
        self.line.editions.put(next, sheet, words);
        match self.ask(Ask::Take(Box::new(swap)))? {
            Answer::Taken(old) => {
                drop(old);
                (self.plan, self.book, self.edition) = (replan.plan, book, next);
                Ok(true)
            }
            Answer::Refused(refused, error) => {
                drop(refused);
                let has_moved = matches!(error, SwapError::Moved(_));
                if has_moved {
                    Ok(false)
                } else {
                    Err(error.to_string())
                }
            }
            Answer::Live(_) => Err("the playing thread answered something else".into()),
        }
    }

    /// Asks the playing thread and waits for its answer.
    fn ask(&mut self, ask: Ask) -> Result<Answer, String> {
        let silent = || "the playing thread does not answer".to_owned();
        self.line.asks.push(ask).map_err(|_| silent())?;
        self.line.waker.wake();
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until && !self.is_over() {
            if let Ok(answer) = self.line.answers.pop() {
                return Ok(answer);
            }
            std::thread::sleep(Duration::from_micros(500));
        }
        Err(silent())
    }
}

/// Where each position of a plan is in another one, by its call number.
fn places(from: &Plan, to: &Plan) -> Box<[Option<PositionId>]> {
    let there: BTreeMap<&str, u32> = (0..)
        .zip(&to.places)
        .map(|(at, place)| (place.call.as_str(), at))
        .collect();
    let found = |place: &Place| there.get(place.call.as_str()).copied().map(PositionId);
    from.places.iter().map(found).collect()
}
