//! A night that was changed while it is played: planned anew around what sounds.
//!
//! The live table is taken as given: sounds of the present scene stay on their slots, slots
//! with notes held over or ringing are in use, and slots that wait hold what they hold. From
//! the present position on the seats are worked out anew, exactly as for a whole night; what
//! lies before is worked out the same way backwards, so that a step back finds its sounds.
//!
//! A present position that is left out by the change stays in the line until the night is
//! changed again: the show stands there until the next step, and a step back returns to it.

use super::line;
use super::seats::{Anchor, Holding};
use super::{Plan, PlanError, compile_line};
use crate::engine::promptbook::{PositionId, Promptbook};
use crate::engine::swap::{Live, carry_seats, translate};
use crate::show::model::{Night, Show};

/// What is played while the night is planned anew.
#[derive(Clone, Copy, Debug)]
pub struct Given<'a> {
    /// The plan being played.
    pub plan: &'a Plan,
    /// What the engine holds and sounds now, which the new plan must not move.
    pub live: &'a Live,
    /// The night as it was before any change: pages keep its numbers.
    pub written: &'a Night,
}

/// A night planned anew.
#[derive(Clone, PartialEq, Debug)]
pub struct Replan {
    /// The plan of the changed night.
    pub plan: Plan,
    /// The present position, as the new plan counts it.
    pub at: PositionId,
}

/// Plans a changed night from where the show is, moving nothing that sounds.
///
/// # Errors
/// As for `compile`; `Empty` too if the present position is not in the night at all.
pub fn replan(show: &Show, night: &Night, given: &Given<'_>) -> Result<Replan, PlanError> {
    let present = given.plan.places.get(given.live.position.index());
    let present = present.ok_or(PlanError::Empty)?;
    let places = line::positions(show, night, Some(&present.call));
    let at = places.iter().position(|place| place.call == present.call);
    let at = at.ok_or(PlanError::Empty)?;
    let plan = compile_line(show, night, places, Some((given, at)))?;
    Ok(Replan {
        plan,
        at: PositionId(at as u32),
    })
}

/// Translates what sounds now into the numbers of the new promptbook.
pub(super) fn anchor(given: &Given<'_>, book: &Promptbook, at: usize) -> Anchor {
    let (old, live) = (&given.plan.promptbook, given.live);
    let sounds = translate(old, book);
    let new_at = PositionId(at as u32);
    let carried = carry_seats((old, live.position), &live.seats, (book, new_at));
    let holding = |slot: &crate::engine::swap::LiveSlot| {
        let index = slot
            .voiced
            .and_then(|old| sounds.get(old as usize).copied().flatten());
        Holding {
            identity: index.and_then(|at| Some(book.sounds.get(at as usize)?.identity)),
            is_busy: slot.is_busy,
            has_pedal: slot.has_pedal,
        }
    };
    Anchor {
        at,
        seats: carried.seats,
        slots: live
            .slots
            .iter()
            .take(book.slots.len())
            .map(holding)
            .collect(),
    }
}
