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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::load;
    use crate::engine::Engine;
    use crate::engine::input::{Command, Input, Outbox};
    use crate::engine::view::View;
    use crate::ports::open_model;

    /// What the playing thread makes of a book, by turns; after the last it takes it.
    type Answers = Vec<SwapError>;

    /// A night whose second song is left out while an engine in rehearsal loops the first two
    /// places of the third; what the log was told, the night and the loop afterwards.
    fn skip_second_song(answers: Answers) -> (Vec<String>, bool, View, [u32; 2]) {
        let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
        let night = load::night(&loaded.show, Some(load::DEMO_NIGHT))
            .unwrap()
            .clone();
        let plan = plan::compile(&loaded.show, &night).unwrap();
        let book = Arc::new(plan.promptbook.clone());
        let starts = [1, 2].map(|song: usize| book.songs[song].positions.start);
        let editions = Editions::new(Arc::new(plan.sheet.clone()));
        let clock = crate::ports::Clock::start();
        let ear: crate::ports::ModelEar = Arc::new(|_, _: &[u8]| {});
        let ports = open_model(clock, &[], &ear).unwrap();
        let (line, change) = line(&editions, &ports.waker, &Arc::new(Shared::new(1)));
        let mut engine = Engine::new(Arc::clone(&book), PositionId(starts[1]));
        let mut out = Outbox::new();
        let looped = (PositionId(starts[1]), PositionId(starts[1] + 1));
        for command in [Command::Cues(false), Command::Loop(Some(looped))] {
            engine.handle(0, Input::Command(command), &mut out);
        }
        let playing = std::thread::spawn(move || answer(engine, change, answers));
        let first = night.order.iter().filter_map(|entry| match entry {
            crate::show::model::NightEntry::Song { call, .. } => Some(call.clone()),
            crate::show::model::NightEntry::Break { .. } => None,
        });
        let second = first.clone().nth(1).unwrap();
        let mut replanner = Replanner::new(loaded.show, night.clone(), (plan, book), line);
        replanner.take(&NightEdit::Skip(second));
        let is_as_before = *replanner.tonight.night() == night;
        let said = editions
            .take_said()
            .into_iter()
            .map(|(_, words)| words)
            .collect();
        drop(replanner);
        (said, is_as_before, playing.join().unwrap(), starts)
    }

    /// The playing thread, until the other end is gone.
    fn answer(mut engine: Engine, mut change: Change, answers: Answers) -> View {
        let mut answers = answers.into_iter();
        let mut out = Outbox::new();
        while !change.asks.is_abandoned() {
            let answer = match change.asks.pop() {
                Ok(Ask::Look(mut live)) => {
                    engine.live(&mut live);
                    Answer::Live(live)
                }
                Ok(Ask::Take(mut swap)) => match answers.next() {
                    Some(error) => Answer::Refused(swap, error),
                    None => match engine.take_book(0, &mut swap, &mut out) {
                        Ok(()) => Answer::Taken(swap),
                        Err(error) => Answer::Refused(swap, error),
                    },
                },
                Err(_) => {
                    std::thread::sleep(Duration::from_millis(1));
                    continue;
                }
            };
            assert!(change.answers.push(answer).is_ok());
        }
        let mut view = View::default();
        engine.view(&mut view);
        view
    }

    #[test]
    fn a_change_is_taken_and_the_loop_stays_with_its_scenes() {
        let (said, is_as_before, view, [second, third]) = skip_second_song(Vec::new());
        assert_eq!(said, Vec::<String>::new());
        assert!(!is_as_before);
        assert_eq!(view.edition, 1);
        assert_eq!(view.position, PositionId(second), "the song before is gone");
        let looped = (PositionId(second), PositionId(second + 1));
        assert_eq!(view.stretch, Some(looped), "it was at {third}");
    }

    #[test]
    fn where_the_show_moved_on_the_change_is_planned_again() {
        let moved = SwapError::Moved(PositionId(0));
        let (said, is_as_before, view, _) = skip_second_song(vec![moved, moved]);
        assert_eq!((said, is_as_before, view.edition), (Vec::new(), false, 1));
    }

    #[test]
    fn a_change_that_is_refused_leaves_the_night_as_it_was_and_says_so() {
        let (said, is_as_before, view, _) = skip_second_song(vec![SwapError::Stale]);
        assert!(is_as_before, "a second key would take back what never was");
        assert_eq!(view.edition, 0);
        let [words] = &said[..] else {
            panic!("{said:?}");
        };
        assert!(words.starts_with("night not changed (song "), "{words}");
        assert!(words.ends_with(&SwapError::Stale.to_string()), "{words}");
    }
}
