//! What a slot is yet to be sent, once it is silent.

/// Why a slot will be sent to as soon as it is silent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::engine) enum Owed {
    /// It holds what it should.
    Nothing,
    /// What differs from the scene.
    Difference,
    /// The scene's sound: no zone plays it, so it waits for what still sounds here.
    Sound,
    /// Everything (a resend that spared a sounding slot).
    Everything,
}

/// What a slot is owed. A greater debt is never replaced by a difference.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::engine) struct Debts {
    owed: Owed,
    /// Its sound stays and what leads to it changed, so that a difference is one of its
    /// settings too.
    is_rerouted: bool,
    /// Messages to it were lost, a Note Off maybe among them: whatever else it is owed, it is
    /// quietened and sent everything once it holds no notes.
    is_doubtful: bool,
}

impl Debts {
    /// It holds what it should.
    pub(in crate::engine) const NONE: Self = Self {
        owed: Owed::Nothing,
        is_rerouted: false,
        is_doubtful: false,
    };

    /// What it is owed, apart from doubts.
    pub(in crate::engine) const fn owed(&self) -> Owed {
        self.owed
    }

    /// Whether it waits for anything.
    pub(in crate::engine) fn is_waiting(&self) -> bool {
        self.owed != Owed::Nothing || self.is_doubtful
    }

    /// Whether the scene's sound waits until the slot is silent.
    pub(in crate::engine) fn owes_sound(&self) -> bool {
        self.owed == Owed::Sound
    }

    /// Whether a resend waits until the slot is silent.
    pub(in crate::engine) fn owes_everything(&self) -> bool {
        self.owed == Owed::Everything
    }

    /// What differs from the scene is sent once the slot is silent, unless more than that is
    /// owed already.
    pub(in crate::engine) fn owe_difference(&mut self) {
        if self.owed == Owed::Nothing {
            self.owed = Owed::Difference;
        }
    }

    /// The scene's sound waits for silence.
    pub(in crate::engine) const fn owe_sound(&mut self) {
        self.owed = Owed::Sound;
    }

    /// The scene's sound does not wait any more.
    pub(in crate::engine) fn forgive_sound(&mut self) {
        if self.owed == Owed::Sound {
            self.owed = Owed::Nothing;
        }
    }

    /// Everything is sent once the slot is silent.
    pub(in crate::engine) const fn owe_everything(&mut self) {
        self.owed = Owed::Everything;
    }

    /// What was owed is paid, or not wanted any more; doubts stay.
    pub(in crate::engine) const fn take(&mut self) -> Owed {
        std::mem::replace(&mut self.owed, Owed::Nothing)
    }

    /// What leads to its sound changed: its settings are part of the next difference.
    pub(in crate::engine) const fn reroute(&mut self) {
        self.is_rerouted = true;
    }

    /// Whether what leads to its sound changed.
    pub(in crate::engine) const fn is_rerouted(&self) -> bool {
        self.is_rerouted
    }

    /// The same, and it is dealt with now.
    pub(in crate::engine) const fn take_rerouted(&mut self) -> bool {
        std::mem::replace(&mut self.is_rerouted, false)
    }

    /// Messages to it were lost while it sounds.
    pub(in crate::engine) const fn doubt(&mut self) {
        self.is_doubtful = true;
    }

    /// Whether messages to it were lost that were not made up for.
    pub(in crate::engine) const fn is_doubtful(&self) -> bool {
        self.is_doubtful
    }

    /// It was quietened: nothing lost sounds on.
    pub(in crate::engine) const fn clear_doubt(&mut self) {
        self.is_doubtful = false;
    }

    /// Its receiver is gone, and with it all that it was owed.
    pub(in crate::engine) const fn lose(&mut self) {
        self.owed = Owed::Nothing;
        self.is_doubtful = false;
    }

    /// Two slots change their channels: doubts belong to the channel.
    pub(in crate::engine) const fn exchange_doubts(&mut self, other: &mut Self) {
        std::mem::swap(&mut self.is_doubtful, &mut other.is_doubtful);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_difference_replaces_no_greater_debt() {
        let mut debts = Debts::NONE;
        debts.owe_everything();
        debts.owe_difference();
        debts.forgive_sound();
        assert_eq!(debts.take(), Owed::Everything);
        assert!(!debts.is_waiting());
        debts.owe_difference();
        assert_eq!(debts.take(), Owed::Difference);
    }

    #[test]
    fn a_doubt_outlasts_what_is_paid() {
        let mut debts = Debts::NONE;
        debts.owe_sound();
        debts.doubt();
        assert_eq!(debts.take(), Owed::Sound);
        assert!(debts.is_waiting() && debts.is_doubtful());
        debts.clear_doubt();
        assert!(!debts.is_waiting());
    }
}
