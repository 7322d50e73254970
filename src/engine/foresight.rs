//! What a press would send now: the price of the next step, for screens.
//!
//! The step is made dry: seat by seat the slot is turned into its sound by the code of a
//! changeover while messages are counted and not sent, and then put back as it was. Slots
//! are taken as planned and as silent: how notes that are held now will end is the hand's
//! business and costs no bytes of this account.

use super::input::Payload;
use super::machine::{Call, Machine};
use super::promptbook::{
    CueMessage, OutPort, PositionEntry, PositionId, Promptbook, SlotId, SoundEntry,
};
use super::seats::Seats;
use super::slots::{bit, byte_count};
use super::view::NextView;
use crate::midi::{Channel, Message, cc};

impl Machine {
    /// What a step to `place` would send now; `stays` are the sounds that keep their slots.
    pub(super) fn price_press(
        &mut self,
        call: &mut Call<'_>,
        next: PositionId,
        place: &PositionEntry,
        stays: &Seats,
    ) -> NextView {
        let book = call.book;
        let scene = book.scenes.get(place.scene.index());
        let sounds = scene.map_or(&[][..], |scene| scene.sounds.of(&book.sounds));
        let first = scene.map_or(0, |scene| scene.sounds.start as usize);
        let planned = place.seats.of(&book.seats);
        let mut price = NextView {
            position: Some(next),
            ..NextView::default()
        };
        let (present, present_page, seats) = (self.position, self.page, self.seats);
        let is_same_song = self.place(book).is_some_and(|old| old.song == place.song);
        self.position = next;
        for ((kept, plan), stays) in self.seats.iter_mut().zip(planned).zip(stays) {
            *kept = Some(stays.map_or(*plan, |seat| seat.slot));
        }
        for (number, (sound, seat)) in (0u8..).zip(sounds.iter().zip(self.seats)) {
            let Some(slot) = seat else {
                continue;
            };
            let stays = stays.get(usize::from(number)).is_some_and(Option::is_some);
            let feeds = feeds(book, place, number);
            let bytes = if stays {
                self.price_staying(call, slot, sound, feeds)
            } else {
                self.price_new(call, slot, first + usize::from(number), feeds)
            };
            price.sounds = price.sounds.saturating_add(1);
            price.ready = price.ready.saturating_add(u8::from(bytes == 0));
            let port = self.wired(book, slot).map(|entry| entry.port);
            add(&mut price, book, port, bytes);
        }
        self.page = match place.page {
            Some(page) => page,
            None if is_same_song => self.page,
            None => 0,
        };
        self.price_pages(call, &mut price);
        self.price_cues(book, place, &mut price);
        (self.position, self.page, self.seats) = (present, present_page, seats);
        price
    }

    /// Bytes that `work` would send to a slot, which is then as before.
    fn price_slot(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        work: impl FnOnce(&mut Self, &mut Call<'_>),
    ) -> u64 {
        let Some(kept) = self.slots.get(slot.index()).cloned() else {
            return 0;
        };
        let handed_out = call.handed_out;
        call.dry_bytes = Some(0);
        work(self, call);
        let bytes = call.dry_bytes.take().unwrap_or(0);
        call.handed_out = handed_out;
        if let Some(state) = self.slots.get_mut(slot.index()) {
            *state = kept;
        }
        bytes
    }

    /// A sound that keeps its slot: its level, and the positions of hands that are new.
    /// A level that rides under a note goes out in several messages; one is counted.
    fn price_staying(
        &mut self,
        call: &mut Call<'_>,
        slot: SlotId,
        sound: &SoundEntry,
        feeds: u16,
    ) -> u64 {
        self.price_slot(call, slot, |machine, call| {
            if let Some(volume) = sound.volume {
                machine.tell_control(call, slot, cc::VOLUME, volume);
            }
            let Some(state) = machine.slots.get_mut(slot.index()) else {
                return;
            };
            if std::mem::replace(&mut state.feeds, feeds) != feeds {
                machine.settle_sources(call, slot);
            }
        })
    }

    /// A sound that is new on its slot, `index` among all sounds.
    fn price_new(&mut self, call: &mut Call<'_>, slot: SlotId, index: usize, feeds: u16) -> u64 {
        self.price_slot(call, slot, |machine, call| {
            let Some(state) = machine.slots.get_mut(slot.index()) else {
                return;
            };
            state.voiced = Some(index);
            state.feeds = feeds;
            state.notes = 0;
            state.ring_until_us = call.now_us;
            state.unlink_all();
            machine.link_new(call, slot, 0);
            // Without edges, so that no note ends here.
            machine.forget_pedal_edges(slot);
            machine.revoice(call, slot);
            let Some(state) = machine.slots.get_mut(slot.index()) else {
                return;
            };
            if state.loads_until_us.take().is_some() {
                machine.settle(call, slot);
            }
        })
    }

    fn price_pages(&mut self, call: &mut Call<'_>, price: &mut NextView) {
        let book = call.book;
        for receiver in &book.receivers {
            let Some(slot) = super::pages::page_slot(receiver) else {
                continue;
            };
            let bytes = self.price_slot(call, slot, |machine, call| {
                machine.tell_page_of(call, receiver);
            });
            let port = self.wired(book, slot).map(|entry| entry.port);
            add(price, book, port, bytes);
        }
    }

    fn price_cues(&self, book: &Promptbook, place: &PositionEntry, price: &mut NextView) {
        let scene = book.scenes.get(place.scene.index());
        let cues = scene
            .filter(|_| self.sends_cues)
            .map_or(&[][..], |scene| scene.cues.of(&book.cues));
        for cue in cues {
            let port = self
                .wired_port(book, cue.receiver)
                .filter(|port| self.is_listening(*port));
            let payload = match cue.message {
                CueMessage::Short(message) => Payload::Short(message),
                CueMessage::Note(note) => {
                    Payload::Short(Message::NoteOn(Channel::MIN, note.key, note.velocity))
                }
                CueMessage::Blob(blob) => Payload::Blob(blob),
            };
            add(price, book, port, byte_count(book, &payload));
        }
    }
}

/// The controllers that play a sound of a position's scene. A sound that nobody plays is
/// heard through other instruments or lights, so it is not primed.
pub(super) fn feeds(book: &Promptbook, place: &PositionEntry, number: u8) -> u16 {
    let zones = book
        .scenes
        .get(place.scene.index())
        .map_or(&[][..], |scene| scene.zones.of(&book.zones));
    zones
        .iter()
        .filter(|zone| zone.sound.0 == number)
        .fold(0, |feeds, zone| feeds | bit(zone.controller))
}

fn add(price: &mut NextView, book: &Promptbook, port: Option<OutPort>, bytes: u64) {
    let Some(port) = port else {
        return;
    };
    let byte_us = book
        .out_ports
        .get(port.index())
        .map_or(0, |entry| entry.byte_us);
    if let Some(sum) = price.ports.get_mut(port.index()) {
        let us = byte_us.saturating_mul(bytes);
        sum.bytes = sum
            .bytes
            .saturating_add(u32::try_from(bytes).unwrap_or(u32::MAX));
        sum.us = sum.us.saturating_add(u32::try_from(us).unwrap_or(u32::MAX));
    }
}
