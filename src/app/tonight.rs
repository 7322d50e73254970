//! Tonight's changes: skips, moves, transpositions, and taking them back.
//!
//! They live in memory: the night's file stays as it is, and after a kill the show comes
//! back at its position in the night as written.

use crate::show::model::{Night, NightEntry};
use crate::ui::NightEdit;

/// Changes that can be taken back; the oldest are forgotten.
const UNDO_LIMIT: usize = 64;
/// Semitones of a song's transposition tonight, either way: what a night's file may say.
const MOST_SEMITONES: i8 = 48;

/// The night as it is to be played.
#[derive(Clone, Debug)]
pub(super) struct Tonight {
    /// As the file has it.
    written: Night,
    night: Night,
    before: Vec<(Night, String)>,
}

impl Tonight {
    /// The night as its file has it.
    pub(super) fn new(written: Night) -> Self {
        Self {
            night: written.clone(),
            written,
            before: Vec::new(),
        }
    }

    /// The night as it was before any change.
    pub(super) const fn written(&self) -> &Night {
        &self.written
    }

    /// The night with all changes.
    pub(super) const fn night(&self) -> &Night {
        &self.night
    }

    /// Makes a change; what was done, in words.
    ///
    /// # Errors
    /// In words, if it cannot be done; nothing is changed then.
    pub(super) fn apply(&mut self, edit: &NightEdit) -> Result<String, String> {
        if *edit == NightEdit::Undo {
            let (night, words) = self.before.pop().ok_or("nothing to take back")?;
            self.night = night;
            return Ok(format!("taken back: {words}"));
        }
        let mut night = self.night.clone();
        let words = change(&mut night, edit)?;
        if self.before.len() == UNDO_LIMIT {
            self.before.remove(0);
        }
        let before = std::mem::replace(&mut self.night, night);
        self.before.push((before, words.clone()));
        Ok(words)
    }
}

fn change(night: &mut Night, edit: &NightEdit) -> Result<String, String> {
    match edit {
        NightEdit::Skip(call) => skip(night, call, true).map(|()| format!("song {call} skipped")),
        NightEdit::TakeIn(call) => {
            skip(night, call, false).map(|()| format!("song {call} taken in again"))
        }
        NightEdit::MoveUp(call) => {
            let at = place(night, call)?;
            let to = at.checked_sub(1);
            let to = to.ok_or_else(|| format!("song {call} is the first already"))?;
            night.order.swap(at, to);
            Ok(format!("song {call} moved up"))
        }
        NightEdit::MoveDown(call) => {
            let at = place(night, call)?;
            if at + 1 >= night.order.len() {
                return Err(format!("song {call} is the last already"));
            }
            night.order.swap(at, at + 1);
            Ok(format!("song {call} moved down"))
        }
        NightEdit::Transpose(call, by) => {
            let at = place(night, call)?;
            let Some(NightEntry::Song { transpose, .. }) = night.order.get_mut(at) else {
                return Err(unknown(call));
            };
            let moved = transpose.saturating_add(*by);
            if !(-MOST_SEMITONES..=MOST_SEMITONES).contains(&moved) {
                return Err(format!("song {call} is transposed as far as it goes"));
            }
            *transpose = moved;
            Ok(format!("song {call} transposed, {moved:+} tonight"))
        }
        NightEdit::Undo => Err("nothing to take back".into()),
    }
}

fn skip(night: &mut Night, call: &str, is_left_out: bool) -> Result<(), String> {
    let at = place(night, call)?;
    match night.order.get_mut(at) {
        Some(NightEntry::Song { is_skipped, .. }) if *is_skipped != is_left_out => {
            *is_skipped = is_left_out;
            Ok(())
        }
        Some(NightEntry::Song { .. }) => Err(format!("song {call} is so already")),
        _ => Err(unknown(call)),
    }
}

fn place(night: &Night, wanted: &str) -> Result<usize, String> {
    let is_it =
        |entry: &NightEntry| matches!(entry, NightEntry::Song { call, .. } if call == wanted);
    let at = night.order.iter().position(is_it);
    at.ok_or_else(|| unknown(wanted))
}

fn unknown(call: &str) -> String {
    format!("there is no song {call} tonight")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::load;

    fn tonight() -> Tonight {
        let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
        let night = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
        Tonight::new(night.clone())
    }

    fn calls(night: &Night) -> Vec<(&str, bool, i8)> {
        let song = |entry| match entry {
            &NightEntry::Song {
                ref call,
                is_skipped,
                transpose,
                ..
            } => Some((call.as_str(), is_skipped, transpose)),
            NightEntry::Break { .. } => None,
        };
        night.order.iter().filter_map(song).collect()
    }

    #[test]
    fn changes_are_made_and_taken_back_one_by_one() {
        let mut tonight = tonight();
        let start = tonight.night().clone();
        let before = calls(&start);
        let (first, second) = (before[0].0.to_owned(), before[1].0.to_owned());
        let edits = [
            NightEdit::Skip(second.clone()),
            NightEdit::MoveUp(second.clone()),
            NightEdit::Transpose(second.clone(), -2),
        ];
        for edit in &edits {
            tonight.apply(edit).unwrap();
        }
        let after = calls(tonight.night());
        assert_eq!(after[0], (second.as_str(), true, before[1].2 - 2));
        assert_eq!(after[1].0, first);
        let words = tonight.apply(&NightEdit::Undo).unwrap();
        assert!(words.starts_with("taken back: song "), "{words}");
        tonight.apply(&NightEdit::TakeIn(second)).unwrap();
        for _ in 0..3 {
            tonight.apply(&NightEdit::Undo).unwrap();
        }
        assert_eq!(*tonight.night(), start);
        assert!(tonight.apply(&NightEdit::Undo).is_err());
    }

    #[test]
    fn what_cannot_be_done_changes_nothing_and_says_why() {
        let mut tonight = tonight();
        let start = tonight.night().clone();
        let first = calls(&start)[0].0.to_owned();
        for (edit, words) in [
            (NightEdit::MoveUp(first.clone()), "is the first already"),
            (NightEdit::TakeIn(first), "is so already"),
            (
                NightEdit::Skip("nowhere".into()),
                "there is no song nowhere",
            ),
        ] {
            let error = tonight.apply(&edit).unwrap_err();
            assert!(error.contains(words), "{error}");
        }
        assert_eq!(*tonight.night(), start);
    }

    #[test]
    fn the_last_changes_are_taken_back_and_no_song_leaves_the_keys() {
        let mut tonight = tonight();
        let start = tonight.night().clone();
        let (first, written) = (calls(&start)[0].0.to_owned(), calls(&start)[0].2);
        let first_is = |tonight: &Tonight| calls(tonight.night())[0].2;
        let by = |semitones| NightEdit::Transpose(first.clone(), semitones);
        for _ in written..MOST_SEMITONES {
            tonight.apply(&by(1)).unwrap();
        }
        let error = tonight.apply(&by(1)).unwrap_err();
        assert!(error.contains("as far as it goes"), "{error}");
        assert_eq!(first_is(&tonight), MOST_SEMITONES);
        let steps = usize::try_from(MOST_SEMITONES - written).unwrap();
        for _ in steps..UNDO_LIMIT + 5 {
            tonight.apply(&by(-1)).unwrap();
        }
        for _ in 0..UNDO_LIMIT {
            tonight.apply(&NightEdit::Undo).unwrap();
        }
        assert!(tonight.apply(&NightEdit::Undo).is_err());
        assert_eq!(first_is(&tonight), written + 5);
    }
}
