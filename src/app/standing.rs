//! What is wrong until it is mended, and stands on the stage and the wings as long.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// What can be wrong for a while; one line each, in this order.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Trouble {
    /// The place is not written down.
    Place,
    /// The log is not written down.
    Log,
}

/// The lines that stand, shared by the thread that knows them and the screen.
#[derive(Clone, Debug, Default)]
pub(super) struct Standing {
    lines: Arc<Mutex<BTreeMap<Trouble, String>>>,
}

impl Standing {
    /// Puts a line up, or another in its place; none takes it down. Whether that was news:
    /// something is wrong that was not, or is mended.
    pub(super) fn set(&self, trouble: Trouble, words: Option<String>) -> bool {
        let mut lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        let is_wrong = words.is_some();
        let was_wrong = match words {
            Some(words) => lines.insert(trouble, words),
            None => lines.remove(&trouble),
        };
        is_wrong != was_wrong.is_some()
    }

    /// The lines now.
    pub(super) fn read(&self) -> Vec<String> {
        let lines = self.lines.lock().unwrap_or_else(PoisonError::into_inner);
        lines.values().cloned().collect()
    }
}

/// What is not written for one and the same reason is one line: `place, events.log not
/// written: no space left`. A full disk must not push its own words off the row.
pub(super) fn joined(lines: Vec<String>) -> Vec<String> {
    const BETWEEN: &str = " not written: ";
    let mut out: Vec<String> = Vec::new();
    for line in lines {
        let alike = line.split_once(BETWEEN).and_then(|(what, reason)| {
            let same = |other: &&mut String| {
                other
                    .split_once(BETWEEN)
                    .is_some_and(|(_, known)| known == reason)
            };
            Some((what, out.iter_mut().find(same)?))
        });
        match alike {
            Some((what, known)) => {
                *known = known.replacen(BETWEEN, &format!(", {what}{BETWEEN}"), 1);
            }
            None => out.push(line),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_fails_for_one_reason_is_one_line() {
        let lines = [
            "place not written: disk full",
            "events.log not written: read-only",
            "recording not written: disk full",
            "2 errors in the show, see the log",
        ];
        assert_eq!(
            joined(lines.map(str::to_owned).into()),
            [
                "place, recording not written: disk full",
                "events.log not written: read-only",
                "2 errors in the show, see the log",
            ]
        );
    }
}
