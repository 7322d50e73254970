//! The patch of a slot while it loads.

use crate::engine::input::Urgency;

/// When a slot's last program change leaves its line, and until when its patch loads.
///
/// A load ends no earlier than its program change has left plus the time that the patch
/// takes: what delays the one delays the other.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::engine) struct Load {
    leaves_us: u64,
    /// What is more urgent than the program change leaves before it.
    urgency: Urgency,
    until_us: Option<u64>,
}

impl Load {
    /// No program change was sent.
    pub(in crate::engine) const NONE: Self = Self {
        leaves_us: 0,
        urgency: Urgency::Changeover,
        until_us: None,
    };

    /// Whether the patch is loading.
    pub(in crate::engine) const fn is_loading(&self) -> bool {
        self.until_us.is_some()
    }

    /// When the patch has loaded; none if nothing loads.
    pub(in crate::engine) const fn until_us(&self) -> Option<u64> {
        self.until_us
    }

    /// When the last program change has left the line, at the earliest; now, if it has.
    pub(in crate::engine) fn leaves_us(&self, now_us: u64) -> u64 {
        self.leaves_us.max(now_us)
    }

    /// A program change was handed out, and leaves the line at `leaves_us`.
    pub(in crate::engine) const fn program_sent(&mut self, leaves_us: u64, urgency: Urgency) {
        self.leaves_us = leaves_us;
        self.urgency = urgency;
    }

    /// The patch of the program change that was sent last takes `load_us`; 0 is no time.
    pub(in crate::engine) fn begin(&mut self, now_us: u64, load_us: u64) {
        let from_us = self.leaves_us(now_us);
        self.until_us = (load_us > 0).then(|| from_us.saturating_add(load_us));
    }

    /// Whether the load is over and was not yet ended.
    pub(in crate::engine) fn is_due(&self, now_us: u64) -> bool {
        self.until_us.is_some_and(|until| until <= now_us)
    }

    /// Nothing loads any more.
    pub(in crate::engine) const fn end(&mut self) {
        self.until_us = None;
    }

    /// Whether a message of this urgency, handed out now to the same line, leaves before the
    /// program change.
    pub(in crate::engine) fn is_overtaken_by(&self, urgency: Urgency, now_us: u64) -> bool {
        self.leaves_us > now_us && urgency < self.urgency
    }

    /// The program change leaves only at `leaves_us`, and the patch has loaded so much later.
    pub(in crate::engine) fn delay_to(&mut self, leaves_us: u64) {
        let later_us = leaves_us.saturating_sub(self.leaves_us);
        self.leaves_us = leaves_us;
        self.until_us = self.until_us.map(|until| until.saturating_add(later_us));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_overtakes_a_program_change_delays_its_load_by_as_much() {
        let mut load = Load::NONE;
        load.program_sent(100, Urgency::Changeover);
        load.begin(0, 1_000);
        assert_eq!(load.until_us(), Some(1_100));
        assert!(load.is_overtaken_by(Urgency::Live, 50));
        assert!(!load.is_overtaken_by(Urgency::Changeover, 50));
        assert!(!load.is_overtaken_by(Urgency::Live, 100), "it has left");
        load.delay_to(130);
        assert_eq!((load.leaves_us(0), load.until_us()), (130, Some(1_130)));
        assert!(!load.is_due(1_129) && load.is_due(1_130));
        load.end();
        assert!(!load.is_loading() && !load.is_due(2_000));
    }

    #[test]
    fn a_patch_that_takes_no_time_does_not_load() {
        let mut load = Load::NONE;
        load.program_sent(100, Urgency::Prime);
        load.begin(0, 0);
        assert!(!load.is_loading());
    }
}
