//! The one table of commands: what each is called, its keys, where it works, what it takes
//! on the command line, what it does.
//!
//! Key handling, the help screen, the footer, the command line and the manual page are all
//! made from it.

use super::keys::{KeyRow, Takes, UiCommand, UiKey};
use crate::engine::input::Command;
use crate::screen::Screen;
use crossterm::event::{KeyCode, KeyModifiers};

const ALL: &[Screen] = &Screen::ALL;
const STAGE: &[Screen] = &[Screen::Stage];
const LISTS: &[Screen] = &[Screen::Wings, Screen::Order];
const WINGS: &[Screen] = &[Screen::Wings];
const ORDER: &[Screen] = &[Screen::Order];
const CTRL: KeyModifiers = KeyModifiers::CONTROL;
const SHIFT: KeyModifiers = KeyModifiers::SHIFT;

const fn row(
    (name, footer): (&'static str, &'static [Screen]),
    keys: &'static [UiKey],
    screens: &'static [Screen],
    command: UiCommand,
    words: &'static str,
) -> KeyRow {
    KeyRow {
        name,
        keys,
        screens,
        words,
        command,
        footer,
        takes: Takes::Nothing,
    }
}

const FOOTER: &[Screen] = ALL;
const HELP_ONLY: &[Screen] = &[];

/// The table. Its order is the order of the help.
///
/// Page-turn pedals that are keyboards send `PageDown` and `PageUp` or arrows: on the
/// stage all of these step. `F` keys do what must work while letters are notes.
pub const TABLE: &[KeyRow] = &[
    row(
        ("step", FOOTER),
        &[
            UiKey::letter(' '),
            UiKey::plain(KeyCode::PageDown),
            UiKey::plain(KeyCode::Right),
        ],
        ALL,
        UiCommand::Send(Command::Step),
        "to the next scene",
    ),
    row(
        ("back", STAGE),
        &[UiKey::plain(KeyCode::PageUp), UiKey::plain(KeyCode::Left)],
        ALL,
        UiCommand::Send(Command::Back),
        "to the scene before",
    )
    .takes(Takes::Count),
    row(
        ("step", HELP_ONLY),
        &[UiKey::plain(KeyCode::Down)],
        STAGE,
        UiCommand::Send(Command::Step),
        "to the next scene: pedals may send arrows",
    ),
    row(
        ("back", HELP_ONLY),
        &[UiKey::plain(KeyCode::Up)],
        STAGE,
        UiCommand::Send(Command::Back),
        "to the scene before",
    ),
    row(
        ("next song", HELP_ONLY),
        &[UiKey::letter('.'), UiKey::with(KeyCode::Right, SHIFT)],
        ALL,
        UiCommand::Send(Command::SongDown),
        "to the next song",
    ),
    row(
        ("song before", HELP_ONLY),
        &[UiKey::letter(','), UiKey::with(KeyCode::Left, SHIFT)],
        ALL,
        UiCommand::Send(Command::SongUp),
        "to this song's start, then to the song before",
    ),
    row(
        ("next page", HELP_ONLY),
        &[UiKey::letter(']'), UiKey::plain(KeyCode::End)],
        ALL,
        UiCommand::Send(Command::PageNext),
        "to the next page of the song",
    ),
    row(
        ("page before", HELP_ONLY),
        &[UiKey::letter('['), UiKey::plain(KeyCode::Home)],
        ALL,
        UiCommand::Send(Command::PageBack),
        "to the page before",
    ),
    row(
        ("jump", HELP_ONLY),
        &[UiKey::letter('g')],
        ALL,
        UiCommand::Jump,
        "to a call number, a name or SONG/SCENE",
    )
    .takes(Takes::Place),
    row(
        ("find", ORDER),
        &[UiKey::letter('/')],
        ALL,
        UiCommand::Find,
        "a scene or song in the running order",
    )
    .takes(Takes::Word),
    row(
        ("find next", HELP_ONLY),
        &[UiKey::letter('n')],
        ORDER,
        UiCommand::FindNext,
        "the text again, further on",
    ),
    row(
        ("jump", FOOTER),
        &[UiKey::plain(KeyCode::Enter)],
        ORDER,
        UiCommand::JumpToCursor,
        "to the scene under the cursor",
    ),
    row(
        ("skip", HELP_ONLY),
        &[UiKey::letter('x')],
        ORDER,
        UiCommand::SkipSong,
        "leave a song out tonight, or take it in again",
    ),
    row(
        ("song up", HELP_ONLY),
        &[UiKey::with(KeyCode::Up, SHIFT)],
        ORDER,
        UiCommand::MoveSongUp,
        "play this song one place earlier tonight",
    ),
    row(
        ("song down", HELP_ONLY),
        &[UiKey::with(KeyCode::Down, SHIFT)],
        ORDER,
        UiCommand::MoveSongDown,
        "play this song one place later tonight",
    ),
    row(
        ("higher", HELP_ONLY),
        &[UiKey::letter('t')],
        ORDER,
        UiCommand::TransposeSong(1),
        "this song a semitone higher tonight",
    ),
    row(
        ("lower", HELP_ONLY),
        &[UiKey::letter('T')],
        ORDER,
        UiCommand::TransposeSong(-1),
        "this song a semitone lower tonight",
    ),
    row(
        ("undo", HELP_ONLY),
        &[UiKey::letter('u')],
        ORDER,
        UiCommand::UndoChange,
        "take the last change of the night back",
    ),
    row(
        ("down", HELP_ONLY),
        &[UiKey::plain(KeyCode::Down)],
        LISTS,
        UiCommand::Down,
        "the cursor a row down",
    ),
    row(
        ("up", HELP_ONLY),
        &[UiKey::plain(KeyCode::Up)],
        LISTS,
        UiCommand::Up,
        "the cursor a row up",
    ),
    row(
        ("log down", HELP_ONLY),
        &[UiKey::with(KeyCode::Down, SHIFT)],
        WINGS,
        UiCommand::LogDown,
        "the log a line down",
    ),
    row(
        ("log up", HELP_ONLY),
        &[UiKey::with(KeyCode::Up, SHIFT)],
        WINGS,
        UiCommand::LogUp,
        "the log a line up",
    ),
    row(
        ("filter", HELP_ONLY),
        &[UiKey::letter('f')],
        WINGS,
        UiCommand::Filter,
        "only lines of the log that hold a text, or `error`, `warning`",
    )
    .takes(Takes::Word),
    row(
        ("save log", HELP_ONLY),
        &[UiKey::letter('w')],
        WINGS,
        UiCommand::SaveLog,
        "write the log, as filtered, to a file",
    ),
    row(
        ("screens", FOOTER),
        &[UiKey::plain(KeyCode::Tab)],
        ALL,
        UiCommand::NextScreen,
        "the next screen: stage, wings, running order",
    ),
    row(
        ("stage", HELP_ONLY),
        &[UiKey::letter('1'), UiKey::plain(KeyCode::F(1))],
        ALL,
        UiCommand::Show(Screen::Stage),
        "the stage: what is played and what comes next",
    ),
    row(
        ("wings", HELP_ONLY),
        &[UiKey::letter('2'), UiKey::plain(KeyCode::F(2))],
        ALL,
        UiCommand::Show(Screen::Wings),
        "the wings: ports, receivers, counters, log",
    ),
    row(
        ("order", HELP_ONLY),
        &[UiKey::letter('3'), UiKey::plain(KeyCode::F(3))],
        ALL,
        UiCommand::Show(Screen::Order),
        "the running order",
    ),
    row(
        ("panic", FOOTER),
        &[UiKey::letter('!'), UiKey::plain(KeyCode::F(12))],
        ALL,
        UiCommand::Send(Command::Panic(None)),
        "silence everything that sounds, at once",
    )
    .takes(Takes::Receiver),
    row(
        ("resend", HELP_ONLY),
        &[UiKey::letter('r'), UiKey::plain(KeyCode::F(5))],
        ALL,
        UiCommand::Send(Command::Resend {
            receiver: None,
            is_forced: false,
        }),
        "send the state again, sounding slots once silent",
    )
    .takes(Takes::Receiver),
    row(
        ("force", HELP_ONLY),
        &[UiKey::letter('R'), UiKey::with(KeyCode::F(5), SHIFT)],
        ALL,
        UiCommand::Send(Command::Resend {
            receiver: None,
            is_forced: true,
        }),
        "send it to sounding slots too: may cut notes",
    )
    .takes(Takes::Receiver),
    row(
        ("mute", HELP_ONLY),
        &[UiKey::letter('m'), UiKey::plain(KeyCode::F(8))],
        ALL,
        UiCommand::ToggleMute,
        "no new notes, or notes again",
    )
    .takes(Takes::Receiver),
    row(
        ("fade", HELP_ONLY),
        &[UiKey::letter('F'), UiKey::with(KeyCode::F(8), SHIFT)],
        ALL,
        UiCommand::ToggleFade,
        "fade all out in four seconds, or back in",
    ),
    row(
        ("panic one", WINGS),
        &[UiKey::letter('p')],
        WINGS,
        UiCommand::PanicOne,
        "silence the receiver under the cursor",
    )
    .takes(Takes::Receiver),
    row(
        ("spare", WINGS),
        &[UiKey::letter('s')],
        WINGS,
        UiCommand::Spare,
        "its spare plays for it, keys that are down go over; or back",
    )
    .takes(Takes::Receiver),
    row(
        ("end note", WINGS),
        &[UiKey::letter('d'), UiKey::plain(KeyCode::Delete)],
        WINGS,
        UiCommand::EndNote,
        "end the note under the cursor, whatever holds it",
    ),
    row(
        ("resend one", HELP_ONLY),
        &[UiKey::letter('e')],
        WINGS,
        UiCommand::ResendOne(false),
        "send the receiver under the cursor its state again",
    )
    .takes(Takes::Receiver),
    row(
        ("force one", HELP_ONLY),
        &[UiKey::letter('E')],
        WINGS,
        UiCommand::ResendOne(true),
        "to its sounding slots too: may cut notes",
    )
    .takes(Takes::Receiver),
    row(
        ("mute one", HELP_ONLY),
        &[UiKey::letter('v')],
        WINGS,
        UiCommand::MuteOne,
        "no new notes on the receiver under the cursor, or again",
    )
    .takes(Takes::Receiver),
    row(
        ("ignore", WINGS),
        &[UiKey::letter('i')],
        WINGS,
        UiCommand::IgnorePedal,
        "the pedal under the cursor comes up and is ignored, or counts again",
    )
    .takes(Takes::Pedal),
    row(
        ("learn", HELP_ONLY),
        &[UiKey::letter('l')],
        WINGS,
        UiCommand::Learn,
        "move a control: what it is, and its line for the rig's file",
    ),
    row(
        ("lock", HELP_ONLY),
        &[UiKey::letter('L'), UiKey::plain(KeyCode::F(7))],
        ALL,
        UiCommand::LockPedals,
        "the player's pedals do not step, or step again",
    ),
    row(
        ("lock keys", HELP_ONLY),
        &[UiKey::letter('K'), UiKey::with(KeyCode::F(7), SHIFT)],
        ALL,
        UiCommand::LockKeys,
        "these keys do nothing but panic, help and this; again: they do",
    ),
    row(
        ("rehearse", HELP_ONLY),
        &[UiKey::plain(KeyCode::F(9))],
        ALL,
        UiCommand::ToggleCues,
        "hold cues back (rehearsal), or let them go",
    ),
    row(
        ("loop", ORDER),
        &[UiKey::letter('o')],
        ORDER,
        UiCommand::Loop,
        "in rehearsal, steps go round the scene under the cursor; again: no loop",
    )
    .takes(Takes::Stretch),
    row(
        ("loop to", HELP_ONLY),
        &[UiKey::letter('O')],
        ORDER,
        UiCommand::LoopTo,
        "the loop reaches to the scene under the cursor",
    ),
    row(
        ("mark", ORDER),
        &[UiKey::letter('a')],
        ALL,
        UiCommand::Mark,
        "mark this place with a word; an empty word takes the mark away",
    )
    .takes(Takes::Word),
    row(
        ("next mark", HELP_ONLY),
        &[UiKey::letter('A')],
        ALL,
        UiCommand::NextMark,
        "the next marked place in the running order",
    ),
    row(
        ("marks", HELP_ONLY),
        &[UiKey::letter('M')],
        ORDER,
        UiCommand::MarksOnly,
        "list the marked places only, or all",
    ),
    row(
        ("record", HELP_ONLY),
        &[UiKey::letter('*'), UiKey::with(KeyCode::F(9), SHIFT)],
        ALL,
        UiCommand::Record,
        "write down what is played and stepped, or end and save it",
    ),
    row(
        ("notes", STAGE),
        &[UiKey::letter('k'), UiKey::plain(KeyCode::F(4))],
        ALL,
        UiCommand::Notes,
        "letters play each keyboard in turn, then none",
    ),
    row(
        ("octave up", HELP_ONLY),
        &[UiKey::letter('+')],
        ALL,
        UiCommand::OctaveUp,
        "keyboard notes an octave up",
    ),
    row(
        ("octave down", HELP_ONLY),
        &[UiKey::letter('-')],
        ALL,
        UiCommand::OctaveDown,
        "keyboard notes an octave down",
    ),
    row(
        ("theme", HELP_ONLY),
        &[UiKey::plain(KeyCode::F(6))],
        ALL,
        UiCommand::NextTheme,
        "colours for other light: dark, light, contrast, red",
    ),
    row(
        ("command", HELP_ONLY),
        &[UiKey::letter(':')],
        ALL,
        UiCommand::Line,
        "type a command by its name; Tab completes",
    ),
    row(
        ("mouse", HELP_ONLY),
        &[UiKey::plain(KeyCode::F(10))],
        ALL,
        UiCommand::Mouse,
        "the mouse points and scrolls here, or is the terminal's",
    ),
    row(
        ("help", FOOTER),
        &[UiKey::letter('?')],
        ALL,
        UiCommand::Help,
        "this help, or back",
    ),
    row(
        ("close", HELP_ONLY),
        &[UiKey::plain(KeyCode::Esc)],
        ALL,
        UiCommand::Close,
        "leave what is open, end notes; then the stage",
    ),
    row(
        ("quit", STAGE),
        &[UiKey::letter('q'), UiKey::with(KeyCode::Char('c'), CTRL)],
        ALL,
        UiCommand::Quit,
        "leave; asks first in a show",
    ),
];
