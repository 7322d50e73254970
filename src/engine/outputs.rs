//! An output port: whether anyone listens there, and what its line has still to carry.

use super::input::Urgency;
use super::view::Presence;

/// An output port at run time.
///
/// Messages are handed out only while it is listening. Times say when its line, which may be
/// slow, will have carried what was handed out: they never lie before the present once
/// something was handed out.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct OutputState {
    presence: Presence,
    /// It was there once, so a return is a return.
    was_lost: bool,
    /// When its receivers should have started.
    starts_until_us: u64,
    /// When all that was handed out for it will have left its line, at the earliest.
    line_free_us: u64,
    /// When what was played of it will have left.
    live_free_us: u64,
    /// When a movement may go out again, on a slow line.
    next_move_us: u64,
    /// Movements wait for it.
    has_moves: bool,
    /// The outbox refused something for it.
    is_flooded: bool,
    /// A panic came while nobody listened there: it is made up for.
    owes_silence: bool,
}

impl OutputState {
    /// How far the port can be trusted.
    pub(super) const fn presence(&self) -> Presence {
        self.presence
    }

    /// Whether what is sent to it reaches anyone.
    pub(super) const fn is_listening(&self) -> bool {
        matches!(self.presence, Presence::NotVerified | Presence::Verified)
    }

    /// When something is to be done about it.
    pub(super) fn deadline(&self, now_us: u64) -> Option<u64> {
        match self.presence {
            Presence::Starting => Some(self.starts_until_us),
            Presence::NotVerified | Presence::Verified if self.is_flooded => Some(now_us),
            Presence::NotVerified | Presence::Verified => {
                self.has_moves.then(|| self.moves_from_us().max(now_us))
            }
            Presence::Absent | Presence::Waiting => None,
        }
    }

    /// The port is gone. A panic that is owed to it stays so.
    pub(super) fn lose(&mut self) {
        *self = Self {
            presence: Presence::Absent,
            was_lost: true,
            owes_silence: self.owes_silence,
            ..Self::default()
        };
    }

    /// The port is there; true if its receivers listen at once. After a loss they start
    /// first, which takes `boot_us`.
    pub(super) fn find(&mut self, now_us: u64, boot_us: u64) -> bool {
        if self.presence != Presence::Absent {
            return false;
        }
        if self.was_lost {
            self.presence = Presence::Starting;
            self.starts_until_us = now_us.saturating_add(boot_us);
        }
        !self.was_lost
    }

    /// Something was heard from it; true if that says that a receiver has started.
    pub(super) fn hear_life(&mut self) -> bool {
        if self.presence == Presence::NotVerified {
            self.presence = Presence::Verified;
        }
        self.presence == Presence::Starting
    }

    /// Whether its receivers should have started by now.
    pub(super) fn has_started(&self, now_us: u64) -> bool {
        self.presence == Presence::Starting && self.starts_until_us <= now_us
    }

    /// Its receivers listen from now on. Says whether it was lost before, and whether a panic
    /// is owed to it, which is dealt with now.
    pub(super) fn listen(&mut self, presence: Presence) -> (bool, bool) {
        self.presence = presence;
        self.is_flooded = false;
        (self.was_lost, std::mem::take(&mut self.owes_silence))
    }

    /// A panic could not reach it.
    pub(super) const fn owe_silence(&mut self) {
        self.owes_silence = true;
    }

    /// The outbox refused something for it.
    pub(super) const fn flood(&mut self) {
        self.is_flooded = true;
    }

    /// Whether the outbox refused something for it; once.
    pub(super) const fn take_flood(&mut self) -> bool {
        std::mem::replace(&mut self.is_flooded, false)
    }

    /// When all that was handed out will have left its line.
    pub(super) const fn line_free_us(&self) -> u64 {
        self.line_free_us
    }

    /// Something was handed out that takes `cost_us` on its line.
    pub(super) fn book(&mut self, now_us: u64, cost_us: u64, urgency: Urgency) {
        self.line_free_us = self.line_free_us.max(now_us).saturating_add(cost_us);
        if urgency == Urgency::Live {
            self.live_free_us = self.live_free_us.max(now_us).saturating_add(cost_us);
        }
    }

    /// What was handed out was refused further on: it keeps no line busy.
    pub(super) const fn reopen(&mut self, now_us: u64) {
        self.line_free_us = now_us;
    }

    /// Its line has nothing left to carry.
    pub(super) const fn free_line(&mut self) {
        self.line_free_us = 0;
        self.live_free_us = 0;
    }

    /// From when a movement may go out: after what is played, and after the share of the line
    /// that the last movement took.
    pub(super) fn moves_from_us(&self) -> u64 {
        self.next_move_us.max(self.live_free_us)
    }

    /// A movement went out; none may before this time.
    pub(super) const fn rest_moves(&mut self, until_us: u64) {
        self.next_move_us = until_us;
    }

    /// A movement waits for its turn.
    pub(super) const fn expect_moves(&mut self) {
        self.has_moves = true;
    }

    /// Whether movements wait for their turn.
    pub(super) const fn has_moves(&self) -> bool {
        self.has_moves
    }

    /// Whether movements waited; from now on none does.
    pub(super) const fn take_moves(&mut self) -> bool {
        std::mem::replace(&mut self.has_moves, false)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_listens_at_once_the_first_time_and_after_its_boot_time_when_it_returns() {
        let mut port = OutputState::default();
        assert!(port.find(0, 500));
        assert_eq!(port.listen(Presence::NotVerified), (false, false));
        assert!(port.is_listening() && !port.find(1, 500));
        port.lose();
        port.owe_silence();
        assert!(!port.is_listening() && !port.find(1_000, 500));
        assert_eq!(port.deadline(1_000), Some(1_500));
        assert!(!port.has_started(1_499) && port.has_started(1_500));
        assert!(
            port.hear_life(),
            "whatever is heard says that it has started"
        );
        assert_eq!(port.listen(Presence::Verified), (true, true));
        assert_eq!(port.listen(Presence::Verified), (true, false));
    }

    #[test]
    fn movements_wait_for_what_is_played_and_for_their_share_of_the_line() {
        let mut port = OutputState::default();
        port.listen(Presence::NotVerified);
        port.book(100, 960, Urgency::Changeover);
        assert_eq!((port.line_free_us(), port.moves_from_us()), (1_060, 0));
        port.book(100, 960, Urgency::Live);
        assert_eq!((port.line_free_us(), port.moves_from_us()), (2_020, 1_060));
        port.rest_moves(1_500);
        port.expect_moves();
        assert_eq!(port.deadline(100), Some(1_500));
        assert!(port.take_moves() && !port.has_moves());
        port.flood();
        assert_eq!(port.deadline(100), Some(100));
        assert!(port.take_flood() && !port.take_flood());
    }
}
