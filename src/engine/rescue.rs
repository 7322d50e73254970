//! Rescue: what a technician does to one receiver, one note or one pedal while the show
//! goes on. Each says what it did ([`Deed`]).

use super::input::Urgency;
use super::limits::{MAX_CONTROLLERS, MAX_RECEIVERS};
use super::machine::{Call, Machine};
use super::notes::NEUTRAL_RELEASE;
use super::pedals::PEDALS;
use super::promptbook::{Action, ControllerId, PositionId, ReceiverId, SlotId};
use super::spare::main_of;
use crate::midi::{Key, Message, MpeZone, Value7};

/// A pedal that may be ignored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PedalId {
    /// Hold (0), sostenuto (1) or soft (2) of a controller.
    Held(ControllerId, u8),
    /// A pedal or button that is a command: its number among the promptbook's bindings,
    /// 0–63.
    Binding(u8),
}

/// What a command of the technician has come to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Deed {
    /// One receiver was silenced.
    Silenced(ReceiverId),
    /// The state was sent again: to one receiver or all, to so many slots; so many that
    /// sound follow when they are silent.
    Resent {
        /// Which receiver; none is all.
        receiver: Option<ReceiverId>,
        /// Slots that were sent it.
        sent: u8,
        /// Slots that sound, and are sent it later.
        waiting: u8,
    },
    /// A receiver takes no new notes, or takes them again.
    Muted(ReceiverId, bool),
    /// A note was ended: so many keys or pedals held it.
    Ended {
        /// On this slot.
        slot: SlotId,
        /// The key as sent.
        key: Key,
        /// How many held it; 0 if nobody that is known.
        owners: u16,
        /// Its slot's pedals were brought up too, since they held it.
        with_pedals: bool,
    },
    /// A pedal is ignored from now on, or counts again from its next movement.
    Ignored(PedalId, bool),
    /// Stepping pedals are locked, or free again.
    Locked(bool),
    /// Another receiver is played from now on; so many keys were struck anew there.
    TookOver {
        /// What was played before, and stands by now.
        from: ReceiverId,
        /// What is played now.
        to: ReceiverId,
        /// Keys that were down.
        notes: u16,
    },
    /// Steps go round these positions, or on again.
    Looped(Option<(PositionId, PositionId)>),
    /// The night was changed, and an end of the loop is in it no more, or the ends have
    /// changed places: steps go on.
    LoopLost,
    /// There is no loop where cues go out.
    NoLoop,
    /// There is no spare of this receiver.
    NoSpare(ReceiverId),
    /// This receiver was to take over and is not there: nothing was changed.
    SpareAbsent(ReceiverId),
    /// A surface has set up its MPE zone itself.
    Zone {
        /// Whose it is; none if the rig has no surface on that side.
        of: Option<ControllerId>,
        /// What it is from now on.
        zone: MpeZone,
        /// Whose zone gave way to it.
        cut: Option<ControllerId>,
    },
}

/// What the technician has set, and the last thing done.
///
/// It belongs to the session: steps, returns and other promptbooks leave it as it is. Each
/// thing done has a number of its own, so that a log misses none and repeats none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rescue {
    /// Receivers of the scenes that take no new notes.
    is_muted: [bool; MAX_RECEIVERS],
    /// Held pedals that are ignored.
    is_ignored: [[bool; 3]; MAX_CONTROLLERS],
    /// Bindings that are ignored, one bit each.
    ignored_bindings: u64,
    /// Pedals do not step.
    is_locked: bool,
    /// Receivers to which anything was sent since their port came.
    has_received: [bool; MAX_RECEIVERS],
    /// The number of the last deed, and it.
    deed: Option<(u64, Deed)>,
}

impl Rescue {
    /// Nothing is set.
    pub(super) const fn new() -> Self {
        Self {
            is_muted: [false; MAX_RECEIVERS],
            is_ignored: [[false; 3]; MAX_CONTROLLERS],
            ignored_bindings: 0,
            is_locked: false,
            has_received: [false; MAX_RECEIVERS],
            deed: None,
        }
    }

    /// Hold, sostenuto and soft of a controller: whether each is ignored.
    pub(super) fn ignored_pedals(&self, controller: usize) -> [bool; 3] {
        self.is_ignored.get(controller).copied().unwrap_or_default()
    }

    /// Pedals that are commands and are ignored: one bit for each binding, the first 64.
    pub(super) const fn ignored_bindings(&self) -> u64 {
        self.ignored_bindings
    }

    /// Whether pedals do not step.
    pub(super) const fn is_locked(&self) -> bool {
        self.is_locked
    }

    /// Whether a receiver of the scenes takes no new notes.
    pub(super) fn is_muted(&self, receiver: ReceiverId) -> bool {
        self.is_muted.get(receiver.index()).copied() == Some(true)
    }

    /// Whether anything was sent to a receiver since its port came.
    pub(super) fn has_received(&self, receiver: ReceiverId) -> bool {
        self.has_received.get(receiver.index()).copied() == Some(true)
    }

    /// The port of these receivers is gone: nothing of what was sent counts any more.
    pub(super) fn lose(&mut self, is_lost: impl Fn(ReceiverId) -> bool) {
        for (id, received) in (0u8..).map(ReceiverId).zip(&mut self.has_received) {
            *received &= !is_lost(id);
        }
    }

    /// The number of the last thing done, and it.
    pub(super) const fn last(&self) -> Option<(u64, Deed)> {
        self.deed
    }

    /// Notes a thing that was done, under the next number.
    fn report(&mut self, deed: Deed) {
        let count = self.deed.map_or(0, |(count, _)| count);
        self.deed = Some((count.wrapping_add(1), deed));
    }

    /// Whether a pedal of a controller is ignored.
    pub(super) fn ignores(&self, controller: ControllerId, pedal: usize) -> bool {
        let pedals = self.is_ignored.get(controller.index());
        pedals.and_then(|pedals| pedals.get(pedal)).copied() == Some(true)
    }

    /// Whether a binding is ignored.
    pub(super) fn ignores_binding(&self, index: usize) -> bool {
        let shift = u32::try_from(index).unwrap_or(u32::MAX);
        self.ignored_bindings.checked_shr(shift).unwrap_or(0) & 1 == 1
    }

    /// Whether a pedal that does this is locked.
    pub(super) const fn locks(&self, action: Action) -> bool {
        self.is_locked
            && matches!(
                action,
                Action::Step | Action::Back | Action::SongDown | Action::SongUp
            )
    }
}

impl Machine {
    /// Notes what was done, for the log.
    pub(super) fn report(&mut self, deed: Deed) {
        self.rescue.report(deed);
    }

    /// Whether a slot takes no new notes.
    pub(super) fn is_slot_muted(&self, call: &Call<'_>, slot: SlotId) -> bool {
        let entry = call.book.slots.get(slot.index());
        entry.is_some_and(|entry| self.rescue.is_muted(entry.receiver))
    }

    /// No new notes for a receiver and its spare, or notes again. What sounds ends as it is
    /// let go.
    pub(super) fn mute_one(&mut self, call: &Call<'_>, receiver: ReceiverId, is_muted: bool) {
        let main = main_of(call.book, receiver);
        if let Some(muted) = self.rescue.is_muted.get_mut(main.index()) {
            *muted = is_muted;
            self.report(Deed::Muted(receiver, is_muted));
        }
    }

    /// Ends one note whatever holds it. If pedals hold it they come up on its slot, until
    /// they are pressed afresh.
    pub(super) fn end_note(&mut self, call: &mut Call<'_>, wired: SlotId, key: Key) {
        let slot = self.wiring.slot_wired_to(wired);
        let is_meant = |note: &super::notes::Note| note.slot == slot && note.out_key == key;
        let owners = self.notes.iter().filter(|note| is_meant(note)).count();
        let is_down = self.slots.at(slot).pedals.any_down();
        self.forget_strikes(call, slot, key);
        self.end_notes(call, is_meant);
        if owners == 0 {
            // Nobody is known to hold it: the receiver may think otherwise.
            self.send(call, slot, Urgency::Live, |ch| {
                Message::NoteOff(ch, key, NEUTRAL_RELEASE)
            });
        }
        if is_down {
            self.lift_pedals(call, slot);
        }
        self.report(Deed::Ended {
            slot: wired,
            key,
            owners: u16::try_from(owners).unwrap_or(u16::MAX),
            with_pedals: is_down,
        });
    }

    /// Strikes of a key that still wait are played first, so that their end follows them.
    fn forget_strikes(&mut self, call: &mut Call<'_>, slot: SlotId, key: Key) {
        let waits = self
            .held_back
            .iter()
            .any(|item| item.slot == slot && item.key == key);
        if waits {
            self.release_held_back(call, slot);
        }
    }

    /// Pedals up on one slot; each controller's counts there from its next fresh press.
    fn lift_pedals(&mut self, call: &mut Call<'_>, slot: SlotId) {
        for pedal in 0..PEDALS.len() {
            let state = self.slots.at_mut(slot);
            state.pedals.unlink(pedal);
            self.sync_pedal(call, slot, pedal, Urgency::Live);
        }
    }

    /// A pedal is ignored, after it was brought up; or it counts again, from its next
    /// movement.
    pub(super) fn ignore_pedal(&mut self, call: &mut Call<'_>, pedal: PedalId, is_ignored: bool) {
        match pedal {
            PedalId::Held(controller, index) => {
                let index = usize::from(index);
                if index >= PEDALS.len() || controller.index() >= self.controllers.len() {
                    return;
                }
                if is_ignored {
                    self.move_pedal(call, controller, index, Value7::MIN);
                }
                let pedals = self.rescue.is_ignored.get_mut(controller.index());
                if let Some(known) = pedals.and_then(|pedals| pedals.get_mut(index)) {
                    *known = is_ignored;
                }
            }
            PedalId::Binding(index) => {
                let bit = 1u64.checked_shl(u32::from(index)).unwrap_or(0);
                if usize::from(index) >= call.book.bindings.len() || bit == 0 {
                    return;
                }
                if is_ignored {
                    self.rescue.ignored_bindings |= bit;
                } else {
                    self.rescue.ignored_bindings &= !bit;
                }
            }
        }
        self.report(Deed::Ignored(pedal, is_ignored));
    }

    /// The player's pedals do not step, or step again.
    pub(super) fn lock_pedals(&mut self, is_locked: bool) {
        self.rescue.is_locked = is_locked;
        self.report(Deed::Locked(is_locked));
    }

    /// How a resend to some or all receivers has gone.
    pub(super) fn report_resend(&mut self, call: &Call<'_>, receiver: Option<ReceiverId>) {
        let (mut sent, mut waiting) = (0_u8, 0_u8);
        for slot in self.slot_ids() {
            let device = self.device(call.book, slot);
            if receiver.is_some() && device != receiver || !self.slot_listens(call, slot) {
                continue;
            }
            let state = self.slots.at(slot);
            if state.debts.owes_everything() {
                waiting = waiting.saturating_add(1);
            } else if state.sound.is_some() {
                sent = sent.saturating_add(1);
            }
        }
        self.report(Deed::Resent {
            receiver,
            sent,
            waiting,
        });
    }

    /// Something went out to a receiver.
    pub(super) fn note_told(&mut self, receiver: Option<ReceiverId>) {
        let told = receiver.and_then(|receiver| self.rescue.has_received.get_mut(receiver.index()));
        if let Some(told) = told {
            *told = true;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_thing_done_has_a_number_of_its_own() {
        let mut rescue = Rescue::new();
        rescue.report(Deed::Locked(true));
        rescue.report(Deed::Locked(true));
        assert_eq!(rescue.last(), Some((2, Deed::Locked(true))));
    }

    #[test]
    fn what_is_locked_are_the_pedals_that_step() {
        let mut rescue = Rescue::new();
        assert!(!rescue.locks(Action::Step));
        rescue.is_locked = true;
        assert!(rescue.locks(Action::Step) && !rescue.locks(Action::Panic));
    }

    #[test]
    fn a_lost_port_takes_what_was_sent_with_it() {
        let mut rescue = Rescue::new();
        rescue.has_received = [true; MAX_RECEIVERS];
        rescue.lose(|receiver| receiver == ReceiverId(1));
        assert!(rescue.has_received(ReceiverId(0)) && !rescue.has_received(ReceiverId(1)));
        assert!(
            !rescue.has_received(ReceiverId(u8::MAX)),
            "no such receiver"
        );
    }
}
