//! What a model receiver does with channel voice and mode messages.

use crate::midi::num::{Channel, Controller, Key, Program, Value7, Value14, cc};

use super::heard::{Ended, Heard, Moved};
use super::receiver::{Delayed, MAX_DELAYED, ReceiverModel};
use super::slot::{Entry, SlotState, is_heard};
use super::spec::{HeldNotes, Kind, LoadingControllers, LoadingNotes, Patch, ProgramResets};
use super::voice::{Pedals, Voice, VoiceId, VoiceState};

/// What a sounding voice hears of its slot.
struct Audible {
    level_db: f64,
    pitch_cents: f64,
    pan: Value7,
    pressure: Value7,
    key_pressures: [Value7; 128],
    controllers: [Value7; 128],
}

impl ReceiverModel {
    pub(super) fn take_channel(&mut self, channel: Channel, status: u8, first: u8, second: u8) {
        let message = Delayed {
            status,
            first,
            second,
        };
        let number = Controller::clamped(i32::from(first));
        let key = Key::clamped(i32::from(first));
        let value = Value7::clamped(i32::from(second));
        let is_loading = self.slots[channel.index()].loading_until_us.is_some();
        match status & 0xf0 {
            0x90 if second > 0 => self.key_down(channel, key, value, is_loading, message),
            0x80 | 0x90 => self.key_up(channel, key, message),
            0xc0 => self.change_program(channel, Program::clamped(i32::from(first))),
            0xb0 if first >= 120 => self.take_mode(channel, number),
            0xb0 if matches!(first, 0 | 32) => self.take_bank(channel, number, value),
            _ if is_loading && self.is_put_off(channel, message) => {}
            _ => self.apply_move(channel, message),
        }
    }

    /// Patches that are loaded by now: what was delayed for them counts.
    pub(super) fn finish_loading(&mut self) {
        let now_us = self.now_us;
        for index in 0..16_u8 {
            let slot = &mut self.slots[usize::from(index)];
            if slot.loading_until_us.is_none_or(|until| until > now_us) {
                continue;
            }
            slot.loading_until_us = None;
            let (due, rest): (Vec<Delayed>, Vec<Delayed>) = self
                .delayed
                .drain(..)
                .partition(|waiting| waiting.status & 0x0f == index);
            self.delayed.extend(rest);
            for message in due {
                let channel = Channel::clamped(i32::from(index));
                self.take_channel(channel, message.status, message.first, message.second);
            }
        }
    }

    /// Runs a change of a slot and tells every voice that sounds on it what it hears of it.
    pub(super) fn change_slot<R>(
        &mut self,
        channel: Channel,
        change: impl FnOnce(&mut SlotState) -> R,
    ) -> R {
        if !self.voices.sounds_on(channel) {
            return change(&mut self.slots[channel.index()]);
        }
        let before = self.audible(channel);
        let result = change(&mut self.slots[channel.index()]);
        let after = self.audible(channel);
        self.tell_voices(channel, &before, &after);
        result
    }

    /// Sets master volume; every voice that sounds hears it.
    pub(super) fn change_master(&mut self, master: Value14) {
        let channels = (0..16).map(Channel::clamped);
        let before: Vec<_> = channels.map(|ch| (ch, self.level_db(ch))).collect();
        self.master = master;
        for (channel, from_db) in before {
            let to_db = self.level_db(channel);
            if from_db != to_db {
                let ids: Vec<VoiceId> = self.voices.on(channel).map(|v| v.id).collect();
                for id in ids {
                    self.hear(Heard::LevelChanged { id, from_db, to_db });
                }
            }
        }
    }

    fn key_down(
        &mut self,
        channel: Channel,
        key: Key,
        velocity: Value7,
        is_loading: bool,
        message: Delayed,
    ) {
        if self.spec.kind != Kind::Instrument {
            return;
        }
        let slot = &self.slots[channel.index()];
        let patch = match self.spec.manners.loading_notes {
            LoadingNotes::OldPatch if is_loading => slot.patch_before,
            LoadingNotes::Ignored if is_loading => {
                self.hear(Heard::NoteLost { channel, key });
                return;
            }
            LoadingNotes::Delayed if is_loading => {
                self.delay(message);
                return;
            }
            _ => slot.patch,
        };
        let voice = Voice {
            id: VoiceId::default(),
            channel,
            group: self.spec.groups[channel.index()],
            key,
            patch,
            velocity,
            start_us: self.now_us,
            state: VoiceState::Held,
            level_db: self.level_db(channel),
            pitch_cents: slot.pitch_cents(),
            is_soft: slot.is_soft_down(),
            is_latched: false,
            size: self.spec.voices(patch),
        };
        self.voices.start(voice, &self.spec, &mut self.log);
    }

    fn key_up(&mut self, channel: Channel, key: Key, message: Delayed) {
        if self.spec.kind != Kind::Instrument {
            return;
        }
        // The Note Off of a note that still waits must not overtake it.
        let waits = self.delayed.iter().any(|waiting| {
            waiting.status == 0x90 | channel.get()
                && waiting.first == key.get()
                && waiting.second > 0
        });
        if waits {
            self.delay(message);
            return;
        }
        let pedals = self.pedals(channel);
        let found = self.voices.key_up(
            self.now_us,
            (channel, key),
            pedals,
            &self.spec,
            &mut self.log,
        );
        if !found {
            self.counters.idle_note_offs += 1;
        }
    }

    fn take_bank(&mut self, channel: Channel, number: Controller, value: Value7) {
        self.slots[channel.index()].take_control(number, value);
        let manners = &self.spec.manners;
        let is_heeded = if number == cc::BANK_MSB {
            manners.heeds_bank_msb
        } else {
            manners.heeds_bank_lsb
        };
        if manners.bank_at_once && is_heeded {
            let program = self.slots[channel.index()].patch.program;
            self.change_program(channel, program);
        }
    }

    fn change_program(&mut self, channel: Channel, program: Program) {
        if self.spec.fixed_patch(channel).is_some() {
            self.hear(Heard::ProgramIgnored { channel });
            return;
        }
        let manners = self.spec.manners;
        let slot = &mut self.slots[channel.index()];
        let mut patch = Patch {
            program,
            ..slot.patch
        };
        if manners.heeds_bank_msb {
            patch.bank_msb = slot.pending_bank.0;
        }
        if manners.heeds_bank_lsb {
            patch.bank_lsb = slot.pending_bank.1;
        }
        // A second change while the first loads: what sounded before is still what sounds.
        if slot.loading_until_us.is_none() {
            slot.patch_before = slot.patch;
        }
        slot.patch = patch;
        let load_us = self.spec.load_us(patch);
        let until_us = self.now_us.saturating_add(load_us);
        slot.loading_until_us = (load_us > 0).then_some(until_us);
        self.hear(Heard::Revoiced {
            channel,
            patch,
            sounding: self.voices.sounds_on(channel),
        });
        if manners.moves_focus {
            self.hear(Heard::FocusMoved { channel });
        }
        if self.spec.kind == Kind::Effects {
            self.hear(Heard::PassageInterrupted { channel, until_us });
        }
        self.treat_held_notes(channel, patch);
        match manners.program_resets {
            ProgramResets::Nothing => {}
            ProgramResets::Played => self.change_slot(channel, SlotState::reset_played),
            ProgramResets::Everything => {
                self.change_slot(channel, |slot| slot.reset_everything(channel));
            }
        }
        self.settle_pedals(channel);
    }

    fn treat_held_notes(&mut self, channel: Channel, patch: Patch) {
        let now_us = self.now_us;
        match self.spec.manners.held_notes {
            HeldNotes::Keep => {}
            HeldNotes::Cut => {
                self.voices
                    .end_where(now_us, Ended::CutByProgram, &mut self.log, |v| {
                        v.channel == channel
                    });
            }
            HeldNotes::Revoice => self.voices.revoice(now_us, channel, patch, &mut self.log),
        }
    }

    fn take_mode(&mut self, channel: Channel, number: Controller) {
        let manners = self.spec.manners;
        match number.get() {
            120 if manners.heeds_all_sound_off => {
                self.voices
                    .end_where(self.now_us, Ended::AllSoundOff, &mut self.log, |v| {
                        v.channel == channel
                    });
            }
            121 if manners.heeds_reset_all => {
                self.change_slot(channel, SlotState::reset_played);
                self.settle_pedals(channel);
            }
            123..=127 if manners.heeds_all_notes_off => {
                let pedals = self.pedals(channel);
                self.voices
                    .all_keys_up(self.now_us, channel, pedals, &self.spec, &mut self.log);
            }
            _ => {}
        }
    }

    /// Whether a move is ignored or delayed because the patch loads.
    fn is_put_off(&mut self, channel: Channel, message: Delayed) -> bool {
        match self.spec.manners.loading_controllers {
            LoadingControllers::Taken => false,
            LoadingControllers::Delayed => {
                self.delay(message);
                true
            }
            LoadingControllers::Ignored => {
                let moved = match message.status & 0xf0 {
                    0xa0 => Moved::KeyPressure(Key::clamped(i32::from(message.first))),
                    0xd0 => Moved::Pressure,
                    0xe0 => Moved::Bend,
                    _ => Moved::Control(Controller::clamped(i32::from(message.first))),
                };
                self.hear(Heard::ControllerIgnored { channel, moved });
                true
            }
        }
    }

    /// A controller below 120, a bend or a pressure.
    fn apply_move(&mut self, channel: Channel, message: Delayed) {
        let first = Value7::clamped(i32::from(message.first));
        let second = Value7::clamped(i32::from(message.second));
        match message.status & 0xf0 {
            0xa0 => self.change_slot(channel, |slot| {
                slot.key_pressures[first.index()] = second;
            }),
            0xd0 => self.change_slot(channel, |slot| slot.pressure = first),
            0xe0 => self.change_slot(channel, |slot| {
                slot.bend = Value14::from_parts(second, first);
            }),
            _ => self.apply_control(channel, Controller::clamped(first.get().into()), second),
        }
    }

    fn apply_control(&mut self, channel: Channel, number: Controller, value: Value7) {
        let from = self.slots[channel.index()].controller(number);
        let was_sostenuto = self.slots[channel.index()].is_sostenuto_down();
        let entry = self.change_slot(channel, |slot| slot.take_control(number, value));
        match entry {
            Entry::Taken => {}
            Entry::Unselected => self.counters.entries_unselected += 1,
            Entry::Full => self.counters.parameters_refused += 1,
        }
        if self.spec.kind == Kind::Effects && from != value {
            self.hear(Heard::WetChanged {
                channel,
                controller: number,
                from,
                to: value,
            });
        }
        if !was_sostenuto && self.slots[channel.index()].is_sostenuto_down() {
            self.voices.latch(channel);
        }
        if matches!(number, cc::HOLD | cc::SOSTENUTO) {
            self.settle_pedals(channel);
        }
    }

    /// Lets go of what no pedal holds any more.
    fn settle_pedals(&mut self, channel: Channel) {
        let pedals = self.pedals(channel);
        self.voices
            .pedal_up(self.now_us, channel, pedals, &self.spec, &mut self.log);
    }

    fn pedals(&self, channel: Channel) -> Pedals {
        let slot = &self.slots[channel.index()];
        Pedals {
            hold: slot.is_hold_down(),
            sostenuto: slot.is_sostenuto_down(),
        }
    }

    fn delay(&mut self, message: Delayed) {
        if self.delayed.len() >= MAX_DELAYED {
            self.counters.delayed_lost += 1;
            return;
        }
        self.delayed.push_back(message);
    }

    fn audible(&self, channel: Channel) -> Audible {
        let slot = &self.slots[channel.index()];
        Audible {
            level_db: self.level_db(channel),
            pitch_cents: slot.pitch_cents(),
            pan: slot.pan(),
            pressure: slot.pressure,
            key_pressures: slot.key_pressures,
            controllers: slot.controllers,
        }
    }

    fn tell_voices(&mut self, channel: Channel, before: &Audible, after: &Audible) {
        let voices: Vec<(VoiceId, Key)> = self.voices.on(channel).map(|v| (v.id, v.key)).collect();
        for (id, key) in voices {
            if before.level_db != after.level_db {
                let (from_db, to_db) = (before.level_db, after.level_db);
                self.hear(Heard::LevelChanged { id, from_db, to_db });
            }
            if before.pitch_cents != after.pitch_cents {
                let (from_cents, to_cents) = (before.pitch_cents, after.pitch_cents);
                self.hear(Heard::BendChanged {
                    id,
                    from_cents,
                    to_cents,
                });
            }
            if before.pan != after.pan {
                let (from, to) = (before.pan, after.pan);
                self.hear(Heard::PanChanged { id, from, to });
            }
            for (from, to) in [
                (before.pressure, after.pressure),
                (
                    before.key_pressures[key.index()],
                    after.key_pressures[key.index()],
                ),
            ] {
                if from != to {
                    self.hear(Heard::PressureChanged { id, from, to });
                }
            }
            for number in 0..120 {
                let controller = Controller::clamped(number);
                let from = before.controllers[controller.index()];
                let to = after.controllers[controller.index()];
                if from != to && is_heard(controller) {
                    self.hear(Heard::ControllerChanged {
                        id,
                        controller,
                        from,
                        to,
                    });
                }
            }
        }
    }
}
