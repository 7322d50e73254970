//! Pages: a cursor of their own within the song, told to the page tablets.

use super::input::Urgency;
use super::machine::{Call, Machine};
use super::promptbook::{PageManner, Promptbook, ReceiverEntry, SlotId, SongEntry};
use crate::midi::{Message, Program, Value7};

impl Machine {
    /// The present song.
    pub(super) fn song<'a>(&self, book: &'a Promptbook) -> Option<&'a SongEntry> {
        book.songs.get(self.place(book)?.song.index())
    }

    /// Turns pages forward (1) or back (-1); the song's first and last page are ends.
    pub(super) fn turn_page(&mut self, call: &mut Call<'_>, by: i32) {
        let last = self
            .song(call.book)
            .map_or(0, |song| song.pages.len.saturating_sub(1));
        let turned = (i64::from(self.page) + i64::from(by)).clamp(0, i64::from(last));
        self.page = u16::try_from(turned).unwrap_or(self.page);
        self.tell_pages(call);
    }

    /// Tells every page tablet the present page, unless it is known to show it.
    pub(super) fn tell_pages(&mut self, call: &mut Call<'_>) {
        let book = call.book;
        for receiver in &book.receivers {
            self.tell_page_of(call, receiver);
        }
    }

    /// Tells one receiver the present page, if pages are sent to it.
    pub(super) fn tell_page_of(&mut self, call: &mut Call<'_>, receiver: &ReceiverEntry) {
        let book = call.book;
        let number = self.song(book).and_then(|song| {
            song.pages
                .of(&book.pages)
                .get(usize::from(self.page))
                .copied()
        });
        // A page beyond 127 cannot be said in one message; the tablet stays where it is.
        let Some(number) = number.and_then(|number| u8::try_from(number).ok()) else {
            return;
        };
        if let (Some(manner), Some(slot)) = (receiver.pages, page_slot(receiver)) {
            self.tell_page(call, slot, manner, number);
        }
    }

    fn tell_page(&mut self, call: &mut Call<'_>, slot: SlotId, manner: PageManner, number: u8) {
        let state = self.slots.at(slot);
        match manner {
            PageManner::Program => {
                if let Some(program) = Program::new(number)
                    && state.known.program() != number
                {
                    self.send(call, slot, Urgency::Changeover, |ch| {
                        Message::Program(ch, program)
                    });
                }
            }
            PageManner::Control(control) => {
                if let Some(value) = Value7::new(number) {
                    self.tell_control(call, slot, control, value);
                }
            }
        }
    }
}

/// The slot whose channel pages go to, if pages are sent to this receiver.
pub(super) fn page_slot(receiver: &ReceiverEntry) -> Option<SlotId> {
    receiver.pages?;
    let start = u8::try_from(receiver.slots.start).ok()?;
    (receiver.slots.len > 0).then_some(SlotId(start))
}
