//! One script run from end to end: the engine plays it, the models hear it, the oracle says
//! what should have been heard, and the judge compares.

use std::collections::BTreeMap;
use std::sync::Arc;

use segue::engine::input::{Command, Input};
use segue::engine::promptbook::{InPort, OutPort, PositionId, SoundEntry};
use segue::engine::swap::{Live, Swap};
use segue::midi::mpe::Leader;
use segue::midi::{Channel, Controller, Key, Message, MpeZone, Value7, Value14};
use segue::plan::{Given, Plan, compile, replan};
use segue::show::model::{Moved, Night, NightEntry, ReceiverKind, Route};
use segue::sim::{
    Fault, Heard, Kind, Parameter, Patch, Received, Released, Violation, Voice, VoiceId, VoiceState,
};
use segue::wire::PortKind;

use crate::oracle::{BEND, Excuse, HOLD, Lost, Oracle, PORT_US, PRESSURE, SOSTENUTO, Touch};
use crate::routed::{Place, comes_to, places, remembers, stands_at};
use crate::saboteur::{Mistake, Saboteur};
use crate::script::{Event, Script};
use crate::stage::Stage;
use crate::world::{self, CUE_CONTROL, CUE_KEY, CUE_LENGTH_MS, PAGE_CONTROL, STEP_PEDAL, World};

/// Longer than a movement waits for its turn on a slow line.
const MOVE_US: u64 = 100_000;

/// Which invariant a finding breaks (DESIGN, by number).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum Rule {
    Owner = 1,
    Seam = 2,
    Pedal = 3,
    Path = 4,
    Whole = 5,
    Silence = 6,
    Bounded = 8,
    Once = 9,
    Surprise = 11,
}

/// Something found.
#[derive(Clone, Debug)]
pub(crate) struct Finding {
    pub(crate) rule: Rule,
    /// What the judge calls it, if it was the judge who found it.
    pub(crate) fault: Option<Fault>,
    pub(crate) text: String,
}

/// How a run ended.
pub(crate) struct Report {
    pub(crate) findings: Vec<Finding>,
    pub(crate) events: u64,
    pub(crate) presses: u64,
    /// What routes had to have brought somewhere, and did or not.
    pub(crate) routed: u64,
    pub(crate) matched: u64,
    pub(crate) excuses: BTreeMap<Excuse, u64>,
    /// Notes that an excuse covered, harmed or not.
    pub(crate) spared: BTreeMap<Excuse, u64>,
    pub(crate) digest: u64,
}

impl Report {
    /// The findings of one rule, as a text to fail with.
    pub(crate) fn of(&self, rule: Rule) -> Vec<&Finding> {
        self.findings.iter().filter(|f| f.rule == rule).collect()
    }
}

/// What is asked of a run besides its findings.
#[derive(Clone, Copy, Default)]
pub(crate) struct Options {
    pub(crate) mistake: Option<Mistake>,
}

/// Compiles a script's show, or nothing if there is nothing to play.
pub(crate) fn plan(script: &Script) -> Option<(World, Plan)> {
    if script.setup.receivers.is_empty() || script.setup.scenes.is_empty() {
        return None;
    }
    let world = world::build(&script.setup);
    let plan = compile(&world.show, &world.night).ok()?;
    Some((world, plan))
}

/// Plays a script; nothing if its show has nothing to play.
pub(crate) fn run(script: &Script, options: Options) -> Option<Report> {
    let (world, plan) = plan(script)?;
    let mut player = Player::new(&world, &plan, options);
    for (gap_us, event) in &script.events {
        player.pass_time(u64::from(*gap_us));
        player.play(*event);
    }
    player.end();
    Some(player.report())
}

/// Voices from before some moment must be gone.
#[derive(Clone, Copy)]
struct Quiet {
    /// Which: all that started before; none yet while nobody listens.
    before_us: Option<u64>,
    /// When the port could take what ends them: half a second later they are.
    from_us: Option<u64>,
    /// After a panic nothing sounds at all; after a return what was held may ring.
    is_panic: bool,
}

pub(crate) struct Player<'a> {
    world: &'a World,
    plan: &'a Plan,
    /// The night and its plan as they are by now.
    night: Night,
    current: Plan,
    stage: Stage,
    pub(crate) oracle: Oracle<'a>,
    now_us: u64,
    pub(crate) findings: Vec<Finding>,
    is_powered: Vec<bool>,
    events: u64,
    seen: usize,
    matched: u64,
    routed: u64,
    harmed: u64,
    /// Ports that were lost or flooded: what went to their lights may be incomplete.
    was_cut: Vec<bool>,
    /// When everything was silenced or let go.
    let_go_us: Vec<u64>,
    /// When a cable was last out, and until when its receivers may still sound.
    cable_us: Vec<Option<u64>>,
    is_out: Vec<bool>,
    /// What each port owes after a panic or a return.
    quiets: Vec<Option<Quiet>>,
    /// Until when what was on its way at a panic may still arrive.
    panic_until_us: Vec<u64>,
    /// When anything was last moved.
    moved_us: Option<u64>,
    /// All was let go as at the program's end: nothing is loaded ahead from then on.
    was_released: bool,
}

impl<'a> Player<'a> {
    pub(crate) fn new(world: &'a World, plan: &'a Plan, options: Options) -> Self {
        let book = Arc::new(plan.promptbook.clone());
        let stage = Stage::new(world, book, Saboteur::with(options.mistake));
        let ports = world.kinds.len();
        let mut player = Self {
            world,
            plan,
            night: world.night.clone(),
            current: plan.clone(),
            stage,
            oracle: Oracle::new(world),
            now_us: 0,
            findings: Vec::new(),
            is_powered: vec![true; ports],
            events: 0,
            seen: 0,
            matched: 0,
            routed: 0,
            harmed: 0,
            was_cut: vec![false; ports],
            let_go_us: Vec::new(),
            cable_us: vec![None; ports],
            is_out: vec![false; ports],
            quiets: vec![None; ports],
            panic_until_us: vec![0; ports],
            moved_us: None,
            was_released: false,
        };
        player.say_ready();
        player.pass_time(500_000);
        player
    }

    fn say_ready(&mut self) {
        for port in 0..self.plan.promptbook.in_ports.len() {
            self.tell(Input::InputReady(InPort(port as u8)));
        }
        for port in 0..self.plan.promptbook.out_ports.len() {
            self.tell(Input::OutputReady(OutPort(port as u8)));
        }
    }

    fn tell(&mut self, input: Input) {
        self.stage.handle(self.now_us, input);
        self.events += 1;
        self.settle();
    }

    /// Runs on to the present moment's end: wires, models, judge.
    fn settle(&mut self) {
        let refused: Vec<bool> = (0..self.is_powered.len())
            .map(|port| self.stage.has_refused(port))
            .collect();
        let late: Vec<bool> = (0..self.is_powered.len())
            .map(|port| self.is_late(port))
            .collect();
        let drained = self.stage.run_due(self.now_us);
        for port in &drained {
            self.stage
                .handle(self.now_us, Input::OutputOverflow(OutPort(*port as u8)));
        }
        for port in 0..self.is_powered.len() {
            let has_refused = refused[port] || self.stage.has_refused(port);
            if has_refused || late[port] {
                self.oracle.flood_port(self.now_us, port);
                self.quiets[port] = None;
            }
            self.was_cut[port] |= has_refused;
        }
        let stage = &self.stage;
        self.oracle
            .set_limits(self.now_us, |port| stage.free_us(port));
        for model in &mut self.stage.models {
            model.advance(self.now_us);
        }
        for at in 0..self.stage.models.len() {
            self.listen(at);
        }
        for port in drained {
            self.oracle.drain_port(self.now_us, port);
        }
        self.oracle.judge.advance(self.now_us);
        self.collect();
        for text in std::mem::take(&mut self.stage.misprimed) {
            self.find(Rule::Seam, text);
        }
        self.check_quiets();
    }

    /// Whether more waits for a slow port than it carries in 0.3 s: what waits longer than
    /// the judge's patience is late, whoever sends it.
    fn is_late(&self, port: usize) -> bool {
        self.is_slow(port) && self.stage.waiting(port) > 300
    }

    fn is_slow(&self, port: usize) -> bool {
        matches!(self.world.kinds[port], PortKind::Din | PortKind::UsbToDin)
    }

    fn listen(&mut self, at: usize) {
        let model = &self.stage.models[at];
        while let Some(event) = self.oracle.judge.hear_to_loss(at, model) {
            let Heard::NoteLost {
                channel,
                patch,
                key,
                velocity,
            } = event.heard
            else {
                continue;
            };
            let lost = Lost {
                key,
                velocity,
                program: patch.program,
                group: model.spec().groups[channel.index()],
            };
            self.oracle.lose_note(event.at_us, at, lost);
        }
    }

    /// Sorts what the judge found by rule, and what may be excused out of it.
    fn collect(&mut self) {
        let new: Vec<Violation> = self.oracle.judge.violations()[self.seen..].to_vec();
        self.seen += new.len();
        for violation in new {
            if let Some(why) = self.excuse(&violation) {
                *self.oracle.excuses.entry(why).or_default() += 1;
                continue;
            }
            self.report_violation(&violation);
        }
        let harmed = self.stage.view().counters.harmed;
        if harmed > self.oracle.harm_allowed && harmed > self.harmed {
            self.harmed = harmed;
            let allowed = self.oracle.harm_allowed;
            self.find(
                Rule::Seam,
                format!("{harmed} slots with held notes were taken, {allowed} had to be"),
            );
        }
    }

    fn excuse(&self, violation: &Violation) -> Option<Excuse> {
        if let Some(why) = violation
            .expect
            .and_then(|id| self.oracle.excused.get(&id).copied())
        {
            return Some(why);
        }
        if matches!(violation.fault, Fault::Stuck | Fault::LateEnd { .. })
            && let Some(why) = violation.expect.and_then(|id| self.oracle.is_claimed(id))
        {
            return Some(why);
        }
        let voice = violation.voice?;
        let is_late = |id| {
            self.oracle
                .caught_too_late(id, violation.at_us, voice.start_us)
        };
        if matches!(violation.fault, Fault::LetGo(_)) && violation.expect.is_some_and(is_late) {
            return Some(Excuse::Loading);
        }
        let pedal = match self.state(violation.receiver, voice.id) {
            Some(VoiceState::Sustained) => Some(HOLD),
            Some(VoiceState::Sostenuto) => Some(SOSTENUTO),
            _ => None,
        };
        let is_taken =
            |id| pedal.is_some_and(|pedal| self.oracle.taken_along(id, voice.start_us, pedal));
        if violation.fault == Fault::Stuck && violation.expect.is_some_and(is_taken) {
            return Some(Excuse::Loading);
        }
        let port = self.world.ports[violation.receiver];
        // What sounded when the cable came out is beyond reach until it is back.
        let cable_us = self.cable_us[port].filter(|us| voice.start_us <= *us);
        if violation.fault == Fault::Stuck && cable_us.is_some() {
            return Some(Excuse::CableOut);
        }
        // What waited when a panic came, or while messages were refused, comes when nobody
        // asks for it any more.
        if violation.fault == Fault::Unasked && violation.at_us < self.panic_until_us[port] {
            return Some(Excuse::InFlight);
        }
        if violation.fault == Fault::Unasked
            && self.oracle.is_flooded(violation.at_us, violation.receiver)
        {
            return Some(Excuse::Flooded);
        }
        if matches!(violation.fault, Fault::LevelChanged { from_db, .. } if from_db == f64::NEG_INFINITY)
        {
            return Some(Excuse::Loading);
        }
        let shares = self.stage.models[violation.receiver]
            .voices()
            .any(|other| other.channel == voice.channel && other.id != voice.id && other.is_held())
            || violation
                .expect
                .is_some_and(|id| self.oracle.is_shared(id, violation.at_us));
        let is_shared_move = matches!(violation.fault, Fault::Pressed | Fault::Bent { .. });
        (is_shared_move && shares && !voice.is_held()).then_some(Excuse::SharedSlot)
    }

    /// What holds a voice now, if it still sounds.
    fn state(&self, receiver: usize, id: VoiceId) -> Option<VoiceState> {
        let mut voices = self.stage.models[receiver].voices();
        voices.find(|voice| voice.id == id).map(|voice| voice.state)
    }

    fn rule(&self, violation: &Violation) -> Rule {
        let sustained = |violation: &Violation| {
            let state = violation
                .voice
                .and_then(|voice| self.state(violation.receiver, voice.id));
            matches!(state, Some(VoiceState::Sustained | VoiceState::Sostenuto))
        };
        match violation.fault {
            Fault::Stuck if sustained(violation) => Rule::Pedal,
            Fault::LetGo(Released::PedalUp) => Rule::Pedal,
            Fault::Stuck
            | Fault::LetGo(_)
            | Fault::Missing
            | Fault::Unasked
            | Fault::LateEnd { .. } => Rule::Owner,
            Fault::BrokenBytes => Rule::Whole,
            Fault::EventsLost => Rule::Bounded,
            Fault::Late { .. } => Rule::Surprise,
            _ => Rule::Seam,
        }
    }

    fn find(&mut self, rule: Rule, text: String) {
        self.findings.push(Finding {
            rule,
            fault: None,
            text,
        });
    }

    fn report_violation(&mut self, violation: &Violation) {
        self.findings.push(Finding {
            rule: self.rule(violation),
            fault: Some(violation.fault),
            text: violation.to_string(),
        });
    }

    /// Lets time pass, stopping at everything that is due on the way.
    pub(crate) fn pass_time(&mut self, us: u64) {
        let end_us = self.now_us + us;
        loop {
            let due = [self.stage.due_us(), self.oracle.next_us()]
                .into_iter()
                .flatten()
                .min();
            let Some(due_us) = due.filter(|due| *due <= end_us) else {
                break;
            };
            self.now_us = self.now_us.max(due_us);
            self.oracle.advance(self.now_us);
            self.settle();
        }
        self.now_us = end_us;
        self.settle();
        self.check_fingers();
    }

    fn keyboard(&self, at: usize) -> usize {
        let keyboards = (0..self.oracle.hands.len()).filter(|at| !self.oracle.is_finger(*at));
        at % keyboards.count()
    }

    /// The hands of a finger, if there is a surface.
    fn finger(&self, at: usize) -> Option<usize> {
        let mut fingers = (0..self.oracle.hands.len()).filter(|at| self.oracle.is_finger(*at));
        let count = fingers.clone().count();
        fingers.nth(at.checked_rem(count)?)
    }

    /// A finger is played as hands of its own, on its channel.
    fn play_finger(&mut self, finger: usize, event: Event) {
        // One that lifts hands over to another, which is then told like a movement.
        self.moved_us = Some(self.now_us);
        match event {
            Event::FingerOn(_, key, velocity) => {
                self.play_key(finger, Event::On(finger, key, velocity));
            }
            Event::FingerOff(_, key) => self.play_key(finger, Event::Off(finger, key)),
            Event::FingerBend(_, value) => self.play_key(finger, Event::Bend(finger, value)),
            Event::FingerPress(_, value) => self.play_key(finger, Event::Press(finger, value)),
            Event::FingerSlide(_, value) => {
                self.oracle.slide(finger, value & 0x7f);
                let number = Controller::clamped(i32::from(world::SLIDE));
                let value = Value7::clamped(i32::from(value & 0x7f));
                self.send(finger, Message::Control(Channel::MIN, number, value));
            }
            _ => {}
        }
    }

    /// What each finger's note hears, once nothing is on its way any more: bend, pressure and
    /// slide of its own finger, or of the one that leads where it sounds. Bends may be one
    /// step off, pitches are computed from what hands did (MIDI 1.0: semitones / range × 8192).
    fn check_fingers(&mut self) {
        // With a step another finger may lead, and be told on a slow line when it is its turn.
        let is_resting = [self.moved_us, self.oracle.moved_us]
            .into_iter()
            .flatten()
            .all(|us| us + MOVE_US + 50_000 < self.now_us);
        let is_idle = (0..self.is_powered.len()).all(|port| self.stage.waiting(port) == 0);
        if !is_resting || !is_idle || self.was_released {
            return;
        }
        let touches = self.oracle.touches(self.now_us);
        // Of one key twice it is not known which voice is whose.
        let is_one = |touch: &&Touch| {
            let place = |t: &Touch| (t.receiver, t.group, t.key);
            let like = touches.iter().filter(|other| place(other) == place(touch));
            like.count() == 1 && self.oracle.strikes(place(touch)) == 1
        };
        let found: Vec<(Touch, Voice)> = touches
            .iter()
            .filter(is_one)
            .filter_map(|touch| Some((*touch, self.voice_of(touch)?)))
            .collect();
        for (touch, voice) in &found {
            let zones = &self.world.show.rig.receivers[touch.receiver].groups[touch.group].mpe;
            let here = |other: &&(Touch, Voice)| match zones.is_empty() {
                true => other.0.tenancy == touch.tenancy,
                false => (other.0.receiver, other.1.channel) == (touch.receiver, voice.channel),
            };
            // All that share its place must be known, or who leads is not.
            let sharing = touches
                .iter()
                .filter(|t| t.tenancy == touch.tenancy)
                .count();
            let known = found
                .iter()
                .filter(|f| f.0.tenancy == touch.tenancy)
                .count();
            // Keys of others on an MPE zone may share its member.
            let is_mixed = !zones.is_empty() && self.oracle.has_keys(touch.tenancy);
            if sharing != known || is_mixed || self.oracle.has_unsure(touch.tenancy, sharing) {
                continue;
            }
            let last = found.iter().filter(here).max_by_key(|(t, _)| t.order);
            let leads = match last {
                Some((last, _)) if zones.is_empty() && last.leader == Leader::Highest => found
                    .iter()
                    .filter(here)
                    .max_by_key(|(t, _)| (t.key, t.order)),
                _ => last,
            };
            let Some((leads, _)) = leads else { continue };
            if let Some(text) = self.mishears(touch, voice, leads, zones.first()) {
                self.find(Rule::Seam, text);
            }
        }
    }

    /// The one voice that a finger's note can be.
    fn voice_of(&self, touch: &Touch) -> Option<Voice> {
        let model = &self.stage.models[touch.receiver];
        let (low, high) = touch.velocities;
        let mut voices = model.voices().filter(|voice| {
            voice.key.get() == touch.key
                && usize::from(voice.group) == touch.group
                && (low..=high).contains(&voice.velocity)
                && touch
                    .program
                    .is_none_or(|program| program == voice.patch.program)
                && voice.state == VoiceState::Held
        });
        let voice = *voices.next()?;
        voices.next().is_none().then_some(voice)
    }

    fn mishears(
        &self,
        touch: &Touch,
        voice: &Voice,
        leads: &Touch,
        zone: Option<&MpeZone>,
    ) -> Option<String> {
        let surface = self
            .world
            .show
            .rig
            .controllers
            .iter()
            .find_map(|item| item.mpe)?;
        let slot = self.stage.models[touch.receiver].slot(voice.channel);
        let way = |value: u16, range: u8| (f64::from(value) - 8192.0) / 8192.0 * f64::from(range);
        let own = way(leads.bend, surface.bend_range);
        let meant = match (zone, leads.whole) {
            (Some(zone), _) => Some((own, zone.bend_range)),
            (None, Some(whole)) => Some((own + way(whole, 2), leads.bend_range)),
            (None, None) => None,
        };
        let mut wrong = Vec::new();
        if let Some((semitones, range)) = meant.filter(|(_, range)| *range > 0) {
            let value = 8192.0 + semitones / f64::from(range) * 8192.0;
            let value = value.clamp(0.0, 16383.0);
            if (f64::from(slot.bend.get()) - value).abs() > 1.0 {
                wrong.push(format!("bend {} and not {value:.1}", slot.bend.get()));
            }
        }
        let is_pressed = zone.is_some() || leads.whole.is_some();
        if let Some(value) = leads.pressure.filter(|_| is_pressed)
            && slot.pressure.get() != value
        {
            wrong.push(format!("pressure {} and not {value}", slot.pressure.get()));
        }
        let slide = Controller::clamped(i32::from(world::SLIDE));
        if let Some(value) = leads.slide
            && slot.controller(slide).get() != value
        {
            let heard = slot.controller(slide).get();
            wrong.push(format!("slide {heard} and not {value}"));
        }
        (!wrong.is_empty()).then(|| {
            format!(
                "{} us: the finger of {}/{} on receiver {} hears {}",
                self.now_us,
                voice.channel.get() + 1,
                voice.key.get(),
                touch.receiver,
                wrong.join(", ")
            )
        })
    }

    fn port(&self, at: usize) -> usize {
        at % self.is_powered.len()
    }

    /// A message from a keyboard, unless it is unplugged.
    fn send(&mut self, keyboard: usize, message: Message) {
        let (port, channel) = self.world.inputs[keyboard];
        self.tell(Input::Midi(port, message.on_channel(channel)));
    }

    /// How long what waits for each port now keeps it busy (MIDI 1.0: 320 µs a byte). What
    /// was moved a moment ago may wait for its turn on a slow line, and leaves with a step.
    fn drains_us(&self) -> Vec<u64> {
        // A smoothed route may be on its way long after its source.
        let mut routes = self.oracle.routes(self.oracle.at).iter();
        let has_moved = self.moved_us.is_some_and(|us| us + MOVE_US > self.now_us)
            || routes.any(|route| route.smooth_ms > 0);
        (0..self.is_powered.len())
            .map(|port| match self.stage.waiting(port) as u64 {
                waiting if has_moved && self.is_slow(port) => waiting * 1_000 + 40_000,
                0 => 0,
                waiting => waiting * 1_000 + 5_000,
            })
            .collect()
    }

    pub(crate) fn play(&mut self, event: Event) {
        match event {
            Event::On(keyboard, ..)
            | Event::Off(keyboard, _)
            | Event::Move(keyboard, ..)
            | Event::Bend(keyboard, _)
            | Event::Press(keyboard, _)
            | Event::PressKey(keyboard, ..)
            | Event::Flood(keyboard, _) => {
                let keyboard = self.keyboard(keyboard);
                if !self.oracle.hands[keyboard].is_lost {
                    self.play_key(keyboard, event);
                }
            }
            Event::FingerOn(finger, ..)
            | Event::FingerOff(finger, _)
            | Event::FingerBend(finger, _)
            | Event::FingerPress(finger, _)
            | Event::FingerSlide(finger, _) => {
                if let Some(finger) = self.finger(finger)
                    && !self.oracle.hands[self.world.controllers[finger]].is_lost
                {
                    self.play_finger(finger, event);
                }
            }
            Event::LoseKeyboard(_)
            | Event::FindKeyboard(_)
            | Event::PowerOff(_)
            | Event::CableOut(_)
            | Event::Return(_)
            | Event::Sign(_) => self.plug(event),
            Event::Replan(turns) => self.replan(turns),
            _ => self.command(event),
        }
        let (at, there) = (self.oracle.at, self.stage.view().position.index());
        if at != there {
            self.find(
                Rule::Surprise,
                format!("at position {there} instead of {at} after {event:?}"),
            );
        }
    }

    fn play_key(&mut self, keyboard: usize, event: Event) {
        let now_us = self.now_us;
        let value = |v: u8| Value7::clamped(i32::from(v & 0x7f));
        let key_of = |k: u8| Key::clamped(i32::from(k & 0x7f));
        let channel = Channel::MIN;
        if !matches!(event, Event::On(..) | Event::Off(..)) {
            self.moved_us = Some(now_us);
        }
        match event {
            Event::On(_, key, velocity) => {
                let velocity = velocity.clamp(1, 127);
                self.oracle
                    .press_key(now_us, keyboard, key & 0x7f, velocity);
                let message = Message::NoteOn(channel, key_of(key), value(velocity));
                self.send(keyboard, message);
            }
            Event::Off(_, key) => {
                self.oracle.lift_key(now_us, keyboard, key & 0x7f);
                self.send(keyboard, Message::NoteOff(channel, key_of(key), value(64)));
            }
            Event::Move(_, number, to) => {
                let number = world::SOURCES[usize::from(number) % world::SOURCES.len()];
                self.oracle.move_source(now_us, keyboard, number, to & 0x7f);
                let number = Controller::clamped(i32::from(number));
                self.send(keyboard, Message::Control(channel, number, value(to)));
            }
            Event::Bend(_, to) => {
                let to = to.min(16383);
                self.oracle.bend(now_us, keyboard, to);
                self.send(
                    keyboard,
                    Message::Bend(channel, Value14::clamped(to.into())),
                );
            }
            Event::Press(_, to) => {
                self.oracle.press(keyboard, to & 0x7f);
                self.send(keyboard, Message::Pressure(channel, value(to)));
            }
            Event::PressKey(_, key, to) => {
                self.send(
                    keyboard,
                    Message::PolyPressure(channel, key_of(key), value(to)),
                );
            }
            Event::Flood(_, count) => self.flood(keyboard, count),
            _ => {}
        }
    }

    fn flood(&mut self, keyboard: usize, count: u16) {
        self.oracle.flood(self.now_us, keyboard);
        for turn in 0..count {
            // No message comes again while the engine remembers it: that would be a loop.
            let (number, to) = match turn % 200 {
                to @ 0..128 => (1, to as u8),
                to => (11, (to - 128) as u8),
            };
            self.oracle.move_source(self.now_us, keyboard, number, to);
            let number = Controller::clamped(i32::from(number));
            let message = Message::Control(Channel::MIN, number, Value7::clamped(i32::from(to)));
            self.stage
                .handle(self.now_us, Input::Midi(InPort(keyboard as u8), message));
            self.events += 1;
        }
        self.settle();
        // On a slow line what was moved leaves when it is its turn, behind all that waits.
        let drain_us = self.drains_us().into_iter().max().unwrap_or(0);
        self.moved_us = Some(self.now_us + drain_us);
    }

    fn command(&mut self, event: Event) {
        let now_us = self.now_us;
        let drains = self.drains_us();
        let to = |to: usize, len: usize| to % len;
        let command = match event {
            Event::Step => {
                self.oracle.step(now_us, &drains);
                Command::Step
            }
            Event::Back => {
                self.oracle.back(now_us, &drains);
                Command::Back
            }
            Event::Jump(at) => {
                let at = to(at, self.oracle.line.len());
                self.oracle.jump(now_us, at, &drains);
                Command::Jump(PositionId(at as u32))
            }
            Event::SongDown => {
                self.oracle.song_down(now_us, &drains);
                Command::SongDown
            }
            Event::SongUp => {
                self.oracle.song_up(now_us, &drains);
                Command::SongUp
            }
            Event::PedalDown | Event::PedalUp => {
                self.step_pedal(event == Event::PedalDown, &drains);
                return;
            }
            Event::Panic => {
                self.let_go_us.push(now_us);
                self.oracle.panic(now_us);
                for (port, drain_us) in drains.iter().enumerate() {
                    if *drain_us > 0 {
                        self.panic_until_us[port] = now_us + drain_us;
                    }
                }
                self.ask_for_silence();
                self.tell(Input::Command(Command::Panic(None)));
                // Nothing is played meanwhile.
                self.pass_time(500_000);
                return;
            }
            Event::Mute(is_muted) => {
                self.oracle.mute(is_muted);
                Command::Mute(is_muted)
            }
            Event::Resend(is_forced) => {
                self.oracle.allow_passages(now_us);
                if is_forced {
                    self.oracle.force();
                }
                Command::Resend {
                    receiver: None,
                    is_forced,
                }
            }
            _ => {
                self.let_go_us.push(now_us);
                self.oracle.release_all(now_us);
                self.was_released = true;
                self.moved_us = Some(now_us);
                Command::ReleaseAll
            }
        };
        self.tell(Input::Command(command));
    }

    /// The night is planned anew around what sounds, as it is or with another song left out.
    fn replan(&mut self, turns: usize) {
        let (present, _) = self.oracle.line[self.oracle.at];
        let count = self.night.order.len();
        let other = (present + turns) % count;
        if let Some(NightEntry::Song { is_skipped, .. }) = self.night.order.get_mut(other)
            && other != present
        {
            *is_skipped = !*is_skipped;
        }
        let mut live = Live::default();
        self.stage.engine.live(&mut live);
        let given = Given {
            plan: &self.current,
            live: &live,
            written: &self.world.night,
        };
        let replan = replan(&self.world.show, &self.night, &given).expect("the show stands there");
        let (old, book) = (&self.stage.book, Arc::new(replan.plan.promptbook.clone()));
        let swap = Swap::prepare(old, book, live.position, replan.at).expect("the rig is the same");
        self.current = replan.plan;
        let played = |at: &usize| {
            !matches!(
                self.night.order[*at],
                NightEntry::Song {
                    is_skipped: true,
                    ..
                }
            )
        };
        let songs: Vec<usize> = (0..count).filter(played).collect();
        let line = self.world.line.iter();
        let line: Vec<_> = line
            .filter(|spot| songs.contains(&spot.song))
            .copied()
            .collect();
        self.oracle.change_night(&line);
        self.stage.take_book(self.now_us, swap);
        self.settle();
    }

    fn step_pedal(&mut self, is_down: bool, drains_us: &[u64]) {
        self.oracle.step_pedal(self.now_us, is_down, drains_us);
        let port = self.plan.promptbook.in_ports.len() - 1;
        let message = Message::Control(
            Channel::MIN,
            Controller::clamped(i32::from(STEP_PEDAL)),
            Value7::clamped(if is_down { 127 } else { 0 }),
        );
        self.tell(Input::Midi(InPort(port as u8), message));
    }

    /// After a panic nothing sounds; a port on which nobody listens must be silent when
    /// somebody has.
    fn ask_for_silence(&mut self) {
        for port in 0..self.quiets.len() {
            let is_there = !self.is_out[port] && self.oracle.is_listening(port);
            self.quiets[port] = Some(Quiet {
                before_us: is_there.then_some(self.now_us),
                from_us: None,
                is_panic: true,
            });
        }
    }

    /// Half a second after a port could take what ends them, voices that had to end are gone.
    fn check_quiets(&mut self) {
        for port in 0..self.quiets.len() {
            let Some(mut quiet) = self.quiets[port] else {
                continue;
            };
            let is_there = !self.is_out[port] && self.oracle.is_listening(port);
            if is_there && quiet.from_us.is_none() && self.now_us >= self.panic_until_us[port] {
                quiet.from_us = Some(self.now_us);
                quiet.before_us = quiet.before_us.or(quiet.from_us);
                self.quiets[port] = Some(quiet);
            }
            let (Some(before_us), Some(from_us)) = (quiet.before_us, quiet.from_us) else {
                continue;
            };
            if self.now_us < from_us + 500_000 {
                continue;
            }
            self.quiets[port] = None;
            for at in self.stage.on_port(port) {
                let voices = self.stage.models[at].voices();
                let is_wrong = |voice: &&Voice| {
                    voice.start_us < before_us && (quiet.is_panic || voice.is_held())
                };
                let left = voices.filter(is_wrong).count();
                if left > 0 {
                    let (rule, what) = if quiet.is_panic {
                        (Rule::Silence, "panic")
                    } else {
                        (Rule::Owner, "its port is back")
                    };
                    self.find(
                        rule,
                        format!(
                            "{} us: {left} voices sound after {what} on receiver {at}",
                            self.now_us
                        ),
                    );
                }
            }
        }
    }

    fn plug(&mut self, event: Event) {
        let now_us = self.now_us;
        match event {
            Event::LoseKeyboard(at) => {
                let at = self.keyboard(at);
                self.oracle.hands[at].is_lost = true;
                for hands in 0..self.oracle.hands.len() {
                    if self.world.controllers[hands] == at {
                        self.oracle.let_go_of(now_us, hands);
                    }
                }
                self.moved_us = Some(now_us);
                self.tell(Input::InputLost(InPort(at as u8)));
            }
            Event::FindKeyboard(at) => {
                let at = self.keyboard(at);
                self.oracle.hands[at].is_lost = false;
                self.tell(Input::InputReady(InPort(at as u8)));
            }
            Event::PowerOff(port) => {
                let port = self.port(port);
                if !self.is_out[port] {
                    self.is_powered[port] = false;
                    for at in self.stage.on_port(port) {
                        self.stage.models[at].power_off(now_us);
                    }
                    self.lose(port);
                }
            }
            Event::CableOut(port) => {
                let port = self.port(port);
                if !self.is_out[port] {
                    self.cable_us[port] = Some(now_us);
                    self.lose(port);
                }
            }
            Event::Return(port) => {
                let port = self.port(port);
                self.come_back(port);
            }
            Event::Sign(port) => {
                let port = self.port(port);
                let listen = |at: &usize| self.stage.models[*at].is_listening();
                if !self.is_out[port] && self.stage.on_port(port).iter().all(listen) {
                    self.oracle.hear_sign(now_us, port);
                    self.tell(Input::SignOfLife(OutPort(port as u8)));
                }
            }
            _ => {}
        }
    }

    fn lose(&mut self, port: usize) {
        self.is_out[port] = true;
        // A panic that was not heard is heard on the return; one that was, has been.
        self.quiets[port] = self.quiets[port].filter(|quiet| quiet.before_us.is_none());
        self.was_cut[port] = true;
        self.stage.clear_line(port);
        self.oracle.lose_port(self.now_us, port);
        self.tell(Input::OutputLost(OutPort(port as u8)));
    }

    fn come_back(&mut self, port: usize) {
        if !self.is_out[port] {
            return;
        }
        self.is_out[port] = false;
        self.quiets[port] = self.quiets[port].or(Some(Quiet {
            before_us: None,
            from_us: None,
            is_panic: false,
        }));
        if !self.is_powered[port] {
            self.is_powered[port] = true;
            for at in self.stage.on_port(port) {
                self.stage.models[at].power_on(self.now_us);
            }
        }
        self.oracle.find_port(self.now_us, port);
        self.tell(Input::OutputReady(OutPort(port as u8)));
    }

    /// Everything is let go and plugged in again, and what rings may ring out; then nothing
    /// may sound, no pedal may be down, and every slot must be as after a cold jump.
    pub(crate) fn end(&mut self) {
        self.pass_time(20_000);
        for port in 0..self.is_out.len() {
            self.come_back(port);
        }
        for keyboard in 0..self.oracle.hands.len() {
            for key in self.oracle.hands[keyboard].keys.clone() {
                self.play_key(keyboard, Event::Off(keyboard, key));
            }
            for pedal in [2, 3, 4] {
                if self.oracle.is_finger(keyboard) {
                    break;
                }
                self.play(Event::Move(keyboard, pedal, 0));
            }
        }
        self.pass_time(15_000_000);
        self.check_end();
        if self.world.has_numbered_cues {
            self.check_lights();
        }
        self.check_routes();
        self.check_path();
    }

    fn check_end(&mut self) {
        let view = self.stage.view();
        let found = std::mem::replace(
            &mut self.oracle.judge,
            segue::sim::Judge::new(segue::sim::JudgeRules {
                wait_us: 0,
                grace_us: 0,
                may_share_strike: false,
                may_be_stolen: false,
            }),
        );
        self.matched_now(&found);
        let late = found.finish(self.now_us);
        for violation in late.into_iter().skip(self.seen) {
            match self.excuse(&violation) {
                Some(why) => *self.oracle.excuses.entry(why).or_default() += 1,
                None => self.report_violation(&violation),
            }
        }
        for at in 0..self.stage.models.len() {
            let left: Vec<String> = self.stage.models[at]
                .voices()
                .map(|voice| format!("{}/{}", voice.channel.get() + 1, voice.key.get()))
                .collect();
            if !left.is_empty() {
                let rule = if self.stage.refused > 0 {
                    Rule::Bounded
                } else {
                    Rule::Owner
                };
                self.find(rule, format!("receiver {at} sounds at the end: {left:?}"));
            }
            for channel in 0..16 {
                let slot = self.stage.models[at].slot(Channel::clamped(channel));
                if slot.is_hold_down() || slot.is_sostenuto_down() || slot.is_soft_down() {
                    self.find(
                        Rule::Pedal,
                        format!("receiver {at}: a pedal is down on channel {}", channel + 1),
                    );
                }
            }
        }
        let held: u32 = view.slots.iter().map(|slot| u32::from(slot.notes)).sum();
        if held > 0 {
            self.find(Rule::Owner, format!("the engine still holds {held} notes"));
        }
        if self.stage.broken > 0 {
            let broken = self.stage.broken;
            self.find(Rule::Whole, format!("{broken} messages were not whole"));
        }
        if view.counters.faults > 0 {
            let faults = view.counters.faults;
            self.find(Rule::Surprise, format!("{faults} broken inner rules"));
        }
    }

    fn matched_now(&mut self, judge: &segue::sim::Judge) {
        self.matched = judge.matched_count();
    }

    fn check_lights(&mut self) {
        for at in 0..self.stage.models.len() {
            let model = &self.stage.models[at];
            if model.spec().kind != Kind::Silent {
                continue;
            }
            let is_tablet = self.world.show.rig.receivers[at].kind == ReceiverKind::Pages;
            let number = if is_tablet { PAGE_CONTROL } else { CUE_CONTROL };
            let is_note = |received: &Received| {
                let status = received.bytes.first().map_or(0, |status| status & 0xf0);
                !is_tablet
                    && matches!(status, 0x80 | 0x90)
                    && received.bytes.get(1) == Some(&CUE_KEY)
            };
            let told: Vec<u8> = model
                .received()
                .filter(|received| {
                    let status = received.bytes.first().map_or(0, |status| status & 0xf0);
                    status == 0xb0 && received.bytes.get(1) == Some(&number)
                        || status == 0x90 && is_note(received)
                })
                .filter_map(|received| received.bytes.get(2).copied())
                .collect();
            let notes: Vec<(u64, bool)> = model
                .received()
                .filter(|received| is_note(received))
                .map(|received| (received.at_us, received.bytes[0] & 0xf0 == 0x90))
                .collect();
            let others = model
                .received()
                .filter(|received| {
                    // System Exclusive is for the whole port.
                    received.bytes.first() < Some(&0xf0)
                        && received.bytes.get(1) != Some(&number)
                        && !is_note(received)
                })
                .count();
            let meant: Vec<u8> = self
                .oracle
                .cues
                .iter()
                .filter(|(receiver, _)| *receiver == at)
                .map(|(_, value)| *value)
                .collect();
            let is_right = if self.was_cut[self.world.ports[at]] {
                is_part(&told, &meant)
            } else {
                told == meant
            };
            let page = self.oracle.page_number();
            if is_tablet && told.last() != Some(&page) {
                self.find(Rule::Path, format!("pages {told:?}, at last not {page}"));
            }
            if !is_tablet && !is_right {
                self.find(Rule::Once, format!("cues {told:?} instead of {meant:?}"));
            }
            if !self.was_cut[self.world.ports[at]]
                && let Some(fault) = self.fault_of_cue_notes(&notes)
            {
                self.find(Rule::Once, format!("receiver {at}: {fault}"));
            }
            if others > 0 {
                self.find(
                    Rule::Silence,
                    format!("a receiver that makes no sound was sent {others} other messages"),
                );
            }
        }
    }

    /// A cue note sounds for its length: it ends then, at the next cue of the same note, or
    /// as everything is silenced or let go.
    fn fault_of_cue_notes(&self, notes: &[(u64, bool)]) -> Option<String> {
        let length_us = u64::from(CUE_LENGTH_MS) * 1_000;
        let mut since: Option<u64> = None;
        for (index, (at_us, is_on)) in notes.iter().enumerate() {
            if *is_on {
                if let Some(begun_us) = since {
                    return Some(format!("the note of {begun_us} us is struck anew unended"));
                }
                since = Some(*at_us);
                continue;
            }
            let Some(begun_us) = since.take() else {
                return Some(format!("a note that does not sound ends at {at_us} us"));
            };
            let sounded_us = at_us - begun_us;
            let is_followed = notes
                .get(index + 1)
                .is_some_and(|(next_us, _)| next_us.saturating_sub(*at_us) < PORT_US);
            let is_let_go = self
                .let_go_us
                .iter()
                .any(|us| (*us..*us + PORT_US).contains(at_us));
            if sounded_us + PORT_US < length_us && !is_followed && !is_let_go {
                return Some(format!("a note sounds for {sounded_us} us only"));
            }
            if sounded_us > length_us + PORT_US {
                return Some(format!("a note sounds for {sounded_us} us"));
            }
        }
        since.map(|begun_us| format!("the note of {begun_us} us never ends"))
    }

    /// The same place reached cold, with hands and feet where they are now.
    fn check_path(&mut self) {
        let book = Arc::clone(&self.stage.book);
        let mut cold = Stage::new(self.world, book, Saboteur::default());
        for port in 0..self.plan.promptbook.in_ports.len() {
            cold.handle(0, Input::InputReady(InPort(port as u8)));
        }
        let mut moved: Vec<_> = self.oracle.moved.iter().collect();
        moved.sort_by_key(|(_, (order, _))| *order);
        for ((keyboard, source), (_, value)) in moved {
            let narrow = Value7::clamped(i32::from(*value));
            let message = match *source {
                BEND => Message::Bend(Channel::MIN, Value14::clamped(i32::from(*value))),
                PRESSURE => Message::Pressure(Channel::MIN, narrow),
                number => {
                    Message::Control(Channel::MIN, Controller::clamped(number.into()), narrow)
                }
            };
            let (port, channel) = self.world.inputs[*keyboard];
            cold.handle(0, Input::Midi(port, message.on_channel(channel)));
        }
        cold.handle(
            0,
            Input::Command(Command::Jump(PositionId(self.oracle.at as u32))),
        );
        for port in 0..self.plan.promptbook.out_ports.len() {
            cold.handle(0, Input::OutputReady(OutPort(port as u8)));
        }
        let mut now_us = 0;
        while let Some(due_us) = cold.due_us().filter(|due| *due < 10_000_000) {
            now_us = due_us.max(now_us);
            cold.run_due(now_us);
        }
        for model in &mut cold.models {
            model.advance(10_000_000);
        }
        self.compare(&cold);
    }

    fn compare(&mut self, cold: &Stage) {
        let (here, there) = (self.stage.view(), cold.view());
        let mut differences = Vec::new();
        for (number, (mine, theirs)) in here.seats.iter().zip(&there.seats).enumerate() {
            let (Some(mine), Some(theirs)) = (mine, theirs) else {
                continue;
            };
            let entry = |slot: segue::engine::promptbook::SlotId| {
                let entry = &self.stage.book.slots[slot.index()];
                (entry.receiver.index(), entry.channel)
            };
            let ((receiver, channel), (other, other_channel)) = (entry(*mine), entry(*theirs));
            let scene =
                &self.stage.book.scenes[self.stage.book.positions[self.oracle.at].scene.index()];
            let sound = &scene.sounds.of(&self.stage.book.sounds)[number];
            let (mine, theirs) = ((receiver, channel), (other, other_channel));
            let free = self.free(self.oracle.at, receiver);
            differences.extend(self.differ(cold, &free, (number, sound), mine, theirs));
        }
        if !self.was_released {
            differences.extend(self.compare_primed(cold));
        }
        for text in differences {
            self.find(Rule::Path, text);
        }
    }

    /// The slots that are loaded ahead for the next position, wherever both are.
    fn compare_primed(&self, cold: &Stage) -> Vec<String> {
        let book = &self.stage.book;
        let sounds_of = |at: usize| {
            let place = &book.positions[at];
            let scene = &book.scenes[place.scene.index()];
            (scene, scene.sounds.of(&book.sounds), place)
        };
        if self.oracle.at + 1 >= book.positions.len() {
            return Vec::new();
        }
        let (_, present, _) = sounds_of(self.oracle.at);
        let (scene, sounds, place) = sounds_of(self.oracle.at + 1);
        let (here, there) = (self.stage.view().seats, cold.view().seats);
        let planned = place.seats.of(&book.seats);
        let mut differences = Vec::new();
        for (number, (sound, slot)) in sounds.iter().zip(planned).enumerate() {
            let is_played = scene
                .zones
                .of(&book.zones)
                .iter()
                .any(|zone| zone.sound.index() == number);
            let stays = present.iter().any(|old| old.identity == sound.identity);
            let is_taken = planned[..number].contains(slot)
                || here.iter().chain(&there).flatten().any(|seat| seat == slot);
            let entry = &book.slots[slot.index()];
            let receiver = &book.receivers[entry.receiver.index()];
            if !is_played || stays || is_taken || !receiver.manners.may_prime || !receiver.sounds {
                continue;
            }
            let at = (entry.receiver.index(), entry.channel);
            let free = self.free(self.oracle.at + 1, at.0);
            let found = self.differ(cold, &free, (number, sound), at, at);
            differences.extend(found.map(|text| format!("primed {text}")));
        }
        differences
    }

    /// The places on a receiver's slots that routes with a memory move in a position's scene.
    fn free(&self, at: usize, receiver: usize) -> Vec<Place> {
        // At the program's end all bends went back, whatever had brought them.
        let is_free = |route: &Route| {
            remembers(route) || self.was_released && route.target.what == Moved::Bend
        };
        let routes = self.oracle.routes(at).iter();
        routes
            .filter(|route| route.target.receiver == receiver && is_free(route))
            .flat_map(|route| places(route, &self.world.show.rig))
            .collect()
    }

    /// Every sound of the present scene is where its routes must have brought it.
    fn check_routes(&mut self) {
        let view = self.stage.view();
        let book = Arc::clone(&self.stage.book);
        let rig = &self.world.show.rig;
        let scene = &book.scenes[book.positions[self.oracle.at].scene.index()];
        let mut wrong = Vec::new();
        for (sound, seat) in scene.sounds.of(&book.sounds).iter().zip(&view.seats) {
            let Some(entry) = seat.map(|slot| book.slots[slot.index()]) else {
                continue;
            };
            let receiver = entry.receiver.index();
            let range = sound.bend_range.map_or(2, Value7::get);
            let free = self.free(self.oracle.at, receiver);
            for route in self.oracle.routes(self.oracle.at) {
                let places = places(route, rig);
                let is_free = places.iter().any(|place| free.contains(place));
                if route.target.receiver != receiver || is_free {
                    continue;
                }
                let meant = comes_to(route, &self.oracle.moved, range);
                let is = stands_at(&self.stage.models[receiver], entry.channel, &places);
                let (Some((meant, error)), Some(is)) = (meant, is) else {
                    continue;
                };
                self.routed += 1;
                if is.abs_diff(meant) > error.unsigned_abs() {
                    let channel = entry.channel.get() + 1;
                    wrong.push(format!(
                        "{:?} of receiver {receiver} channel {channel} at {is}, not at {meant}",
                        route.target.what
                    ));
                }
            }
        }
        for text in wrong {
            self.find(Rule::Path, text);
        }
    }

    /// How a slot here differs from one of the cold run, if both are to be one sound.
    fn differ(
        &self,
        cold: &Stage,
        free: &[Place],
        (number, sound): (usize, &SoundEntry),
        (receiver, channel): (usize, Channel),
        (other, other_channel): (usize, Channel),
    ) -> Option<String> {
        let walked = self.stage.models[receiver].slot(channel);
        let jumped = cold.models[other].slot(other_channel);
        let mut differ = Vec::new();
        let manners = &self.world.specs[receiver].manners;
        let heeded = |patch: Patch| {
            (
                manners.heeds_bank_msb.then_some(patch.bank_msb),
                manners.heeds_bank_lsb.then_some(patch.bank_lsb),
                patch.program,
            )
        };
        let is_same = heeded(walked.patch) == heeded(jumped.patch);
        if sound.patch.program.is_some() && !is_same {
            differ.push(format!("patch {:?} / {:?}", walked.patch, jumped.patch));
        }
        for controller in 0..120 {
            let is_address = matches!(controller, 0 | 32 | 6 | 38 | 96..=101);
            let number = Controller::clamped(controller);
            let (a, b) = (walked.controller(number), jumped.controller(number));
            let is_named = controller != 7 || sound.volume.is_some();
            let is_free = free.contains(&Place::Control(number.get()));
            if a != b && is_named && !is_address && !is_free {
                differ.push(format!(
                    "controller {controller}: {} / {}",
                    a.get(),
                    b.get()
                ));
            }
        }
        let is_bent = walked.bend != jumped.bend && !free.contains(&Place::Bend);
        let is_pressed = walked.pressure != jumped.pressure && !free.contains(&Place::Pressure);
        if is_bent || is_pressed {
            differ.push(format!(
                "bend, pressure {:?} / {:?}",
                (walked.bend, walked.pressure),
                (jumped.bend, jumped.pressure)
            ));
        }
        for (parameter, _) in walked.parameters().chain(jumped.parameters()) {
            // Of a write that a flood tore, half an address may have come. No parameter has
            // 127 in one half (MIDI 1.0, table of registered parameters).
            let is_torn = matches!(parameter, Parameter::Registered(at)
                if at.get() >> 7 == 127 || at.get() & 127 == 127);
            let (a, b) = (walked.parameter(parameter), jumped.parameter(parameter));
            if a != b && !is_torn && !free.contains(&Place::Numbered(parameter)) {
                differ.push(format!("{parameter:?}: {a:?} / {b:?}"));
            }
        }
        (!differ.is_empty()).then(|| {
            format!(
                "sound {number} on receiver {receiver} channel {} (cold {}): {}",
                channel.get() + 1,
                other_channel.get() + 1,
                differ.join(", ")
            )
        })
    }

    pub(crate) fn report(self) -> Report {
        Report {
            findings: self.findings,
            events: self.events,
            presses: self.oracle.presses,
            routed: self.routed,
            matched: self.matched,
            excuses: self.oracle.excuses,
            spared: self.oracle.spared,
            digest: self.stage.digest,
        }
    }
}

/// Whether one list can be had from the other by leaving things out.
fn is_part(part: &[u8], whole: &[u8]) -> bool {
    let mut whole = whole.iter();
    part.iter().all(|one| whole.any(|other| other == one))
}
