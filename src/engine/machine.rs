//! The machine's state, and which method an input goes to.

use std::collections::BTreeMap;

use super::cue_notes::CueNotes;
use super::echo::Echo;
use super::held_back::HeldBack;
use super::input::{Command, Input, Origin, Outbox, Urgency};
use super::limits::{
    MAX_CONTROLLERS, MAX_HELD_BACK, MAX_PORTS, MAX_ROUTE_TAILS, MAX_ROUTES, MAX_SLOTS, MAX_SOUNDS,
    MAX_SOURCES,
};
use super::master::Master;
use super::moves::Waiting;
use super::mpe_set_up::SetUp;
use super::note_table::Notes;
use super::outputs::OutputState;
use super::presses::{KeyState, Press};
use super::prime::Priming;
use super::promptbook::{
    ControllerId, InPort, OutPort, PositionEntry, PositionId, Promptbook, SceneEntry, SlotEntry,
    SlotId, SourceId,
};
use super::rescue::{PedalId, Rescue};
use super::route_state::RouteState;
use super::routes::RouteTail;
use super::slots::{SlotState, Usage};
use super::sources::ControllerState;
use super::spare::Wiring;
use super::table::Table;
use super::touch::{SourceState, TouchState};
use super::view::{Counters, Move, Swallowed};
use crate::midi::{Channel, Message};

/// One call of `handle`: what is played, when, and where messages go.
pub(super) struct Call<'a> {
    pub(super) book: &'a Promptbook,
    pub(super) now_us: u64,
    pub(super) out: &'a mut Outbox,
    /// How urgent that is which turns a slot into a sound: a changeover, or loaded ahead.
    pub(super) telling: Urgency,
    /// Messages handed out so far.
    pub(super) handed_out: u64,
    /// Set while what is sent follows from what is played: it may come back as an echo.
    pub(super) is_played: bool,
    /// What asks for it.
    pub(super) origin: Origin,
}

impl<'a> Call<'a> {
    /// A call that sends, as part of a changeover where nothing else is said.
    pub(super) const fn new(book: &'a Promptbook, now_us: u64, out: &'a mut Outbox) -> Self {
        Self {
            book,
            now_us,
            out,
            telling: Urgency::Changeover,
            handed_out: 0,
            is_played: false,
            origin: Origin::Program,
        }
    }
}

/// Everything that changes while a show is played. Its tables are made in `new` and never grow.
#[derive(Debug)]
pub(super) struct Machine {
    pub(super) now_us: u64,
    pub(super) position: PositionId,
    pub(super) page: u16,
    pub(super) is_muted: bool,
    pub(super) sends_cues: bool,
    pub(super) master: Master,
    pub(super) controllers: Table<ControllerId, ControllerState>,
    pub(super) slots: Table<SlotId, SlotState>,
    pub(super) outputs: Table<OutPort, OutputState>,
    pub(super) in_present: Table<InPort, bool>,
    pub(super) presses: Box<[Press]>,
    /// Owners of notes, oldest first.
    pub(super) notes: Notes,
    /// Notes that cues struck.
    pub(super) cue_notes: CueNotes,
    /// Notes waiting for their slot, oldest first.
    pub(super) held_back: Vec<HeldBack>,
    /// Slot of each sound of the present scene.
    pub(super) seats: [Option<SlotId>; MAX_SOUNDS],
    pub(super) counters: Counters,
    pub(super) swallowed: Option<(u64, Swallowed)>,
    pub(super) panic_us: Option<u64>,
    pub(super) step_us: Option<u64>,
    /// The last move.
    pub(super) moved: Option<Move>,
    /// Last step or back by a pedal or a key.
    pub(super) pressed_step_us: Option<u64>,
    /// What the computer's keyboard is in the middle of.
    pub(super) keys: KeyState,
    /// Counts movements of sources, so that the one moved last is known.
    pub(super) movements: u64,
    /// Where each named source stands.
    pub(super) sources: Table<SourceId, SourceState>,
    /// What each controller is in the middle of saying.
    pub(super) touches: Table<ControllerId, TouchState>,
    /// Routes of the present scene.
    pub(super) routes: [RouteState; MAX_ROUTES],
    /// Routes whose value waits for a slow line.
    pub(super) route_moves: Waiting,
    /// Whose turn it is on slow lines: routes (0), then slot after slot.
    pub(super) move_turn: usize,
    /// What each input port is in the middle of saying of its MPE zones.
    pub(super) set_ups: Table<InPort, SetUp>,
    /// What was sent lately, to know it if it comes back.
    pub(super) echo: Echo,
    /// Bends by route that held-over notes are followed back from.
    pub(super) route_tails: [Option<RouteTail>; MAX_ROUTE_TAILS],
    /// How far the next scene is loaded ahead.
    pub(super) priming: Priming,
    /// Positions that steps go round.
    pub(super) stretch: Option<(PositionId, PositionId)>,
    /// What the technician has set.
    pub(super) rescue: Rescue,
    /// Which of a receiver and its spare is played.
    pub(super) wiring: Wiring,
}

impl Machine {
    /// A machine at a position, with every output still absent.
    pub(super) fn new(book: &Promptbook, at: PositionId) -> Self {
        let slot_count = book.slots.len().min(MAX_SLOTS);
        let usage = usage_by_slot(book).into_vec();
        let slots = usage
            .into_iter()
            .zip(&book.slots)
            .take(slot_count)
            .map(|(usage, entry)| SlotState::new(usage, entry.mpe));
        let controller_count = book.controllers.len().min(MAX_CONTROLLERS);
        let controllers = book.controllers.iter().take(controller_count);
        let controllers = controllers.map(|entry| ControllerState::new(entry.mpe));
        let in_count = book.in_ports.len().min(MAX_PORTS);
        let mut machine = Self {
            now_us: 0,
            position: PositionId(0),
            page: 0,
            is_muted: false,
            sends_cues: true,
            master: Master::new(),
            controllers: Table::new(controllers.collect::<Box<_>>(), ControllerState::new(None)),
            slots: Table::new(
                slots.collect::<Box<_>>(),
                SlotState::new(Usage::default(), None),
            ),
            outputs: vec![OutputState::default(); book.out_ports.len().min(MAX_PORTS)].into(),
            in_present: vec![false; in_count].into(),
            presses: vec![Press::default(); book.bindings.len()].into(),
            notes: Notes::new(),
            cue_notes: CueNotes::new(),
            held_back: Vec::with_capacity(MAX_HELD_BACK),
            seats: [None; MAX_SOUNDS],
            counters: Counters::default(),
            swallowed: None,
            panic_us: None,
            step_us: None,
            moved: None,
            pressed_step_us: None,
            keys: KeyState::default(),
            movements: 0,
            sources: vec![SourceState::default(); book.sources.len().min(MAX_SOURCES)].into(),
            touches: Table::new(vec![TouchState::new(); controller_count], TouchState::new()),
            routes: [RouteState::default(); MAX_ROUTES],
            route_moves: Waiting::default(),
            move_turn: 0,
            set_ups: Table::new(vec![SetUp::NOTHING; in_count], SetUp::NOTHING),
            echo: Echo::new(),
            route_tails: [None; MAX_ROUTE_TAILS],
            priming: Priming::new(),
            stretch: None,
            rescue: Rescue::new(),
            wiring: Wiring::new(),
        };
        let is_in_book = at.index() < book.positions.len();
        machine.stand_at(book, if is_in_book { at } else { PositionId(0) });
        machine
    }

    /// Becomes the same as another machine for the same rig, in the memory that it has: no
    /// table of theirs ever grows past what `new` has made, so nothing is allocated.
    pub(super) fn copy_from(&mut self, other: &Self) {
        // By name, so that no part can be left out.
        let Self {
            now_us,
            position,
            page,
            is_muted,
            sends_cues,
            master,
            controllers,
            slots,
            outputs,
            in_present,
            presses,
            notes,
            cue_notes,
            held_back,
            seats,
            counters,
            swallowed,
            panic_us,
            step_us,
            moved,
            pressed_step_us,
            keys,
            movements,
            sources,
            touches,
            routes,
            route_moves,
            move_turn,
            set_ups,
            echo,
            route_tails,
            priming,
            stretch,
            rescue,
            wiring,
        } = other;
        self.now_us = *now_us;
        self.position = *position;
        self.page = *page;
        self.is_muted = *is_muted;
        self.sends_cues = *sends_cues;
        self.master = *master;
        self.controllers.clone_from(controllers);
        self.slots.clone_from(slots);
        self.outputs.clone_from(outputs);
        self.in_present.clone_from(in_present);
        self.presses.clone_from(presses);
        self.notes.copy_from(notes);
        self.cue_notes = *cue_notes;
        self.held_back.clone_from(held_back);
        self.seats = *seats;
        self.counters = *counters;
        self.swallowed = *swallowed;
        self.panic_us = *panic_us;
        self.step_us = *step_us;
        self.moved = *moved;
        self.pressed_step_us = *pressed_step_us;
        self.keys = *keys;
        self.movements = *movements;
        self.sources.clone_from(sources);
        self.touches.clone_from(touches);
        self.routes = *routes;
        self.route_moves = *route_moves;
        self.move_turn = *move_turn;
        self.set_ups.clone_from(set_ups);
        self.echo.clone_from(echo);
        self.route_tails = *route_tails;
        self.priming.clone_from(priming);
        self.stretch = *stretch;
        self.rescue = *rescue;
        self.wiring = *wiring;
    }

    /// Takes one input, and does what is due before and after it.
    pub(super) fn handle(&mut self, call: &mut Call<'_>, input: Input) {
        self.now_us = call.now_us;
        let before = self.mark();
        self.recover_floods(call);
        self.run_due(call);
        let input = if self.knows(input) {
            input
        } else {
            Input::Tick
        };
        match input {
            Input::Midi(port, message) => self.receive(call, port, message),
            Input::Command(command) => self.obey(call, command),
            Input::Asked(command, origin) => self.obey_asked(call, command, origin),
            Input::Tick => {}
            Input::InputLost(port) => self.lose_input(call, port),
            Input::InputReady(port) => self.find_input(port),
            Input::OutputLost(port) => self.lose_output(call, port),
            Input::OutputReady(port) => self.find_output(call, port),
            Input::SignOfLife(port) => self.hear_life(call, port),
            Input::OutputOverflow(port) => self.reopen_output(call, port),
        }
        self.run_due(call);
        self.run_priming(call, input, before);
        self.follow_spares(call);
    }

    pub(super) fn obey(&mut self, call: &mut Call<'_>, command: Command) {
        match command {
            Command::Step => self.step(call),
            Command::Back => self.back(call),
            Command::Jump(to) => self.jump(call, to),
            Command::SongDown => self.song_down(call),
            Command::SongUp => self.song_up(call),
            Command::PageNext => self.turn_page(call, 1),
            Command::PageBack => self.turn_page(call, -1),
            Command::Panic(receiver) => self.panic(call, receiver),
            Command::Resend {
                receiver,
                is_forced,
            } => {
                self.resend(call, receiver, is_forced);
                self.report_resend(call, receiver);
            }
            Command::Mute(is_muted) => self.is_muted = is_muted,
            Command::MuteOne(receiver, is_muted) => self.mute_one(call, receiver, is_muted),
            Command::EndNote(slot, key) => self.end_note(call, slot, key),
            Command::IgnorePedal(pedal, is_ignored) => self.ignore_pedal(call, pedal, is_ignored),
            Command::LockPedals(is_locked) => self.lock_pedals(is_locked),
            Command::TakeOver(receiver) => self.take_over(call, receiver),
            Command::NoteOn(controller, key, velocity) => {
                self.receive_from(
                    call,
                    controller,
                    Message::NoteOn(Channel::MIN, key, velocity),
                );
            }
            Command::NoteOff(controller, key) => {
                let neutral = super::notes::NEUTRAL_RELEASE;
                self.receive_from(
                    call,
                    controller,
                    Message::NoteOff(Channel::MIN, key, neutral),
                );
            }
            Command::Fade(is_out) => self.fade_all(call, is_out),
            Command::Cues(sends_cues) => self.set_cues(call, sends_cues),
            Command::Loop(wanted) => self.set_loop(call, wanted),
            Command::ReleaseAll => self.release_all(call),
        }
    }

    /// A message from a port: bindings take theirs first, the rest is played.
    fn receive(&mut self, call: &mut Call<'_>, port: InPort, message: Message) {
        let Some(channel) = message.channel() else {
            // Clock, active sensing and the like stop here.
            return;
        };
        self.hear_set_up(call, port, message);
        let Some(controller) = self.find_controller(call.book, port, channel) else {
            return;
        };
        if self.is_own_voice(call, controller, message) {
            return;
        }
        self.receive_from(call, controller, message);
    }

    pub(super) fn receive_from(
        &mut self,
        call: &mut Call<'_>,
        controller: ControllerId,
        message: Message,
    ) {
        let state = self.controllers.at_mut(controller);
        state.received = state.received.saturating_add(1);
        if self.take_press(call, controller, message) {
            return;
        }
        call.is_played = true;
        if let Some(finger) = self.finger_on(controller, message.channel()) {
            self.hear_finger(call, controller, finger, message);
        } else if let Some(message) = self.touch(call, controller, message) {
            self.hear(call, controller, message);
        }
        call.is_played = false;
    }

    fn hear(&mut self, call: &mut Call<'_>, controller: ControllerId, message: Message) {
        match message {
            Message::NoteOn(_, key, velocity) if velocity.get() > 0 => {
                self.strike(call, (controller, None), key, velocity);
            }
            // Velocity 0 is a Note Off with the neutral release velocity (MIDI 1.0).
            Message::NoteOn(_, key, _) => {
                let neutral = super::notes::NEUTRAL_RELEASE;
                self.let_go(call, (controller, None), key, neutral);
            }
            Message::NoteOff(_, key, velocity) => {
                self.let_go(call, (controller, None), key, velocity);
            }
            Message::PolyPressure(_, key, value) => {
                self.press_key(call, controller, key, value);
            }
            Message::Pressure(_, value) => self.press_channel(call, controller, value),
            Message::Bend(_, value) => self.bend(call, controller, value),
            Message::Control(_, number, value) => {
                self.move_control(call, controller, number, value);
            }
            // A controller's program changes stop here unless a binding takes them.
            _ => {}
        }
    }

    /// Does everything whose time has come.
    fn run_due(&mut self, call: &mut Call<'_>) {
        self.run_keys(call);
        self.run_ports(call);
        self.run_cue_notes(call);
        self.run_loads(call);
        self.run_held_back(call);
        self.run_ramps(call);
        self.run_halves(call);
        self.run_parked(call);
        self.run_smooth(call);
        self.run_master(call);
        self.pay_owed(call);
        self.run_moves(call);
    }

    /// The earliest time at which `run_due` has something to do.
    pub(super) fn next_deadline(&self) -> Option<u64> {
        let ports = self
            .outputs
            .iter()
            .filter_map(|port| port.deadline(self.now_us));
        let slots = self.slots.iter().filter_map(|slot| {
            [
                slot.load.until_us(),
                slot.level.deadline(),
                slot.owed_deadline(),
            ]
            .into_iter()
            .flatten()
            .min()
        });
        let held_back = self.held_back.iter().map(|item| item.due_us);
        let halves = self.touches.iter().filter_map(TouchState::deadline);
        let routes = self.routes.iter().filter_map(|route| route.next_us);
        ports
            .chain(slots)
            .chain(held_back)
            .chain(halves)
            .chain(routes)
            .chain(self.master.deadline())
            .chain(self.cue_notes.deadline())
            .chain(self.echo.deadline())
            .chain(self.keys.deadline())
            .chain(self.priming.deadline())
            .min()
    }

    /// The controller that a message comes from: one of its own channel before one that takes
    /// all. A surface has the channels of its MPE zone as it is by now.
    fn find_controller(
        &self,
        book: &Promptbook,
        port: InPort,
        channel: Channel,
    ) -> Option<ControllerId> {
        let on_port = || {
            let all = (0u8..).zip(book.controllers.iter().zip(self.controllers.iter()));
            all.filter(move |(_, (entry, _))| entry.port == port)
        };
        on_port()
            .find(|(_, (entry, state))| match state.mpe {
                Some(zone) => zone.member(channel).is_some(),
                None => entry.channel == Some(channel),
            })
            .or_else(|| on_port().find(|(_, (entry, _))| entry.channel.is_none()))
            .map(|(id, _)| ControllerId(id))
    }

    /// Whether an input names only what is in the rig: it comes from outside, so it is asked
    /// once, here; behind this door every id has its entry.
    fn knows(&self, input: Input) -> bool {
        let has_command = |command: Command| match command {
            Command::NoteOn(controller, ..)
            | Command::NoteOff(controller, _)
            | Command::IgnorePedal(PedalId::Held(controller, _), _) => {
                self.controllers.has(controller)
            }
            Command::EndNote(slot, _) => self.slots.has(slot),
            Command::Step
            | Command::Back
            | Command::Jump(_)
            | Command::SongDown
            | Command::SongUp
            | Command::PageNext
            | Command::PageBack
            | Command::Panic(_)
            | Command::Resend { .. }
            | Command::Mute(_)
            | Command::Fade(_)
            | Command::MuteOne(..)
            | Command::IgnorePedal(PedalId::Binding(_), _)
            | Command::LockPedals(_)
            | Command::TakeOver(_)
            | Command::Loop(_)
            | Command::Cues(_)
            | Command::ReleaseAll => true,
        };
        match input {
            Input::Midi(port, _) | Input::InputLost(port) | Input::InputReady(port) => {
                self.in_present.has(port)
            }
            Input::OutputLost(port)
            | Input::OutputReady(port)
            | Input::SignOfLife(port)
            | Input::OutputOverflow(port) => self.outputs.has(port),
            Input::Command(command) | Input::Asked(command, _) => has_command(command),
            Input::Tick => true,
        }
    }

    /// Lookups by an id that was in no table, all tables together. Each is a fault.
    pub(super) fn misses(&self) -> u32 {
        [
            self.controllers.misses(),
            self.slots.misses(),
            self.outputs.misses(),
            self.in_present.misses(),
            self.sources.misses(),
            self.touches.misses(),
            self.set_ups.misses(),
        ]
        .into_iter()
        .fold(0, u32::saturating_add)
    }

    /// The entry of the present position.
    pub(super) fn place<'a>(&self, book: &'a Promptbook) -> Option<&'a PositionEntry> {
        book.positions.get(self.position.index())
    }

    /// The present scene.
    pub(super) fn scene<'a>(&self, book: &'a Promptbook) -> Option<&'a SceneEntry> {
        book.scenes.get(self.place(book)?.scene.index())
    }
}

/// What the show plays on the group of each slot.
pub(super) fn usage_by_slot(book: &Promptbook) -> Box<[Usage]> {
    let usage = usage_by_group(book);
    let of_slot = |entry: &SlotEntry| {
        let group = (entry.receiver.0, entry.group);
        usage.get(&group).copied().unwrap_or_default()
    };
    book.slots.iter().map(of_slot).collect()
}

/// What the show plays on each group of slots, by receiver and group.
fn usage_by_group(book: &Promptbook) -> BTreeMap<(u8, u8), Usage> {
    let mut usage: BTreeMap<(u8, u8), Usage> = BTreeMap::new();
    for scene in &book.scenes {
        let sounds = scene.sounds.of(&book.sounds);
        for sound in sounds {
            let group = usage.entry((sound.receiver.0, sound.group)).or_default();
            group.states_pan |= sound.pan.is_some();
            group.states_bend_range |= sound.bend_range.is_some();
        }
        for zone in scene.zones.of(&book.zones) {
            let Some(sound) = sounds.get(zone.sound.index()) else {
                continue;
            };
            let group = usage.entry((sound.receiver.0, sound.group)).or_default();
            group.is_played = true;
            if let Some(controller) = book.controllers.get(zone.controller.index()) {
                for (sum, word) in group.sources.iter_mut().zip(controller.passes) {
                    *sum |= word;
                }
            }
        }
    }
    usage
}
