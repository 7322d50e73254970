//! Keys pressed by hand: what a desk makes of them.

mod playing;
mod stray;
mod trouble;

use crate::engine::input::Command;
use crate::engine::promptbook::ControllerId;
use crate::engine::view::View;
use crate::screen::UiState;
use crate::sheet::{ControllerLine, OrderLine, PositionLine, SceneLine, Sheet, SongLine};
use crate::ui::desk::{Desk, Facts, Reply};
use crossterm::event::{Event, KeyCode, KeyEvent, KeyEventKind, KeyModifiers};

/// A desk with its state before a show of three scenes on one keyboard.
pub(super) struct Bench {
    pub(super) desk: Desk,
    pub(super) state: UiState,
    pub(super) sheet: Sheet,
    pub(super) view: View,
    pub(super) now_us: u64,
}

impl Bench {
    pub(super) fn new() -> Self {
        let scenes = ["Riff", "Strings", "Waltz"];
        let position = |scene| PositionLine {
            call: format!("1.{}", scene + 1),
            scene,
            song: 0,
        };
        let scene = |name: &&str| SceneLine {
            name: (*name).to_owned(),
            ..SceneLine::default()
        };
        let sheet = Sheet {
            controllers: vec![
                ControllerLine {
                    name: "pedals".into(),
                    keys: None,
                    port: 0,
                },
                ControllerLine {
                    name: "lower".into(),
                    keys: Some((28, 103)),
                    port: 1,
                },
            ],
            songs: vec![SongLine {
                call: "1".into(),
                positions: (0, 3),
                ..SongLine::default()
            }],
            scenes: scenes.iter().map(scene).collect(),
            positions: (0..3).map(position).collect(),
            order: vec![
                OrderLine::Song(0),
                OrderLine::Skipped {
                    call: "2".into(),
                    title: "Slow Ferry".into(),
                },
            ],
            ..Sheet::default()
        };
        Self {
            desk: Desk::default(),
            state: UiState::default(),
            sheet,
            view: View::default(),
            now_us: 0,
        }
    }

    pub(super) fn event(&mut self, event: &Event) -> Reply {
        let facts = Facts {
            sheet: &self.sheet,
            view: &self.view,
            now_us: self.now_us,
        };
        self.desk.handle(event, &mut self.state, facts)
    }

    pub(super) fn key(&mut self, code: KeyCode) -> Vec<Command> {
        self.event(&Event::Key(KeyEvent::new(code, KeyModifiers::NONE)))
            .commands
    }

    pub(super) fn typed(&mut self, text: &str) -> Vec<Command> {
        text.chars()
            .flat_map(|c| self.key(KeyCode::Char(c)))
            .collect()
    }

    pub(super) fn kind(&mut self, c: char, kind: KeyEventKind) -> Vec<Command> {
        let key = KeyEvent::new_with_kind(KeyCode::Char(c), KeyModifiers::NONE, kind);
        self.event(&Event::Key(key)).commands
    }
}

/// Index of the keyboard in the rig of these tests.
pub(super) const LOWER: ControllerId = ControllerId(1);
