//! Sequencer events ⇄ messages.

use ::alsa::seq::{EvCtrl, EvNote, EvQueueControl, Event, EventType};

use crate::midi::{Channel, Controller, Key, Message, Program, Value7, Value14, cc};

/// Hands over the messages that an event stands for: one, or up to four where one event sums up
/// a parameter change. `false` if the event is not a MIDI message.
pub(super) fn decode(event: &Event<'_>, pass: &mut dyn FnMut(Message)) -> bool {
    let message = match event.get_type() {
        EventType::Noteon | EventType::Noteoff | EventType::Keypress => decode_note(event),
        EventType::Control14 | EventType::Regparam | EventType::Nonregparam => {
            return decode_compound(event, pass);
        }
        EventType::Controller
        | EventType::Pgmchange
        | EventType::Chanpress
        | EventType::Pitchbend
        | EventType::Songpos
        | EventType::Songsel
        | EventType::Qframe => decode_control(event),
        EventType::TuneRequest => Some(Message::TuneRequest),
        EventType::Clock => Some(Message::Clock),
        EventType::Start => Some(Message::Start),
        EventType::Continue => Some(Message::Continue),
        EventType::Stop => Some(Message::Stop),
        EventType::Sensing => Some(Message::ActiveSensing),
        EventType::Reset => Some(Message::Reset),
        // Among these `Note`, a note with a length: no device sends it.
        _ => None,
    };
    match message {
        Some(message) => {
            pass(message);
            true
        }
        None => false,
    }
}

fn decode_note(event: &Event<'_>) -> Option<Message> {
    let note: EvNote = event.get_data()?;
    let channel = Channel::new(note.channel)?;
    let key = Key::new(note.note)?;
    let value = Value7::new(note.velocity)?;
    Some(match event.get_type() {
        EventType::Noteon => Message::NoteOn(channel, key, value),
        EventType::Noteoff => Message::NoteOff(channel, key, value),
        _ => Message::PolyPressure(channel, key, value),
    })
}

fn decode_control(event: &Event<'_>) -> Option<Message> {
    let data: EvCtrl = event.get_data()?;
    let channel = Channel::new(data.channel);
    let value7 = u8::try_from(data.value).ok().and_then(Value7::new);
    Some(match event.get_type() {
        EventType::Controller => {
            let number = u8::try_from(data.param).ok().and_then(Controller::new)?;
            Message::Control(channel?, number, value7?)
        }
        EventType::Pgmchange => Message::Program(channel?, Program::new(value7?.get())?),
        EventType::Chanpress => Message::Pressure(channel?, value7?),
        // The sequencer counts bend from -8192.
        EventType::Pitchbend => Message::Bend(channel?, value14(data.value + BEND_CENTRE)?),
        EventType::Songpos => Message::SongPosition(value14(data.value)?),
        EventType::Songsel => Message::SongSelect(value7?),
        _ => Message::QuarterFrame(value7?),
    })
}

/// Parameter changes that a program sends as one event, taken apart into control changes.
fn decode_compound(event: &Event<'_>, pass: &mut dyn FnMut(Message)) -> bool {
    let Some(data) = event.get_data::<EvCtrl>() else {
        return false;
    };
    let Some(channel) = Channel::new(data.channel) else {
        return false;
    };
    let value = value14(data.value & 0x3fff).unwrap_or_default();
    let number = value14((data.param & 0x3fff) as i32).unwrap_or_default();
    let mut control = |number: Controller, value: Value7| {
        pass(Message::Control(channel, number, value));
    };
    if event.get_type() == EventType::Control14 {
        let number = number.lsb().get();
        let upper = Controller::clamped(i32::from(number));
        if number < PAIRS {
            control(upper, value.msb());
            control(Controller::clamped(i32::from(number + PAIRS)), value.lsb());
        } else {
            control(upper, value.lsb());
        }
        return true;
    }
    let (upper, lower) = match event.get_type() {
        EventType::Regparam => (cc::RPN_MSB, cc::RPN_LSB),
        _ => (cc::NRPN_MSB, cc::NRPN_LSB),
    };
    control(upper, number.msb());
    control(lower, number.lsb());
    control(cc::DATA_MSB, value.msb());
    control(cc::DATA_LSB, value.lsb());
    true
}

/// The event for one whole message with its status byte; None if the bytes are not one.
pub(super) fn encode(bytes: &[u8]) -> Option<Event<'static>> {
    let data = |at: usize| bytes.get(at).copied().filter(|&byte| byte < 0x80);
    let status = *bytes.first()?;
    let expected = usize::from(crate::midi::decode::data_bytes(status)?) + 1;
    if bytes.len() != expected {
        return None;
    }
    let channel = status & 0x0f;
    let note = |kind: EventType| {
        let note = EvNote {
            channel,
            note: data(1)?,
            velocity: data(2)?,
            ..EvNote::default()
        };
        Some(Event::new(kind, &note))
    };
    let control = |kind: EventType, param: u8, value: i32| {
        let control = EvCtrl {
            channel,
            param: u32::from(param),
            value,
        };
        Some(Event::new(kind, &control))
    };
    let low = || data(1).map(i32::from);
    let both = || Some(i32::from(data(1)?) | i32::from(data(2)?) << 7);
    let pulse = |kind: EventType| {
        Some(Event::new(
            kind,
            &EvQueueControl {
                queue: 0,
                value: (),
            },
        ))
    };
    match status {
        0x80..=0x8f => note(EventType::Noteoff),
        0x90..=0x9f => note(EventType::Noteon),
        0xa0..=0xaf => note(EventType::Keypress),
        0xb0..=0xbf => control(EventType::Controller, data(1)?, i32::from(data(2)?)),
        0xc0..=0xcf => control(EventType::Pgmchange, 0, low()?),
        0xd0..=0xdf => control(EventType::Chanpress, 0, low()?),
        0xe0..=0xef => control(EventType::Pitchbend, 0, both()? - BEND_CENTRE),
        0xf1 => control(EventType::Qframe, 0, low()?),
        0xf2 => control(EventType::Songpos, 0, both()?),
        0xf3 => control(EventType::Songsel, 0, low()?),
        0xf6 => Some(Event::new(EventType::TuneRequest, &())),
        0xf8 => pulse(EventType::Clock),
        0xfa => pulse(EventType::Start),
        0xfb => pulse(EventType::Continue),
        0xfc => pulse(EventType::Stop),
        0xfe => Some(Event::new(EventType::Sensing, &())),
        0xff => Some(Event::new(EventType::Reset, &())),
        _ => None,
    }
}

fn value14(value: i32) -> Option<Value14> {
    u16::try_from(value).ok().and_then(Value14::new)
}

/// Bend at centre: the sequencer counts it as 0.
const BEND_CENTRE: i32 = 8192;

/// The LSB of controllers 0–31 is the controller this much above (MIDI 1.0).
const PAIRS: u8 = 32;

#[cfg(test)]
mod tests {
    use super::*;
    use ::alsa::seq::MidiEvent;
    use proptest::prelude::*;

    fn messages(event: &Event<'_>) -> Vec<Message> {
        let mut all = Vec::new();
        decode(event, &mut |message| all.push(message));
        all
    }

    /// Every short message there is, or nearly.
    fn any_bytes() -> impl Strategy<Value = Vec<u8>> {
        let channel = (0x80_u8..0xf0, 0_u8..128, 0_u8..128);
        let system = prop::sample::select(vec![
            0xf1_u8, 0xf2, 0xf3, 0xf6, 0xf8, 0xfa, 0xfb, 0xfc, 0xfe, 0xff,
        ]);
        prop_oneof![
            4 => channel.prop_map(|(status, a, b)| vec![status, a, b]),
            1 => (system, 0_u8..128, 0_u8..128).prop_map(|(status, a, b)| vec![status, a, b]),
        ]
        .prop_map(|mut bytes| {
            let len = crate::midi::decode::data_bytes(bytes[0]).expect("a length");
            bytes.truncate(usize::from(len) + 1);
            bytes
        })
    }

    proptest! {
        /// The second opinion is the system library's own coder.
        #[test]
        fn the_system_library_reads_our_events_as_the_same_bytes(bytes in any_bytes()) {
            let mut event = encode(&bytes).expect("a whole message");
            let coder = MidiEvent::new(16).expect("a coder");
            coder.enable_running_status(false);
            let mut out = [0; 16];
            let len = coder.decode(&mut out, &mut event).expect("bytes");
            prop_assert_eq!(&out[..len], &bytes[..]);
        }

        /// And the other way.
        #[test]
        fn we_read_the_system_librarys_events_as_the_same_bytes(bytes in any_bytes()) {
            let mut coder = MidiEvent::new(16).expect("a coder");
            let (used, event) = coder.encode(&bytes).expect("an event");
            prop_assert_eq!(used, bytes.len());
            let all = messages(&event.expect("a whole message"));
            let back: Vec<u8> = all
                .iter()
                .flat_map(|message| message.encode().as_slice().to_vec())
                .collect();
            prop_assert_eq!(back, bytes);
        }

        #[test]
        fn a_fragment_is_no_message(bytes in any_bytes(), cut in 0_usize..3) {
            prop_assume!(cut < bytes.len());
            prop_assert!(encode(&bytes[..cut]).is_none());
        }
    }

    /// MIDI 1.0: a pair is controllers n and n + 32; (N)RPN is 101/100 or 99/98, then data
    /// entry 6 and 38. The system library's coder agrees, byte for byte.
    #[test]
    fn compound_events_become_the_controllers_they_stand_for() {
        for (kind, param, value) in [
            (EventType::Control14, 1, 300),
            (EventType::Control14, 70, 100),
            (EventType::Regparam, 0, 256),
            (EventType::Nonregparam, 1000, 16383),
        ] {
            let data = EvCtrl {
                channel: 3,
                param,
                value,
            };
            let mut event = Event::new(kind, &data);
            let ours: Vec<u8> = messages(&event)
                .iter()
                .flat_map(|message| message.encode().as_slice().to_vec())
                .collect();
            let coder = MidiEvent::new(16).expect("a coder");
            coder.enable_running_status(false);
            let mut theirs = [0; 16];
            let len = coder.decode(&mut theirs, &mut event).expect("bytes");
            assert_eq!(ours, theirs[..len], "{kind:?}");
        }
    }

    #[test]
    fn values_that_no_device_can_send_are_dropped() {
        let note = EvNote {
            channel: 0,
            note: 200,
            velocity: 1,
            ..EvNote::default()
        };
        assert!(messages(&Event::new(EventType::Noteon, &note)).is_empty());
        let data = EvCtrl {
            channel: 0,
            param: 7,
            value: -1,
        };
        assert!(messages(&Event::new(EventType::Controller, &data)).is_empty());
    }
}
