//! What the playing thread reports as it happens: small values over a bounded queue,
//! made into words by another thread.
//!
//! The playing thread compares the engine's view before and after each call; only what
//! changed becomes a notice. When the queue is full the notice is dropped and counted:
//! playing never waits for the log.

use super::deeds;
use crate::engine::input::Origin;
use crate::engine::limits::{MAX_PORTS, MAX_RECEIVERS};
use crate::engine::rescue::Deed;
use crate::engine::view::{Counters, Move, MoveKind, Presence, ReceiverView, Swallowed, View};
use crate::ports::PortError;
use crate::screen::LogLevel;
use crate::sheet::Sheet;
use crate::ui::UiKey;

/// Notices that may wait for the log: a step a millisecond for a second.
pub(super) const NOTICE_LIMIT: usize = 1024;

/// One thing that happened.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Notice {
    /// When, on the ports' clock, in microseconds.
    pub(super) at_us: u64,
    /// What.
    pub(super) event: Event,
}

/// What can happen.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Event {
    /// The show is at this position; how it came there, none where it has just begun or was
    /// taken up again.
    Position {
        position: u32,
        page: u16,
        by: Option<Move>,
    },
    /// The page turned.
    Page { position: u32, page: u16 },
    /// A press did not step.
    Swallowed(Swallowed),
    /// Everything was silenced.
    Panic,
    /// No new notes, or notes again.
    Mute(bool),
    /// Everything fades out, or back in.
    Fade(bool),
    /// An input port came or went.
    In(u8, bool),
    /// An input that is plugged in could not be taken.
    InRefused(u8, PortError),
    /// A receiver's state changed; what else is known of it.
    Receiver(u8, Presence, ReceiverView),
    /// What a command of the technician did.
    Done(Deed),
    /// Cues go out, or are held.
    Cues(bool),
    /// An input lost messages.
    Overflow(u8),
    /// An output lost messages, as its queue was full or it did not take them.
    OutFull(u8),
    /// Writing to an output panicked: what waited for it is lost.
    WritingFailed(u8),
    /// Something that should be rare was counted: which, and the new total.
    Count(Rare, u64),
    /// The engine failed and was rebuilt.
    Rebuilt,
    /// Playing failed outside the engine; everything was let go.
    Failed,
    /// It failed too often: the show ends.
    GivenUp,
    /// At the end a port did not take all that was to be sent.
    EndNotSent,
    /// All ports that are there have been told the state: the show can be played.
    Ready { inputs: u8, outputs: u8 },
    /// The playing thread has real-time priority, or not.
    Realtime(bool),
    /// A show that waited after a kill is taken up.
    TakenUp,
    /// The night was changed: positions are those of this edition from now on. `from` is
    /// where the show was, in the one before.
    Edition {
        edition: u32,
        from: u32,
        position: u32,
        page: u16,
    },
    /// A jump was not taken: the night was changed as it was asked for.
    JumpTooLate,
    /// The playing thread let everything go and ended.
    Ended,
}

/// Counters worth a line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Rare {
    /// See `Counters`.
    NotesRefused,
    /// See `Counters`.
    Detours,
    /// See `Counters`.
    Harmed,
    /// See `Counters`.
    HeldBackEarly,
    /// See `Counters`.
    CueNotesCut,
    /// See `Counters`.
    OutRefused,
    /// See `Counters`.
    Loops,
    /// See `Counters`.
    Faults,
}

/// What was last reported, to compare the next view with.
#[derive(Clone, Copy, Debug)]
pub(super) struct Watch {
    position: Option<u32>,
    page: u16,
    is_muted: bool,
    is_faded: bool,
    swallowed_us: Option<u64>,
    panic_us: Option<u64>,
    deed: Option<u64>,
    sends_cues: bool,
    in_ports: [bool; MAX_PORTS],
    receivers: [Presence; MAX_RECEIVERS],
    steps: u64,
    rare: [u64; RARE.len()],
}

const RARE: [Rare; 8] = [
    Rare::NotesRefused,
    Rare::Detours,
    Rare::Harmed,
    Rare::HeldBackEarly,
    Rare::CueNotesCut,
    Rare::OutRefused,
    Rare::Loops,
    Rare::Faults,
];

fn totals(counters: &Counters) -> [u64; RARE.len()] {
    [
        counters.notes_refused,
        counters.detours,
        counters.harmed,
        counters.held_back_early,
        counters.cue_notes_cut,
        counters.out_refused,
        counters.loops,
        counters.faults,
    ]
}

impl Watch {
    pub(super) fn new() -> Self {
        Self {
            position: None,
            page: 0,
            is_muted: false,
            is_faded: false,
            swallowed_us: None,
            panic_us: None,
            deed: None,
            sends_cues: true,
            in_ports: [false; MAX_PORTS],
            receivers: [Presence::Absent; MAX_RECEIVERS],
            steps: 0,
            rare: [0; RARE.len()],
        }
    }

    /// The show is where it was, under the numbers of another edition.
    pub(super) const fn rename(&mut self, view: &View) {
        (self.position, self.page) = (Some(view.position.0), view.page);
    }

    /// Reports what differs from the last view.
    pub(super) fn compare(&mut self, view: &View, report: &mut dyn FnMut(Event)) {
        let position = view.position.0;
        if self.position != Some(position) || view.counters.steps != self.steps {
            report(Event::Position {
                position,
                page: view.page,
                by: view.moved.filter(|_| view.counters.steps != self.steps),
            });
        } else if self.page != view.page {
            report(Event::Page {
                position,
                page: view.page,
            });
        }
        (self.position, self.page, self.steps) = (Some(position), view.page, view.counters.steps);
        if self.is_muted != view.is_muted {
            self.is_muted = view.is_muted;
            report(Event::Mute(view.is_muted));
        }
        if self.is_faded != view.is_faded {
            self.is_faded = view.is_faded;
            report(Event::Fade(view.is_faded));
        }
        if let Some((at_us, why)) = view.swallowed
            && self.swallowed_us != Some(at_us)
        {
            self.swallowed_us = Some(at_us);
            report(Event::Swallowed(why));
        }
        if view.panic_us != self.panic_us {
            self.panic_us = view.panic_us;
            report(Event::Panic);
        }
        if self.sends_cues != view.sends_cues {
            self.sends_cues = view.sends_cues;
            report(Event::Cues(view.sends_cues));
        }
        if let Some((number, deed)) = view.deed
            && self.deed != Some(number)
        {
            self.deed = Some(number);
            report(Event::Done(deed));
        }
        self.compare_rig(view, report);
        for ((which, total), known) in RARE.iter().zip(totals(&view.counters)).zip(&mut self.rare) {
            if total != *known {
                *known = total;
                report(Event::Count(*which, total));
            }
        }
    }

    fn compare_rig(&mut self, view: &View, report: &mut dyn FnMut(Event)) {
        for (port, (is_there, known)) in view.in_ports.iter().zip(&mut self.in_ports).enumerate() {
            if is_there != known {
                *known = *is_there;
                report(Event::In(port as u8, *is_there));
            }
        }
        let receivers = view.receivers.iter().zip(&view.duties);
        for (receiver, ((presence, duty), known)) in receivers.zip(&mut self.receivers).enumerate()
        {
            if presence != known {
                *known = *presence;
                report(Event::Receiver(receiver as u8, *presence, *duty));
            }
        }
    }
}

/// A notice in words, and how grave it is.
pub(super) fn words(event: &Event, sheet: &Sheet) -> (LogLevel, String) {
    use LogLevel::{Error, Note, Warning};
    match event {
        Event::Position { position, by, .. } => (Note, move_words(sheet, *position, *by)),
        Event::Page { page, .. } => (Note, format!("page {}", page + 1)),
        Event::Swallowed(why) => (Warning, format!("press swallowed: {}", why_words(*why))),
        Event::Panic => (Warning, "panic: everything that sounds was silenced".into()),
        Event::Mute(true) => (Warning, "mute: no new notes".into()),
        Event::Mute(false) => (Note, "mute ended".into()),
        Event::Fade(true) => (Note, "fade out".into()),
        Event::Fade(false) => (Note, "fade in".into()),
        Event::In(port, is_there) => in_words(sheet, *port, *is_there),
        Event::InRefused(port, error) => (Warning, refused_words(sheet, *port, *error)),
        Event::Receiver(receiver, presence, duty) => {
            receiver_words(sheet, *receiver, *presence, *duty)
        }
        Event::Done(deed) => deeds::words(deed, sheet),
        Event::Cues(true) => (Note, "cues go out".into()),
        Event::Cues(false) => (Note, "rehearsal: no cue goes out".into()),
        Event::Overflow(port) => (
            Error,
            format!(
                "input {} overflowed: what it held is released",
                in_port(sheet, *port)
            ),
        ),
        Event::OutFull(port) => (
            Error,
            format!(
                "output {} lost messages: its state is sent again",
                out_port(sheet, *port)
            ),
        ),
        Event::WritingFailed(port) => (
            Error,
            format!(
                "writing to output {} failed: what waited for it is lost",
                out_port(sheet, *port)
            ),
        ),
        Event::Count(which, total) => count_words(*which, *total),
        Event::Rebuilt => (Error, REBUILT.into()),
        Event::Failed => (Error, FAILED.into()),
        Event::GivenUp => (Error, GIVEN_UP.into()),
        Event::EndNotSent => (Error, END_NOT_SENT.into()),
        Event::Ready { inputs, outputs } => (
            Note,
            format!(
                "ready: {inputs} of {} inputs, {outputs} of {} outputs",
                sheet.in_ports.len(),
                sheet.out_ports.len()
            ),
        ),
        Event::Realtime(true) => (Note, "real-time priority".into()),
        Event::Realtime(false) => (
            Warning,
            "no real-time priority: the system does not allow it".into(),
        ),
        Event::TakenUp => (Note, "taken up: every port gets its state".into()),
        Event::Edition { .. } => (Note, "night changed".into()),
        Event::JumpTooLate => (
            Warning,
            "jump not taken: the night was changed just then; ask again".into(),
        ),
        Event::Ended => (Note, "all notes released".into()),
    }
}

const REBUILT: &str = "the engine failed, was silenced and rebuilt at its position";
const FAILED: &str = "playing failed: notes and pedals were let go at every port that takes them";
const GIVEN_UP: &str =
    "playing failed too often within a minute: the show ends, the next start comes back here";
const END_NOT_SENT: &str = "an output did not take all of the end: silence it at the instrument";

fn refused_words(sheet: &Sheet, port: u8, error: PortError) -> String {
    format!("input {} not taken: {error}", in_port(sheet, port))
}

fn in_words(sheet: &Sheet, port: u8, is_there: bool) -> (LogLevel, String) {
    let name = in_port(sheet, port);
    if is_there {
        (LogLevel::Note, format!("input {name} ready"))
    } else {
        let words = format!("input {name} lost: what it held is released");
        (LogLevel::Error, words)
    }
}

fn out_port(sheet: &Sheet, port: u8) -> &str {
    sheet
        .out_ports
        .get(usize::from(port))
        .map_or("?", |port| &port.name)
}

fn in_port(sheet: &Sheet, port: u8) -> &str {
    sheet
        .in_ports
        .get(usize::from(port))
        .map_or("?", |port| &port.name)
}

/// Where the show is, and how it came there: `back 1.1 Ferry Lights / intro, key PageUp`.
fn move_words(sheet: &Sheet, position: u32, by: Option<Move>) -> String {
    let place = place(sheet, position);
    let Some(by) = by else {
        return format!("at {place}");
    };
    let verb = match by.kind {
        MoveKind::Step => "step",
        MoveKind::Back => "back",
        MoveKind::Jump => "jump",
        MoveKind::Loop => "loop",
    };
    format!("{verb} {place}, {}", origin_words(sheet, by.origin))
}

fn origin_words(sheet: &Sheet, origin: Origin) -> String {
    match origin {
        Origin::Program => "by a recording or the program".into(),
        Origin::Pedal(at) => match sheet.pedals.get(usize::from(at)) {
            Some(pedal) => format!("pedal {} ({})", pedal.name, pedal.sends),
            None => format!("pedal {at}"),
        },
        Origin::Key(press) => format!("key {}", UiKey::numbered(press.key).name()),
        Origin::Screen => "chosen on the screen".into(),
        Origin::Night => "as the night was changed".into(),
    }
}

/// What a change of the night has come to: what was changed, and where the show is now if
/// its place was taken away.
pub(super) fn edition_words(
    changed: String,
    (old, from): (&Sheet, u32),
    (new, position): (&Sheet, u32),
) -> String {
    let call = |sheet: &Sheet, at: u32| {
        let line = sheet.positions.get(at as usize);
        line.map(|line| line.call.clone())
    };
    if call(old, from) == call(new, position) {
        return changed;
    }
    let by = Move {
        kind: MoveKind::Jump,
        origin: Origin::Night,
    };
    format!("{changed}; {}", move_words(new, position, Some(by)))
}

/// A position in words: call number, song and scene.
pub(super) fn place(sheet: &Sheet, position: u32) -> String {
    let Some(line) = sheet.positions.get(position as usize) else {
        return format!("position {position}");
    };
    let song = sheet.songs.get(line.song).map_or("", |song| &song.title);
    let scene = sheet.scenes.get(line.scene).map_or("", |scene| &scene.name);
    format!("{} {song} / {scene}", line.call)
}

fn receiver_words(
    sheet: &Sheet,
    receiver: u8,
    presence: Presence,
    duty: ReceiverView,
) -> (LogLevel, String) {
    let name = sheet
        .receivers
        .get(usize::from(receiver))
        .map_or("?", |receiver| &receiver.name);
    match presence {
        Presence::Absent => (LogLevel::Error, format!("receiver {name} lost")),
        Presence::Waiting => (
            LogLevel::Warning,
            format!("receiver {name} waiting: nothing is sent until the show is taken up"),
        ),
        Presence::Starting => (
            LogLevel::Warning,
            format!("receiver {name} back, waiting until it listens"),
        ),
        Presence::NotVerified => {
            let words = match (duty.is_told, duty.stands_by) {
                (true, true) => "sent its state to stand by",
                (true, false) => "sent its state",
                (false, _) => "there, nothing to send it yet",
            };
            (
                LogLevel::Note,
                format!("receiver {name} {words}, not verified"),
            )
        }
        Presence::Verified => (LogLevel::Note, format!("receiver {name} verified")),
    }
}

fn why_words(why: Swallowed) -> &'static str {
    match why {
        Swallowed::Bounce => "it bounced (40 ms)",
        Swallowed::Repeat => "a key held down repeats",
        Swallowed::TooSoon => "a second press within 250 ms",
        Swallowed::AtEnd => "this is the last position",
        Swallowed::AtStart => "this is the first position",
        Swallowed::Locked => "the pedals are locked",
        Swallowed::Ignored => "this pedal is ignored",
    }
}

fn count_words(which: Rare, total: u64) -> (LogLevel, String) {
    // A detour is what keeps notes that ring from being cut: nothing went wrong.
    let level = match which {
        Rare::Detours => LogLevel::Note,
        _ => LogLevel::Warning,
    };
    (level, format!("{}: {total} so far", rare_words(which)))
}

fn rare_words(which: Rare) -> &'static str {
    match which {
        Rare::NotesRefused => "notes refused, too many at once",
        Rare::Detours => "sounds that took another slot than planned",
        Rare::Harmed => "sounds that had to take a slot with held notes",
        Rare::HeldBackEarly => "notes sent before their patch had loaded",
        Rare::CueNotesCut => "notes of cues cut short, too many at once",
        Rare::OutRefused => "messages refused, too many in one step",
        Rare::Loops => "loops broken: what was sent came back as played",
        Rare::Faults => "broken inner rules",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

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
