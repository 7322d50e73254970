//! Keyboards with sounds of their own: Local Off while the show is played.
//!
//! One thing that is both controller and instrument plays itself, unless its keys are cut
//! off from its sounds (MIDI 1.0, channel mode message 122). It is told so before anything
//! else when its port is there, after each return, and with each resend, since a hand at its
//! panel may have changed it. At the end of the show it plays itself again.

use super::input::{Output, Payload, Urgency};
use super::machine::{Call, Machine};
use super::promptbook::{OutPort, ReceiverEntry};
use crate::midi::{Channel, Message, Value7, cc};

impl Machine {
    /// Cuts the keys of the keyboards on a port off from their sounds.
    pub(super) fn cut_locals(&mut self, call: &mut Call<'_>, port: OutPort) {
        let book = call.book;
        for receiver in book.receivers.iter().filter(|entry| entry.port == port) {
            self.tell_local(call, receiver, Value7::MIN);
        }
    }

    /// Gives all keyboards their sounds back.
    pub(super) fn give_locals_back(&mut self, call: &mut Call<'_>) {
        let book = call.book;
        for receiver in &book.receivers {
            self.tell_local(call, receiver, Value7::MAX);
        }
    }

    /// On the channel that its keys play, or on all of its own if that is any.
    pub(super) fn tell_local(
        &mut self,
        call: &mut Call<'_>,
        receiver: &ReceiverEntry,
        value: Value7,
    ) {
        let Some(local) = receiver.local else {
            return;
        };
        if !self.is_listening(receiver.port) {
            return;
        }
        let book = call.book;
        let mut tell = |machine: &mut Self, channel: Channel| {
            machine.hand_out(
                call,
                Output {
                    port: receiver.port,
                    urgency: Urgency::Live,
                    channel: Some(channel),
                    payload: Payload::Short(Message::Control(channel, cc::LOCAL, value)),
                },
            );
        };
        match local.channel {
            Some(channel) => tell(self, channel),
            None => {
                for slot in receiver.slots.of(&book.slots) {
                    tell(self, slot.channel);
                }
            }
        }
    }
}
