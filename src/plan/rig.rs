//! The rig as tables: ports by direction, controllers, pedals, receivers and their slots.

use super::PlanError;
use crate::engine::limits;
use crate::engine::promptbook::{
    Binding, ControllerEntry, ControllerId, InPort, InPortEntry, LocalControl, Manners, OutPort,
    OutPortEntry, ReceiverEntry, ReceiverId, SlotEntry, SlotId, SourceEntry, SourceId, SourceKind,
    Span,
};
use crate::midi::Key;
use crate::show::model::{self, PortKind, Rig};
use crate::wire::price::{DIN_BYTE_US, USB_EVENTS_PER_FRAME, USB_FRAME_US};

/// Group number of a receiver's global channel, which no zone can ask for.
pub(super) const GLOBAL_GROUP: u8 = u8::MAX;

/// For each port of the promptbook, its port in the rig.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct PortMap {
    /// Index of the rig's port, for each input port.
    pub inputs: Vec<usize>,
    /// Index of the rig's port, for each output port.
    pub outputs: Vec<usize>,
}

/// The rig's share of the promptbook.
pub(super) struct Layout {
    pub(super) in_ports: Box<[InPortEntry]>,
    pub(super) out_ports: Box<[OutPortEntry]>,
    pub(super) controllers: Box<[ControllerEntry]>,
    pub(super) sources: Box<[SourceEntry]>,
    pub(super) bindings: Box<[Binding]>,
    pub(super) receivers: Box<[ReceiverEntry]>,
    pub(super) slots: Box<[SlotEntry]>,
    pub(super) ports: PortMap,
}

impl Layout {
    /// A source of a controller, by its index among the controller's own.
    pub(super) fn source(&self, controller: usize, source: usize) -> Option<SourceId> {
        let own = self.controllers.get(controller)?.sources;
        (source < own.len as usize).then(|| SourceId((own.start as usize + source) as u16))
    }

    /// The first slot of a receiver's group.
    pub(super) fn first_slot(&self, receiver: usize, group: u8) -> Option<SlotId> {
        let at = self
            .slots
            .iter()
            .position(|slot| slot.receiver.index() == receiver && slot.group == group)?;
        Some(SlotId(at as u8))
    }
}

/// Lays the rig out in tables.
pub(super) fn lay_out(rig: &Rig) -> Result<Layout, PlanError> {
    within(
        "controllers",
        rig.controllers.len(),
        limits::MAX_CONTROLLERS,
    )?;
    within("receivers", rig.receivers.len(), limits::MAX_RECEIVERS)?;
    within("ports", rig.ports.len(), limits::MAX_PORTS)?;
    let ports = PortMap {
        inputs: used(rig, |port| rig.controllers.iter().any(|c| c.port == port)),
        outputs: used(rig, |port| rig.receivers.iter().any(|r| r.port == port)),
    };
    let sources: Vec<SourceEntry> = rig
        .controllers
        .iter()
        .enumerate()
        .flat_map(sources)
        .collect();
    within("sources", sources.len(), limits::MAX_SOURCES)?;
    let slots = slots(rig, &ports);
    within("slots", slots.len(), limits::MAX_SLOTS)?;
    Ok(Layout {
        in_ports: ports
            .inputs
            .iter()
            .map(|_| InPortEntry::default())
            .collect(),
        out_ports: ports
            .outputs
            .iter()
            .map(|port| OutPortEntry {
                boot_us: boot_us(rig, *port),
                byte_us: byte_us(rig, *port),
            })
            .collect(),
        controllers: rig
            .controllers
            .iter()
            .enumerate()
            .map(|(at, item)| controller(at, item, &ports, &sources))
            .collect(),
        sources: sources.into(),
        bindings: rig.bindings.iter().map(binding).collect(),
        receivers: rig
            .receivers
            .iter()
            .enumerate()
            .map(|(at, item)| receiver(at, item, &rig.controllers, (&ports, &slots)))
            .collect(),
        slots: slots.into(),
        ports,
    })
}

pub(super) fn within(what: &'static str, found: usize, limit: usize) -> Result<(), PlanError> {
    if found > limit {
        Err(PlanError::TooMany(what, found, limit))
    } else {
        Ok(())
    }
}

fn used(rig: &Rig, is_used: impl Fn(usize) -> bool) -> Vec<usize> {
    (0..rig.ports.len()).filter(|port| is_used(*port)).collect()
}

fn in_port(ports: &PortMap, port: usize) -> InPort {
    InPort(ports.inputs.iter().position(|p| *p == port).unwrap_or(0) as u8)
}

fn out_port(ports: &PortMap, port: usize) -> OutPort {
    OutPort(ports.outputs.iter().position(|p| *p == port).unwrap_or(0) as u8)
}

/// Time of a byte on a port's line, in microseconds.
fn byte_us(rig: &Rig, port: usize) -> u64 {
    let kind = rig.ports.get(port).map(|port| port.kind);
    match kind {
        Some(PortKind::Din | PortKind::UsbToDin) => DIN_BYTE_US,
        // Sixteen messages a frame (`wire::price`), the shorter ones with two bytes.
        Some(PortKind::Usb) => USB_FRAME_US / USB_EVENTS_PER_FRAME / 2 + 1,
        Some(PortKind::Software | PortKind::Keys) | None => 0,
    }
}

/// A port is ready when the slowest of its receivers is.
fn boot_us(rig: &Rig, port: usize) -> u64 {
    let on_port = rig
        .receivers
        .iter()
        .filter(|receiver| receiver.port == port);
    on_port
        .map(|receiver| u64::from(receiver.manners.boot_ms) * 1000)
        .max()
        .unwrap_or(0)
}

fn controller(
    at: usize,
    item: &model::ControllerItem,
    ports: &PortMap,
    sources: &[SourceEntry],
) -> ControllerEntry {
    let mut passes = [0_u64; 2];
    let mut pass = |number: u8| {
        if let Some(word) = passes.get_mut(usize::from(number / 64)) {
            *word |= 1 << (number % 64);
        }
    };
    for source in &item.sources {
        match source.kind {
            SourceKind::Control(number) | SourceKind::Switch(number) => {
                pass(number.get());
            }
            SourceKind::Pair(number) => {
                pass(number.get());
                pass(number.get() + 32);
            }
            _ => {}
        }
    }
    let has = |kind| item.sources.iter().any(|source| source.kind == kind);
    let is_own = |source: &&SourceEntry| source.controller.index() == at;
    ControllerEntry {
        port: in_port(ports, item.port),
        channel: item.channel,
        mpe: item.mpe,
        keys: item.keys.unwrap_or((Key::MIN, Key::MAX)),
        passes,
        passes_pressure: has(SourceKind::Pressure),
        passes_bend: has(SourceKind::Bend),
        sources: Span {
            start: sources
                .iter()
                .position(|source| is_own(&source))
                .unwrap_or(0) as u32,
            len: sources.iter().filter(is_own).count() as u32,
        },
    }
}

/// The named sources of a controller.
fn sources((at, item): (usize, &model::ControllerItem)) -> impl Iterator<Item = SourceEntry> {
    item.sources.iter().map(move |source| SourceEntry {
        controller: ControllerId(at as u8),
        kind: source.kind,
        is_inverted: source.is_inverted,
        bend_range: source.bend_range,
    })
}

fn binding(item: &model::PedalBinding) -> Binding {
    Binding {
        controller: ControllerId(item.controller as u8),
        trigger: item.trigger,
        action: item.action,
        is_latching: item.is_latching,
        is_inverted: item.is_inverted,
    }
}

fn slots(rig: &Rig, ports: &PortMap) -> Vec<SlotEntry> {
    let mut slots = Vec::new();
    for (at, item) in rig.receivers.iter().enumerate() {
        let mut push = |channel, mpe, group| {
            slots.push(SlotEntry {
                receiver: ReceiverId(at as u8),
                port: out_port(ports, item.port),
                channel,
                mpe,
                group,
            });
        };
        for (group, slot_group) in item.groups.iter().enumerate() {
            let zones = slot_group.mpe.iter().copied().map(Some);
            let zones = zones.chain(std::iter::repeat(None));
            for (channel, zone) in slot_group.channels.iter().zip(zones) {
                push(*channel, zone, group as u8);
            }
        }
        if let Some(channel) = item.global {
            push(channel, None, GLOBAL_GROUP);
        }
    }
    slots
}

fn receiver(
    at: usize,
    item: &model::Receiver,
    controllers: &[model::ControllerItem],
    (ports, slots): (&PortMap, &[SlotEntry]),
) -> ReceiverEntry {
    let is_own = |slot: &&SlotEntry| slot.receiver.index() == at;
    ReceiverEntry {
        port: out_port(ports, item.port),
        sounds: item.sounds,
        slots: Span {
            start: slots.iter().position(|slot| is_own(&slot)).unwrap_or(0) as u32,
            len: slots.iter().filter(is_own).count() as u32,
        },
        manners: manners(&item.manners),
        pages: item.pages,
        local: match item.keyboard {
            Some(model::KeyboardLink::Same(same)) => Some(LocalControl {
                channel: controllers.get(same).and_then(|keys| keys.channel),
            }),
            Some(model::KeyboardLink::Apart) | None => None,
        },
        spare_of: item.spare_of.map(|main| ReceiverId(main as u8)),
    }
}

fn manners(item: &model::Manners) -> Manners {
    use model::BankBytes;
    Manners {
        sends_bank_msb: matches!(item.bank, BankBytes::Msb | BankBytes::Both),
        sends_bank_lsb: matches!(item.bank, BankBytes::Lsb | BankBytes::Both),
        load_us: u64::from(item.load_ms) * 1000,
        resets_controllers: item.resets_controllers,
        cuts_notes: item.cuts_notes,
        may_prime: item.may_prime,
        release_us: seconds_us(item.release_s),
        holds_back: item.holds_back,
        boot_us: u64::from(item.boot_ms) * 1000,
        heeds_sensing: item.heeds_sensing,
    }
}

/// Seconds as whole microseconds, clamped to 0 to 60 s.
pub(super) fn seconds_us(seconds: f32) -> u64 {
    (f64::from(seconds).clamp(0.0, 60.0) * 1e6) as u64
}
