//! Which device serves which port of the rig.

use proptest::prelude::*;
use segue::ports::{
    Address, Assignment, Endpoint, Found, Medium, PortRule, PortWanted, UsbIdentity, admits,
    match_ports,
};

const VENDOR: u16 = 0x1209;

/// A device with one port, in and out.
fn device(number: u8, product: u16, serial: Option<&str>, location: &str) -> Endpoint {
    Endpoint {
        has_input: true,
        has_output: true,
        client: "Stage Keys".to_owned(),
        port: "Stage Keys MIDI 1".to_owned(),
        usb: Some(UsbIdentity {
            vendor: VENDOR,
            product,
            serial: serial.map(str::to_owned),
            location: location.to_owned(),
        }),
        device_port: 1,
        address: Address::Sequencer(number, 0),
    }
}

fn program(number: u8, client: &str, port: &str) -> Endpoint {
    Endpoint {
        client: client.to_owned(),
        port: port.to_owned(),
        usb: None,
        ..device(number, 0, None, "")
    }
}

fn usb(serial: Option<&str>, location: Option<&str>) -> PortWanted {
    usb_port(serial, location, 1)
}

fn usb_port(serial: Option<&str>, location: Option<&str>, port: u8) -> PortWanted {
    PortWanted {
        name: "keys".to_owned(),
        rule: PortRule::Usb {
            vendor: VENDOR,
            product: 1,
            serial: serial.map(str::to_owned),
            location: location.map(str::to_owned),
            port,
        },
        medium: Medium::Midi,
    }
}

fn named(name: &str) -> PortWanted {
    PortWanted {
        name: "program".to_owned(),
        rule: PortRule::Name(name.to_owned()),
        medium: Medium::Midi,
    }
}

/// What serves the inputs; the outputs must agree, all these endpoints having both.
fn found(wanted: &[PortWanted], present: &[Endpoint]) -> Vec<Found> {
    match_ports(wanted, present)
        .into_iter()
        .map(|Assignment { input, output }| {
            assert_eq!(input, output);
            input
        })
        .collect()
}

/// One device may have both, a keyboard with a socket for a page pedal, say.
#[test]
fn what_has_keys_serves_no_midi_and_the_other_way_round() {
    let midi = device(20, 1, Some("A"), "1-1");
    let keys = Endpoint {
        address: Address::Keys("event5".to_owned()),
        has_output: false,
        ..midi.clone()
    };
    let foot = PortWanted {
        medium: Medium::Keys,
        ..usb(None, None)
    };
    let wanted = [foot, usb(None, None)];
    let assigned = match_ports(&wanted, &[midi, keys.clone()]);
    assert_eq!(assigned[0].input, Found::One(1));
    assert_eq!(assigned[0].output, Found::Absent);
    assert_eq!(
        (&assigned[1].input, &assigned[1].output),
        (&Found::One(0), &Found::One(0))
    );
    let alone = match_ports(&wanted, &[keys]);
    assert_eq!(alone[1].input, Found::Absent);
}

#[test]
fn two_alike_are_told_apart_by_serial_number_whatever_their_order() {
    let a = device(20, 1, Some("A"), "1-1");
    let b = device(24, 1, Some("B"), "1-2");
    let wanted = [usb(Some("B"), None), usb(Some("A"), None)];
    let forth = found(&wanted, &[a.clone(), b.clone()]);
    assert_eq!(forth, [Found::One(1), Found::One(0)]);
    let back = found(&wanted, &[b.clone(), a]);
    assert_eq!(back, [Found::One(0), Found::One(1)]);
    assert_eq!(found(&wanted, &[b]), [Found::One(0), Found::Absent]);
}

#[test]
fn two_alike_without_serial_numbers_are_told_apart_by_location() {
    let present = [device(20, 1, None, "1-1.4"), device(24, 1, None, "1-2")];
    let wanted = [usb(None, Some("1-2")), usb(None, Some("1-1.4"))];
    assert_eq!(found(&wanted, &present), [Found::One(1), Found::One(0)]);
    assert_eq!(found(&[usb(None, Some("1-3"))], &present), [Found::Absent]);
}

#[test]
fn two_alike_that_nothing_tells_apart_are_reported_and_nobody_gets_one() {
    let present = [device(20, 1, None, "1-1"), device(24, 1, None, "1-2")];
    let both = Found::Ambiguous(vec![0, 1]);
    assert_eq!(found(&[usb(None, None)], &present), vec![both.clone()]);
    let twice = found(&[usb(None, None), usb(None, None)], &present);
    assert_eq!(twice, [both.clone(), both]);
    // One serial number on two devices is none.
    let present = [
        device(20, 1, Some("0001"), "1-1"),
        device(24, 1, Some("0001"), "1-2"),
    ];
    let wanted = [usb(Some("0001"), None)];
    assert_eq!(found(&wanted, &present), [Found::Ambiguous(vec![0, 1])]);
    // Unless the location is stated too.
    let wanted = [usb(Some("0001"), Some("1-2"))];
    assert_eq!(found(&wanted, &present), [Found::One(1)]);
}

#[test]
fn a_stated_serial_number_holds_at_any_socket() {
    let present = [device(20, 1, Some("A"), "3-7")];
    let wanted = [usb(Some("A"), Some("1-2"))];
    assert_eq!(found(&wanted, &present), [Found::One(0)]);
    assert_eq!(
        found(&[usb(Some("B"), Some("3-7"))], &present),
        [Found::Absent]
    );
}

#[test]
fn what_a_vague_rule_gets_is_what_particular_ones_leave() {
    let present = [
        device(20, 1, Some("A"), "1-1"),
        device(24, 1, Some("B"), "1-2"),
    ];
    let wanted = [usb(None, None), usb(Some("A"), None)];
    assert_eq!(found(&wanted, &present), [Found::One(1), Found::One(0)]);
    // Two rules of one rank that want the same get nothing, and leave nothing to others.
    let wanted = [
        usb(Some("A"), None),
        usb(Some("A"), None),
        named("Stage Keys"),
    ];
    let alone = [device(20, 1, Some("A"), "1-1")];
    assert_eq!(
        found(&wanted, &alone),
        [
            Found::Ambiguous(vec![0]),
            Found::Ambiguous(vec![0]),
            Found::Absent
        ]
    );
}

#[test]
fn ports_of_one_device_are_counted_from_one() {
    let first = device(20, 1, Some("A"), "1-1");
    let second = Endpoint {
        device_port: 2,
        address: Address::Sequencer(20, 1),
        ..first.clone()
    };
    let present = [first, second];
    let wanted = [usb_port(Some("A"), None, 2), usb_port(Some("A"), None, 1)];
    assert_eq!(found(&wanted, &present), [Found::One(1), Found::One(0)]);
    let wanted = [usb_port(Some("A"), None, 3)];
    assert_eq!(found(&wanted, &present), [Found::Absent]);
}

#[test]
fn a_name_is_a_ports_before_it_is_a_clients() {
    let present = [
        program(128, "organ", "out"),
        program(129, "other", "organ"),
        program(130, "lights", "a"),
        program(131, "lights", "b"),
    ];
    let wanted = [named("organ"), named("lights"), named("b"), named("org")];
    assert_eq!(
        found(&wanted, &present),
        [
            Found::One(1),
            // The client's two ports, of which another rule wants one.
            Found::Ambiguous(vec![2, 3]),
            Found::Ambiguous(vec![3]),
            Found::Absent
        ]
    );
}

#[test]
fn the_two_directions_may_be_served_by_two_ports() {
    let reads = Endpoint {
        has_output: false,
        ..program(128, "organ", "from organ")
    };
    let writes = Endpoint {
        has_input: false,
        ..program(128, "organ", "to organ")
    };
    let all = match_ports(&[named("organ")], &[reads, writes]);
    assert_eq!(
        all,
        [Assignment {
            input: Found::One(0),
            output: Found::One(1)
        }]
    );
}

fn any_present() -> impl Strategy<Value = Vec<Endpoint>> {
    let one = (
        1_u16..3,
        prop::option::of(prop::sample::select(vec!["A", "B"])),
        prop::sample::select(vec!["1-1", "1-2", "1-3"]),
    );
    prop::collection::vec(one, 0..6).prop_map(|all| {
        all.into_iter()
            .zip(16..)
            .map(|((product, serial, location), number)| device(number, product, serial, location))
            .collect()
    })
}

fn any_wanted() -> impl Strategy<Value = Vec<PortWanted>> {
    let one = prop_oneof![
        3 => (
            prop::option::of(prop::sample::select(vec!["A", "B"])),
            prop::option::of(prop::sample::select(vec!["1-1", "1-2", "1-3"])),
        )
            .prop_map(|(serial, location)| usb(serial, location)),
        1 => Just(named("Stage Keys")),
    ];
    prop::collection::vec(one, 0..6)
}

proptest! {
    /// One endpoint serves at most one port, what serves a port fits its rule, and the
    /// order of plugging in changes nothing.
    #[test]
    fn nothing_is_shared_or_guessed(
        wanted in any_wanted(),
        present in any_present(),
        turn in 0_usize..6,
    ) {
        let all = found(&wanted, &present);
        prop_assert_eq!(all.len(), wanted.len());
        let mut taken = Vec::new();
        for (found, wanted) in all.iter().zip(&wanted) {
            if let Found::One(index) = found {
                prop_assert!(!taken.contains(index), "{:?}", all);
                prop_assert!(admits(&wanted.rule, &present[*index]));
                taken.push(*index);
            }
        }
        let mut turned = present.clone();
        turned.rotate_left(turn.min(present.len()));
        let address = |present: &[Endpoint], found: &Found| match found {
            Found::One(index) => Some(present[*index].address.clone()),
            _ => None,
        };
        for (before, after) in all.iter().zip(found(&wanted, &turned)) {
            prop_assert_eq!(address(&present, before), address(&turned, &after));
        }
    }
}
