//! Show control for machinery, process control or pyrotechnics: never sent by this program.

use crate::check::{Rule, Told};
use crate::midi::Value14;
use crate::midi::show_control::Hazard;
use crate::show::finding::{Level, quoted};
use crate::show::model::{CueMessage, Parameter, ParameterKind, Show, TemplateByte};

pub(super) const RULE: Rule = Rule {
    id: "machinery",
    level: Level::Error,
    says: "show control for machinery, process control or pyrotechnics",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    for receiver in &show.rig.receivers {
        for cue in &receiver.cues {
            let hazard = match &cue.message {
                CueMessage::Exclusive(bytes) => Hazard::in_bytes(bytes),
                CueMessage::Short(_) | CueMessage::Note(_) => None,
            };
            if let Some(hazard) = hazard {
                let message = format!(
                    "the cue {} is a show-control message for {}",
                    quoted(&cue.name),
                    hazard.words()
                );
                told.add(cue.site, message, HELP);
            }
        }
        for parameter in &receiver.parameters {
            if let Some(hazard) = of_parameter(parameter) {
                let message = format!(
                    "the parameter {} is, or can become, a show-control message for {}",
                    quoted(&parameter.name),
                    hazard.words()
                );
                told.add(parameter.site, message, HELP);
            }
        }
    }
}

/// What to do, and why.
const HELP: &str = "take it away: MIDI has no error detection and no acknowledgement, so this \
                    program never sends it; such machines need certified controls of their own";

/// What a message of the parameter may become, whatever value its range allows.
fn of_parameter(parameter: &Parameter) -> Option<Hazard> {
    let ParameterKind::Exclusive(template) = &parameter.kind else {
        return None;
    };
    let mut parts = template
        .iter()
        .filter(|part| **part != TemplateByte::SumStart);
    let mut next = || parts.next().copied();
    let may_be = |part: Option<TemplateByte>, byte: u8| {
        part.is_some_and(|part| becomes(part, parameter.range).any(|own| own == byte))
    };
    let is_show_control =
        may_be(next(), 0xf0) && may_be(next(), 0x7f) && next().is_some() && may_be(next(), 0x02);
    let format = next().filter(|_| is_show_control)?;
    becomes(format, parameter.range).find_map(Hazard::of_format)
}

/// The bytes that a part of a template may become.
fn becomes(part: TemplateByte, (low, high): (u16, u16)) -> Box<dyn Iterator<Item = u8>> {
    let values = (low..=high).map(|value| Value14::clamped(i32::from(value)));
    match part {
        TemplateByte::Byte(byte) => Box::new(std::iter::once(byte)),
        TemplateByte::Value | TemplateByte::ValueLsb => {
            Box::new(values.map(|value| value.lsb().get()))
        }
        TemplateByte::ValueMsb => Box::new(values.map(|value| value.msb().get())),
        TemplateByte::Channel => Box::new(0..16),
        // What the sum comes to is not worked out: it may be anything.
        TemplateByte::Sum => Box::new(0..0x80),
        TemplateByte::SumStart => Box::new(std::iter::empty()),
    }
}
