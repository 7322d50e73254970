//! What must be heard, worked out from the show and from DESIGN's rules alone.
//!
//! A *tenancy* is a sound's stay on some slot, from the step that brought it until its last
//! note has ended; which slot that is the oracle neither knows nor asks.

use std::collections::{BTreeMap, BTreeSet};

use segue::midi::mpe::Leader;
use segue::midi::{Key, Program, Value7};
use segue::show::model::{
    BankBytes, Curve, Leave, LevelChange, Moved, ParameterValue, ReceiverKind, Route, Show, Zone,
};
use segue::sim::{Change, Expect, ExpectId, Holder, Judge, JudgeRules, Restrike, Wanted};

use crate::world::{PAGES, SLIDE, Spot, World};

/// Hold and sostenuto, as indices.
pub(crate) const HOLD: usize = 0;
pub(crate) const SOSTENUTO: usize = 1;
const PEDALS: [u8; 2] = [64, 66];
/// The wheel at rest.
pub(crate) const CENTRE: u16 = 8192;
/// The longest that a message waits for its port in these rigs, floods aside.
pub(crate) const PORT_US: u64 = 400_000;
/// The longest that a flooded line is taken to be busy: with what it refused, too.
const FLOOD_US: u64 = 3 * PORT_US;

/// What makes two sounds the same.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) struct Likeness {
    pub(crate) receiver: usize,
    pub(crate) group: usize,
    patch: Option<usize>,
    pan: Option<u8>,
    bend_range: Option<u8>,
    values: Vec<Option<u16>>,
    own_level: Option<i32>,
    copy: usize,
}

/// A sound of a scene.
#[derive(Clone, Debug)]
pub(crate) struct Sound {
    pub(crate) likeness: Likeness,
    level: i32,
    zones: Vec<usize>,
}

/// Why a violation is not one. Counted, so that a rule cannot be excused away.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Excuse {
    /// The group had fewer slots than sounds that were to be kept: some had to be taken. Until
    /// the group is quiet nobody knows whose notes were harmed. Where only rings stood in the
    /// way, only they are covered.
    TooFewSlots,
    /// A note was sent 30 ms after its press, the longest that DESIGN lets it wait, and the
    /// receiver, still loading, lost it.
    LostInLoading,
    /// The port refused messages, or had more than it carries in time. Covers what sounded or
    /// was asked for until it had drained, and sounds that have not been silent since.
    Flooded,
    /// Channel pressure or bend of one note reaches all notes of its slot: MIDI has no other.
    SharedSlot,
    /// It sounded when the cable came out, and nothing reaches it.
    CableOut,
    /// A person had everything sent again, sounding slots of the scene too.
    Forced,
    /// It waited for a slow port when a panic came, and ends at once.
    InFlight,
    /// A note struck while its patch loads is silent until the level comes; a pedal told
    /// when the patch has loaded is too late for a key let go before, and then holds what was
    /// struck since the loading began, until it comes up: stated limits.
    Loading,
}

#[derive(Clone, Debug)]
struct Tenancy {
    likeness: Likeness,
    feeds: BTreeSet<usize>,
    told: BTreeMap<usize, [bool; 2]>,
    hears: BTreeMap<usize, [bool; 2]>,
    is_present: bool,
    /// How often anything had moved when the last of its keyboards came to it.
    since: u64,
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
        self.due.iter().map(|(us, _)| *us).chain(starts).min()
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

    pub(crate) fn press_key(&mut self, now_us: u64, keyboard: usize, key: u8, velocity: u8) {
        self.lift_key(now_us, keyboard, key);
        self.hands[keyboard].keys.insert(key);
        if self.is_muted {
            return;
        }
        let mut hits = Vec::new();
        for (index, sound) in self.sounds[self.at].iter().enumerate() {
            for number in &sound.zones {
                let zone = self.zone(self.at, *number);
                let is_hit = zone.controller == self.world.controllers[keyboard]
                    && (zone.keys.0.get()..=zone.keys.1.get()).contains(&key)
                    && (zone.velocities.0.get()..=zone.velocities.1.get()).contains(&velocity);
                if is_hit {
                    hits.push((zone.keys, *number, index));
                }
            }
        }
        // The same note with the same patch on two slots is told apart by its order alone:
        // zones sound from the lowest up.
        hits.sort();
        for (_, number, sound) in hits {
            let zone = self.zone(self.at, number);
            self.ask(now_us, sound, zone, (keyboard, key, velocity));
        }
    }

    fn ask(
        &mut self,
        now_us: u64,
        sound: usize,
        zone: &Zone,
        (keyboard, key, velocity): (usize, u8, u8),
    ) {
        let others = if zone.is_never_transposed {
            0
        } else {
            self.transposes[self.at]
        };
        let out_key = i32::from(key) + i32::from(zone.transpose) + others;
        let receiver = &self.show.rig.receivers[zone.receiver];
        if !(0..128).contains(&out_key) || !self.is_listening(self.world.ports[zone.receiver]) {
            return;
        }
        let patch = zone.patch.map(|at| &receiver.patches.patches[at]);
        let bank = receiver.manners.bank;
        let heeds = |one: BankBytes| bank == one || bank == BankBytes::Both;
        let expect = Expect {
            down_us: now_us,
            receiver: zone.receiver,
            wanted: Wanted {
                bank_msb: patch
                    .and_then(|patch| patch.bank_msb)
                    .filter(|_| heeds(BankBytes::Msb)),
                bank_lsb: patch
                    .and_then(|patch| patch.bank_lsb)
                    .filter(|_| heeds(BankBytes::Lsb)),
                program: patch.map(|patch| patch.program),
                group: Some(zone.group as u8),
            },
            key: Key::clamped(out_key),
            velocities: sent_for(zone, &self.show.rig.curves[zone.curve], velocity),
        };
        self.presses += 1;
        let id = self.judge.expect(expect);
        let at = self.present[sound];
        self.owners.insert(id, at);
        self.pressed_us.insert(id, now_us);
        self.asked.push((at, now_us));
        if self.tenancies[at].is_tainted {
            self.cover(id, Excuse::TooFewSlots);
        }
        self.pay(now_us, at);
        if self.is_doubtful(now_us, at) {
            self.excuse(id, Excuse::Flooded);
        }
        let is_sustained = self.tenancies[at].is_down(HOLD);
        if now_us < self.passage_until_us {
            self.judge.allow(id, Change::Passage);
        }
        if self.world.specs[zone.receiver].manners.restrike == Restrike::Replace {
            if receiver.groups[zone.group].mpe.is_empty() {
                self.replace(now_us, at, out_key as u8);
            } else {
                self.doubt_replaced(at, out_key as u8, id);
            }
        }
        if is_sustained {
            self.judge.hold(id, Holder::Hold);
        }
        self.notes.push(Note {
            id,
            keyboard,
            key,
            out_key: out_key as u8,
            tenancy: at,
            leave: match zone.leave {
                Leave::Fade(0) => Leave::Cut,
                leave => leave,
            },
            is_key_down: true,
            is_latched: false,
            is_sustained,
            leader: zone.finger,
            struck: self.moves + 1,
        });
    }

    /// The same on an MPE zone: only on one member does it give way, and which one a note
    /// takes is not known.
    fn doubt_replaced(&mut self, tenancy: usize, out_key: u8, id: ExpectId) {
        let is_like = |note: &&Note| (note.tenancy, note.out_key) == (tenancy, out_key);
        let mut like: Vec<ExpectId> = self.notes.iter().filter(is_like).map(|n| n.id).collect();
        if !like.is_empty() {
            like.push(id);
        }
        for id in like {
            self.excuse(id, Excuse::SharedSlot);
        }
    }

    /// A receiver that keeps one voice a key: a note that only pedals hold gives way to the
    /// new one, and what sostenuto had latched is not latched any more.
    fn replace(&mut self, now_us: u64, tenancy: usize, out_key: u8) {
        for note in &mut self.notes {
            if note.tenancy != tenancy || note.out_key != out_key {
                continue;
            }
            let pedals = [note.is_sustained && !note.is_key_down, note.is_latched];
            if pedals.contains(&true) {
                self.tenancies[tenancy].ghosts.push(Ghost {
                    keyboard: note.keyboard,
                    leave: note.leave,
                    key: None,
                    pedals,
                });
            }
            note.is_latched = false;
            self.judge.let_go(note.id, Holder::Sostenuto, now_us);
            if !note.is_key_down {
                note.is_sustained = false;
                self.judge.let_go(note.id, Holder::Hold, now_us);
            }
        }
        self.settle(now_us);
    }

    pub(crate) fn lift_key(&mut self, now_us: u64, keyboard: usize, key: u8) {
        self.hands[keyboard].keys.remove(&key);
        let left: BTreeSet<usize> = self
            .notes
            .iter()
            .filter(|note| note.keyboard == keyboard && note.key == key && note.is_key_down)
            .map(|note| note.tenancy)
            .filter(|at| self.is_finger(keyboard) && !self.tenancies[*at].is_present)
            .collect();
        self.lift(now_us, keyboard, key);
        // With the last finger what it did is over for what rings there.
        let over: Vec<usize> = left
            .into_iter()
            .filter(|at| !self.has_fingers(*at))
            .collect();
        for at in over {
            for (id, _) in self.owners.iter().filter(|(_, owner)| **owner == at) {
                for change in FINGERS {
                    forbid_later(&mut self.due, now_us + PORT_US, *id, change);
                }
            }
        }
    }

    fn lift(&mut self, now_us: u64, keyboard: usize, key: u8) {
        for note in &mut self.notes {
            if note.keyboard == keyboard && note.key == key && note.is_key_down {
                note.is_key_down = false;
                self.judge.let_go(note.id, Holder::Key, now_us);
            }
        }
        for at in 0..self.tenancies.len() {
            for ghost in &mut self.tenancies[at].ghosts {
                if ghost.keyboard == keyboard && ghost.key == Some(key) {
                    ghost.key = None;
                }
            }
            self.lay_ghosts(now_us, at);
        }
        self.settle(now_us);
    }

    /// Forgets the ghosts that nothing would hold; their rings would begin.
    fn lay_ghosts(&mut self, now_us: u64, at: usize) {
        let tenancy = &mut self.tenancies[at];
        let release_us = release_us(self.show, &tenancy.likeness);
        let before = tenancy.ghosts.len();
        tenancy.ghosts.retain(Ghost::is_held);
        if tenancy.ghosts.len() < before {
            tenancy.ring_until_us = tenancy.ring_until_us.max(now_us + release_us);
        }
    }

    /// Forgets the notes that nothing holds; their rings begin.
    fn settle(&mut self, now_us: u64) {
        self.end(now_us, |note| !note.is_held());
    }

    fn end(&mut self, now_us: u64, is_meant: impl Fn(&Note) -> bool) {
        let show = self.show;
        let tenancies = &mut self.tenancies;
        let ended = &mut self.ended;
        self.notes.retain(|note| {
            if is_meant(note) {
                ended.push((now_us, note.id, note.tenancy));
                let tenancy = &mut tenancies[note.tenancy];
                let release_us = release_us(show, &tenancy.likeness);
                tenancy.ring_until_us = tenancy.ring_until_us.max(now_us + release_us);
            }
            !is_meant(note)
        });
    }

    pub(crate) fn move_source(&mut self, now_us: u64, keyboard: usize, number: u8, value: u8) {
        if let Some(pedal) = PEDALS.iter().position(|pedal| *pedal == number) {
            self.move_pedal(now_us, keyboard, pedal, value);
        } else if number != 67 {
            self.note_movement((keyboard, number), u16::from(value));
        }
    }

    fn note_movement(&mut self, source: SourceName, value: u16) {
        self.moves += 1;
        self.moved.insert(source, (self.moves, value));
    }

    fn move_pedal(&mut self, now_us: u64, keyboard: usize, pedal: usize, value: u8) {
        self.hands[keyboard].pedals[pedal] = value;
        let is_down = value >= 64;
        for at in 0..self.tenancies.len() {
            if !self.is_listening(self.world.ports[self.tenancies[at].likeness.receiver]) {
                continue;
            }
            let tenancy = &mut self.tenancies[at];
            let was_down = tenancy.is_down(pedal);
            if tenancy.is_present && tenancy.feeds.contains(&keyboard) {
                let hears = tenancy.hears.entry(keyboard).or_default();
                hears[pedal] |= !is_down;
                if hears[pedal] {
                    tenancy.told.entry(keyboard).or_default()[pedal] = is_down;
                }
            } else if !is_down {
                tenancy.told.entry(keyboard).or_default()[pedal] = false;
            }
            self.follow_edge(now_us, at, pedal, was_down);
        }
    }

    fn follow_edge(&mut self, now_us: u64, at: usize, pedal: usize, was_down: bool) {
        let is_down = self.tenancies[at].is_down(pedal);
        if was_down == is_down {
            return;
        }
        for ghost in &mut self.tenancies[at].ghosts {
            ghost.pedals[pedal] = is_down && (pedal == HOLD || ghost.key.is_some());
        }
        self.lay_ghosts(now_us, at);
        for note in self.notes.iter_mut().filter(|note| note.tenancy == at) {
            match (pedal, is_down) {
                (HOLD, true) => {
                    note.is_sustained = true;
                    self.judge.hold(note.id, Holder::Hold);
                }
                (HOLD, false) => {
                    note.is_sustained = false;
                    self.judge.let_go(note.id, Holder::Hold, now_us);
                }
                (_, true) if note.is_key_down => {
                    note.is_latched = true;
                    self.judge.hold(note.id, Holder::Sostenuto);
                }
                (_, true) => {}
                (_, false) => {
                    note.is_latched = false;
                    self.judge.let_go(note.id, Holder::Sostenuto, now_us);
                }
            }
        }
        self.settle(now_us);
    }

    pub(crate) fn bend(&mut self, now_us: u64, keyboard: usize, value: u16) {
        let before = self.hands[keyboard].bend.unwrap_or(CENTRE);
        self.hands[keyboard].bend = Some(value);
        self.note_movement((keyboard, BEND), value);
        let is_back = value == CENTRE || (before > CENTRE) != (value > CENTRE);
        if is_back {
            for tenancy in &mut self.tenancies {
                tenancy.bent_by.remove(&keyboard);
            }
            for note in &self.notes {
                if !self.tenancies[note.tenancy].is_present {
                    forbid_later(&mut self.due, now_us + PORT_US, note.id, Change::Bend);
                }
            }
        }
    }

    pub(crate) fn slide(&mut self, finger: usize, value: u8) {
        self.note_movement((finger, SLIDE), u16::from(value));
    }

    /// Whether hands are a finger of the surface.
    pub(crate) fn is_finger(&self, keyboard: usize) -> bool {
        self.world.controllers[keyboard] != keyboard
    }

    /// Whether more fingers are down on a sound than `known`.
    pub(crate) fn has_unsure(&self, tenancy: usize, known: usize) -> bool {
        let notes = self.notes.iter().filter(|note| {
            note.tenancy == tenancy && note.is_key_down && self.is_finger(note.keyboard)
        });
        notes.count() != known
    }

    /// Whether keys of an ordinary keyboard hold notes where fingers may.
    pub(crate) fn has_keys(&self, tenancy: usize) -> bool {
        let mut notes = self.notes.iter().filter(|note| note.tenancy == tenancy);
        notes.any(|note| !self.is_finger(note.keyboard))
    }

    fn is_fingered(&self, id: ExpectId) -> bool {
        let owner = self.owners.get(&id);
        owner.is_some_and(|owner| self.has_fingers(*owner))
    }

    /// Whether fingers have notes where this note sounds.
    fn has_fingers(&self, tenancy: usize) -> bool {
        let mut notes = self.notes.iter();
        notes.any(|note| {
            note.tenancy == tenancy && note.is_key_down && self.is_finger(note.keyboard)
        })
    }

    pub(crate) fn press(&mut self, keyboard: usize, value: u8) {
        self.hands[keyboard].pressure = value;
        self.note_movement((keyboard, PRESSURE), u16::from(value));
    }

    /// A keyboard's hold on everything ends.
    pub(crate) fn let_go_of(&mut self, now_us: u64, keyboard: usize) {
        for key in self.hands[keyboard].keys.clone() {
            self.lift_key(now_us, keyboard, key);
        }
        if self.is_finger(keyboard) {
            self.hands[keyboard].bend = None;
            self.hands[keyboard].pressure = 0;
            for source in [BEND, PRESSURE, SLIDE] {
                self.moved.remove(&(keyboard, source));
            }
            return;
        }
        for pedal in [HOLD, SOSTENUTO] {
            self.move_pedal(now_us, keyboard, pedal, 0);
        }
        if self.hands[keyboard].bend.is_some_and(|bend| bend != CENTRE) {
            self.bend(now_us, keyboard, CENTRE);
        }
        if self.hands[keyboard].pressure > 0 {
            self.press(keyboard, 0);
        }
    }

    pub(crate) fn release_all(&mut self, now_us: u64) {
        let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
        for id in open {
            self.judge.allow(id, Change::Bend);
        }
        // All wheels go back, whatever was forbidden when only some of them had.
        self.due
            .retain(|(_, due)| !matches!(due, Due::Forbid(_, Change::Bend)));
        for keyboard in 0..self.hands.len() {
            self.let_go_of(now_us, keyboard);
        }
        self.pedal.is_down = false;
        self.was_released = true;
        self.released_us = Some(now_us);
        for at in 0..self.tenancies.len() {
            for pedal in [HOLD, SOSTENUTO] {
                let was_down = self.tenancies[at].is_down(pedal);
                for told in self.tenancies[at].told.values_mut() {
                    told[pedal] = false;
                }
                self.follow_edge(now_us, at, pedal, was_down);
            }
        }
    }

    pub(crate) fn mute(&mut self, is_muted: bool) {
        self.is_muted = is_muted;
    }

    pub(crate) fn step(&mut self, now_us: u64, drains_us: &[u64]) {
        self.go(now_us, self.at.checked_add(1), Some(true), drains_us);
    }

    pub(crate) fn back(&mut self, now_us: u64, drains_us: &[u64]) {
        self.go(now_us, self.at.checked_sub(1), None, drains_us);
    }

    pub(crate) fn jump(&mut self, now_us: u64, to: usize, drains_us: &[u64]) {
        self.go(now_us, Some(to), Some(false), drains_us);
    }

    pub(crate) fn song_down(&mut self, now_us: u64, drains_us: &[u64]) {
        let to = self.song_starts.iter().copied().find(|at| *at > self.at);
        self.go(now_us, to, Some(false), drains_us);
    }

    pub(crate) fn song_up(&mut self, now_us: u64, drains_us: &[u64]) {
        let to = self
            .song_starts
            .iter()
            .rev()
            .copied()
            .find(|at| *at < self.at);
        self.go(now_us, to, None, drains_us);
    }

    /// The pedal that steps: DESIGN's live rules (40 ms bounce, 250 ms double press).
    pub(crate) fn step_pedal(&mut self, now_us: u64, is_down: bool, drains_us: &[u64]) {
        if self.pedal.is_down == is_down {
            return;
        }
        self.pedal.is_down = is_down;
        let is_near = |last: Option<u64>, us| last.is_some_and(|last| now_us - last < us);
        if is_near(self.pedal.accepted_us, 40_000) {
            return;
        }
        self.pedal.accepted_us = Some(now_us);
        if !is_down {
            return;
        }
        let (song, scene) = self.line[self.at];
        let is_brief = self.show.songs[song].scenes[scene].is_brief;
        if is_near(self.pedal.step_us, 250_000) && !is_brief {
            return;
        }
        let from = self.at;
        self.step(now_us, drains_us);
        if self.at != from {
            self.pedal.step_us = Some(now_us);
        }
    }

    /// The night is another one from now on. The show stays in its scene: where a song
    /// plays a scene several times, at the same turn of it.
    pub(crate) fn change_night(&mut self, spots: &[Spot]) {
        let here = self.line[self.at];
        let is_here = |place: &&(usize, usize)| **place == here;
        let turn = self.line[..self.at].iter().filter(is_here).count();
        self.set_line(spots);
        let mut places = self.line.iter().enumerate();
        let at = places
            .by_ref()
            .filter(|(_, place)| **place == here)
            .nth(turn);
        self.at = at.expect("the present song is never left out").0;
    }

    fn set_line(&mut self, spots: &[Spot]) {
        self.line.clear();
        self.song_starts.clear();
        self.transposes.clear();
        self.sounds.clear();
        for spot in spots {
            if spot.is_start {
                self.song_starts.push(self.line.len());
            }
            self.line.push((spot.song, spot.scene));
            self.transposes.push(spot.transpose);
            let scene = &self.show.songs[spot.song].scenes[spot.scene];
            let sounds = sounds_of(self.show, &scene.zones, &scene.settings);
            self.sounds.push(sounds);
        }
    }

    fn go(&mut self, now_us: u64, to: Option<usize>, cues: Option<bool>, drains_us: &[u64]) {
        let Some(to) = to.filter(|to| *to < self.line.len()) else {
            return;
        };
        self.moved_us = Some(now_us);
        self.prune(now_us);
        let mut coming = Vec::new();
        for (index, sound) in self.sounds[to].iter().enumerate() {
            coming.push((index, self.tenant_of(&sound.likeness)));
        }
        let stays: BTreeSet<usize> = coming.iter().filter_map(|(_, at)| *at).collect();
        for at in self.present.clone() {
            let is_bent = self.bends_by_route(self.tenancies[at].likeness.receiver);
            self.tenancies[at].is_route_bent &= self.is_held(at);
            self.tenancies[at].is_route_bent |= is_bent;
            let mine = self.notes.iter().filter(|note| note.tenancy == at);
            let is_off = |at: &usize| self.hands[*at].bend.is_some_and(|bend| bend != CENTRE);
            let bent_by = mine.map(|note| note.keyboard).filter(is_off).collect();
            self.tenancies[at].bent_by = bent_by;
        }
        self.leave(now_us, &stays, drains_us);
        self.take_shortage(now_us, to, &coming);
        let from = std::mem::replace(&mut self.at, to);
        self.turn_page(from, to);
        let feeds_before: Vec<BTreeSet<usize>> =
            self.tenancies.iter().map(|t| t.feeds.clone()).collect();
        for tenancy in &mut self.tenancies {
            tenancy.is_present = false;
            tenancy.feeds.clear();
        }
        self.present = coming
            .into_iter()
            .map(|(index, at)| match at {
                Some(at) => {
                    self.stay(now_us, to, index, at, &feeds_before[at]);
                    at
                }
                None => self.move_in(now_us, to, index),
            })
            .collect();
        self.note_effects(now_us, to);
        self.expect_cues(to, cues);
    }

    /// A scene that names no page stays on the page of its song, or starts a song.
    fn turn_page(&mut self, from: usize, to: usize) {
        let (song, scene) = self.line[to];
        let named = self.show.songs[song].scenes[scene].page;
        self.page = match named {
            Some(page) => page - 1,
            None if self.line[from].0 == song => self.page,
            None => 0,
        };
    }

    /// The number that page tablets are to show: pages are counted through the night.
    pub(crate) fn page_number(&self) -> u8 {
        (self.line[self.at].0 as u16 * PAGES + self.page) as u8
    }

    /// The tenancy that goes on with this sound: in the present scene, else one with held
    /// notes.
    fn tenant_of(&self, likeness: &Likeness) -> Option<usize> {
        let same = |at: &usize| self.tenancies[*at].likeness == *likeness;
        self.present
            .iter()
            .copied()
            .find(|at| same(at))
            .or_else(|| {
                (0..self.tenancies.len()).find(|at| {
                    let tenancy = &self.tenancies[*at];
                    !tenancy.is_present && !tenancy.is_fading && same(at) && self.is_held(*at)
                })
            })
    }

    fn is_held(&self, tenancy: usize) -> bool {
        !self.tenancies[tenancy].ghosts.is_empty()
            || self.notes.iter().any(|note| note.tenancy == tenancy)
    }

    /// Whether another note holds the slot of this one, or did while what it heard waited
    /// for a slow port.
    pub(crate) fn is_shared(&self, id: ExpectId, at_us: u64) -> bool {
        let holding = self.notes.iter().map(|note| (note.id, note.tenancy));
        let lately = self.ended.iter().filter(|(us, ..)| us + PORT_US > at_us);
        let mut others = holding
            .chain(lately.map(|(_, other, at)| (*other, *at)))
            .filter(|(other, _)| *other != id);
        let owner = self.owners.get(&id);
        owner.is_some_and(|owner| others.any(|(_, at)| at == *owner))
    }

    /// `cut` and `fade`. A slot fades only if all its notes do; else those that would are
    /// let go at once.
    fn leave(&mut self, now_us: u64, stays: &BTreeSet<usize>, drains_us: &[u64]) {
        let mut ends = BTreeMap::new();
        for at in self.present.clone() {
            if stays.contains(&at) {
                continue;
            }
            let mine: Vec<(ExpectId, Leave)> = self
                .notes
                .iter()
                .filter(|note| note.tenancy == at)
                .map(|note| (note.id, note.leave))
                .collect();
            let is_pedal_down =
                self.tenancies[at].is_down(HOLD) || self.tenancies[at].is_down(SOSTENUTO);
            let ghosts = self.tenancies[at].ghosts.iter().map(|ghost| ghost.leave);
            let leaves: Vec<Leave> = mine.iter().map(|(_, leave)| *leave).chain(ghosts).collect();
            if is_pedal_down && leaves.iter().any(|leave| *leave != leaves[0]) {
                // A pedal belongs to the whole slot: it cannot come up for some of its notes.
                for (id, leave) in &mine {
                    if *leave != Leave::Hold {
                        self.excuse(*id, Excuse::SharedSlot);
                    }
                }
            }
            let fades = |leave: &Leave| matches!(leave, Leave::Fade(_));
            // As the slot is treated: it fades if all that would hold it does, ghosts with it.
            let lasting = leaves.iter().filter(|leave| **leave != Leave::Cut);
            let fade_ms = lasting
                .map(|leave| match leave {
                    Leave::Fade(ms) => Some(*ms),
                    _ => None,
                })
                .reduce(|longest, ms| Some(longest?.max(ms?)))
                .flatten();
            let tenancy = &mut self.tenancies[at];
            if fade_ms.is_some() || is_pedal_down && tenancy.ghosts.iter().any(|g| fades(&g.leave))
            {
                let rings = self.owners.iter().filter(|(_, owner)| **owner == at);
                ends.extend(rings.map(|(id, _)| (*id, u64::MAX)));
            }
            let end_us = now_us + u64::from(fade_ms.unwrap_or(0)) * 1000;
            let ending = mine
                .iter()
                .filter(|(_, leave)| fade_ms.is_some() || *leave != Leave::Hold);
            ends.extend(ending.map(|(id, _)| (*id, end_us)));
            // What ends is forgotten with its ghosts; the pedal comes up, or stays for others.
            if fade_ms.is_some() {
                tenancy.is_fading = true;
                self.due.push((end_us, Due::Lay(at)));
            } else {
                tenancy.ghosts.retain(|ghost| ghost.leave == Leave::Hold);
            }
        }
        for (id, us) in &ends {
            self.judge.allow(*id, Change::Cut);
            if *us < u64::MAX {
                self.due.push((*us, Due::End(*id)));
            }
        }
        self.advance(now_us);
        self.hold_over(now_us, stays, &ends.into_keys().collect(), drains_us);
    }

    /// Notes and rings of sounds that do not stay.
    fn hold_over(
        &mut self,
        now_us: u64,
        stays: &BTreeSet<usize>,
        spared: &BTreeSet<ExpectId>,
        drains_us: &[u64],
    ) {
        let open: Vec<(ExpectId, usize)> = self
            .judge
            .open()
            .map(|(id, expect, _)| (id, expect.receiver))
            .collect();
        for (id, receiver) in open {
            let Some(owner) = self.owners.get(&id).copied() else {
                continue;
            };
            if stays.contains(&owner) || spared.contains(&id) || !self.tenancies[owner].is_present {
                continue;
            }
            let way = Way {
                is_riding: self.tenancies[owner].ride_until_us > now_us,
                is_bent: self.is_bent(id),
                is_fingered: self.has_fingers(owner),
            };
            let drain_us = drains_us[self.world.ports[receiver]];
            if drain_us > 0 {
                self.due
                    .retain(|(_, due)| !matches!(due, Due::Leave(other, _) if *other == id));
                self.due.push((now_us + drain_us, Due::Leave(id, way)));
            } else {
                self.leave_now(now_us, id, way);
            }
        }
    }

    /// From now on the note hears nothing of the new scene: only its own pressure, its own
    /// bend on the way back, and the rest of a level that was already on its way.
    fn leave_now(&mut self, now_us: u64, id: ExpectId, way: Way) {
        // Given up meanwhile, as by a panic.
        let Some(owner) = self.owners.get(&id).copied() else {
            return;
        };
        self.judge.hold_over(id);
        if now_us < self.passage_until_us {
            self.judge.allow(id, Change::Passage);
        }
        // All wheels may be on their way back.
        let is_released = self.released_us.is_some_and(|us| us + PORT_US > now_us);
        if way.is_bent || is_released {
            self.judge.allow(id, Change::Bend);
        }
        if way.is_bent && !self.is_bent(id) {
            // It went back while the line was busy.
            forbid_later(&mut self.due, now_us + PORT_US, id, Change::Bend);
        }
        if way.is_fingered {
            for change in FINGERS {
                self.judge.allow(id, change);
                if !self.has_fingers(owner) {
                    // They lifted while the line was busy.
                    forbid_later(&mut self.due, now_us + PORT_US, id, change);
                }
            }
        }
        let ride_us = self.tenancies[owner].ride_until_us.max(now_us);
        if way.is_riding {
            for change in [Change::Level, Change::Pan, Change::Control, Change::Bend] {
                self.judge.allow(id, change);
                forbid_later(&mut self.due, ride_us + PORT_US, id, change);
            }
        }
        if self.excused.contains_key(&id) {
            for change in ALL_CHANGES {
                self.judge.allow(id, change);
            }
        }
    }

    fn is_present(&self, id: ExpectId) -> bool {
        let owner = self.owners.get(&id);
        owner.is_some_and(|owner| self.tenancies[*owner].is_present)
    }

    /// Whether a route of the present scene bends a receiver's sounds.
    fn bends_by_route(&self, receiver: usize) -> bool {
        let mut routes = self.routes(self.at).iter();
        routes.any(|route| (route.target.receiver, route.target.what) == (receiver, Moved::Bend))
    }

    /// The routes of a position's scene.
    pub(crate) fn routes(&self, at: usize) -> &'a [Route] {
        let (song, scene) = self.line[at];
        &self.show.songs[song].scenes[scene].routes
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

    /// The excuse of another key that holds the same note: what became of its own voice, the
    /// note goes on for it.
    pub(crate) fn is_claimed(&self, id: ExpectId) -> Option<Excuse> {
        let owner = self.owners.get(&id)?;
        let (_, expect, _) = self.judge.open().find(|(open, ..)| *open == id)?;
        let is_same = |note: &&Note| note.tenancy == *owner && note.out_key == expect.key.get();
        let held = self.notes.iter().filter(is_same).map(|note| note.id);
        let open = self.judge.open().filter(|(other, other_expect, _)| {
            other_expect.key == expect.key && self.owners.get(other) == Some(owner)
        });
        held.chain(open.map(|(other, ..)| other))
            .filter(|other| *other != id)
            .find_map(|other| self.excused.get(&other).copied())
    }

    /// A group that has fewer slots than sounds to keep: what is left there may be harmed.
    fn take_shortage(&mut self, now_us: u64, to: usize, coming: &[(usize, Option<usize>)]) {
        let mut groups: BTreeMap<(usize, usize), (usize, Vec<usize>)> = BTreeMap::new();
        for (index, at) in coming {
            let likeness = &self.sounds[to][*index].likeness;
            let group = groups
                .entry((likeness.receiver, likeness.group))
                .or_default();
            group.0 += 1;
            group.1.extend(at);
        }
        for ((receiver, group), (sounds, stays)) in groups {
            let size = self.show.rig.receivers[receiver].groups[group]
                .channels
                .len();
            let mine = |tenancy: &Tenancy| {
                (tenancy.likeness.receiver, tenancy.likeness.group) == (receiver, group)
            };
            let left: Vec<usize> = (0..self.tenancies.len())
                .filter(|at| mine(&self.tenancies[*at]) && !stays.contains(at))
                .collect();
            let held = left.iter().filter(|at| self.is_held(**at)).count();
            let rings = |at: &&usize| {
                self.is_held(**at) || self.tenancies[**at].ring_until_us + PORT_US > now_us
            };
            let busy = left.iter().filter(rings).count();
            let news = sounds - stays.len();
            let is_tainted = self.tainted.contains(&(receiver, group));
            if !is_tainted && (news == 0 || busy + sounds <= size) {
                continue;
            }
            // Once notes were harmed it is not known which are left.
            let is_harmed = is_tainted || (held + sounds) > size;
            // If there is room beside the held notes, only slots that merely ring are taken.
            let spared = left.iter().filter(|at| is_harmed || !self.is_held(**at));
            let owned: Vec<ExpectId> = self
                .owners
                .iter()
                .filter(|(_, owner)| spared.clone().any(|at| at == *owner))
                .map(|(id, _)| *id)
                .collect();
            for id in owned {
                self.excuse(id, Excuse::TooFewSlots);
            }
            self.harm_allowed += if is_tainted {
                sounds as u64
            } else {
                (held + sounds).saturating_sub(size) as u64
            };
            for at in left {
                self.tenancies[at].is_tainted |= is_harmed;
            }
            if is_harmed {
                self.tainted.insert((receiver, group));
            }
        }
    }

    /// Violations that name this note are excused from now on.
    fn cover(&mut self, id: ExpectId, why: Excuse) {
        if self.excused.insert(id, why).is_none() {
            *self.spared.entry(why).or_default() += 1;
        }
    }

    /// The same, and nothing that it hears is a violation.
    fn excuse(&mut self, id: ExpectId, why: Excuse) {
        self.cover(id, why);
        for change in ALL_CHANGES {
            self.judge.allow(id, change);
        }
    }

    /// A sound that comes: pedals that are down count from their next fresh press, unless
    /// a zone catches them.
    fn move_in(&mut self, now_us: u64, to: usize, index: usize) -> usize {
        let likeness = self.sounds[to][index].likeness.clone();
        let load_ms = self.show.rig.receivers[likeness.receiver].manners.load_ms;
        let group = (likeness.receiver, likeness.group);
        self.tenancies.push(Tenancy {
            is_tainted: self.tainted.contains(&group),
            is_doubtful: false,
            is_owed: false,
            is_route_bent: false,
            bent_by: BTreeSet::new(),
            ghosts: Vec::new(),
            likeness,
            level: self.sounds[to][index].level,
            feeds: BTreeSet::new(),
            told: BTreeMap::new(),
            hears: BTreeMap::new(),
            is_present: true,
            since: self.moves,
            is_fading: false,
            ring_until_us: 0,
            // A slow port adds to the loading time.
            ride_until_us: now_us + u64::from(load_ms) * 1000 + u64::from(load_ms > 0) * PORT_US,
        });
        let at = self.tenancies.len() - 1;
        for (keyboard, catches) in self.feeds(to, index) {
            self.link(0, at, keyboard, catches);
        }
        at
    }

    fn stay(
        &mut self,
        now_us: u64,
        to: usize,
        index: usize,
        at: usize,
        fed_before: &BTreeSet<usize>,
    ) {
        let level = self.sounds[to][index].level;
        let moves = self.moves;
        let tenancy = &mut self.tenancies[at];
        tenancy.is_present = true;
        if tenancy.level != level || tenancy.ride_until_us > now_us {
            // A ride on its way starts anew from where it is.
            tenancy.level = level;
            // The last value of the ride may wait for a slow port.
            tenancy.ride_until_us = tenancy.ride_until_us.max(now_us + 50_000 + 30_000);
        }
        let owned: Vec<ExpectId> = self
            .owners
            .iter()
            .filter(|(_, owner)| **owner == at)
            .map(|(id, _)| *id)
            .collect();
        // Whatever was to be forbidden since its scene was left is the scene's own again.
        self.due.retain(|(_, due)| match due {
            Due::Forbid(id, _) | Due::Leave(id, _) => !owned.contains(id),
            Due::End(_) | Due::Lay(_) => true,
        });
        for id in owned {
            for change in IN_SCENE {
                self.judge.allow(id, change);
            }
        }
        for (keyboard, catches) in self.feeds(to, index) {
            if !fed_before.contains(&keyboard) {
                self.tenancies[at].since = moves;
            }
            if !fed_before.contains(&keyboard) || catches {
                self.link(now_us, at, keyboard, catches);
            } else {
                self.tenancies[at].feeds.insert(keyboard);
            }
        }
    }

    fn link(&mut self, now_us: u64, at: usize, keyboard: usize, catches: bool) {
        for pedal in [HOLD, SOSTENUTO] {
            let is_down = self.hands[keyboard].pedals[pedal] >= 64;
            // Sostenuto holds what is down as it goes down: without a note it holds nothing.
            let catches = catches && (pedal == HOLD || self.is_held(at));
            let tenancy = &mut self.tenancies[at];
            let was_down = tenancy.is_down(pedal);
            tenancy.feeds.insert(keyboard);
            let told = tenancy.told.entry(keyboard).or_default();
            let hears = !is_down || catches || told[pedal];
            if hears {
                told[pedal] = is_down;
            }
            tenancy.hears.entry(keyboard).or_default()[pedal] = hears;
            self.follow_edge(now_us, at, pedal, was_down);
        }
    }

    /// Keyboards with a zone on a sound, and whether one of those zones catches.
    fn feeds(&self, to: usize, index: usize) -> BTreeMap<usize, bool> {
        let mut feeds = BTreeMap::new();
        for zone in &self.sounds[to][index].zones {
            let zone = self.zone(to, *zone);
            *feeds.entry(zone.controller).or_insert(false) |= zone.catches;
        }
        feeds
    }

    /// Silence: nothing is held any more, and pedals that are down count from their next
    /// fresh press.
    pub(crate) fn panic(&mut self, now_us: u64) {
        self.reload(now_us);
        for receiver in 0..self.world.specs.len() {
            if self.show.rig.receivers[receiver].sounds {
                self.give_up(now_us, receiver);
            }
        }
    }

    /// Nothing more is asked of what a receiver sounds but that it ends.
    fn give_up(&mut self, now_us: u64, receiver: usize) {
        self.judge.silence(receiver, now_us);
        let tenancies = &self.tenancies;
        let is_there = |at: usize| tenancies[at].likeness.receiver == receiver;
        self.notes.retain(|note| !is_there(note.tenancy));
        self.owners.retain(|_, owner| !is_there(*owner));
        for at in 0..self.tenancies.len() {
            if self.tenancies[at].likeness.receiver == receiver {
                self.refresh(at);
            }
        }
        self.tainted.retain(|(at, _)| *at != receiver);
    }

    fn refresh(&mut self, at: usize) {
        let tenancy = &mut self.tenancies[at];
        tenancy.told.clear();
        tenancy.hears.clear();
        tenancy.ring_until_us = 0;
        tenancy.is_tainted = false;
        tenancy.is_doubtful = false;
        tenancy.is_owed = false;
        tenancy.ghosts.clear();
        for keyboard in tenancy.feeds.clone() {
            self.link(0, at, keyboard, false);
        }
    }

    pub(crate) fn lose_port(&mut self, now_us: u64, port: usize) {
        self.ports[port] = Port::Out;
        for receiver in self.on_port(port) {
            self.give_up(now_us, receiver);
            self.effects.remove(&receiver);
        }
    }

    pub(crate) fn find_port(&mut self, now_us: u64, port: usize) {
        if self.ports[port] != Port::Out {
            return;
        }
        let boot_ms = self
            .on_port(port)
            .into_iter()
            .map(|at| self.show.rig.receivers[at].manners.boot_ms)
            .max();
        let boot_us = u64::from(boot_ms.unwrap_or(0)) * 1000;
        self.ports[port] = Port::Starting(now_us + boot_us);
        self.advance(now_us);
    }

    /// A sign of life ends the wait.
    pub(crate) fn hear_sign(&mut self, now_us: u64, port: usize) {
        if matches!(self.ports[port], Port::Starting(_)) {
            self.listen(now_us, port);
        }
    }

    fn listen(&mut self, now_us: u64, port: usize) {
        self.ports[port] = Port::Listening;
        let receivers = self.on_port(port);
        for at in 0..self.tenancies.len() {
            if receivers.contains(&self.tenancies[at].likeness.receiver) {
                self.refresh(at);
            }
        }
        self.allow_passages(now_us);
    }

    /// Messages are refused, or more of them wait than a slow line carries in time: until
    /// that is over notes may be lost or late, what is held may be let go, and what is let
    /// go may sound on. Who holds a note holds it all the same.
    pub(crate) fn flood_port(&mut self, now_us: u64, port: usize) {
        self.flooded_us[port] = Some(now_us);
        let receivers = self.on_port(port);
        let open: Vec<ExpectId> = self
            .judge
            .open()
            .filter(|(_, expect, _)| receivers.contains(&expect.receiver))
            .map(|(id, ..)| id)
            .collect();
        for id in open {
            self.excuse(id, Excuse::Flooded);
        }
        for at in 0..self.tenancies.len() {
            if receivers.contains(&self.tenancies[at].likeness.receiver) {
                self.reload_one(now_us, at);
            }
        }
    }

    /// All that the port took has gone out. What was refused will not come; slots are set
    /// right at once if they are silent, else as soon as they are.
    pub(crate) fn drain_port(&mut self, now_us: u64, port: usize) {
        let receivers = self.on_port(port);
        let lost: Vec<ExpectId> = self
            .judge
            .open()
            .filter(|(_, expect, _)| {
                // What the engine holds back for a patch may still come.
                receivers.contains(&expect.receiver) && expect.down_us + 35_000 < now_us
            })
            .map(|(id, ..)| id)
            .collect();
        for id in lost {
            if self.judge.withdraw(id) {
                *self.excuses.entry(Excuse::Flooded).or_default() += 1;
            }
        }
        // An effects unit is sent its program again too.
        self.effects
            .retain(|receiver, _| !receivers.contains(receiver));
        self.passage_until_us = now_us + PORT_US;
        let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
        for id in open {
            self.judge.allow(id, Change::Passage);
        }
        for at in 0..self.tenancies.len() {
            if receivers.contains(&self.tenancies[at].likeness.receiver) {
                let is_held = self.is_held(at);
                let ring_until_us = self.last_ring_us(at);
                let is_ringing = ring_until_us + FLOOD_US > now_us;
                // What let it go may have come just now.
                let ring_until_us = if is_ringing {
                    ring_until_us.max(now_us + release_us(self.show, &self.tenancies[at].likeness))
                } else {
                    ring_until_us
                };
                self.reload_one(now_us, at);
                let tenancy = &mut self.tenancies[at];
                // It may have any slot of its group.
                tenancy.ring_until_us = ring_until_us;
                tenancy.is_doubtful = is_held || is_ringing;
            }
        }
    }

    /// When the last note in the group of a tenancy has rung out, those held aside.
    fn last_ring_us(&self, at: usize) -> u64 {
        let group = |tenancy: &Tenancy| (tenancy.likeness.receiver, tenancy.likeness.group);
        let mine = group(&self.tenancies[at]);
        let like = self.tenancies.iter().filter(|other| group(other) == mine);
        like.map(|other| other.ring_until_us).max().unwrap_or(0)
    }

    /// Whether the port of a receiver was flooded at this time or later.
    pub(crate) fn is_flooded(&self, at_us: u64, receiver: usize) -> bool {
        self.flooded_us[self.world.ports[receiver]].is_some_and(|until_us| at_us <= until_us)
    }

    /// What was to be sent again goes out when the last note has rung out.
    fn pay(&mut self, now_us: u64, at: usize) {
        let ring_until_us = self.tenancies[at].ring_until_us;
        if self.tenancies[at].is_owed && !self.is_held(at) {
            self.reload_one(ring_until_us, at);
            self.tenancies[at].is_owed = ring_until_us + PORT_US > now_us;
        }
    }

    /// Whether a sound's slot has not been set right since a flood: it has sounded on.
    fn is_doubtful(&mut self, now_us: u64, at: usize) -> bool {
        let ring_until_us = self.tenancies[at].ring_until_us;
        let right_us = ring_until_us + FLOOD_US;
        if self.tenancies[at].is_doubtful && !self.is_held(at) && right_us < now_us {
            self.tenancies[at].is_doubtful = false;
            self.reload_one(right_us, at);
        }
        self.tenancies[at].is_doubtful
    }

    /// The state is sent again, an effects unit's program with it: a person asked for that.
    pub(crate) fn allow_passages(&mut self, now_us: u64) {
        self.passage_until_us = now_us + PORT_US;
        self.reload(now_us);
        for at in 0..self.tenancies.len() {
            self.tenancies[at].is_owed |=
                self.is_held(at) || self.tenancies[at].ring_until_us + PORT_US > now_us;
        }
        let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
        for id in open {
            self.judge.allow(id, Change::Passage);
        }
        self.effects.clear();
    }

    /// Patches may be loading again from now on.
    fn reload(&mut self, now_us: u64) {
        for at in 0..self.tenancies.len() {
            self.reload_one(now_us, at);
        }
    }

    fn reload_one(&mut self, now_us: u64, at: usize) {
        let tenancy = &mut self.tenancies[at];
        let manners = &self.show.rig.receivers[tenancy.likeness.receiver].manners;
        let until_us = now_us + u64::from(manners.load_ms) * 1000 + PORT_US;
        tenancy.ride_until_us = tenancy.ride_until_us.max(until_us);
    }

    /// Sounding slots of the scene are sent everything too: a person asked for that. Notes
    /// held over from other scenes are not theirs and stay protected, unless their receiver
    /// has no zone in this scene: its slots are then made for what the scene states.
    pub(crate) fn force(&mut self) {
        let played: BTreeSet<usize> = self.sounds[self.at]
            .iter()
            .map(|sound| sound.likeness.receiver)
            .collect();
        let is_meant =
            |tenancy: &Tenancy| tenancy.is_present || !played.contains(&tenancy.likeness.receiver);
        let open: Vec<ExpectId> = self
            .judge
            .open()
            .map(|(id, ..)| id)
            .filter(|id| {
                let owner = self.owners.get(id);
                owner.is_none_or(|at| is_meant(&self.tenancies[*at]))
            })
            .collect();
        for at in 0..self.tenancies.len() {
            let tenancy = &self.tenancies[at];
            if !tenancy.is_present && is_meant(tenancy) && self.is_held(at) {
                let likeness = &tenancy.likeness;
                self.tainted.insert((likeness.receiver, likeness.group));
                // Its slot is not its own any more.
                self.tenancies[at].is_tainted = true;
            }
        }
        for id in open {
            self.excuse(id, Excuse::Forced);
        }
    }

    fn on_port(&self, port: usize) -> Vec<usize> {
        (0..self.world.ports.len())
            .filter(|at| self.world.ports[*at] == port)
            .collect()
    }

    /// An effects unit changes its program only if the scene says another one.
    fn note_effects(&mut self, now_us: u64, to: usize) {
        let (song, scene) = self.line[to];
        let show = self.show;
        for stated in &show.songs[song].scenes[scene].patches {
            if self.effects.insert(stated.receiver, stated.patch) == Some(stated.patch) {
                continue;
            }
            self.passage_until_us = now_us + PORT_US;
            let open: Vec<ExpectId> = self.judge.open().map(|(id, ..)| id).collect();
            for id in open {
                self.judge.allow(id, Change::Passage);
            }
        }
    }

    /// Cues go out on a step; on a jump those that say so; never on a way back.
    fn expect_cues(&mut self, to: usize, cues: Option<bool>) {
        let (song, scene) = self.line[to];
        for cue in &self.show.songs[song].scenes[scene].cues {
            let is_due = cues.is_some_and(|is_step| is_step || cue.on_jump);
            if is_due && self.is_listening(self.world.ports[cue.receiver]) {
                let scenes_before: usize = self.show.songs[..song]
                    .iter()
                    .map(|song| song.scenes.len())
                    .sum();
                self.cues
                    .push((cue.receiver, (scenes_before + scene) as u8));
            }
        }
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

    /// Whether a note was let go, or struck under sostenuto, while its slot loads: a pedal
    /// that it caught is told when the patch has loaded, and so too late or too early for it.
    pub(crate) fn caught_too_late(&self, id: ExpectId, at_us: u64, struck_us: u64) -> bool {
        // Its voice may be one that another key struck since, which goes on for it.
        let struck_us =
            (self.pressed_us.get(&id).copied()).map_or(struck_us, |us| us.min(struck_us));
        self.owners.get(&id).is_some_and(|owner| {
            let tenancy = &self.tenancies[*owner];
            let manners = &self.show.rig.receivers[tenancy.likeness.receiver].manners;
            let until_us = tenancy.ride_until_us;
            manners.load_ms > 0
                && (at_us < until_us && tenancy.is_down(HOLD)
                    || struck_us < until_us && tenancy.is_down(SOSTENUTO))
        })
    }

    /// Whether a note was struck while its slot loads, and a pedal was down by the time it had
    /// loaded: told then, it takes the note along, be its key up by now, until it comes up.
    pub(crate) fn taken_along(&self, id: ExpectId, struck_us: u64, pedal: usize) -> bool {
        self.owners.get(&id).is_some_and(|owner| {
            let tenancy = &self.tenancies[*owner];
            struck_us < tenancy.ride_until_us && tenancy.is_down(pedal)
        })
    }

    /// A receiver said that it lost a note because it was loading. True if the note had
    /// been held back for the 30 ms that DESIGN allows (if the rig says so), so that nothing
    /// is wrong.
    pub(crate) fn lose_note(&mut self, at_us: u64, receiver: usize, lost: Lost) -> bool {
        let waits = self.show.rig.receivers[receiver].manners.holds_back;
        // At the program's end nothing waits any more.
        let waited_us = if waits && !self.was_released {
            30_000
        } else {
            0
        };
        // What waits for a slot is sent together, when the first of it has waited enough.
        let has_waited = |id: &ExpectId, down_us: u64| {
            let owner = self.owners.get(id);
            let first_us = self
                .asked
                .iter()
                .filter(|(tenancy, first_us)| Some(tenancy) == owner && first_us + PORT_US > at_us)
                .map(|(_, first_us)| *first_us)
                .min();
            // What still waits when its slot is taken for another sound is sent at once, or it
            // would sound with that.
            let is_hurried = |moved_us: u64| {
                down_us <= moved_us && moved_us <= at_us && at_us < moved_us + PORT_US
            };
            self.moved_us.is_some_and(is_hurried)
                || first_us.unwrap_or(down_us) + waited_us <= at_us
        };
        let candidates: Vec<ExpectId> = self
            .judge
            .open()
            .filter(|(id, expect, _)| {
                let (low, high) = expect.velocities;
                expect.receiver == receiver
                    && expect.key == lost.key
                    && (low..=high).contains(&lost.velocity)
                    && expect.wanted.program == Some(lost.program)
                    && expect.wanted.group == Some(lost.group)
                    && has_waited(id, expect.down_us)
                    && expect.down_us + PORT_US > at_us
            })
            .map(|(id, ..)| id)
            .collect();
        let found = candidates.into_iter().find(|id| self.judge.withdraw(*id));
        if let Some(id) = found {
            *self.excuses.entry(Excuse::LostInLoading).or_default() += 1;
            // Its key still holds the note for others.
            self.excused.insert(id, Excuse::LostInLoading);
        }
        found.is_some()
    }

    /// What is to be heard of each finger that is down on a sound of its own, if it is known:
    /// what leads where it sounds, by `place` (a channel, or the same for all of a sound).
    pub(crate) fn touches(&self, now_us: u64) -> Vec<Touch> {
        let expects: BTreeMap<ExpectId, &Expect> = self
            .judge
            .open()
            .map(|(id, expect, _)| (id, expect))
            .collect();
        let fingers = self.notes.iter().enumerate().filter(|(_, note)| {
            let is_sure = !self.excused.contains_key(&note.id)
                && self.tenancies[note.tenancy].ride_until_us < now_us
                && !self.tenancies[note.tenancy].is_tainted;
            self.is_finger(note.keyboard) && note.is_key_down && is_sure
        });
        let touch = |(order, note): (usize, &Note)| {
            let expect = expects.get(&note.id)?;
            let tenancy = &self.tenancies[note.tenancy];
            let surface = self.world.controllers[note.keyboard];
            let moved = |keyboard, source| self.moved.get(&(keyboard, source)).copied();
            // Others that play the sound may have the last word on what reaches all of it.
            let others = (0..self.hands.len()).filter(|at| self.world.controllers[*at] != surface);
            // Who else played a sound that was left is not known any more.
            let is_untouched = others
                .flat_map(|at| [(at, BEND), (at, PRESSURE)])
                .all(|source| !self.moved.contains_key(&source));
            let is_alone = (tenancy.is_present || is_untouched)
                && tenancy.feeds.iter().all(|feed| *feed == surface)
                && self.notes.iter().all(|other| {
                    other.tenancy != note.tenancy
                        || self.world.controllers[other.keyboard] == surface
                });
            let whole = moved(surface, BEND).map_or(CENTRE, |(_, value)| value);
            // A sound that is taken up again keeps the bend it has until that moves.
            // What moved last reaches all of a sound, and stays when its hands leave.
            let others_last = (0..self.hands.len())
                .filter(|at| self.world.controllers[*at] != surface)
                .filter_map(|at| moved(at, BEND))
                .max();
            let is_last = moved(note.keyboard, BEND).max(moved(surface, BEND)) >= others_last;
            let is_new = note.struck > tenancy.since;
            let is_whole_sure =
                moved(surface, BEND).map_or(is_untouched || is_new, |(order, _)| {
                    tenancy.is_present
                        && tenancy.feeds.contains(&surface)
                        && (is_new || order > tenancy.since)
                });
            let pressed = moved(note.keyboard, PRESSURE);
            let whole_pressed = (0..self.hands.len())
                .filter(|at| !self.is_finger(*at))
                .filter_map(|at| moved(at, PRESSURE))
                .max();
            Some(Touch {
                receiver: expect.receiver,
                group: tenancy.likeness.group,
                key: note.out_key,
                velocities: expect.velocities,
                program: expect.wanted.program,
                tenancy: note.tenancy,
                order,
                leader: note.leader,
                bend: moved(note.keyboard, BEND).map_or(CENTRE, |(_, value)| value),
                whole: (is_alone && is_whole_sure && is_last).then_some(whole),
                pressure: (whole_pressed.is_none() || pressed > whole_pressed)
                    .then(|| pressed.map_or(0, |(_, value)| value as u8)),
                slide: moved(note.keyboard, SLIDE).map(|(_, value)| value as u8),
                bend_range: tenancy.likeness.bend_range.unwrap_or(2),
            })
        };
        fingers.filter_map(touch).collect()
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

/// A finger that is down, and what it does.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Touch {
    pub(crate) receiver: usize,
    pub(crate) group: usize,
    pub(crate) key: u8,
    pub(crate) velocities: (Value7, Value7),
    pub(crate) program: Option<Program>,
    pub(crate) tenancy: usize,
    /// Its place among all notes, by age.
    pub(crate) order: usize,
    pub(crate) leader: Leader,
    pub(crate) bend: u16,
    /// The bend of the whole surface, if nothing else bends the sound.
    pub(crate) whole: Option<u16>,
    /// Its pressure, if it pressed after anybody else.
    pub(crate) pressure: Option<u8>,
    pub(crate) slide: Option<u8>,
    /// How far its sound bends, on one channel.
    pub(crate) bend_range: u8,
}

/// A note that a receiver says it lost while a patch loaded.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Lost {
    pub(crate) key: Key,
    pub(crate) velocity: Value7,
    pub(crate) program: Program,
    pub(crate) group: u8,
}

/// The sounds of a scene: zones that ask for the same share one; alike ones that differ in
/// level are told apart by their order.
fn sounds_of(show: &Show, zones: &[Zone], settings: &[ParameterValue]) -> Vec<Sound> {
    let mut sounds: Vec<Sound> = Vec::new();
    for (index, zone) in zones.iter().enumerate() {
        let receiver = &show.rig.receivers[zone.receiver];
        debug_assert_eq!(receiver.kind, ReceiverKind::Instrument);
        let values = (0..receiver.parameters.len()).map(|parameter| {
            zone.settings
                .iter()
                .chain(settings)
                .find(|v| v.receiver == zone.receiver && v.parameter == parameter)
                .map_or(receiver.parameters[parameter].neutral, |v| v.value)
        });
        let level = zone.level_db as i32;
        let mut likeness = Likeness {
            receiver: zone.receiver,
            group: zone.group,
            patch: zone.patch,
            pan: zone.pan.map(Value7::get),
            bend_range: zone.bend_range,
            values: values.collect(),
            own_level: (zone.level_change == LevelChange::New).then_some(level),
            copy: 0,
        };
        let alike = |sound: &Sound| {
            Likeness {
                copy: 0,
                ..sound.likeness.clone()
            } == likeness
        };
        let shared = sounds
            .iter()
            .position(|sound| alike(sound) && sound.level == level);
        if let Some(shared) = shared {
            sounds[shared].zones.push(index);
            continue;
        }
        likeness.copy = sounds.iter().filter(|sound| alike(sound)).count();
        sounds.push(Sound {
            likeness,
            level,
            zones: vec![index],
        });
    }
    sounds
}

/// What a zone may make of a velocity: by its curve, then faded towards the ends of its
/// window, rounded either way; never a silent note.
fn sent_for(zone: &Zone, curve: &Curve, velocity: u8) -> (Value7, Value7) {
    let curved = curved(curve, f64::from(velocity));
    let rooms = [
        (velocity - zone.velocities.0.get(), zone.velocity_fades.0),
        (zone.velocities.1.get() - velocity, zone.velocity_fades.1),
    ];
    // The n-th step of a fade over m velocities has n / (m + 1) of the power, which goes with
    // the square of velocity.
    let power = rooms
        .map(|(steps, fade)| (f64::from(steps) + 1.0) / (f64::from(fade) + 1.0))
        .into_iter()
        .fold(1.0, f64::min);
    let value = |y: f64| Value7::clamped((y as i32).max(1));
    (
        value((curved.floor() * power.sqrt()).floor()),
        value((curved.ceil() * power.sqrt()).ceil()),
    )
}

/// A curve at a velocity: straight lines between its points, level before the first and
/// after the last.
fn curved(curve: &Curve, x: f64) -> f64 {
    let points: Vec<(f64, f64)> = curve
        .points
        .iter()
        .map(|(x, y)| (f64::from(x.get()), f64::from(y.get())))
        .collect();
    match (points.first(), points.last()) {
        (Some(first), _) if x <= first.0 => first.1,
        (_, Some(last)) if x >= last.0 => last.1,
        (Some(_), _) => points
            .windows(2)
            .find(|pair| x <= pair[1].0)
            .map_or(x, |pair| {
                let share = (x - pair[0].0) / (pair[1].0 - pair[0].0);
                pair[0].1 + share * (pair[1].1 - pair[0].1)
            }),
        _ => x,
    }
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
