//! A small builder of promptbooks, and a player that shows what goes out as text.

use crate::engine::Engine;
use crate::engine::input::{Command, Input, Outbox, Output, Payload};
use crate::engine::promptbook::*;
use crate::engine::view::View;
use crate::midi::{Channel, Controller, Key, Message, MpeZone, Program, Value7, Value14};

pub(super) fn v7(value: u8) -> Value7 {
    Value7::new(value).unwrap()
}

pub(super) fn key(value: u8) -> Key {
    Key::new(value).unwrap()
}

pub(super) fn cc(value: u8) -> Controller {
    Controller::new(value).unwrap()
}

/// Manners as General MIDI 2 recommends: nothing reset, nothing cut, no wait.
pub(super) const GOOD: Manners = Manners {
    sends_bank_msb: false,
    sends_bank_lsb: false,
    load_us: 0,
    resets_controllers: false,
    cuts_notes: false,
    may_prime: false,
    release_us: 0,
    holds_back: true,
    boot_us: 2_000_000,
    heeds_sensing: false,
};

/// The same, and silent slots may be primed.
pub(super) const PRIMED: Manners = Manners {
    may_prime: true,
    ..GOOD
};

/// Manners as they are assumed if nothing is stated.
pub(super) const BAD: Manners = Manners {
    sends_bank_msb: true,
    sends_bank_lsb: true,
    load_us: 100_000,
    resets_controllers: true,
    cuts_notes: true,
    may_prime: false,
    ..GOOD
};

/// A sound with its zones, as a test writes it.
#[derive(Clone)]
pub(super) struct Sound {
    pub(super) entry: SoundEntry,
    pub(super) zones: Vec<ZoneEntry>,
    settings: Vec<Setting>,
    seat: u8,
}

/// A sound of a receiver with a program; volume 100, first slot, no zones yet.
pub(super) fn sound(receiver: ReceiverId, program: u8) -> Sound {
    Sound {
        entry: SoundEntry {
            receiver,
            group: 0,
            patch: Patch {
                program: Program::new(program),
                ..Patch::default()
            },
            volume: Some(v7(100)),
            pan: None,
            bend_range: None,
            release_us: 0,
            load_us: 0,
            settings: Span::default(),
            level_change: LevelChange::Ride,
            identity: 0,
        },
        zones: Vec::new(),
        settings: Vec::new(),
        seat: 0,
    }
}

impl Sound {
    /// Played from every key of a controller.
    pub(super) fn on(self, controller: ControllerId) -> Self {
        self.zone(controller, |_| {})
    }

    /// Played from a zone that `change` makes of one over all keys.
    pub(super) fn zone(
        mut self,
        controller: ControllerId,
        change: impl FnOnce(&mut ZoneEntry),
    ) -> Self {
        let mut zone = ZoneEntry {
            controller,
            keys: (Key::MIN, Key::MAX),
            velocities: (v7(1), Value7::MAX),
            transpose: 0,
            curve: 0,
            sound: SoundId(0),
            catches: false,
            leave: Leave::Hold,
            finger: crate::midi::mpe::Leader::Last,
        };
        change(&mut zone);
        self.zones.push(zone);
        self
    }

    /// Planned on this slot of its receiver.
    pub(super) fn seat(mut self, seat: u8) -> Self {
        self.seat = seat;
        self
    }

    pub(super) fn with(mut self, change: impl FnOnce(&mut SoundEntry)) -> Self {
        change(&mut self.entry);
        self
    }

    pub(super) fn set(mut self, setting: Setting) -> Self {
        self.settings.push(setting);
        self
    }
}

/// A promptbook in the making.
#[derive(Default)]
pub(super) struct Book {
    book: Promptbook,
    identities: Vec<(SoundEntry, Vec<Setting>)>,
}

fn push<T>(table: &mut Box<[T]>, item: T) -> usize {
    let mut items = std::mem::take(table).into_vec();
    items.push(item);
    *table = items.into();
    table.len() - 1
}

fn span(start: usize, len: usize) -> Span {
    Span {
        start: start as u32,
        len: len as u32,
    }
}

impl Book {
    /// One song, one straight curve.
    pub(super) fn new() -> Self {
        let mut book = Self::default();
        let mut straight = [0u8; 128];
        for (value, out) in (0u8..).zip(straight.iter_mut()) {
            *out = value;
        }
        push(&mut book.book.curves, straight);
        book.song(&[]);
        book
    }

    /// A controller on a port of its own: all channels; wheel (1), foot (11) and the pedals
    /// 64, 66 and 67 pass.
    pub(super) fn controller(&mut self) -> ControllerId {
        let port = push(&mut self.book.in_ports, InPortEntry::default());
        self.controller_on(InPort(port as u8), None)
    }

    pub(super) fn controller_on(&mut self, port: InPort, channel: Option<Channel>) -> ControllerId {
        let id = push(
            &mut self.book.controllers,
            ControllerEntry {
                port,
                channel,
                mpe: None,
                keys: (Key::MIN, Key::MAX),
                passes: [1 << 1 | 1 << 11, 0b1101],
                passes_pressure: true,
                passes_bend: true,
                sources: Span::default(),
            },
        );
        ControllerId(id as u8)
    }

    /// An instrument on a port of its own, its slots on the first channels, all alike.
    pub(super) fn instrument(&mut self, slots: u8, manners: Manners) -> ReceiverId {
        let boot_us = manners.boot_us;
        let port = OutPort(push(
            &mut self.book.out_ports,
            OutPortEntry {
                boot_us,
                byte_us: 0,
            },
        ) as u8);
        let receiver = ReceiverId(self.book.receivers.len() as u8);
        let start = self.book.slots.len();
        for channel in 0..slots {
            push(
                &mut self.book.slots,
                SlotEntry {
                    receiver,
                    port,
                    channel: Channel::new(channel).unwrap(),
                    mpe: None,
                    group: 0,
                },
            );
        }
        push(
            &mut self.book.receivers,
            ReceiverEntry {
                port,
                sounds: true,
                slots: span(start, usize::from(slots)),
                manners,
                pages: None,
                local: None,
                spare_of: None,
            },
        );
        receiver
    }

    /// A spare of an instrument, on a port of its own, with as many slots and its manners.
    pub(super) fn spare(&mut self, of: ReceiverId) -> ReceiverId {
        let main = &self.book.receivers[of.index()];
        let (slots, manners) = (main.slots.len as u8, main.manners);
        let spare = self.instrument(slots, manners);
        self.receiver(spare, |entry| entry.spare_of = Some(of));
        spare
    }

    /// The first slot of `id` moves to the port of another receiver, on this channel.
    pub(super) fn share_channel(&mut self, id: ReceiverId, with: ReceiverId, channel: u8) {
        let port = self.book.receivers[with.index()].port;
        let receiver = &mut self.book.receivers[id.index()];
        receiver.port = port;
        let slot = &mut self.book.slots[receiver.slots.start as usize];
        slot.port = port;
        slot.channel = Channel::new(channel).unwrap();
    }

    /// A controller becomes an MPE surface, whose slide passes too.
    pub(super) fn surface(&mut self, zone: MpeZone) -> ControllerId {
        let id = self.controller();
        self.control_entry(id, |entry| {
            entry.channel = Some(zone.manager());
            entry.mpe = Some(zone);
            entry.passes[1] |= 1 << (74 - 64);
        });
        id
    }

    /// The slot of an instrument that has one becomes an MPE zone.
    pub(super) fn zone_slot(&mut self, id: ReceiverId, zone: MpeZone) {
        let start = self.book.receivers[id.index()].slots.start as usize;
        let slot = &mut self.book.slots[start];
        slot.channel = zone.manager();
        slot.mpe = Some(zone);
    }

    /// A byte occupies the line of this receiver's port for so long.
    pub(super) fn line(&mut self, id: ReceiverId, byte_us: u64) {
        let port = self.book.receivers[id.index()].port;
        self.book.out_ports[port.index()].byte_us = byte_us;
    }

    pub(super) fn receiver(&mut self, id: ReceiverId, change: impl FnOnce(&mut ReceiverEntry)) {
        change(&mut self.book.receivers[id.index()]);
    }

    pub(super) fn out_port(&mut self, at: usize, change: impl FnOnce(&mut OutPortEntry)) {
        change(&mut self.book.out_ports[at]);
    }

    pub(super) fn control_entry(
        &mut self,
        id: ControllerId,
        change: impl FnOnce(&mut ControllerEntry),
    ) {
        change(&mut self.book.controllers[id.index()]);
    }

    pub(super) fn curve(&mut self, curve: [u8; 128]) -> u16 {
        push(&mut self.book.curves, curve) as u16
    }

    pub(super) fn blob(&mut self, bytes: &[u8]) -> BlobId {
        BlobId(push(&mut self.book.blobs, bytes.into()) as u16)
    }

    pub(super) fn bind(&mut self, controller: ControllerId, trigger: Trigger, action: Action) {
        self.bind_as(Binding {
            controller,
            trigger,
            action,
            is_latching: false,
            is_inverted: false,
        });
    }

    pub(super) fn bind_as(&mut self, binding: Binding) {
        push(&mut self.book.bindings, binding);
    }

    /// A new song with the page numbers that go to the tablet.
    pub(super) fn song(&mut self, pages: &[u16]) {
        let start = self.book.pages.len();
        for page in pages {
            push(&mut self.book.pages, *page);
        }
        let positions = span(self.book.positions.len(), 0);
        push(
            &mut self.book.songs,
            SongEntry {
                positions,
                pages: span(start, pages.len()),
            },
        );
    }

    /// A scene, and a position of the last song that stands on it.
    pub(super) fn scene(&mut self, sounds: &[Sound]) -> PositionId {
        let sounds_start = self.book.sounds.len();
        let mut zones = Vec::new();
        let seats_start = self.book.seats.len();
        for (number, sound) in (0u8..).zip(sounds) {
            let entry = self.finish_sound(sound);
            push(&mut self.book.sounds, entry);
            let first = self.book.receivers[entry.receiver.index()].slots.start as u8;
            push(&mut self.book.seats, SlotId(first + sound.seat));
            zones.extend(sound.zones.iter().map(|zone| ZoneEntry {
                sound: SoundId(number),
                ..*zone
            }));
        }
        zones.sort_by_key(|zone| (zone.controller, zone.keys.0));
        let zones_start = self.book.zones.len();
        for zone in &zones {
            push(&mut self.book.zones, *zone);
        }
        let scene = push(
            &mut self.book.scenes,
            SceneEntry {
                zones: span(zones_start, zones.len()),
                sounds: span(sounds_start, sounds.len()),
                ..SceneEntry::default()
            },
        );
        let song = self.book.songs.len() - 1;
        self.book.songs[song].positions.len += 1;
        let position = push(
            &mut self.book.positions,
            PositionEntry {
                scene: SceneId(scene as u32),
                song: SongId(song as u16),
                seats: span(seats_start, sounds.len()),
                page: None,
            },
        );
        PositionId(position as u32)
    }

    fn finish_sound(&mut self, sound: &Sound) -> SoundEntry {
        let start = self.book.settings.len();
        for setting in &sound.settings {
            push(&mut self.book.settings, *setting);
        }
        let mut entry = sound.entry;
        let bare = SoundEntry {
            volume: None,
            level_change: LevelChange::Ride,
            ..entry
        };
        let same = (bare, sound.settings.clone());
        let known = self.identities.iter().position(|other| *other == same);
        entry.identity = known.unwrap_or_else(|| {
            self.identities.push(same);
            self.identities.len() - 1
        }) as u32;
        entry.settings = span(start, sound.settings.len());
        entry
    }

    pub(super) fn scene_entry(&mut self, at: PositionId, change: impl FnOnce(&mut SceneEntry)) {
        let scene = self.book.positions[at.index()].scene;
        change(&mut self.book.scenes[scene.index()]);
    }

    pub(super) fn position_entry(
        &mut self,
        at: PositionId,
        change: impl FnOnce(&mut PositionEntry),
    ) {
        change(&mut self.book.positions[at.index()]);
    }

    /// A cue of the scene made last.
    pub(super) fn cue(&mut self, receiver: ReceiverId, message: CueMessage, on_jump: bool) {
        let index = push(
            &mut self.book.cues,
            CueEntry {
                receiver,
                message,
                on_jump,
            },
        );
        let scene = self.book.scenes.last_mut().unwrap();
        if scene.cues.len == 0 {
            scene.cues.start = index as u32;
        }
        scene.cues.len += 1;
    }

    /// Plays the book from its first position, with every port there. What the start
    /// sends is thrown away.
    pub(super) fn play(self) -> Play {
        let mut play = self.play_absent();
        for port in 0..play.engine.promptbook().out_ports.len() {
            play.input(Input::OutputReady(OutPort(port as u8)));
        }
        play
    }

    /// Plays the book with no output there yet.
    pub(super) fn play_absent(self) -> Play {
        Play {
            engine: Engine::new(self.book, PositionId(0)),
            now_us: 1_000_000,
            out: Outbox::new(),
        }
    }

    pub(super) fn finish(self) -> Promptbook {
        self.book
    }
}

/// A show being played.
pub(super) struct Play {
    pub(super) engine: Engine,
    pub(super) now_us: u64,
    pub(super) out: Outbox,
}

impl Play {
    /// Gives the engine one input and returns what goes out.
    pub(super) fn input(&mut self, input: Input) -> String {
        self.out.clear();
        self.engine.handle(self.now_us, input, &mut self.out);
        self.sent()
    }

    /// What the outbox holds.
    pub(super) fn sent(&self) -> String {
        let lines: Vec<_> = self.out.items().iter().map(show).collect();
        lines.join(", ")
    }

    /// One message from a controller's port, as hex.
    pub(super) fn from(&mut self, port: u8, hex: &str) -> String {
        self.input(Input::Midi(InPort(port), parse(hex)))
    }

    /// One message from the first port.
    pub(super) fn keys(&mut self, hex: &str) -> String {
        self.from(0, hex)
    }

    pub(super) fn command(&mut self, command: Command) -> String {
        self.input(Input::Command(command))
    }

    pub(super) fn step(&mut self) -> String {
        self.command(Command::Step)
    }

    pub(super) fn back(&mut self) -> String {
        self.command(Command::Back)
    }

    /// Lets time pass, with a tick at each deadline, and returns what goes out, each
    /// message with its time in ms since the call.
    pub(super) fn wait(&mut self, wait_ms: u64) -> String {
        let start_us = self.now_us;
        let end_us = start_us + wait_ms * 1000;
        let mut lines = Vec::new();
        while let Some(due_us) = self.engine.next_deadline().filter(|due| *due <= end_us) {
            assert!(due_us >= self.now_us, "a deadline lies in the past");
            self.now_us = due_us;
            let shown = self.input(Input::Tick);
            if !shown.is_empty() {
                lines.push(format!("{}ms {shown}", (due_us - start_us) / 1000));
            }
            assert!(
                self.engine.next_deadline().is_none_or(|next| next > due_us),
                "a deadline was not served"
            );
        }
        self.now_us = end_us;
        lines.join(", ")
    }

    pub(super) fn view(&self) -> Box<View> {
        let mut view = Box::new(View::default());
        self.engine.view(&mut view);
        view
    }

    pub(super) fn position(&self) -> u32 {
        self.view().position.0
    }
}

fn show(output: &Output) -> String {
    match output.payload {
        Payload::Short(message) => {
            let bytes: Vec<_> = message
                .encode()
                .as_slice()
                .iter()
                .map(|byte| format!("{byte:02x}"))
                .collect();
            format!("{}:{}", output.port.0, bytes.join(" "))
        }
        Payload::Blob(blob) => format!("{}:blob {}", output.port.0, blob.0),
    }
}

fn parse(hex: &str) -> Message {
    let bytes: Vec<u8> = hex
        .split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect();
    let at = |index: usize| bytes.get(index).copied().unwrap_or(0);
    let channel = Channel::new(at(0) & 0x0f).unwrap();
    match at(0) & 0xf0 {
        0x80 => Message::NoteOff(channel, key(at(1)), v7(at(2))),
        0x90 => Message::NoteOn(channel, key(at(1)), v7(at(2))),
        0xa0 => Message::PolyPressure(channel, key(at(1)), v7(at(2))),
        0xb0 => Message::Control(channel, cc(at(1)), v7(at(2))),
        0xc0 => Message::Program(channel, Program::new(at(1)).unwrap()),
        0xd0 => Message::Pressure(channel, v7(at(1))),
        0xe0 => Message::Bend(channel, Value14::from_parts(v7(at(2)), v7(at(1)))),
        _ => Message::Clock,
    }
}
