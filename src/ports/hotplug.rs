//! Keeps the rig's ports connected to what is plugged in, whatever comes and goes.
//!
//! The decisions are made here and depend on no system; a `Connector` carries them out. Each
//! pass scans everything afresh, so a missed or doubled hot-plug event does no harm: passes
//! are run on every event and once a second as a safety net.
//!
//! A connection that works and that its rule still admits is left alone, even when a second
//! device that fits is plugged in: the show goes on with the one it had.

use std::sync::{Arc, Mutex, PoisonError};

use super::endpoint::{Endpoint, Medium};
use super::error::PortError;
use super::intake::Incoming;
use super::matching::{Assignment, Found, PortWanted, admits, match_ports};

/// One direction of a port of the rig.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Side {
    /// The port is read from.
    Input,
    /// The port is written to.
    Output,
}

/// How devices are listed and connected on one system.
pub(super) trait Connector {
    /// Every device and program that may serve the rig.
    fn present(&mut self) -> Vec<Endpoint>;
    /// Whether a connection made earlier still stands.
    fn is_connected(&mut self, port: usize, side: Side, endpoint: &Endpoint) -> bool;
    /// Connects a port of the rig.
    fn connect(&mut self, port: usize, side: Side, endpoint: &Endpoint) -> Result<(), PortError>;
    /// Ends a connection; `endpoint` may be gone already.
    fn disconnect(&mut self, port: usize, side: Side, endpoint: &Endpoint);
}

/// The state of one direction of a port, for the screens.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum SideStatus {
    /// Nothing that is plugged in fits.
    #[default]
    Absent,
    /// Several things fit; their names. A serial number or a location is needed.
    Ambiguous(Vec<String>),
    /// Connected to this device or program.
    Connected(Endpoint),
    /// Found, but it could not be connected; tried again once a second.
    Failed(Endpoint, PortError),
}

/// The state of both directions of a port, for the screens.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct PortStatus {
    /// The side that is read from.
    pub input: SideStatus,
    /// The side that is written to.
    pub output: SideStatus,
}

/// The present state of all ports of the rig, for whoever wants to show it. Never used by
/// the playing thread.
#[derive(Clone, Debug)]
pub struct StatusBoard {
    ports: Arc<Mutex<Vec<PortStatus>>>,
}

impl StatusBoard {
    pub(super) fn new(port_count: usize) -> Self {
        Self {
            ports: Arc::new(Mutex::new(vec![PortStatus::default(); port_count])),
        }
    }

    /// A copy of it, in the rig's order of ports.
    #[must_use]
    pub fn read(&self) -> Vec<PortStatus> {
        self.ports
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    fn write(&self, port: usize, side: Side, status: SideStatus) {
        let mut ports = self.ports.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(entry) = ports.get_mut(port) {
            match side {
                Side::Input => entry.input = status,
                Side::Output => entry.output = status,
            }
        }
    }
}

/// What is connected, and what was reported of it to the playing thread.
#[derive(Debug)]
pub(super) struct Patchbay {
    wanted: Vec<PortWanted>,
    links: Vec<Link>,
    board: StatusBoard,
}

#[derive(Debug)]
struct Link {
    port: usize,
    side: Side,
    endpoint: Option<Endpoint>,
    /// The playing thread was last told that the port is there.
    is_told: bool,
    /// The connection was lost after it was reported to the playing thread, and that is not
    /// reported yet.
    is_broken: bool,
    /// The reason last reported to the playing thread why it could not be connected.
    told_refusal: Option<PortError>,
}

impl Patchbay {
    /// A patchbay for the ports that carry `medium`; another one serves the others.
    pub(super) fn new(wanted: Vec<PortWanted>, board: StatusBoard, medium: Medium) -> Self {
        let is_own = |port: &usize| wanted.get(*port).is_some_and(|it| it.medium == medium);
        let links = (0..wanted.len())
            .filter(is_own)
            .flat_map(|port| [(port, Side::Input), (port, Side::Output)])
            .map(|(port, side)| Link {
                port,
                side,
                endpoint: None,
                is_told: false,
                is_broken: false,
                told_refusal: None,
            })
            .collect();
        Self {
            wanted,
            links,
            board,
        }
    }

    /// One pass: scans, connects and disconnects, and reports changes. What `tell` could not
    /// take (`false`) is reported in the next pass.
    pub(super) fn reconcile(
        &mut self,
        connector: &mut dyn Connector,
        tell: &mut dyn FnMut(Incoming) -> bool,
    ) {
        let present = connector.present();
        let assignments = match_ports(&self.wanted, &present);
        // All ends before anything begins, so that a device that moves to another port is free.
        for link in &mut self.links {
            link.drop_if_gone(connector, &present);
        }
        let targets: Vec<Option<Endpoint>> = self
            .links
            .iter()
            .map(|link| self.target(link, &assignments, &present))
            .collect();
        for (link, target) in self.links.iter_mut().zip(&targets) {
            if link.endpoint.is_some() && link.endpoint != *target {
                link.let_go(connector);
            }
        }
        for (link, target) in self.links.iter_mut().zip(targets) {
            let failure = link.take(connector, target);
            link.tell_refusal(failure.as_ref().map(|(_, error)| *error), tell);
            let status = link.status(failure, &assignments, &present);
            self.board.write(link.port, link.side, status);
            link.tell(tell);
        }
    }

    /// The device that a link should be connected to.
    fn target(
        &self,
        link: &Link,
        assignments: &[Assignment],
        present: &[Endpoint],
    ) -> Option<Endpoint> {
        let found = found_at(assignments, link.port, link.side);
        let proposed = match found {
            Some(Found::One(index)) => present.get(*index),
            _ => None,
        };
        let Some(current) = &link.endpoint else {
            // Something that already serves another port is not taken away from it.
            let is_free = |endpoint: &&Endpoint| {
                let serves = |other: &Link| {
                    other.side == link.side && other.endpoint.as_ref() == Some(*endpoint)
                };
                !self.links.iter().any(serves)
            };
            return proposed.filter(is_free).cloned();
        };
        let rule = self.wanted.get(link.port).map(|wanted| &wanted.rule);
        let is_admitted = rule.is_some_and(|rule| admits(rule, current));
        // It is given up only to another port that has a better rule for it.
        let is_wanted_elsewhere = (0..self.wanted.len()).any(|port| {
            port != link.port
                && match found_at(assignments, port, link.side) {
                    Some(Found::One(index)) => present.get(*index) == Some(current),
                    _ => false,
                }
        });
        if is_admitted && !is_wanted_elsewhere {
            Some(current.clone())
        } else {
            proposed.cloned()
        }
    }
}

impl Link {
    /// Drops a connection whose device is gone, or that another program has cut.
    fn drop_if_gone(&mut self, connector: &mut dyn Connector, present: &[Endpoint]) {
        let Some(endpoint) = &self.endpoint else {
            return;
        };
        let is_present = present.iter().any(|other| endpoint.is_same_as(other));
        if !is_present || !connector.is_connected(self.port, self.side, endpoint) {
            self.let_go(connector);
        }
    }

    fn let_go(&mut self, connector: &mut dyn Connector) {
        if let Some(endpoint) = self.endpoint.take() {
            connector.disconnect(self.port, self.side, &endpoint);
            self.is_broken = true;
        }
    }

    /// Connects to the target if it is not connected; returns a failure with its endpoint.
    fn take(
        &mut self,
        connector: &mut dyn Connector,
        target: Option<Endpoint>,
    ) -> Option<(Endpoint, PortError)> {
        if self.endpoint.is_some() {
            return None;
        }
        let target = target?;
        match connector.connect(self.port, self.side, &target) {
            Ok(()) => {
                self.endpoint = Some(target);
                None
            }
            Err(error) => Some((target, error)),
        }
    }

    fn status(
        &self,
        failure: Option<(Endpoint, PortError)>,
        assignments: &[Assignment],
        present: &[Endpoint],
    ) -> SideStatus {
        if let Some(endpoint) = &self.endpoint {
            return SideStatus::Connected(endpoint.clone());
        }
        if let Some((endpoint, error)) = failure {
            return SideStatus::Failed(endpoint, error);
        }
        match found_at(assignments, self.port, self.side) {
            Some(Found::Ambiguous(indices)) => SideStatus::Ambiguous(
                indices
                    .iter()
                    .filter_map(|&index| present.get(index))
                    .map(|endpoint| match &endpoint.usb {
                        Some(usb) => format!("{} ({usb})", endpoint.port),
                        None => format!("{} ({})", endpoint.port, endpoint.address),
                    })
                    .collect(),
            ),
            _ => SideStatus::Absent,
        }
    }

    /// Reports why an input that is plugged in is not connected, once for each reason.
    fn tell_refusal(&mut self, refusal: Option<PortError>, tell: &mut dyn FnMut(Incoming) -> bool) {
        if self.side == Side::Output || refusal == self.told_refusal {
            return;
        }
        let is_told = refusal.is_none_or(|error| tell(Incoming::InRefused(self.port, error)));
        if is_told {
            self.told_refusal = refusal;
        }
    }

    fn tell(&mut self, tell: &mut dyn FnMut(Incoming) -> bool) {
        let (ready, lost) = match self.side {
            Side::Input => (Incoming::InReady(self.port), Incoming::InLost(self.port)),
            Side::Output => (Incoming::OutReady(self.port), Incoming::OutLost(self.port)),
        };
        if self.is_told && self.is_broken {
            if !tell(lost) {
                return;
            }
            self.is_told = false;
        }
        self.is_broken = false;
        if !self.is_told && self.endpoint.is_some() {
            self.is_told = tell(ready);
        }
    }
}

fn found_at(assignments: &[Assignment], port: usize, side: Side) -> Option<&Found> {
    let assignment = assignments.get(port)?;
    Some(match side {
        Side::Input => &assignment.input,
        Side::Output => &assignment.output,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ports::endpoint::{Address, UsbIdentity};
    use crate::ports::matching::PortRule;
    use proptest::prelude::*;
    use std::collections::BTreeMap;

    /// A system on which things are plugged in and out.
    #[derive(Default)]
    struct Bench {
        plugged: Vec<Endpoint>,
        connections: BTreeMap<(usize, bool), Address>,
        refuses: bool,
        deeds: usize,
    }

    impl Connector for Bench {
        fn present(&mut self) -> Vec<Endpoint> {
            self.plugged.clone()
        }

        fn is_connected(&mut self, port: usize, side: Side, endpoint: &Endpoint) -> bool {
            let key = (port, side == Side::Input);
            self.connections.get(&key) == Some(&endpoint.address)
        }

        fn connect(
            &mut self,
            port: usize,
            side: Side,
            endpoint: &Endpoint,
        ) -> Result<(), PortError> {
            self.deeds += 1;
            if self.refuses {
                return Err(PortError::System(11));
            }
            let key = (port, side == Side::Input);
            let taken = self.connections.iter().any(|((other, is_input), address)| {
                *is_input == key.1 && *other != port && *address == endpoint.address
            });
            assert!(!taken, "one endpoint serves one port");
            assert_eq!(self.connections.insert(key, endpoint.address.clone()), None);
            Ok(())
        }

        fn disconnect(&mut self, port: usize, side: Side, _endpoint: &Endpoint) {
            self.deeds += 1;
            self.connections.remove(&(port, side == Side::Input));
        }
    }

    impl Bench {
        fn unplug(&mut self, address: &Address) {
            self.plugged.retain(|endpoint| endpoint.address != *address);
            self.connections.retain(|_, other| other != address);
        }
    }

    fn device(number: u8, serial: Option<&str>) -> Endpoint {
        Endpoint {
            has_input: true,
            has_output: true,
            client: "Stage Keys".to_owned(),
            port: "Stage Keys MIDI 1".to_owned(),
            usb: Some(UsbIdentity {
                vendor: 1,
                product: 2,
                serial: serial.map(str::to_owned),
                location: format!("1-{number}"),
            }),
            device_port: 1,
            address: Address::Sequencer(number, 0),
        }
    }

    fn wanted(serial: Option<&str>) -> PortWanted {
        PortWanted {
            name: "keys".to_owned(),
            rule: PortRule::Usb {
                vendor: 1,
                product: 2,
                serial: serial.map(str::to_owned),
                location: None,
                port: 1,
            },
            medium: Medium::Midi,
        }
    }

    fn patchbay(wanted: Vec<PortWanted>) -> Patchbay {
        let board = StatusBoard::new(wanted.len());
        Patchbay::new(wanted, board, Medium::Midi)
    }

    fn pass(patchbay: &mut Patchbay, bench: &mut Bench) -> Vec<Incoming> {
        let mut told = Vec::new();
        patchbay.reconcile(bench, &mut |incoming| {
            told.push(incoming);
            true
        });
        told
    }

    const READY: [Incoming; 2] = [Incoming::InReady(0), Incoming::OutReady(0)];
    const LOST: [Incoming; 2] = [Incoming::InLost(0), Incoming::OutLost(0)];

    #[test]
    fn plugging_and_unplugging_are_told_once() {
        let mut bench = Bench::default();
        let mut patchbay = patchbay(vec![wanted(None)]);
        assert_eq!(pass(&mut patchbay, &mut bench), []);
        bench.plugged.push(device(20, None));
        assert_eq!(pass(&mut patchbay, &mut bench), READY);
        assert_eq!(pass(&mut patchbay, &mut bench), []);
        bench.unplug(&Address::Sequencer(20, 0));
        assert_eq!(pass(&mut patchbay, &mut bench), LOST);
        // Back under another number.
        bench.plugged.push(device(24, None));
        assert_eq!(pass(&mut patchbay, &mut bench), READY);
    }

    /// Out and in again between two passes: the connection is gone though all looks the same.
    #[test]
    fn a_replug_too_quick_to_see_is_lost_and_ready() {
        let mut bench = Bench::default();
        let mut patchbay = patchbay(vec![wanted(None)]);
        bench.plugged.push(device(20, None));
        pass(&mut patchbay, &mut bench);
        bench.connections.clear();
        let told = pass(&mut patchbay, &mut bench);
        assert_eq!(told, [LOST[0], READY[0], LOST[1], READY[1]]);
        assert_eq!(bench.connections.len(), 2);
    }

    #[test]
    fn a_second_device_that_fits_takes_nothing_from_the_first() {
        let mut bench = Bench::default();
        let mut patchbay = patchbay(vec![wanted(None)]);
        bench.plugged.push(device(20, None));
        pass(&mut patchbay, &mut bench);
        bench.plugged.insert(0, device(16, None));
        let deeds = bench.deeds;
        assert_eq!(pass(&mut patchbay, &mut bench), []);
        assert_eq!(bench.deeds, deeds);
        // But a fresh choice between the two is not made.
        bench.connections.clear();
        assert_eq!(pass(&mut patchbay, &mut bench), LOST);
        let status = patchbay.board.read();
        let SideStatus::Ambiguous(names) = &status[0].input else {
            panic!("{status:?}");
        };
        assert!(names[0].contains("at 1-16") && names[1].contains("at 1-20"));
    }

    #[test]
    fn a_better_right_moves_a_connection() {
        let mut bench = Bench::default();
        // A working connection that its own rule no longer admits once the endpoint says
        // more about itself.
        let mut patchbay = patchbay(vec![wanted(Some("A"))]);
        bench.plugged.push(device(20, Some("A")));
        assert_eq!(pass(&mut patchbay, &mut bench), READY);
        bench.plugged = vec![device(20, Some("B")), device(24, Some("A"))];
        assert_eq!(
            pass(&mut patchbay, &mut bench),
            [LOST[0], READY[0], LOST[1], READY[1]]
        );
        let now: Vec<_> = bench.connections.values().cloned().collect();
        assert_eq!(now, vec![Address::Sequencer(24, 0); 2]);
    }

    #[test]
    fn a_connection_that_fails_is_shown_and_tried_again() {
        let mut bench = Bench {
            refuses: true,
            ..Bench::default()
        };
        let mut patchbay = patchbay(vec![wanted(None)]);
        bench.plugged.push(device(20, None));
        let refused = Incoming::InRefused(0, PortError::System(11));
        assert_eq!(pass(&mut patchbay, &mut bench), [refused]);
        assert_eq!(pass(&mut patchbay, &mut bench), [], "once");
        let failed = SideStatus::Failed(device(20, None), PortError::System(11));
        assert_eq!(patchbay.board.read()[0].output, failed);
        bench.refuses = false;
        assert_eq!(pass(&mut patchbay, &mut bench), READY);
        let connected = SideStatus::Connected(device(20, None));
        assert_eq!(patchbay.board.read()[0].output, connected);
    }

    proptest! {
        /// Whatever is plugged in, unplugged or cut, and however often `tell` fails: in the end
        /// the playing thread knows the true state, and every loss was reported.
        #[test]
        fn belief_follows_what_is_so(
            deeds in prop::collection::vec((0_u8..4, 0_usize..4, prop::bool::ANY), 1..60),
        ) {
            let serials = [Some("A"), Some("B"), None, None];
            let devices: Vec<Endpoint> =
                (20..24).zip(serials).map(|(number, serial)| device(number, serial)).collect();
            let rig = vec![wanted(Some("A")), wanted(None), wanted(Some("B"))];
            let mut bench = Bench::default();
            let mut patchbay = patchbay(rig.clone());
            let mut belief = BTreeMap::new();
            for (deed, which, is_heard) in deeds {
                let device = &devices[which];
                match deed {
                    0 | 1 if !bench.plugged.contains(device) => {
                        bench.plugged.push(device.clone());
                    }
                    2 => bench.unplug(&device.address),
                    3 => bench.connections.retain(|_, address| *address != device.address),
                    _ => {}
                }
                for is_heard in [is_heard, true] {
                    patchbay.reconcile(&mut bench, &mut |incoming| {
                        if !is_heard {
                            return false;
                        }
                        let (key, is_ready) = match incoming {
                            Incoming::InReady(port) => ((port, true), true),
                            Incoming::InLost(port) => ((port, true), false),
                            Incoming::OutReady(port) => ((port, false), true),
                            Incoming::OutLost(port) => ((port, false), false),
                            other => panic!("{other:?}"),
                        };
                        let before = belief.insert(key, is_ready);
                        assert_eq!(before.unwrap_or(false), !is_ready, "told twice: {incoming:?}");
                        true
                    });
                }
                for port in 0..rig.len() {
                    for is_input in [true, false] {
                        let key = (port, is_input);
                        let believed = belief.get(&key).copied().unwrap_or(false);
                        prop_assert_eq!(believed, bench.connections.contains_key(&key));
                    }
                }
            }
        }
    }
}
