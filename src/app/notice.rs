//! What happened, with the ports' own reasons and the names of this terminal's keys.

use crate::ports::PortError;
pub(super) use crate::report::events::{NOTICE_LIMIT, Watch, edition_words};
use crate::report::{LogLevel, events};
use crate::sheet::Sheet;
use crate::ui::UiKey;

/// What can happen while a show is played.
pub(super) type Event = events::Event<PortError>;
/// One thing that happened, and when.
pub(super) type Notice = events::Notice<PortError>;

/// A notice in words, and how grave it is.
pub(super) fn words(event: &Event, sheet: &Sheet) -> (LogLevel, String) {
    events::words(event, sheet, |key| UiKey::numbered(key).name())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::input::Origin;
    use crate::engine::view::{Move, MoveKind};
    use crate::report::events::Rare;

    /// Every kind of move by everything that can ask for it.
    #[test]
    fn the_log_says_how_the_show_moved_and_by_what() {
        use crate::engine::input::KeyPress;
        use crate::sheet::{PedalLine, PositionLine, SceneLine, SongLine};
        let sheet = Sheet {
            pedals: vec![PedalLine {
                name: "right".into(),
                sends: "page foot PageDown".into(),
                ..PedalLine::default()
            }],
            songs: vec![SongLine {
                title: "Ferry Lights".into(),
                ..SongLine::default()
            }],
            scenes: vec![SceneLine {
                name: "verse".into(),
                ..SceneLine::default()
            }],
            positions: vec![PositionLine {
                call: "1.2".into(),
                scene: 0,
                song: 0,
            }],
            ..Sheet::default()
        };
        let keys = crate::ui::Keys::default();
        let mut bound = keys.bound();
        let (_, back) = bound.find(|(row, _)| row.name == "back").unwrap();
        let key = KeyPress {
            key: back[0].number(),
            is_certain: false,
        };
        let event = |by| Event::Position {
            position: 0,
            page: 0,
            by,
        };
        assert_eq!(words(&event(None), &sheet).1, "at 1.2 Ferry Lights / verse");
        for (kind, verb) in [
            (MoveKind::Step, "step"),
            (MoveKind::Back, "back"),
            (MoveKind::Jump, "jump"),
            (MoveKind::Loop, "loop"),
        ] {
            for (origin, by) in [
                (Origin::Pedal(0), "pedal right (page foot PageDown)"),
                (Origin::Pedal(7), "pedal 7"),
                (Origin::Key(key), "key PageUp"),
                (Origin::Screen, "chosen on the screen"),
                (Origin::Program, "by a recording or the program"),
                (Origin::Night, "as the night was changed"),
            ] {
                let (level, said) = words(&event(Some(Move { kind, origin })), &sheet);
                assert_eq!(level, LogLevel::Note);
                assert_eq!(said, format!("{verb} 1.2 Ferry Lights / verse, {by}"));
            }
        }
        let mut other = sheet.clone();
        let changed = |new: &Sheet| edition_words("night changed".into(), (&sheet, 0), (new, 0));
        assert_eq!(changed(&other), "night changed");
        other.positions[0].call = "2.1".into();
        assert_eq!(
            changed(&other),
            "night changed; jump 2.1 Ferry Lights / verse, as the night was changed"
        );
    }

    #[test]
    fn only_what_goes_wrong_is_a_warning() {
        let level = |which| words(&Event::Count(which, 1), &Sheet::default()).0;
        assert_eq!(level(Rare::Detours), LogLevel::Note);
        assert_eq!(level(Rare::Harmed), LogLevel::Warning);
    }
}
