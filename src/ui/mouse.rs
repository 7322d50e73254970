//! The mouse, where somebody wants it: a click puts the cursor on a row, a second one does
//! what Enter does; the wheel scrolls.

use super::desk::{Desk, Facts, Reply, place_cursor};
use super::keys::UiCommand;
use crate::screen::{Hit, Listing, Screen, UiState};
use crossterm::event::{MouseButton, MouseEvent, MouseEventKind};

impl Desk {
    /// Handles an event of the mouse, given what it points at.
    pub fn handle_mouse(
        &mut self,
        mouse: MouseEvent,
        hit: Option<Hit>,
        state: &mut UiState,
        facts: Facts,
    ) -> Reply {
        if state.prompt.is_some() || state.are_keys_locked {
            return Reply::default();
        }
        match (mouse.kind, hit) {
            (MouseEventKind::ScrollDown, _) => scroll(self, true, state, facts),
            (MouseEventKind::ScrollUp, _) => scroll(self, false, state, facts),
            (MouseEventKind::Down(MouseButton::Left), Some(Hit::Listing(row))) => {
                self.click(row, state, facts)
            }
            (MouseEventKind::Down(MouseButton::Left), Some(Hit::Row(row))) => {
                state.wings = Some(row);
                Reply::default()
            }
            _ => Reply::default(),
        }
    }

    fn click(&mut self, row: Listing, state: &mut UiState, facts: Facts) -> Reply {
        match row {
            Listing::Position(at) if state.cursor == Some(at) => {
                self.carry_out(UiCommand::JumpToCursor, state, facts)
            }
            Listing::Position(at) => {
                place_cursor(state, Some(at));
                Reply::default()
            }
            Listing::Skipped(line) => {
                state.left_out = Some(line);
                Reply::default()
            }
            Listing::Song(_) | Listing::Break(_) => Reply::default(),
        }
    }
}

fn scroll(desk: &mut Desk, is_down: bool, state: &mut UiState, facts: Facts) -> Reply {
    if state.is_help {
        let step = if is_down { 1 } else { -1 };
        state.help_scroll = super::desk::moved(state.help_scroll, step);
        return Reply::default();
    }
    match (state.screen, is_down) {
        // On the stage a wheel touched by accident must not step.
        (Screen::Stage, _) => Reply::default(),
        (_, true) => desk.carry_out(UiCommand::Down, state, facts),
        (_, false) => desk.carry_out(UiCommand::Up, state, facts),
    }
}
