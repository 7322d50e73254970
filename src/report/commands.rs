//! What a command of the technician did, in words for the log.

use crate::engine::promptbook::{ControllerId, PositionId, ReceiverId, SlotId};
use crate::engine::rescue::{Deed, PedalId};
use crate::midi::MpeZone;
use crate::midi::mpe::Side;
use crate::sheet::Sheet;

use super::status::LogLevel;

/// A deed in words, and how grave it is.
pub fn words(deed: &Deed, sheet: &Sheet) -> (LogLevel, String) {
    use LogLevel::{Note, Warning};
    let name = |receiver: ReceiverId| receiver_name(sheet, receiver);
    match *deed {
        Deed::Silenced(receiver) => (Warning, format!("panic: {} was silenced", name(receiver))),
        Deed::Resent {
            receiver,
            sent,
            waiting,
        } => {
            let whom = receiver.map_or("all", name);
            let rest = if waiting > 0 {
                format!(", {} when silent", slots(waiting))
            } else {
                String::new()
            };
            (Note, format!("resend to {whom}: {}{rest}", slots(sent)))
        }
        Deed::Muted(receiver, true) => {
            (Warning, format!("mute: no new notes on {}", name(receiver)))
        }
        Deed::Muted(receiver, false) => (Note, format!("mute of {} ended", name(receiver))),
        Deed::Ended {
            slot,
            key,
            owners,
            with_pedals,
        } => {
            let who = match owners {
                0 => "nobody was known to hold it".to_owned(),
                1 => "one key or pedal held it".to_owned(),
                more => format!("{more} keys and pedals held it"),
            };
            let pedals = if with_pedals {
                "; its slot's pedals came up"
            } else {
                ""
            };
            let (place, key) = (slot_name(sheet, slot), sheet.key_name(key.get()));
            (Note, format!("note {key} on {place} ended: {who}{pedals}"))
        }
        Deed::Ignored(pedal, is_ignored) => {
            let name = pedal_name(sheet, pedal);
            if is_ignored {
                (Warning, format!("pedal {name} is ignored"))
            } else {
                (Note, format!("pedal {name} counts again"))
            }
        }
        Deed::Locked(true) => (Warning, "pedals locked: they do not step".into()),
        Deed::Locked(false) => (Note, "pedals free: they step again".into()),
        Deed::TookOver { .. } | Deed::NoSpare(_) | Deed::SpareAbsent(_) => spare_words(deed, sheet),
        Deed::Looped(stretch) => (Note, loop_words(stretch, sheet)),
        Deed::Zone { of, zone, cut } => (Warning, zone_words(of, zone, cut, sheet)),
        Deed::LoopLost => (
            Warning,
            "no loop any more: the changed night has no way from its first place to its last"
                .into(),
        ),
        Deed::NoLoop => (Warning, "no loop in a show: rehearse first".into()),
    }
}

/// What a surface has said of its MPE zone.
fn zone_words(
    of: Option<ControllerId>,
    zone: MpeZone,
    cut: Option<ControllerId>,
    sheet: &Sheet,
) -> String {
    let name = |id: ControllerId| {
        let line = sheet.controllers.get(id.index());
        line.map_or("?", |line| line.name.as_str())
    };
    let side = match zone.side {
        Side::Lower => "lower",
        Side::Upper => "upper",
    };
    let who = of.map_or("a surface that the rig does not have", name);
    let mut words = match zone.members {
        0 => format!("{who} has given up its {side} MPE zone"),
        1 => format!("{who} has set up its {side} MPE zone: 1 member"),
        more => format!("{who} has set up its {side} MPE zone: {more} members"),
    };
    if let Some(cut) = cut {
        words.push_str(&format!("; that of {} gave way", name(cut)));
    }
    words
}

fn spare_words(deed: &Deed, sheet: &Sheet) -> (LogLevel, String) {
    let name = |receiver: ReceiverId| receiver_name(sheet, receiver);
    let words = match *deed {
        Deed::TookOver { from, to, notes } => {
            let moved = match notes {
                0 => "no key was down".to_owned(),
                1 => "1 key went over".to_owned(),
                more => format!("{more} keys went over"),
            };
            let line = sheet.receivers.get(to.index());
            if line.is_some_and(|line| line.spare_of.is_some()) {
                format!("{} plays for {}: {moved}", name(to), name(from))
            } else {
                format!("{} plays again: {moved}", name(to))
            }
        }
        Deed::NoSpare(receiver) => format!("{} has no spare", name(receiver)),
        Deed::SpareAbsent(receiver) => {
            format!("{} cannot take over: it is not there", name(receiver))
        }
        _ => String::new(),
    };
    (LogLevel::Warning, words)
}

fn loop_words(stretch: Option<(PositionId, PositionId)>, sheet: &Sheet) -> String {
    let Some((first, last)) = stretch else {
        return "no loop: steps go on".into();
    };
    let call = |at: PositionId| {
        let line = sheet.positions.get(at.index());
        line.map_or("?", |line| &line.call)
    };
    if first == last {
        format!("loop: steps stay at {}", call(first))
    } else {
        format!("loop: steps go round {} to {}", call(first), call(last))
    }
}

fn slots(count: u8) -> String {
    match count {
        1 => "1 slot".into(),
        more => format!("{more} slots"),
    }
}

fn receiver_name(sheet: &Sheet, receiver: ReceiverId) -> &str {
    sheet
        .receivers
        .get(receiver.index())
        .map_or("?", |line| &line.name)
}

/// A slot as its receiver's name and its channel.
fn slot_name(sheet: &Sheet, slot: SlotId) -> String {
    let found = sheet.receivers.iter().find_map(|line| {
        let at = slot.index().checked_sub(line.slots.0)?;
        Some((line, line.channel_words(at)?))
    });
    found.map_or_else(
        || format!("slot {}", slot.0),
        |(line, channel)| format!("{} channel {channel}", line.name),
    )
}

/// A pedal by its controller and what it is, or by its own name.
fn pedal_name(sheet: &Sheet, pedal: PedalId) -> String {
    match pedal {
        PedalId::Held(controller, index) => {
            let line = sheet.controllers.get(controller.index());
            let kind = match index {
                0 => "hold",
                1 => "sostenuto",
                _ => "soft",
            };
            format!("{} {kind}", line.map_or("?", |line| &line.name))
        }
        PedalId::Binding(index) => sheet
            .pedals
            .get(usize::from(index))
            .map_or_else(|| format!("number {index}"), |line| line.name.clone()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::midi::Key;
    use crate::sheet::ReceiverLine;

    #[test]
    fn a_deed_names_what_it_was_done_to() {
        let receiver = |name: &str, first, channels: &[u8]| ReceiverLine {
            name: name.into(),
            slots: (first, channels.len()),
            channels: channels.to_vec(),
            ..ReceiverLine::default()
        };
        let spare = ReceiverLine {
            spare_of: Some(0),
            ..receiver("spare", 2, &[1, 2])
        };
        let sheet = Sheet {
            receivers: vec![receiver("main", 0, &[1, 2]), spare],
            middle_c_octave: 4,
            ..Sheet::default()
        };
        let said = |deed| words(&deed, &sheet).1;
        let ended = Deed::Ended {
            slot: SlotId(3),
            key: Key::clamped(60),
            owners: 1,
            with_pedals: true,
        };
        assert_eq!(
            said(ended),
            "note C4 on spare channel 2 ended: one key or pedal held it; its slot's pedals came up"
        );
        let over = Deed::TookOver {
            from: ReceiverId(0),
            to: ReceiverId(1),
            notes: 3,
        };
        assert_eq!(said(over), "spare plays for main: 3 keys went over");
        let back = Deed::TookOver {
            from: ReceiverId(1),
            to: ReceiverId(0),
            notes: 1,
        };
        assert_eq!(said(back), "main plays again: 1 key went over");
        let resent = Deed::Resent {
            receiver: None,
            sent: 1,
            waiting: 2,
        };
        assert_eq!(said(resent), "resend to all: 1 slot, 2 slots when silent");
        // On and off are told apart, and what needs an end is a warning.
        let (main, pedal) = (ReceiverId(0), PedalId::Binding(0));
        for (on, off, words_on, words_off) in [
            (Deed::Locked(true), Deed::Locked(false), "locked", "free"),
            (
                Deed::Muted(main, true),
                Deed::Muted(main, false),
                "no new notes on main",
                "ended",
            ),
            (
                Deed::Ignored(pedal, true),
                Deed::Ignored(pedal, false),
                "ignored",
                "counts again",
            ),
        ] {
            let (on, off) = (words(&on, &sheet), words(&off, &sheet));
            assert_eq!((on.0, off.0), (LogLevel::Warning, LogLevel::Note));
            assert!(on.1.contains(words_on), "{}", on.1);
            assert!(off.1.contains(words_off), "{}", off.1);
        }
    }
}
