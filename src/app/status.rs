//! What the ports are doing, gathered for the screen from meters and the status board.

use super::session::Session;
use crate::engine::view::{Presence, View};
use crate::ports::{GateReading, PortStatus, SideStatus};
use crate::screen::{InPortStatus, OutPortStatus, RigStatus};

/// Gathers it. The view is the engine's latest; `mode` says show, rehearsal or model rig.
pub(super) fn gather(session: &mut Session, view: &View, mode: &str, warnings: &[String]) -> RigStatus {
    let now_us = session.clock.now_us();
    let board = session.board.as_ref().map(crate::ports::StatusBoard::read).unwrap_or_default();
    let readings: Vec<GateReading> = session.meters.iter_mut().map(crate::ports::GateMeter::read).collect();
    let outputs = session.map.outputs.iter().zip(&readings).enumerate();
    let out_ports = outputs
        .map(|(at, (rig_port, reading))| out_port(session, view, at, board.get(*rig_port), reading, now_us))
        .collect();
    let inputs = session.map.inputs.iter().enumerate();
    let in_ports = inputs.map(|(at, rig_port)| in_port(session, view, at, board.get(*rig_port))).collect();
    RigStatus {
        out_ports,
        in_ports,
        is_realtime: session.is_realtime(),
        mode: mode.into(),
        warnings: warnings.to_vec(),
    }
}

fn out_port(
    session: &Session,
    view: &View,
    at: usize,
    status: Option<&PortStatus>,
    reading: &GateReading,
    now_us: u64,
) -> OutPortStatus {
    let seen = |wanted: fn(Presence) -> bool| {
        let mut receivers = session.sheet.receivers.iter().zip(&view.receivers);
        receivers.any(|(line, presence)| line.port == at && wanted(*presence))
    };
    OutPortStatus {
        is_present: seen(|presence| presence != Presence::Absent),
        is_verified: seen(|presence| presence == Presence::Verified),
        identity: status.map_or_else(|| "model rig".into(), |status| identity(&status.output)),
        bytes_sent: reading.wire.bytes_sent,
        queued: reading.lanes.map(|lane| lane.waiting as u32),
        busy_permille: reading.wire.busy_permille,
        refused: reading.refused,
        last_error: reading.last_error.map_or_else(String::new, |(error, _)| error.to_string()),
        idle_us: reading.last_write_us.map(|last| now_us.saturating_sub(last)),
    }
}

fn in_port(session: &Session, view: &View, at: usize, status: Option<&PortStatus>) -> InPortStatus {
    let controllers = session.sheet.controllers.iter().zip(&view.controllers);
    let messages = controllers.filter(|(line, _)| line.port == at).map(|(_, seen)| seen.received).sum();
    InPortStatus {
        is_present: view.in_ports.get(at).copied().unwrap_or(false),
        identity: status.map_or_else(|| "model rig".into(), |status| identity(&status.input)),
        messages,
        ..InPortStatus::default()
    }
}

/// How one direction of a port stands, in words.
fn identity(side: &SideStatus) -> String {
    match side {
        SideStatus::Absent => "not plugged in".into(),
        SideStatus::Ambiguous(names) => {
            format!("several fit: {}; state a serial number or a location in rig.ron", names.join(", "))
        }
        SideStatus::Connected(endpoint) => match &endpoint.usb {
            Some(usb) => format!("{} {usb}", endpoint.client),
            None => endpoint.client.clone(),
        },
        SideStatus::Failed(endpoint, error) => format!("{}: {error}", endpoint.client),
    }
}
