//! Where a command leads: on, back, to another song, to a place that was named. How the show
//! came there is kept for the view, with what asked for it.

use super::machine::{Call, Machine};
use super::promptbook::PositionId;
use super::view::{Move, MoveKind, Swallowed};

/// How a position is come to: it decides on cues (invariant 9).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Arrival {
    /// By a step forward: all cues.
    Step,
    /// By a jump forward or a next song: the cues that say so.
    Jump,
    /// By a way back: none.
    Back,
}

impl Machine {
    /// To the next position.
    pub(super) fn step(&mut self, call: &mut Call<'_>) {
        let (next, is_round) = self.next_position();
        let (kind, arrival) = if is_round {
            (MoveKind::Loop, Arrival::Back)
        } else {
            (MoveKind::Step, Arrival::Step)
        };
        self.go(call, next, (kind, arrival), Swallowed::AtEnd);
    }

    /// To the position before.
    pub(super) fn back(&mut self, call: &mut Call<'_>) {
        let before = self.position.0.checked_sub(1).map(PositionId);
        self.go(
            call,
            before,
            (MoveKind::Back, Arrival::Back),
            Swallowed::AtStart,
        );
    }

    /// To any position.
    pub(super) fn jump(&mut self, call: &mut Call<'_>, to: PositionId) {
        self.go(
            call,
            Some(to),
            (MoveKind::Jump, Arrival::Jump),
            Swallowed::AtEnd,
        );
    }

    /// To the first position of the next song that has one.
    pub(super) fn song_down(&mut self, call: &mut Call<'_>) {
        let book = call.book;
        let to = self.place(book).and_then(|place| {
            let later = book.songs.get(place.song.index().saturating_add(1)..)?;
            later.iter().find(|song| song.positions.len > 0)
        });
        let to = to.map(|song| PositionId(song.positions.start));
        self.go(call, to, (MoveKind::Jump, Arrival::Jump), Swallowed::AtEnd);
    }

    /// To the first position of this song, or of the song before if it is there already.
    pub(super) fn song_up(&mut self, call: &mut Call<'_>) {
        let book = call.book;
        let to = self.place(book).and_then(|place| {
            let start = book.songs.get(place.song.index())?.positions.start;
            if self.position.0 > start {
                return Some(PositionId(start));
            }
            let earlier = book.songs.get(..place.song.index())?;
            let before = earlier.iter().rev().find(|song| song.positions.len > 0)?;
            Some(PositionId(before.positions.start))
        });
        self.go(
            call,
            to,
            (MoveKind::Jump, Arrival::Back),
            Swallowed::AtStart,
        );
    }

    fn go(
        &mut self,
        call: &mut Call<'_>,
        to: Option<PositionId>,
        (kind, arrival): (MoveKind, Arrival),
        refusal: Swallowed,
    ) {
        let book = call.book;
        let place = to.and_then(|to| Some((to, book.positions.get(to.index())?)));
        let Some((to, place)) = place else {
            self.swallow(call.now_us, refusal);
            return;
        };
        self.counters.steps = self.counters.steps.saturating_add(1);
        self.step_us = Some(call.now_us);
        let origin = call.origin;
        self.moved = Some(Move { kind, origin });
        self.abandon_priming(call.now_us);
        self.change_scene(call, to, place);
        self.tell_pages(call);
        self.send_cues(call, arrival);
    }
}
