//! Seats: which slot carries which sound at each position of the night.
//!
//! Group by group: `stays` follows the sounds through the night, `colour` lays their stays
//! on slots with the least harm (exactly; its page says what that means), `flow` is the
//! search behind it. Groups do not share slots, so each is a question of its own.
//! A slot that had to be taken from what was played a moment ago is a remark.

mod colour;
mod flow;
mod stays;

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::engine::promptbook::{PositionEntry, Promptbook, SlotId, SoundEntry, Span};
use crate::engine::swap::Seated;
use colour::Stay;
use stays::Line;

/// Something the player should know about a step.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Remark {
    /// Index of the position stepped to.
    pub position: usize,
    /// Index of the sound in its scene.
    pub sound: usize,
    /// Why its seat is not a good one.
    pub trouble: Trouble,
}

/// Why the seat of a sound is not a good one.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Trouble {
    /// Two sounds of one scene want the same slot.
    NoSlot,
    /// The only slot to be had was in use a moment ago, and a hold pedal may hold notes there.
    PedalCut,
    /// The only slot to be had was in use a moment ago: held notes there are not safe.
    NoSilentSlot,
}

/// What is played while a night is planned anew: fixed seats at one position.
#[derive(Clone, Debug)]
pub(super) struct Anchor {
    /// Index of the position.
    pub(super) at: usize,
    /// Slots of its sounds.
    pub(super) seats: Seated,
    /// What each slot holds.
    pub(super) slots: Vec<Holding>,
}

/// The state of a slot when the night is planned anew.
#[derive(Clone, Copy, Debug)]
pub(super) struct Holding {
    /// The sound it was last made for.
    pub(super) identity: Option<u32>,
    /// Notes are held or ring on it.
    pub(super) is_busy: bool,
    /// A hold pedal holds notes on it.
    pub(super) has_pedal: bool,
}

/// Fills `promptbook.seats`. With an anchor the seats of its position stay as they are, and
/// only steps from there on get remarks.
pub(super) fn assign(book: &mut Promptbook, anchor: Option<&Anchor>) -> Vec<Remark> {
    let mut groups: BTreeMap<(u8, u8), Vec<SlotId>> = BTreeMap::new();
    for (slot, entry) in (0u8..).map(SlotId).zip(&book.slots) {
        let group = groups.entry((entry.receiver.0, entry.group)).or_default();
        group.push(slot);
    }
    let mut remarks = Vec::new();
    let mut positions = book.positions.to_vec();
    let mut seats = empty_seats(book, &mut positions);
    for (group, slots) in &groups {
        let group = Group {
            book,
            id: *group,
            slots,
        };
        let mut found = match anchor {
            None => group.seat(Line::whole(positions.len()), &positions, &mut seats),
            Some(anchor) => {
                // Backwards comes first, because the seats of the present position are those of
                // the way forwards.
                let back = Line::back(anchor, group);
                group.seat(back, &positions, &mut seats);
                let forth = Line::forth(anchor, group, positions.len());
                group.seat(forth, &positions, &mut seats)
            }
        };
        remarks.append(&mut found);
    }
    remarks.sort_by_key(|remark| (remark.position, remark.sound));
    book.positions = positions.into();
    book.seats = seats.into();
    remarks
}

/// One seat for each sound of each position, none of them chosen yet.
fn empty_seats(book: &Promptbook, positions: &mut [PositionEntry]) -> Vec<SlotId> {
    let mut start = 0;
    for position in positions {
        let len = sounds_at(book, position).len() as u32;
        position.seats = Span { start, len };
        start += len;
    }
    vec![SlotId(0); start as usize]
}

fn sounds_at<'a>(book: &'a Promptbook, position: &PositionEntry) -> &'a [SoundEntry] {
    book.scenes
        .get(position.scene.index())
        .map_or(&[], |scene| scene.sounds.of(&book.sounds))
}

/// One group of slots that are alike.
#[derive(Clone, Copy)]
struct Group<'a> {
    book: &'a Promptbook,
    id: (u8, u8),
    slots: &'a [SlotId],
}

impl Group<'_> {
    /// Chooses seats along a line of positions, and says what is wrong with them.
    fn seat(self, line: Line, positions: &[PositionEntry], seats: &mut [SlotId]) -> Vec<Remark> {
        let can_prime = self
            .book
            .receivers
            .get(usize::from(self.id.0))
            .is_some_and(|receiver| receiver.manners.may_prime);
        let night = stays::follow(self, line);
        let chosen = colour::colour(&night.stays, self.slots.len() as u32, can_prime);
        let cuts = cuts(&night.stays, &chosen);
        let mut remarks = Vec::new();
        for cell in &night.cells {
            let Some(entry) = positions.get(cell.position) else {
                continue;
            };
            let slot = cell
                .stay
                .and_then(|stay| self.slots.get(*chosen.get(stay)?));
            // Without a slot of its own a sound shares the last one.
            let slot = slot.or(self.slots.last()).copied().unwrap_or_default();
            if let Some(seat) = seats.get_mut(entry.seats.start as usize + cell.sound) {
                *seat = slot;
            }
            let trouble = match cell.stay {
                None => Some(Trouble::NoSlot),
                Some(stay) => cuts
                    .get(&stay)
                    .filter(|cut| cut.0 == cell.time)
                    .map(|cut| cut.1),
            };
            remarks.extend(trouble.map(|trouble| Remark {
                position: cell.position,
                sound: cell.sound,
                trouble,
            }));
        }
        remarks
    }
}

/// For each stay, by index, that takes a slot just played: where, and what the trouble is.
fn cuts(stays: &[Stay], chosen: &[usize]) -> BTreeMap<usize, (usize, Trouble)> {
    let mut last_on: BTreeMap<usize, &Stay> = BTreeMap::new();
    let mut cuts = BTreeMap::new();
    for (index, (stay, slot)) in stays.iter().zip(chosen).enumerate() {
        let before = last_on.insert(*slot, stay);
        let cut = before.filter(|before| {
            before.is_played && stay.comes_played && before.last + 1 == stay.first
        });
        cuts.extend(cut.map(|before| {
            let trouble = if before.has_pedal {
                Trouble::PedalCut
            } else {
                Trouble::NoSilentSlot
            };
            (index, (stay.first, trouble))
        }));
    }
    cuts
}
