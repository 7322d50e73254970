//! What the ports are doing, gathered for the screen from meters and the status board.

use std::sync::atomic::Ordering;

use chrono::Timelike;

use super::performance::Performance;
use crate::engine::view::{Presence, View};
use crate::ports::{GateReading, PortStatus, SideStatus};
use crate::screen::{InPortStatus, OutPortStatus, RigStatus};

/// When each input was last heard: counters looked at four times a second tell it well
/// enough for a person.
#[derive(Debug, Default)]
pub(super) struct Heard {
    /// Messages counted at the last look, and when that number last grew.
    inputs: Vec<(u64, Option<u64>)>,
}

impl Heard {
    /// Microseconds since input `at` was last heard, given its count of messages now.
    fn idle_us(&mut self, at: usize, messages: u64, now_us: u64) -> Option<u64> {
        if self.inputs.len() <= at {
            self.inputs.resize(at + 1, (0, None));
        }
        let (known, grew_us) = self.inputs.get_mut(at)?;
        if *known != messages {
            (*known, *grew_us) = (messages, Some(now_us));
        }
        grew_us.map(|then| now_us.saturating_sub(then))
    }
}

/// Gathers it. The view is the engine's latest; `mode` says show, rehearsal or model rig.
pub(super) fn gather(
    performance: &mut Performance,
    heard: &mut Heard,
    view: &View,
    mode: &str,
    warnings: Vec<String>,
) -> RigStatus {
    let now_us = performance.clock.now_us();
    let board = performance.board.read();
    let readings: Vec<GateReading> = performance
        .meters
        .iter_mut()
        .map(crate::ports::GateMeter::read)
        .collect();
    let outputs = performance.map.outputs.iter().zip(&readings).enumerate();
    let out_ports = outputs
        .map(|(at, (rig_port, reading))| {
            out_port(performance, view, at, board.get(*rig_port), reading, now_us)
        })
        .collect();
    let inputs = performance.map.inputs.iter().enumerate();
    let in_ports = inputs
        .map(|(at, rig_port)| {
            let line = in_port(performance, view, at, board.get(*rig_port));
            InPortStatus {
                idle_us: heard.idle_us(at, line.messages, now_us),
                ..line
            }
        })
        .collect();
    RigStatus {
        out_ports,
        in_ports,
        is_realtime: performance.is_realtime(),
        learned: performance.learning.borrow_mut().look(),
        mode: mode.into(),
        is_silent: false,
        warnings,
    }
}

fn out_port(
    performance: &Performance,
    view: &View,
    at: usize,
    status: Option<&PortStatus>,
    reading: &GateReading,
    now_us: u64,
) -> OutPortStatus {
    let seen = |wanted: fn(Presence) -> bool| {
        let mut receivers = performance.sheet.receivers.iter().zip(&view.receivers);
        receivers.any(|(line, presence)| line.port == at && wanted(*presence))
    };
    OutPortStatus {
        is_present: seen(|presence| presence != Presence::Absent),
        is_verified: seen(|presence| presence == Presence::Verified),
        identity: identity(performance, status.map(|status| &status.output)),
        bytes_sent: reading.wire.bytes_sent,
        queued: reading.lanes.map(|lane| lane.waiting as u32),
        busy_permille: reading.wire.busy_permille,
        refused: reading.refused,
        last_error: reading
            .last_error
            .map_or_else(String::new, |(error, _)| error.to_string()),
        idle_us: reading
            .last_write_us
            .map(|last| now_us.saturating_sub(last)),
    }
}

fn in_port(
    performance: &Performance,
    view: &View,
    at: usize,
    status: Option<&PortStatus>,
) -> InPortStatus {
    let controllers = performance.sheet.controllers.iter().zip(&view.controllers);
    let messages = controllers
        .filter(|(line, _)| line.port == at)
        .map(|(_, seen)| seen.received)
        .sum();
    InPortStatus {
        is_present: view.in_ports.get(at).copied().unwrap_or(false),
        identity: identity(performance, status.map(|status| &status.input)),
        messages,
        last_error: match status.map(|status| &status.input) {
            Some(SideStatus::Failed(_, error)) => error.to_string(),
            _ => String::new(),
        },
        overflows: performance
            .shared
            .overflows
            .get(at)
            .map_or(0, |count| count.load(Ordering::Relaxed)),
        ..InPortStatus::default()
    }
}

/// How one direction of a port stands, in words. On the model rig only pedals are real.
fn identity(performance: &Performance, side: Option<&SideStatus>) -> String {
    let is_model = performance.model.is_some();
    match side.unwrap_or(&SideStatus::Absent) {
        SideStatus::Absent if is_model => "model rig".into(),
        SideStatus::Absent => "not plugged in".into(),
        SideStatus::Ambiguous(names) => {
            format!(
                "several fit: {}; state a serial number or a location in rig.ron",
                names.join(", ")
            )
        }
        SideStatus::Connected(endpoint) => match &endpoint.usb {
            Some(usb) => format!("{} {usb}", endpoint.client),
            None => endpoint.client.clone(),
        },
        SideStatus::Failed(endpoint, error) => format!("{}: {error}", endpoint.client),
    }
}

/// The time of day, in seconds past midnight.
pub(super) fn time_of_day_s() -> u32 {
    chrono::Local::now().num_seconds_from_midnight()
}
