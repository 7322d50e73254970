//! What a model receiver does with channel voice and mode messages.

use crate::midi::num::{Channel, Controller, Key, Program, Value7, Value14, cc};

use super::heard::{Ended, Heard, Moved};
use super::receiver::{Delayed, MAX_DELAYED, ReceiverModel};
use super::slot::{Entry, Parameter, SlotState, is_heard};
use super::spec::{HeldNotes, Kind, LoadingControllers, LoadingNotes, Patch, ProgramResets};
use super::voice::{Pedals, Voice, VoiceId, VoiceState};

/// The values of a slot that a sounding voice follows.
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
        if self.is_left_out(channel, status, first) {
            self.counters.left_out += 1;
            return;
        }
        let ruling = self.ruling(channel);
        let is_loading = self.slots[ruling.index()].loading_until_us.is_some();
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

    /// Ends loading where it is due, and applies the messages that were delayed for it.
    pub(super) fn finish_loading(&mut self) {
        let now_us = self.now_us;
        for index in 0..16_u8 {
            let slot = &mut self.slots[usize::from(index)];
            if slot.loading_until_us.is_none_or(|until| until > now_us) {
                continue;
            }
            slot.loading_until_us = None;
            let waiting = std::mem::take(&mut self.delayed);
            let (due, rest): (Vec<Delayed>, Vec<Delayed>) =
                waiting.into_iter().partition(|waiting| {
                    let channel = Channel::clamped((waiting.status & 0x0f).into());
                    self.ruling(channel).get() == index
                });
            self.delayed.extend(rest);
            for message in due {
                let channel = Channel::clamped((message.status & 0x0f).into());
                self.take_channel(channel, message.status, message.first, message.second);
            }
        }
    }

    /// Changes a slot, and logs what every voice that sounds on it hears of the change.
    pub(super) fn change_slot<R>(
        &mut self,
        channel: Channel,
        change: impl FnOnce(&mut SlotState) -> R,
    ) -> R {
        let mut reach = self.reach(channel);
        reach.retain(|channel| self.voices.sounds_on(*channel));
        let before: Vec<Audible> = reach.iter().map(|own| self.audible(*own)).collect();
        let result = change(&mut self.slots[channel.index()]);
        for (own, before) in reach.into_iter().zip(before) {
            let after = self.audible(own);
            // Per-note control ends with the Note Off.
            let held_only = own == channel && self.is_member(channel);
            self.tell_voices(own, held_only, &before, &after);
        }
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
        let slot = &self.slots[self.ruling(channel).index()];
        let patch = match self.spec.manners.loading_notes {
            LoadingNotes::OldPatch if is_loading => slot.patch_before,
            LoadingNotes::Ignored if is_loading => {
                let patch = slot.patch;
                self.hear(Heard::NoteLost {
                    channel,
                    patch,
                    key,
                    velocity,
                });
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
            pitch_cents: self.pitch_on(channel),
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
        // A note-off must not overtake its own note-on that is still delayed.
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
        // At a second program change while the first loads, the patch before the first still
        // sounds.
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
            sounding: self
                .reach(channel)
                .into_iter()
                .any(|channel| self.voices.sounds_on(channel)),
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
            ProgramResets::Played => self.reset_played(channel),
            ProgramResets::Everything => {
                self.change_slot(channel, |slot| slot.reset_everything(channel));
                self.spread(channel, |slot| {
                    slot.reset_played();
                    slot.set_parameter(Parameter::BEND_RANGE, Value14::clamped(48 << 7));
                });
            }
        }
        self.settle_pedals(channel);
    }

    fn treat_held_notes(&mut self, channel: Channel, patch: Patch) {
        let now_us = self.now_us;
        for channel in self.reach(channel) {
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
    }

    /// Reset All Controllers, of a manager for its zone.
    fn reset_played(&mut self, channel: Channel) {
        self.change_slot(channel, SlotState::reset_played);
        self.spread(channel, SlotState::reset_played);
    }

    fn take_mode(&mut self, channel: Channel, number: Controller) {
        let manners = self.spec.manners;
        match number.get() {
            120 if manners.heeds_all_sound_off => {
                let reach = self.reach(channel);
                self.voices
                    .end_where(self.now_us, Ended::AllSoundOff, &mut self.log, |v| {
                        reach.contains(&v.channel)
                    });
            }
            121 if manners.heeds_reset_all => {
                self.reset_played(channel);
                self.settle_pedals(channel);
            }
            123..=127 if manners.heeds_all_notes_off => {
                let pedals = self.pedals(channel);
                for channel in self.reach(channel) {
                    self.voices.all_keys_up(
                        self.now_us,
                        channel,
                        pedals,
                        &self.spec,
                        &mut self.log,
                    );
                }
            }
            _ => {}
        }
    }

    /// Handles a move that comes while the patch loads. Returns whether it was ignored or
    /// delayed.
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
            0xd0 => {
                self.change_slot(channel, |slot| slot.pressure = first);
                self.spread(channel, |slot| slot.pressure = first);
            }
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
        self.spread_control(channel, number, value);
        self.enter_zone(channel, number, value);
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
            for channel in self.reach(channel) {
                self.voices.latch(channel);
            }
        }
        if matches!(number, cc::HOLD | cc::SOSTENUTO) {
            self.settle_pedals(channel);
        }
    }

    /// Releases the voices that no pedal holds any more.
    fn settle_pedals(&mut self, channel: Channel) {
        let pedals = self.pedals(channel);
        for channel in self.reach(channel) {
            self.voices
                .pedal_up(self.now_us, channel, pedals, &self.spec, &mut self.log);
        }
    }

    fn pedals(&self, channel: Channel) -> Pedals {
        let slot = &self.slots[self.ruling(channel).index()];
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
        let (slot, own) = (
            &self.slots[self.ruling(channel).index()],
            &self.slots[channel.index()],
        );
        let mut controllers = slot.controllers;
        controllers[74] = own.controllers[74];
        Audible {
            level_db: self.level_db(channel),
            pitch_cents: self.pitch_on(channel),
            pan: slot.pan(),
            pressure: own.pressure,
            key_pressures: own.key_pressures,
            controllers,
        }
    }

    fn tell_voices(
        &mut self,
        channel: Channel,
        held_only: bool,
        before: &Audible,
        after: &Audible,
    ) {
        let moved: Vec<(Controller, Value7, Value7)> = (0..120)
            .map(Controller::clamped)
            .map(|number| {
                (
                    number,
                    before.controllers[number.index()],
                    after.controllers[number.index()],
                )
            })
            .filter(|(number, from, to)| from != to && is_heard(*number))
            .collect();
        let voices: Vec<(VoiceId, Key)> = self
            .voices
            .on(channel)
            .filter(|voice| !held_only || voice.state == VoiceState::Held)
            .map(|voice| (voice.id, voice.key))
            .collect();
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
            for (controller, from, to) in &moved {
                self.hear(Heard::ControllerChanged {
                    id,
                    controller: *controller,
                    from: *from,
                    to: *to,
                });
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::heard::Released;
    use super::super::spec::{LevelLaw, PatchSpec, ReceiverSpec, Restrike};
    use super::super::testing::*;
    use super::*;
    use VoiceState::{Held, Ringing, Sostenuto, Sustained};

    fn first(model: &ReceiverModel) -> Voice {
        *model.voices().next().expect("a voice sounds")
    }

    /// The patch that a note struck now sounds with; the note is released again.
    fn struck_patch(model: &mut ReceiverModel) -> Patch {
        let now_us = model.now_us;
        model.feed(now_us, &on(127));
        let patch = model.voices().last().expect("it sounds").patch;
        model.feed(now_us, &off(127));
        patch
    }

    /// GM2 §3.3.1: Bank Select takes effect at the next program change, and goes on to.
    #[test]
    fn bank_select_waits_for_the_program_change() {
        let mut model = model(|_| {});
        let before = struck_patch(&mut model);
        model.feed(1, &[0xb0, 0, 5, 32, 6]);
        assert_eq!(struck_patch(&mut model), before);
        model.feed(2, &program(7));
        assert_eq!(struck_patch(&mut model), Patch::of(5, 6, 7));
        model.feed(3, &program(8));
        assert_eq!(struck_patch(&mut model), Patch::of(5, 6, 8));
    }

    #[test]
    fn manner_which_bank_bytes_are_heeded() {
        for (msb, lsb, patch) in [
            (true, true, Patch::of(5, 6, 7)),
            (true, false, Patch::of(5, 0, 7)),
            (false, true, Patch::of(0x79, 6, 7)),
            (false, false, Patch::of(0x79, 0, 7)),
        ] {
            let mut model = model(|m| (m.heeds_bank_msb, m.heeds_bank_lsb) = (msb, lsb));
            model.feed(0, &[0xb0, 0, 5, 32, 6, 0xc0, 7]);
            assert_eq!(struck_patch(&mut model), patch);
        }
    }

    /// A few receivers change the sound at once on Bank Select (a secondary source).
    #[test]
    fn manner_bank_at_once() {
        let mut model = model(|m| m.bank_at_once = true);
        model.feed(0, &control(0, 5));
        assert_eq!(struck_patch(&mut model), Patch::of(5, 0, 0));
        model.feed(1, &control(32, 6));
        assert_eq!(struck_patch(&mut model), Patch::of(5, 6, 0));
    }

    /// GM2 §3.2 and §3.3.1 (recommended): held notes keep the old timbre until Note Off,
    /// new notes take the new one. The other two manners: common practice, no source.
    #[test]
    fn manner_what_a_program_change_does_to_held_notes() {
        for manner in [HeldNotes::Keep, HeldNotes::Cut, HeldNotes::Revoice] {
            let mut model = model(|m| m.held_notes = manner);
            model.feed(0, &on(60));
            let old = first(&model).patch;
            let mark = model.mark();
            model.feed(1, &program(7));
            let new = Patch::of(0x79, 0, 7);
            let (id, patch) = (VoiceId(0), new);
            let revoiced = Heard::Revoiced {
                channel: CH,
                patch,
                sounding: true,
            };
            match manner {
                HeldNotes::Keep => {
                    assert_eq!(heard(&model, mark), [revoiced]);
                    assert_eq!(first(&model).patch, old);
                }
                HeldNotes::Cut => {
                    let why = Ended::CutByProgram;
                    assert_eq!(
                        heard(&model, mark),
                        [revoiced, Heard::NoteEnded { id, why }]
                    );
                    assert_eq!(model.voices().count(), 0);
                }
                HeldNotes::Revoice => {
                    let voice = Heard::VoiceRevoiced { id, patch };
                    assert_eq!(heard(&model, mark), [revoiced, voice]);
                    assert_eq!(first(&model).patch, new);
                }
            }
            assert_eq!(struck_patch(&mut model), new);
        }
    }

    /// GM2 §3.2 (recommended): a program change resets nothing. That others reset: common
    /// practice, no source.
    #[test]
    fn manner_what_a_program_change_resets() {
        for manner in [
            ProgramResets::Nothing,
            ProgramResets::Played,
            ProgramResets::Everything,
        ] {
            let mut model = model(|m| m.program_resets = manner);
            model.feed(
                0,
                &[
                    0xb0, 7, 50, 11, 60, 1, 70, 101, 0, 100, 0, 6, 12, 0xe0, 0, 0x50,
                ],
            );
            model.feed(1, &on(60));
            model.feed(2, &program(7));
            let slot = model.slot(CH);
            let seen = (
                slot.volume().get(),
                slot.expression().get(),
                slot.modulation().get(),
                slot.bend_range_cents(),
                slot.bend.get(),
            );
            let expected = match manner {
                ProgramResets::Nothing => (50, 60, 70, 1200, 10240),
                ProgramResets::Played => (50, 127, 0, 1200, 8192),
                ProgramResets::Everything => (100, 127, 0, 200, 8192),
            };
            assert_eq!(seen, expected, "{manner:?}");
            let is_bent = heard(&model, 0)
                .iter()
                .any(|h| matches!(h, Heard::BendChanged { .. }));
            assert_eq!(
                is_bent,
                manner != ProgramResets::Nothing,
                "the held note hears it"
            );
        }
    }

    /// A program change that resets controllers lifts the pedal, and releases what it held.
    #[test]
    fn a_reset_lets_go_of_the_pedal() {
        let mut model = model(|m| m.program_resets = ProgramResets::Played);
        model.feed(0, &[0xb0, 64, 127, 0x90, 60, 100, 60, 0]);
        assert_eq!(sounding(&model), [(60, Sustained)]);
        model.feed(1, &program(1));
        assert_eq!(releases(&model), [(1, 0, Released::PedalUp)]);
    }

    /// No standard value for the time after a program change; tens of ms: common practice.
    #[test]
    fn manner_controllers_while_a_patch_loads() {
        use LoadingControllers::{Delayed, Ignored, Taken};
        for manner in [Taken, Ignored, Delayed] {
            let mut model = model(|m| (m.load_us, m.loading_controllers) = (50_000, manner));
            model.feed(0, &program(1));
            model.feed(
                10_000,
                &[0xb0, 7, 20, 0xd0, 30, 0xe0, 0, 0x50, 0xa0, 60, 40],
            );
            let seen = |model: &ReceiverModel| {
                let slot = model.slot(CH);
                (
                    slot.volume().get(),
                    slot.pressure.get(),
                    slot.bend.get(),
                    slot.key_pressure(key(60)).get(),
                )
            };
            let (untouched, moved) = ((100, 0, 8192, 0), (20, 30, 10240, 40));
            let while_loading = if manner == Taken { moved } else { untouched };
            let loaded = if manner == Ignored { untouched } else { moved };
            model.advance(49_999);
            assert_eq!(seen(&model), while_loading, "{manner:?}");
            model.advance(50_000);
            assert_eq!(seen(&model), loaded, "{manner:?}");
            let ignored = |h: &Heard| matches!(h, Heard::ControllerIgnored { .. });
            let count = heard(&model, 0).iter().filter(|h| ignored(h)).count();
            assert_eq!(count, if manner == Ignored { 4 } else { 0 });
            model.feed(60_000, &control(7, 21));
            assert_eq!(model.slot(CH).volume().get(), 21, "loaded");
        }
    }

    #[test]
    fn manner_notes_while_a_patch_loads() {
        use LoadingNotes::{Delayed, Ignored, OldPatch, Taken};
        let (old, new) = (Patch::of(0x79, 0, 0), Patch::of(0x79, 0, 1));
        for (manner, expected) in [
            (Taken, Some((10_000, new))),
            (OldPatch, Some((10_000, old))),
            (Ignored, None),
            (Delayed, Some((50_000, new))),
        ] {
            let mut model = model(|m| (m.load_us, m.loading_notes) = (50_000, manner));
            model.feed(0, &program(1));
            model.feed(10_000, &on(60));
            model.advance(60_000);
            let voice = model.voices().next().map(|v| (v.start_us, v.patch));
            assert_eq!(voice, expected, "{manner:?}");
            let is_lost = |heard: &Heard| match heard {
                Heard::NoteLost {
                    channel, key: k, ..
                } => (*channel, *k) == (CH, key(60)),
                _ => false,
            };
            assert_eq!(heard(&model, 0).iter().any(is_lost), manner == Ignored);
        }
    }

    /// The patch before is the last one that was loaded, also if another came meanwhile.
    #[test]
    fn the_old_patch_is_the_last_one_that_was_loaded() {
        let mut model = model(|m| {
            (m.load_us, m.loading_notes) = (50_000, LoadingNotes::OldPatch);
        });
        model.feed(0, &program(1));
        model.feed(60_000, &program(2));
        assert_eq!(struck_patch(&mut model), Patch::of(0x79, 0, 1));
        model.feed(70_000, &program(3));
        assert_eq!(struck_patch(&mut model), Patch::of(0x79, 0, 1));
        model.advance(110_001);
        assert_eq!(
            model.slot(CH).loading_until_us,
            Some(120_000),
            "loading began anew"
        );
        model.advance(120_000);
        assert_eq!(struck_patch(&mut model), Patch::of(0x79, 0, 3));
    }

    /// Bank bytes belong to the next program change, not to the patch that loads.
    #[test]
    fn bank_select_is_taken_while_a_patch_loads() {
        let mut model = model(|m| {
            (m.load_us, m.loading_controllers) = (50_000, LoadingControllers::Ignored);
        });
        model.feed(0, &program(1));
        model.feed(1, &[0xb0, 0, 5, 32, 6, 0xc0, 2]);
        assert_eq!(model.slot(CH).patch, Patch::of(5, 6, 2));
        assert!(
            !heard(&model, 0)
                .iter()
                .any(|h| matches!(h, Heard::ControllerIgnored { .. }))
        );
    }

    #[test]
    fn a_note_off_does_not_overtake_its_delayed_note() {
        let mut model = model(|m| {
            (m.load_us, m.loading_notes) = (50_000, LoadingNotes::Delayed);
        });
        model.feed(0, &program(1));
        model.feed(10_000, &[0x90, 60, 100, 60, 0]);
        model.advance(60_000);
        assert_eq!(ends(&model), [(50_000, 0, Ended::RingDone)]);
    }

    #[test]
    fn what_is_delayed_is_bounded() {
        let mut model = model(|m| {
            (m.load_us, m.loading_controllers) = (50_000, LoadingControllers::Delayed);
        });
        model.feed(0, &program(1));
        for _ in 0..MAX_DELAYED + 3 {
            model.feed(1, &control(7, 1));
        }
        assert_eq!(model.counters().delayed_lost, 3);
    }

    #[test]
    fn load_time_may_hang_on_the_patch() {
        let mut spec = ReceiverSpec::gm2();
        spec.manners.load_us = 10_000;
        spec.patches.push(PatchSpec {
            patch: Patch::of(0x79, 0, 5),
            release_us: 0,
            voices: 1,
            load_us: Some(80_000),
        });
        let mut model = ReceiverModel::new(spec);
        model.feed(0, &program(1));
        assert_eq!(model.slot(CH).loading_until_us, Some(10_000));
        model.feed(20_000, &program(5));
        assert_eq!(model.slot(CH).loading_until_us, Some(100_000));
    }

    #[test]
    fn manner_the_focus_moves() {
        for moves in [false, true] {
            let mut model = model(|m| m.moves_focus = moves);
            model.feed(0, &[0xc3, 1]);
            let channel = Channel::clamped(3);
            assert_eq!(
                heard(&model, 0).contains(&Heard::FocusMoved { channel }),
                moves
            );
        }
    }

    /// GM2 §3.3.7: with the pedal down the Note Off is deferred until it goes up.
    #[test]
    fn hold_defers_the_note_off() {
        let mut model = model(|_| {});
        model.feed(0, &on(60));
        model.feed(1, &control(64, 64));
        model.feed(2, &off(60));
        model.feed(3, &on(62));
        assert_eq!(sounding(&model), [(60, Sustained), (62, Held)]);
        model.feed(4, &control(64, 63));
        assert_eq!(
            sounding(&model),
            [(62, Held)],
            "63 is up: the key that is down stays"
        );
        assert_eq!(releases(&model), [(4, 0, Released::PedalUp)]);
        model.feed(5, &off(62));
        assert_eq!(releases(&model)[1], (5, 1, Released::KeyUp));
    }

    /// GM2 §3.3.9: only notes held when the pedal goes down are latched.
    #[test]
    fn sostenuto_latches_only_what_is_held() {
        let mut model = model(|_| {});
        model.feed(0, &on(60));
        model.feed(1, &control(66, 127));
        model.feed(2, &on(64));
        model.feed(3, &[0x80, 60, 0, 64, 0]);
        assert_eq!(sounding(&model), [(60, Sostenuto)]);
        // Moving within "down" latches nothing more.
        model.feed(4, &on(67));
        model.feed(5, &control(66, 100));
        model.feed(6, &off(67));
        assert_eq!(sounding(&model), [(60, Sostenuto)]);
        // The hold pedal going up does not let it go, nor does sostenuto while hold is down.
        model.feed(7, &[0xb0, 64, 127, 64, 0]);
        assert_eq!(sounding(&model), [(60, Sostenuto)]);
        model.feed(8, &[0xb0, 64, 127, 66, 0]);
        assert_eq!(sounding(&model), [(60, Sustained)]);
        model.feed(9, &control(64, 0));
        assert_eq!(releases(&model).last(), Some(&(9, 0, Released::PedalUp)));
    }

    /// GM2 §3.3.9 again: a note that only the hold pedal keeps is not held by its key.
    #[test]
    fn sostenuto_does_not_latch_what_the_hold_pedal_keeps() {
        let mut model = model(|_| {});
        model.feed(0, &[0xb0, 64, 127, 0x90, 60, 100, 60, 0]);
        model.feed(1, &[0xb0, 66, 127, 64, 0]);
        assert_eq!(releases(&model), [(1, 0, Released::PedalUp)]);
    }

    /// GM2 §3.3.10: 64 and above is on. That only notes struck then are soft: common practice.
    #[test]
    fn soft_is_for_the_next_note() {
        let mut model = model(|_| {});
        model.feed(0, &[0x90, 60, 100, 0xb0, 67, 64, 0x90, 62, 100]);
        let soft: Vec<bool> = model.voices().map(|v| v.is_soft).collect();
        assert_eq!(soft, [false, true]);
    }

    /// All Notes Off acts as a Note Off for each note, so pedals go on holding (a secondary
    /// source); All Sound Off does not wait for them (GM2 §3.5.1).
    #[test]
    fn all_notes_off_waits_for_pedals_and_all_sound_off_does_not() {
        let mut model = model(|m| m.release_us = 1_000_000);
        model.feed(0, &[0x90, 60, 100, 0xb0, 66, 127, 64, 127, 0x90, 62, 100]);
        model.feed(1, &control(123, 0));
        assert_eq!(sounding(&model), [(60, Sostenuto), (62, Sustained)]);
        model.feed(2, &[0xb0, 64, 0, 66, 0, 0x90, 64, 100]);
        model.feed(3, &control(123, 0));
        assert_eq!(
            releases(&model).last(),
            Some(&(3, 2, Released::AllNotesOff))
        );
        assert!(model.voices().all(|v| matches!(v.state, Ringing { .. })));
        model.feed(4, &[0x90, 65, 100, 0xb0, 64, 127, 120, 0]);
        assert_eq!(
            model.voices().count(),
            0,
            "held, sustained and ringing alike"
        );
        assert!(
            ends(&model)
                .iter()
                .all(|(at, _, why)| (*at, *why) == (4, Ended::AllSoundOff))
        );
    }

    /// GM2 §3.5.4 to §3.5.7: changes of mode act as All Notes Off.
    #[test]
    fn changes_of_mode_let_go_of_all_notes() {
        for number in 124..=127 {
            let mut model = model(|_| {});
            model.feed(0, &on(60));
            model.feed(1, &control(number, 0));
            assert_eq!(
                releases(&model),
                [(1, 0, Released::AllNotesOff)],
                "{number}"
            );
        }
        let mut model = model(|_| {});
        model.feed(0, &on(60));
        model.feed(1, &control(122, 0));
        assert_eq!(
            sounding(&model),
            [(60, Held)],
            "Local Control is no All Notes Off"
        );
    }

    /// RP-015 through the wire: pedals go up and what they held is let go; level stays.
    #[test]
    fn reset_all_controllers_lets_pedals_go() {
        let mut model = model(|_| {});
        model.feed(
            0,
            &[
                0xb0, 7, 80, 64, 127, 0x90, 60, 100, 60, 0, 62, 100, 0xe0, 0, 0,
            ],
        );
        model.feed(1, &control(121, 0));
        assert_eq!(sounding(&model), [(62, Held)]);
        assert_eq!(releases(&model), [(1, 0, Released::PedalUp)]);
        assert_eq!(model.slot(CH).volume().get(), 80);
        let (from_cents, to_cents) = (-200.0, 0.0);
        for id in [VoiceId(0), VoiceId(1)] {
            let back = Heard::BendChanged {
                id,
                from_cents,
                to_cents,
            };
            assert!(
                heard(&model, 0).contains(&back),
                "the held one and the sustained one"
            );
        }
    }

    #[test]
    fn manner_mode_messages_may_go_unheeded() {
        let mut model = model(|m| {
            m.heeds_all_sound_off = false;
            m.heeds_reset_all = false;
            m.heeds_all_notes_off = false;
        });
        model.feed(0, &[0xb0, 1, 5, 0x90, 60, 100]);
        model.feed(1, &[0xb0, 120, 0, 121, 0, 123, 0, 124, 0, 127, 0]);
        assert_eq!(sounding(&model), [(60, Held)]);
        assert_eq!(model.slot(CH).modulation().get(), 5);
    }

    /// Common practice, no source: receivers do either.
    #[test]
    fn manner_a_key_struck_again() {
        let mut stack = model(|m| m.restrike = Restrike::Stack);
        stack.feed(0, &[0x90, 60, 100, 60, 90]);
        assert_eq!(stack.voices().count(), 2);
        stack.feed(1, &off(60));
        assert_eq!(
            releases(&stack),
            [(1, 0, Released::KeyUp)],
            "the oldest first"
        );
        stack.feed(2, &off(60));
        assert_eq!(stack.voices().count(), 0);
        let mut replace = model(|m| m.restrike = Restrike::Replace);
        replace.feed(0, &[0x90, 60, 100, 60, 90]);
        assert_eq!(ends(&replace), [(0, 0, Ended::Restruck)]);
        replace.feed(1, &off(60));
        assert_eq!(replace.voices().count(), 0);
        replace.feed(2, &off(60));
        assert_eq!(replace.counters().idle_note_offs, 1);
    }

    #[test]
    fn manner_the_oldest_note_is_stolen() {
        let mut model = model(|m| m.polyphony = 2);
        model.feed(0, &[0x90, 60, 100, 62, 100, 64, 100]);
        assert_eq!(ends(&model), [(0, 0, Ended::Stolen)]);
        assert_eq!(sounding(&model), [(62, Held), (64, Held)]);
    }

    #[test]
    fn a_patch_may_take_several_voices_and_its_own_ring() {
        let mut spec = ReceiverSpec::gm2();
        spec.manners.polyphony = 5;
        spec.manners.release_us = 500;
        spec.patches.push(PatchSpec {
            patch: Patch::of(0x79, 0, 5),
            release_us: 2_000,
            voices: 2,
            load_us: None,
        });
        let mut model = ReceiverModel::new(spec);
        model.feed(0, &[0xc0, 5, 0x90, 60, 100, 62, 100, 64, 100]);
        assert_eq!(
            ends(&model),
            [(0, 0, Ended::Stolen)],
            "three notes of two voices, five in all"
        );
        model.feed(1, &off(62));
        model.feed(1, &[0xc1, 0, 0x91, 40, 100, 40, 0]);
        model.advance(10_000);
        let rung: Vec<_> = ends(&model).into_iter().skip(1).collect();
        assert_eq!(
            rung,
            [(501, 3, Ended::RingDone), (2_001, 1, Ended::RingDone)],
            "in order of time"
        );
    }

    #[test]
    fn manner_slots_that_are_not_alike() {
        let mut spec = ReceiverSpec::gm2();
        let fixed = Patch::of(1, 2, 3);
        spec.fixed.push((CH, fixed));
        spec.groups[0] = 7;
        let mut model = ReceiverModel::new(spec);
        model.feed(0, &[0xb0, 0, 9, 0xc0, 9]);
        assert_eq!(struck_patch(&mut model), fixed);
        assert!(heard(&model, 0).contains(&Heard::ProgramIgnored { channel: CH }));
        model.feed(1, &on(60));
        assert_eq!(first(&model).group, 7);
        model.feed(1, &[0x99, 60, 100]);
        assert_eq!(
            model.voices().last().map(|v| v.group),
            Some(1),
            "rhythm (GM2 §2.4)"
        );
    }

    #[test]
    fn other_channels_are_not_heard() {
        let mut model = ReceiverModel::new(ReceiverSpec::single(Kind::Instrument, CH));
        model.feed(0, &[0x91, 60, 100, 0x90, 62, 100]);
        assert_eq!(sounding(&model), [(62, Held)]);
        assert_eq!(model.counters().unheard, 1);
    }

    /// Bytes: the sequence for a bend range of 12 on channel 1 (GM2 §3.4.1, §3.3.21–22).
    #[test]
    fn bend_range_comes_by_parameter_and_a_bent_note_hears_it() {
        let mut model = model(|_| {});
        model.feed(0, &[0xe0, 0x00, 0x60, 0x90, 60, 100]);
        assert_eq!(first(&model).pitch_cents, 100.0);
        let mark = model.mark();
        model.feed(
            1,
            &[
                0xb0, 0x65, 0, 0x64, 0, 0x06, 0x0c, 0x26, 0, 0x65, 0x7f, 0x64, 0x7f,
            ],
        );
        assert_eq!(model.slot(CH).bend_range_cents(), 1200);
        assert_eq!(model.slot(CH).selected(), None);
        let (id, from_cents, to_cents) = (VoiceId(0), 100.0, 600.0);
        let bent = Heard::BendChanged {
            id,
            from_cents,
            to_cents,
        };
        assert_eq!(heard(&model, mark), [bent]);
    }

    #[test]
    fn a_sounding_voice_hears_its_own_slot_only_and_only_changes() {
        let mut model = model(|_| {});
        model.feed(0, &[0x90, 60, 100, 0x91, 64, 100]);
        let mark = model.mark();
        // Same values again, and what is not heard on notes that sound.
        model.feed(
            1,
            &[
                0xb0, 7, 100, 10, 64, 0, 3, 32, 4, 64, 127, 67, 127, 65, 1, 0xe0, 0, 64,
            ],
        );
        assert_eq!(heard(&model, mark), []);
        model.feed(2, &[0xb0, 7, 64, 10, 0, 74, 1, 0xd0, 9, 0xa0, 60, 8, 61, 7]);
        let (id, v) = (VoiceId(0), Value7::clamped);
        let seen = heard(&model, mark);
        let Heard::LevelChanged { from_db, to_db, .. } = seen[0] else {
            panic!("level first: {seen:?}");
        };
        assert!((from_db - -4.152).abs() < 0.001 && (to_db - -11.905).abs() < 0.001);
        assert_eq!(
            seen[1..],
            [
                Heard::PanChanged {
                    id,
                    from: v(64),
                    to: v(0)
                },
                Heard::ControllerChanged {
                    id,
                    controller: controller(74),
                    from: v(64),
                    to: v(1)
                },
                Heard::PressureChanged {
                    id,
                    from: v(0),
                    to: v(9)
                },
                Heard::PressureChanged {
                    id,
                    from: v(0),
                    to: v(8)
                },
            ]
        );
    }

    #[test]
    fn manner_the_law_of_level() {
        let mut square = model(|m| m.level_law = LevelLaw::Square);
        let mut linear = model(|m| m.level_law = LevelLaw::Linear);
        for model in [&mut square, &mut linear] {
            model.feed(0, &[0xb0, 7, 64, 0x90, 60, 100]);
        }
        assert!((first(&square).level_db - -11.905).abs() < 0.001);
        assert!((first(&linear).level_db - -5.952).abs() < 0.001);
    }

    #[test]
    fn an_effects_unit_is_interrupted_by_program_and_not_by_controller() {
        let mut spec = ReceiverSpec::single(Kind::Effects, CH);
        spec.manners.load_us = 30_000;
        let mut model = ReceiverModel::new(spec);
        model.feed(5, &[0xb0, 12, 90, 0x90, 60, 100, 0x80, 60, 0]);
        let v = Value7::clamped;
        let wet = Heard::WetChanged {
            channel: CH,
            controller: controller(12),
            from: v(0),
            to: v(90),
        };
        assert_eq!(heard(&model, 0), [wet], "notes make no sound");
        model.feed(6, &program(3));
        let interrupted = Heard::PassageInterrupted {
            channel: CH,
            until_us: 30_006,
        };
        assert_eq!(
            model.events_since(0).last().map(|e| e.heard),
            Some(interrupted)
        );
    }
}
