//! Turning one slot into its sound, by difference against what it is known to hold.
//!
//! What a slot is to hold is an agenda of targets, made from its sound, the present
//! positions of the sources that feed it, and what the whole show plays on its group. A
//! cold jump and a long walk have the same agenda (invariant 4). Settings are the
//! planner's: it states those that a scene takes from its song or rig, and one that it
//! does not state is left where it is (`leave`).

use super::input::Urgency;
use super::known::{Known, UNKNOWN};
use super::limits::MAX_ROUTES;
use super::machine::{Call, Machine};
use super::pedals::PEDALS;
use super::promptbook::{Manners, Promptbook, Setting, SlotId, SoundEntry};
use super::routed::holds;
use super::slot::debts::Owed;
use super::slots::SlotState;
use super::sources::neutral;
use crate::midi::{Controller, Message, Value7, Value14, cc};

/// Bend range at power-on, in semitones (GM2 §3.4.1).
pub(super) const NEUTRAL_BEND_RANGE: Value7 = Value7::clamped(2);
/// What an entry of a slot's agenda is about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Entry {
    /// The bend range of its sound.
    BendRange,
    /// The pan of its sound.
    Pan,
    /// A setting that its sound states, by its place among them.
    Setting(usize),
    /// What a route of the present scene makes of its parameter, by the route's number.
    Route(usize),
    /// Where the controllers that play the slot have this controller number.
    Control(Controller),
    /// Where they have the bend.
    Bend,
    /// Where they have the channel pressure.
    Pressure,
}

impl Entry {
    /// Whether it is where a source stands, and not what the sound itself states.
    pub(super) const fn is_source(self) -> bool {
        match self {
            Self::Route(_) | Self::Control(_) | Self::Bend | Self::Pressure => true,
            Self::BendRange | Self::Pan | Self::Setting(_) => false,
        }
    }
}

/// What a slot that is made for a sound may have to be sent, in this order, apart from its
/// patch, pedals and level. Which entries have a target depends on the scene and the show.
pub(super) fn agenda(sound: &SoundEntry) -> impl Iterator<Item = Entry> + use<> {
    let controllers = (0..128).map(Controller::clamped);
    [Entry::BendRange, Entry::Pan]
        .into_iter()
        .chain((0..sound.settings.len as usize).map(Entry::Setting))
        .chain((0..MAX_ROUTES).map(Entry::Route))
        .chain(controllers.map(Entry::Control))
        .chain([Entry::Bend, Entry::Pressure])
}

/// One thing that a slot is to hold.
#[derive(Clone, Copy, PartialEq, Debug)]
enum Target {
    Setting(Setting),
    Bend(Value14),
    Pressure(Value7),
}

impl Target {
    fn is_held_by(self, known: &Known) -> bool {
        match self {
            Self::Setting(setting) => holds(known, setting),
            Self::Bend(value) => known.bend() == value.get(),
            Self::Pressure(value) => known.pressure() == value.get(),
        }
    }
}

/// The controller with the lower half of a 14-bit pair.
pub(super) fn fine(number: Controller) -> Controller {
    Controller::clamped(i32::from(number.get()) + 32)
}

impl SlotState {
    /// When it can be sent what it is owed.
    pub(super) fn owed_deadline(&self) -> Option<u64> {
        let is_ready = !self.sounding.is_held() && !self.load.is_loading();
        (self.debts.is_waiting() && is_ready).then_some(self.sounding.ring_until_us())
    }

    fn has_source(&self, number: Controller) -> bool {
        let n = number.get();
        // The level belongs to the sound and bank bytes to the patch, even if they pass;
        // pedals have rules of their own.
        let is_ours = matches!(n, 0 | 32 | 7 | 64 | 66 | 67 | 6 | 38 | 96..=101 | 120..);
        let word = self
            .usage
            .sources
            .get(usize::from(n / 64))
            .copied()
            .unwrap_or(0);
        !is_ours && word >> (n % 64) & 1 == 1
    }
}

impl Machine {
    /// The sound a slot was last made for.
    pub(super) fn voiced<'a>(&self, book: &'a Promptbook, slot: SlotId) -> Option<&'a SoundEntry> {
        book.sounds.get(self.slots.at(slot).voiced?)
    }

    /// The manners of a slot's receiver.
    pub(super) fn manners<'a>(&self, book: &'a Promptbook, slot: SlotId) -> Option<&'a Manners> {
        let entry = book.slots.get(slot.index())?;
        Some(&book.receivers.get(entry.receiver.index())?.manners)
    }

    /// Makes a slot sound as its sound says: patch first, then everything else, the level
    /// last. If the patch takes time, the rest follows when it has passed.
    pub(super) fn revoice(&mut self, call: &mut Call<'_>, slot: SlotId) {
        if !self.slot_listens(call, slot) {
            return;
        }
        let (Some(sound), Some(manners)) =
            (self.voiced(call.book, slot), self.manners(call.book, slot))
        else {
            return;
        };
        let (sound, manners) = (*sound, *manners);
        // It is taken while what it holds is in doubt: a lost note must not go on under the
        // new sound. Notes that are held there are not to be ended for that.
        let is_doubtful =
            self.slots.at(slot).debts.is_doubtful() && !self.slots.at(slot).sounding.is_held();
        if is_doubtful {
            self.quieten(call, slot);
        }
        let state = self.slots.at_mut(slot);
        state.level.stop();
        if is_doubtful || state.debts.owes_everything() {
            state.known = Known::nothing();
        }
        state.debts.take();
        let is_loading = state.load.is_loading();
        let Some(program) = self.due_program(slot, &sound.patch, manners) else {
            // A patch that is still loading is settled when it has loaded.
            if !is_loading {
                self.settle(call, slot);
            }
            return;
        };
        if !self.load(call, slot, &sound, manners, program) {
            self.settle(call, slot);
        }
    }

    /// Everything but the patch, by difference; the level last.
    pub(super) fn settle(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let Some(sound) = self.voiced(call.book, slot).copied() else {
            return;
        };
        self.settle_agenda(call, slot, &sound);
        self.settle_pedals(call, slot);
        self.settle_fingers(call, slot);
        self.settle_level(call, slot, &sound);
    }

    /// The same for a slot on which nothing is played: without feet and fingers.
    pub(super) fn settle_settings(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        sound: &SoundEntry,
    ) {
        self.settle_agenda(call, slot, sound);
        self.settle_level(call, slot, sound);
    }

    fn settle_agenda(&mut self, call: &mut Call<'_>, slot: SlotId, sound: &SoundEntry) {
        self.tell_zone(call, slot);
        for entry in agenda(sound) {
            self.tell_target(call, slot, sound, entry);
        }
    }

    fn settle_level(&mut self, call: &mut Call<'_>, slot: SlotId, sound: &SoundEntry) {
        if let Some(volume) = sound.volume {
            self.tell_control(call, slot, cc::VOLUME, volume);
        }
    }

    pub(super) fn settle_pedals(&mut self, call: &mut Call<'_>, slot: SlotId) {
        for pedal in 0..PEDALS.len() {
            self.settle_pedal(call, slot, pedal);
        }
    }

    /// A pedal as the slot is to hold it. One that this group never hears is not sent.
    fn settle_pedal(&mut self, call: &mut Call<'_>, slot: SlotId, pedal: usize) {
        let state = self.slots.at(slot);
        let Some(number) = PEDALS.get(pedal) else {
            return;
        };
        let n = number.get();
        let word = state
            .usage
            .sources
            .get(usize::from(n / 64))
            .copied()
            .unwrap_or(0);
        let is_heard = word >> (n % 64) & 1 == 1;
        if is_heard || state.known.control(*number) != UNKNOWN {
            self.sync_pedal(call, slot, pedal, call.telling);
        }
    }

    /// Sends the positions of sources that differ on a slot whose sound stays, but not
    /// the sound's own settings: a hand may have moved those since.
    pub(super) fn settle_sources(&mut self, call: &mut Call<'_>, slot: SlotId) {
        let Some(sound) = self.voiced(call.book, slot).copied() else {
            return;
        };
        let is_rerouted = self.slots.at_mut(slot).debts.take_rerouted();
        // What a route moved that holds no more is the scene's again.
        let is_meant =
            |entry: &Entry| entry.is_source() || is_rerouted && matches!(entry, Entry::Setting(_));
        for entry in agenda(&sound).filter(is_meant) {
            self.tell_target(call, slot, &sound, entry);
        }
    }

    /// Whether the slot holds all of its sound but the patch, level and pedals included.
    pub(super) fn holds_all_but_patch(
        &self,
        call: &Call<'_>,
        slot: SlotId,
        sound: &SoundEntry,
    ) -> bool {
        let state = self.slots.at(slot);
        let holds_targets = agenda(sound)
            .filter_map(|entry| self.target(call.book, state, sound, entry))
            .all(|target| target.is_held_by(&state.known));
        let holds_level = sound
            .volume
            .is_none_or(|volume| state.known.control(cc::VOLUME) == volume.get());
        holds_targets && holds_level && !state.pedals.any_down() && !state.level.is_moving()
    }

    /// Tells one target of the agenda if it differs. System Exclusive messages reach the
    /// whole receiver, so they are no matter of a silent slot: they wait for the press.
    pub(super) fn tell_target(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        sound: &SoundEntry,
        entry: Entry,
    ) {
        let state = self.slots.at(slot);
        match self.target(call.book, state, sound, entry) {
            Some(Target::Setting(Setting::Exclusive(..))) if call.telling == Urgency::Prime => {}
            Some(target) if !target.is_held_by(&state.known) => self.tell(call, slot, target),
            _ => {}
        }
    }

    /// What the slot is to hold by an entry of its agenda, if by this one anything.
    fn target(
        &self,
        book: &Promptbook,
        state: &SlotState,
        sound: &SoundEntry,
        entry: Entry,
    ) -> Option<Target> {
        if entry.is_source() && !matches!(entry, Entry::Route(_)) && !state.usage.is_played {
            return None;
        }
        let settings = sound.settings.of(&book.settings);
        match entry {
            Entry::BendRange => {
                let is_needed = state.usage.states_bend_range || state.mpe.is_some();
                let neutral = is_needed.then_some(NEUTRAL_BEND_RANGE);
                let semitones = sound.bend_range.or(neutral)?;
                let value = Value14::from_parts(semitones, Value7::MIN);
                Some(Target::Setting(Setting::Rpn(Value14::clamped(0), value)))
            }
            Entry::Pan => {
                // A source that passes pan has the say below, unless the sound states it.
                let is_source = state.has_source(cc::PAN);
                let is_needed = state.usage.states_pan && !is_source;
                let pan = sound.pan.or(is_needed.then_some(neutral(cc::PAN)))?;
                Some(Target::Setting(Setting::Control(cc::PAN, pan)))
            }
            Entry::Setting(index) => settings
                .get(index)
                .copied()
                .filter(|setting| !self.is_moved(book, state, *setting))
                .map(Target::Setting),
            Entry::Route(index) => self.route_target(book, state, index).map(Target::Setting),
            Entry::Control(number) => {
                let is_stated = settings.iter().any(|setting| sets(*setting, number))
                    || (number == cc::PAN && sound.pan.is_some())
                    || self
                        .routed(book, state, |address| address.sets(number))
                        .is_some();
                // Expression is always carried: a foot may have left it anywhere before us.
                let is_carried = number == cc::EXPRESSION || state.has_source(number);
                (is_carried && !is_stated).then(|| {
                    let value = self.present_control(book, state, number);
                    Target::Setting(Setting::Control(number, value))
                })
            }
            Entry::Bend => Some(Target::Bend(self.present_bend(book, state))),
            Entry::Pressure => Some(Target::Pressure(self.present_pressure(book, state))),
        }
    }

    fn tell(&mut self, call: &mut Call<'_>, slot: SlotId, target: Target) {
        match target {
            Target::Setting(setting) => {
                self.tell_setting(call, slot, setting, call.telling);
            }
            Target::Bend(value) => {
                self.send(call, slot, call.telling, |ch| Message::Bend(ch, value));
            }
            Target::Pressure(value) => {
                self.send(call, slot, call.telling, |ch| Message::Pressure(ch, value));
            }
        }
    }

    /// The upper half first: receiving it sets the lower half to 0 (MIDI 1.0). If only the
    /// lower half differs it goes alone.
    pub(super) fn tell_pair(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        urgency: Urgency,
        (number, value): (Controller, Value14),
    ) {
        let is_coarse_known = self.slots.at(slot).known.control(number) == value.msb().get();
        if !is_coarse_known {
            self.send_control(call, slot, urgency, number, value.msb());
        }
        self.send_control(call, slot, urgency, fine(number), value.lsb());
    }

    /// A slot whose sound had to wait for silence is now made for it; true if one had.
    pub(super) fn catch_up(&mut self, book: &Promptbook, slot: SlotId) -> bool {
        let Some(scene) = self.scene(book).copied() else {
            return false;
        };
        let state = self.slots.at_mut(slot);
        let Some(number) = state.sound else {
            return false;
        };
        let index = scene.sounds.start as usize + usize::from(number);
        let has_waited = state.voiced != Some(index);
        state.voiced = Some(index);
        state
            .sounding
            .set_release(book.sounds.get(index).map_or(0, |sound| sound.release_us));
        has_waited
    }

    /// Sends silent slots what they are owed.
    pub(super) fn pay_owed(&mut self, call: &mut Call<'_>) {
        for slot in self.slot_ids() {
            let state = self.slots.at_mut(slot);
            if state.owed_deadline().is_none_or(|due| due > call.now_us) {
                continue;
            }
            match state.debts.take() {
                _ if state.debts.is_doubtful() => self.recover_slot(call, slot),
                Owed::Nothing => {}
                Owed::Difference if state.sound.is_some() => self.settle_sources(call, slot),
                Owed::Difference | Owed::Sound => {
                    if self.catch_up(call.book, slot) {
                        self.revoice(call, slot);
                    }
                }
                Owed::Everything => self.resend_slot(call, slot),
            }
        }
    }
}

pub(super) fn sets(setting: Setting, number: Controller) -> bool {
    match setting {
        Setting::Control(stated, _) => stated == number,
        Setting::Pair(stated, _) => stated == number || fine(stated) == number,
        _ => false,
    }
}
