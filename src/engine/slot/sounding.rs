//! What sounds on a slot: notes that are held, and what rings after them.

/// How many notes a slot holds, and until when it rings.
///
/// The count is that of the notes in the table of notes which sound here. A slot is silent
/// when none is held and the ring of the last one is over.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::engine) struct Sounding {
    /// Notes that it holds, by key or pedal.
    notes: u16,
    /// Until when it may ring, once it holds no notes.
    ring_until_us: u64,
    /// Until when something unknown may ring: what was ended after a loss or a flood. Nothing
    /// is loaded ahead before; the present scene does not wait for it.
    may_ring_until_us: u64,
    /// How long its sound rings.
    release_us: u64,
}

impl Sounding {
    /// Nothing sounds, and nothing ever did.
    pub(in crate::engine) const NOTHING: Self = Self {
        notes: 0,
        ring_until_us: 0,
        may_ring_until_us: 0,
        release_us: 0,
    };

    /// How many notes are held, by key or pedal.
    pub(in crate::engine) const fn notes(&self) -> u16 {
        self.notes
    }

    /// Whether a note is held, by key or pedal.
    pub(in crate::engine) const fn is_held(&self) -> bool {
        self.notes > 0
    }

    /// Whether nothing is heard: no note held and the ring over.
    pub(in crate::engine) const fn is_silent(&self, now_us: u64) -> bool {
        self.notes == 0 && self.ring_until_us <= now_us
    }

    /// Until when it rings, once no note is held.
    pub(in crate::engine) const fn ring_until_us(&self) -> u64 {
        self.ring_until_us
    }

    /// Until when something unknown may ring.
    pub(in crate::engine) const fn may_ring_until_us(&self) -> u64 {
        self.may_ring_until_us
    }

    /// How long its sound rings after the end of a note.
    pub(in crate::engine) const fn release_us(&self) -> u64 {
        self.release_us
    }

    /// Its sound rings so long from now on; what rings already is not touched.
    pub(in crate::engine) const fn set_release(&mut self, release_us: u64) {
        self.release_us = release_us;
    }

    /// A note is struck.
    pub(in crate::engine) const fn strike(&mut self) {
        self.notes = self.notes.saturating_add(1);
    }

    /// A note ends at `ends_us` and rings; false if none was held, which is a broken rule.
    pub(in crate::engine) fn end_note(&mut self, ends_us: u64) -> bool {
        let was_held = self.is_held();
        self.notes = self.notes.saturating_sub(1);
        self.ring_from(ends_us);
        was_held
    }

    /// Something sounds until `ends_us`, and rings after it.
    pub(in crate::engine) fn ring_from(&mut self, ends_us: u64) {
        let until_us = ends_us.saturating_add(self.release_us);
        self.ring_until_us = self.ring_until_us.max(until_us);
    }

    /// What rings is over at this time, whatever was said before.
    pub(in crate::engine) const fn set_ring(&mut self, until_us: u64) {
        self.ring_until_us = until_us;
    }

    /// Something unknown ended at `ends_us`, and may ring after it.
    pub(in crate::engine) fn may_ring_from(&mut self, ends_us: u64) {
        let until_us = ends_us.saturating_add(self.release_us);
        self.may_ring_until_us = self.may_ring_until_us.max(until_us);
    }

    /// Whatever sounded was ended now: something may ring as long as its own sound does, and
    /// at least `least_us`.
    pub(in crate::engine) fn end_unknown(&mut self, now_us: u64, least_us: u64) {
        let ring_us = self.release_us.max(least_us);
        self.may_ring_until_us = now_us.saturating_add(ring_us);
    }

    /// What sounds is beyond reach: nothing of it is held or rings here.
    pub(in crate::engine) const fn lose(&mut self) {
        self.notes = 0;
        self.ring_until_us = 0;
    }

    /// All is over by now. Which slot has been silent longest stays as it is.
    pub(in crate::engine) fn fall_silent(&mut self, now_us: u64) {
        self.notes = 0;
        self.ring_until_us = self.ring_until_us.min(now_us);
        self.may_ring_until_us = self.may_ring_until_us.min(now_us);
    }

    /// Two slots change their channels: what rings belongs to the channel, notes and their
    /// release to the sound.
    pub(in crate::engine) const fn exchange_rings(&mut self, other: &mut Self) {
        std::mem::swap(&mut self.ring_until_us, &mut other.ring_until_us);
        std::mem::swap(&mut self.may_ring_until_us, &mut other.may_ring_until_us);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slot_is_silent_when_its_last_note_has_rung_out() {
        let mut sounding = Sounding::NOTHING;
        sounding.set_release(500);
        sounding.strike();
        sounding.strike();
        assert!(sounding.end_note(1_000));
        assert!(!sounding.is_silent(2_000), "the other note is held");
        assert!(sounding.end_note(1_200));
        assert!(!sounding.is_silent(1_699) && sounding.is_silent(1_700));
        assert!(!sounding.end_note(1_800), "none was held");
    }

    #[test]
    fn rings_go_with_the_channel_and_notes_stay_with_the_sound() {
        let (mut one, mut other) = (Sounding::NOTHING, Sounding::NOTHING);
        one.strike();
        one.set_ring(70);
        other.end_unknown(5, 40);
        one.exchange_rings(&mut other);
        assert_eq!((one.notes(), one.ring_until_us()), (1, 0));
        assert_eq!((other.notes(), other.ring_until_us()), (0, 70));
        assert_eq!(one.may_ring_until_us(), 45);
    }
}
