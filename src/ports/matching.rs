//! Which of the things plugged in serves which port of the rig. Pure, and never a guess.
//!
//! The most particular rules choose first: USB with serial number, USB with location,
//! USB alone, then name; what one rule has taken is out of reach for those after it. So
//! of two alike devices one can be named by its serial number and the other by what is
//! left. Where a rule fits two things, or two rules of one rank want the same thing,
//! nobody gets any and the rig says `Ambiguous`: sound from the wrong instrument is
//! worse than a line on the screen that asks for a serial number or a location.
//!
//! A name is taken at its word, whatever program has it now: a restarted program comes
//! back under another number, and its name is all that is known of it. Two programs of
//! one name are ambiguous; and `hotplug` leaves a connection that works alone, so a
//! second program of that name cannot steal it in the middle of a show.
//!
//! The two directions are matched apart: many programs (and some systems, for all
//! devices) have one port to read and another to write.

use super::endpoint::{Endpoint, Medium, UsbIdentity};

/// What is needed to find a port of the rig.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PortWanted {
    /// Its name in the rig.
    pub name: String,
    /// How it is found.
    pub rule: PortRule,
    /// What it carries: only devices that carry the same are considered.
    pub medium: Medium,
}

/// How a port of the rig is found.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PortRule {
    /// By what the USB device says about itself.
    Usb {
        /// Vendor ID (`idVendor`).
        vendor: u16,
        /// Product ID (`idProduct`).
        product: u16,
        /// Serial number; None accepts any.
        serial: Option<String>,
        /// Location (such as `1-2.4`), if stated; with a serial number it only decides
        /// between devices that share that number.
        location: Option<String>,
        /// Port of the device, from 1.
        port: u8,
    },
    /// By the port's name, or the client's, exactly. A port of that name goes before a
    /// client of that name.
    Name(String),
}

/// What serves one direction of a port of the rig. Numbers are indices into `present`.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Found {
    /// Nothing that is plugged in fits.
    #[default]
    Absent,
    /// Exactly one thing fits: its index.
    One(usize),
    /// All these fit, or another port of the rig has an equally specific rule for the same one.
    Ambiguous(Vec<usize>),
}

/// What serves a port of the rig.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Assignment {
    /// Where it is read from.
    pub input: Found,
    /// Where it is written to.
    pub output: Found,
}

/// Finds what serves each wanted port, in the order of `wanted`.
#[must_use]
pub fn match_ports(wanted: &[PortWanted], present: &[Endpoint]) -> Vec<Assignment> {
    let inputs = match_side(wanted, present, |endpoint| endpoint.has_input);
    let outputs = match_side(wanted, present, |endpoint| endpoint.has_output);
    inputs
        .into_iter()
        .zip(outputs)
        .map(|(input, output)| Assignment { input, output })
        .collect()
}

/// Whether a rule admits an endpoint at all, other endpoints aside.
#[must_use]
pub fn admits(rule: &PortRule, endpoint: &Endpoint) -> bool {
    match rule {
        PortRule::Name(name) => endpoint.port == *name || endpoint.client == *name,
        PortRule::Usb {
            vendor,
            product,
            serial,
            location,
            port,
        } => endpoint.usb.as_ref().is_some_and(|usb| {
            usb.vendor == *vendor
                && usb.product == *product
                && endpoint.device_port == *port
                && match (serial, location) {
                    (Some(_), _) => usb.serial == *serial,
                    (None, Some(location)) => usb.location == *location,
                    (None, None) => true,
                }
        }),
    }
}

fn match_side(
    wanted: &[PortWanted],
    present: &[Endpoint],
    has_side: impl Fn(&Endpoint) -> bool,
) -> Vec<Found> {
    let mut found = vec![Found::Absent; wanted.len()];
    let mut is_taken = vec![false; present.len()];
    for rank in Rank::ALL {
        let claims: Vec<(usize, Vec<usize>)> = wanted
            .iter()
            .enumerate()
            .filter(|(_, port)| Rank::of(&port.rule) == rank)
            .map(|(at, port)| {
                let free = |&(index, endpoint): &(usize, &Endpoint)| {
                    endpoint.medium() == port.medium
                        && has_side(endpoint)
                        && is_taken.get(index) == Some(&false)
                };
                let free: Vec<_> = present.iter().enumerate().filter(free).collect();
                (at, candidates(&port.rule, &free))
            })
            .collect();
        for (at, mine) in &claims {
            let is_contested = claims.iter().any(|(other, theirs)| {
                other != at && theirs.iter().any(|index| mine.contains(index))
            });
            let result = match mine.as_slice() {
                [] => Found::Absent,
                [only] if !is_contested => Found::One(*only),
                several => Found::Ambiguous(several.to_vec()),
            };
            // An ambiguous device is not offered to vaguer rules either.
            for index in mine {
                if let Some(taken) = is_taken.get_mut(*index) {
                    *taken = true;
                }
            }
            if let Some(slot) = found.get_mut(*at) {
                *slot = result;
            }
        }
    }
    found
}

/// Everything among `free` that the rule would take.
fn candidates(rule: &PortRule, free: &[(usize, &Endpoint)]) -> Vec<usize> {
    let indices = |keep: &dyn Fn(&Endpoint) -> bool| -> Vec<usize> {
        free.iter()
            .filter(|(_, endpoint)| keep(endpoint))
            .map(|&(index, _)| index)
            .collect()
    };
    let all = indices(&|endpoint| admits(rule, endpoint));
    let narrowed = match rule {
        PortRule::Name(name) => indices(&|endpoint| endpoint.port == *name),
        PortRule::Usb {
            serial: Some(_),
            location: Some(location),
            ..
        } => indices(&|endpoint| admits(rule, endpoint) && is_at(&endpoint.usb, location)),
        PortRule::Usb { .. } => Vec::new(),
    };
    if all.len() > 1 && !narrowed.is_empty() {
        narrowed
    } else {
        all
    }
}

fn is_at(usb: &Option<UsbIdentity>, location: &str) -> bool {
    usb.as_ref().is_some_and(|usb| usb.location == location)
}

/// How specific a rule is; the most specific chooses first.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Rank {
    Serial,
    Location,
    Product,
    Name,
}

impl Rank {
    const ALL: [Self; 4] = [Self::Serial, Self::Location, Self::Product, Self::Name];

    const fn of(rule: &PortRule) -> Self {
        match rule {
            PortRule::Usb {
                serial: Some(_), ..
            } => Self::Serial,
            PortRule::Usb {
                location: Some(_), ..
            } => Self::Location,
            PortRule::Usb { .. } => Self::Product,
            PortRule::Name(_) => Self::Name,
        }
    }
}
