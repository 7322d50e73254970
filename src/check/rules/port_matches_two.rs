//! Two ports of the rig that the same device fits: which is which would be left to chance.

use crate::check::{Rule, Told};
use crate::show::finding::{Level, quoted};
use crate::show::model::{PortKind, PortMatch, Show};

pub(super) const RULE: Rule = Rule {
    id: "port-matches-two",
    level: Level::Error,
    says: "two ports of the rig that one device fits",
    run,
};

fn run(show: &Show, told: &mut Told<'_, '_>) {
    let ports = &show.rig.ports;
    for (index, later) in ports.iter().enumerate() {
        for earlier in ports
            .iter()
            .take(index)
            .filter(|earlier| (earlier.kind == PortKind::Keys) == (later.kind == PortKind::Keys))
            .filter(|earlier| overlap(&earlier.matches, &later.matches))
        {
            let message = format!(
                "one device fits both {} and {}",
                quoted(&earlier.name),
                quoted(&later.name)
            );
            told.add(
                later.site,
                message,
                "tell them apart by serial, by location or by usb_port; `segue ports` prints them",
            );
        }
    }
}

fn overlap(a: &PortMatch, b: &PortMatch) -> bool {
    match (a, b) {
        (PortMatch::Name(a), PortMatch::Name(b)) => a == b,
        (
            PortMatch::Usb {
                vendor,
                product,
                serial,
                location,
                port,
            },
            PortMatch::Usb {
                vendor: other_vendor,
                product: other_product,
                serial: other_serial,
                location: other_location,
                port: other_port,
            },
        ) => {
            (vendor, product, port) == (other_vendor, other_product, other_port)
                && !differ(serial, other_serial)
                && !differ(location, other_location)
        }
        _ => false,
    }
}

/// What one of the two does not state, tells nothing apart.
fn differ(a: &Option<String>, b: &Option<String>) -> bool {
    a.as_ref().zip(b.as_ref()).is_some_and(|(a, b)| a != b)
}
