//! Markers of a recording as commands for the engine, and back.

use super::place;
use crate::engine::input::Command;
use crate::engine::promptbook::{ControllerId, PositionId, ReceiverId, SlotId};
use crate::engine::rescue::PedalId;
use crate::midi::Key;
use crate::plan::Plan;
use crate::replay::{Mark, Verb};
use crate::sheet::Sheet;
use crate::show::model::Show;

/// The marker's text for a command; none for what is no step, move or rescue.
pub(super) fn text(command: Command, sheet: &Sheet) -> Option<String> {
    mark(command, sheet).map(|mark| mark.text())
}

fn mark(command: Command, sheet: &Sheet) -> Option<Mark> {
    let to = |verb, name: &str| Some(Mark::Do(verb, name.to_owned()));
    let alone = |verb| to(verb, "");
    let receiver = |verb, id: ReceiverId| to(verb, &sheet.receivers.get(id.index())?.name);
    let call = |at: PositionId| {
        sheet
            .positions
            .get(at.index())
            .map(|line| line.call.clone())
    };
    match command {
        Command::Step => Some(Mark::Step),
        Command::Back => Some(Mark::Back),
        Command::Jump(at) => call(at).map(Mark::Place),
        Command::SongDown => alone(Verb::NextSong),
        Command::SongUp => alone(Verb::SongBefore),
        Command::PageNext => alone(Verb::NextPage),
        Command::PageBack => alone(Verb::PageBefore),
        Command::Panic(None) => alone(Verb::Panic),
        Command::Panic(Some(id)) => receiver(Verb::Panic, id),
        Command::Resend {
            receiver: whom,
            is_forced,
        } => {
            let verb = if is_forced { Verb::Force } else { Verb::Resend };
            whom.map_or_else(|| alone(verb), |id| receiver(verb, id))
        }
        Command::Mute(true) => alone(Verb::Mute),
        Command::Mute(false) => alone(Verb::Unmute),
        Command::Fade(true) => alone(Verb::FadeOut),
        Command::Fade(false) => alone(Verb::FadeIn),
        Command::MuteOne(id, true) => receiver(Verb::Mute, id),
        Command::MuteOne(id, false) => receiver(Verb::Unmute, id),
        Command::TakeOver(id) => receiver(Verb::TakeOver, id),
        Command::EndNote(slot, key) => to(Verb::EndNote, &note_name(slot, key, sheet)?),
        Command::IgnorePedal(pedal, is_ignored) => {
            let verb = if is_ignored { Verb::Ignore } else { Verb::Heed };
            to(verb, &pedal_name(pedal, sheet)?)
        }
        Command::LockPedals(true) => alone(Verb::Lock),
        Command::LockPedals(false) => alone(Verb::Unlock),
        Command::Loop(None) => alone(Verb::Loop),
        Command::Loop(Some((first, last))) => {
            to(Verb::Loop, &format!("{} {}", call(first)?, call(last)?))
        }
        Command::Cues(true) => alone(Verb::Cues),
        Command::Cues(false) => alone(Verb::Rehearse),
        Command::NoteOn(..) | Command::NoteOff(..) | Command::ReleaseAll => None,
    }
}

/// The command that a marker stands for in this night.
///
/// # Errors
/// If what it names is not there, in words.
pub(super) fn command(mark: &Mark, show: &Show, plan: &Plan) -> Result<Command, String> {
    let sheet = &plan.sheet;
    let jump = |wanted: &str| {
        place::find(show, plan, wanted).map(|at| Command::Jump(PositionId(at as u32)))
    };
    let (verb, name) = match mark {
        Mark::Step => return Ok(Command::Step),
        Mark::Back => return Ok(Command::Back),
        Mark::Jump { song, scene } => return jump(&format!("{song}/{scene}")),
        Mark::Place(call) => return jump(call),
        Mark::Do(verb, name) => (*verb, name.as_str()),
        Mark::NightChanged(words) => return Err(changed(words)),
    };
    let receiver = || {
        let found = sheet.receivers.iter().position(|line| line.name == name);
        found
            .map(|at| ReceiverId(at as u8))
            .ok_or_else(|| format!("marker `{}`: no receiver `{name}`", mark.text()))
    };
    let some_or_all = || {
        if name.is_empty() {
            Ok(None)
        } else {
            receiver().map(Some)
        }
    };
    let unknown = || format!("marker `{}`: that is not in this show", mark.text());
    Ok(match verb {
        Verb::Panic => Command::Panic(some_or_all()?),
        Verb::Resend | Verb::Force => Command::Resend {
            receiver: some_or_all()?,
            is_forced: verb == Verb::Force,
        },
        Verb::Mute | Verb::Unmute => {
            let is_muted = verb == Verb::Mute;
            match some_or_all()? {
                None => Command::Mute(is_muted),
                Some(id) => Command::MuteOne(id, is_muted),
            }
        }
        Verb::FadeOut | Verb::FadeIn => Command::Fade(verb == Verb::FadeOut),
        Verb::TakeOver => Command::TakeOver(receiver()?),
        Verb::EndNote => {
            let (slot, key) = note(name, sheet).ok_or_else(unknown)?;
            Command::EndNote(slot, key)
        }
        Verb::Ignore | Verb::Heed => {
            let pedal = pedal(name, sheet).ok_or_else(unknown)?;
            Command::IgnorePedal(pedal, verb == Verb::Ignore)
        }
        Verb::Lock => Command::LockPedals(true),
        Verb::Unlock => Command::LockPedals(false),
        Verb::Loop if name.is_empty() => Command::Loop(None),
        Verb::Loop => {
            let (first, last) = name.split_once(' ').unwrap_or((name, name));
            let at = |call: &str| {
                let found = sheet.positions.iter().position(|line| line.call == call);
                found.map(|at| PositionId(at as u32)).ok_or_else(unknown)
            };
            Command::Loop(Some((at(first)?, at(last)?)))
        }
        Verb::NextSong => Command::SongDown,
        Verb::SongBefore => Command::SongUp,
        Verb::NextPage => Command::PageNext,
        Verb::PageBefore => Command::PageBack,
        Verb::Cues => Command::Cues(true),
        Verb::Rehearse => Command::Cues(false),
    })
}

fn changed(words: &str) -> String {
    format!("the night was changed here ({words}); what follows is played in the night as written")
}

fn note_name(slot: SlotId, key: Key, sheet: &Sheet) -> Option<String> {
    let found = sheet.receivers.iter().find_map(|line| {
        let at = slot.index().checked_sub(line.slots.0)?;
        Some((line, line.channels.get(at)?))
    });
    let (line, channel) = found?;
    Some(format!("{} {channel} {}", line.name, key.get()))
}

fn note(text: &str, sheet: &Sheet) -> Option<(SlotId, Key)> {
    let (rest, key) = text.rsplit_once(' ')?;
    let (name, channel) = rest.rsplit_once(' ')?;
    let channel: u8 = channel.parse().ok()?;
    let line = sheet.receivers.iter().find(|line| line.name == name)?;
    let at = line.channels.iter().position(|other| *other == channel)?;
    let slot = u8::try_from(line.slots.0 + at).ok()?;
    Some((SlotId(slot), Key::new(key.parse().ok()?)?))
}

const HELD: [&str; 3] = ["hold", "sostenuto", "soft"];

fn pedal_name(pedal: PedalId, sheet: &Sheet) -> Option<String> {
    match pedal {
        PedalId::Binding(at) => Some(sheet.pedals.get(usize::from(at))?.name.clone()),
        PedalId::Held(controller, kind) => {
            let line = sheet.controllers.get(controller.index())?;
            Some(format!("{} {}", line.name, HELD.get(usize::from(kind))?))
        }
    }
}

fn pedal(name: &str, sheet: &Sheet) -> Option<PedalId> {
    if let Some(at) = sheet.pedals.iter().position(|line| line.name == name) {
        return Some(PedalId::Binding(at as u8));
    }
    let (controller, kind) = name.rsplit_once(' ')?;
    let kind = HELD.iter().position(|word| *word == kind)?;
    let at = sheet
        .controllers
        .iter()
        .position(|line| line.name == controller)?;
    Some(PedalId::Held(ControllerId(at as u8), kind as u8))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::load;
    use crate::plan;

    #[test]
    fn what_was_asked_for_is_asked_for_again_from_its_marker() {
        let loaded = load::show(&load::built_in(load::DEMO), load::DEMO);
        let night = load::night(&loaded.show, Some(load::DEMO_NIGHT)).unwrap();
        let plan = plan::compile(&loaded.show, night).unwrap();
        let (one, receiver) = (PositionId(1), ReceiverId(1));
        let mut commands = vec![
            Command::Step,
            Command::Back,
            Command::Jump(one),
            Command::SongDown,
            Command::SongUp,
            Command::PageNext,
            Command::PageBack,
            Command::Panic(None),
            Command::Panic(Some(receiver)),
            Command::TakeOver(receiver),
            Command::EndNote(SlotId(1), Key::clamped(60)),
            Command::Loop(None),
            Command::Loop(Some((one, one))),
            Command::Loop(Some((one, PositionId(3)))),
        ];
        for is_on in [true, false] {
            commands.extend([
                Command::Mute(is_on),
                Command::MuteOne(receiver, is_on),
                Command::Fade(is_on),
                Command::LockPedals(is_on),
                Command::Cues(is_on),
                Command::Resend {
                    receiver: Some(receiver),
                    is_forced: is_on,
                },
                Command::IgnorePedal(PedalId::Binding(0), is_on),
            ]);
            for kind in 0..3 {
                let pedal = PedalId::Held(ControllerId(1), kind);
                commands.push(Command::IgnorePedal(pedal, is_on));
            }
        }
        for wanted in commands {
            let text = text(wanted, &plan.sheet).unwrap();
            let mark = Mark::parse(&text).unwrap();
            let found = command(&mark, &loaded.show, &plan);
            assert_eq!(found, Ok(wanted), "{text}");
        }
    }
}
