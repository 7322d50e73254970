//! The live state machine, and the types it reads and shows. Pure and sans-IO.
//!
//! `Engine::handle(now, input, &mut outbox)`: time, messages and commands in, messages
//! out, one deadline (`next_deadline`) for the driver to wait on. No clock, no thread,
//! no lock; no allocation after `Engine::new`.
//!
//! `machine` keeps the order in which the parts act. Parts with fields of their own:
//!
//! - `table`: entries looked up by id; a miss is counted as a fault
//! - `note_table`: notes and the keys that own them
//! - `known`: what a slot is known to hold
//! - `slot`: a slot's load, level, pedals, what sounds, debts and fingers
//! - `outputs`: output ports, their presence and their lines
//! - `cue_notes`: notes that cues struck
//! - `echo`: what was sent and comes back
//! - `master`: the fade of everything
//! - `rescue`: what the technician set
//! - `spare` (`Wiring`): which of a receiver and its spare is played
//! - `foresight`: what a press would send, on a machine of its own
//!
//! Where several parts act together the methods are the machine's, by concern: `presses`
//! (pedals that are commands), `notes`, `held_back` (notes that wait for a patch), `pedals`,
//! `sources` (wheels, pressure, the foot), `mpe` with `members` and `mpe_set_up`, `touch`
//! (positions of named sources), `routes` with `routed`, `moves` (movements, thinned for slow
//! lines), `changeover`, `seats` (the choice of slots), `voicing` (the agenda of a slot),
//! `slots` (where messages leave), `loads`, `ramps`, `prime` (the next scene, loaded ahead),
//! `pages`, `ports` (loss and return), `local`, `silence`, `rehearsal`, `steps`, `swap`,
//! `checkpoint` and `publish` (the view).
#![deny(
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    clippy::disallowed_types
)]

pub mod checkpoint;
pub mod input;
pub mod limits;
pub mod promptbook;
pub mod rescue;
pub mod swap;
pub mod view;

mod changeover;
pub mod cue_notes;
mod echo;
mod fault;
mod foresight;
mod held_back;
mod known;
mod loads;
mod local;
mod machine;
mod master;
mod members;
mod moves;
mod mpe;
mod mpe_set_up;
mod note_table;
mod notes;
mod outputs;
mod pages;
mod pedals;
mod ports;
mod presses;
mod prime;
mod publish;
mod ramps;
mod rehearsal;
mod route_state;
mod route_tables;
mod route_way;
mod routed;
mod routes;
mod seats;
mod silence;
mod slot;
mod slots;
mod sources;
mod spare;
mod steps;
pub mod table;
mod touch;
mod voicing;

#[cfg(test)]
mod tests;

use std::sync::Arc;

use self::checkpoint::{Checkpoint, CheckpointError};
use self::foresight::Foresight;
use self::input::{Input, Outbox};
use self::machine::{Call, Machine};
use self::promptbook::{PositionId, Promptbook};
use self::view::View;

/// The show as it is being played.
///
/// Call `handle` for every input and when the time of `next_deadline` has come; send what
/// the outbox holds; publish `view`. The same calls give the same messages.
#[derive(Debug)]
pub struct Engine {
    book: Arc<Promptbook>,
    machine: Machine,
    /// Where the next step is tried out.
    foresight: Foresight,
    /// Counts the books that were taken.
    edition: u32,
}

impl Engine {
    /// A machine standing at `at` (or at the first position if there is no such place).
    ///
    /// Nothing is sent until an output port is there: the first `OutputReady` of a port
    /// sends the state of the position at once.
    #[must_use]
    pub fn new(book: impl Into<Arc<Promptbook>>, at: PositionId) -> Self {
        let book = book.into();
        let machine = Machine::new(&book, at);
        Self {
            foresight: Foresight::new(&book, at),
            book,
            machine,
            edition: 0,
        }
    }

    /// Takes one input at the time `now_us` (microseconds from any start; a time before the
    /// last one counts as the last one) and adds what follows from it to `out`.
    pub fn handle(&mut self, now_us: u64, input: Input, out: &mut Outbox) {
        let now_us = now_us.max(self.machine.now_us);
        let mut call = Call::new(&self.book, now_us, out);
        self.machine.handle(&mut call, input);
        if self.machine.priming.take_price_due() {
            let price = self.foresight.price(&self.book, &self.machine);
            self.machine.priming.set_next(price);
        }
    }

    /// When `handle` should be called with `Input::Tick` if nothing comes before.
    #[must_use]
    pub fn next_deadline(&self) -> Option<u64> {
        self.machine.next_deadline()
    }

    /// How many moves there were, and the last one.
    #[must_use]
    pub const fn moved(&self) -> (u64, Option<view::Move>) {
        (self.machine.counters.steps, self.machine.moved)
    }

    /// Fills `view` with what a screen needs.
    pub fn view(&self, view: &mut View) {
        view.edition = self.edition;
        self.machine.publish(&self.book, view);
    }

    /// What is being played.
    #[must_use]
    pub fn promptbook(&self) -> &Arc<Promptbook> {
        &self.book
    }

    /// What is needed to go on after a fault, or on another machine.
    #[must_use]
    pub fn checkpoint(&self) -> Checkpoint {
        let mut checkpoint = Checkpoint::default();
        self.keep_checkpoint(&mut checkpoint);
        checkpoint
    }

    /// Brings a checkpoint that this engine or its predecessor wrote up to date: what
    /// [`Engine::checkpoint`] gives, without writing the room of notes that are not there.
    pub fn keep_checkpoint(&self, checkpoint: &mut Checkpoint) {
        self.machine.keep_checkpoint(checkpoint);
    }

    /// Forgets everything and goes on from `checkpoint`, sending nothing: what the slots
    /// hold is unknown until a `Resend`, and the notes of the checkpoint sound until a
    /// `Panic`, a `ReleaseAll` or their own keys end them. Ports stay as they were.
    ///
    /// # Errors
    /// The checkpoint is of another version, or its position is not in this promptbook.
    pub fn restore(&mut self, checkpoint: &Checkpoint) -> Result<(), CheckpointError> {
        self.machine.restore(&self.book, checkpoint)
    }
}
