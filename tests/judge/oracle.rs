//! What must be heard, worked out from the show and from DESIGN's rules alone.
//!
//! A *tenancy* is a sound's stay on some slot, from the step that brought it until its last
//! note has ended; which slot that is the oracle neither knows nor asks.

mod excuses;
mod hands;
mod moves;
mod ports;
mod sounds;
mod touches;

use std::collections::{BTreeMap, BTreeSet};

use segue::midi::mpe::Leader;
use segue::show::model::{Leave, Show, Zone};
use segue::sim::{Change, ExpectId, Holder, Judge, JudgeRules};

use crate::world::World;

pub(crate) use excuses::{Excuse, Lost};
use sounds::{Likeness, Sound, sounds_of};
pub(crate) use touches::Touch;

/// Hold and sostenuto, as indices.
pub(crate) const HOLD: usize = 0;
pub(crate) const SOSTENUTO: usize = 1;
const PEDALS: [u8; 2] = [64, 66];
/// The wheel at rest.
pub(crate) const CENTRE: u16 = 8192;
/// The longest that a message waits for its port in these rigs, floods aside.
pub(crate) const PORT_US: u64 = 400_000;
/// How long a note waits for its patch at most.
const HELD_BACK_US: u64 = 30_000;
/// What the line's own grid adds: a message that has begun, and rounding.
const LINE_SLACK_US: u64 = 1_000;
/// The longest that a flooded line is taken to be busy: with what it refused, too.
const FLOOD_US: u64 = 3 * PORT_US;

#[derive(Clone, Debug)]
struct Tenancy {
    likeness: Likeness,
    feeds: BTreeSet<usize>,
    told: BTreeMap<usize, [bool; 2]>,
    hears: BTreeMap<usize, [bool; 2]>,
    is_present: bool,
    /// How often anything had moved when the last of its keyboards came to it.
    since: u64,
    /// How often anything had moved when its scene was left last.
    left: u64,
    /// Keyboards that had a zone on it then.
    left_by: BTreeSet<usize>,
    /// When its scene was left, or it came.
    left_us: u64,
    is_fading: bool,
    ring_until_us: u64,
    /// Until when its level rides or its patch loads, and what follows is still its own.
    ride_until_us: u64,
    level: i32,
    is_tainted: bool,
    /// Messages to its port were refused while it sounded: it is set right when it is silent.
    is_doubtful: bool,
    /// It sounded when everything was to be sent again: it is sent when it is silent.
    is_owed: bool,
    /// A route of a scene that was left bent what it holds: it is followed back to rest.
    is_route_bent: bool,
    /// Keyboards that bent it when its scene was left: followed back, be their keys up by then.
    bent_by: BTreeSet<usize>,
    ghosts: Vec<Ghost>,
}

/// A note that is not asked for any more, and that may hold its slot all the same. A pedal
/// held it and it gave way to its restrike, of which its receiver tells nobody; or it was to
/// end with its scene, on a slot that was taken from it.
#[derive(Clone, Debug)]
struct Ghost {
    keyboard: usize,
    leave: Leave,
    /// The key that would hold it.
    key: Option<u8>,
    /// Which pedals would.
    pedals: [bool; 2],
}

impl Ghost {
    fn is_held(&self) -> bool {
        self.key.is_some() || self.pedals.contains(&true)
    }
}

impl Tenancy {
    fn is_down(&self, pedal: usize) -> bool {
        self.told.values().any(|told| told[pedal])
    }
}

#[derive(Clone, Debug)]
struct Note {
    id: ExpectId,
    keyboard: usize,
    key: u8,
    out_key: u8,
    tenancy: usize,
    leave: Leave,
    is_key_down: bool,
    is_latched: bool,
    is_sustained: bool,
    /// Which finger leads where several share a channel.
    leader: Leader,
    /// How often anything had moved when it was struck.
    struck: u64,
}

impl Note {
    const fn is_held(&self) -> bool {
        self.is_key_down || self.is_sustained || self.is_latched
    }
}

/// Hands and feet at one keyboard.
#[derive(Clone, Debug, Default)]
pub(crate) struct Hands {
    pub(crate) keys: BTreeSet<u8>,
    pub(crate) pedals: [u8; 2],
    pub(crate) bend: Option<u16>,
    pub(crate) pressure: u8,
    pub(crate) is_lost: bool,
}

/// A source, by keyboard: a controller, bend (200) or pressure (201).
pub(crate) type SourceName = (usize, u8);
pub(crate) const BEND: u8 = 200;
pub(crate) const PRESSURE: u8 = 201;

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Port {
    Out,
    Starting(u64),
    Listening,
}

/// What was on its way to a note's slot when its scene was left.
#[derive(Clone, Copy, Debug)]
struct Way {
    is_riding: bool,
    is_bent: bool,
    is_fingered: bool,
}

/// A note that is about to sound or to end.
#[derive(Clone, Copy, Debug)]
struct Awaited {
    id: ExpectId,
    receiver: usize,
    /// When nothing but its line keeps it any more.
    due_us: u64,
    is_end: bool,
}

enum Due {
    Leave(ExpectId, Way),
    Forbid(ExpectId, Change),
    End(ExpectId),
    /// A fade is over: the ghosts of its tenancy end with its notes.
    Lay(usize),
}

/// The specification, as it goes.
pub(crate) struct Oracle<'a> {
    show: &'a Show,
    world: &'a World,
    pub(crate) judge: Judge,
    pub(crate) line: Vec<(usize, usize)>,
    song_starts: Vec<usize>,
    /// Semitones of song and night, by position.
    transposes: Vec<i32>,
    sounds: Vec<Vec<Sound>>,
    pub(crate) at: usize,
    /// The page within the song, from 0.
    page: u16,
    pub(crate) hands: Vec<Hands>,
    /// Last movement of each source, and its value.
    pub(crate) moved: BTreeMap<SourceName, (u64, u16)>,
    moves: u64,
    /// Last movement of anything on each keyboard, fingers with their surface.
    levers: BTreeMap<usize, u64>,
    /// When each controller was flooded last: of what came then, some may count up to 30 ms
    /// later, as it might be an echo of what was sent.
    hurried_us: BTreeMap<usize, u64>,
    tenancies: Vec<Tenancy>,
    present: Vec<usize>,
    notes: Vec<Note>,
    /// The tenancy of each note that has not ended, rings included.
    owners: BTreeMap<ExpectId, usize>,
    /// When its key went down.
    pressed_us: BTreeMap<ExpectId, u64>,
    /// Tenancy and time of each note asked for lately.
    asked: Vec<(usize, u64)>,
    /// Time, note and tenancy of each note that nothing holds since lately.
    ended: Vec<(u64, ExpectId, usize)>,
    /// Groups in which notes of several sounds may share a slot just now.
    tainted: BTreeSet<(usize, usize)>,
    ports: Vec<Port>,
    /// When each port was last seen to be flooded; the moment that drains it counts.
    flooded_us: Vec<Option<u64>>,
    is_muted: bool,
    was_released: bool,
    /// When the scene was last changed.
    pub(crate) moved_us: Option<u64>,
    released_us: Option<u64>,
    effects: BTreeMap<usize, usize>,
    /// Until when an effects unit may be changing its program.
    passage_until_us: u64,
    due: Vec<(u64, Due)>,
    /// Notes of which it is not yet known by when they must sound or end.
    awaited: Vec<Awaited>,
    /// Expectations that may be harmed, and why.
    pub(crate) excused: BTreeMap<ExpectId, Excuse>,
    pub(crate) excuses: BTreeMap<Excuse, u64>,
    /// Notes that an excuse covers, whether or not anything happened to them.
    pub(crate) spared: BTreeMap<Excuse, u64>,
    /// How often the engine may have had to take a slot with held notes.
    pub(crate) harm_allowed: u64,
    pub(crate) presses: u64,
    /// Cues that must go out: to which receiver, and their values.
    pub(crate) cues: Vec<(usize, u8)>,
    pedal: Pedal,
}

/// The pedal that steps.
#[derive(Default)]
struct Pedal {
    is_down: bool,
    accepted_us: Option<u64>,
    step_us: Option<u64>,
}

impl<'a> Oracle<'a> {
    pub(crate) fn new(world: &'a World) -> Self {
        let show = &world.show;
        let rules = JudgeRules {
            wait_us: PORT_US,
            grace_us: PORT_US,
            may_share_strike: false,
            may_be_stolen: false,
        };
        let mut judge = Judge::new(rules);
        for (at, receiver) in show.rig.receivers.iter().enumerate() {
            for heard in &receiver.hears {
                judge.pass_through(*heard, at);
            }
        }
        let keyboards = world.inputs.len();
        let mut oracle = Self {
            show,
            world,
            judge,
            line: Vec::new(),
            song_starts: Vec::new(),
            transposes: Vec::new(),
            sounds: Vec::new(),
            at: 0,
            page: 0,
            hands: vec![Hands::default(); keyboards],
            moved: BTreeMap::new(),
            moves: 0,
            levers: BTreeMap::new(),
            hurried_us: BTreeMap::new(),
            tenancies: Vec::new(),
            present: Vec::new(),
            notes: Vec::new(),
            owners: BTreeMap::new(),
            pressed_us: BTreeMap::new(),
            asked: Vec::new(),
            ended: Vec::new(),
            tainted: BTreeSet::new(),
            ports: vec![Port::Listening; world.kinds.len()],
            flooded_us: vec![None; world.kinds.len()],
            is_muted: false,
            was_released: false,
            moved_us: None,
            released_us: None,
            effects: BTreeMap::new(),
            passage_until_us: 0,
            due: Vec::new(),
            awaited: Vec::new(),
            excused: BTreeMap::new(),
            excuses: BTreeMap::new(),
            spared: BTreeMap::new(),
            harm_allowed: 0,
            presses: 0,
            cues: Vec::new(),
            pedal: Pedal::default(),
        };
        oracle.set_line(&world.line);
        for sound in 0..oracle.sounds[0].len() {
            let tenancy = oracle.move_in(0, 0, sound);
            oracle.present.push(tenancy);
        }
        oracle.note_effects(0, 0);
        oracle.turn_page(0, 0);
        oracle
    }

    /// When something of the oracle's own is due.
    pub(crate) fn next_us(&self) -> Option<u64> {
        let starts = self.ports.iter().filter_map(|port| match port {
            Port::Starting(until_us) => Some(*until_us),
            _ => None,
        });
        let awaited = self.awaited.iter().map(|awaited| awaited.due_us);
        let due = self.due.iter().map(|(us, _)| *us);
        due.chain(starts).chain(awaited).min()
    }

    /// Once nothing but its line keeps a note, it leaves with what was handed to the line
    /// before it or with it; `free_us` says when all of that has left a port.
    pub(crate) fn set_limits(&mut self, now_us: u64, free_us: impl Fn(usize) -> u64) {
        let (judge, world) = (&mut self.judge, self.world);
        self.awaited.retain(|awaited| {
            if awaited.due_us > now_us {
                return true;
            }
            let by_us = now_us.max(free_us(world.ports[awaited.receiver])) + LINE_SLACK_US;
            if awaited.is_end {
                judge.end_by(awaited.id, by_us);
            } else {
                judge.sound_by(awaited.id, by_us);
            }
            false
        });
    }

    /// What was written down is heard without limits: when its line was free is not known.
    pub(crate) fn forgo_limits(&mut self, now_us: u64) {
        self.awaited.retain(|awaited| awaited.due_us > now_us);
    }

    /// How long a note that is played now may wait for its patch: 30 ms (DESIGN) if the rig
    /// says that notes are held back, and the patch may be loading.
    fn held_back_us(&self, now_us: u64, tenancy: usize) -> u64 {
        let tenancy = &self.tenancies[tenancy];
        let manners = &self.show.rig.receivers[tenancy.likeness.receiver].manners;
        let may_wait = manners.holds_back && manners.load_ms > 0 && now_us < tenancy.ride_until_us;
        if may_wait { HELD_BACK_US } else { 0 }
    }

    /// A note that nothing holds any more ends when its line lets it, if no pedal may be told
    /// late because a patch loads. One that waits for its patch ends after it has begun. One
    /// that another key holds in the same group may go on for that.
    fn await_end(&mut self, now_us: u64, note: &Note) {
        let tenancy = &self.tenancies[note.tenancy];
        let place = |at: usize| {
            let likeness = &self.tenancies[at].likeness;
            (likeness.receiver, likeness.group)
        };
        let is_same = |other: &Note| {
            (place(other.tenancy), other.out_key) == (place(note.tenancy), note.out_key)
        };
        if now_us < tenancy.ride_until_us || self.notes.iter().any(is_same) {
            return;
        }
        let struck_us = self.pressed_us.get(&note.id).copied().unwrap_or(now_us);
        // A pedal that its receiver was told when it had loaded may hold it (a stated limit).
        if [HOLD, SOSTENUTO]
            .into_iter()
            .any(|pedal| self.taken_along(note.id, struck_us, pedal))
        {
            return;
        }
        self.awaited.push(Awaited {
            id: note.id,
            receiver: tenancy.likeness.receiver,
            due_us: now_us.max(struck_us + HELD_BACK_US),
            is_end: true,
        });
    }

    /// Lets time pass.
    pub(crate) fn advance(&mut self, now_us: u64) {
        for port in 0..self.ports.len() {
            if matches!(self.ports[port], Port::Starting(until_us) if until_us <= now_us) {
                self.listen(now_us, port);
            }
        }
        let (due, later) = std::mem::take(&mut self.due)
            .into_iter()
            .partition(|(us, _)| *us <= now_us);
        self.due = later;
        let due: Vec<(u64, Due)> = due;
        for (_, what) in due {
            match what {
                // Taken up again meanwhile: it is of the scene once more.
                Due::Leave(id, _) if self.is_present(id) => {}
                Due::Leave(id, way) => self.leave_now(now_us, id, way),
                // Taken up again meanwhile, or still on its way back: nothing to forbid.
                Due::Forbid(id, _) if self.is_present(id) || !self.owners.contains_key(&id) => {}
                Due::Forbid(id, Change::Bend) if self.is_bent(id) => {}
                // A finger that is down there goes on to do as it likes.
                Due::Forbid(id, change) if FINGERS.contains(&change) && self.is_fingered(id) => {}
                Due::Forbid(id, change) => self.judge.forbid(id, change),
                Due::Lay(at) => self.tenancies[at].ghosts.clear(),
                Due::End(id) => {
                    self.haunt(id);
                    for holder in [Holder::Key, Holder::Hold, Holder::Sostenuto] {
                        self.judge.let_go(id, holder, now_us);
                    }
                    self.end(now_us, |note| note.id == id);
                }
            }
        }
    }

    /// A note that ends with its scene, on a slot that may have been taken from it before.
    fn haunt(&mut self, id: ExpectId) {
        let Some(note) = self.notes.iter().find(|note| note.id == id) else {
            return;
        };
        let tenancy = &mut self.tenancies[note.tenancy];
        if tenancy.is_tainted {
            tenancy.ghosts.push(Ghost {
                keyboard: note.keyboard,
                leave: Leave::Hold,
                key: note.is_key_down.then_some(note.key),
                pedals: [note.is_sustained, note.is_latched],
            });
        }
    }

    pub(crate) fn is_listening(&self, port: usize) -> bool {
        self.ports[port] == Port::Listening
    }

    fn is_held(&self, tenancy: usize) -> bool {
        !self.tenancies[tenancy].ghosts.is_empty()
            || self.notes.iter().any(|note| note.tenancy == tenancy)
    }

    fn is_present(&self, id: ExpectId) -> bool {
        let owner = self.owners.get(&id);
        owner.is_some_and(|owner| self.tenancies[*owner].is_present)
    }

    /// Whether a note, or one that shares its slot, is still to hear its bend's way back.
    fn is_bent(&self, id: ExpectId) -> bool {
        let Some(owner) = self.owners.get(&id) else {
            return false;
        };
        if self.tenancies[*owner].is_route_bent {
            return true;
        }
        let notes = self.notes.iter().filter(|note| note.tenancy == *owner);
        let ghosts = self.tenancies[*owner].ghosts.iter();
        // A finger hears the bend of its whole surface besides its own.
        let mut keyboards = notes
            .map(|note| note.keyboard)
            .chain(ghosts.map(|ghost| ghost.keyboard))
            .chain(self.tenancies[*owner].bent_by.iter().copied())
            .flat_map(|at| [at, self.world.controllers[at]]);
        keyboards.any(|at| self.hands[at].bend.is_some_and(|bend| bend != CENTRE))
    }

    /// Forgets what has ended.
    fn prune(&mut self, now_us: u64) {
        let open: BTreeSet<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
        self.owners.retain(|id, _| open.contains(id));
        self.pressed_us.retain(|id, _| open.contains(id));
        self.asked.retain(|(_, us)| us + PORT_US > now_us);
        self.ended.retain(|(us, ..)| us + PORT_US > now_us);
        for group in self.tainted.clone() {
            let is_quiet = (0..self.tenancies.len()).all(|at| {
                let tenancy = &self.tenancies[at];
                (tenancy.likeness.receiver, tenancy.likeness.group) != group
                    || !self.is_held(at)
                        && tenancy.ring_until_us + PORT_US < now_us
                        && !tenancy.is_down(HOLD)
                        && !tenancy.is_down(SOSTENUTO)
            });
            if is_quiet {
                self.tainted.remove(&group);
                for tenancy in &mut self.tenancies {
                    if (tenancy.likeness.receiver, tenancy.likeness.group) == group {
                        tenancy.is_tainted = false;
                    }
                }
            }
        }
    }

    fn zone(&self, at: usize, zone: usize) -> &'a Zone {
        let (song, scene) = self.line[at];
        &self.show.songs[song].scenes[scene].zones[zone]
    }
}

/// How long a sound rings on its receiver.
fn release_us(show: &Show, likeness: &Likeness) -> u64 {
    let manners = &show.rig.receivers[likeness.receiver].manners;
    (f64::from(manners.release_s) * 1e6) as u64
}

/// A change is forbidden from some time on, and not before, whatever was meant until now.
fn forbid_later(due: &mut Vec<(u64, Due)>, us: u64, id: ExpectId, change: Change) {
    due.retain(
        |(_, due)| !matches!(due, Due::Forbid(other, what) if (*other, *what) == (id, change)),
    );
    due.push((us, Due::Forbid(id, change)));
}

/// What a finger does to its notes, whatever scene is played; pressure is own to every key.
const FINGERS: [Change; 2] = [Change::Bend, Change::Control];
const IN_SCENE: [Change; 5] = [
    Change::Level,
    Change::Bend,
    Change::Pan,
    Change::Pressure,
    Change::Control,
];
const ALL_CHANGES: [Change; 8] = [
    Change::Cut,
    Change::Revoice,
    Change::Level,
    Change::Bend,
    Change::Pan,
    Change::Pressure,
    Change::Control,
    Change::Passage,
];
